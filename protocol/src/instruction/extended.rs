//! The extended accessory packet: eight bits of data to one address.

use super::{
    InstructionError, SignalReading, SwitchingTime, accessory_bytes, binary_of, fixed, head,
};
use crate::address::BinaryAddress;
use crate::packet::Packet;

/// Send eight bits of data to one address.
///
/// clause: S-9.2.1 (July 2012), section D, which uses the five low bits of the data only; eight
/// bits by S-9.2.1 (2025) and RCN-213, second-hand.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4
///                        10AAAAAA   0NNN0AA1   DDDDDDDD   EEEEEEEE
/// AAAAAA  A7 to A2
/// NNN     A10 to A8, inverted
/// AA      A1 A0
/// D       data: 0 is absolute stop on a signal; the rest is as the decoder has it
/// E       check byte
/// ```
///
/// ```
/// use throwproof_protocol::{BinaryAddress, ExtendedAccessory};
///
/// // S-9.2.1 (January 2025), second-hand: 81 77 15 is extended, aspect 15 hexadecimal.
/// let extended = ExtendedAccessory::new(BinaryAddress::new(7)?, 0x15);
/// let packet = extended.emit();
/// assert_eq!(packet.as_bytes(), [0b1000_0001, 0b0111_0111, 0x15, 0xe3]);
/// assert_eq!(ExtendedAccessory::parse(&packet), Ok(extended));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ExtendedAccessory {
    /// The address: A10 to A0.
    pub address: BinaryAddress,
    /// The data byte.
    pub data: u8,
}

impl ExtendedAccessory {
    pub(super) const FORM_MASK: u8 = 0b1000_1001;
    pub(super) const FORM: u8 = 0b0000_0001;

    /// From its two parts.
    pub const fn new(address: BinaryAddress, data: u8) -> Self {
        Self { address, data }
    }

    /// Reads the packet, whatever its address: the broadcast and the emergency stop too.
    ///
    /// # Errors
    /// When it is not an extended accessory packet.
    #[inline]
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        let &[first, second, data, _] = accessory_bytes(packet)?;
        fixed(1, Self::FORM_MASK, Self::FORM, second)?;
        Ok(Self {
            address: binary_of(first, second),
            data,
        })
    }

    /// The packet.
    #[inline]
    pub const fn emit(self) -> Packet {
        let low = Self::FORM | (self.address.pair() << 1);
        let [first, second] = head(self.address.decoder(), low);
        Packet::of_three([first, second, self.data])
    }

    /// The data read as a turnout's switching time. Only right when the decoder reads it so.
    pub const fn switching_time(self) -> SwitchingTime {
        SwitchingTime::from_data(self.data)
    }

    /// The data read as a signal aspect by NEM 672. Only right when the decoder reads it so.
    pub const fn signal(self) -> SignalReading {
        SignalReading::from_data(self.data)
    }
}
