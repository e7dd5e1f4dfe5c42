//! A station's published serial protocol, as its user describes it in a file, and the codec that
//! follows from it.
//!
//! Nothing here reads a port or a clock: commands become bytes, and bytes become replies.
//!
//! ```text
//! command -> message of the profile -> filled template -> frame -> bytes
//! bytes -> frame -> reply pattern -> reply
//! ```
//!
//! - [`Profile`]: what the file says, checked; it can only hold a protocol that can be used.
//! - [`ProfileCodec`]: our side; [`StationCodec`]: the other side, for the simulated track.
//! - [`Explanation`]: the profile in plain words, each message byte by byte.
//!
//! The packet is the source of truth: a throw, a release and an aspect are packets, and the
//! profile says which message carries them.

use std::path::{Path, PathBuf};

use bytes::Bytes;
use throwproof_protocol::address::{BinaryAddress, Numbering, PairBit};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory, Instruction};
use throwproof_protocol::packet::Packet;

use crate::textfile::{FileError, Span, TextFile};
use crate::toml_reader::Problems;

mod check_bytes;
mod codec;
mod command;
mod compile;
mod explain;
mod formula;
mod framing;
mod inverse;
mod layout;
mod read;
mod reply;
mod scan;
mod settings;
mod sound;
mod station;
mod template;
mod value;

pub use check_bytes::{ByteOrder, Check, CheckSum, Covers, CrcCheck, CrcParameters};
pub use codec::{Counters, Decoded, ProfileCodec};
pub use command::{CannotSend, Command, CvReach, MessageKind};
pub use explain::{ByteShown, Explanation, MessageShown, ReplyShown, Shown};
pub use formula::Arithmetic;
pub use framing::frames::{Dropped, Why};
pub use framing::{
    BinaryFraming, Counts, Encoding, FrameError, Framing, Length, Stuffing, TextFraming,
};
pub use reply::{Answers, Means, Reply, Says};
pub use settings::{Dtr, FlowControl, Parity, Serial, Timing};
pub use station::{CannotServe, Heard, Request, StationCodec};
pub use template::PlaceError;

use framing::Assembly;
use inverse::Inverse;
use reply::Pattern;
use template::Template;
use value::Facts;

/// A station's serial protocol, as its user describes it.
#[derive(Debug, Clone)]
pub struct Profile {
    /// Where it was read from.
    pub source: PathBuf,
    /// What its user calls it.
    pub name: String,
    /// What its user notes about it.
    pub notes: String,
    /// How the station turns its numbers into binary addresses.
    pub numbering: Numbering,
    /// How the port is opened.
    pub serial: Serial,
    /// Times.
    pub timing: Timing,
    /// What is around a message.
    pub framing: Framing,
    /// Whose CVs its messages for the main track reach.
    pub reach: CvReach,
    positions: Option<Positions>,
    messages: Vec<Message>,
    replies: Vec<Pattern>,
}

/// How a protocol writes the position: for bit R = 0 (diverging) and R = 1 (straight).
#[derive(Debug, Clone, PartialEq, Eq)]
enum Positions {
    Words([String; 2]),
    Numbers([i64; 2]),
}

/// A message of a profile.
#[derive(Debug, Clone)]
struct Message {
    kind: MessageKind,
    template: Template,
    span: Span,
    inverse: Option<Inverse>,
}

/// Why a profile can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The file can't be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// What the file says can't be a profile.
    #[error(transparent)]
    Problems(#[from] Box<Problems>),
}

/// What a profile can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent abilities, each a yes or no"
)]
pub struct ProfileAbilities {
    /// It throws turnouts.
    pub throws: bool,
    /// It sets aspects.
    pub aspects: bool,
    /// It carries any packet.
    pub raw_packets: bool,
    /// It writes CVs on the main track.
    pub cv_write: bool,
    /// It reads CVs on the main track.
    pub cv_read: bool,
    /// It writes CVs on the programming track.
    pub service_write: bool,
    /// It reads CVs on the programming track.
    pub service_read: bool,
    /// It switches the power.
    pub power: bool,
    /// Position reports come back.
    pub position_reports: bool,
    /// The station says that a throw is on the rails.
    pub acknowledges: bool,
}

/// Bytes for the wire, and the message they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// The message.
    pub kind: MessageKind,
    /// Its bytes, frame and all.
    pub bytes: Bytes,
}

impl Profile {
    /// Reads a profile.
    ///
    /// # Errors
    /// When the file can't be read, or what it says can't be used.
    pub fn load(path: &Path) -> Result<Self, ProfileError> {
        Ok(Self::parse(TextFile::read(path)?).map_err(Box::new)?)
    }

    /// Reads a profile from text; `path` is what messages call it.
    ///
    /// # Errors
    /// When what it says can't be used.
    pub fn from_text(path: impl Into<PathBuf>, text: &str) -> Result<Self, Problems> {
        Self::parse(TextFile::from_text(path, text))
    }

    /// Reads a profile.
    ///
    /// # Errors
    /// When what it says can't be used.
    pub fn parse(file: TextFile) -> Result<Self, Problems> {
        read::profile(file)
    }

    /// Is this a profile, and not a plan? By its tables alone, so that a profile with something
    /// wrong in it is one too.
    pub fn is_one(file: &TextFile) -> bool {
        let mut lines = file.text().lines().map(str::trim);
        lines.any(|line| line.starts_with("[profile]") || line.starts_with("[framing]"))
    }

    /// What it can do.
    pub fn abilities(&self) -> ProfileAbilities {
        let has = |kind| self.message(kind).is_some();
        let raw_packets = has(MessageKind::Packet);
        let means = |means| self.replies.iter().any(|reply| reply.means == means);
        ProfileAbilities {
            throws: has(MessageKind::Throw) || raw_packets,
            aspects: has(MessageKind::Aspect) || raw_packets,
            raw_packets,
            cv_write: has(MessageKind::CvWrite) || raw_packets,
            cv_read: has(MessageKind::CvRead) && means(Means::CvValue),
            service_write: has(MessageKind::ServiceWrite),
            service_read: has(MessageKind::ServiceRead) && means(Means::CvValue),
            power: has(MessageKind::PowerOn) && has(MessageKind::PowerOff),
            position_reports: means(Means::Position),
            acknowledges: means(Means::Done),
        }
    }

    /// Is there a reply that means this?
    pub fn hears(&self, means: Means) -> bool {
        self.replies.iter().any(|reply| reply.means == means)
    }

    /// Can it carry this packet? To be asked before a sweep, for every packet of it.
    ///
    /// # Errors
    /// Why not.
    pub fn can_send(&self, packet: &Packet) -> Result<(), CannotSend> {
        self.encode(&Command::Packet(*packet)).map(|_| ())
    }

    /// The bytes that ask for this; `None` where nothing needs to be sent, because the station
    /// releases outputs by itself.
    ///
    /// # Errors
    /// When no message of the profile can carry it.
    pub fn encode(&self, command: &Command) -> Result<Option<Outgoing>, CannotSend> {
        let assembled = self.assemble(command)?;
        Ok(assembled.map(|(kind, assembly)| Outgoing {
            kind,
            bytes: assembly.bytes.into(),
        }))
    }

    /// The messages to send once the port is open, in order.
    pub fn start(&self) -> Vec<Outgoing> {
        self.fixed(MessageKind::Start)
    }

    /// The message to send after [`Timing::keepalive`] without another.
    pub fn keepalive(&self) -> Option<Outgoing> {
        self.fixed(MessageKind::Keepalive).pop()
    }

    /// The binary addresses it can throw, both ways.
    pub fn throws(&self) -> impl Iterator<Item = BinaryAddress> {
        BinaryAddress::all().filter(|address| {
            let throw = |side| BasicAccessory::new(*address, side, true).emit();
            let mut sides = PairBit::ALL.into_iter();
            sides.all(|side| self.can_send(&throw(side)).is_ok())
        })
    }

    /// The binary addresses it can set aspect 0 of.
    pub fn aspects(&self) -> impl Iterator<Item = BinaryAddress> {
        BinaryAddress::all().filter(|address| {
            let packet = ExtendedAccessory::new(*address, 0).emit();
            self.can_send(&packet).is_ok()
        })
    }

    fn message(&self, kind: MessageKind) -> Option<&Message> {
        self.messages.iter().find(|message| message.kind == kind)
    }

    fn fixed(&self, kind: MessageKind) -> Vec<Outgoing> {
        let messages = self.messages.iter().filter(|message| message.kind == kind);
        let assembled = messages.filter_map(|message| {
            let body = message.template.fill(&Facts::default()).ok()?;
            let bytes = self.framing.wrap(body).ok()?.bytes.into();
            Some(Outgoing { kind, bytes })
        });
        assembled.collect()
    }

    fn assemble(&self, command: &Command) -> Result<Option<(MessageKind, Assembly)>, CannotSend> {
        let candidates = command::candidates(self, command)?;
        let mut first = None;
        for (kind, facts) in &candidates {
            if *kind == MessageKind::Release {
                match self.releases_by(command) {
                    ReleasedBy::Message => {}
                    ReleasedBy::Itself => return Ok(None),
                    ReleasedBy::Packet => continue,
                }
            }
            let Some(message) = self.message(*kind) else {
                continue;
            };
            match self.fill(message, command, facts) {
                Ok(assembly) => return Ok(Some((*kind, assembly))),
                Err(error) => first = first.or(Some(error)),
            }
        }
        Err(first.unwrap_or_else(|| CannotSend::NoMessage {
            command: Box::new(*command),
            kinds: candidates.iter().map(|(kind, _)| *kind).collect(),
        }))
    }

    /// A release goes the way its throw went.
    fn releases_by(&self, command: &Command) -> ReleasedBy {
        let Command::Packet(packet) = command else {
            return ReleasedBy::Message;
        };
        let instruction = Instruction::parse(packet).ok();
        // The emergency stop looks like a release, and is none.
        let stops = matches!(instruction, Some(Instruction::EmergencyStop(_)));
        let basic = instruction.and_then(|instruction| instruction.as_basic());
        let (Some(basic), false, Some(throw)) = (basic, stops, self.message(MessageKind::Throw))
        else {
            return ReleasedBy::Message;
        };
        let activate = true;
        let activated = BasicAccessory { activate, ..basic }.into();
        let facts = command::facts(self, &activated);
        if self.fill(throw, &activated, &facts).is_err() {
            ReleasedBy::Packet
        } else if self.message(MessageKind::Release).is_none() {
            ReleasedBy::Itself
        } else {
            ReleasedBy::Message
        }
    }

    fn fill(
        &self,
        message: &Message,
        command: &Command,
        facts: &Facts,
    ) -> Result<Assembly, CannotSend> {
        let (kind, command) = (message.kind, Box::new(*command));
        let body = match message.template.fill(facts) {
            Ok(body) => body,
            Err(source) => {
                return Err(CannotSend::Place {
                    kind,
                    command,
                    source,
                });
            }
        };
        self.framing.wrap(body).map_err(|source| CannotSend::Frame {
            kind,
            command,
            source,
        })
    }
}

/// What sees to it that an output is released.
enum ReleasedBy {
    Message,
    Itself,
    Packet,
}
