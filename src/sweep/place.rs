//! All turnouts of a place thrown one after another and then looked at together.
//!
//! What is thrown where before each look, and why that shows every fault that a sweep one by one
//! shows, stands in [`rounds`]. When all looks are over, whoever never differed is proved, and
//! whoever did is swept again alone. So are all others of the place, where what differed may have
//! another cause than itself: if it is proved alone, or if it did not lie as one that is still,
//! goes one way, stops short or is reversed would lie, see [`is_its_own`].
//!
//! Only a place where everything that may be driven takes part is looked at as a whole: what is
//! not shown is not watched. That something moves elsewhere, out of sight, shows here no more than
//! it does one by one.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::so_far::{Round, SoFar};
use super::thrower::Thrower;
use super::{Options, is_reserved};
use crate::event::Subject;
use crate::plan::{Plan, Turnout};
use crate::verdict::Verdict;

pub(super) mod rounds;

use rounds::Rounds;

/// A place that is looked at as a whole.
pub(super) struct Place<'p> {
    pub(super) name: &'p str,
    /// In the order of the plan.
    pub(super) members: Vec<&'p Turnout>,
    pub(super) rounds: Rounds,
    /// Whether all lie as the round before left them.
    pub(super) is_set_up: bool,
}

/// What there is to do next at a place.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Todo<'p> {
    /// Throw and look, once more.
    Round,
    /// Begin these anew, each alone.
    Again(Vec<&'p Turnout>),
    /// Go on with this one, which was begun anew.
    Alone(&'p Turnout),
    /// This one is proved.
    Proved(&'p Turnout),
}

impl<'p> Place<'p> {
    /// The place of that name, if it can be looked at as a whole. `swept` are the turnouts of the
    /// run.
    pub(super) fn new(
        plan: &'p Plan,
        name: &'p str,
        swept: &[&Turnout],
        options: &Options,
    ) -> Option<Self> {
        let is_driven = |one: &&Turnout| options.allow_reserved || !is_reserved(plan, one.address);
        let here = plan.turnouts.iter().filter(|one| one.place == name);
        let members: Vec<_> = here.filter(is_driven).collect();
        let all_swept = members
            .iter()
            .all(|one| swept.iter().any(|other| other.id == one.id));
        // Nor one with several drives, which lies in more than two ways.
        let all_simple = members.iter().all(|one| one.joint.is_none());
        // Of those without a place nobody knows whether they can be seen together.
        if name.is_empty() || members.len() < 2 || !all_swept || !all_simple {
            return None;
        }
        let mut units: Vec<(KeyedAddress, _)> = Vec::new();
        let mut unit_of = Vec::new();
        for member in &members {
            let at_rest = member.pair_bit(member.rest);
            let same = units.iter().position(|(own, _)| *own == member.address);
            let unit = same.unwrap_or(units.len());
            match units.get(unit) {
                None => units.push((member.address, at_rest)),
                // Sending one to rest sends the other far.
                Some((_, own)) if *own != at_rest => return None,
                Some(_) => {}
            }
            unit_of.push(unit);
        }
        Some(Self {
            name,
            members,
            rounds: Rounds::new(&unit_of),
            is_set_up: false,
        })
    }

    /// Where a member is sent in a round, from 1; before the first it is sent to rest.
    pub(super) fn position(&self, member: usize, round: usize) -> Option<Position> {
        let rest = self.members.get(member)?.rest;
        let is_far = self.rounds.is_far(member, round);
        Some(if is_far { rest.opposite() } else { rest })
    }

    /// Whether looks that are kept are looks at this place as it is now.
    pub(super) fn are_its(&self, kept: &[Round]) -> bool {
        let ids = || self.members.iter().map(|one| &one.id);
        kept.iter().all(|round| {
            usize::try_from(round.rounds).is_ok_and(|count| count == self.rounds.count())
                && round.members.iter().eq(ids())
        })
    }

    /// Whether nothing is known of it but by looks at it as a whole: what was begun one by one is
    /// gone on with one by one.
    pub(super) fn is_whole(&self, thrower: &Thrower<'_, '_>) -> bool {
        let so_far = thrower.so_far();
        let untouched = |one: &&Turnout| {
            let subject = Subject::Turnout(one.id.clone());
            so_far.trail(&subject).is_empty()
                && so_far.verdict(&subject).is_none()
                && !so_far.is_alone(&subject)
        };
        !so_far.rounds(self.name).is_empty() || self.members.iter().all(untouched)
    }

    /// What there is to do next; `None` when each has its verdict.
    pub(super) fn todo(&self, so_far: &SoFar) -> Option<Todo<'p>> {
        let of = |one: &Turnout| Subject::Turnout(one.id.clone());
        let open = |one: &&Turnout| so_far.verdict(&of(one)).is_none();
        let alone = |one: &&Turnout| so_far.is_alone(&of(one));
        let members = || self.members.iter().copied();
        let kept = so_far.rounds(self.name);
        let is_over = kept.len() >= self.rounds.count();
        if !is_over && !members().any(|one| alone(&one)) {
            return members().any(|one| open(&one)).then_some(Todo::Round);
        }
        let differed = |at: usize| -> Vec<bool> {
            let id = self.members.get(at).map(|one| &one.id);
            let differs = |round: &Round| id.is_some_and(|id| round.differ.contains(id));
            kept.iter().map(differs).collect()
        };
        let mut again = Vec::new();
        let mut others = !is_over;
        for (at, member) in members().enumerate() {
            let differed = differed(at);
            if differed.contains(&true) {
                again.push(member);
                others |= !is_its_own(&self.rounds, at, &differed)
                    || so_far.verdict(&of(member)) == Some(Verdict::Proved);
            }
        }
        if others {
            again = members().collect();
        }
        // One may have been proved when nothing spoke against it yet.
        let stands = |one: &&Turnout| {
            let verdict = so_far.verdict(&of(one));
            verdict.is_some_and(|verdict| verdict != Verdict::Proved)
        };
        again.retain(|one| !stands(one) && !alone(one));
        if !again.is_empty() {
            return Some(Todo::Again(again));
        }
        let next = members().find(|one| open(one) && alone(one));
        next.map(Todo::Alone)
            .or_else(|| members().find(open).map(Todo::Proved))
    }
}

/// Whether it differed as a turnout does that has a fault of its own: whenever it was sent to one
/// side and never when it was sent to the other, or always; or, of one that goes far and not back,
/// whenever it was sent to rest after the first time that it was sent far.
pub(super) fn is_its_own(rounds: &Rounds, member: usize, differed: &[bool]) -> bool {
    let each = || {
        let differed = differed.iter().enumerate();
        differed.map(|(at, differs)| (rounds.is_far(member, at + 1), *differs))
    };
    let alike = |side: bool| {
        let mut own = each().filter(|(far, _)| *far == side);
        let first = own.next().map(|(_, differs)| differs);
        own.all(|(_, differs)| Some(differs) == first)
    };
    let mut was_far = false;
    let goes_far_only = each().all(|(far, differs)| {
        was_far |= far;
        differs == (was_far && !far)
    });
    (alike(true) && alike(false)) || goes_far_only
}
