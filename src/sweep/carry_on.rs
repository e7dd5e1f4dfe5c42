//! Taking up where an earlier part of a run ended.

use std::collections::BTreeSet;

use super::place::Place;
use super::prove;
use super::route::Route;
use super::so_far::{Mark, SoFar};
use super::thrower::{Halt, Thrower};
use crate::event::{EventKind, Subject};
use crate::plan::Plan;
use crate::witness::{Observed, Seen};

/// Says once more what earlier parts saw, as far as it can be gone on with, so that this part is
/// whole in itself; what can't is begun anew. Gives those that nobody knows the position of.
///
/// `together` are the turnouts that are thrown several at a time: one of those that was not
/// finished is begun anew.
pub(super) async fn carry_on(
    thrower: &mut Thrower<'_, '_>,
    places: &[&Place<'_>],
    together: &[Subject],
    cycles: u32,
) -> Result<BTreeSet<Subject>, Halt> {
    let plan = thrower.plan;
    thrower.so_far_mut().accept_anew();
    for subject in thrower.so_far().begun() {
        if together.contains(&subject) || !goes_on(plan, places, thrower.so_far(), &subject, cycles)
        {
            thrower.say(EventKind::SweptAgain { subject }).await?;
        }
    }
    for place in places {
        for (subject, throw) in left_over(place, thrower.so_far()) {
            let gone = EventKind::Withdrawn { subject, throw };
            thrower.say(gone).await?;
        }
    }
    for event in thrower.so_far().carried() {
        thrower.say(event).await?;
    }
    for place in places {
        for event in missing(place, thrower.so_far()) {
            thrower.say(event).await?;
        }
    }
    Ok(thrower.so_far().begun().into_iter().collect())
}

/// Whether what was begun can be gone on with.
fn goes_on(
    plan: &Plan,
    places: &[&Place<'_>],
    so_far: &SoFar,
    subject: &Subject,
    cycles: u32,
) -> bool {
    let trail = so_far.trail(subject);
    match subject {
        Subject::Turnout(id) => plan.turnout(id.as_str()).is_some_and(|turnout| {
            let at_place = places.iter().any(|place| place.name == turnout.place);
            let by_place = at_place && !so_far.is_alone(subject);
            by_place || prove::can_go_on(&Route::turnout(turnout), trail, cycles)
        }),
        Subject::Signal(id) => plan
            .signal(id.as_str())
            .is_some_and(|signal| prove::can_go_on(&Route::signal(signal), trail, cycles)),
    }
}

/// Observations of a look that was being taken back when the run ended.
fn left_over(place: &Place<'_>, so_far: &SoFar) -> Vec<(Subject, u64)> {
    let rounds = so_far.rounds(place.name);
    let mut left = Vec::new();
    for subject in members(place, so_far) {
        let first = so_far.trail(&subject).iter().find_map(|mark| match mark {
            Mark::Seen(sent, _) => {
                let mut kept = rounds.iter().flat_map(|round| &round.sent);
                let is_kept = kept.any(|(own, other)| *own == subject && other == sent);
                (!is_kept).then_some(sent.throw)
            }
            Mark::Laid(_) => None,
        });
        left.extend(first.map(|throw| (subject, throw)));
    }
    left
}

/// Members that go with their place.
fn members(place: &Place<'_>, so_far: &SoFar) -> Vec<Subject> {
    let all = place.members.iter();
    let all = all.map(|turnout| Subject::Turnout(turnout.id.clone()));
    all.filter(|subject| so_far.verdict(subject).is_none() && !so_far.is_alone(subject))
        .collect()
}

/// Observations of the looks that count which are not known: they were not kept any more when the
/// run was cut, or went with what was begun anew after a look that has been taken back since. Where
/// something lay otherwise, it is swept again in any case.
pub(super) fn missing(place: &Place<'_>, so_far: &SoFar) -> Vec<EventKind> {
    let going = members(place, so_far);
    let rounds = so_far.rounds(place.name).iter();
    let sent = rounds.flat_map(|round| round.sent.iter().map(move |sent| (round, sent)));
    let missing = sent.filter(|(round, (subject, sent))| {
        let trail = so_far.trail(subject).iter();
        let mut seen = trail.filter(|mark| matches!(mark, Mark::Seen(own, _) if own == sent));
        going.contains(subject) && !round.differ.contains(subject.id()) && seen.next().is_none()
    });
    missing
        .filter_map(|(_, (subject, sent))| {
            let observed = Observed::of(sent.commanded.as_str().parse().ok()?);
            Some(EventKind::Observation {
                subject: subject.clone(),
                throw: sent.throw,
                step: sent.step,
                commanded: sent.commanded.clone(),
                seen: Seen {
                    observed,
                    others: Vec::new(),
                },
                carried: false,
            })
        })
        .collect()
}
