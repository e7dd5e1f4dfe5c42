//! In which order addresses are thrown, and how far apart.
//!
//! One output is on at a time. What the plan knows waits until its supply has recovered from the
//! throw before. What it does not know may be anything: neighbours are likely on one board and one
//! supply, so they are thrown apart too, and addresses far from each other in between. Most
//! addresses move nothing at all, so that they need no time to recover.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;

use crate::plan::{Drive, Plan};
use crate::sweep::{hold, recovery};

/// So many addresses in a row are taken for one board: boards have 4, 8 or 16 outputs (common
/// practice, no source).
const BOARD: u16 = 8;

/// What both packets of a throw take on the way to the rails, estimated: three copies each of 42
/// bits, about 6 ms (S-9.2, S-9.1 Table 1), and what goes out between them.
const ON_RAILS: Duration = Duration::from_millis(50);

/// From the last throw of a group until it is asked about: twice the time that a servo takes.
pub const SETTLE: Duration = Duration::from_secs(2);

/// How long a quick pulse is: at the short end of what suits a twin-coil drive, 50 to 250 ms
/// (common practice, no source).
const QUICK: Duration = Duration::from_millis(100);

/// What a throw takes its current from, as far as is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Source {
    /// A supply of the plan, or the one that it does not name.
    Supply(Option<usize>),
    /// A board that is not in the plan, by its first address.
    Board(u16),
}

/// When what may be thrown.
#[derive(Debug, Clone)]
pub struct Pace<'p> {
    plan: &'p Plan,
    quick: bool,
    ready: BTreeMap<Source, Duration>,
}

impl<'p> Pace<'p> {
    /// For that plan; `quick` with short pulses for what is not in it.
    pub fn new(plan: &'p Plan, quick: bool) -> Self {
        Self {
            plan,
            quick,
            ready: BTreeMap::new(),
        }
    }

    /// The order for addresses that are given in ascending order: no neighbours follow each other
    /// where that can be.
    pub fn ordered(addresses: &[KeyedAddress]) -> VecDeque<KeyedAddress> {
        let mut ordered = addresses.to_vec();
        ordered.sort_by_key(|one| (one.get() % BOARD, *one));
        ordered.into()
    }

    fn source(&self, address: KeyedAddress) -> Option<Source> {
        let here = self
            .plan
            .turnouts
            .iter()
            .filter(|one| one.address == address);
        let mut is_planned = false;
        for turnout in here {
            is_planned = true;
            if turnout.drive == Drive::TwinCoil {
                let decoder = turnout
                    .output
                    .and_then(|output| self.plan.decoders.get(output.decoder));
                return Some(Source::Supply(decoder.and_then(|decoder| decoder.supply)));
            }
        }
        (!is_planned).then(|| Source::Board((address.get() - 1) / BOARD))
    }

    /// How long its output is commanded to stay on.
    pub fn hold(&self, address: KeyedAddress) -> Duration {
        let planned = self.plan.turnouts.iter().find(|one| one.address == address);
        match planned {
            Some(turnout) => hold(self.plan, turnout.output),
            None if self.quick => QUICK,
            None => hold(self.plan, None),
        }
    }

    /// Takes the next to be thrown out of those that wait, and says when it may be.
    pub fn take(
        &mut self,
        waiting: &mut VecDeque<KeyedAddress>,
        now: Duration,
    ) -> Option<(KeyedAddress, Duration)> {
        let mut first: Option<(usize, Duration)> = None;
        for (at, address) in waiting.iter().enumerate() {
            let source = self.source(*address);
            let ready = source.and_then(|source| self.ready.get(&source).copied());
            let ready = ready.unwrap_or_default().max(now);
            if first.is_none_or(|(_, earliest)| ready < earliest) {
                first = Some((at, ready));
            }
            if ready <= now {
                break;
            }
        }
        let (at, ready) = first?;
        let address = waiting.remove(at)?;
        if let Some(source) = self.source(address) {
            let needs = match source {
                Source::Supply(supply) => recovery(self.plan, supply),
                Source::Board(_) => recovery(self.plan, None),
            };
            self.ready.insert(source, ready + needs);
        }
        Some((address, ready))
    }

    /// About how long it takes to throw those there and back, or one of them one way, and to let
    /// them settle.
    pub fn estimate(&self, addresses: &[KeyedAddress], ways: u32) -> Duration {
        let mut pace = self.clone();
        let begun = pace.ready.values().max().copied().unwrap_or_default();
        let mut now = begun;
        for _ in 0..ways {
            let mut waiting = Self::ordered(addresses);
            while let Some((address, ready)) = pace.take(&mut waiting, now) {
                now = ready + pace.hold(address) + ON_RAILS;
            }
            now += SETTLE;
        }
        now.saturating_sub(begun)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        let mut text = "[layout]\nname = \"Kestrel Bay\"\n[supply.quay]\nkind = \"separate\"\n\
                        volts = 16.0\namps = 2.0\n[decoder.D1]\noutputs = 4\nfirst_address = 1\n\
                        supply = \"quay\"\noutput_kind = \"pulse\"\npulse_ms = 150\n\
                        learns = \"cv-output\"\n"
            .to_owned();
        for output in 1..=3 {
            use std::fmt::Write as _;
            write!(
                text,
                "[[turnout]]\nid = \"Q{output}\"\nshape = \"left\"\ndecoder = \"D1\"\n\
                 output = {output}\ndrive = \"twin-coil\"\n"
            )
            .unwrap();
        }
        Plan::from_text("plan.toml", &text).unwrap()
    }

    fn all(last: u16) -> Vec<KeyedAddress> {
        KeyedAddress::all().take(usize::from(last)).collect()
    }

    /// Every address is thrown once, no supply or board before it has recovered, one at a time.
    #[test]
    fn supplies_recover_and_nothing_is_left_out() {
        let plan = plan();
        let mut pace = Pace::new(&plan, false);
        let mut waiting = Pace::ordered(&all(64));
        let (mut now, mut last, mut thrown) = (Duration::ZERO, BTreeMap::new(), Vec::new());
        while let Some((address, at)) = pace.take(&mut waiting, now) {
            assert!(at >= now);
            let source = pace.source(address).unwrap();
            if let Some(before) = last.insert(source, at) {
                assert!(at >= before + Duration::from_secs(1), "{address}");
            }
            thrown.push(address);
            now = at + pace.hold(address);
        }
        thrown.sort_unstable();
        assert_eq!(thrown, all(64));
    }

    #[test]
    fn many_take_a_quarter_of_a_second_each_and_few_wait_for_each_other() {
        let plan = plan();
        let pace = Pace::new(&plan, false);
        let many = pace.estimate(&all(1024), 2).as_secs();
        assert!((500..540).contains(&many), "{many} s");
        let few = pace.estimate(&all(8)[4..], 1).as_secs_f64();
        assert!((5.0..5.5).contains(&few), "{few} s: three gaps of a second");
        let quick = Pace::new(&plan, true).estimate(&all(1024), 2).as_secs();
        assert!(quick < many * 2 / 3, "{quick} s");
    }
}
