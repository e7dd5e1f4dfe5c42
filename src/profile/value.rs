//! What a message can have places for.

use throwproof_protocol::address::{BinaryAddress, Numbering, PairBit, Position};
use throwproof_protocol::cv::CvNumber;
use throwproof_protocol::packet::Packet;

use super::Positions;

/// A number that a message can carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub(super) enum Value {
    Keyed,
    Binary,
    Decoder,
    Pair,
    Output,
    PairBit,
    Activate,
    Position,
    Aspect,
    Cv,
    Data,
    PacketLength,
    BodyLength,
}

/// Anything a message can carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    /// A number, to be used in expressions.
    Number(Value),
    /// The bytes of the packet; without the check byte where `body`.
    Packet { body: bool },
    /// Why the station says no: a text.
    Reason,
}

impl Place {
    /// Every name, and what it stands for.
    pub(super) const NAMES: [(&'static str, Self); 16] = [
        ("keyed", Self::Number(Value::Keyed)),
        ("binary", Self::Number(Value::Binary)),
        ("decoder", Self::Number(Value::Decoder)),
        ("pair", Self::Number(Value::Pair)),
        ("output", Self::Number(Value::Output)),
        ("pair_bit", Self::Number(Value::PairBit)),
        ("activate", Self::Number(Value::Activate)),
        ("position", Self::Number(Value::Position)),
        ("aspect", Self::Number(Value::Aspect)),
        ("cv", Self::Number(Value::Cv)),
        ("value", Self::Number(Value::Data)),
        ("packet_length", Self::Number(Value::PacketLength)),
        ("body_length", Self::Number(Value::BodyLength)),
        ("packet", Self::Packet { body: false }),
        ("packet_body", Self::Packet { body: true }),
        ("reason", Self::Reason),
    ];

    /// What a name stands for.
    pub(super) fn named(name: &str) -> Option<Self> {
        let found = Self::NAMES.iter().find(|(known, _)| *known == name);
        found.map(|(_, place)| *place)
    }

    /// Its name.
    pub(super) fn name(self) -> &'static str {
        let found = Self::NAMES.iter().find(|(_, place)| *place == self);
        found.map_or("", |(name, _)| name)
    }
}

/// The places that a kind of message can fill.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Scope(u32);

impl Scope {
    pub(super) const NOTHING: Self = Self(0);
    pub(super) const ADDRESS: Self = Self(
        1 << Value::Keyed as u32
            | 1 << Value::Binary as u32
            | 1 << Value::Decoder as u32
            | 1 << Value::Pair as u32
            | 1 << Value::Output as u32,
    );
    pub(super) const SIDE: Self = Self(1 << Value::PairBit as u32 | 1 << Value::Position as u32);
    pub(super) const ACTIVATE: Self = Self(1 << Value::Activate as u32);
    pub(super) const ASPECT: Self = Self(1 << Value::Aspect as u32);
    pub(super) const CV: Self = Self(1 << Value::Cv as u32);
    pub(super) const DATA: Self = Self(1 << Value::Data as u32);
    pub(super) const PACKET: Self =
        Self(1 << Value::PacketLength as u32 | 1 << Value::BodyLength as u32 | 1 << 30);
    pub(super) const REASON: Self = Self(1 << 31);

    /// The places of either.
    pub(super) const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    pub(super) const fn has(self, place: Place) -> bool {
        let bit = match place {
            Place::Number(value) => 1 << value as u32,
            Place::Packet { .. } => 1 << 30,
            Place::Reason => 1 << 31,
        };
        self.0 & bit != 0
    }

    /// The names it has.
    pub(super) fn names(self) -> Vec<&'static str> {
        let known = Place::NAMES.iter().filter(|(_, place)| self.has(*place));
        known.map(|(name, _)| *name).collect()
    }
}

/// What the places of one message are filled with.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Facts {
    numbers: [i64; 13],
    pub(super) position: Option<Position>,
    pub(super) packet: Option<Packet>,
    pub(super) reason: Option<String>,
}

impl Facts {
    /// A number; 0 where the scope of the message has none, so that none is asked for.
    pub(super) fn number(&self, value: Value) -> i64 {
        self.numbers[value as usize]
    }

    pub(super) fn set(&mut self, value: Value, number: i64) {
        self.numbers[value as usize] = number;
    }

    pub(super) fn set_address(&mut self, address: BinaryAddress, numbering: Numbering) {
        self.set(Value::Keyed, address.keyed(numbering).get().into());
        self.set(Value::Binary, address.get().into());
        self.set(Value::Decoder, address.decoder().get().into());
        self.set(Value::Pair, address.pair().into());
        self.set(Value::Output, i64::from(address.pair()) + 1);
    }

    pub(super) fn set_side(&mut self, side: PairBit, positions: Option<&Positions>) {
        let position = side.position();
        self.set(Value::PairBit, side.as_u8().into());
        self.position = Some(position);
        if let Some(Positions::Numbers(numbers)) = positions {
            self.set(Value::Position, numbers[usize::from(side.as_u8())]);
        }
    }

    pub(super) fn set_cv(&mut self, cv: CvNumber) {
        self.set(Value::Cv, cv.get().into());
    }

    pub(super) fn set_packet(&mut self, packet: Packet) {
        let length = i64::try_from(packet.as_bytes().len()).unwrap_or_default();
        self.set(Value::PacketLength, length);
        self.set(Value::BodyLength, length - 1);
        self.packet = Some(packet);
    }
}
