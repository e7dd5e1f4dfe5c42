//! Can the link carry all that a run will send? Asked before anything moves.

use super::command::Command;
use super::{Options, SweepError, is_reserved, route};
use crate::event::Subject;
use crate::link::{CannotCarry, Link};
use crate::plan::{Id, Plan, Signal, Turnout};

/// Asks for every packet of a sweep.
pub(super) fn check(
    plan: &Plan,
    link: &dyn Link,
    turnouts: &[&Turnout],
    signals: &[&Signal],
    options: &Options,
) -> Result<(), SweepError> {
    let mut first = None;
    let mut ids = Vec::new();
    let driven = |address| options.allow_reserved || !is_reserved(plan, address);
    let turnouts = turnouts
        .iter()
        .filter(|turnout| turnout.addresses().into_iter().all(driven))
        .map(|turnout| {
            let throws = route::of_turnout(turnout, 1);
            (Subject::Turnout(turnout.id.clone()), throws)
        });
    let signals = signals
        .iter()
        .filter(|signal| driven(signal.address))
        .map(|signal| {
            let throws = route::of_signal(signal, 1);
            (Subject::Signal(signal.id.clone()), throws)
        });
    for (subject, throws) in turnouts.chain(signals) {
        let mut commanded = throws.iter().map(|(_, commanded)| commanded);
        if let Some(error) = commanded.find_map(|to| refusal(plan, link, &subject, to)) {
            first = first.or(Some(error));
            ids.push(subject.id().clone());
        }
    }
    match first {
        None => Ok(()),
        Some(source) => Err(SweepError::CannotCarry { ids, source }),
    }
}

/// Asks for the packets of one throw.
pub(super) fn check_throw(
    plan: &Plan,
    link: &dyn Link,
    subject: &Subject,
    commanded: &Id,
) -> Result<(), SweepError> {
    match refusal(plan, link, subject, commanded) {
        None => Ok(()),
        Some(source) => {
            let ids = vec![subject.id().clone()];
            Err(SweepError::CannotCarry { ids, source })
        }
    }
}

/// Why the link can't carry a throw. What can't be commanded at all is told when it is its turn.
fn refusal(plan: &Plan, link: &dyn Link, subject: &Subject, commanded: &Id) -> Option<CannotCarry> {
    let command = Command::new(plan, subject, commanded).ok()?;
    command
        .packets()
        .find_map(|packet| link.can_carry(packet).err())
}
