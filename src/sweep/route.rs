//! Which throws prove a turnout or a signal, in which order.

use throwproof_protocol::address::Position;

use crate::event::{Step, Subject};
use crate::plan::{Id, Plan, Signal, Turnout};

/// The position's word as an id, as events have it.
pub(super) fn id_of(position: Position) -> Id {
    Id::new(position.as_str())
}

/// The throws of one turnout or signal: one to prime it, then a round of visits as often as is
/// asked for.
pub(super) struct Route {
    prime: Vec<(Step, Id)>,
    round: Vec<(Step, Id)>,
}

impl Route {
    fn new(throws: impl IntoIterator<Item = (Step, Id)>) -> Self {
        let (prime, round) = throws
            .into_iter()
            .partition(|(step, _)| *step == Step::Prime);
        Self { prime, round }
    }

    pub(super) fn turnout(turnout: &Turnout) -> Self {
        Self::new(of_turnout(turnout, 1))
    }

    pub(super) fn signal(signal: &Signal) -> Self {
        Self::new(of_signal(signal, 1))
    }

    /// The throw after `seen` of them, however many rounds that is; `None` if there are no throws.
    pub(super) fn nth(&self, seen: usize) -> Option<&(Step, Id)> {
        match seen.checked_sub(self.prime.len()) {
            None => self.prime.get(seen),
            Some(visits) => self.round.get(visits.checked_rem(self.round.len())?),
        }
    }

    /// The next throw of those that are wanted, after `seen` of them; a round that was begun is
    /// finished, so that it ends at rest.
    pub(super) fn next(&self, seen: usize, cycles: u32) -> Option<&(Step, Id)> {
        let cycles = usize::try_from(cycles).unwrap_or(usize::MAX);
        let visits = seen.checked_sub(self.prime.len());
        let is_over = visits.is_some_and(|visits| {
            visits >= self.round.len().saturating_mul(cycles)
                && visits.checked_rem(self.round.len()).unwrap_or(0) == 0
        });
        if is_over { None } else { self.nth(seen) }
    }
}

/// Primed to the position it is left in, so that each visit is seen to move; then there and
/// back, which leaves it at rest. One with several drives goes round by all its positions.
pub(super) fn of_turnout(turnout: &Turnout, cycles: u32) -> Vec<(Step, Id)> {
    let rest = turnout.rest_name();
    let mut round = turnout.positions();
    round.retain(|name| *name != rest);
    round.push(rest.clone());
    let visits = round.into_iter().map(|name| (Step::Visit, name));
    std::iter::once((Step::Prime, rest))
        .chain((0..cycles).flat_map(|_| visits.clone()))
        .collect()
}

/// Primed to its most restrictive aspect, then every other one in the order of the plan, and the
/// most restrictive last, so that no signal is left at proceed.
pub(super) fn of_signal(signal: &Signal, cycles: u32) -> Vec<(Step, Id)> {
    let Some(last) = signal.most_restrictive() else {
        return Vec::new();
    };
    let mut round: Vec<_> = signal
        .aspects
        .iter()
        .filter(|aspect| *aspect != last)
        .map(|one| &one.name)
        .collect();
    // A signal with one aspect can't be sent elsewhere first.
    let prime = (!round.is_empty()).then(|| (Step::Prime, last.name.clone()));
    round.push(&last.name);
    let visits = round.into_iter().map(|name| (Step::Visit, name.clone()));
    prime
        .into_iter()
        .chain((0..cycles).flat_map(|_| visits.clone()))
        .collect()
}

/// Somewhere else to send it; `None` for a signal with one aspect.
pub(super) fn other_than(plan: &Plan, subject: &Subject, commanded: &Id) -> Option<Id> {
    match subject {
        Subject::Turnout(id) => {
            let turnout = plan.turnout(id.as_str())?;
            let rest = std::iter::once(turnout.rest_name());
            let mut choices = rest.chain(turnout.positions());
            choices.find(|name| name != commanded)
        }
        Subject::Signal(id) => {
            let signal = plan.signal(id.as_str())?;
            let restrictive = signal.most_restrictive().into_iter();
            let mut choices = restrictive.chain(&signal.aspects);
            choices
                .find(|aspect| aspect.name != *commanded)
                .map(|aspect| aspect.name.clone())
        }
    }
}
