//! What a packet tells decoders to do.
//!
//! [`Instruction`] covers the packets of operations mode; [`crate::service`] those of service
//! mode, whose first bytes 112 to 127 mean short addresses here. Each kind of accessory packet
//! also has a type of its own that covers all 2048 addresses.

use crate::address::{BinaryAddress, DecoderAddress, OutputBits, low_byte};
use crate::clause::Clause;
use crate::packet::{Packet, Partition};

mod basic;
mod broadcast;
mod convert;
mod cv_access;
mod display;
mod extended;
mod legacy;
mod multi_function;
mod nop;
mod readings;

pub use basic::BasicAccessory;
pub use broadcast::{BasicBroadcast, BroadcastStop, EmergencyStop, ExtendedBroadcast};
pub use cv_access::{AccessoryCv, CvTarget};
pub use extended::ExtendedAccessory;
pub use legacy::LegacyCv;
pub use multi_function::{
    MultiFunction, MultiFunctionAddress, MultiFunctionKind, Reserved, SpeedAndDirection,
};
pub use nop::AccessoryNop;
pub use readings::{OnTime, SignalReading, SwitchingTime};

/// A packet that is none of the kind asked for, or of no kind at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum InstructionError {
    /// The first byte addresses someone else.
    #[error("byte 1 is {found:02X}: not an accessory packet, which starts with 80 to BF")]
    NotAccessory {
        /// The first byte.
        found: u8,
    },
    /// The packet has another length than this kind.
    #[error("{found} bytes, check byte included, where this kind of packet has {expected}")]
    Length {
        /// The length of this kind.
        expected: usize,
        /// The length found.
        found: usize,
    },
    /// Bits that this kind of packet fixes are otherwise.
    #[error(
        "byte {} is {found:08b}: of the bits {mask:08b} this kind of packet wants {expected:08b}",
        offset.saturating_add(1)
    )]
    FixedBits {
        /// Offset of the byte; the first byte has offset 0.
        offset: usize,
        /// The bits that are fixed.
        mask: u8,
        /// What they must be.
        expected: u8,
        /// The byte found.
        found: u8,
    },
    /// An accessory packet whose second byte and length go together in no clause.
    #[error(
        "an accessory packet of {len} bytes, check byte included, whose byte 2 is {second:08b}: \
         no clause gives such a packet a meaning"
    )]
    NoSuchAccessoryPacket {
        /// The second byte.
        second: u8,
        /// The length, check byte included.
        len: usize,
    },
    /// CC = 00 in CV access, which is reserved.
    #[error(
        "byte {} is {found:08b}: its bits CC are 00, which is reserved; 01 verifies, 11 writes, \
         10 is for single bits",
        offset.saturating_add(1)
    )]
    ReservedOperation {
        /// Offset of the byte that holds CC.
        offset: usize,
        /// The byte found.
        found: u8,
    },
    /// The data byte of bit access does not start with 111.
    #[error("byte {} is {found:08b}: in bit access it starts with 111", offset.saturating_add(1))]
    BitData {
        /// Offset of the data byte.
        offset: usize,
        /// The byte found.
        found: u8,
    },
}

impl InstructionError {
    /// The clause that defines what was expected.
    pub const fn clause(self) -> Clause {
        match self {
            Self::NotAccessory { .. } => Clause::PARTITIONS,
            Self::Length { .. }
            | Self::FixedBits { .. }
            | Self::NoSuchAccessoryPacket { .. }
            | Self::ReservedOperation { .. }
            | Self::BitData { .. } => Clause::ACCESSORY,
        }
    }
}

/// What a packet tells decoders to do: one variant a kind.
///
/// Some bytes have two readings. A parsed instruction has the reading that more decoders act on:
///
/// ```text
/// BF 86        emergency stop, not basic accessory 2047, R = 0, release
/// BF 80 .. 8F  basic broadcast, not basic accessory 2044 .. 2047
/// BF 07 00     emergency stop, not extended accessory 2047, data 0
/// BF 07 xx     extended broadcast, not extended accessory 2047
/// ```
///
/// [`Instruction::as_basic`] and [`Instruction::as_extended`] give the other reading back. Make
/// instructions with `Instruction::from`, or [`Instruction::normalised`], so that they hold the
/// same reading.
///
/// ```
/// use throwproof_protocol::{BasicAccessory, BinaryAddress, Instruction, PairBit};
///
/// let basic = BasicAccessory::new(BinaryAddress::new(4)?, PairBit::One, true);
/// let packet = Instruction::from(basic).emit();
/// assert_eq!(packet.to_string(), "81 F9 78");
/// assert_eq!(Instruction::parse(&packet), Ok(Instruction::Basic(basic)));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Instruction {
    /// Activate or release half a pair of outputs.
    Basic(BasicAccessory),
    /// Send eight bits of data to a signal or a turnout.
    Extended(ExtendedAccessory),
    /// The same half of the same pair in all basic decoders.
    BasicBroadcast(BasicBroadcast),
    /// The same data to all extended decoders.
    ExtendedBroadcast(ExtendedBroadcast),
    /// All accessories stop.
    EmergencyStop(EmergencyStop),
    /// Nothing happens; decoders that can may answer.
    Nop(AccessoryNop),
    /// CV access in operations mode.
    Cv(AccessoryCv),
    /// The older CV packet: read, never to be sent.
    LegacyCv(LegacyCv),
    /// Everyone ignores it.
    Idle,
    /// All decoders return to their power-up state.
    Reset,
    /// All multi-function decoders stop.
    BroadcastStop(BroadcastStop),
    /// For locomotives: recognised, not taken apart.
    MultiFunction(MultiFunction),
    /// A range that is reserved or assigned elsewhere: kept as it is.
    Reserved(Reserved),
}

impl Instruction {
    /// What a packet of operations mode says.
    ///
    /// # Errors
    /// When an accessory packet has a shape that no clause defines.
    #[inline]
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        match packet.partition() {
            Partition::Accessory => Self::parse_accessory(packet),
            Partition::Broadcast => Ok(if *packet == Packet::RESET {
                Self::Reset
            } else if let Some(stop) = BroadcastStop::parse(packet) {
                Self::BroadcastStop(stop)
            } else {
                Self::MultiFunction(MultiFunction::keep(*packet))
            }),
            Partition::Short | Partition::Long => {
                Ok(Self::MultiFunction(MultiFunction::keep(*packet)))
            }
            Partition::Idle if *packet == Packet::IDLE => Ok(Self::Idle),
            Partition::Idle | Partition::Reserved | Partition::Advanced => {
                Ok(Self::Reserved(Reserved::keep(*packet)))
            }
        }
    }

    /// The packet that says so: the inverse of [`Instruction::parse`].
    ///
    /// Any instruction is emitted; `parse` then gives back its [`Instruction::normalised`] form.
    #[inline]
    pub fn emit(&self) -> Packet {
        match self {
            Self::Basic(basic) => basic.emit(),
            Self::Extended(extended) => extended.emit(),
            Self::BasicBroadcast(broadcast) => broadcast.as_basic().emit(),
            Self::ExtendedBroadcast(broadcast) => broadcast.as_extended().emit(),
            Self::EmergencyStop(stop) => stop.emit(),
            Self::Nop(nop) => nop.emit(),
            Self::Cv(access) => access.emit(),
            Self::LegacyCv(legacy) => legacy.emit(),
            Self::Idle => Packet::IDLE,
            Self::Reset => Packet::RESET,
            Self::BroadcastStop(stop) => stop.emit(),
            Self::MultiFunction(kept) => kept.packet(),
            Self::Reserved(kept) => kept.packet(),
        }
    }

    /// The same instruction in the reading that [`Instruction::parse`] gives.
    #[must_use]
    pub const fn normalised(self) -> Self {
        match self {
            Self::Basic(basic) => Self::of_basic(basic),
            Self::BasicBroadcast(broadcast) => Self::of_basic(broadcast.as_basic()),
            Self::Extended(extended) => Self::of_extended(extended),
            Self::ExtendedBroadcast(broadcast) => Self::of_extended(broadcast.as_extended()),
            Self::EmergencyStop(_)
            | Self::Nop(_)
            | Self::Cv(_)
            | Self::LegacyCv(_)
            | Self::Idle
            | Self::Reset
            | Self::BroadcastStop(_)
            | Self::MultiFunction(_)
            | Self::Reserved(_) => self,
        }
    }

    /// The basic accessory reading, also of broadcasts and of the emergency stop.
    pub const fn as_basic(&self) -> Option<BasicAccessory> {
        match self {
            Self::Basic(basic) => Some(*basic),
            Self::BasicBroadcast(broadcast) => Some(broadcast.as_basic()),
            Self::EmergencyStop(EmergencyStop::Basic) => Some(EmergencyStop::AS_BASIC),
            Self::EmergencyStop(EmergencyStop::Extended)
            | Self::Extended(_)
            | Self::ExtendedBroadcast(_)
            | Self::Nop(_)
            | Self::Cv(_)
            | Self::LegacyCv(_)
            | Self::Idle
            | Self::Reset
            | Self::BroadcastStop(_)
            | Self::MultiFunction(_)
            | Self::Reserved(_) => None,
        }
    }

    /// The extended accessory reading, also of the broadcast and of the emergency stop.
    pub const fn as_extended(&self) -> Option<ExtendedAccessory> {
        match self {
            Self::Extended(extended) => Some(*extended),
            Self::ExtendedBroadcast(broadcast) => Some(broadcast.as_extended()),
            Self::EmergencyStop(EmergencyStop::Extended) => Some(EmergencyStop::AS_EXTENDED),
            Self::EmergencyStop(EmergencyStop::Basic)
            | Self::Basic(_)
            | Self::BasicBroadcast(_)
            | Self::Nop(_)
            | Self::Cv(_)
            | Self::LegacyCv(_)
            | Self::Idle
            | Self::Reset
            | Self::BroadcastStop(_)
            | Self::MultiFunction(_)
            | Self::Reserved(_) => None,
        }
    }

    const fn of_basic(basic: BasicAccessory) -> Self {
        if !basic.address.is_broadcast() {
            return Self::Basic(basic);
        }
        let output = OutputBits::of(basic.address, basic.pair_bit);
        if output.get() == EmergencyStop::OUTPUT_BITS && !basic.activate {
            Self::EmergencyStop(EmergencyStop::Basic)
        } else {
            Self::BasicBroadcast(BasicBroadcast {
                activate: basic.activate,
                output,
            })
        }
    }

    const fn of_extended(extended: ExtendedAccessory) -> Self {
        if extended.address.get() != BinaryAddress::MAX.get() {
            Self::Extended(extended)
        } else if extended.data == 0 {
            Self::EmergencyStop(EmergencyStop::Extended)
        } else {
            Self::ExtendedBroadcast(ExtendedBroadcast {
                data: extended.data,
            })
        }
    }

    fn parse_accessory(packet: &Packet) -> Result<Self, InstructionError> {
        let bytes = packet.as_bytes();
        let second = bytes.get(1).copied().unwrap_or_default();
        match (second & SHAPE, bytes.len()) {
            (0x80.., 3) => BasicAccessory::parse(packet).map(Self::of_basic),
            (0x01 | 0x03 | 0x05 | 0x07, 4) => {
                ExtendedAccessory::parse(packet).map(Self::of_extended)
            }
            (0x08..=0x0f, 3) => AccessoryNop::parse(packet).map(Self::Nop),
            (0x0c..=0x0f, 5) => LegacyCv::parse(packet).map(Self::LegacyCv),
            (0x80.. | 0x01 | 0x03 | 0x05 | 0x07, 6) => AccessoryCv::parse(packet).map(Self::Cv),
            (_, len) => Err(InstructionError::NoSuchAccessoryPacket { second, len }),
        }
    }
}

/// The bits of the second byte that, with the length, tell accessory packets apart.
const SHAPE: u8 = 0b1000_1111;

/// Byte 1 and byte 2 of an accessory packet: `10AAAAAA`, `xNNN....`, N being inverted, with the
/// address bits that every kind shares and the other bits as given.
const fn head(decoder: DecoderAddress, low_bits: u8) -> [u8; 2] {
    let number = decoder.get();
    let inverted = low_byte(!number >> 6) & 0b111;
    [
        0b1000_0000 | (low_byte(number) & 0b0011_1111),
        (inverted << 4) | low_bits,
    ]
}

/// The decoder address in bytes 1 and 2 of an accessory packet.
const fn decoder_of(first: u8, second: u8) -> DecoderAddress {
    let high = !(second >> 4) & 0b111;
    DecoderAddress::from_low_bits(
        (u16::from_be_bytes([0, high]) << 6) | u16::from_be_bytes([0, first & 0b0011_1111]),
    )
}

/// The binary address in bytes 1 and 2 of an accessory packet that carries A1 and A0.
const fn binary_of(first: u8, second: u8) -> BinaryAddress {
    let pair = u16::from_be_bytes([0, (second >> 1) & 0b11]);
    BinaryAddress::from_low_bits((decoder_of(first, second).get() << 2) | pair)
}

/// The bytes of an accessory packet that has exactly this many.
fn accessory_bytes<const LEN: usize>(packet: &Packet) -> Result<&[u8; LEN], InstructionError> {
    if packet.partition() != Partition::Accessory {
        return Err(InstructionError::NotAccessory {
            found: packet.first_byte(),
        });
    }
    let bytes = packet.as_bytes();
    bytes.try_into().map_err(|_| InstructionError::Length {
        expected: LEN,
        found: bytes.len(),
    })
}

/// Fails unless the masked bits of a byte are as expected.
const fn fixed(offset: usize, mask: u8, expected: u8, found: u8) -> Result<(), InstructionError> {
    if found & mask == expected {
        Ok(())
    } else {
        Err(InstructionError::FixedBits {
            offset,
            mask,
            expected,
            found,
        })
    }
}

#[cfg(test)]
mod tests;
