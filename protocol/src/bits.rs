//! A packet as bits: preamble, start bits, bytes with the highest bit first, end bit.
//!
//! clause: S-9.2 (July 2004), section A.
//!
//! ```text
//! in the order sent   1 1 1 ... 1   0 bbbbbbbb   0 bbbbbbbb   ...   0 EEEEEEEE   1
//!                     preamble      start, byte                      check byte   end bit
//! ```
//!
//! ```
//! use throwproof_protocol::bits::{Bit, BitDecoder, Preamble, Progress};
//! use throwproof_protocol::Packet;
//!
//! let packet = Packet::parse_hex("81 F9 78")?;
//! let bits = packet.bits(Preamble::OPERATIONS_NMRA);
//! let text: String = bits.clone().map(Bit::as_char).collect();
//! // derived from S-9.2 (July 2004), section A.
//! assert_eq!(text, "111111111111110100000010111110010011110001");
//!
//! let mut decoder = BitDecoder::new();
//! let last = bits.map(|bit| decoder.push(bit)).last();
//! let Some(Progress::Packet(received)) = last else { panic!() };
//! assert_eq!((received.packet, received.preamble), (packet, 14));
//! # Ok::<(), throwproof_protocol::packet::PacketTextError>(())
//! ```

use core::iter::FusedIterator;

use crate::packet::Packet;

mod decoder;

pub use decoder::{BitDecoder, BitError, Progress, Received};

/// One bit on the rails.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Bit {
    /// 0: two long half-bits.
    Zero,
    /// 1: two short half-bits.
    One,
}

impl Bit {
    /// From a truth value.
    pub const fn from_bool(one: bool) -> Self {
        if one { Self::One } else { Self::Zero }
    }

    /// Is it a 1?
    pub const fn is_one(self) -> bool {
        matches!(self, Self::One)
    }

    /// `0` or `1`.
    pub const fn as_char(self) -> char {
        match self {
            Self::Zero => '0',
            Self::One => '1',
        }
    }
}

/// A preamble length that no station may send.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[error("a preamble of {found} bits is too short: decoders reject fewer than {expected}")]
pub struct PreambleError {
    /// The least that any decoder may take.
    pub expected: u8,
    /// The number given.
    pub found: u8,
}

/// How many 1 bits go before a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Preamble(u8);

impl Preamble {
    /// Least from a station in operations mode. S-9.2 (July 2004), section A.
    pub const OPERATIONS_NMRA: Self = Self(14);
    /// Least from a station in operations mode by RCN-211, second-hand.
    pub const OPERATIONS_RCN: Self = Self(17);
    /// Least from a station in service mode, the "long preamble". S-9.2.3 (July 2012), section E.
    pub const SERVICE: Self = Self(20);
    /// Most that a decoder may ask for. S-9.2 (July 2004), section A.
    pub const DECODER_MUST_ACCEPT: Self = Self(12);
    /// A decoder must reject packets with fewer. S-9.2 (July 2004), section A.
    pub const DECODER_MUST_REJECT_BELOW: Self = Self(10);

    /// A preamble of so many bits.
    ///
    /// Lengths of 10 to 13 can be made, for trying decoders, although a station must send 14.
    ///
    /// # Errors
    /// When there are fewer than 10: no decoder may take such a packet.
    pub const fn new(bits: u8) -> Result<Self, PreambleError> {
        let expected = Self::DECODER_MUST_REJECT_BELOW.0;
        if bits < expected {
            Err(PreambleError {
                expected,
                found: bits,
            })
        } else {
            Ok(Self(bits))
        }
    }

    /// The number of 1 bits.
    pub const fn bits(self) -> u8 {
        self.0
    }
}

/// The bits of a packet, in the order sent.
#[derive(Debug, Clone)]
pub struct PacketBits {
    packet: Packet,
    preamble: u16,
    /// The next bit, counted from the first of the preamble.
    at: u16,
    end: u16,
}

impl PacketBits {
    /// Bits a byte takes: its start bit and itself.
    const PER_BYTE: u16 = 9;

    fn new(packet: Packet, preamble: Preamble) -> Self {
        let bytes = packet
            .as_bytes()
            .iter()
            .fold(0_u16, |sum, _| sum.saturating_add(Self::PER_BYTE));
        let preamble = u16::from(preamble.0);
        // At most 255 + 16 x 9 + 1.
        let end = preamble.saturating_add(bytes).saturating_add(1);
        Self {
            packet,
            preamble,
            at: 0,
            end,
        }
    }
}

impl Iterator for PacketBits {
    type Item = Bit;

    fn next(&mut self) -> Option<Bit> {
        if self.at >= self.end {
            return None;
        }
        let at = self.at;
        self.at = at.saturating_add(1);
        // Preamble and end bit are 1.
        let Some(in_bytes) = at.checked_sub(self.preamble) else {
            return Some(Bit::One);
        };
        let byte = self
            .packet
            .as_bytes()
            .get(usize::from(in_bytes / Self::PER_BYTE));
        Some(match (byte, in_bytes % Self::PER_BYTE) {
            (None, _) => Bit::One,
            (Some(_), 0) => Bit::Zero,
            (Some(byte), place) => Bit::from_bool(byte.rotate_left(u32::from(place)) & 1 == 1),
        })
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = usize::from(self.end.saturating_sub(self.at));
        (left, Some(left))
    }
}

impl ExactSizeIterator for PacketBits {}
impl FusedIterator for PacketBits {}

impl Packet {
    /// The bits of the packet, in the order sent, with this preamble before it.
    pub fn bits(&self, preamble: Preamble) -> PacketBits {
        PacketBits::new(*self, preamble)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::String;

    fn text(packet: &str, preamble: Preamble) -> String {
        Packet::parse_hex(packet)
            .unwrap()
            .bits(preamble)
            .map(Bit::as_char)
            .collect()
    }

    #[test]
    fn bits_are_those_of_the_general_packet_format() {
        // clause: S-9.2 (July 2004), section A, written out by hand.
        assert_eq!(
            text("81 F9 78", Preamble::OPERATIONS_NMRA),
            [
                "11111111111111",
                "0",
                "10000001",
                "0",
                "11111001",
                "0",
                "01111000",
                "1"
            ]
            .concat()
        );
        assert_eq!(
            text("FF 00 FF", Preamble::SERVICE),
            [
                "11111111111111111111",
                "0",
                "11111111",
                "0",
                "00000000",
                "0",
                "11111111",
                "1"
            ]
            .concat()
        );
    }

    #[test]
    fn lengths_are_known_beforehand() {
        // derived: 14 + 3 x 9 + 1, 17 + 3 x 9 + 1, 14 + 4 x 9 + 1, 20 + 4 x 9 + 1.
        for (packet, preamble, bits) in [
            ("81 F9 78", Preamble::OPERATIONS_NMRA, 42),
            ("81 F9 78", Preamble::OPERATIONS_RCN, 45),
            ("81 71 05 F5", Preamble::OPERATIONS_NMRA, 51),
            ("7C 00 03 7F", Preamble::SERVICE, 57),
        ] {
            let iterator = Packet::parse_hex(packet).unwrap().bits(preamble);
            assert_eq!(iterator.len(), bits);
            assert_eq!(iterator.count(), bits);
        }
    }

    #[test]
    fn short_preambles_cannot_be_made() {
        assert_eq!(
            Preamble::new(9),
            Err(PreambleError {
                expected: 10,
                found: 9
            })
        );
        assert_eq!(Preamble::new(10).map(Preamble::bits), Ok(10));
    }
}
