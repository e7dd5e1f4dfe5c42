//! Configuration variables of accessory decoders: numbers, bits, the address in them.

use core::fmt;

use crate::clause::Clause;

mod address;
mod configuration;

pub use address::{AddressCvs, AddressMethod};
pub use configuration::Cv29;

/// A CV number, a bit or an address CV that is out of range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum CvError {
    /// A CV number other than 1 to 1024.
    #[error("cv {found} is out of range: cvs run from 1 to 1024")]
    Number {
        /// The number given.
        found: u16,
    },
    /// A bit position other than 0 to 7.
    #[error("bit {found} is out of range: a cv has bits 0 to 7")]
    Bit {
        /// The position given.
        found: u8,
    },
    /// CV1 holds more than its method allows.
    #[error("cv1 holds {found}, but by the decoder-address method its most is {expected}")]
    LowAddress {
        /// The most allowed.
        expected: u8,
        /// The value given.
        found: u8,
    },
    /// CV9 holds more than three bits.
    #[error("cv9 holds {found}, but its most is {expected}")]
    HighAddress {
        /// The most allowed.
        expected: u8,
        /// The value given.
        found: u8,
    },
}

impl CvError {
    /// The clause that sets the range.
    pub const fn clause(self) -> Clause {
        Clause::CVS
    }
}

/// The number of a CV: 1 to 1024. Packets carry the number less one, ten bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CvNumber(u16);

impl CvNumber {
    /// The lowest: 1.
    pub const MIN: Self = Self(1);
    /// The highest: 1024. The service-mode text counts to 1023 only (S-9.2.3, 2012).
    pub const MAX: Self = Self(1024);
    /// Low part of the address (alias 513).
    pub const ADDRESS_LOW: Self = Self(1);
    /// On-time of the first output (alias 515); 0 is continuous, the unit is not given.
    pub const ON_TIME_1: Self = Self(3);
    /// On-time of the second output (alias 516).
    pub const ON_TIME_2: Self = Self(4);
    /// On-time of the third output (alias 517).
    pub const ON_TIME_3: Self = Self(5);
    /// On-time of the fourth output (alias 518).
    pub const ON_TIME_4: Self = Self(6);
    /// Version (alias 519).
    pub const VERSION: Self = Self(7);
    /// Manufacturer (alias 520).
    pub const MANUFACTURER: Self = Self(8);
    /// High part of the address (alias 521).
    pub const ADDRESS_HIGH: Self = Self(9);
    /// Configuration, see [`Cv29`] (alias 541).
    pub const CONFIGURATION: Self = Self(29);

    const FIELD: u16 = 0x3ff;
    const ALIAS_STEP: u16 = 512;

    /// A CV number.
    ///
    /// # Errors
    /// When it is not in 1 to 1024.
    pub const fn new(number: u16) -> Result<Self, CvError> {
        if number >= Self::MIN.0 && number <= Self::MAX.0 {
            Ok(Self(number))
        } else {
            Err(CvError::Number { found: number })
        }
    }

    /// The number a person uses: 1 to 1024.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// The ten bits in packets: the number less one.
    pub const fn field(self) -> u16 {
        self.0.wrapping_sub(1) & Self::FIELD
    }

    /// From the ten bits in a packet: the two low bits of the first byte, then the second byte.
    pub const fn from_field(high: u8, low: u8) -> Self {
        // At most 1023, so one more cannot wrap.
        Self((u16::from_be_bytes([high, low]) & Self::FIELD).wrapping_add(1))
    }

    /// The two high bits of the field, and its low byte.
    pub(crate) const fn field_bytes(self) -> [u8; 2] {
        self.field().to_be_bytes()
    }

    /// Every CV number, lowest first.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> + Clone {
        (Self::MIN.0..=Self::MAX.0).map(Self)
    }

    /// The other number of the same CV of an accessory decoder: 1 is also 513, 29 is also 541.
    ///
    /// `None` when the CV has one number only. S-9.2.2 (July 2012), table 3.
    pub const fn alias(self) -> Option<Self> {
        let low = match self.0.checked_sub(Self::ALIAS_STEP) {
            Some(low) => low,
            None => self.0,
        };
        match low {
            1..=9 | 28 | 29 => Some(Self(if low == self.0 {
                // `low` is at most 29.
                low.wrapping_add(Self::ALIAS_STEP)
            } else {
                low
            })),
            _ => None,
        }
    }

    /// The lower number of the same CV.
    #[must_use]
    pub const fn canonical(self) -> Self {
        match self.alias() {
            Some(other) if other.0 < self.0 => other,
            _ => self,
        }
    }
}

impl fmt::Display for CvNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl TryFrom<u16> for CvNumber {
    type Error = CvError;

    fn try_from(number: u16) -> Result<Self, CvError> {
        Self::new(number)
    }
}

/// One bit of a CV and the value it has or is to have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CvBit {
    position: u8,
    value: bool,
}

impl CvBit {
    /// A bit by its position, 0 to 7, and its value.
    ///
    /// # Errors
    /// When the position is not in 0 to 7.
    pub const fn new(position: u8, value: bool) -> Result<Self, CvError> {
        if position <= 7 {
            Ok(Self { position, value })
        } else {
            Err(CvError::Bit { found: position })
        }
    }

    /// A bit by the three low bits of a number.
    pub(crate) const fn from_low_bits(position: u8, value: bool) -> Self {
        Self {
            position: position & 0b111,
            value,
        }
    }

    /// The position: 0 to 7.
    pub const fn position(self) -> u8 {
        self.position
    }

    /// The value.
    pub const fn value(self) -> bool {
        self.value
    }

    /// Has this CV value the bit at that value?
    pub const fn agrees_with(self, cv: u8) -> bool {
        (cv & self.mask() != 0) == self.value
    }

    /// The CV value with this bit put to that value.
    #[must_use]
    pub const fn applied_to(self, cv: u8) -> u8 {
        if self.value {
            cv | self.mask()
        } else {
            cv & !self.mask()
        }
    }

    const fn mask(self) -> u8 {
        // The position is at most 7.
        1_u8.wrapping_shl(u32::from_be_bytes([0, 0, 0, self.position]))
    }
}

/// What is done to one CV: bits CC of the packet, and its data byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CvOperation {
    /// CC = 01: does the CV hold this value?
    VerifyByte(u8),
    /// CC = 11: put this value into the CV.
    WriteByte(u8),
    /// CC = 10, data `1110DBBB`: has the bit this value?
    VerifyBit(CvBit),
    /// CC = 10, data `1111DBBB`: put this value into the bit.
    WriteBit(CvBit),
}

impl CvOperation {
    /// Bits CC.
    pub(crate) const fn code(self) -> u8 {
        match self {
            Self::VerifyByte(_) => 0b01,
            Self::WriteByte(_) => 0b11,
            Self::VerifyBit(_) | Self::WriteBit(_) => 0b10,
        }
    }

    /// The data byte.
    pub(crate) const fn data(self) -> u8 {
        const BIT: u8 = 0b1110_0000;
        const WRITE: u8 = 0b0001_0000;
        const VALUE: u8 = 0b0000_1000;
        match self {
            Self::VerifyByte(value) | Self::WriteByte(value) => value,
            Self::VerifyBit(CvBit {
                position,
                value: false,
            }) => BIT | position,
            Self::VerifyBit(CvBit {
                position,
                value: true,
            }) => BIT | VALUE | position,
            Self::WriteBit(CvBit {
                position,
                value: false,
            }) => BIT | WRITE | position,
            Self::WriteBit(CvBit {
                position,
                value: true,
            }) => BIT | WRITE | VALUE | position,
        }
    }

    /// From bits CC and the data byte.
    pub(crate) const fn from_parts(code: u8, data: u8) -> Result<Self, OperationFault> {
        match code & 0b11 {
            0b01 => Ok(Self::VerifyByte(data)),
            0b11 => Ok(Self::WriteByte(data)),
            0b10 if data & 0b1110_0000 == 0b1110_0000 => {
                let bit = CvBit {
                    position: data & 0b111,
                    value: data & 0b1000 != 0,
                };
                Ok(if data & 0b1_0000 == 0 {
                    Self::VerifyBit(bit)
                } else {
                    Self::WriteBit(bit)
                })
            }
            0b10 => Err(OperationFault::BitData),
            _ => Err(OperationFault::ReservedCode),
        }
    }

    /// Does it change the CV?
    pub const fn is_write(self) -> bool {
        matches!(self, Self::WriteByte(_) | Self::WriteBit(_))
    }
}

/// Why CC and the data byte name no operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum OperationFault {
    /// CC = 00.
    ReservedCode,
    /// CC = 10 and data that does not start `111`.
    BitData,
}

impl fmt::Display for CvOperation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::VerifyByte(value) => write!(f, "verify that it holds {value}"),
            Self::WriteByte(value) => write!(f, "write {value}"),
            Self::VerifyBit(bit) => {
                write!(
                    f,
                    "verify that bit {} is {}",
                    bit.position,
                    u8::from(bit.value)
                )
            }
            Self::WriteBit(bit) => {
                write!(f, "write bit {} as {}", bit.position, u8::from(bit.value))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_sent_less_one() {
        // clause: S-9.2.1 (July 2012), appendix A: CV513 is sent as 10 00000000.
        let cv = CvNumber::new(513).unwrap();
        assert_eq!(cv.field(), 0b10_0000_0000);
        assert_eq!(CvNumber::from_field(0b10, 0), cv);
        for cv in CvNumber::all() {
            let [high, low] = cv.field_bytes();
            assert_eq!(CvNumber::from_field(high, low), cv);
        }
        assert_eq!(CvNumber::new(0), Err(CvError::Number { found: 0 }));
        assert_eq!(CvNumber::new(1025), Err(CvError::Number { found: 1025 }));
    }

    #[test]
    fn old_numbers_name_the_same_cv() {
        // clause: S-9.2.2 (July 2012), table 3.
        for (cv, alias) in [
            (1, Some(513)),
            (3, Some(515)),
            (4, Some(516)),
            (5, Some(517)),
            (6, Some(518)),
            (9, Some(521)),
            (29, Some(541)),
            (513, Some(1)),
            (541, Some(29)),
            (10, None),
            (33, None),
            (512, None),
            (1024, None),
        ] {
            let found = CvNumber::new(cv).unwrap().alias().map(CvNumber::get);
            assert_eq!(found, alias, "cv {cv}");
        }
        for cv in CvNumber::all() {
            if let Some(alias) = cv.alias() {
                assert_eq!(alias.alias(), Some(cv));
                assert_eq!(alias.canonical(), cv.canonical());
            }
        }
    }

    #[test]
    fn operations_survive_their_bits() {
        for code in 0..4 {
            for data in 0..=255 {
                if let Ok(operation) = CvOperation::from_parts(code, data) {
                    assert_eq!((operation.code(), operation.data()), (code, data));
                }
            }
        }
        assert_eq!(
            CvOperation::from_parts(0, 5),
            Err(OperationFault::ReservedCode)
        );
        assert_eq!(
            CvOperation::from_parts(2, 0xdf),
            Err(OperationFault::BitData)
        );
    }

    #[test]
    fn a_bit_is_compared_and_put() {
        let bit = CvBit::new(3, true).unwrap();
        assert!(bit.agrees_with(0x08) && !bit.agrees_with(0xf7));
        assert_eq!(bit.applied_to(0), 0x08);
        assert_eq!(CvBit::new(7, false).unwrap().applied_to(0xff), 0x7f);
        assert_eq!(CvBit::new(8, true), Err(CvError::Bit { found: 8 }));
    }
}
