//! The accessory NOP.

use super::{InstructionError, accessory_bytes, binary_of, fixed, head};
use crate::address::BinaryAddress;
use crate::packet::Packet;

/// Nothing happens; bi-directional decoders up to this address may ask for attention.
///
/// clause: S-9.2.1 (2025) 2.4.6 and RCN-213 2.5, second-hand. Decoders without bi-directional
/// communication ignore it.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        10AAAAAA   0NNN1AAT   EEEEEEEE
/// AAAAAA  A7 to A2
/// NNN     A10 to A8, inverted
/// AA      A1 A0
/// T       0 = to basic decoders, 1 = to extended decoders
/// E       check byte
/// ```
///
/// ```
/// use throwproof_protocol::BinaryAddress;
/// use throwproof_protocol::instruction::AccessoryNop;
///
/// // derived: binary address 4.
/// let nop = AccessoryNop { address: BinaryAddress::new(4)?, extended: false };
/// assert_eq!(nop.emit().as_bytes(), [0b1000_0001, 0b0111_1000, 0b1111_1001]);
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AccessoryNop {
    /// The address: A10 to A0.
    pub address: BinaryAddress,
    /// Bit T: to extended decoders, or to basic ones.
    pub extended: bool,
}

impl AccessoryNop {
    const FORM_MASK: u8 = 0b1000_1000;
    const FORM: u8 = 0b0000_1000;

    /// Reads the packet.
    ///
    /// # Errors
    /// When it is not an accessory NOP.
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        let &[first, second, _] = accessory_bytes(packet)?;
        fixed(1, Self::FORM_MASK, Self::FORM, second)?;
        Ok(Self {
            address: binary_of(first, second),
            extended: second & 1 == 1,
        })
    }

    /// The packet.
    pub const fn emit(self) -> Packet {
        let kind = if self.extended { 1 } else { 0 };
        let low = Self::FORM | (self.address.pair() << 1) | kind;
        let [first, second] = head(self.address.decoder(), low);
        Packet::of_two(first, second)
    }
}
