//! The words for power, wires, pulses and outputs.

use super::Words;
use crate::plan::finding::Code;

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the other kinds have their own tables"
)]
#[expect(clippy::too_many_lines, reason = "a table")]
pub(super) fn words(code: Code) -> Option<Words> {
    Some(match code {
        Code::CoilLeftOn => (
            "a twin-coil drive on an output that does not switch off by itself",
            "set the board to pulse, 100 to 500 ms, before the drive is wired",
            "drive = \"twin-coil\" on a decoder with pulse_ms = 0",
            "S-9.2.2 (July 2012), CV 515 to 518: 0 is continuous",
        ),
        Code::DriveOutputMismatch => (
            "the output is not of the kind that the drive runs on",
            "a twin-coil wants pulse, a stall motor stall-motor, a servo servo, memory wire steady",
            "drive = \"stall-motor\" on a decoder with output_kind = \"pulse\"",
            "common practice, no source; the simulated track runs such a drive one way or not at all",
        ),
        Code::DriveStarved => (
            "what is left of the supply's voltage at the drive does not move it",
            "thicker or shorter wires, a stronger supply, a larger capacitor",
            "a coil of 3 A on 10 m of 0.14 mm² wire",
            "derived: Ohm's law; a coil's force goes with the square of its current",
        ),
        Code::SupplySags => (
            "the drive gets less than nine tenths of its current, or too little for the stiffest of its kind",
            "thicker or shorter wires, a stronger supply, a larger capacitor",
            "a coil of 3 A on 10 m of 0.5 mm² wire: 2.6 A, four fifths of its force",
            "common practice, no source: long thin coil wires are the first cause of weak throws",
        ),
        Code::WireTooLong => (
            "the wires lose more than a twentieth of the voltage",
            "double the cross-section, or shorten the way",
            "wire = { metres = 10, mm2 = 0.22 } for a coil of 1 A",
            "common practice, no source: 5 %; resistance of copper by IEC 60228 and ASTM B258, second-hand",
        ),
        Code::TripNeverReached => (
            "a short at the far end of a wire draws less than what trips the supply",
            "thicker wire, a fuse of its own for that branch, or a supply that trips lower",
            "a supply of 15 V with trip_amps = 5, and a loop of more than 3 Ω",
            "derived: Ohm's law; half of that loop is the aim of common practice, no source",
        ),
        Code::SupplyOverloaded => (
            "electronics, motors that stay powered and lit signals draw more than the supply is rated for",
            "a stronger supply, or a second one",
            "40 stall motors of 18 mA on a supply of 0.5 A",
            "common practice, no source; the simulated supply switches off after half a minute of it",
        ),
        Code::SupplyNearLimit => (
            "the steady current is more than four fifths of the supply's rating",
            "a stronger supply, or a second one",
            "40 stall motors of 18 mA on a supply of 0.8 A",
            "common practice, no source: 70 to 80 % for long",
        ),
        Code::SupplyTrips => (
            "one throw draws more than trips the supply, for longer than it takes to trip",
            "a stronger supply, a capacitor discharge unit, a shorter pulse",
            "a coil of 3 A and pulse_ms = 500 on a supply with trip_amps = 2, trip_ms = 100",
            "derived: Ohm's law",
        ),
        Code::ThrowsOverload => (
            "a throw, or those that overlap at `throw_gap_ms`, draw more than the supply is rated for; or its capacitor does while it charges",
            "a longer gap between throws, a stronger supply, a capacitor discharge unit",
            "throw_gap_ms = 100, pulses of 250 ms and coils of 1 A on a supply of 2 A",
            "common practice, no source: the largest set that moves at once stays within the supply, or comes from a capacitor",
        ),
        Code::RechargeTooSlow => (
            "a capacitor is thrown from again before it is at 95 % of its voltage",
            "a longer throw_gap_ms, a smaller charging resistance, a smaller capacitor",
            "10 000 µF charged through 100 Ω, 3 s, with throw_gap_ms = 1000",
            "derived: three time constants, 3 R C, are 95 %",
        ),
        Code::PulseTooShort => (
            "the pulse ends before a typical drive is over its spring",
            "a longer pulse_ms",
            "pulse_ms = 20 for a drive with needs_ms = 150",
            "common practice, no source: 50 to 250 ms are enough, 100 to 500 usual",
        ),
        Code::PulseBarelyLong => (
            "the pulse is shorter than the slowest of its kind need, or than `needs_ms` says",
            "a longer pulse_ms",
            "pulse_ms = 100 for a drive with needs_ms = 120",
            "common practice, no source; derived for a drive as weak as its kind comes",
        ),
        Code::PulseTooHot => (
            "one pulse is long enough to burn the coil",
            "a pulse_ms of 100 to 500",
            "a coil of 4 A at 16 V with pulse_ms = 60000",
            "from memory: enamelled wire fails at about 160 °C; a coil takes some 6 J a kelvin",
        ),
        Code::CoilRunsHot => (
            "thrown there and back as fast as the plan allows, the coil comes to more than 160 °C",
            "a shorter pulse_ms, or a longer throw_gap_ms",
            "a coil of 4 A at 16 V with pulse_ms = 500",
            "from memory: enamelled wire fails at about 160 °C; a coil gives off some 0.1 W a kelvin",
        ),
        Code::OutputOverloaded => (
            "a drive draws so much more than its output may carry that the output stops it",
            "a board whose outputs carry more, or a drive that draws less",
            "amps = 3 on a decoder with max_output_amps = 1",
            "common practice, no source: take the label; the simulated output stops at 1.3 times that",
        ),
        Code::OutputNearLimit => (
            "a drive may draw more than its output may carry",
            "a board whose outputs carry more, or a drive that draws less",
            "amps = 1.1 on a decoder with max_output_amps = 1",
            "common practice, no source: take the label; drives of one kind differ by some 8 %",
        ),
        Code::BoardOverloaded => (
            "the outputs of a board together carry so much more than it may that it switches off",
            "move some drives to another board",
            "eight stall motors of 50 mA on a decoder with max_total_amps = 0.2",
            "common practice, no source: 0.5 to 3 A a board; take the label",
        ),
        Code::BoardNearLimit => (
            "the outputs of a board together may carry more than its label says",
            "move some drives to another board",
            "eight stall motors of 18 mA on a decoder with max_total_amps = 0.14",
            "common practice, no source: take the label",
        ),
        Code::PowerFromTrack => (
            "more than two decoders draw their power from the rails",
            "a supply of their own; the rails then bring commands only",
            "three decoders on a supply with kind = \"track\"",
            "common practice, no source",
        ),
        _ => return None,
    })
}
