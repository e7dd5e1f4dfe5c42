//! A plan as what draws current and what brings it.

use std::collections::HashMap;

use super::feed::{Feed, Source};
use super::figures::{self, LIT_SIGNAL, SPREAD};
use super::tree::{Loaded, Tree};
use crate::plan::{Drive, OutputKind, OutputRef, Plan, Sort, Turnout};

/// Parts of one kind differ: which of them is meant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corner {
    /// Resistance of the drive, as a share of the typical one.
    pub ohms: f64,
    /// Friction and spring, likewise.
    pub forces: f64,
    /// Time of travel, likewise.
    pub travel: f64,
    /// Resistance of all other drives, likewise.
    pub others: f64,
    /// Whether signals are lit beside it.
    pub lit: bool,
}

impl Corner {
    /// A drive as most are.
    pub const TYPICAL: Self = Self {
        ohms: 1.0,
        forces: 1.0,
        travel: 1.0,
        others: 1.0,
        lit: false,
    };

    /// The weakest, slowest drive among the hungriest others.
    pub const WEAK: Self = Self {
        ohms: 1.0 + SPREAD,
        forces: 1.0 + SPREAD,
        travel: 1.0 + SPREAD,
        others: 1.0 - SPREAD,
        lit: true,
    };

    /// The hungriest drive among others like it.
    pub const STRONG: Self = Self {
        ohms: 1.0 - SPREAD,
        forces: 1.0 - SPREAD,
        travel: 1.0 - SPREAD,
        others: 1.0 - SPREAD,
        lit: true,
    };
}

/// One or several drives on one output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pull {
    /// Index in [`Plan::turnouts`].
    pub turnout: usize,
    /// The address that throws it.
    pub address: u16,
    /// Whether others are meant to have that address too.
    pub shares: bool,
    /// The output, where a decoder of the plan has it.
    pub output: Option<OutputRef>,
    /// How many drives the output moves.
    pub drives: u8,
    /// Their kind.
    pub kind: Drive,
    /// What the output does.
    pub output_kind: OutputKind,
    /// How long the output stays on by itself, seconds; 0 until released.
    pub pulse: f64,
    /// Index of the supply; the number of supplies for the one that the plan does not name.
    pub supply: usize,
    /// Resistance of each drive, ohms.
    pub ohms: f64,
    /// Resistance of each one's leads, ohms.
    pub lead_ohms: f64,
    /// Rated current of each, amperes.
    pub rated_amps: f64,
    /// Friction that each overcomes, as a share of its rated force.
    pub friction: f64,
    /// Force of the over-centre spring at either end, likewise.
    pub spring: f64,
    /// Full travel, seconds, as [`figures::travel`] says.
    pub travel: f64,
}

impl Pull {
    fn of(
        plan: &Plan,
        turnout: usize,
        it: &Turnout,
        address: u16,
        output: Option<OutputRef>,
        drives: u8,
    ) -> Self {
        let decoder = output.and_then(|output| plan.decoders.get(output.decoder));
        let supply = decoder.and_then(|decoder| decoder.supply);
        let volts = supply
            .and_then(|supply| plan.supplies.get(supply))
            .map_or(figures::UNNAMED_VOLTS, |supply| supply.volts);
        let rated_amps = figures::rated_amps(it);
        let usual = figures::usual(it.drive);
        let pulse_ms = decoder.map_or(figures::UNNAMED_PULSE_MS, |decoder| decoder.pulse_ms);
        Self {
            turnout,
            address,
            shares: it.shares_address,
            output,
            drives: drives.max(1),
            kind: it.drive,
            output_kind: decoder.map_or(figures::fitting_output(it.drive), |it| it.output_kind),
            pulse: (f64::from(pulse_ms) / 1000.0).min(figures::LONGEST_PULSE),
            supply: supply.unwrap_or(plan.supplies.len()),
            ohms: figures::drive_ohms(rated_amps, volts),
            lead_ohms: figures::lead_ohms(it),
            rated_amps,
            friction: usual.friction,
            spring: usual.spring,
            travel: figures::travel(it),
        }
    }

    /// Conductance of all its drives with their leads, siemens, of that share of the typical
    /// resistance.
    fn conductance(&self, ohms: f64) -> f64 {
        f64::from(self.drives) / (self.ohms * ohms + self.lead_ohms)
    }

    /// What it puts on its supply while it moves, siemens; nothing on an output that does not
    /// suit it.
    pub fn moving(&self, ohms: f64) -> f64 {
        if !figures::fits(self.kind, self.output_kind) {
            return 0.0;
        }
        let share = match self.kind {
            Drive::TwinCoil | Drive::MemoryWire => 1.0,
            Drive::StallMotor | Drive::Servo => figures::RUNNING,
        };
        self.conductance(ohms) * share
    }

    /// What it puts on its supply for as long as it is left alone, siemens, the way it lies at
    /// the worst.
    pub fn resting(&self, ohms: f64) -> f64 {
        if !figures::fits(self.kind, self.output_kind) {
            return 0.0;
        }
        let share = match (self.kind, self.output_kind) {
            (Drive::StallMotor | Drive::MemoryWire, _) | (Drive::TwinCoil, OutputKind::Steady) => {
                1.0
            }
            (Drive::Servo, _) => figures::SERVO_IDLE,
            (Drive::TwinCoil, _) => 0.0,
        };
        self.conductance(ohms) * share
    }

    /// Current of one drive, amperes, with that voltage at its decoder.
    pub fn amps(&self, volts: f64, ohms: f64) -> f64 {
        volts * self.moving(ohms) / f64::from(self.drives)
    }

    /// Current of one drive that does not turn, as a share of its rated one.
    pub fn share(&self, volts: f64, ohms: f64) -> f64 {
        volts / (self.ohms * ohms + self.lead_ohms) / self.rated_amps
    }

    /// How long its output is on for one throw, seconds; infinite for one that stays on.
    pub fn on_time(&self) -> f64 {
        if self.output_kind == OutputKind::Pulse && self.pulse > 0.0 {
            self.pulse
        } else {
            f64::INFINITY
        }
    }
}

/// A plan as what draws current and what brings it.
#[derive(Debug, Clone)]
pub struct Power<'p> {
    /// The plan.
    pub plan: &'p Plan,
    /// Its wires.
    pub tree: Tree,
    /// What is pulled by its outputs, in the order of the turnouts.
    pub pulls: Vec<Pull>,
    sources: Vec<Source>,
    /// Pulls that are meant to have the same address.
    sharing: HashMap<u16, Vec<usize>>,
    /// What is on every decoder at rest, for the two kinds of others, dark and lit.
    at_rest: Vec<((f64, bool), Vec<f64>)>,
}

impl<'p> Power<'p> {
    /// What a plan comes to.
    pub fn of(plan: &'p Plan) -> Self {
        let mut pulls = Vec::new();
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            match &turnout.joint {
                None => pulls.push(Pull::of(
                    plan,
                    index,
                    turnout,
                    turnout.address.get(),
                    turnout.output,
                    turnout.drives,
                )),
                Some(joint) => pulls.extend(joint.drives.iter().map(|drive| {
                    Pull::of(plan, index, turnout, drive.address.get(), drive.output, 1)
                })),
            }
        }
        let mut sources: Vec<_> = plan.supplies.iter().map(Source::of).collect();
        sources.push(Source::unnamed());
        let mut sharing: HashMap<_, Vec<_>> = HashMap::new();
        for (index, pull) in pulls.iter().enumerate().filter(|(_, pull)| pull.shares) {
            sharing.entry(pull.address).or_default().push(index);
        }
        let mut power = Self {
            plan,
            tree: Tree::of(plan),
            pulls,
            sources,
            sharing,
            at_rest: Vec::new(),
        };
        for others in [Corner::TYPICAL.others, Corner::WEAK.others] {
            for lit in [false, true] {
                let loads = power.rest_of(others, lit);
                power.at_rest.push(((others, lit), loads));
            }
        }
        power
    }

    /// The supply of that index; the number of supplies is the unnamed one.
    pub fn source(&self, supply: usize) -> Source {
        self.sources
            .get(supply)
            .copied()
            .unwrap_or_else(Source::unnamed)
    }

    /// What is on every decoder with nothing thrown, siemens: electronics, and drives that stay
    /// powered. `but` leaves one pull out.
    pub fn at_rest(&self, corner: Corner, but: Option<usize>) -> Vec<f64> {
        let mut known = self.at_rest.iter();
        let known = known.find(|(key, _)| *key == (corner.others, corner.lit));
        let mut loads = match known {
            Some((_, loads)) => loads.clone(),
            None => self.rest_of(corner.others, corner.lit),
        };
        let but = but.and_then(|but| self.pulls.get(but));
        if let Some(pull) = but
            && let Some(output) = pull.output
            && let Some(load) = loads.get_mut(output.decoder)
        {
            *load = (*load - pull.resting(corner.others)).max(0.0);
        }
        loads
    }

    fn rest_of(&self, others: f64, lit: bool) -> Vec<f64> {
        let mut loads: Vec<_> = (0..self.plan.decoders.len())
            .map(|decoder| self.idle(decoder))
            .collect();
        let mut add = |decoder: usize, load: f64| {
            if let Some(place) = loads.get_mut(decoder) {
                *place += load;
            }
        };
        for pull in &self.pulls {
            if let Some(output) = pull.output {
                add(output.decoder, pull.resting(others));
            }
        }
        if lit {
            for (decoder, volts) in self.lit() {
                add(decoder, LIT_SIGNAL / volts);
            }
        }
        loads
    }

    /// Conductance of a decoder's own electronics.
    pub fn idle(&self, decoder: usize) -> f64 {
        let volts = self.source(self.tree.supply_of(decoder)).volts;
        let decoder = self.plan.decoders.get(decoder);
        decoder.and_then(|it| it.idle_amps).unwrap_or_default() / volts
    }

    /// The decoder of each lit signal, and its supply's voltage.
    fn lit(&self) -> impl Iterator<Item = (usize, f64)> {
        let signals = self.plan.signals.iter();
        let signals = signals.filter(|signal| signal.sort == Sort::Signal);
        signals.filter_map(|signal| {
            let decoder = signal.output?.decoder;
            Some((decoder, self.source(self.tree.supply_of(decoder)).volts))
        })
    }

    /// Other pulls that the command of that one is meant to move as well.
    pub fn with_it(&self, pull: usize) -> Vec<usize> {
        let shared = self.pulls.get(pull).filter(|pull| pull.shares);
        let others = shared.and_then(|pull| self.sharing.get(&pull.address));
        let others = others.into_iter().flatten().copied();
        others.filter(|other| *other != pull).collect()
    }

    /// The supply as it appears at a pull's decoder.
    pub fn feed(&self, loaded: &Loaded<'_>, pull: &Pull) -> Feed {
        let port = match pull.output {
            Some(output) => loaded.port(output.decoder),
            None => super::tree::Port {
                share: 1.0,
                ohms: 0.0,
                input: loaded.input(pull.supply),
            },
        };
        Feed {
            source: self.source(pull.supply),
            port,
        }
    }
}
