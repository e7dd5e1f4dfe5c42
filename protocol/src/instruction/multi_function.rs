//! Packets for locomotives, and packets of reserved ranges: recognised, kept whole.

use core::fmt;

use crate::packet::{Packet, Partition};

/// Whom a multi-function packet is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MultiFunctionAddress {
    /// All multi-function decoders: first byte 0.
    Broadcast,
    /// A short address, 1 to 127.
    Short(u8),
    /// A long address: 14 bits in two bytes, the first of them 192 to 231.
    Long(u16),
}

/// What a multi-function packet is about: the top three bits of its instruction byte.
///
/// From memory of S-9.2.1, multi-function section; accessory work needs no more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MultiFunctionKind {
    /// 000: decoder and consist control.
    Control,
    /// 001: advanced operations.
    Advanced,
    /// 010 and 011: speed and direction, `01DCSSSS`.
    Speed(SpeedAndDirection),
    /// 100: functions, first group.
    FunctionsOne,
    /// 101: functions, second group.
    FunctionsTwo,
    /// 110: further functions and model time.
    Further,
    /// 111: CV access.
    CvAccess,
}

/// `01DCSSSS`, read as 28 speed steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SpeedAndDirection {
    /// Bit D.
    pub forward: bool,
    /// Bits SSSS then C: 0 and 1 stop, 2 and 3 emergency stop, then the steps.
    pub code: u8,
}

impl SpeedAndDirection {
    /// The step, 1 to 28; `None` when it is a stop.
    pub const fn step(self) -> Option<u8> {
        match self.code.checked_sub(3) {
            Some(0) | None => None,
            Some(step) => Some(step),
        }
    }
}

/// A packet for locomotives, kept whole.
///
/// clause: S-9.2.1 (July 2012), section A: first byte 0 (broadcast), 1 to 127 (short address),
/// 192 to 231 (long address).
///
/// ```text
/// in the order sent      byte 1     byte 2     more       last byte
/// short address          0AAAAAAA   KKKxxxxx   ...        EEEEEEEE
/// long address           11AAAAAA   AAAAAAAA   KKKxxxxx   EEEEEEEE
/// KKK  what it is about
/// E    check byte
/// ```
///
/// ```
/// use throwproof_protocol::instruction::{MultiFunctionAddress, MultiFunctionKind};
/// use throwproof_protocol::{Instruction, Packet};
///
/// // clause: S-9.2 (July 2004), section B: locomotive 55, forward, step 6 of 28.
/// let packet = Packet::parse_hex("37 74 43")?;
/// let Ok(Instruction::MultiFunction(loco)) = Instruction::parse(&packet) else { panic!() };
/// assert_eq!(loco.address(), MultiFunctionAddress::Short(55));
/// let Some(MultiFunctionKind::Speed(speed)) = loco.kind() else { panic!() };
/// assert!(speed.forward);
/// assert_eq!(speed.step(), Some(6));
/// # Ok::<(), throwproof_protocol::packet::PacketTextError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MultiFunction(Packet);

impl MultiFunction {
    /// Keeps a packet of partition broadcast, short or long.
    pub(super) const fn keep(packet: Packet) -> Self {
        Self(packet)
    }

    /// The packet.
    pub const fn packet(self) -> Packet {
        self.0
    }

    /// Whom it is for.
    pub fn address(self) -> MultiFunctionAddress {
        match (self.0.partition(), self.0.as_bytes()) {
            (Partition::Short, &[first, ..]) => MultiFunctionAddress::Short(first),
            (Partition::Long, &[first, second, ..]) => {
                MultiFunctionAddress::Long(u16::from_be_bytes([first & 0x3f, second]))
            }
            _ => MultiFunctionAddress::Broadcast,
        }
    }

    /// The bytes between address and check byte.
    pub fn instruction_bytes(&self) -> &[u8] {
        let address_len = match self.0.partition() {
            Partition::Long => 2,
            Partition::Broadcast
            | Partition::Short
            | Partition::Accessory
            | Partition::Reserved
            | Partition::Advanced
            | Partition::Idle => 1,
        };
        self.0.body().get(address_len..).unwrap_or_default()
    }

    /// What it is about; `None` when nothing follows a long address.
    pub fn kind(self) -> Option<MultiFunctionKind> {
        self.instruction_bytes()
            .first()
            .map(|&byte| match byte >> 5 {
                0 => MultiFunctionKind::Control,
                1 => MultiFunctionKind::Advanced,
                2 | 3 => MultiFunctionKind::Speed(SpeedAndDirection {
                    forward: byte & 0b0010_0000 != 0,
                    code: ((byte & 0x0f) << 1) | ((byte >> 4) & 1),
                }),
                4 => MultiFunctionKind::FunctionsOne,
                5 => MultiFunctionKind::FunctionsTwo,
                6 => MultiFunctionKind::Further,
                _ => MultiFunctionKind::CvAccess,
            })
    }
}

impl fmt::Display for MultiFunctionAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Broadcast => f.write_str("all locomotives"),
            Self::Short(address) => write!(f, "locomotive {address}, short address"),
            Self::Long(address) => write!(f, "locomotive {address}, long address"),
        }
    }
}

impl fmt::Display for MultiFunctionKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Control => f.write_str("decoder and consist control"),
            Self::Advanced => f.write_str("advanced operations"),
            Self::Speed(speed) => {
                f.write_str(if speed.forward {
                    "forward, "
                } else {
                    "reverse, "
                })?;
                match speed.step() {
                    Some(step) => write!(f, "step {step} of 28"),
                    None if speed.code < 2 => f.write_str("stop"),
                    None => f.write_str("emergency stop"),
                }
            }
            Self::FunctionsOne => f.write_str("functions, first group"),
            Self::FunctionsTwo => f.write_str("functions, second group"),
            Self::Further => f.write_str("further functions"),
            Self::CvAccess => f.write_str("cv access"),
        }
    }
}

/// A packet of a range that is reserved or assigned elsewhere, kept whole.
///
/// clause: S-9.2.1 (July 2012), section A: first byte 232 to 252 reserved, 255 idle only; 253 and
/// 254 assigned by S-9.2.1.1, second-hand.
///
/// ```
/// use throwproof_protocol::{Instruction, Packet};
///
/// let packet = Packet::from_body(&[0xe8, 0x12])?;
/// let Ok(Instruction::Reserved(reserved)) = Instruction::parse(&packet) else { panic!() };
/// assert_eq!(reserved.packet(), packet);
/// # Ok::<(), throwproof_protocol::PacketError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Reserved(Packet);

impl Reserved {
    /// Keeps a packet of partition reserved, advanced or idle.
    pub(super) const fn keep(packet: Packet) -> Self {
        Self(packet)
    }

    /// The packet.
    pub const fn packet(self) -> Packet {
        self.0
    }
}
