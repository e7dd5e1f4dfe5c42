//! One line in plain words for each kind of instruction.

use core::fmt;

use super::{
    AccessoryCv, AccessoryNop, BasicAccessory, BasicBroadcast, BroadcastStop, CvTarget,
    EmergencyStop, ExtendedAccessory, ExtendedBroadcast, Instruction, LegacyCv, MultiFunction,
    Reserved,
};
use crate::packet::Partition;

impl fmt::Display for BasicAccessory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = if self.activate { "activate" } else { "release" };
        let (position, bit) = (self.pair_bit.position(), self.pair_bit);
        write!(
            f,
            "basic accessory, binary address {}: {what} {position} (R = {bit})",
            self.address
        )
    }
}

impl fmt::Display for ExtendedAccessory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "extended accessory, binary address {}: data {}",
            self.address, self.data
        )
    }
}

impl fmt::Display for BasicBroadcast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = if self.activate { "activate" } else { "release" };
        write!(
            f,
            "broadcast to all basic accessory decoders: {what} output {}",
            self.output
        )
    }
}

impl fmt::Display for ExtendedBroadcast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "broadcast to all extended accessory decoders: data {}",
            self.data
        )
    }
}

impl fmt::Display for EmergencyStop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Basic => "emergency stop of all basic accessory decoders",
            Self::Extended => "emergency stop of all extended accessory decoders",
        })
    }
}

impl fmt::Display for AccessoryNop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = if self.extended { "extended" } else { "basic" };
        write!(
            f,
            "accessory nop to {kind} decoders, binary address {}",
            self.address
        )
    }
}

impl fmt::Display for CvTarget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Decoder(decoder) => {
                write!(f, "basic decoder as a whole, decoder address {decoder}")
            }
            Self::Output(decoder, output) => {
                write!(
                    f,
                    "basic decoder, decoder address {decoder}, output {output}"
                )?;
                match self.as_pair() {
                    Some(address) => write!(f, " (or the pair of binary address {address})"),
                    None => Ok(()),
                }
            }
            Self::Extended(address) => write!(f, "extended decoder, binary address {address}"),
        }
    }
}

impl fmt::Display for AccessoryCv {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "cv access in operations mode, {}: cv {}, {}",
            self.target, self.cv, self.operation
        )
    }
}

impl fmt::Display for LegacyCv {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "older cv packet (not to be sent), decoder address {}: cv {}, write {}",
            self.decoder, self.cv, self.value
        )
    }
}

impl fmt::Display for BroadcastStop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("stop of all locomotives, ")?;
        f.write_str(if self.at_once {
            "power off the motor"
        } else {
            "come to a stop"
        })?;
        f.write_str(match (self.ignore_direction, self.forward) {
            (true, _) => "",
            (false, true) => ", forward",
            (false, false) => ", reverse",
        })
    }
}

impl fmt::Display for MultiFunction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.address())?;
        match self.kind() {
            Some(kind) => fmt::Display::fmt(&kind, f),
            None => f.write_str("no instruction"),
        }
    }
}

impl fmt::Display for Reserved {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let first = self.packet().first_byte();
        match Partition::of(first) {
            Partition::Advanced => {
                write!(
                    f,
                    "first byte {first:02X}, which S-9.2.1.1 assigns; not read here"
                )
            }
            Partition::Idle => f.write_str("starts as an idle packet but is none"),
            Partition::Broadcast
            | Partition::Short
            | Partition::Accessory
            | Partition::Long
            | Partition::Reserved => write!(f, "first byte {first:02X}, which is reserved"),
        }
    }
}

impl Instruction {
    /// One word for the kind, for programs: it does not change.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Basic(_) => "basic",
            Self::Extended(_) => "extended",
            Self::BasicBroadcast(_) => "basic-broadcast",
            Self::ExtendedBroadcast(_) => "extended-broadcast",
            Self::EmergencyStop(_) => "emergency-stop",
            Self::Nop(_) => "nop",
            Self::Cv(_) => "cv",
            Self::LegacyCv(_) => "legacy-cv",
            Self::Idle => "idle",
            Self::Reset => "reset",
            Self::BroadcastStop(_) => "broadcast-stop",
            Self::MultiFunction(_) => "multi-function",
            Self::Reserved(_) => "reserved",
        }
    }
}

impl fmt::Display for Instruction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Basic(inner) => inner.fmt(f),
            Self::Extended(inner) => inner.fmt(f),
            Self::BasicBroadcast(inner) => inner.fmt(f),
            Self::ExtendedBroadcast(inner) => inner.fmt(f),
            Self::EmergencyStop(inner) => inner.fmt(f),
            Self::Nop(inner) => inner.fmt(f),
            Self::Cv(inner) => inner.fmt(f),
            Self::LegacyCv(inner) => inner.fmt(f),
            Self::Idle => f.write_str("idle, ignored by all decoders"),
            Self::Reset => f.write_str("reset of all decoders"),
            Self::BroadcastStop(inner) => inner.fmt(f),
            Self::MultiFunction(inner) => inner.fmt(f),
            Self::Reserved(inner) => inner.fmt(f),
        }
    }
}
