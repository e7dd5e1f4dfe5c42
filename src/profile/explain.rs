//! A profile in plain words, with an example of each message, byte by byte.

use serde::Serialize;
use throwproof_protocol::address::{BinaryAddress, KeyedAddress, PairBit, Position};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, BasicAccessory, ExtendedAccessory};

use crate::toml_reader::Choice;

use super::command::{self, Command, MessageKind};
use super::framing::{Assembly, Framing, Origin};
use super::reply::{Answers, Numbers, Pattern};
use super::template::{Kind, Piece, Template};
use super::value::Facts;
use super::{Profile, station};

mod words;

/// The address of the examples, as it is keyed, where the profile can carry it.
const EXAMPLE: u16 = 37;

/// A profile in plain words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Explanation {
    /// What its user calls it.
    pub name: String,
    /// What its user notes about it.
    pub notes: String,
    /// How the station turns its numbers into binary addresses.
    pub numbering: &'static str,
    /// How the port is opened.
    pub serial: String,
    /// What is around a message.
    pub framing: String,
    /// Times.
    pub timing: Vec<String>,
    /// What it can do, with its limits.
    pub can: Vec<String>,
    /// What it can't do, and why.
    pub cannot: Vec<String>,
    /// Every message, with an example.
    #[serde(skip)]
    pub messages: Vec<MessageShown>,
    /// Every reply, with an example where the profile can make one.
    #[serde(skip)]
    pub replies: Vec<ReplyShown>,
}

/// A message of a profile.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MessageShown {
    /// Its key in `[send]`.
    pub message: &'static str,
    /// What it does.
    pub does: &'static str,
    /// Its template.
    pub template: String,
    /// Does the station answer it?
    pub answered: bool,
    /// An example.
    pub example: Option<Shown>,
}

/// A reply of a profile.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReplyShown {
    /// What the profile calls it.
    pub reply: String,
    /// What it means.
    pub means: &'static str,
    /// How it is recognised.
    #[serde(rename = "match")]
    pub pattern: String,
    /// What it tells, and which command it answers.
    pub tells: String,
    /// An example.
    pub example: Option<Shown>,
}

/// A message as it goes over the wire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// What it says.
    pub of: String,
    /// All its bytes, in hexadecimal.
    pub bytes: String,
    /// The same, part by part.
    pub parts: Vec<ByteShown>,
}

/// Bytes of a message that come from the same place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ByteShown {
    /// Bytes before it.
    pub offset: usize,
    /// The bytes, in hexadecimal.
    pub bytes: String,
    /// The bytes as text, where they are text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Where they come from.
    pub from: String,
}

impl Explanation {
    /// Explains a profile.
    pub fn of(profile: &Profile) -> Self {
        Self {
            name: profile.name.clone(),
            notes: profile.notes.clone(),
            numbering: profile.numbering.as_str(),
            serial: words::serial(profile),
            framing: words::framing(&profile.framing),
            timing: words::timing(profile),
            can: words::can(profile),
            cannot: words::cannot(profile),
            messages: messages(profile),
            replies: profile
                .replies
                .iter()
                .map(|pattern| reply(profile, pattern))
                .collect(),
        }
    }
}

fn messages(profile: &Profile) -> Vec<MessageShown> {
    let shown = profile.messages.iter().map(|message| {
        let example = example(profile, message.kind, &message.template);
        MessageShown {
            message: message.kind.key(),
            does: message.kind.does(),
            template: message.template.text.clone(),
            answered: profile.timing.is_answered(message.kind),
            example,
        }
    });
    shown.collect()
}

/// A message for the address of the examples, or for the first that it can carry.
fn example(profile: &Profile, kind: MessageKind, template: &Template) -> Option<Shown> {
    let usual = KeyedAddress::new(EXAMPLE).ok()?.binary(profile.numbering);
    let addresses = std::iter::once(usual).chain(BinaryAddress::all());
    for address in addresses {
        let Some((of, facts)) = example_facts(profile, kind, address) else {
            continue;
        };
        let Ok(body) = template.fill(&facts) else {
            continue;
        };
        if let Ok(assembly) = profile.framing.wrap(body) {
            return Some(shown(profile, of, &assembly, template, &facts));
        }
    }
    None
}

fn example_facts(
    profile: &Profile,
    kind: MessageKind,
    address: BinaryAddress,
) -> Option<(String, Facts)> {
    let side = Position::Diverging.pair_bit();
    let number = address.keyed(profile.numbering);
    let cv = CvNumber::CONFIGURATION;
    let value = 128;
    let throw = BasicAccessory::new(address, side, true);
    let (of, command): (String, Command) = match kind {
        MessageKind::Throw => (format!("keyed address {number}, diverging"), throw.into()),
        MessageKind::Release => (
            format!("keyed address {number}, diverging"),
            throw.released().into(),
        ),
        MessageKind::Aspect => (
            format!("keyed address {number}, aspect 1"),
            ExtendedAccessory::new(address, 1).into(),
        ),
        MessageKind::Packet => (
            format!(
                "keyed address {number}, diverging, as the packet {}",
                throw.emit()
            ),
            throw.into(),
        ),
        MessageKind::CvWrite => {
            let target = profile.reach.target(address)?;
            let operation = CvOperation::WriteByte(value);
            let access = AccessoryCv {
                target,
                cv,
                operation,
            };
            let of = format!("keyed address {number}, CV{cv} = {value}");
            (of, Command::Packet(access.emit()))
        }
        MessageKind::CvRead => {
            let target = profile.reach.target(address)?;
            let of = format!("keyed address {number}, CV{cv}");
            (of, Command::CvRead { target, cv })
        }
        MessageKind::ServiceWrite => (
            format!("CV{cv} = {value}"),
            Command::ServiceWrite { cv, value },
        ),
        MessageKind::ServiceRead => (format!("CV{cv}"), Command::ServiceRead { cv }),
        MessageKind::PowerOn => (String::new(), Command::Power(true)),
        MessageKind::PowerOff => (String::new(), Command::Power(false)),
        MessageKind::Start | MessageKind::Keepalive => {
            return Some((String::new(), Facts::default()));
        }
    };
    Some((of, command::facts(profile, &command)))
}

fn shown(
    profile: &Profile,
    of: String,
    assembly: &Assembly,
    template: &Template,
    facts: &Facts,
) -> Shown {
    let is_text = matches!(profile.framing, Framing::Text(_));
    let mut parts: Vec<(Origin, usize, Vec<u8>)> = Vec::new();
    for (offset, (byte, origin)) in assembly.bytes.iter().zip(&assembly.origins).enumerate() {
        match parts.last_mut() {
            Some((last, _, bytes)) if last == origin => bytes.push(*byte),
            _ => parts.push((*origin, offset, vec![*byte])),
        }
    }
    let mut changed = false;
    let parts = parts.into_iter().map(|(origin, offset, bytes)| {
        let mut from = from(origin, template, facts);
        if changed {
            from.push_str("; its first byte is changed");
        }
        changed = origin == Origin::Escape;
        ByteShown {
            offset,
            bytes: hex(&bytes),
            text: readable(&bytes, origin).filter(|_| is_text),
            from,
        }
    });
    Shown {
        of,
        bytes: hex(&assembly.bytes),
        parts: parts.collect(),
    }
}

fn readable(bytes: &[u8], origin: Origin) -> Option<String> {
    let plain = bytes.iter().all(|byte| matches!(byte, b' '..=b'~'));
    let of_text = matches!(origin, Origin::Pieces(..)) && plain;
    of_text.then(|| String::from_utf8_lossy(bytes).into_owned())
}

fn from(origin: Origin, template: &Template, facts: &Facts) -> String {
    match origin {
        Origin::Start => "start of the frame".to_owned(),
        Origin::Length => "length".to_owned(),
        Origin::Check => "check".to_owned(),
        Origin::End => "end of the frame".to_owned(),
        Origin::Escape => "announces a changed byte".to_owned(),
        Origin::LineEnd => "line end".to_owned(),
        Origin::Pieces(first, last) => {
            let pieces = template.pieces.get(first..=last).unwrap_or_default();
            let told: Vec<_> = pieces
                .iter()
                .map(|piece| piece_told(piece, facts))
                .collect();
            told.join(", ")
        }
    }
}

fn piece_told(piece: &Piece, facts: &Facts) -> String {
    match &piece.kind {
        Kind::Literal(_) => "as it stands".to_owned(),
        Kind::Fixed { .. } => format!("{} as it stands", piece.text),
        Kind::Number(formula, _) => match formula.number(&|value| facts.number(*value)) {
            Ok(number) => format!("{} = {number}", piece.text),
            Err(_) => piece.text.clone(),
        },
        Kind::Position(_) => match facts.position {
            Some(position) => format!("{} = {position}", piece.text),
            None => piece.text.clone(),
        },
        Kind::Packet { .. } | Kind::Reason => piece.text.clone(),
    }
}

fn reply(profile: &Profile, pattern: &Pattern) -> ReplyShown {
    let example = reply_example(profile, pattern);
    let mut tells = match pattern.answers {
        Answers::Nothing => "answers no command".to_owned(),
        Answers::Order => "answers the oldest command without an answer".to_owned(),
        Answers::Address => "answers the command to its address".to_owned(),
    };
    match &pattern.address {
        Some((Numbers::Keyed, _)) => tells.push_str("; tells the keyed address"),
        Some((Numbers::Binary, _)) => tells.push_str("; tells the binary address"),
        None => {}
    }
    let told = [
        (pattern.position.is_some(), "; tells the position"),
        (pattern.cv.is_some(), "; tells the number of the CV"),
        (pattern.value.is_some(), "; tells the value"),
        (pattern.reason.is_some(), "; tells why"),
    ];
    told.iter()
        .filter(|(tells, _)| *tells)
        .for_each(|(_, what)| tells.push_str(what));
    ReplyShown {
        reply: pattern.name.to_string(),
        means: pattern.means.name(),
        pattern: pattern.text.clone(),
        tells,
        example,
    }
}

fn reply_example(profile: &Profile, pattern: &Pattern) -> Option<Shown> {
    let template = pattern.emit.as_ref()?;
    let usual = KeyedAddress::new(EXAMPLE).ok()?.binary(profile.numbering);
    let mut addresses = std::iter::once(usual).chain(BinaryAddress::all());
    addresses.find_map(|address| {
        let mut facts = Facts::default();
        facts.set_address(address, profile.numbering);
        facts.set_side(PairBit::Zero, profile.positions.as_ref());
        facts.set_cv(CvNumber::CONFIGURATION);
        facts.set(super::value::Value::Data, 128);
        facts.reason = Some("short circuit".to_owned());
        let body = template.fill(&facts).ok()?;
        let assembly = station::said(profile, body).ok()?;
        let mut of = Vec::new();
        if pattern.address.is_some() {
            of.push(format!(
                "keyed address {}",
                address.keyed(profile.numbering)
            ));
        }
        if pattern.position.is_some() {
            of.push("diverging".to_owned());
        }
        if pattern.value.is_some() {
            of.push("CV29 = 128".to_owned());
        }
        Some(shown(profile, of.join(", "), &assembly, template, &facts))
    })
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<_> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}
