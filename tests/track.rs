//! The simulated track on its own: packets in, blades out.

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
    let address = KeyedAddress::new(address).unwrap().binary(Numbering::Linear);
    BasicAccessory { address, pair_bit: position.pair_bit(), activate }.emit()
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
                assert_eq!(track.lies(index), Some(position), "{} with seed {seed}", turnout.id);
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
