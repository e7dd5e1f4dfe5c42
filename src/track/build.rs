//! Puts a track together from a plan, and from what differs as built.

use std::collections::BinaryHeap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::address::{Numbering, PairBit, Position};
use throwproof_protocol::packet::Packet;

use super::as_built::{self, AsBuilt, Coil, OutputState};
use super::clock::Nanos;
use super::decoder::cvs::Cvs;
use super::decoder::{Decoder, Rounding};
use super::drive::{Build, Contact, Drive, Wiring};
use super::physics::Physics;
use super::rails::{Signal as RailSignal, Station, Wires};
use super::receiver::Receiver;
use super::supply::{Ratings, Supply};
use super::{Ear, Head, Track, TurnoutState, Unit};
use crate::plan::{
    self, BlockStart, Id, Learns, OutputKind, PacketFormat, Plan, SignalKind, SupplyKind,
};

/// What feeds a decoder where the plan names no supply, volts.
const UNNAMED_VOLTS: f64 = 16.0;

/// A supply drops this share of its voltage at its rated current, where the plan does not give
/// its internal resistance; common practice, no source.
const REGULATION: f64 = 0.05;

/// A supply trips at this many times its rated current, where the plan does not say; common
/// practice, no source.
const TRIP_FACTOR: f64 = 1.5;

/// And after that time.
const TRIP_AFTER_MS: u32 = 500;

/// An output protects itself above this many times what it may carry.
const LIMIT_MARGIN: f64 = 1.3;

/// How long a pulse output stays on where no decoder of the plan says, milliseconds.
const UNNAMED_PULSE_MS: u32 = 150;

/// How far parts of one kind differ from each other, as a share.
const SPREAD: f64 = 0.08;

/// Figures of a healthy drive of each kind: rated amperes, friction, spring, seconds of travel.
/// Currents and times are those common practice gives, no source; forces are set so that a
/// healthy drive has about four fifths of its pull to spare.
fn healthy(kind: plan::Drive) -> (f64, f64, f64, f64) {
    match kind {
        plan::Drive::TwinCoil => (1.0, 0.12, 0.25, 0.03),
        plan::Drive::StallMotor => (0.018, 0.3, 0.0, 2.5),
        plan::Drive::Servo => (0.3, 0.3, 0.0, 0.8),
        plan::Drive::MemoryWire => (0.05, 0.3, 0.0, 0.0),
    }
}

/// The output a drive needs where the plan names no decoder.
fn fitting_output(kind: plan::Drive) -> OutputKind {
    match kind {
        plan::Drive::TwinCoil => OutputKind::Pulse,
        plan::Drive::StallMotor => OutputKind::StallMotor,
        plan::Drive::Servo => OutputKind::Servo,
        plan::Drive::MemoryWire => OutputKind::Steady,
    }
}

/// Random numbers for one thing: they stay the same whatever else the plan holds.
fn seed_of(seed: u64, what: &str, id: &str) -> u64 {
    // FNV-1a, 64 bits.
    [what.as_bytes(), b"/", id.as_bytes()]
        .concat()
        .iter()
        .fold(seed ^ 0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
        })
}

/// A share between -1 and 1.
fn share(rng: &mut ChaCha8Rng) -> f64 {
    f64::from(rng.next_u32()) / f64::from(u32::MAX) * 2.0 - 1.0
}

fn spread(rng: &mut ChaCha8Rng) -> f64 {
    1.0 + SPREAD * share(rng)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "as-built files hold 0 to 20 microseconds"
)]
fn micros(value: Option<f64>) -> Nanos {
    Nanos((value.unwrap_or_default() * 1_000.0) as u64)
}

/// Builds the track.
pub(super) fn build(plan: &Plan, as_built: &AsBuilt, seed: u64) -> Track {
    let mut site = Site::new(plan, as_built, seed);
    let supplies = site.supplies();
    site.units(&supplies);
    site.turnouts();
    site.signals();
    site.track
}

struct Site<'a> {
    plan: &'a Plan,
    as_built: &'a AsBuilt,
    seed: u64,
    /// Volts of the supply that feeds each unit, as planned.
    volts: Vec<f64>,
    unnamed_supply: usize,
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
            ears: vec![Ear {
                receiver: Receiver::default(),
                wires,
                units: Vec::new(),
            }],
            units: Vec::new(),
            by_address: vec![Vec::new(); 2048],
            physics: Physics::default(),
            track_supplies: Vec::new(),
            due: BinaryHeap::new(),
            turnouts: Vec::new(),
            heads: Vec::new(),
            turnout_of: Vec::new(),
            before: Vec::new(),
            changed: Vec::new(),
            watched: Vec::new(),
            reports: Vec::new(),
            acts: Vec::new(),
            packets_heard: 0,
        };
        Self {
            plan,
            as_built,
            seed,
            volts: Vec::new(),
            unnamed_supply: 0,
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
                self.track.track_supplies.push(index);
            }
            indices.push(index);
        }
        self.unnamed_supply = self.track.physics.add_supply(Supply::new(Ratings {
            volts: UNNAMED_VOLTS,
            internal_ohms: 0.1,
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
                .copied()
                .unwrap_or_default();
            let rounding = match (decoder.learns, decoder.block_start) {
                (_, BlockStart::Any) | (Learns::CvOutput, _) => Rounding::Exact,
                (Learns::FirstCommand | Learns::CvDecoder | Learns::Switches, _) => {
                    Rounding::DecoderAddress
                }
            };
            let format = built.format.unwrap_or(decoder.format);
            let pulse = built.pulse_ms.unwrap_or(decoder.pulse_ms);
            let mut unit = Decoder::new(
                decoder.outputs,
                decoder.output_kind,
                rounding,
                cvs(pulse, format),
            );
            if built.taught != Some(false) {
                unit.set_first(first_address(decoder, built, self.plan.layout.numbering));
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

    /// Decoders on the same wires hear the same; one whose wires lose packets has its own ear.
    fn ear(&mut self, id: &Id, packet_loss: Option<f64>) -> usize {
        let Some(share) = packet_loss else { return 0 };
        let wires = Wires::losing(share, seed_of(self.seed, "wires", id.as_str()));
        self.track.ears.push(Ear {
            receiver: Receiver::default(),
            wires: Some(wires),
            units: Vec::new(),
        });
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
            drives: vec![Vec::new(); outputs],
            heads: vec![None; outputs],
        });
        self.volts.push(volts);
        self.track.rebuild_addresses();
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
        let mut unit = Decoder::new(
            outputs,
            kind,
            Rounding::Exact,
            cvs(UNNAMED_PULSE_MS, format),
        );
        unit.set_first(address);
        self.add_unit(unit, kind, self.unnamed_supply, UNNAMED_VOLTS, 0, true)
    }

    fn turnouts(&mut self) {
        let numbering = self.plan.layout.numbering;
        let mut outputs: Vec<(usize, usize)> = Vec::new();
        for turnout in &self.plan.turnouts {
            outputs.push(match turnout.output {
                Some(output) => (output.decoder, usize::from(output.number) - 1),
                None => {
                    let address = turnout.address.binary(numbering).get();
                    let kind = fitting_output(turnout.drive);
                    (self.lone_unit(address, 1, kind, PacketFormat::Basic), 0)
                }
            });
        }
        let mut wired = outputs.clone();
        for (index, turnout) in self.plan.turnouts.iter().enumerate() {
            let built = self.as_built.turnouts.get(&turnout.id);
            let with = built.and_then(|built| built.exchanged_with.as_ref());
            let with = with.and_then(|with| self.plan.turnouts.iter().position(|t| t.id == *with));
            if let Some(with) = with {
                wired[index] = outputs[with];
                wired[with] = outputs[index];
            }
        }
        for (index, (unit, output)) in wired.into_iter().enumerate() {
            self.turnout(index, unit, output);
        }
    }

    fn turnout(&mut self, index: usize, unit: usize, output: usize) {
        let turnout = &self.plan.turnouts[index];
        let default = as_built::Turnout::default();
        let built = self.as_built.turnouts.get(&turnout.id).unwrap_or(&default);
        let mut rng = self.rng("turnout", &turnout.id);
        // Found lying as it may be.
        let found = if rng.next_u32() & 1 == 0 {
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
            let build = drive_build(
                turnout,
                built,
                self.track.units[unit].kind,
                self.volts[unit],
                limit,
                &mut rng,
            );
            let mut drive = Drive::new(build, lies);
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
            let drive = self.track.physics.add_drive(drive, supply);
            self.track.units[unit].drives[output].push(drive);
            self.track.turnout_of.push(index);
            self.track
                .before
                .push(self.track.physics.drive(drive).blades());
            drives.push(drive);
        }
        self.track.turnouts.push(TurnoutState {
            drives,
            address: turnout.address.binary(self.plan.layout.numbering),
            straight_bit: turnout.straight_bit,
        });
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
                        let format = PacketFormat::Basic;
                        (
                            self.lone_unit(address, count, OutputKind::Steady, format),
                            0,
                        )
                    }
                },
            };
            for place in 0..count {
                if let Some(head) = self.track.units[unit]
                    .heads
                    .get_mut(first + usize::from(place))
                {
                    *head = Some((index, place));
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
                .and_then(|(one, other)| Some((value_of(&one)?, value_of(&other)?)));
            self.track.heads.push(Head {
                kind: signal.kind,
                knows: signal.aspects.iter().map(|aspect| aspect.value).collect(),
                dark: built.dark,
                exchanged,
                shows: None,
                before: None,
            });
        }
    }
}

fn cvs(pulse_ms: u32, format: PacketFormat) -> Cvs {
    Cvs::new(
        Nanos::from_millis(u64::from(pulse_ms)),
        format == PacketFormat::Extended,
    )
}

/// The binary address that output 1 really has.
fn first_address(decoder: &plan::Decoder, built: as_built::Decoder, numbering: Numbering) -> u16 {
    let keyed = built
        .first_address
        .and_then(|keyed| throwproof_protocol::address::KeyedAddress::new(keyed).ok())
        .unwrap_or(decoder.first_address);
    let offset = built
        .address_offset
        .unwrap_or_default()
        .rem_euclid(2048)
        .unsigned_abs();
    (keyed.binary(numbering).get() + offset) % 2048
}

fn ratings(supply: &plan::Supply, built: as_built::Supply) -> Ratings {
    let planned = supply.capacitor;
    let farads = built
        .capacitor_uf
        .or(planned.map(|c| c.microfarads))
        .map(|uf| uf * 1e-6);
    let charge_ohms = built
        .capacitor_charge_ohms
        .or(planned.map(|c| c.charge_ohms));
    Ratings {
        volts: built.volts.unwrap_or(supply.volts),
        internal_ohms: built
            .internal_ohms
            .or(supply.internal_ohms)
            .unwrap_or(REGULATION * supply.volts / supply.amps.max(0.01)),
        trip_amps: built
            .trip_amps
            .or(supply.trip_amps)
            .unwrap_or(TRIP_FACTOR * supply.amps),
        trip_after: Nanos::from_millis(
            built
                .trip_ms
                .or(supply.trip_ms)
                .unwrap_or(TRIP_AFTER_MS)
                .into(),
        ),
        capacitor: farads.map(|farads| (farads, charge_ohms.unwrap_or(33.0))),
    }
}

fn drive_build(
    turnout: &plan::Turnout,
    built: &as_built::Turnout,
    output: OutputKind,
    volts: f64,
    limit_amps: f64,
    rng: &mut ChaCha8Rng,
) -> Build {
    let (amps, friction, spring, travel) = healthy(turnout.drive);
    let rated_amps = turnout.amps.unwrap_or(amps).max(1e-3);
    let lead_ohms = built.lead_ohms.unwrap_or(0.2);
    let planned_ohms = (volts / rated_amps - 0.2).max(0.5);
    let spread_each = [
        spread(rng),
        spread(rng),
        spread(rng),
        spread(rng),
        spread(rng),
    ];
    let coil = |coil: Option<Coil>, spread: f64| match coil {
        None => planned_ohms * spread,
        Some(Coil::Open) => f64::INFINITY,
        Some(Coil::Ohms(ohms)) => ohms,
    };
    let contact = if turnout.position_reports {
        Contact::Works
    } else {
        Contact::None
    };
    Build {
        kind: turnout.drive,
        wiring: match output {
            OutputKind::Pulse | OutputKind::Steady => Wiring::ThreeWire,
            OutputKind::StallMotor => Wiring::Polarity,
            OutputKind::Servo => Wiring::ServoPulses,
        },
        ohms: [
            coil(built.straight_coil, spread_each[0]),
            coil(built.diverging_coil, spread_each[1]),
        ],
        lead_ohms,
        rated_amps,
        limit_amps,
        // A plan that commands straight by pair bit 0 has the leads the other way round.
        swapped: built.leads_swapped != (turnout.straight_bit == PairBit::Zero),
        friction: [
            built
                .friction_to_straight
                .unwrap_or(friction * spread_each[2]),
            built
                .friction_to_diverging
                .unwrap_or(friction * spread_each[3]),
        ],
        spring: built.spring.unwrap_or(spring * spread_each[4]),
        blades_range: (0.0, built.blades_stop_at.unwrap_or(1.0)),
        linked: !built.linkage_off,
        travel: travel * spread(rng),
        contact: built.contact.unwrap_or(contact),
    }
}
