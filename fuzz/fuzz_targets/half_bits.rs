//! Any half-bits: no panic, and after them a packet is found.
//!
//! Each byte of input is one half-bit: below 128 in microseconds, above that in hundreds of them.
#![no_main]

use libfuzzer_sys::fuzz_target;
use throwproof_protocol::timing::{SignalDecoder, SignalProgress};
use throwproof_protocol::{HalfBit, Nanos, Packet, Preamble, Shape};

fuzz_target!(|bytes: &[u8]| {
    let mut decoder = SignalDecoder::new();
    for byte in bytes {
        let micros = match u64::from(*byte) {
            short @ 0..128 => short,
            long => (long - 127) * 100,
        };
        let half = HalfBit::new(Nanos::from_micros(micros));
        if let SignalProgress::Packet(received) = decoder.push(half) {
            assert_eq!(
                Packet::parse(received.packet.as_bytes()),
                Ok(received.packet)
            );
            assert!(received.preamble >= 9, "ten bits with the end bit before");
        }
    }
    // Twice: what came before may hide the first, never the second.
    let packet = Packet::IDLE;
    let halves = packet
        .bits(Preamble::OPERATIONS_NMRA)
        .half_bits(Shape::NOMINAL);
    let found = halves
        .clone()
        .chain(halves)
        .filter(
            |half| matches!(decoder.push(*half), SignalProgress::Packet(r) if r.packet == packet),
        )
        .count();
    assert!(found >= 1, "the packet after the rubbish was not found");
});
