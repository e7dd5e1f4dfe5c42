//! What the parts of a track are made of: figures of the plan, of the as-built file, and what is
//! usual where neither says.

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::address::{KeyedAddress, Numbering, PairBit, Position};

use super::super::as_built::{self, Coil, Parts};
use super::super::clock::Nanos;
use super::super::decoder::cvs::Cvs;
use super::super::decoder::{Habits, Rounding};
use super::super::drive::{Build, Contact, Wiring};
use super::super::supply::Ratings;
use crate::electric::figures::{self, SPREAD};
use crate::plan::{self, BlockStart, Learns, OutputKind, PacketFormat, Teaching};

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

/// How a part differs from the typical one of its kind.
fn spread(parts: Parts, rng: &mut ChaCha8Rng) -> f64 {
    let drawn = share(rng);
    1.0 + SPREAD
        * match parts {
            Parts::Random => drawn,
            Parts::Typical => 0.0,
            Parts::Weak => 1.0,
            Parts::Strong => -1.0,
        }
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
            .unwrap_or_else(|| figures::internal_ohms(supply)),
        rated_amps: supply.amps,
        trip_amps: built
            .trip_amps
            .unwrap_or_else(|| figures::trip_amps(supply)),
        trip_after: Nanos::from_millis(
            built
                .trip_ms
                .unwrap_or_else(|| figures::trip_ms(supply))
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
    parts: Parts,
    rng: &mut ChaCha8Rng,
) -> Build {
    let figures::Usual {
        friction, spring, ..
    } = figures::usual(turnout.drive);
    let rated_amps = figures::rated_amps(turnout);
    let lead_ohms = built
        .lead_ohms
        .unwrap_or_else(|| figures::lead_ohms(turnout));
    let planned_ohms = figures::drive_ohms(rated_amps, volts);
    let spread_each = [(); 5].map(|()| spread(parts, rng));
    let slowness = spread(parts, rng);
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
        travel: figures::travel(turnout) * slowness,
        contact: built.contact.unwrap_or(contact),
    }
}
