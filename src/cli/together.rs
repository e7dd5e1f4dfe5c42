//! `sweep --together`: a group thrown as a route would.

use std::num::NonZeroU32;
use std::time::Duration;

use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Way};
use super::run::{Args, no_such_id};
use super::{Exit, Failure, Format, sinks, stdout};
use crate::electric::gap::{Why, shortest_gap};
use crate::plan::{Id, Plan};
use crate::record::RunKind;
use crate::sweep::stop::stop_pair;
use crate::sweep::together::{self, Outcome, Together, TogetherError};
use crate::toml_reader::nearest;
use crate::view::group::Group;

/// How often a gap has to hold, unless asked otherwise.
const PROOFS: NonZeroU32 = NonZeroU32::MIN.saturating_add(2);

pub(super) fn run(args: &Args, group: &str, format: Format) -> Result<Exit, Failure> {
    let kept = KeptPlan::read(args.plan.as_ref(), &args.reach)?;
    let plan = &kept.plan;
    let members = members(plan, group)?;
    let is_rehearsal = args.reach.is_rehearsal();
    let record = keep::open(plan, &args.record, is_rehearsal)?;
    let (handle, stop) = stop_pair();
    let asked = Asked {
        asking: &args.asking,
        plan,
        only: &members,
        resumes: false,
        stop: handle.clone(),
    };
    let way = Way::named(plan, None, &args.reach, asked)?;
    let asked = together::Asked {
        name: group.to_owned(),
        proofs: args.cycles.unwrap_or(PROOFS),
        expected: Some(expected(plan, &members)),
        allow_reserved: args.reach.allow_reserved,
        about: kept.about(&args.reach, &args.tester, way.seed()),
        members,
    };
    let keeps = kept.keeps(RunKind::Sweep, &asked.members, is_rehearsal);
    let record = record.map(|record| (record, keeps));
    let mut hub = sinks::hub(record, &way, format, || Group::new(stdout()))?;
    let outcome = layout::drive(way, plan, (&handle, &stop), async |link, witness| {
        let together = Together {
            plan,
            link,
            witness,
            hub: &mut hub,
            stop: stop.clone(),
            asked,
        };
        together.run().await.map_err(failure)
    });
    sinks::tell_unkept(&hub);
    let exit = match outcome? {
        Outcome::Reliable(_) => Exit::Clean,
        Outcome::None => Exit::Found,
        Outcome::Refused(reason) | Outcome::Disturbed(reason) => {
            super::remark(&format!("the test was given up: {reason}"));
            Exit::Found
        }
        Outcome::Stopped(reason) => reason.into(),
    };
    Ok(super::with_views(&hub, exit))
}

/// What the plan's electrical figures expect the shortest gap to be, and why.
fn expected(plan: &Plan, members: &[Id]) -> (Duration, String) {
    let indices = plan.turnouts.iter().enumerate();
    let indices = indices.filter(|(_, turnout)| members.contains(&turnout.id));
    let indices: Vec<_> = indices.map(|(index, _)| index).collect();
    let gap = shortest_gap(plan, &indices);
    let Some(reason) = gap.reasons.first() else {
        let nothing = "nothing in the plan stands against throwing them all at once";
        return (gap.time, nothing.to_owned());
    };
    let supply = reason.supply.as_ref().map_or("their supply", Id::as_str);
    let because = match reason.why {
        Why::Recharge => {
            format!("the capacitor of {supply} is back at 95 % after three time constants")
        }
        Why::Current { amps, rated } => {
            format!("two of them at once draw {amps:.1} A, and {supply} gives {rated:.1} A")
        }
        Why::Inrush => format!("motors and servos on {supply} draw more as they start"),
    };
    (gap.time, because)
}

fn failure(error: TogetherError) -> Failure {
    match error {
        TogetherError::Sweep(error) => error.into(),
        error @ TogetherError::CannotSurvey(_) => Failure::usage(
            error.to_string(),
            "take `--witness ask` or `--witness phone`, and stand where you see all of them",
        ),
        error @ TogetherError::TooFew(_) => Failure::usage(
            error.to_string(),
            "name a place with two turnouts at different addresses, or their ids: --together Q1,Q2",
        ),
    }
}

/// The turnouts of a place, or those of the ids.
fn members(plan: &Plan, group: &str) -> Result<Vec<Id>, Failure> {
    let at_place = plan.turnouts.iter().filter(|one| one.place == group);
    let (several, here): (Vec<_>, Vec<_>) = at_place.partition(|one| one.joint.is_some());
    for turnout in &several {
        super::remark(&format!(
            "{} has several drives, which are thrown in an order of their own: it is left out",
            turnout.id
        ));
    }
    if !here.is_empty() {
        return Ok(here.into_iter().map(|one| one.id.clone()).collect());
    }
    let words: Vec<_> = group.split(',').map(str::trim).collect();
    let mut ids: Vec<Id> = Vec::new();
    for word in words.iter().filter(|word| !word.is_empty()) {
        if plan.signal(word).is_some() {
            return Err(Failure::usage(
                format!("{word} is a signal, and only turnouts are thrown together"),
                "name turnouts, or a place",
            ));
        }
        if plan.turnout(word).is_none() {
            let places = plan.turnouts.iter().map(|one| one.place.as_str());
            return Err(match nearest(group, places) {
                Some(near) if words.len() == 1 => Failure::usage(
                    format!("the plan has no place and no turnout `{group}`"),
                    format!("did you mean `{near}`?"),
                ),
                _ => no_such_id(plan, word),
            });
        }
        if plan.turnout(word).is_some_and(|one| one.joint.is_some()) {
            return Err(Failure::usage(
                format!("{word} has several drives, which are thrown in an order of their own"),
                "leave it out: a sweep proves it alone",
            ));
        }
        let id = Id::new(word);
        if !ids.contains(&id) {
            ids.push(id);
        }
    }
    Ok(ids)
}
