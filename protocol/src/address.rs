//! Addresses: what a person keys, and what goes on the rails.
//!
//! ```text
//! keyed address 1 ..= 2048  --numbering-->  binary address A10 ..= A0, 0 ..= 2047
//! binary address = decoder address A10 ..= A2 (0 ..= 511), pair A1 A0 (0 ..= 3)
//! bit R          = which half of the pair
//! ```

use core::fmt;
use core::str::FromStr;

use crate::clause::Clause;

mod names;

pub use names::{NameError, Numbering, PairBit, Position};

/// Low byte of a 16-bit number.
pub(crate) const fn low_byte(number: u16) -> u8 {
    let [_, low] = number.to_be_bytes();
    low
}

/// A byte as a 16-bit number, also in constants.
pub(crate) const fn wide(byte: u8) -> u16 {
    u16::from_be_bytes([0, byte])
}

/// An address or a part of one that is out of range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum AddressError {
    /// A keyed address outside 1 to 2048.
    #[error("keyed address {found} is out of range: addresses run from 1 to 2048")]
    Keyed {
        /// The number given.
        found: u32,
    },
    /// Text that is no number at all.
    #[error("not an address: write a number from 1 to 2048, digits only")]
    KeyedText,
    /// A binary address that does not fit in 11 bits.
    #[error("binary address {found} is out of range: 11 bits hold 0 to 2047")]
    Binary {
        /// The number given.
        found: u16,
    },
    /// A decoder address that does not fit in nine bits.
    #[error("decoder address {found} is out of range: nine bits hold 0 to 511")]
    Decoder {
        /// The number given.
        found: u16,
    },
    /// A pair other than 0 to 3.
    #[error("pair {found} is out of range: a decoder address has pairs 0 to 3")]
    Pair {
        /// The number given.
        found: u8,
    },
    /// Output bits DDD other than 0 to 7.
    #[error("output bits {found} are out of range: three bits hold 0 to 7")]
    OutputBits {
        /// The number given.
        found: u8,
    },
}

impl AddressError {
    /// The clause that sets the range.
    pub const fn clause(self) -> Clause {
        match self {
            Self::Keyed { .. } | Self::KeyedText => Clause::NUMBERING,
            Self::Binary { .. }
            | Self::Decoder { .. }
            | Self::Pair { .. }
            | Self::OutputBits { .. } => Clause::ACCESSORY,
        }
    }
}

/// The number a person keys for a turnout or a signal: 1 to 2048.
///
/// What goes on the rails depends on the station's [`Numbering`].
///
/// ```
/// use throwproof_protocol::{KeyedAddress, Numbering};
///
/// // clause: S-9.2.1 (January 2025), second-hand: 253 is binary 256, or binary 0 non-linear.
/// let keyed = KeyedAddress::new(253)?;
/// assert_eq!(keyed.binary(Numbering::Linear).get(), 256);
/// assert_eq!(keyed.binary(Numbering::NonLinear).get(), 0);
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyedAddress(u16);

impl KeyedAddress {
    /// The lowest: 1.
    pub const MIN: Self = Self(1);
    /// The highest: 2048.
    pub const MAX: Self = Self(2048);

    /// A keyed address.
    ///
    /// # Errors
    /// When the number is not in 1 to 2048.
    pub const fn new(number: u16) -> Result<Self, AddressError> {
        if number >= Self::MIN.0 && number <= Self::MAX.0 {
            Ok(Self(number))
        } else {
            let [high, low] = number.to_be_bytes();
            Err(AddressError::Keyed {
                found: u32::from_be_bytes([0, 0, high, low]),
            })
        }
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Every keyed address, lowest first.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> + Clone {
        (Self::MIN.0..=Self::MAX.0).map(Self)
    }

    /// The address on the rails when the station numbers this way.
    ///
    /// Linear: `A = (keyed + 3) mod 2048`. Non-linear: the same, but wrapping inside each block
    /// of 256. From zero: `A = keyed - 1` (common practice, no source).
    pub const fn binary(self, numbering: Numbering) -> BinaryAddress {
        // Every step is masked to 11 bits, and `keyed` is at least 1.
        let from_zero = self.0.wrapping_sub(1);
        let moved = from_zero.wrapping_add(4);
        BinaryAddress(match numbering {
            Numbering::Linear => moved & BinaryAddress::MASK,
            Numbering::NonLinear => (from_zero & 0x700) | (moved & 0x0ff),
            Numbering::FromZero => from_zero,
        })
    }

    /// Does this keyed address reach different binary addresses in linear and in non-linear
    /// numbering?
    ///
    /// True for the last four of every 256: 253 to 256, 509 to 512, up to 2045 to 2048.
    pub const fn depends_on_numbering(self) -> bool {
        self.binary(Numbering::Linear).0 != self.binary(Numbering::NonLinear).0
    }
}

impl fmt::Display for KeyedAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl TryFrom<u16> for KeyedAddress {
    type Error = AddressError;

    fn try_from(number: u16) -> Result<Self, AddressError> {
        Self::new(number)
    }
}

impl FromStr for KeyedAddress {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        // `u32::from_str` takes a leading plus sign; an address does not.
        if text.is_empty() || !text.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(AddressError::KeyedText);
        }
        let found = text.parse().unwrap_or(u32::MAX);
        u16::try_from(found)
            .ok()
            .map_or(Err(AddressError::Keyed { found }), Self::new)
    }
}

/// The 11 address bits A10 to A0 as they go on the rails: 0 to 2047.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BinaryAddress(u16);

impl BinaryAddress {
    const MASK: u16 = 0x7ff;
    /// The lowest: 0.
    pub const MIN: Self = Self(0);
    /// The highest: 2047. The extended broadcast goes to this one alone.
    pub const MAX: Self = Self(Self::MASK);

    /// A binary address.
    ///
    /// # Errors
    /// When the number needs more than 11 bits.
    pub const fn new(number: u16) -> Result<Self, AddressError> {
        if number <= Self::MASK {
            Ok(Self(number))
        } else {
            Err(AddressError::Binary { found: number })
        }
    }

    /// The 11 low bits of any number.
    pub(crate) const fn from_low_bits(number: u16) -> Self {
        Self(number & Self::MASK)
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Every binary address, lowest first.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> + Clone {
        (Self::MIN.0..=Self::MAX.0).map(Self)
    }

    /// From a decoder address and one of its four pairs.
    ///
    /// # Errors
    /// When the pair is not in 0 to 3.
    pub const fn from_parts(decoder: DecoderAddress, pair: u8) -> Result<Self, AddressError> {
        if pair <= 3 {
            Ok(Self((decoder.0 << 2) | wide(pair)))
        } else {
            Err(AddressError::Pair { found: pair })
        }
    }

    /// The number a person keys to reach this address: the inverse of [`KeyedAddress::binary`].
    pub const fn keyed(self, numbering: Numbering) -> KeyedAddress {
        let moved = self.0.wrapping_sub(4);
        let from_zero = match numbering {
            Numbering::Linear => moved & Self::MASK,
            Numbering::NonLinear => (self.0 & 0x700) | (moved & 0x0ff),
            Numbering::FromZero => self.0,
        };
        // At most 2047, so one more cannot wrap.
        KeyedAddress(from_zero.wrapping_add(1))
    }

    /// The decoder address: A10 to A2.
    pub const fn decoder(self) -> DecoderAddress {
        DecoderAddress(self.0 >> 2)
    }

    /// The pair: A1 A0, 0 to 3.
    pub const fn pair(self) -> u8 {
        low_byte(self.0) & 0b11
    }

    /// Is this one of 2044 to 2047, decoder address 511?
    ///
    /// By the 2012 edition all basic decoders obey these, whatever their own address. Of the
    /// extended packets only the one to 2047 is a broadcast.
    pub const fn is_broadcast(self) -> bool {
        self.decoder().is_broadcast()
    }
}

impl fmt::Display for BinaryAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl TryFrom<u16> for BinaryAddress {
    type Error = AddressError;

    fn try_from(number: u16) -> Result<Self, AddressError> {
        Self::new(number)
    }
}

/// The nine bits A10 to A2 that select a decoder: 0 to 511.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DecoderAddress(u16);

impl DecoderAddress {
    const MASK: u16 = 0x1ff;
    /// The lowest: 0, which linear numbering reaches only as keyed 2045 to 2048.
    pub const MIN: Self = Self(0);
    /// The highest: 511, which every basic decoder obeys (S-9.2.1, 2012).
    pub const MAX: Self = Self(Self::MASK);

    /// A decoder address.
    ///
    /// # Errors
    /// When the number needs more than nine bits.
    pub const fn new(number: u16) -> Result<Self, AddressError> {
        if number <= Self::MASK {
            Ok(Self(number))
        } else {
            Err(AddressError::Decoder { found: number })
        }
    }

    /// The nine low bits of any number.
    pub(crate) const fn from_low_bits(number: u16) -> Self {
        Self(number & Self::MASK)
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Every decoder address, lowest first.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> + Clone {
        (Self::MIN.0..=Self::MAX.0).map(Self)
    }

    /// Is this 511, which every basic decoder obeys?
    pub const fn is_broadcast(self) -> bool {
        self.0 == Self::MASK
    }

    /// The binary address of its first pair.
    pub const fn first(self) -> BinaryAddress {
        BinaryAddress(self.0 << 2)
    }
}

impl fmt::Display for DecoderAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl TryFrom<u16> for DecoderAddress {
    type Error = AddressError;

    fn try_from(number: u16) -> Result<Self, AddressError> {
        Self::new(number)
    }
}

/// The three bits DDD of the 2012 edition, which later editions call A1, A0 and R: one half of
/// one of the four pairs, 0 to 7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct OutputBits(u8);

impl OutputBits {
    /// The bits from a number.
    ///
    /// # Errors
    /// When the number is not in 0 to 7.
    pub const fn new(bits: u8) -> Result<Self, AddressError> {
        if bits <= 7 {
            Ok(Self(bits))
        } else {
            Err(AddressError::OutputBits { found: bits })
        }
    }

    /// The three low bits of any number.
    pub(crate) const fn from_low_bits(number: u8) -> Self {
        Self(number & 0b111)
    }

    /// The bits of one half of a pair; of the pair's number only the two low bits count.
    pub(crate) const fn of(address: BinaryAddress, half: PairBit) -> Self {
        Self((address.pair() << 1) | half.as_u8())
    }

    /// The number, 0 to 7.
    pub const fn get(self) -> u8 {
        self.0
    }

    /// The pair: 0 to 3.
    pub const fn pair(self) -> u8 {
        self.0 >> 1
    }

    /// Which half of the pair: bit R.
    pub const fn pair_bit(self) -> PairBit {
        PairBit::from_bit(self.0 & 1 == 1)
    }
}

impl fmt::Display for OutputBits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl TryFrom<u8> for OutputBits {
    type Error = AddressError;

    fn try_from(bits: u8) -> Result<Self, AddressError> {
        Self::new(bits)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    fn keyed(number: u16) -> KeyedAddress {
        KeyedAddress::new(number).unwrap()
    }

    #[test]
    fn ranges_end_where_the_bits_end() {
        assert_eq!(KeyedAddress::new(0), Err(AddressError::Keyed { found: 0 }));
        assert_eq!(
            KeyedAddress::new(2049),
            Err(AddressError::Keyed { found: 2049 })
        );
        assert_eq!(
            BinaryAddress::new(2048),
            Err(AddressError::Binary { found: 2048 })
        );
        assert_eq!(
            DecoderAddress::new(512),
            Err(AddressError::Decoder { found: 512 })
        );
        assert_eq!(
            OutputBits::new(8),
            Err(AddressError::OutputBits { found: 8 })
        );
        assert_eq!(
            BinaryAddress::from_parts(DecoderAddress::MIN, 4),
            Err(AddressError::Pair { found: 4 })
        );
    }

    #[test]
    fn addresses_are_read_as_text() {
        assert_eq!("2048".parse(), Ok(KeyedAddress::MAX));
        assert_eq!("007".parse(), KeyedAddress::new(7));
        assert_eq!(
            "0".parse::<KeyedAddress>(),
            Err(AddressError::Keyed { found: 0 })
        );
        assert_eq!(
            "70000".parse::<KeyedAddress>(),
            Err(AddressError::Keyed { found: 70_000 })
        );
        for text in ["", "+1", "-1", " 1", "1 ", "1.5", "x", "\u{661}"] {
            assert_eq!(
                text.parse::<KeyedAddress>(),
                Err(AddressError::KeyedText),
                "{text:?}"
            );
        }
    }

    #[test]
    fn the_last_four_of_each_256_depend_on_the_numbering() {
        // derived from S-9.2.1 (January 2025), second-hand: rows 252 to 255 of its table.
        for address in KeyedAddress::all() {
            let last_four = address.get() % 256 == 0 || address.get() % 256 >= 253;
            assert_eq!(address.depends_on_numbering(), last_four, "keyed {address}");
        }
    }

    #[test]
    fn flat_numbers_fall_on_decoder_addresses_and_pairs() {
        // derived from RCN-213 numbering: number -> (decoder address, output counted from 1).
        for (number, decoder, output) in [
            (1, 1, 1),
            (4, 1, 4),
            (5, 2, 1),
            (8, 2, 4),
            (100, 25, 4),
            (512, 128, 4),
            (2040, 510, 4),
            (2044, 511, 4),
        ] {
            let binary = keyed(number).binary(Numbering::Linear);
            assert_eq!(
                (binary.decoder().get(), binary.pair() + 1),
                (decoder, output)
            );
        }
    }

    #[test]
    fn broadcast_is_decoder_address_511() {
        let broadcast: std::vec::Vec<_> = BinaryAddress::all()
            .filter(|address| address.is_broadcast())
            .map(BinaryAddress::get)
            .collect();
        assert_eq!(broadcast, [2044, 2045, 2046, 2047]);
    }

    #[test]
    fn errors_say_what_to_write() {
        assert_eq!(
            KeyedAddress::new(2049).unwrap_err().to_string(),
            "keyed address 2049 is out of range: addresses run from 1 to 2048"
        );
    }
}
