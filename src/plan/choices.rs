//! The names a plan has for things there are a few of.

use throwproof_protocol::address::{Numbering, PairBit, Position};

use crate::toml_reader::Choice;

use super::{
    BlockStart, Drive, Learns, OutputKind, PacketFormat, Shape, SignalKind, Sort, SupplyKind,
};

impl Choice for Numbering {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("linear", Self::Linear),
        ("non-linear", Self::NonLinear),
        ("from-zero", Self::FromZero),
    ];
}

impl Choice for Position {
    const NAMES: &'static [(&'static str, Self)] =
        &[("straight", Self::Straight), ("diverging", Self::Diverging)];
}

impl Choice for SupplyKind {
    const NAMES: &'static [(&'static str, Self)] =
        &[("track", Self::Track), ("separate", Self::Separate)];
}

impl Choice for OutputKind {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("pulse", Self::Pulse),
        ("steady", Self::Steady),
        ("servo", Self::Servo),
        ("stall-motor", Self::StallMotor),
    ];
}

impl Choice for Learns {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("first-command", Self::FirstCommand),
        ("cv-output", Self::CvOutput),
        ("cv-decoder", Self::CvDecoder),
        ("switches", Self::Switches),
    ];
}

impl Choice for PacketFormat {
    const NAMES: &'static [(&'static str, Self)] =
        &[("basic", Self::Basic), ("extended", Self::Extended)];
}

impl Choice for BlockStart {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("any", Self::Any),
        ("4k+1", Self::EveryFourth),
        ("8k+1", Self::EveryEighth),
    ];
}

impl Choice for Shape {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("left", Self::Left),
        ("right", Self::Right),
        ("wye", Self::Wye),
        ("curved", Self::Curved),
        ("three-way", Self::ThreeWay),
        ("single-slip", Self::SingleSlip),
        ("double-slip", Self::DoubleSlip),
        ("crossover", Self::Crossover),
        ("scissors", Self::Scissors),
    ];
}

impl Choice for Drive {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("twin-coil", Self::TwinCoil),
        ("stall-motor", Self::StallMotor),
        ("servo", Self::Servo),
        ("memory-wire", Self::MemoryWire),
    ];
}

impl Choice for SignalKind {
    const NAMES: &'static [(&'static str, Self)] =
        &[("extended", Self::Extended), ("pairs", Self::Pairs)];
}

/// The kinds of `[[accessory]]`.
impl Choice for Sort {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("uncoupler", Self::Uncoupler),
        ("gates", Self::Gates),
        ("lights", Self::Lights),
    ];
}

/// The pair bit a plan gives as `straight_output`.
pub(super) fn pair_bit(number: u8) -> PairBit {
    PairBit::from_bit(number == 1)
}
