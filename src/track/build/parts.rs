//! What the parts of a track are made of: figures of the plan, of the as-built file, and what is
//! usual where neither says.

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::address::{KeyedAddress, Numbering, PairBit, Position};

use super::super::as_built::{self, Coil};
use super::super::clock::Nanos;
use super::super::decoder::cvs::Cvs;
use super::super::decoder::{Habits, Rounding};
use super::super::drive::{Build, Contact, Wiring};
use super::super::supply::Ratings;
use crate::plan::{self, BlockStart, Learns, OutputKind, PacketFormat, Teaching};

/// What feeds a decoder where the plan names no supply, volts.
pub(super) const UNNAMED_VOLTS: f64 = 16.0;

/// A supply drops this share of its voltage at its rated current, where the plan does not give
/// its internal resistance; common practice, no source.
const REGULATION: f64 = 0.05;

/// A supply trips at this many times its rated current, where the plan does not say; common
/// practice, no source.
const TRIP_FACTOR: f64 = 1.5;

/// And after that time.
const TRIP_AFTER_MS: u32 = 500;

/// An output protects itself above this many times what it may carry.
pub(super) const LIMIT_MARGIN: f64 = 1.3;

/// How long a pulse output stays on where no decoder of the plan says, milliseconds.
pub(super) const UNNAMED_PULSE_MS: u32 = 150;

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
pub(super) fn fitting_output(kind: plan::Drive) -> OutputKind {
    match kind {
        plan::Drive::TwinCoil => OutputKind::Pulse,
        plan::Drive::StallMotor => OutputKind::StallMotor,
        plan::Drive::Servo => OutputKind::Servo,
        plan::Drive::MemoryWire => OutputKind::Steady,
    }
}

/// Random numbers for one thing: they stay the same whatever else the plan holds.
pub(super) fn seed_of(seed: u64, what: &str, id: &str) -> u64 {
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
pub(super) fn micros(value: Option<f64>) -> Nanos {
    Nanos((value.unwrap_or_default() * 1_000.0) as u64)
}

pub(super) fn cvs(pulse_ms: u32, format: PacketFormat) -> Cvs {
    Cvs::new(
        Nanos::from_millis(u64::from(pulse_ms)),
        format == PacketFormat::Extended,
    )
}

/// The binary address that output 1 really has.
pub(super) fn first_address(
    decoder: &plan::Decoder,
    built: &as_built::Decoder,
    numbering: Numbering,
) -> u16 {
    let keyed = built
        .first_address
        .and_then(|keyed| KeyedAddress::new(keyed).ok())
        .unwrap_or(decoder.first_address);
    let offset = built
        .address_offset
        .unwrap_or_default()
        .rem_euclid(2048)
        .unsigned_abs();
    (keyed.binary(numbering).get() + offset) % 2048
}

/// How a decoder really takes its address.
pub(super) fn habits(
    decoder: &plan::Decoder,
    teaching: &Teaching,
    built: &as_built::Decoder,
) -> Habits {
    let rounding = match (decoder.learns, decoder.block_start) {
        (_, BlockStart::Any) | (Learns::CvOutput, _) => Rounding::Exact,
        (_, BlockStart::EveryEighth) => Rounding::Eights,
        (Learns::FirstCommand | Learns::CvDecoder | Learns::Switches, BlockStart::EveryFourth) => {
            Rounding::DecoderAddress
        }
    };
    let chooses = teaching.chooses.iter().map(|choice| {
        let half = match choice.position {
            Position::Straight => PairBit::One,
            Position::Diverging => PairBit::Zero,
        };
        let time = Nanos::from_millis(u64::from(choice.pulse_ms));
        (usize::from(choice.output.saturating_sub(1)), half, time)
    });
    Habits {
        rounding,
        power_off: teaching.power_off,
        each_output: teaching.each_output,
        forgets: teaching.forgets,
        chooses: chooses.collect(),
        older_numbers: teaching.older_numbers,
        switches: teaching.switches,
        lead_dead: built.learn_lead_dead,
    }
}

pub(super) fn ratings(supply: &plan::Supply, built: as_built::Supply) -> Ratings {
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

pub(super) fn drive_build(
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
