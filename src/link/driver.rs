//! A protocol engine without input, output or a clock, as the actor drives it.

use std::time::Duration;

use bytes::BytesMut;
use throwproof_protocol::packet::Packet;

use super::{PositionReport, Taken};

/// Which of the owner's commands an answer is for.
pub(super) type Ticket = u64;

/// What a driver tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum News {
    /// The greeting is over: commands go out.
    Ready,
    /// What became of a command.
    Taken(Ticket, Taken),
    /// A turnout lies so.
    Position(PositionReport),
    /// Nothing may be sent, and why; or it may again.
    Held(Option<String>),
    /// Something the operator should be told.
    Remark(String),
    /// The line is of no use any more.
    Broken(String),
    /// The farewell is over.
    Left,
}

/// A protocol engine. All times are on the clock of the link.
pub(super) trait Driver: Send {
    /// The line is up.
    fn opened(&mut self, now: Duration);

    /// Bytes came in; what is not understood yet stays in `source`.
    fn receive(&mut self, source: &mut BytesMut, now: Duration);

    /// Does what is due by now. `source` is what `receive` left.
    fn tick(&mut self, source: &mut BytesMut, now: Duration);

    /// When [`Driver::tick`] has something to do.
    fn deadline(&self) -> Option<Duration>;

    /// A command; its answer has the same ticket.
    fn submit(&mut self, ticket: Ticket, packet: &Packet, now: Duration);

    /// Adds what is to be written next; nothing if nothing is.
    fn output(&mut self, out: &mut BytesMut, now: Duration);

    /// All that `output` gave is written.
    fn written(&mut self, now: Duration);

    /// Says farewell; [`News::Left`] follows.
    fn leave(&mut self, now: Duration);

    /// What there is to tell, in order.
    fn news(&mut self) -> Option<News>;

    /// What was thrown away while reading, in words; empty if nothing was.
    fn dropped(&self) -> String;
}
