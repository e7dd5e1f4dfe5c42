//! The turnouts of a group, and where each is sent.

use throwproof_protocol::address::Position;

use super::{Asked, TogetherError};
use crate::event::{Step, Subject};
use crate::plan::{Id, Plan, Turnout};
use crate::sweep::command::CommandError;
use crate::sweep::{SweepError, is_reserved, route};

/// Which way the group is thrown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// Away from rest.
    Away,
    /// Back to rest.
    Back,
}

pub(super) struct Group<'p> {
    /// Those that are looked at, in the order of throwing.
    pub(super) members: Vec<&'p Turnout>,
    /// Those whose throw moves them: of several at one address the first.
    thrown: Vec<&'p Turnout>,
    pub(super) name: &'p str,
}

impl<'p> Group<'p> {
    pub(super) fn new(plan: &'p Plan, asked: &'p Asked) -> Result<Self, TogetherError> {
        let mut members = Vec::new();
        for id in &asked.members {
            let turnout = plan
                .turnout(id.as_str())
                .ok_or_else(|| SweepError::Command(CommandError::NoSuchSubject(id.clone())))?;
            // One with several drives has an order of its own to keep.
            let driven = asked.allow_reserved || !is_reserved(plan, turnout.address);
            if driven && turnout.joint.is_none() {
                members.push(turnout);
            }
        }
        let mut thrown: Vec<&Turnout> = Vec::new();
        for member in &members {
            if thrown.iter().all(|other| other.address != member.address) {
                thrown.push(member);
            }
        }
        if thrown.len() < 2 {
            return Err(TogetherError::TooFew(asked.name.clone()));
        }
        Ok(Self {
            members,
            thrown,
            name: &asked.name,
        })
    }

    fn position(member: &Turnout, way: Way) -> Position {
        match way {
            Way::Away => member.rest.opposite(),
            Way::Back => member.rest,
        }
    }

    /// Where each member is sent, by the throws of its address.
    pub(super) fn sent(&self, way: Way) -> Vec<(Subject, Position)> {
        let sent = self.members.iter().filter_map(|member| {
            let thrower = self
                .thrown
                .iter()
                .find(|one| one.address == member.address)?;
            let bit = thrower.pair_bit(Self::position(thrower, way));
            let straight = member.pair_bit(Position::Straight) == bit;
            let position = if straight {
                Position::Straight
            } else {
                Position::Diverging
            };
            Some((Subject::Turnout(member.id.clone()), position))
        });
        sent.collect()
    }

    pub(super) fn throws(&self, way: Way, step: Step) -> Vec<(Subject, Step, Id)> {
        let throws = self.thrown.iter().map(|member| {
            let subject = Subject::Turnout(member.id.clone());
            (subject, step, route::id_of(Self::position(member, way)))
        });
        throws.collect()
    }
}
