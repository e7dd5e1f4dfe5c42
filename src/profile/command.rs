//! What can be asked of a station, and the messages that ask it.

use std::fmt;

use throwproof_protocol::address::BinaryAddress;
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{
    AccessoryCv, BasicAccessory, CvTarget, ExtendedAccessory, Instruction,
};
use throwproof_protocol::packet::Packet;

use crate::toml_reader::Choice;

use super::Profile;
use super::framing::FrameError;
use super::template::PlaceError;
use super::value::{Facts, Scope, Value};

/// What can be asked of a station.
///
/// Whatever ends up on the rails is a packet, and the packet says all: which message carries it
/// is the profile's business.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Command {
    /// Put this packet on the rails.
    Packet(Packet),
    /// Read a CV on the main track. It is no packet: the station makes of it what it can.
    CvRead {
        /// Of whom.
        target: CvTarget,
        /// Which.
        cv: CvNumber,
    },
    /// Write a CV on the programming track.
    ServiceWrite {
        /// Which.
        cv: CvNumber,
        /// The value.
        value: u8,
    },
    /// Read a CV on the programming track.
    ServiceRead {
        /// Which.
        cv: CvNumber,
    },
    /// Switch the rails' power.
    Power(bool),
}

impl Command {
    /// The address it is for, where it has one.
    pub fn address(&self) -> Option<BinaryAddress> {
        match self {
            Self::Packet(packet) => {
                let instruction = Instruction::parse(packet).ok()?;
                let basic = instruction.as_basic().map(|basic| basic.address);
                let extended = instruction.as_extended().map(|extended| extended.address);
                let cv = cv_access(instruction).map(|access| target_address(access.target));
                basic.or(extended).or(cv)
            }
            Self::CvRead { target, .. } => Some(target_address(*target)),
            Self::ServiceWrite { .. } | Self::ServiceRead { .. } | Self::Power(_) => None,
        }
    }
}

impl From<Packet> for Command {
    fn from(packet: Packet) -> Self {
        Self::Packet(packet)
    }
}

impl From<BasicAccessory> for Command {
    fn from(basic: BasicAccessory) -> Self {
        Self::Packet(basic.emit())
    }
}

impl From<ExtendedAccessory> for Command {
    fn from(extended: ExtendedAccessory) -> Self {
        Self::Packet(extended.emit())
    }
}

impl fmt::Display for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Packet(packet) => write!(f, "the packet {packet}"),
            Self::CvRead { cv, .. } => write!(f, "reading CV{cv} on the main track"),
            Self::ServiceWrite { cv, value } => {
                write!(f, "writing {value} to CV{cv} on the programming track")
            }
            Self::ServiceRead { cv } => write!(f, "reading CV{cv} on the programming track"),
            Self::Power(true) => f.write_str("switching the power on"),
            Self::Power(false) => f.write_str("switching the power off"),
        }
    }
}

fn cv_access(instruction: Instruction) -> Option<AccessoryCv> {
    if let Instruction::Cv(access) = instruction {
        Some(access)
    } else {
        None
    }
}

fn target_address(target: CvTarget) -> BinaryAddress {
    match target {
        CvTarget::Decoder(decoder) => decoder.first(),
        CvTarget::Output(decoder, output) => {
            BinaryAddress::from_parts(decoder, output.pair()).unwrap_or(decoder.first())
        }
        CvTarget::Extended(address) => address,
    }
}

/// Whose CVs the station's messages for the main track reach.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CvReach {
    /// A whole decoder.
    Decoder,
    /// One pair of outputs of a decoder.
    Pair,
    /// A decoder of extended packets.
    Extended,
}

impl Choice for CvReach {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("decoder", Self::Decoder),
        ("pair", Self::Pair),
        ("extended", Self::Extended),
    ];
}

impl CvReach {
    /// The target at an address, if there is one.
    pub(super) fn target(self, address: BinaryAddress) -> Option<CvTarget> {
        match self {
            Self::Decoder if address.pair() == 0 => Some(CvTarget::Decoder(address.decoder())),
            Self::Decoder => None,
            Self::Pair => Some(CvTarget::pair(address)),
            Self::Extended => Some(CvTarget::Extended(address)),
        }
    }

    /// The address of a target, if the messages reach it.
    fn address(self, target: CvTarget) -> Option<BinaryAddress> {
        let address = target_address(target);
        (self.target(address) == Some(target)).then_some(address)
    }
}

/// The messages that a profile can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MessageKind {
    /// Activates one half of a pair.
    Throw,
    /// Releases it.
    Release,
    /// Sets an aspect.
    Aspect,
    /// Puts any packet on the rails.
    Packet,
    /// Writes a CV on the main track.
    CvWrite,
    /// Reads a CV on the main track.
    CvRead,
    /// Writes a CV on the programming track.
    ServiceWrite,
    /// Reads a CV on the programming track.
    ServiceRead,
    /// Switches the rails' power on.
    PowerOn,
    /// Switches the rails' power off.
    PowerOff,
    /// Sent once the port is open.
    Start,
    /// Sent when nothing else was for a while.
    Keepalive,
}

impl MessageKind {
    /// Every kind, in the order a profile has them.
    pub const ALL: [Self; 12] = [
        Self::Throw,
        Self::Release,
        Self::Aspect,
        Self::Packet,
        Self::CvWrite,
        Self::CvRead,
        Self::ServiceWrite,
        Self::ServiceRead,
        Self::PowerOn,
        Self::PowerOff,
        Self::Start,
        Self::Keepalive,
    ];

    /// Its key in `[send]`.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Throw => "throw",
            Self::Release => "release",
            Self::Aspect => "aspect",
            Self::Packet => "packet",
            Self::CvWrite => "cv_write",
            Self::CvRead => "cv_read",
            Self::ServiceWrite => "service_write",
            Self::ServiceRead => "service_read",
            Self::PowerOn => "power_on",
            Self::PowerOff => "power_off",
            Self::Start => "start",
            Self::Keepalive => "keepalive",
        }
    }

    /// What it does, for a person.
    pub const fn does(self) -> &'static str {
        match self {
            Self::Throw => "activate one half of a pair",
            Self::Release => "release it",
            Self::Aspect => "set an aspect",
            Self::Packet => "put any packet on the rails",
            Self::CvWrite => "write a CV on the main track",
            Self::CvRead => "read a CV on the main track",
            Self::ServiceWrite => "write a CV on the programming track",
            Self::ServiceRead => "read a CV on the programming track",
            Self::PowerOn => "switch the power on",
            Self::PowerOff => "switch the power off",
            Self::Start => "begin, once the port is open",
            Self::Keepalive => "keep the station from thinking we are gone",
        }
    }

    pub(super) const fn scope(self) -> Scope {
        match self {
            Self::Throw | Self::Release => Scope::ADDRESS
                .and(Scope::SIDE)
                .and(Scope::ACTIVATE)
                .and(Scope::PACKET),
            Self::Aspect => Scope::ADDRESS.and(Scope::ASPECT).and(Scope::PACKET),
            Self::Packet => Scope::PACKET,
            Self::CvWrite => Scope::ADDRESS
                .and(Scope::CV)
                .and(Scope::DATA)
                .and(Scope::PACKET),
            Self::CvRead => Scope::ADDRESS.and(Scope::CV),
            Self::ServiceWrite => Scope::CV.and(Scope::DATA),
            Self::ServiceRead => Scope::CV,
            Self::PowerOn | Self::PowerOff | Self::Start | Self::Keepalive => Scope::NOTHING,
        }
    }
}

impl fmt::Display for MessageKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.key())
    }
}

/// Why a profile can't send something.
#[derive(Debug, Clone, PartialEq, Eq, Hash, thiserror::Error)]
pub enum CannotSend {
    /// No message does that.
    #[error("the profile has no message for {command}{}", wanted(kinds))]
    NoMessage {
        /// What was to be done.
        command: Box<Command>,
        /// The messages that would do it.
        kinds: Vec<MessageKind>,
    },
    /// Its CV messages reach another kind of target.
    #[error(
        "the profile's `{kind}` reaches a CV of {}, not this one",
        match reach {
            CvReach::Decoder => "a whole decoder",
            CvReach::Pair => "one pair of outputs",
            CvReach::Extended => "a decoder of extended packets",
        }
    )]
    Reach {
        /// The message.
        kind: MessageKind,
        /// Whom it reaches.
        reach: CvReach,
    },
    /// A place of the message can't hold what must go there.
    #[error("the profile's `{kind}` can't carry {command}: {source}")]
    Place {
        /// The message.
        kind: MessageKind,
        /// What was to be done.
        command: Box<Command>,
        /// Which place, and why.
        source: PlaceError,
    },
    /// The frame can't hold the message.
    #[error("the profile's `{kind}` can't carry {command}: {source}")]
    Frame {
        /// The message.
        kind: MessageKind,
        /// What was to be done.
        command: Box<Command>,
        /// Why.
        source: FrameError,
    },
}

fn wanted(kinds: &[MessageKind]) -> String {
    let mut text = String::new();
    for (index, kind) in kinds.iter().enumerate() {
        text.push_str(if index == 0 {
            "; it would be `"
        } else {
            "` or `"
        });
        text.push_str(kind.key());
    }
    if !text.is_empty() {
        text.push_str("` in [send]");
    }
    text
}

/// The messages that would carry a command, the first choice first, with what fills them.
pub(super) fn candidates(
    profile: &Profile,
    command: &Command,
) -> Result<Vec<(MessageKind, Facts)>, CannotSend> {
    let plain = |kind| Ok(vec![(kind, facts(profile, command))]);
    match command {
        Command::Packet(packet) => Ok(packet_candidates(profile, packet)),
        Command::CvRead { target, .. } => {
            if profile.reach.address(*target).is_none() {
                let (kind, reach) = (MessageKind::CvRead, profile.reach);
                return Err(CannotSend::Reach { kind, reach });
            }
            plain(MessageKind::CvRead)
        }
        Command::ServiceWrite { .. } => plain(MessageKind::ServiceWrite),
        Command::ServiceRead { .. } => plain(MessageKind::ServiceRead),
        Command::Power(true) => plain(MessageKind::PowerOn),
        Command::Power(false) => plain(MessageKind::PowerOff),
    }
}

fn packet_candidates(profile: &Profile, packet: &Packet) -> Vec<(MessageKind, Facts)> {
    let facts = facts(profile, &Command::Packet(*packet));
    let kind = match Instruction::parse(packet) {
        Err(_) => None,
        Ok(instruction) => match instruction.as_basic() {
            Some(basic) if basic.activate => Some(MessageKind::Throw),
            Some(_) => Some(MessageKind::Release),
            None if instruction.as_extended().is_some() => Some(MessageKind::Aspect),
            None => cv_access(instruction)
                .filter(|access| matches!(access.operation, CvOperation::WriteByte(_)))
                .filter(|access| profile.reach.address(access.target).is_some())
                .map(|_| MessageKind::CvWrite),
        },
    };
    let mut candidates = Vec::new();
    if let Some(kind) = kind {
        candidates.push((kind, facts.clone()));
    }
    candidates.push((MessageKind::Packet, facts));
    candidates
}

/// Everything that a message for this command may have a place for.
pub(super) fn facts(profile: &Profile, command: &Command) -> Facts {
    let mut facts = Facts::default();
    let positions = profile.positions.as_ref();
    match command {
        Command::Packet(packet) => {
            facts.set_packet(*packet);
            let Ok(instruction) = Instruction::parse(packet) else {
                return facts;
            };
            if let Some(basic) = instruction.as_basic() {
                facts.set_address(basic.address, profile.numbering);
                facts.set_side(basic.pair_bit, positions);
                facts.set(Value::Activate, basic.activate.into());
            } else if let Some(extended) = instruction.as_extended() {
                facts.set_address(extended.address, profile.numbering);
                facts.set(Value::Aspect, extended.data.into());
            } else if let Instruction::Cv(access) = instruction {
                facts.set_address(target_address(access.target), profile.numbering);
                facts.set_cv(access.cv);
                if let CvOperation::WriteByte(value) = access.operation {
                    facts.set(Value::Data, value.into());
                }
            }
        }
        Command::CvRead { target, cv } => {
            facts.set_address(target_address(*target), profile.numbering);
            facts.set_cv(*cv);
        }
        Command::ServiceWrite { cv, value } => {
            facts.set_cv(*cv);
            facts.set(Value::Data, (*value).into());
        }
        Command::ServiceRead { cv } => facts.set_cv(*cv),
        Command::Power(_) => {}
    }
    facts
}
