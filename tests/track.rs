//! The simulated track on its own: packets in, blades out.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use throwproof::plan::Plan;
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;
use throwproof_protocol::address::{KeyedAddress, Numbering, PairBit, Position};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

/// One of each drive on the outputs it needs, and a signal of each kind.
const PLAN: &str = r#"
[layout]
name = "Slipway"

[supply.bench]
kind = "separate"
volts = 16.0
amps = 2.5

[decoder.C]
outputs = 4
first_address = 1
supply = "bench"
output_kind = "pulse"
pulse_ms = 150
max_output_amps = 1.5

[decoder.M]
outputs = 4
first_address = 5
supply = "bench"
output_kind = "stall-motor"

[decoder.S]
outputs = 4
first_address = 9
supply = "bench"
output_kind = "servo"

[decoder.W]
outputs = 4
first_address = 13
supply = "bench"
output_kind = "steady"

[decoder.X]
outputs = 4
first_address = 17
supply = "bench"
output_kind = "steady"
format = "extended"

[[turnout]]
id = "C1"
shape = "left"
decoder = "C"
output = 1
drive = "twin-coil"

[[turnout]]
id = "C2"
shape = "crossover"
decoder = "C"
output = 2
drive = "twin-coil"
drives = 2
amps = 0.6

[[turnout]]
id = "M1"
shape = "left"
decoder = "M"
output = 1
drive = "stall-motor"

[[turnout]]
id = "S1"
shape = "right"
decoder = "S"
output = 1
drive = "servo"

[[turnout]]
id = "W1"
shape = "wye"
decoder = "W"
output = 1
drive = "memory-wire"

[[signal]]
id = "X1"
decoder = "X"
output = 1
kind = "extended"
aspects = { stop = 0, proceed = 16 }

[[signal]]
id = "P1"
decoder = "W"
output = 3
kind = "pairs"
aspects = { stop = 0, proceed = 1, caution = 2 }
"#;

fn basic(address: u16, position: Position, activate: bool) -> Packet {
    let address = KeyedAddress::new(address)
        .unwrap()
        .binary(Numbering::Linear);
    BasicAccessory {
        address,
        pair_bit: position.pair_bit(),
        activate,
    }
    .emit()
}

fn wait(track: &mut Track, ms: u64) {
    track.advance(track.now() + Nanos::from_millis(ms));
}

/// Activate, wait, release, wait.
fn throw(track: &mut Track, address: u16, position: Position) {
    track.send(basic(address, position, true));
    wait(track, 200);
    track.send(basic(address, position, false));
    wait(track, 4_000);
}

fn plan() -> Plan {
    Plan::from_text("slipway.toml", PLAN).unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn every_kind_of_drive_follows_both_commands() {
    let plan = plan();
    for seed in 0..20 {
        let mut track = Track::new(&plan, &AsBuilt::default(), seed);
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            for position in [Position::Diverging, Position::Straight, Position::Diverging] {
                throw(&mut track, turnout.address.get(), position);
                assert_eq!(
                    track.lies(index),
                    Some(position),
                    "{} with seed {seed}",
                    turnout.id
                );
            }
        }
    }
}

#[test]
fn nothing_else_moves() {
    let plan = plan();
    let mut track = Track::new(&plan, &AsBuilt::default(), 1);
    for position in [Position::Diverging, Position::Straight] {
        throw(&mut track, 1, position);
        track.attend();
        throw(&mut track, 1, position.opposite());
        assert_eq!(track.look().moved, [(0, Some(position.opposite()))]);
        assert!(track.look().changed.is_empty());
    }
}

#[test]
fn a_coil_is_off_after_its_pulse_though_no_release_comes() {
    let plan = plan();
    let mut track = Track::new(&plan, &AsBuilt::default(), 1);
    track.send(basic(1, Position::Diverging, true));
    wait(&mut track, 100);
    assert_eq!(track.physics().drive(0).input(), Some(PairBit::Zero));
    wait(&mut track, 200);
    assert_eq!(track.physics().drive(0).input(), None);
}

#[test]
fn signals_show_what_they_are_told() {
    let plan = plan();
    let mut track = Track::new(&plan, &AsBuilt::default(), 1);
    let address = KeyedAddress::new(17).unwrap().binary(Numbering::Linear);
    track.attend();
    track.send(ExtendedAccessory { address, data: 16 }.emit());
    assert_eq!(track.look().changed, [(0, Some(16))]);
    // An aspect that the signal does not have changes nothing (NEM 672, 2015).
    track.attend();
    track.send(ExtendedAccessory { address, data: 17 }.emit());
    assert!(track.look().changed.is_empty());
    throw(&mut track, 15, Position::Straight);
    assert_eq!(track.look().changed, [(1, Some(1))]);
    throw(&mut track, 16, Position::Diverging);
    assert_eq!(track.look().changed, [(1, Some(2))]);
}

#[test]
fn the_same_seed_gives_the_same_run() {
    let plan = plan();
    let run = |seed| {
        let mut track = Track::new(&plan, &AsBuilt::default(), seed);
        throw(&mut track, 1, Position::Diverging);
        let heat = track.physics().drive(0).temperature(track.now());
        (track.now(), track.packets_heard(), heat.to_bits())
    };
    assert_eq!(run(7), run(7));
    assert_ne!(run(7), run(8));
}

/// A decoder's learn mode and its CVs, over the rails.
mod addressing {
    use throwproof::track::decoder::cvs;
    use throwproof_protocol::bits::Preamble;

    use super::*;

    const COIL_DECODER: usize = 0;

    fn body(bytes: &[u8]) -> Packet {
        Packet::from_body(bytes).unwrap()
    }

    #[test]
    fn the_first_command_in_learn_mode_gives_the_block() {
        let plan = plan();
        let mut track = Track::new(&plan, &AsBuilt::default(), 3);
        track.set_learning(COIL_DECODER, true);
        // 103 is the third of its four: the block begins at 101 (rounding down, common
        // practice, no source).
        throw(&mut track, 103, Position::Straight);
        let addresses: Vec<_> = track.decoder(COIL_DECODER).addresses().collect();
        assert_eq!(addresses, [104, 105, 106, 107]);
        // What taught it did not throw anything, and neither does what comes before the lead is
        // off again.
        track.attend();
        throw(&mut track, 101, Position::Diverging);
        throw(&mut track, 101, Position::Straight);
        assert!(track.look().moved.is_empty());
        track.set_learning(COIL_DECODER, false);
        for position in [Position::Diverging, Position::Straight] {
            throw(&mut track, 101, position);
            assert_eq!(track.lies(0), Some(position));
        }
        track.attend();
        throw(&mut track, 1, Position::Diverging);
        assert!(track.look().moved.is_empty(), "the old address is dead");
    }

    // source: S-9.2.1 (July 2012) section D: two identical packets, nothing else to that decoder
    // between them. Bytes derived: CV 1 := 5 through the first output of decoder address 1.
    #[test]
    fn a_cv_is_written_on_the_main_by_two_identical_packets() {
        let plan = plan();
        let write = body(&[0x81, 0xf8, 0xec, 0x00, 0x05]);
        let mut track = Track::new(&plan, &AsBuilt::default(), 3);
        let once = |track: &mut Track| {
            track.send_times(write, Preamble::OPERATIONS_NMRA, 1);
            wait(track, 20);
        };
        once(&mut track);
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(cvs::ADDRESS_LOW), 1);
        // A command in between cancels.
        throw(&mut track, 1, Position::Diverging);
        once(&mut track);
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(cvs::ADDRESS_LOW), 1);
        once(&mut track);
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(cvs::ADDRESS_LOW), 5);
        // Decoder address 5 is keyed 17 to 20 (derived: 4 (5 - 1) + 1).
        assert_eq!(track.decoder(COIL_DECODER).first(), 20);
    }

    fn service(track: &mut Track, packet: &[u8]) -> bool {
        let start = track.now();
        track.send_times(Packet::RESET, Preamble::SERVICE, 3);
        track.send_times(body(packet), Preamble::SERVICE, 5);
        wait(track, 20);
        let time = track.acknowledged(start);
        assert!(
            time == Nanos::ZERO || time == Nanos::from_millis(6),
            "{time:?}"
        );
        time > Nanos::ZERO
    }

    // source: S-9.2.3 (July 2012) section E; bytes derived.
    #[test]
    fn service_mode_verifies_and_writes_with_acknowledgement() {
        let plan = plan();
        let mut track = Track::new(&plan, &AsBuilt::default(), 3);
        assert!(service(&mut track, &[0x74, 0x07, 0x0d]), "CV 8 is 13");
        assert!(!service(&mut track, &[0x74, 0x07, 0x0e]), "CV 8 is not 14");
        assert!(service(&mut track, &[0x78, 0x07, 0xe7]), "CV 8 bit 7 is 0");
        assert!(
            !service(&mut track, &[0x78, 0x07, 0xef]),
            "CV 8 bit 7 is not 1"
        );
        assert!(service(&mut track, &[0x7c, 0x00, 0x03]), "CV 1 := 3");
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(1), 3);
        assert!(service(&mut track, &[0x78, 0x1c, 0xfe]), "CV 29 bit 6 := 1");
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(29) & 0x40, 0x40);
    }

    #[test]
    fn a_single_service_packet_does_nothing() {
        let plan = plan();
        let mut track = Track::new(&plan, &AsBuilt::default(), 3);
        track.send_times(Packet::RESET, Preamble::SERVICE, 3);
        track.send_times(body(&[0x7c, 0x00, 0x03]), Preamble::SERVICE, 1);
        wait(&mut track, 50);
        assert_eq!(track.decoder(COIL_DECODER).cvs.get(1), 1);
    }
}
