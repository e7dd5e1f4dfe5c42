//! Packet bytes, check byte included.
//!
//! ```text
//! first byte, more bytes ..., check byte = XOR of all bytes before it
//! ```

use core::fmt;
use core::str::FromStr;

use crate::clause::Clause;

mod hex;

pub use hex::{HexError, RawBytes};

/// What first byte a packet starts with, and so who reads it.
///
/// clause: S-9.2.1 (July 2012), section A.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Partition {
    /// 0: broadcast to multi-function decoders.
    Broadcast,
    /// 1 to 127: multi-function decoder with a short address.
    Short,
    /// 128 to 191: accessory decoder.
    Accessory,
    /// 192 to 231: multi-function decoder with a long address.
    Long,
    /// 232 to 252: reserved.
    Reserved,
    /// 253 and 254: assigned by S-9.2.1.1 (second-hand); these packets may be longer.
    Advanced,
    /// 255: idle.
    Idle,
}

impl Partition {
    /// The partition of a first byte.
    pub const fn of(first: u8) -> Self {
        match first {
            0 => Self::Broadcast,
            1..=127 => Self::Short,
            128..=191 => Self::Accessory,
            192..=231 => Self::Long,
            232..=252 => Self::Reserved,
            253..=254 => Self::Advanced,
            255 => Self::Idle,
        }
    }
}

/// Bytes that make no packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum PacketError {
    /// Fewer bytes than any packet has.
    #[error("{found} bytes are too few: a packet has at least {expected}, check byte included")]
    TooShort {
        /// The least a packet has.
        expected: usize,
        /// How many there were.
        found: usize,
    },
    /// More bytes than such a packet may have.
    #[error(
        "{found} bytes are too many: a packet that starts with {first:02X} has at most {expected}, \
         check byte included"
    )]
    TooLong {
        /// The first byte, which decides the most there may be.
        first: u8,
        /// The most such a packet may have.
        expected: usize,
        /// How many there were.
        found: usize,
    },
    /// The check byte is not the XOR of the bytes before it.
    #[error(
        "byte {} is {found:02X}, but the check byte of the bytes before it is {expected:02X}",
        offset.saturating_add(1)
    )]
    CheckByte {
        /// Offset of the check byte; the first byte has offset 0.
        offset: usize,
        /// The XOR of the bytes before it.
        expected: u8,
        /// The byte found.
        found: u8,
    },
}

impl PacketError {
    /// The clause that the bytes break.
    pub const fn clause(self) -> Clause {
        match self {
            Self::TooShort { .. } | Self::TooLong { .. } => Clause::PARTITIONS,
            Self::CheckByte { .. } => Clause::PACKET_FORMAT,
        }
    }
}

/// One whole packet: three bytes or more, the last of them the check byte.
///
/// ```
/// use throwproof_protocol::{Packet, PacketError};
///
/// // clause: S-9.2 (July 2004), section B: the idle packet.
/// let idle = Packet::from_body(&[0xff, 0x00])?;
/// assert_eq!(idle.as_bytes(), [0xff, 0x00, 0xff]);
/// assert_eq!(Packet::parse(&[0xff, 0x00, 0xff]), Ok(idle));
/// assert_eq!(
///     Packet::parse(&[0xff, 0x00, 0xfe]),
///     Err(PacketError::CheckByte { offset: 2, expected: 0xff, found: 0xfe }),
/// );
/// # Ok::<(), PacketError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Packet {
    // Bytes past `len` are zero, so that the derived comparisons hold.
    bytes: [u8; Packet::CAPACITY],
    len: u8,
}

impl Packet {
    /// The fewest bytes of a packet, check byte included (S-9.2, 2004).
    pub const MIN_LEN: usize = 3;
    /// The most bytes of a packet, check byte included, unless its first byte is 253 or 254
    /// (S-9.2.1, 2012).
    pub const MAX_LEN: usize = 6;
    /// The most bytes this crate holds, for packets whose first byte is 253 or 254.
    ///
    /// The bound is ours: no text at hand gives one.
    pub const CAPACITY: usize = 16;

    /// Idle: every decoder ignores it. S-9.2 (July 2004), section B.
    pub const IDLE: Self = Self::of_two(0xff, 0x00);
    /// Reset: all decoders return to their power-up state. S-9.2 (July 2004), section B; for
    /// accessory decoders RCN-211 (second-hand).
    pub const RESET: Self = Self::of_two(0x00, 0x00);

    /// The most bytes, check byte included, of a packet that starts with this byte.
    pub const fn max_len(first: u8) -> usize {
        match Partition::of(first) {
            Partition::Advanced => Self::CAPACITY,
            Partition::Broadcast
            | Partition::Short
            | Partition::Accessory
            | Partition::Long
            | Partition::Reserved
            | Partition::Idle => Self::MAX_LEN,
        }
    }

    /// The check byte of some bytes: the XOR of them all.
    pub fn check_byte_of(body: &[u8]) -> u8 {
        body.iter().fold(0, |check, byte| check ^ byte)
    }

    /// A packet from the bytes before its check byte.
    ///
    /// # Errors
    /// When there are too few or too many of them; the error counts the check byte in.
    #[inline]
    pub fn from_body(body: &[u8]) -> Result<Self, PacketError> {
        let found = body.len().saturating_add(1);
        Self::check_len(body.first().copied(), found)?;
        let mut packet = Self::copy_of(body);
        let check = Self::check_byte_of(body);
        if let Some(last) = packet.bytes.get_mut(body.len()) {
            *last = check;
        }
        packet.len = packet.len.saturating_add(1);
        Ok(packet)
    }

    /// A packet from all its bytes.
    ///
    /// # Errors
    /// When there are too few or too many, or the last is not the XOR of those before it.
    #[inline]
    pub fn parse(bytes: &[u8]) -> Result<Self, PacketError> {
        Self::check_len(bytes.first().copied(), bytes.len())?;
        if let Some((&found, body)) = bytes.split_last() {
            let expected = Self::check_byte_of(body);
            if found != expected {
                return Err(PacketError::CheckByte {
                    offset: body.len(),
                    expected,
                    found,
                });
            }
        }
        Ok(Self::copy_of(bytes))
    }

    /// A packet from hexadecimal text, see [`RawBytes::parse_hex`] for what may be written.
    ///
    /// # Errors
    /// When the text is no hexadecimal, or its bytes make no packet.
    ///
    /// ```
    /// use throwproof_protocol::Packet;
    ///
    /// for text in ["81 F9 78", "81F978", "81:F9:78", "0x81, 0xF9, 0x78"] {
    ///     assert_eq!(Packet::parse_hex(text)?.to_string(), "81 F9 78");
    /// }
    /// # Ok::<(), throwproof_protocol::packet::PacketTextError>(())
    /// ```
    pub fn parse_hex(text: &str) -> Result<Self, PacketTextError> {
        Ok(Self::parse(RawBytes::parse_hex(text)?.as_bytes())?)
    }

    /// All its bytes, check byte included.
    #[inline]
    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or_default()
    }

    /// Its bytes without the check byte.
    #[inline]
    pub fn body(&self) -> &[u8] {
        self.as_bytes().split_last().map_or(&[], |(_, body)| body)
    }

    /// The check byte.
    pub fn check_byte(&self) -> u8 {
        self.as_bytes().last().copied().unwrap_or_default()
    }

    /// The first byte, which decides who reads the packet.
    pub const fn first_byte(&self) -> u8 {
        let [first, ..] = self.bytes;
        first
    }

    /// Who reads the packet.
    pub const fn partition(&self) -> Partition {
        Partition::of(self.first_byte())
    }

    fn check_len(first: Option<u8>, found: usize) -> Result<(), PacketError> {
        let first = match first {
            Some(first) if found >= Self::MIN_LEN => first,
            _ => {
                return Err(PacketError::TooShort {
                    expected: Self::MIN_LEN,
                    found,
                });
            }
        };
        let expected = Self::max_len(first);
        if found > expected {
            return Err(PacketError::TooLong {
                first,
                expected,
                found,
            });
        }
        Ok(())
    }

    /// A packet of up to [`Packet::CAPACITY`] bytes whose length was checked.
    fn copy_of(bytes: &[u8]) -> Self {
        let mut buffer = [0; Self::CAPACITY];
        let mut len = 0_u8;
        for (slot, byte) in buffer.iter_mut().zip(bytes) {
            *slot = *byte;
            len = len.saturating_add(1);
        }
        Self { bytes: buffer, len }
    }

    /// Two bytes and their check byte: always a legal length.
    pub(crate) const fn of_two(a: u8, b: u8) -> Self {
        Self {
            bytes: [a, b, a ^ b, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
            len: 3,
        }
    }

    /// Three bytes and their check byte: always a legal length.
    pub(crate) const fn of_three([a, b, c]: [u8; 3]) -> Self {
        Self {
            bytes: [a, b, c, a ^ b ^ c, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
            len: 4,
        }
    }

    /// Four bytes and their check byte: always a legal length.
    pub(crate) const fn of_four([a, b, c, d]: [u8; 4]) -> Self {
        Self {
            bytes: [a, b, c, d, a ^ b ^ c ^ d, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
            len: 5,
        }
    }

    /// Five bytes and their check byte: always a legal length.
    pub(crate) const fn of_five([first, second, third, low, data]: [u8; 5]) -> Self {
        let check = first ^ second ^ third ^ low ^ data;
        Self {
            bytes: [
                first, second, third, low, data, check, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
            ],
            len: 6,
        }
    }
}

impl AsRef<[u8]> for Packet {
    fn as_ref(&self) -> &[u8] {
        self.as_bytes()
    }
}

/// Writes `81 F9 78`.
impl fmt::Display for Packet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        hex::write_bytes(f, self.as_bytes())
    }
}

impl fmt::Debug for Packet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Packet({self})")
    }
}

impl TryFrom<&[u8]> for Packet {
    type Error = PacketError;

    fn try_from(bytes: &[u8]) -> Result<Self, PacketError> {
        Self::parse(bytes)
    }
}

impl FromStr for Packet {
    type Err = PacketTextError;

    fn from_str(text: &str) -> Result<Self, PacketTextError> {
        Self::parse_hex(text)
    }
}

/// Text that makes no packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum PacketTextError {
    /// It is no hexadecimal.
    #[error(transparent)]
    Hex(#[from] HexError),
    /// Its bytes make no packet.
    #[error(transparent)]
    Packet(#[from] PacketError),
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::format;
    use std::string::ToString;

    #[test]
    fn length_is_checked_before_the_check_byte() {
        assert_eq!(
            Packet::parse(&[]),
            Err(PacketError::TooShort {
                expected: 3,
                found: 0
            })
        );
        assert_eq!(
            Packet::parse(&[0, 0]),
            Err(PacketError::TooShort {
                expected: 3,
                found: 2
            })
        );
        assert_eq!(
            Packet::from_body(&[0]),
            Err(PacketError::TooShort {
                expected: 3,
                found: 2
            })
        );
        // clause: S-9.2.1 (July 2012), section A: three to six bytes.
        assert_eq!(
            Packet::parse(&[0x81; 7]),
            Err(PacketError::TooLong {
                first: 0x81,
                expected: 6,
                found: 7
            })
        );
        assert_eq!(
            Packet::from_body(&[0x81; 6]),
            Err(PacketError::TooLong {
                first: 0x81,
                expected: 6,
                found: 7
            })
        );
    }

    #[test]
    fn only_first_bytes_253_and_254_may_be_longer() {
        // clause: S-9.2.1 (2025) and RCN-211, second-hand.
        for first in 0..=255_u8 {
            let mut body = [0; 15];
            body[0] = first;
            let longest = if matches!(first, 253 | 254) { 16 } else { 6 };
            for len in 3..=16 {
                let packet = Packet::from_body(&body[..len - 1]);
                assert_eq!(packet.is_ok(), len <= longest, "{first:02X}, {len} bytes");
            }
        }
        assert!(Packet::from_body(&[254; 16]).is_err());
    }

    #[test]
    fn a_wrong_check_byte_is_named() {
        // S-9.2.1 (January 2025), second-hand: this body with check byte 00 must be rejected.
        let error = Packet::parse(&[0x81, 0x77, 0x15, 0x00]).unwrap_err();
        assert_eq!(
            error,
            PacketError::CheckByte {
                offset: 3,
                expected: 0xe3,
                found: 0x00
            }
        );
        assert_eq!(
            error.to_string(),
            "byte 4 is 00, but the check byte of the bytes before it is E3"
        );
    }

    #[test]
    fn packets_are_taken_apart() {
        let packet = Packet::parse(&[0x81, 0xf9, 0x78]).unwrap();
        assert_eq!(packet.body(), [0x81, 0xf9]);
        assert_eq!(packet.check_byte(), 0x78);
        assert_eq!(packet.partition(), Partition::Accessory);
        assert_eq!(format!("{packet:?}"), "Packet(81 F9 78)");
    }

    #[test]
    fn every_single_bit_error_is_caught() {
        let good = [0x81, 0xf9, 0x78];
        for byte in 0..good.len() {
            for bit in 0..8 {
                let mut bad = good;
                bad[byte] ^= 1 << bit;
                assert!(
                    matches!(
                        Packet::parse(&bad),
                        Err(PacketError::CheckByte { offset: 2, .. })
                    ),
                    "byte {byte}, bit {bit}"
                );
            }
        }
    }
}
