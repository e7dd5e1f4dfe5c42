//! What is usual where a plan is silent, and the constants of drives and supplies. The checks and
//! the simulated track take the same ones, from here.
//!
//! Where no source is named, a figure is common practice, no source, or from memory.

use crate::plan::{Drive, OutputKind, Supply, Turnout};

/// What feeds a decoder where the plan names no supply, volts.
pub const UNNAMED_VOLTS: f64 = 16.0;

/// Internal resistance of that supply, ohms.
pub const UNNAMED_OHMS: f64 = 0.1;

/// A supply drops this share of its voltage at its rated current, where the plan does not give
/// its internal resistance; common practice, no source.
pub const REGULATION: f64 = 0.05;

/// A supply trips at this many times its rated current, where the plan does not say; common
/// practice, no source.
pub const TRIP_FACTOR: f64 = 1.5;

/// And after that time, milliseconds.
pub const TRIP_AFTER_MS: u32 = 500;

/// A supply that carries more than its rated current for that long switches off to cool, seconds;
/// common practice, no source.
pub const OVERLOAD_AFTER: f64 = 30.0;

/// Resistance of a discharge capacitor and its switch, ohms; from memory.
pub const CAPACITOR_OHMS: f64 = 0.1;

/// An output, or a whole board, protects itself above this many times what it may carry.
pub const LIMIT_MARGIN: f64 = 1.3;

/// How long a current above its limit must flow before an output protects itself, seconds.
pub const PROTECT_AFTER: f64 = 0.02;

/// The longest pulse that an on-time CV holds, seconds: 255 counts (S-9.2.2, July 2012, CV 515 to
/// 518: eight bits) of 0.1 s; common practice, no source, for the count.
pub const LONGEST_PULSE: f64 = 25.5;

/// How long a pulse output stays on where no decoder of the plan says, milliseconds.
pub const UNNAMED_PULSE_MS: u32 = 150;

/// Resistance of an output and short leads, ohms, where the plan gives no wire.
pub const LEAD_OHMS: f64 = 0.2;

/// How far parts of one kind differ from each other, as a share.
pub const SPREAD: f64 = 0.08;

/// Room temperature, °C.
pub const ROOM: f64 = 20.0;

/// Copper gains this share of its resistance per kelvin (temperature coefficient at 20 °C).
pub const COPPER: f64 = 0.003_93;

/// A coil hotter than this burns out, °C: where common enamelled-wire insulation fails; from
/// memory.
pub const BURNT: f64 = 160.0;

/// Heat capacity of a coil, joules per kelvin; from memory.
pub const COIL_HEAT_CAPACITY: f64 = 6.0;

/// How well a coil gives off heat, watts per kelvin; from memory.
pub const COIL_COOLING: f64 = 0.1;

/// Blades this close to a stock rail are closed, as a share of their travel.
pub const CLOSED: f64 = 0.03;

/// The net force at which a twin-coil drive crosses in its travel time: sets the scale between
/// force and speed.
pub const COIL_NET_FORCE: f64 = 0.75;

/// Below this share of its rated voltage a motor turns no more; from memory.
pub const MOTOR_STALLS_BELOW: f64 = 0.3;

/// What a motor or servo draws while it turns freely, as a share of its rated current.
pub const RUNNING: f64 = 0.6;

/// What a servo draws at rest, as a share of its rated current.
pub const SERVO_IDLE: f64 = 0.04;

/// Memory wire starts to shorten at this temperature, °C; from memory.
pub const WIRE_STARTS: f64 = 70.0;

/// Memory wire is as short as it gets at this temperature, °C; from memory.
pub const WIRE_DONE: f64 = 90.0;

/// How fast memory wire follows its heating and cooling, seconds; from memory.
pub const WIRE_TIME: f64 = 0.45;

/// How warm rated current makes a memory wire, above the room, kelvin; from memory.
pub const WIRE_RISE: f64 = 110.0;

/// What a lit signal draws, amperes, with the lamps it has on at once; common practice, no
/// source: 20 to 100 mA for a lamp, less for a light-emitting diode.
pub const LIT_SIGNAL: f64 = 0.02;

/// A healthy drive of one kind. Currents and times are those common practice gives, no source;
/// forces are set so that it has about four fifths of its pull to spare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    /// Rated current, amperes.
    pub amps: f64,
    /// Friction of drive and blades, as a share of its rated force.
    pub friction: f64,
    /// Force of the over-centre spring at either end, likewise.
    pub spring: f64,
    /// Full travel unhindered, seconds; 0 for memory wire, which follows its warmth.
    pub travel: f64,
}

/// What is usual for a drive of that kind.
pub fn usual(kind: Drive) -> Usual {
    let (amps, friction, spring, travel) = match kind {
        Drive::TwinCoil => (1.0, 0.12, 0.25, 0.03),
        Drive::StallMotor => (0.018, 0.3, 0.0, 2.5),
        Drive::Servo => (0.3, 0.3, 0.0, 0.8),
        Drive::MemoryWire => (0.05, 0.3, 0.0, 0.0),
    };
    Usual {
        amps,
        friction,
        spring,
        travel,
    }
}

/// The shortest pulse that the weakest of the usual twin-coil drives needs at its rated current,
/// milliseconds; derived from [`usual`].
pub const COIL_NEEDS_MS: f64 = 30.0;

/// How long the weakest of the usual memory wires takes to shorten, milliseconds; derived from
/// the figures above.
pub const WIRE_NEEDS_MS: f64 = 600.0;

/// Full travel of a turnout's drive, seconds, from what the plan says it needs; for memory wire
/// the time in which it follows its heating.
pub fn travel(turnout: &Turnout) -> f64 {
    let usual = usual(turnout.drive).travel;
    let Some(needs) = turnout.needs_ms.map(f64::from) else {
        return usual;
    };
    match turnout.drive {
        Drive::TwinCoil => usual * needs / COIL_NEEDS_MS,
        Drive::StallMotor | Drive::Servo => needs / 1000.0,
        Drive::MemoryWire => WIRE_TIME * needs / WIRE_NEEDS_MS,
    }
}

/// The output a drive needs.
pub fn fitting_output(kind: Drive) -> OutputKind {
    match kind {
        Drive::TwinCoil => OutputKind::Pulse,
        Drive::StallMotor => OutputKind::StallMotor,
        Drive::Servo => OutputKind::Servo,
        Drive::MemoryWire => OutputKind::Steady,
    }
}

/// Whether a drive can be moved both ways by an output of that kind. A coil on a steady output
/// moves, whatever else becomes of it.
pub fn fits(kind: Drive, output: OutputKind) -> bool {
    match kind {
        Drive::TwinCoil => matches!(output, OutputKind::Pulse | OutputKind::Steady),
        Drive::StallMotor => output == OutputKind::StallMotor,
        Drive::Servo => output == OutputKind::Servo,
        Drive::MemoryWire => matches!(output, OutputKind::Steady | OutputKind::StallMotor),
    }
}

/// Rated current of one drive of a turnout, amperes.
pub fn rated_amps(turnout: &Turnout) -> f64 {
    turnout.amps.unwrap_or(usual(turnout.drive).amps).max(1e-3)
}

/// Resistance of a drive that draws its rated current through short leads from a supply of that
/// voltage, ohms.
pub fn drive_ohms(rated_amps: f64, volts: f64) -> f64 {
    (volts / rated_amps - LEAD_OHMS).max(0.5)
}

/// Resistance of a turnout's leads, ohms.
pub fn lead_ohms(turnout: &Turnout) -> f64 {
    turnout.wire.map_or(LEAD_OHMS, super::copper::loop_ohms)
}

/// Internal resistance of a supply, ohms.
pub fn internal_ohms(supply: &Supply) -> f64 {
    let usual = REGULATION * supply.volts / supply.amps.max(0.01);
    supply.internal_ohms.unwrap_or(usual)
}

/// Current that trips a supply, amperes.
pub fn trip_amps(supply: &Supply) -> f64 {
    supply.trip_amps.unwrap_or(TRIP_FACTOR * supply.amps)
}

/// How long that current must flow, milliseconds.
pub fn trip_ms(supply: &Supply) -> u32 {
    supply.trip_ms.unwrap_or(TRIP_AFTER_MS)
}
