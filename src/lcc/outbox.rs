//! Messages waiting to go out: bounded, whatever is asked and however slow the line.

use std::collections::VecDeque;

use throwproof_protocol::lcc::{Addressed, CanFrame, CanId, EventId, Header, Kind};

/// How many frames of replies may wait. Past it requests go unanswered, and are counted.
pub(super) const MAX_REPLIES: usize = 512;
/// How many event reports may wait: a release must never be refused for lack of room, so this is
/// far more than any owner has under way.
pub(super) const MAX_EVENTS: usize = 16_384;
/// How many happenings may wait for an owner that does not look.
pub(super) const MAX_HAPPENINGS: usize = 16_384;

/// What a node could not do for lack of room, and what it left alone. Counters stop at their
/// maximum.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct NodeTally {
    /// Replies not made because too many were waiting.
    pub replies_dropped: u64,
    /// Happenings lost because the owner did not ask for them.
    pub happenings_dropped: u64,
    /// Frames with 11-bit headers and remote frames, which are none of LCC's.
    pub foreign_frames: u64,
}

/// An event to go out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outgoing {
    /// It happened.
    Report(EventId),
    /// It is newly produced, which has to be said before it may happen.
    Announce(EventId),
}

/// Frames of replies, in order.
#[derive(Debug, Default)]
pub(super) struct Replies {
    frames: VecDeque<CanFrame>,
    /// A whole reply went, so that it is the turn of something else.
    yields: bool,
}

impl Replies {
    /// Queues all frames of a reply or none. A reply that is waiting already stands for this one
    /// too.
    ///
    /// clause: Event Transport TN 2.6 and Message Network S 3.4.2: replies may be combined.
    pub(super) fn push(&mut self, reply: &[CanFrame]) -> bool {
        let Some(first) = reply.first() else {
            return true;
        };
        if self.frames.contains(first) {
            return true;
        }
        if self.frames.len() + reply.len() > MAX_REPLIES {
            return false;
        }
        self.frames.extend(reply);
        true
    }

    pub(super) fn pop(&mut self) -> Option<CanFrame> {
        let frame = self.frames.pop_front()?;
        self.yields = !is_continued(&frame);
        Some(frame)
    }

    /// Did a whole reply go since this was last asked? Never in the middle of one.
    pub(super) const fn take_yield(&mut self) -> bool {
        std::mem::replace(&mut self.yields, false)
    }

    pub(super) fn clear(&mut self) {
        self.frames.clear();
        self.yields = false;
    }
}

/// Does the message go on after this frame?
fn is_continued(frame: &CanFrame) -> bool {
    let CanId::Extended(id) = frame.id() else {
        return false;
    };
    matches!(Header::parse(id).kind, Kind::Message(mti) if mti.is_addressed())
        && Addressed::parse(frame.data()).is_some_and(|addressed| !addressed.part.ends())
}
