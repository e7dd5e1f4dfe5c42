//! Turnouts thrown one after another as a route would, and the shortest gap between throws that
//! proves reliable.
//!
//! Alone, a turnout may throw without fail and in a route not: its supply sags under several coils,
//! a capacitor has not recharged, a board is deaf while it works (common practice, no source). Here
//! all are thrown away from rest and back with one and the same gap from start to start; a gap is
//! good if every turnout was seen to arrive both ways. The shortest good gap of a ladder is
//! searched by halving, and then has to prove itself several times; if it does not, the next wider
//! one has to.
//!
//! Outputs may be active several at a time here: where the gap is shorter than a pulse, that is
//! the very thing that is tried. Each is released all the same.

use std::num::NonZeroU32;
use std::time::Duration;

use throwproof_protocol::address::Position;

use super::prove::refused_reason;
use super::stop::StopToken;
use super::thrower::{About, Ended, Extent, Halt, Thrower, unwound};
use super::{SweepError, carries, route};
use crate::event::hub::Hub;
use crate::event::{EventKind, Missed, Step, StopReason, Subject};
use crate::link::Link;
use crate::plan::{Id, Plan};
use crate::witness::{Observed, Survey, Surveyed, Witness};

mod group;

use group::{Group, Way};

/// The gaps that are tried, milliseconds from start to start, the widest first. From well above
/// the 0.5 to 1 s that is usual (common practice, no source) to what no station can do.
pub const LADDER: [u32; 12] = [3000, 2000, 1500, 1000, 750, 500, 350, 250, 180, 120, 80, 50];

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// The turnouts, in the order in which a route would throw them.
    pub members: Vec<Id>,
    /// What they are called together: their place, or their ids.
    pub name: String,
    /// How often the gap that was found has to prove itself.
    pub proofs: NonZeroU32,
    /// What the plan's electrical figures expect the shortest gap to be, and why.
    pub expected: Option<(Duration, String)>,
    /// Whether to drive the addresses that also are broadcast and emergency stop.
    pub allow_reserved: bool,
    /// What else is known of the run before it begins.
    pub about: About,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The shortest gap that proved reliable, milliseconds.
    Reliable(u32),
    /// Not even the widest gap is.
    None,
    /// The station refused a throw, and why.
    Refused(String),
    /// Something else than those thrown moved.
    Disturbed(String),
    /// It was stopped before its end.
    Stopped(StopReason),
}

/// Why a group can't be thrown.
#[derive(Debug, thiserror::Error)]
pub enum TogetherError {
    /// As a sweep.
    #[error(transparent)]
    Sweep(#[from] SweepError),
    /// The witness can't see all of them at once.
    #[error("the witness `{0}` can't look at several turnouts at once")]
    CannotSurvey(&'static str),
    /// Fewer than two turnouts.
    #[error("{0} has no two turnouts that can be thrown together")]
    TooFew(String),
}

/// A group of turnouts to be thrown together.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness"
)]
pub struct Together<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who says what was seen.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// What is asked for.
    pub asked: Asked,
}

impl Together<'_, '_> {
    /// Finds the shortest reliable gap.
    ///
    /// # Errors
    /// When the group or the witness does not do, or as a sweep fails.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Outcome, TogetherError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            asked,
        } = self;
        if !witness.can_survey() {
            return Err(TogetherError::CannotSurvey(witness.name()));
        }
        let group = Group::new(plan, &asked)?;
        for (subject, position) in group.sent(Way::Away) {
            carries::check_throw(plan, link, &subject, &route::id_of(position))
                .map_err(TogetherError::Sweep)?;
        }
        let mut thrower = Thrower::new(plan, link, witness, hub, stop);
        thrower = thrower.waiting_for_link(asked.about.reconnect);
        let outcome = unwound(find(&mut thrower, &group, &asked)).await;
        let members = group.members.len();
        let reliable = matches!(outcome, Ok(Ok(Outcome::Reliable(_))));
        let ended = thrower.end(outcome, |thrower| {
            let elapsed_us = u64::try_from(thrower.elapsed().as_micros()).unwrap_or(u64::MAX);
            Some(EventKind::Summary {
                proved: if reliable { members } else { 0 },
                failed: if reliable { 0 } else { members },
                skipped: 0,
                unreached: 0,
                throws: thrower.throws(),
                elapsed_us,
                together_us: None,
                bound_us: None,
                accepted: None,
            })
        });
        Ok(match ended.await? {
            Ended::Done(outcome) => outcome,
            Ended::Stopped(reason) => Outcome::Stopped(reason),
        })
    }
}

/// What a trial came to.
enum Trial {
    /// All arrived; the longest gap there really was, milliseconds.
    Good(u32),
    /// Somebody did not arrive, and who.
    Missed(Vec<Id>),
    Refused(String),
    Disturbed(String),
}

/// The whole test.
async fn find(
    thrower: &mut Thrower<'_, '_>,
    group: &Group<'_>,
    asked: &Asked,
) -> Result<Outcome, Halt> {
    let extent = Extent {
        turnouts: group.members.len(),
        cycles: asked.proofs.get(),
        ..Extent::NO_SWEEP
    };
    thrower.begin_run(&asked.about, extent).await?;
    let mut is_at_rest = false;
    let mut first_to_fail = Vec::new();
    // The ladder runs from wide to narrow: `good` is known to be, `bad` known not to be.
    let (mut good, mut bad) = (None, LADDER.len());
    let mut kept_ms = None;
    let mut next = 0;
    while next < bad {
        match trial(thrower, group, LADDER[next], &mut is_at_rest).await? {
            Trial::Good(kept) => {
                (good, kept_ms) = (Some(next), Some(kept));
                // Narrower than the link can go would be the same test again.
                if is_slower(LADDER[next], kept) {
                    bad = bad.min(next + 1);
                }
            }
            Trial::Missed(missed) => (bad, first_to_fail) = (next, missed),
            Trial::Refused(reason) => return Ok(Outcome::Refused(refused_reason(&reason))),
            Trial::Disturbed(what) => return Ok(Outcome::Disturbed(what)),
        }
        let Some(good) = good else { break };
        next = if good + 1 == bad {
            bad
        } else {
            usize::midpoint(good, bad)
        };
    }
    // What held once may not hold always.
    let mut proved = 1;
    while let Some(at) = good {
        let mut is_proved = true;
        for _ in proved..asked.proofs.get() {
            match trial(thrower, group, LADDER[at], &mut is_at_rest).await? {
                Trial::Good(kept) => kept_ms = Some(kept),
                Trial::Missed(missed) => {
                    (is_proved, first_to_fail) = (false, missed);
                    break;
                }
                Trial::Refused(reason) => return Ok(Outcome::Refused(refused_reason(&reason))),
                Trial::Disturbed(what) => return Ok(Outcome::Disturbed(what)),
            }
        }
        if is_proved {
            break;
        }
        (good, proved) = (at.checked_sub(1), 0);
    }
    let gap_ms = good.map(|at| LADDER[at]);
    let (expected_ms, because) = asked.expected.clone().unzip();
    let millis = |time: Duration| u32::try_from(time.as_millis()).unwrap_or(u32::MAX);
    let found = EventKind::GapFound {
        gap_ms,
        kept_ms: kept_ms.filter(|_| gap_ms.is_some()),
        proofs: asked.proofs.get(),
        first_to_fail,
        expected_ms: expected_ms.map(millis),
        because: because.unwrap_or_default(),
    };
    thrower.say(found).await?;
    if !is_at_rest {
        thrower
            .throw_all(&group.throws(Way::Back, Step::Rest))
            .await?;
    }
    Ok(gap_ms.map_or(Outcome::None, Outcome::Reliable))
}

/// Throws all away from rest and back with that gap. What the link or the layout breaks off is
/// begun anew.
async fn trial(
    thrower: &mut Thrower<'_, '_>,
    group: &Group<'_>,
    gap_ms: u32,
    is_at_rest: &mut bool,
) -> Result<Trial, Halt> {
    loop {
        match tried(thrower, group, gap_ms, is_at_rest).await {
            Err(halt) => {
                *is_at_rest = false;
                thrower.recover(halt).await?;
            }
            outcome => return outcome,
        }
    }
}

async fn tried(
    thrower: &mut Thrower<'_, '_>,
    group: &Group<'_>,
    gap_ms: u32,
    is_at_rest: &mut bool,
) -> Result<Trial, Halt> {
    if !*is_at_rest {
        let throws = group.throws(Way::Back, Step::Back);
        if let Some(reason) = thrower.throw_all(&throws).await? {
            return Ok(Trial::Refused(reason));
        }
        *is_at_rest = true;
    }
    let mut longest = 0;
    for way in [Way::Away, Way::Back] {
        let gap = Duration::from_millis(u64::from(gap_ms));
        let throws = group.throws(way, Step::Group);
        // A route begins with supplies at rest.
        let burst = thrower.burst(&throws, gap).await?;
        *is_at_rest = false;
        let kept = match burst {
            Ok(kept) => kept,
            Err(reason) => return Ok(Trial::Refused(reason)),
        };
        let sent = group.sent(way);
        let survey = Survey {
            plan: thrower.plan,
            place: group.name,
            round: if way == Way::Away { 1 } else { 2 },
            rounds: 2,
            sent: &sent,
        };
        let differ = match thrower.survey(&survey).await? {
            Surveyed::Differ(differ) => differ,
            Surveyed::Repeat | Surveyed::Undo | Surveyed::OneByOne => {
                return Box::pin(tried(thrower, group, gap_ms, is_at_rest)).await;
            }
            Surveyed::SkipPlace | Surveyed::Stop => {
                return Err(Halt::Stop(StopReason::Operator));
            }
        };
        if let Some((id, _)) = differ.iter().find(|(id, _)| !is_sent(&sent, id)) {
            return Ok(Trial::Disturbed(format!(
                "{id} moved or changed, which is none of those thrown"
            )));
        }
        let missed = missed(&sent, differ);
        let kept_ms = u32::try_from(kept.as_millis()).unwrap_or(u32::MAX);
        longest = longest.max(kept_ms);
        let event = EventKind::GroupThrown {
            group: group.name.to_owned(),
            gap_ms,
            kept_ms,
            away: way == Way::Away,
            members: group
                .members
                .iter()
                .map(|member| member.id.clone())
                .collect(),
            missed: missed.clone(),
        };
        thrower.say(event).await?;
        if !missed.is_empty() {
            let missed = missed.into_iter().map(|one| one.id);
            return Ok(Trial::Missed(missed.collect()));
        }
    }
    *is_at_rest = true;
    Ok(Trial::Good(longest))
}

/// Whether the gap that there really was is notably longer than the one asked for, both in
/// milliseconds.
pub(crate) const fn is_slower(asked: u32, kept: u32) -> bool {
    kept > asked + asked / 10 + 10
}

fn is_sent(sent: &[(Subject, Position)], id: &Id) -> bool {
    sent.iter().any(|(subject, _)| subject.id() == id)
}

/// Those that do not lie where they were sent.
fn missed(sent: &[(Subject, Position)], differ: Vec<(Id, Observed)>) -> Vec<Missed> {
    let differ = differ.into_iter().filter(|(id, observed)| {
        let sent = sent.iter().find(|(subject, _)| subject.id() == id);
        sent.is_some_and(|(_, position)| Observed::of(*position) != *observed)
    });
    differ
        .map(|(id, observed)| Missed { id, observed })
        .collect()
}
