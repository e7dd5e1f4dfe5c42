//! The decoder's own address, held in CV1 and CV9.

use super::CvError;
use crate::address::{BinaryAddress, DecoderAddress, KeyedAddress, Numbering, low_byte, wide};

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

#[cfg(test)]
mod tests {
    use super::*;

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
}
