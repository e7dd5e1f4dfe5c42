//! To everyone at once: accessory broadcasts, the emergency stop, the stop for locomotives.

use super::{BasicAccessory, ExtendedAccessory};
use crate::address::{BinaryAddress, DecoderAddress, OutputBits, PairBit, wide};
use crate::packet::Packet;

/// The same half of the same pair in every basic decoder.
///
/// clause: S-9.2.1 (July 2012), section D. RCN-213 does not have it, and the 2025 edition is said
/// to define it no longer (second-hand).
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        10111111   1000CDDD   EEEEEEEE
/// C    1 = activate, 0 = release
/// DDD  which of the eight outputs
/// E    check byte
/// ```
///
/// The bytes are those of basic accessory 2044 to 2047 (keyed 2041 to 2044 in linear numbering).
/// `C DDD = 0 110` is the [`EmergencyStop`] and is read as that.
///
/// ```
/// use throwproof_protocol::instruction::BasicBroadcast;
/// use throwproof_protocol::{Instruction, OutputBits};
///
/// let all = BasicBroadcast { activate: true, output: OutputBits::new(0)? };
/// let packet = Instruction::from(all).emit();
/// assert_eq!(packet.as_bytes(), [0b1011_1111, 0b1000_1000, 0b0011_0111]);
/// assert_eq!(Instruction::parse(&packet), Ok(Instruction::BasicBroadcast(all)));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BasicBroadcast {
    /// Bit C: activate, or release.
    pub activate: bool,
    /// Bits DDD: which output of each decoder.
    pub output: OutputBits,
}

impl BasicBroadcast {
    /// The same bytes read as a basic accessory packet.
    pub const fn as_basic(self) -> BasicAccessory {
        let number = DecoderAddress::MAX.first().get() | wide(self.output.pair());
        BasicAccessory {
            address: BinaryAddress::from_low_bits(number),
            pair_bit: self.output.pair_bit(),
            activate: self.activate,
        }
    }
}

/// The same data to every extended decoder.
///
/// clause: S-9.2.1 (July 2012), section D, with five bits of data; eight in RCN-213, second-hand.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4
///                        10111111   00000111   DDDDDDDD   EEEEEEEE
/// D    data; 0 is the emergency stop and is read as that
/// E    check byte
/// ```
///
/// ```
/// use throwproof_protocol::Instruction;
/// use throwproof_protocol::instruction::ExtendedBroadcast;
///
/// // derived: keyed 2044, aspect 5.
/// let packet = Instruction::from(ExtendedBroadcast { data: 5 }).emit();
/// assert_eq!(packet.as_bytes(), [0b1011_1111, 0b0000_0111, 0x05, 0xbd]);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ExtendedBroadcast {
    /// The data byte.
    pub data: u8,
}

impl ExtendedBroadcast {
    /// The same bytes read as an extended accessory packet.
    pub const fn as_extended(self) -> ExtendedAccessory {
        ExtendedAccessory {
            address: BinaryAddress::MAX,
            data: self.data,
        }
    }
}

/// All accessories stop.
///
/// clause: RCN-211, second-hand.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4
/// basic                  10111111   10000110   00111001
/// extended               10111111   00000111   00000000   10111000
/// ```
///
/// ```
/// use throwproof_protocol::Instruction;
/// use throwproof_protocol::instruction::EmergencyStop;
///
/// let packet = EmergencyStop::Basic.emit();
/// assert_eq!(packet.to_string(), "BF 86 39");
/// assert_eq!(Instruction::parse(&packet), Ok(Instruction::EmergencyStop(EmergencyStop::Basic)));
/// assert_eq!(EmergencyStop::Extended.emit().to_string(), "BF 07 00 B8");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EmergencyStop {
    /// To basic decoders.
    Basic,
    /// To extended decoders.
    Extended,
}

impl EmergencyStop {
    /// Bits DDD of the basic form.
    pub(super) const OUTPUT_BITS: u8 = 0b110;
    pub(super) const AS_BASIC: BasicAccessory = BasicAccessory {
        address: BinaryAddress::MAX,
        pair_bit: PairBit::Zero,
        activate: false,
    };
    pub(super) const AS_EXTENDED: ExtendedAccessory = ExtendedAccessory {
        address: BinaryAddress::MAX,
        data: 0,
    };

    /// The packet.
    pub const fn emit(self) -> Packet {
        match self {
            Self::Basic => Self::AS_BASIC.emit(),
            Self::Extended => Self::AS_EXTENDED.emit(),
        }
    }
}

/// All multi-function decoders stop.
///
/// clause: S-9.2 (July 2004), section B; the meaning of the bits from memory.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        00000000   01DC000S   EEEEEEEE
/// D    direction: 1 = forward
/// C    1 = the direction may be ignored
/// S    1 = no more energy to the motor, 0 = come to a stop
/// E    check byte, the same as byte 2
/// ```
///
/// ```
/// use throwproof_protocol::instruction::BroadcastStop;
///
/// let stop = BroadcastStop { forward: false, ignore_direction: true, at_once: true };
/// assert_eq!(stop.emit().as_bytes(), [0b0000_0000, 0b0101_0001, 0b0101_0001]);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BroadcastStop {
    /// Bit D.
    pub forward: bool,
    /// Bit C.
    pub ignore_direction: bool,
    /// Bit S.
    pub at_once: bool,
}

impl BroadcastStop {
    const FORM: u8 = 0b0100_0000;
    const FORWARD: u8 = 0b0010_0000;
    const IGNORE_DIRECTION: u8 = 0b0001_0000;
    const AT_ONCE: u8 = 0b0000_0001;
    const FIXED: u8 = !(Self::FORWARD | Self::IGNORE_DIRECTION | Self::AT_ONCE);

    /// Reads the packet, if it is one.
    pub fn parse(packet: &Packet) -> Option<Self> {
        match *packet.as_bytes() {
            [0, second, _] if second & Self::FIXED == Self::FORM => Some(Self {
                forward: second & Self::FORWARD != 0,
                ignore_direction: second & Self::IGNORE_DIRECTION != 0,
                at_once: second & Self::AT_ONCE != 0,
            }),
            _ => None,
        }
    }

    /// The packet.
    pub const fn emit(self) -> Packet {
        let mut second = Self::FORM;
        if self.forward {
            second |= Self::FORWARD;
        }
        if self.ignore_direction {
            second |= Self::IGNORE_DIRECTION;
        }
        if self.at_once {
            second |= Self::AT_ONCE;
        }
        Packet::of_two(0, second)
    }
}
