//! The basic accessory packet: half a pair of outputs, on or off.

use super::{InstructionError, accessory_bytes, binary_of, fixed, head};
use crate::address::{BinaryAddress, PairBit};
use crate::packet::Packet;

/// Activate or release one half of a pair of outputs.
///
/// clause: S-9.2.1 (July 2012), section D; bit names of S-9.2.1 (2025) and RCN-213, second-hand.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        10AAAAAA   1NNNDAAR   EEEEEEEE
/// AAAAAA  A7 to A2
/// NNN     A10 to A8, inverted
/// D       1 = activate, 0 = release
/// AA      A1 A0: the pair
/// R       which half of the pair: 1 = straight, proceed; 0 = diverging, stop
/// E       check byte
/// ```
///
/// The last three bits are DDD in the 2012 edition, which gives R no meaning of its own.
///
/// ```
/// use throwproof_protocol::{BasicAccessory, BinaryAddress, PairBit};
///
/// // derived: keyed 1 in linear numbering is binary 4 = 0 000 000001 00.
/// let basic = BasicAccessory::new(BinaryAddress::new(4)?, PairBit::One, true);
/// let packet = basic.emit();
/// assert_eq!(packet.as_bytes(), [0b1000_0001, 0b1111_1001, 0b0111_1000]);
/// assert_eq!(BasicAccessory::parse(&packet), Ok(basic));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BasicAccessory {
    /// The pair of outputs: A10 to A0.
    pub address: BinaryAddress,
    /// Bit R: which half of the pair.
    pub pair_bit: PairBit,
    /// Bit D: activate, or release.
    pub activate: bool,
}

impl BasicAccessory {
    const FORM: u8 = 0b1000_0000;
    const ACTIVATE: u8 = 0b0000_1000;

    /// From its three parts.
    pub const fn new(address: BinaryAddress, pair_bit: PairBit, activate: bool) -> Self {
        Self {
            address,
            pair_bit,
            activate,
        }
    }

    /// Reads the packet, whatever its address: broadcasts and the emergency stop too.
    ///
    /// # Errors
    /// When it is not a basic accessory packet.
    #[inline]
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        let &[first, second, _] = accessory_bytes(packet)?;
        fixed(1, Self::FORM, Self::FORM, second)?;
        Ok(Self {
            address: binary_of(first, second),
            pair_bit: PairBit::from_bit(second & 1 == 1),
            activate: second & Self::ACTIVATE != 0,
        })
    }

    /// The packet.
    #[inline]
    pub const fn emit(self) -> Packet {
        let activate = if self.activate { Self::ACTIVATE } else { 0 };
        let low = Self::FORM | activate | (self.address.pair() << 1) | self.pair_bit.as_u8();
        let [first, second] = head(self.address.decoder(), low);
        Packet::of_two(first, second)
    }

    /// The same half of the same pair, released.
    #[must_use]
    pub const fn released(self) -> Self {
        Self {
            activate: false,
            ..self
        }
    }
}
