//! What each supply carries.

use super::figures;
use super::power::{Corner, Power};
use crate::plan::{Drive, Plan};

/// What a supply carries, currents in amperes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// Index in [`Plan::supplies`].
    pub supply: usize,
    /// All the time: electronics, drives that stay powered, lit signals.
    pub steady: f64,
    /// What the hungriest throw adds.
    pub throw: f64,
    /// How many throws overlap, for the gap that the plan gives; 1 without.
    pub at_once: u32,
    /// The steady current, and the hungriest throws that overlap. Behind a capacitor that is
    /// what the capacitor gives, and the supply only recharges it.
    pub worst: f64,
    /// What the supply itself gives at the worst.
    pub from_supply: f64,
    /// Its rated current.
    pub rated: f64,
}

impl Load {
    /// What is left of its rated current at the worst.
    pub fn margin(&self) -> f64 {
        self.rated - self.from_supply
    }
}

/// What each supply of a plan carries, with drives as most are.
pub fn loads(plan: &Plan) -> Vec<Load> {
    let power = Power::of(plan);
    (0..plan.supplies.len())
        .map(|supply| power.load(supply))
        .collect()
}

impl Power<'_> {
    /// What one supply carries.
    pub fn load(&self, supply: usize) -> Load {
        let lit = Corner {
            lit: true,
            ..Corner::TYPICAL
        };
        let source = self.source(supply);
        let resting = self.tree.with(&self.at_rest(lit, None)).input(supply);
        let charge = source.tends_to(resting).0;
        let steady = source.amps(charge, resting);
        let mut throws = self.throws_of(supply);
        throws.sort_by(|one, other| other.0.total_cmp(&one.0));
        let longest = throws.iter().map(|throw| throw.1).fold(0.0, f64::max);
        let at_once = self.at_once(longest).min(count(throws.len()));
        let most = throws.iter().take(at_once as usize).map(|throw| throw.0);
        let added: f64 = most.sum();
        let worst = resting + added;
        let drawn = source.terminals(charge, worst) * worst;
        let from_supply = match source.capacitor {
            None => drawn,
            // At the most it charges an empty capacitor.
            Some((_, ohms)) if added > 0.0 => source.volts / (ohms + source.ohms),
            Some(_) => steady,
        };
        let first = throws.first().map_or(0.0, |throw| throw.0);
        Load {
            supply,
            steady,
            throw: source.terminals(charge, resting + first) * first,
            at_once,
            worst: drawn,
            from_supply,
            rated: source.rated_amps,
        }
    }

    /// Conductance that each command adds to a supply, and for how long, seconds.
    fn throws_of(&self, supply: usize) -> Vec<(f64, f64)> {
        let mut by_address = std::collections::BTreeMap::new();
        let pulls = self.pulls.iter().enumerate();
        for (index, pull) in pulls.filter(|(_, pull)| pull.supply == supply) {
            let added = match pull.kind {
                // Its share at rest is there already.
                Drive::StallMotor | Drive::MemoryWire => 0.0,
                Drive::TwinCoil | Drive::Servo => pull.moving(1.0) - pull.resting(1.0),
            };
            let seen = pull.output.map_or(added, |output| {
                added / (1.0 + self.tree.ohms_to(output.decoder) * added)
            });
            let time = match pull.kind {
                Drive::TwinCoil => pull.on_time().min(0.5),
                Drive::StallMotor | Drive::Servo | Drive::MemoryWire => pull.travel,
            };
            let apart = if pull.shares { None } else { Some(index) };
            let key = (pull.address, apart);
            let place = by_address.entry(key).or_insert((0.0, 0.0_f64));
            place.0 += seen;
            place.1 = place.1.max(time);
        }
        by_address.into_values().collect()
    }

    /// How many throws of that length, seconds, overlap in use.
    pub fn at_once(&self, seconds: f64) -> u32 {
        let Some(gap) = self.plan.layout.throw_gap_ms else {
            return 1;
        };
        let gap = f64::from(gap) / 1000.0;
        let mut overlap = 1;
        while f64::from(overlap) * gap < seconds && overlap < 2048 {
            overlap += 1;
        }
        overlap
    }
}

fn count(throws: usize) -> u32 {
    u32::try_from(throws).unwrap_or(u32::MAX)
}

/// How long a capacitor takes to come back to about 95 %, seconds: three time constants.
pub fn recharge(supply: &crate::plan::Supply) -> Option<f64> {
    let capacitor = supply.capacitor?;
    let ohms = capacitor.charge_ohms + figures::internal_ohms(supply);
    Some(3.0 * ohms * capacitor.microfarads * 1e-6)
}

/// A sweep leaves a supply with a capacitor that long between throws, at the least and at the
/// most, seconds, and three time constants of its charging resistance between.
const SWEEP_WAITS: (f64, f64) = (1.0, 60.0);

impl Power<'_> {
    /// What a capacitor has again, as a share of its rest, after that time, seconds, however
    /// empty it was; 1 without one.
    pub fn recharged(&self, supply: usize, seconds: f64) -> f64 {
        let source = self.source(supply);
        let Some((farads, charge_ohms)) = source.capacitor else {
            return 1.0;
        };
        1.0 - libm::exp(-seconds / (farads * (charge_ohms + source.ohms)))
    }

    /// The same in a sweep, before a throw of the pull of that index.
    pub fn recharged_in_a_sweep(&self, pull: usize) -> f64 {
        let Some(pull) = self.pulls.get(pull) else {
            return 1.0;
        };
        let waits = self.source(pull.supply).capacitor.map(|(farads, ohms)| {
            let (least, most) = SWEEP_WAITS;
            (3.0 * farads * ohms).clamp(least, most)
        });
        waits.map_or(1.0, |seconds| self.recharged(pull.supply, seconds))
    }
}
