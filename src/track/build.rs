//! Puts a track together from a plan, and from what differs as built.

mod parts;

use std::collections::BinaryHeap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::address::{PairBit, Position};
use throwproof_protocol::packet::Packet;

use self::parts::{cvs, drive_build, first_address, habits, micros, ratings, seed_of};
use super::as_built::{self, AsBuilt, OutputState};
use super::clock::Nanos;
use super::decoder::{Decoder, Habits};
use super::drive::Drive;
use super::ear::Ear;
use super::head::Head;
use super::physics::Physics;
use super::rails::{Signal as RailSignal, Station, Wires};
use super::supply::{Ratings, Supply};
use super::{Group, Track, TurnoutState, Unit};
use crate::electric::figures::{
    LIMIT_MARGIN, UNNAMED_OHMS, UNNAMED_PULSE_MS, UNNAMED_VOLTS, fitting_output,
};
use crate::electric::tree::Tree;
use crate::plan::{self, Id, OutputKind, PacketFormat, Plan, SignalKind, Sort, SupplyKind};

/// Builds the track.
pub(super) fn build(plan: &Plan, as_built: &AsBuilt, seed: u64) -> Track {
    let mut site = Site::new(plan, as_built, seed);
    let supplies = site.supplies();
    site.units(&supplies);
    site.wires(&supplies);
    site.turnouts();
    site.signals();
    let mut track = site.track;
    for unit in &mut track.units {
        unit.decoder.take_moved();
    }
    track.rebuild_addresses();
    track
}

struct Site<'a> {
    plan: &'a Plan,
    as_built: &'a AsBuilt,
    seed: u64,
    /// Volts of the supply that feeds each unit, as planned.
    volts: Vec<f64>,
    unnamed_supply: usize,
    /// The end of each decoder's run of wire, for supplies that have wires.
    ends: Vec<Option<usize>>,
    /// Each decoder that protects itself as a whole.
    boards: Vec<Option<usize>>,
    track: Track,
}

impl<'a> Site<'a> {
    fn new(plan: &'a Plan, as_built: &'a AsBuilt, seed: u64) -> Self {
        let rails = as_built.rails;
        let signal = RailSignal {
            repeats: rails.repeats.unwrap_or(super::rails::DEFAULT_REPEATS),
            jitter: micros(rails.jitter_us),
            asymmetry: micros(rails.asymmetry_us),
        };
        let wires = rails
            .packet_loss
            .map(|share| Wires::losing(share, seed_of(seed, "rails", "")));
        let track = Track {
            now: Nanos::ZERO,
            station: Station::new(signal, Packet::IDLE, seed_of(seed, "station", "")),
            ears: vec![Ear::new(wires)],
            units: Vec::new(),
            by_address: Vec::new(),
            physics: Physics::default(),
            rail_supplies: Vec::new(),
            due: BinaryHeap::new(),
            turnouts: Vec::new(),
            heads: Vec::new(),
            turnout_of: Vec::new(),
            before: Vec::new(),
            changed: Vec::new(),
            watched: Vec::new(),
            reports: Vec::new(),
            acts: Vec::new(),
            arrived: Vec::new(),
            named: Vec::new(),
            bench: super::bench::Bench::default(),
            packets_heard: 0,
        };
        Self {
            plan,
            as_built,
            seed,
            volts: Vec::new(),
            unnamed_supply: 0,
            ends: Vec::new(),
            boards: Vec::new(),
            track,
        }
    }

    fn rng(&self, what: &str, id: &Id) -> ChaCha8Rng {
        ChaCha8Rng::seed_from_u64(seed_of(self.seed, what, id.as_str()))
    }

    /// One supply of the model for each of the plan, and one for what the plan leaves open.
    fn supplies(&mut self) -> Vec<usize> {
        let mut indices = Vec::new();
        for supply in &self.plan.supplies {
            let built = self
                .as_built
                .supplies
                .get(&supply.id)
                .copied()
                .unwrap_or_default();
            let index = self
                .track
                .physics
                .add_supply(Supply::new(ratings(supply, built)));
            if supply.kind == SupplyKind::Track {
                self.track.rail_supplies.push(index);
            }
            indices.push(index);
        }
        self.unnamed_supply = self.track.physics.add_supply(Supply::new(Ratings {
            volts: UNNAMED_VOLTS,
            internal_ohms: UNNAMED_OHMS,
            rated_amps: f64::INFINITY,
            trip_amps: f64::INFINITY,
            trip_after: Nanos::ZERO,
            capacitor: None,
        }));
        indices
    }

    fn units(&mut self, supplies: &[usize]) {
        for decoder in &self.plan.decoders {
            let built = self
                .as_built
                .decoders
                .get(&decoder.id)
                .cloned()
                .unwrap_or_default();
            let teaching = built.teaching.as_ref().unwrap_or(&decoder.teaching);
            let format = built.format.unwrap_or(decoder.format);
            let pulse = built.pulse_ms.unwrap_or(decoder.pulse_ms);
            let mut cvs = cvs(pulse, format);
            if let Some(unit) = teaching.on_time_unit_ms {
                cvs = cvs.counting(Nanos::from_millis(u64::from(unit)));
            }
            let habits = habits(decoder, teaching, &built);
            let mut unit = Decoder::new(decoder.outputs, decoder.output_kind, habits, cvs);
            unit.set_busy(Nanos::from_millis(built.busy_ms.unwrap_or_default().into()));
            if built.taught != Some(false) {
                unit.set_first(first_address(decoder, &built, self.plan.layout.numbering));
            }
            if built.learn_mode {
                unit.push_learn_button();
            }
            let (supply, volts) = match decoder.supply {
                Some(index) => (supplies[index], self.plan.supplies[index].volts),
                None => (self.unnamed_supply, UNNAMED_VOLTS),
            };
            let ear = self.ear(&decoder.id, built.packet_loss);
            let fed = built.feed != Some(false);
            self.add_unit(unit, decoder.output_kind, supply, volts, ear, fed);
        }
    }

    /// Wires, and what boards draw and bear by themselves.
    fn wires(&mut self, supplies: &[usize]) {
        let tree = Tree::of(self.plan);
        self.ends = vec![None; self.plan.decoders.len()];
        let mut supply_of = supplies.to_vec();
        supply_of.push(self.unnamed_supply);
        let wired: Vec<_> = tree
            .order()
            .iter()
            .filter(|decoder| {
                let plan = self.plan.decoders[**decoder].wire.is_some();
                plan || self.wire_ohms(**decoder).is_some()
            })
            .map(|decoder| tree.supply_of(*decoder))
            .collect();
        for decoder in tree.order().iter().copied() {
            let supply = tree.supply_of(decoder);
            if wired.contains(&supply) {
                let from = tree.begins_at(decoder).and_then(|from| self.ends[from]);
                let planned = tree.run_ohms(decoder);
                let ohms = self.wire_ohms(decoder).unwrap_or(planned);
                let physics = &mut self.track.physics;
                self.ends[decoder] = Some(physics.add_run(supply_of[supply], from, ohms));
            }
        }
        for (index, decoder) in self.plan.decoders.iter().enumerate() {
            let physics = &mut self.track.physics;
            if let Some(amps) = decoder.idle_amps
                && self.track.units[index].fed
            {
                let supply = supply_of[tree.supply_of(index)];
                physics.add_idle(supply, self.ends[index], amps / self.volts[index]);
            }
            let limit = decoder.max_total_amps.map(|amps| amps * LIMIT_MARGIN);
            self.boards
                .push(limit.map(|limit| physics.add_board(limit)));
        }
    }

    /// The resistance of a decoder's run of wire, where it differs as built.
    fn wire_ohms(&self, decoder: usize) -> Option<f64> {
        let id = &self.plan.decoders[decoder].id;
        self.as_built.decoders.get(id)?.wire_ohms
    }

    /// Decoders on the same wires hear the same; one whose wires lose packets has its own ear.
    fn ear(&mut self, id: &Id, packet_loss: Option<f64>) -> usize {
        let Some(share) = packet_loss else { return 0 };
        let wires = Wires::losing(share, seed_of(self.seed, "wires", id.as_str()));
        self.track.ears.push(Ear::new(Some(wires)));
        self.track.ears.len() - 1
    }

    fn add_unit(
        &mut self,
        decoder: Decoder,
        kind: OutputKind,
        supply: usize,
        volts: f64,
        ear: usize,
        fed: bool,
    ) -> usize {
        let index = self.track.units.len();
        let outputs = decoder.addresses().count();
        self.track.ears[ear].units.push(index);
        self.track.units.push(Unit {
            decoder,
            kind,
            supply,
            ear,
            fed,
            is_off: false,
            drives: vec![Vec::new(); outputs],
            heads: vec![Vec::new(); outputs],
        });
        self.volts.push(volts);
        index
    }

    /// A decoder of its own for what the plan gives only an address.
    fn lone_unit(
        &mut self,
        address: u16,
        outputs: u8,
        kind: OutputKind,
        format: PacketFormat,
    ) -> usize {
        let habits = Habits::default();
        let mut unit = Decoder::new(outputs, kind, habits, cvs(UNNAMED_PULSE_MS, format));
        unit.set_first(address);
        self.add_unit(unit, kind, self.unnamed_supply, UNNAMED_VOLTS, 0, true)
    }

    fn turnouts(&mut self) {
        let numbering = self.plan.layout.numbering;
        let mut planned: Vec<Vec<(usize, usize)>> = Vec::new();
        for turnout in &self.plan.turnouts {
            let mut outputs = Vec::new();
            for reached in turnout.reached() {
                outputs.push(if let Some(output) = reached.output {
                    (output.decoder, usize::from(output.number) - 1)
                } else {
                    let address = reached.address.binary(numbering).get();
                    let kind = fitting_output(turnout.drive);
                    (self.lone_unit(address, 1, kind, turnout.format), 0)
                });
            }
            planned.push(outputs);
        }
        let mut wired = planned.clone();
        for (index, turnout) in self.plan.turnouts.iter().enumerate() {
            let state = self.as_built.turnouts.get(&turnout.id);
            let with = state.and_then(|state| state.exchanged_with.as_ref());
            let with = with.and_then(|with| self.plan.turnouts.iter().position(|t| t.id == *with));
            if let Some(with) = with {
                wired[index][0] = planned[with][0];
                wired[with][0] = planned[index][0];
            }
            if state.is_some_and(|state| state.drives_exchanged) && wired[index].len() > 1 {
                wired[index].swap(0, 1);
            }
        }
        for (index, outputs) in wired.into_iter().enumerate() {
            self.turnout(index, &outputs);
        }
    }

    fn turnout(&mut self, index: usize, outputs: &[(usize, usize)]) {
        let turnout = &self.plan.turnouts[index];
        let default = as_built::Turnout::default();
        let built = self.as_built.turnouts.get(&turnout.id).unwrap_or(&default);
        let mut state = TurnoutState {
            drives: Vec::new(),
            groups: Vec::new(),
            positions: Vec::new(),
        };
        if let Some(joint) = &turnout.joint {
            state.positions.clone_from(&joint.positions);
        }
        let reached = turnout.reached();
        for (at, (wired, reached)) in outputs.iter().zip(reached).enumerate() {
            let built = match at.checked_sub(1) {
                None => built,
                Some(further) => built.further.get(further).unwrap_or(&default),
            };
            // Each drive as if it were a turnout of its own.
            let mut one = turnout.clone();
            one.straight_bit = reached.straight_bit;
            let rng = match at {
                0 => self.rng("turnout", &turnout.id),
                further => self.rng(&format!("turnout drive {further}"), &turnout.id),
            };
            let drives = self.drives(index, &one, built, *wired, rng);
            state.drives.extend(&drives);
            state.groups.push(Group {
                drives,
                address: reached.address.binary(self.plan.layout.numbering),
                straight_bit: reached.straight_bit,
            });
        }
        self.track.turnouts.push(state);
    }

    /// All that one output moves of the turnout of that index.
    fn drives(
        &mut self,
        index: usize,
        turnout: &plan::Turnout,
        built: &as_built::Turnout,
        (unit, output): (usize, usize),
        mut rng: ChaCha8Rng,
    ) -> Vec<usize> {
        // Found lying as it may be; a memory wire that is cold lets the spring have its way.
        let cold_wire = turnout.drive == plan::Drive::MemoryWire;
        let found = if rng.next_u32() & 1 == 0 || cold_wire {
            Position::Straight
        } else {
            Position::Diverging
        };
        let lies = built.lies.unwrap_or(found);
        let limit = self
            .plan
            .decoders
            .get(unit)
            .and_then(|decoder| decoder.max_output_amps)
            .map_or(f64::INFINITY, |amps| {
                amps * LIMIT_MARGIN / f64::from(turnout.drives.max(1))
            });
        let mut drives = Vec::new();
        for _ in 0..turnout.drives.max(1) {
            let made = drive_build(
                turnout,
                built,
                self.track.units[unit].kind,
                self.volts[unit],
                limit,
                self.as_built.parts,
                &mut rng,
            );
            let mut drive = Drive::new(made, lies);
            let (stuck, dead) = match built.output {
                None => (None, [false; 2]),
                Some(OutputState::Dead) => (None, [true; 2]),
                Some(OutputState::HalfDead(half)) => {
                    (None, [half == PairBit::Zero, half == PairBit::One])
                }
                Some(OutputState::Stuck(half)) => (Some(half), [false; 2]),
            };
            drive.set_output_fault(stuck, dead);
            let supply = self.track.units[unit].supply;
            let end = self.ends.get(unit).copied().flatten();
            let board = self.boards.get(unit).copied().flatten();
            let drive = self.track.physics.add_drive(drive, supply, end, board);
            self.track.units[unit].drives[output].push(drive);
            self.track.turnout_of.push(index);
            self.track
                .before
                .push(self.track.physics.drive(drive).blades());
            drives.push(drive);
        }
        drives
    }

    fn signals(&mut self) {
        for (index, signal) in self.plan.signals.iter().enumerate() {
            let address = signal.address.binary(self.plan.layout.numbering).get();
            let count = signal.addresses();
            let (unit, first) = match signal.output {
                Some(output) => (output.decoder, usize::from(output.number) - 1),
                None => match signal.kind {
                    SignalKind::Extended => {
                        let format = PacketFormat::Extended;
                        (self.lone_unit(address, 1, OutputKind::Steady, format), 0)
                    }
                    SignalKind::Pairs => {
                        let kind = match signal.sort {
                            Sort::Uncoupler => OutputKind::Pulse,
                            Sort::Signal | Sort::Gates | Sort::Lights => OutputKind::Steady,
                        };
                        (self.lone_unit(address, count, kind, PacketFormat::Basic), 0)
                    }
                },
            };
            for place in 0..count {
                if let Some(head) = self.track.units[unit]
                    .heads
                    .get_mut(first + usize::from(place))
                {
                    head.push((index, place));
                }
            }
            let built = self
                .as_built
                .signals
                .get(&signal.id)
                .cloned()
                .unwrap_or_default();
            let value_of = |name: &Id| {
                signal
                    .aspects
                    .iter()
                    .find(|aspect| aspect.name == *name)
                    .map(|a| a.value)
            };
            let exchanged = built
                .exchanged
                .clone()
                .and_then(|(one, other)| Some((value_of(&one)?, value_of(&other)?)));
            let found_far = self.rng("signal", &signal.id).next_u32() & 1 == 1;
            let head = Head::new(signal, &built, exchanged, found_far);
            self.track.heads.push(head);
        }
    }
}
