//! Serial settings and times.

use std::time::Duration;

use crate::toml_reader::Choice;

use super::command::MessageKind;

/// How the port is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Serial {
    /// Speed, bits a second.
    pub baud: u32,
    /// Data bits of a character: 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits: 1 or 2.
    pub stop_bits: u8,
    /// Who may send when.
    pub flow: FlowControl,
    /// What is done with the DTR line.
    pub dtr: Dtr,
}

/// Parity bit of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Parity {
    /// There is none.
    None,
    /// It makes the number of ones even.
    Even,
    /// It makes the number of ones odd.
    Odd,
}

impl Choice for Parity {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("none", Self::None),
        ("even", Self::Even),
        ("odd", Self::Odd),
    ];
}

/// Who may send when.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FlowControl {
    /// Anyone at any time.
    None,
    /// The lines RTS and CTS say.
    RtsCts,
    /// The bytes 11 and 13 say, which then mean nothing else.
    XonXoff,
}

impl Choice for FlowControl {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("none", Self::None),
        ("rts-cts", Self::RtsCts),
        ("xon-xoff", Self::XonXoff),
    ];
}

/// What is done with the DTR line when the port is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dtr {
    /// Nothing.
    Leave,
    /// It is set.
    On,
    /// It is cleared.
    Off,
}

impl Choice for Dtr {
    const NAMES: &'static [(&'static str, Self)] =
        &[("leave", Self::Leave), ("on", Self::On), ("off", Self::Off)];
}

/// Times, and what they depend on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timing {
    /// How long a reply may take.
    pub reply: Duration,
    /// How often a command that has no reply, or a busy one, is sent again.
    pub retries: u8,
    /// Least pause between two messages.
    pub gap: Duration,
    /// Least pause after a throw's activation before the next message but its release.
    pub after_throw: Duration,
    /// Silence after which a message that was begun is given up.
    pub silence: Duration,
    /// Silence of ours after which `keepalive` is sent; zero for never.
    pub keepalive: Duration,
    /// The station releases outputs by itself.
    pub releases_itself: bool,
    /// The messages that the station answers.
    pub answered: Vec<MessageKind>,
}

impl Timing {
    /// Does the station answer such messages?
    pub fn is_answered(&self, kind: MessageKind) -> bool {
        self.answered.contains(&kind)
    }
}
