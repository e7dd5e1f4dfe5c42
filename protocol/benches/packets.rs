//! Encode and decode, a packet at a time, beside the XOR and the copy of the same bytes.
//!
//! The times are of 1024 packets; divided by 1024 they are those of one.

use divan::Bencher;
use divan::counter::ItemsCount;
use throwproof_protocol::timing::SignalDecoder;
use throwproof_protocol::{
    BasicAccessory, BinaryAddress, BitDecoder, ExtendedAccessory, Instruction, Packet, PairBit,
    Preamble, Shape,
};

fn main() {
    divan::main();
}

const COUNT: u16 = 1024;

/// Basic packets of binary addresses 0 to 1023, half of each kind of the pair.
fn instructions() -> Vec<Instruction> {
    (0..COUNT)
        .map(|number| {
            let address = BinaryAddress::new(number).expect("below 2048");
            let pair_bit = PairBit::from_bit(number % 2 == 1);
            Instruction::from(BasicAccessory::new(address, pair_bit, true))
        })
        .collect()
}

fn extended_instructions() -> Vec<Instruction> {
    (0..COUNT)
        .map(|number| {
            let address = BinaryAddress::new(number).expect("below 2048");
            let [_, data] = number.to_be_bytes();
            Instruction::from(ExtendedAccessory::new(address, data))
        })
        .collect()
}

fn packets(instructions: &[Instruction]) -> Vec<Packet> {
    instructions.iter().map(Instruction::emit).collect()
}

/// The yardstick: copy the bytes of a packet and XOR them, as any encoder or decoder must.
fn xor_and_copy(bytes: &[u8]) -> ([u8; Packet::CAPACITY], u8) {
    let mut buffer = [0; Packet::CAPACITY];
    let mut check = 0;
    for (slot, byte) in buffer.iter_mut().zip(bytes) {
        *slot = *byte;
        check ^= byte;
    }
    (buffer, check)
}

#[divan::bench(args = ["basic", "extended"])]
fn baseline_xor_and_copy(bencher: Bencher<'_, '_>, kind: &str) {
    let packets = packets(&of(kind));
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        for packet in &packets {
            divan::black_box(xor_and_copy(divan::black_box(packet.as_bytes())));
        }
    });
}

#[divan::bench(args = ["basic", "extended"])]
fn encode(bencher: Bencher<'_, '_>, kind: &str) {
    let instructions = of(kind);
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        for instruction in &instructions {
            divan::black_box(divan::black_box(instruction).emit());
        }
    });
}

#[divan::bench(args = ["basic", "extended"])]
fn decode(bencher: Bencher<'_, '_>, kind: &str) {
    let packets = packets(&of(kind));
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        for packet in &packets {
            let packet = Packet::parse(divan::black_box(packet.as_bytes()));
            divan::black_box(packet.map(|packet| Instruction::parse(&packet)).ok());
        }
    });
}

#[divan::bench]
fn bits_out_and_in(bencher: Bencher<'_, '_>) {
    let packets = packets(&instructions());
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        let mut decoder = BitDecoder::new();
        for packet in &packets {
            for bit in divan::black_box(packet).bits(Preamble::OPERATIONS_NMRA) {
                divan::black_box(decoder.push(bit));
            }
        }
    });
}

#[divan::bench]
fn half_bits_out_and_in(bencher: Bencher<'_, '_>) {
    let packets = packets(&instructions());
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        let mut decoder = SignalDecoder::new();
        for packet in &packets {
            let bits = divan::black_box(packet).bits(Preamble::OPERATIONS_NMRA);
            for half in bits.half_bits(Shape::NOMINAL) {
                divan::black_box(decoder.push(half));
            }
        }
    });
}

fn of(kind: &str) -> Vec<Instruction> {
    if kind == "basic" {
        instructions()
    } else {
        extended_instructions()
    }
}
