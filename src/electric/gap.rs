//! How soon after each other turnouts can be thrown.

use std::collections::BTreeMap;
use std::time::Duration;

use super::load::recharge;
use super::power::{Corner, Power};
use crate::plan::{Drive, Id, Plan};

/// Motors and servos that start together draw more than while they run, for some tenths of a
/// second; common practice, no source: 0.25 to 0.5 s between starts.
const INRUSH: Duration = Duration::from_millis(250);

/// The shortest time from the start of one throw to the start of the next.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// The time; zero where nothing stands against throwing all at once.
    pub time: Duration,
    /// What asks for a gap, the longest first.
    pub reasons: Vec<Reason>,
}

/// Why throws on one supply can't follow each other at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// The supply; `None` for the one that the plan does not name.
    pub supply: Option<Id>,
    /// The gap it asks for.
    pub time: Duration,
    /// Why.
    pub why: Why,
}

/// What limits the throws on a supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Why {
    /// Its capacitor has to recharge: three time constants.
    Recharge,
    /// The two hungriest throws together draw more amperes than it gives, so that their pulses
    /// must not overlap.
    Current {
        /// What they draw, with the steady current.
        amps: f64,
        /// What it gives.
        rated: f64,
    },
    /// Motors and servos draw more as they start.
    Inrush,
}

/// The shortest gap between throws of these turnouts, given by their indices in
/// [`Plan::turnouts`], whatever their order.
pub fn shortest_gap(plan: &Plan, turnouts: &[usize]) -> Gap {
    let power = Power::of(plan);
    let mut by_supply: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (index, pull) in power.pulls.iter().enumerate() {
        if turnouts.contains(&pull.turnout) {
            by_supply.entry(pull.supply).or_default().push(index);
        }
    }
    let groups = by_supply.into_iter().filter(|(_, pulls)| pulls.len() > 1);
    let mut reasons: Vec<_> = groups
        .flat_map(|(supply, pulls)| reasons(&power, supply, &pulls))
        .collect();
    reasons.sort_by_key(|reason| std::cmp::Reverse(reason.time));
    Gap {
        time: reasons
            .first()
            .map(|reason| reason.time)
            .unwrap_or_default(),
        reasons,
    }
}

fn reasons(power: &Power<'_>, supply: usize, pulls: &[usize]) -> Vec<Reason> {
    let planned = power.plan.supplies.get(supply);
    let reason = |seconds: f64, why| Reason {
        supply: planned.map(|supply| supply.id.clone()),
        time: Duration::try_from_secs_f64(seconds).unwrap_or(Duration::MAX),
        why,
    };
    let mut found = Vec::new();
    let of_kind = |coils: bool| {
        let pulls = pulls.iter().filter_map(|pull| power.pulls.get(*pull));
        pulls.filter(move |pull| (pull.kind == Drive::TwinCoil) == coils)
    };
    if of_kind(true).count() > 0
        && let Some(seconds) = planned.and_then(recharge)
    {
        found.push(reason(seconds, Why::Recharge));
    }
    let source = power.source(supply);
    if source.capacitor.is_none() {
        let resting = power.tree.with(&power.at_rest(Corner::TYPICAL, None));
        let mut added: Vec<_> = of_kind(true).map(|pull| pull.moving(1.0)).collect();
        added.sort_by(|one, other| other.total_cmp(one));
        let seen = resting.input(supply) + added.iter().take(2).sum::<f64>();
        let amps = source.amps(source.volts, seen);
        if added.len() > 1 && amps > source.rated_amps {
            let longest = of_kind(true).map(|pull| pull.on_time().min(0.5));
            let rated = source.rated_amps;
            found.push(reason(
                longest.fold(0.0, f64::max),
                Why::Current { amps, rated },
            ));
        }
    }
    if of_kind(false).count() > 1 {
        found.push(reason(INRUSH.as_secs_f64(), Why::Inrush));
    }
    found
}
