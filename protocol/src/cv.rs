//! Configuration variables of accessory decoders: numbers, bits, the address in them.

use core::fmt;

use crate::address::{BinaryAddress, DecoderAddress, KeyedAddress, Numbering};
use crate::address::{low_byte, wide};
use crate::clause::Clause;

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

/// How CV1 and CV9 hold the address: bit 6 of CV29.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AddressMethod {
    /// Bit 6 = 0: CV1 is A7 to A2 (six bits), CV9 is A10 to A8; the decoder has four pairs.
    Decoder,
    /// Bit 6 = 1: CV1 and CV9 are the low and high part of the first output's number.
    Output,
}

/// The values of CV1 and CV9.
///
/// By either method, CV1 = 1 and CV9 = 0 is keyed address 1 in linear numbering, binary 4
/// (S-9.2.2, 2012, in prose; RCN-213 second-hand). The formula printed there for the output
/// method, `output = CV1 + 256 x CV9 - 1`, gives binary 0 instead and so contradicts that prose.
/// The reading that agrees with both texts, used here (derived): the number in the CVs is the
/// linear keyed address `a = CV1 + 256 x CV9`, and the binary address is `(a + 3) mod 2048`.
/// Decoders that follow the printed formula answer four lower: see
/// [`AddressCvs::binary_by_printed_formula`].
///
/// ```
/// use throwproof_protocol::cv::AddressCvs;
/// use throwproof_protocol::{DecoderAddress, KeyedAddress};
///
/// // derived from S-9.2.2 (July 2012): decoder address 26 holds keyed 101.
/// assert_eq!(AddressCvs::for_decoder(DecoderAddress::new(26)?), AddressCvs { low: 26, high: 0 });
/// // derived from S-9.2.2 (July 2012): 1044 = 4 x 256 + 20.
/// assert_eq!(AddressCvs::for_output(KeyedAddress::new(1044)?), AddressCvs { low: 20, high: 4 });
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AddressCvs {
    /// CV1 (alias 513).
    pub low: u8,
    /// CV9 (alias 521).
    pub high: u8,
}

impl AddressCvs {
    /// Most that CV1 holds by the decoder method: six bits.
    const DECODER_LOW_MAX: u8 = 63;
    /// Most that CV9 holds: three bits.
    const HIGH_MAX: u8 = 7;

    /// The factory values: CV1 = 1, CV9 = 0.
    pub const DEFAULT: Self = Self { low: 1, high: 0 };

    /// By the decoder method.
    pub const fn for_decoder(decoder: DecoderAddress) -> Self {
        Self {
            low: low_byte(decoder.get() & 0x3f),
            high: low_byte(decoder.get() >> 6),
        }
    }

    /// By the output method, for the linear keyed address of the first output.
    ///
    /// 2048 does not fit into CV9's three bits and is held as 0 (derived: both are binary 3).
    pub const fn for_output(first: KeyedAddress) -> Self {
        let [high, low] = (first.get() & 0x7ff).to_be_bytes();
        Self { low, high }
    }

    /// By either method, for the binary address of the first output.
    ///
    /// The decoder method holds no pair: the other outputs of its decoder address come with it.
    pub const fn for_binary(first: BinaryAddress, method: AddressMethod) -> Self {
        match method {
            AddressMethod::Decoder => Self::for_decoder(first.decoder()),
            AddressMethod::Output => Self::for_output(first.keyed(Numbering::Linear)),
        }
    }

    /// The decoder address, by the decoder method.
    ///
    /// # Errors
    /// When CV1 is above 63 or CV9 above 7.
    pub const fn decoder(self) -> Result<DecoderAddress, CvError> {
        if self.low > Self::DECODER_LOW_MAX {
            Err(CvError::LowAddress {
                expected: Self::DECODER_LOW_MAX,
                found: self.low,
            })
        } else if self.high > Self::HIGH_MAX {
            Err(CvError::HighAddress {
                expected: Self::HIGH_MAX,
                found: self.high,
            })
        } else {
            Ok(DecoderAddress::from_low_bits(
                (wide(self.high) << 6) | wide(self.low),
            ))
        }
    }

    /// The linear keyed address of the first output, by the output method.
    ///
    /// # Errors
    /// When CV9 is above 7.
    pub const fn output(self) -> Result<KeyedAddress, CvError> {
        match self.binary(AddressMethod::Output) {
            Ok(address) => Ok(address.keyed(Numbering::Linear)),
            Err(error) => Err(error),
        }
    }

    /// The binary address of the first output, by either method.
    ///
    /// # Errors
    /// When a CV holds more than the method allows.
    pub const fn binary(self, method: AddressMethod) -> Result<BinaryAddress, CvError> {
        match method {
            AddressMethod::Decoder => match self.decoder() {
                Ok(decoder) => Ok(decoder.first()),
                Err(error) => Err(error),
            },
            AddressMethod::Output => self.moved_by(3),
        }
    }

    /// The binary address of the first output by the formula as printed in S-9.2.2 (July 2012),
    /// which contradicts the prose beside it; some decoders may follow it.
    ///
    /// # Errors
    /// When CV9 is above 7.
    pub const fn binary_by_printed_formula(self) -> Result<BinaryAddress, CvError> {
        // One less, modulo 2048.
        self.moved_by(0x7ff)
    }

    const fn moved_by(self, step: u16) -> Result<BinaryAddress, CvError> {
        if self.high > Self::HIGH_MAX {
            return Err(CvError::HighAddress {
                expected: Self::HIGH_MAX,
                found: self.high,
            });
        }
        let number = u16::from_be_bytes([self.high, self.low]);
        Ok(BinaryAddress::from_low_bits(number.wrapping_add(step)))
    }
}

impl TryFrom<AddressCvs> for DecoderAddress {
    type Error = CvError;

    fn try_from(cvs: AddressCvs) -> Result<Self, CvError> {
        cvs.decoder()
    }
}

/// CV29 (alias 541) of an accessory decoder. S-9.2.2 (July 2012), table 3.
///
/// ```text
/// bit 7        1 = accessory decoder
/// bit 6        0 = decoder-address method, 1 = output-address method
/// bit 5        0 = basic, 1 = extended
/// bit 3        1 = bi-directional communication on
/// bits 4, 2-0  reserved
/// ```
///
/// ```
/// use throwproof_protocol::cv::{AddressMethod, Cv29};
///
/// let cv = Cv29(0x80);
/// assert!(cv.is_accessory() && !cv.is_extended());
/// assert_eq!(cv.address_method(), AddressMethod::Decoder);
/// assert_eq!(cv.with_address_method(AddressMethod::Output), Cv29(0xc0));
/// ```
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cv29(pub u8);

impl Cv29 {
    const BIDI: u8 = 1 << 3;
    const EXTENDED: u8 = 1 << 5;
    const OUTPUT_METHOD: u8 = 1 << 6;
    const ACCESSORY: u8 = 1 << 7;

    /// Bit 7: is it an accessory decoder?
    pub const fn is_accessory(self) -> bool {
        self.0 & Self::ACCESSORY != 0
    }

    /// Bit 6: how the address is held.
    pub const fn address_method(self) -> AddressMethod {
        if self.0 & Self::OUTPUT_METHOD == 0 {
            AddressMethod::Decoder
        } else {
            AddressMethod::Output
        }
    }

    /// Bit 5: does it take extended packets?
    pub const fn is_extended(self) -> bool {
        self.0 & Self::EXTENDED != 0
    }

    /// Bit 3: is bi-directional communication on?
    pub const fn is_bidi(self) -> bool {
        self.0 & Self::BIDI != 0
    }

    /// With bit 7 so.
    #[must_use]
    pub const fn with_accessory(self, on: bool) -> Self {
        self.with(Self::ACCESSORY, on)
    }

    /// With bit 6 so.
    #[must_use]
    pub const fn with_address_method(self, method: AddressMethod) -> Self {
        self.with(Self::OUTPUT_METHOD, matches!(method, AddressMethod::Output))
    }

    /// With bit 5 so.
    #[must_use]
    pub const fn with_extended(self, on: bool) -> Self {
        self.with(Self::EXTENDED, on)
    }

    /// With bit 3 so.
    #[must_use]
    pub const fn with_bidi(self, on: bool) -> Self {
        self.with(Self::BIDI, on)
    }

    const fn with(self, mask: u8, on: bool) -> Self {
        Self(if on { self.0 | mask } else { self.0 & !mask })
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
    fn both_methods_answer_the_same_packet_at_the_factory_values() {
        // clause: S-9.2.2 (July 2012), prose on CV29 bit 6; binary 4 by RCN-213, second-hand.
        let four = BinaryAddress::new(4);
        for method in [AddressMethod::Decoder, AddressMethod::Output] {
            assert_eq!(AddressCvs::DEFAULT.binary(method).ok(), four.ok());
        }
        assert_eq!(
            AddressCvs::DEFAULT
                .binary_by_printed_formula()
                .map(BinaryAddress::get),
            Ok(0),
            "the printed formula contradicts the prose by four"
        );
    }

    #[test]
    fn every_address_is_held_by_both_methods() {
        for decoder in DecoderAddress::all() {
            assert_eq!(AddressCvs::for_decoder(decoder).decoder(), Ok(decoder));
        }
        for keyed in KeyedAddress::all() {
            assert_eq!(AddressCvs::for_output(keyed).output(), Ok(keyed));
        }
        for first in BinaryAddress::all() {
            let cvs = AddressCvs::for_binary(first, AddressMethod::Output);
            assert!(cvs.high <= 7);
            assert_eq!(cvs.binary(AddressMethod::Output), Ok(first));
            let cvs = AddressCvs::for_binary(first, AddressMethod::Decoder);
            assert_eq!(
                cvs.binary(AddressMethod::Decoder),
                Ok(first.decoder().first())
            );
        }
    }

    #[test]
    fn values_beyond_the_method_are_named() {
        let cvs = AddressCvs { low: 64, high: 0 };
        assert_eq!(
            cvs.decoder(),
            Err(CvError::LowAddress {
                expected: 63,
                found: 64
            })
        );
        assert_eq!(cvs.output().map(KeyedAddress::get), Ok(64));
        let cvs = AddressCvs { low: 0, high: 8 };
        let error = CvError::HighAddress {
            expected: 7,
            found: 8,
        };
        assert_eq!(cvs.decoder(), Err(error));
        assert_eq!(cvs.output(), Err(error));
    }

    #[test]
    fn bits_of_cv29_stand_where_the_table_puts_them() {
        // clause: S-9.2.2 (July 2012), table 3, CV541.
        assert_eq!(Cv29(0).with_accessory(true).0, 0b1000_0000);
        assert_eq!(
            Cv29(0).with_address_method(AddressMethod::Output).0,
            0b0100_0000
        );
        assert_eq!(Cv29(0).with_extended(true).0, 0b0010_0000);
        assert_eq!(Cv29(0).with_bidi(true).0, 0b0000_1000);
        assert!(Cv29(0x08).is_bidi() && !Cv29(0xf7).is_bidi());
        assert_eq!(Cv29(0xff).with_extended(false).0, 0xdf);
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
