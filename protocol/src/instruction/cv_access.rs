//! CV access in operations mode, "programming on the main".

use super::{ExtendedAccessory, InstructionError, accessory_bytes, binary_of, decoder_of, head};
use crate::address::{BinaryAddress, DecoderAddress, OutputBits, PairBit};
use crate::cv::{CvNumber, CvOperation, OperationFault};
use crate::packet::Packet;

/// Whose CV is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CvTarget {
    /// A basic decoder as a whole: `CDDD` = 0000. In the 2012 edition only.
    Decoder(DecoderAddress),
    /// One output of a basic decoder: `1DDD` in the 2012 edition. RCN-214 (second-hand) has
    /// `1AA0`, the pair with the low bit 0: see [`CvTarget::pair`].
    Output(DecoderAddress, OutputBits),
    /// An extended decoder.
    Extended(BinaryAddress),
}

impl CvTarget {
    /// One pair of a basic decoder in the form of RCN-214 (second-hand): `1AA0`.
    pub const fn pair(address: BinaryAddress) -> Self {
        Self::Output(address.decoder(), OutputBits::of(address, PairBit::Zero))
    }

    /// The pair, when the form is that of RCN-214 (second-hand): `1AA0`.
    ///
    /// The same bits are output 0, 2, 4 or 6 in the 2012 edition.
    pub const fn as_pair(self) -> Option<BinaryAddress> {
        match self {
            Self::Output(decoder, output) => match (output.pair_bit(), output.pair()) {
                (PairBit::Zero, pair) => match BinaryAddress::from_parts(decoder, pair) {
                    Ok(address) => Some(address),
                    Err(_) => None,
                },
                (PairBit::One, _) => None,
            },
            Self::Decoder(_) | Self::Extended(_) => None,
        }
    }
}

/// CV access in operations mode.
///
/// clause: S-9.2.1 (July 2012), section D; the pair form RCN-214, second-hand. A write counts only
/// when the decoder gets two identical packets with no other packet to it between them.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4     byte 5     byte 6
/// whole basic decoder    10AAAAAA   1NNN0000   1110CCVV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// one output             10AAAAAA   1NNN1OOO   1110CCVV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// one pair, RCN-214      10AAAAAA   1NNN1AA0   1110CCVV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// extended decoder       10AAAAAA   0NNN0AA1   1110CCVV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// AAAAAA  A7 to A2
/// NNN     A10 to A8, inverted
/// CC      01 = verify byte, 11 = write byte, 10 = bit, 00 = reserved
/// V       CV number less one
/// D       the value; for a bit 111KDBBB with K = 1 to write, D the value, BBB the position
/// E       check byte
/// ```
///
/// ```
/// use throwproof_protocol::instruction::{AccessoryCv, CvTarget};
/// use throwproof_protocol::{BinaryAddress, CvNumber, CvOperation};
///
/// // derived: the pair of binary address 4, CV1 := 5.
/// let access = AccessoryCv {
///     target: CvTarget::pair(BinaryAddress::new(4)?),
///     cv: CvNumber::ADDRESS_LOW,
///     operation: CvOperation::WriteByte(5),
/// };
/// let packet = access.emit();
/// assert_eq!(packet.as_bytes(), [0x81, 0xf8, 0xec, 0x00, 0x05, 0x90]);
/// assert_eq!(AccessoryCv::parse(&packet), Ok(access));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AccessoryCv {
    /// Whose CV.
    pub target: CvTarget,
    /// Which CV.
    pub cv: CvNumber,
    /// What is done to it.
    pub operation: CvOperation,
}

impl AccessoryCv {
    const BASIC: u8 = 0b1000_0000;
    const ONE_OUTPUT: u8 = 0b0000_1000;
    const ACCESS_MASK: u8 = 0b1111_0000;
    const ACCESS: u8 = 0b1110_0000;

    /// Reads the packet.
    ///
    /// # Errors
    /// When it is not accessory CV access, CC is reserved, or the data of a bit does not start
    /// with 111.
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        let &[first, second, third, low, data, _] = accessory_bytes(packet)?;
        let target = if second & Self::BASIC == 0 {
            super::fixed(
                1,
                ExtendedAccessory::FORM_MASK,
                ExtendedAccessory::FORM,
                second,
            )?;
            CvTarget::Extended(binary_of(first, second))
        } else if second & Self::ONE_OUTPUT == 0 {
            super::fixed(1, 0b1000_1111, Self::BASIC, second)?;
            CvTarget::Decoder(decoder_of(first, second))
        } else {
            CvTarget::Output(decoder_of(first, second), OutputBits::from_low_bits(second))
        };
        super::fixed(2, Self::ACCESS_MASK, Self::ACCESS, third)?;
        let operation = CvOperation::from_parts(third >> 2, data).map_err(|fault| match fault {
            OperationFault::ReservedCode => InstructionError::ReservedOperation {
                offset: 2,
                found: third,
            },
            OperationFault::BitData => InstructionError::BitData {
                offset: 4,
                found: data,
            },
        })?;
        Ok(Self {
            target,
            cv: CvNumber::from_field(third, low),
            operation,
        })
    }

    /// The packet.
    pub const fn emit(self) -> Packet {
        let [first, second] = match self.target {
            CvTarget::Decoder(decoder) => head(decoder, Self::BASIC),
            CvTarget::Output(decoder, output) => {
                head(decoder, Self::BASIC | Self::ONE_OUTPUT | output.get())
            }
            CvTarget::Extended(address) => head(
                address.decoder(),
                ExtendedAccessory::FORM | (address.pair() << 1),
            ),
        };
        let [high, low] = self.cv.field_bytes();
        let third = Self::ACCESS | (self.operation.code() << 2) | high;
        Packet::of_five([first, second, third, low, self.operation.data()])
    }
}
