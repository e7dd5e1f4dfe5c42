//! Instructions from their kinds, in the reading that parsing gives.

use super::{
    AccessoryCv, AccessoryNop, BasicAccessory, BasicBroadcast, BroadcastStop, EmergencyStop,
    ExtendedAccessory, ExtendedBroadcast, Instruction, InstructionError,
};
use crate::packet::Packet;

impl From<BasicAccessory> for Instruction {
    /// Broadcast addresses become a broadcast or the emergency stop.
    fn from(basic: BasicAccessory) -> Self {
        Self::of_basic(basic)
    }
}

impl From<ExtendedAccessory> for Instruction {
    /// The broadcast address becomes the broadcast or the emergency stop.
    fn from(extended: ExtendedAccessory) -> Self {
        Self::of_extended(extended)
    }
}

impl From<BasicBroadcast> for Instruction {
    fn from(broadcast: BasicBroadcast) -> Self {
        Self::of_basic(broadcast.as_basic())
    }
}

impl From<ExtendedBroadcast> for Instruction {
    fn from(broadcast: ExtendedBroadcast) -> Self {
        Self::of_extended(broadcast.as_extended())
    }
}

impl From<EmergencyStop> for Instruction {
    fn from(stop: EmergencyStop) -> Self {
        Self::EmergencyStop(stop)
    }
}

impl From<AccessoryNop> for Instruction {
    fn from(nop: AccessoryNop) -> Self {
        Self::Nop(nop)
    }
}

impl From<AccessoryCv> for Instruction {
    fn from(access: AccessoryCv) -> Self {
        Self::Cv(access)
    }
}

impl From<BroadcastStop> for Instruction {
    fn from(stop: BroadcastStop) -> Self {
        Self::BroadcastStop(stop)
    }
}

impl TryFrom<&Packet> for Instruction {
    type Error = InstructionError;

    fn try_from(packet: &Packet) -> Result<Self, InstructionError> {
        Self::parse(packet)
    }
}
