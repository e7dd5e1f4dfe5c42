//! Whatever bytes, text, bits or half-bits come in: no panic, and what is read is written back.

use proptest::collection::vec;
use proptest::prelude::*;
use throwproof_protocol::bits::{Bit, Received};
use throwproof_protocol::packet::RawBytes;
use throwproof_protocol::pretty::{Context, Description};
use throwproof_protocol::timing::{HalfBit, Nanos, SignalDecoder, SignalProgress, transmitted};
use throwproof_protocol::{
    BitDecoder, Instruction, Numbering, Packet, Preamble, Progress, ServiceInstruction, Shape,
};

/// Bodies that often make an accessory packet.
fn body() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        vec(any::<u8>(), 2..=5),
        (0x80..=0xbf_u8, vec(any::<u8>(), 1..=4)).prop_map(|(first, mut rest)| {
            rest.insert(0, first);
            rest
        }),
        (
            0x80..=0xbf_u8,
            any::<u8>(),
            0xe0..=0xef_u8,
            any::<u8>(),
            0xe0..=0xff_u8
        )
            .prop_map(|(first, second, third, low, data)| vec![first, second, third, low, data]),
    ]
}

#[cfg(test)]
fn packet() -> impl Strategy<Value = Packet> {
    body().prop_map(|body| Packet::from_body(&body).unwrap())
}

fn half() -> impl Strategy<Value = HalfBit> {
    prop_oneof![
        3 => 50_000..=66_000_u64,
        3 => 85_000..=120_000_u64,
        1 => 0..=11_000_000_u64,
        1 => any::<u64>(),
    ]
    .prop_map(|nanoseconds| HalfBit::new(Nanos::new(nanoseconds)))
}

#[cfg(test)]
/// Half-bit shapes a station may send.
fn shape() -> impl Strategy<Value = Shape> {
    let one = (55_000..=61_000_u64, -3_000..=3_000_i64).prop_map(|(first, difference)| {
        [
            first,
            first
                .saturating_add_signed(difference)
                .clamp(55_000, 61_000),
        ]
    });
    let zero = [95_000..=6_000_000_u64, 95_000..=6_000_000];
    (one, zero).prop_map(|(one, zero)| {
        let half = |nanoseconds| HalfBit::new(Nanos::new(nanoseconds));
        Shape::NOMINAL
            .with_one(half(one[0]), half(one[1]))
            .and_then(|shape| shape.with_zero(half(zero[0]), half(zero[1])))
            .unwrap()
    })
}

fn received(bits: impl IntoIterator<Item = Bit>, decoder: &mut BitDecoder) -> Vec<Received> {
    bits.into_iter()
        .filter_map(|bit| match decoder.push(bit) {
            Progress::Packet(received) => Some(received),
            Progress::NeedMore | Progress::Dropped(_) => None,
        })
        .collect()
}

proptest! {
    #[test]
    fn any_bytes_are_read_without_panic_and_written_back(bytes in vec(any::<u8>(), 0..40)) {
        if let Ok(packet) = Packet::parse(&bytes) {
            prop_assert_eq!(packet.as_bytes(), &bytes[..]);
        }
    }

    #[test]
    fn whatever_is_read_is_written_back(packet in packet()) {
        if let Ok(instruction) = Instruction::parse(&packet) {
            prop_assert_eq!(instruction.emit(), packet);
            prop_assert_eq!(instruction.normalised(), instruction);
            if let Some(basic) = instruction.as_basic() {
                prop_assert_eq!(basic.emit(), packet);
            }
            if let Some(extended) = instruction.as_extended() {
                prop_assert_eq!(extended.emit(), packet);
            }
        }
        if let Ok(instruction) = ServiceInstruction::parse(&packet) {
            prop_assert_eq!(instruction.emit(), packet);
            prop_assert_eq!(instruction.normalised(), instruction);
        }
    }

    #[test]
    fn the_check_byte_catches_any_one_changed_byte(
        packet in packet(), place in any::<prop::sample::Index>(), change in 1..=255_u8,
    ) {
        let mut bytes = packet.as_bytes().to_vec();
        let place = place.index(bytes.len());
        bytes[place] ^= change;
        // A change of the first byte may also change what lengths are allowed.
        prop_assert!(Packet::parse(&bytes).is_err());
    }

    #[test]
    fn any_bytes_are_printed(
        bytes in vec(any::<u8>(), 0..40), service in any::<bool>(), numbering in 0..3_usize,
    ) {
        let context = if service { Context::Service } else { Context::Operations };
        let description = Description::new(&bytes)
            .with_context(context)
            .with_numbering(Numbering::ALL[numbering]);
        let text = description.to_string();
        prop_assert!(text.ends_with('\n'));
        for byte in &bytes {
            let written = format!("{byte:08b}");
            prop_assert!(text.contains(&written));
        }
        for field in description.fields() {
            let byte = bytes[field.offset];
            prop_assert_eq!(field.value, (byte & field.mask) >> field.mask.trailing_zeros());
        }
    }

    #[test]
    fn every_bit_of_every_packet_is_explained_at_most_once(packet in packet()) {
        let mut seen = vec![0_u8; packet.as_bytes().len()];
        for field in Description::new(packet.as_bytes()).fields() {
            prop_assert_eq!(seen[field.offset] & field.mask, 0);
            seen[field.offset] |= field.mask;
        }
    }

    #[test]
    fn hexadecimal_text_comes_back(
        bytes in vec(any::<u8>(), 1..=32), separator in "[ :,;_-]{0,3}", prefix in any::<bool>(),
        upper in any::<bool>(),
    ) {
        let prefix = if prefix && !separator.is_empty() { "0x" } else { "" };
        let text = bytes
            .iter()
            .map(|byte| {
                if upper { format!("{prefix}{byte:02X}") } else { format!("{prefix}{byte:02x}") }
            })
            .collect::<Vec<_>>()
            .join(&separator);
        let raw = RawBytes::parse_hex(&text).unwrap();
        prop_assert_eq!(raw.as_bytes(), &bytes[..]);
        prop_assert_eq!(RawBytes::parse_hex(&raw.to_string()), Ok(raw));
    }

    #[test]
    fn any_text_is_read_without_panic(text in any::<String>()) {
        if let Ok(raw) = RawBytes::parse_hex(&text) {
            prop_assert_eq!(RawBytes::parse_hex(&raw.to_string()), Ok(raw));
        }
    }

    #[test]
    fn after_any_bits_a_packet_is_found(
        garbage in vec(any::<bool>(), 0..200), packet in packet(), preamble in 10..=40_u8,
    ) {
        let mut decoder = BitDecoder::new();
        received(garbage.into_iter().map(Bit::from_bool), &mut decoder);
        let preamble = Preamble::new(preamble).unwrap();
        let first = received(packet.bits(preamble), &mut decoder);
        let second = received(packet.bits(preamble), &mut decoder);
        let found = |all: &[Received]| all.last().is_some_and(|last| last.packet == packet);
        // Rubbish that ends in a good packet within the preamble hides the first one; nothing else
        // does.
        prop_assert!(found(&first) || !first.is_empty());
        prop_assert!(found(&second));
    }

    #[test]
    fn packets_back_to_back_are_all_found(packets in vec(packet(), 1..5), preamble in 10..=40_u8) {
        let preamble = Preamble::new(preamble).unwrap();
        let all = packets.iter().flat_map(|packet| packet.bits(preamble));
        let found = received(all, &mut BitDecoder::new());
        let expected: Vec<_> = packets
            .into_iter()
            .map(|packet| Received { packet, preamble: u16::from(preamble.bits()) })
            .collect();
        prop_assert_eq!(found, expected);
    }

    #[test]
    fn whatever_a_station_may_send_is_received(
        packet in packet(), shape in shape(), preamble in 14..=40_u8,
    ) {
        let bits = packet.bits(Preamble::new(preamble).unwrap());
        for bit in bits.clone() {
            let [first, second] = shape.halves(bit);
            prop_assert_eq!(transmitted(first, second), Ok(bit));
        }
        let mut decoder = SignalDecoder::new();
        let last = bits.half_bits(shape).map(|half| decoder.push(half)).last();
        let found = matches!(last, Some(SignalProgress::Packet(r)) if r.packet == packet);
        prop_assert!(found, "{:?}", last);
    }

    #[test]
    fn after_any_half_bits_a_packet_is_found(
        garbage in vec(half(), 0..200), packet in packet(), shape in shape(),
    ) {
        let mut decoder = SignalDecoder::new();
        for half in garbage {
            decoder.push(half);
        }
        let halves = packet.bits(Preamble::OPERATIONS_RCN).half_bits(shape);
        // Twice: rubbish that looks like a packet may swallow the first.
        let mut found = 0;
        for half in halves.clone().chain(halves) {
            if matches!(decoder.push(half), SignalProgress::Packet(r) if r.packet == packet) {
                found += 1;
            }
        }
        prop_assert!(found >= 1);
    }
}
