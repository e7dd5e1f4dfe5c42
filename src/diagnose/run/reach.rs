//! What the throws of a test reach, and what they must not.

use std::collections::BTreeSet;

use throwproof_protocol::address::KeyedAddress;

use crate::diagnose::site::Site;
use crate::diagnose::steps::{self, Act, BOTH_HALVES, Manner, Steps};
use crate::diagnose::test::Test;
use crate::link::Link;
use crate::plan::{Id, Plan, Turnout};
use crate::sweep::is_reserved;

/// What is at the addresses that a test throws.
pub(super) struct Reached {
    /// What the plan has there.
    pub(super) known: Vec<Id>,
    /// Those that it does not have.
    pub(super) beyond: Vec<KeyedAddress>,
}

/// What the throws of a test reach.
pub(super) fn of(plan: &Plan, site: &Site, steps: &Steps) -> Reached {
    let own = |turnout: usize| site.plan.turnouts[turnout].address;
    let addresses: BTreeSet<KeyedAddress> = match steps {
        Steps::Nothing => BTreeSet::new(),
        Steps::Turnout {
            turnout, manner, ..
        } => {
            let beside = match manner {
                Manner::With(with) => Some(*with),
                Manner::Usual
                | Manner::Rested
                | Manner::Rapid
                | Manner::Burst
                | Manner::Unreleased
                | Manner::Extended
                | Manner::AtDrive => None,
            };
            std::iter::once(*turnout).chain(beside).map(own).collect()
        }
        Steps::Addresses(addresses) => addresses.iter().copied().collect(),
        Steps::Plain { .. } => std::iter::once(own(site.target)).collect(),
    };
    let turnouts = plan.turnouts.iter().map(|one| (&one.id, one.addresses()));
    let signals = plan.signals.iter().map(|one| {
        let first = one.address.get();
        let all = (0..one.addresses()).map(|more| first.saturating_add(u16::from(more)));
        let all = all.filter_map(|number| KeyedAddress::new(number).ok());
        (&one.id, all.collect())
    });
    let mut known = Vec::new();
    let mut beyond = addresses.clone();
    for (id, own) in turnouts.chain(signals) {
        if own.iter().any(|address| addresses.contains(address)) {
            known.push(id.clone());
            for address in own {
                beyond.remove(&address);
            }
        }
    }
    Reached {
        known,
        beyond: beyond.into_iter().collect(),
    }
}

/// Whether a test throws addresses that must not be thrown by themselves: what is broadcast or
/// emergency stop as well, and drives of turnouts that foul each other.
pub(super) fn must_not_be_thrown(plan: &Plan, steps: &Steps) -> bool {
    let Steps::Addresses(addresses) = steps else {
        return false;
    };
    let several = plan.turnouts.iter().filter(|turnout| {
        let joint = turnout.joint.as_ref();
        joint.is_some_and(|joint| !joint.free_passage)
    });
    let several: BTreeSet<_> = several.flat_map(Turnout::addresses).collect();
    addresses.is_empty()
        || addresses
            .iter()
            .any(|one| is_reserved(plan, *one) || several.contains(one))
}

/// The tests that would send what the link can never carry.
pub(super) fn uncarried(site: &Site, link: &dyn Link) -> Vec<Test> {
    let carries = |acts: Option<Vec<Act>>| {
        acts.into_iter().flatten().all(|act| match act {
            Act::Send(packet) => link.can_carry(&packet).is_ok(),
            Act::Wait(_) | Act::Begin | Act::Look | Act::Until(_) => true,
        })
    };
    let rest = |turnout: usize| site.plan.turnouts[turnout].rest;
    let is_carried = |test: &Test| match Steps::of(site, *test) {
        Steps::Nothing => true,
        Steps::Turnout {
            turnout, manner, ..
        } => carries(steps::throw(&site.plan, turnout, rest(turnout), manner)),
        Steps::Addresses(addresses) => addresses
            .iter()
            .all(|one| carries(steps::throw_address(site, *one, BOTH_HALVES[0]))),
        Steps::Plain { .. } => {
            let target = site.target;
            carries(steps::throw(
                &site.plan,
                target,
                rest(target),
                Manner::Usual,
            ))
        }
    };
    let offered = Test::ALL.into_iter().filter(|test| test.is_offered(site));
    offered.filter(|test| !is_carried(test)).collect()
}
