//! Our side of the wire: commands into bytes, bytes into replies.

use std::sync::Arc;

use bytes::{Bytes, BytesMut};

use super::command::{CannotSend, Command};
use super::framing::Framing;
use super::framing::frames::{Dropped, Frames, Step, Why};
use super::framing::lines::Lines;
use super::layout::Layout;
use super::reply::{Matcher, Reply};
use super::{Outgoing, Profile};

/// Our side of the wire.
///
/// It keeps nothing but what it needs to find the next message in the bytes that come in; those
/// stay in the caller's buffer, which never holds more than one unfinished message after
/// [`ProfileCodec::decode`] gave `None`.
#[derive(Debug, Clone)]
pub struct ProfileCodec {
    profile: Arc<Profile>,
    splitter: Splitter,
    counters: Counters,
}

/// What went through a codec since it was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Messages understood.
    pub messages: u64,
    /// Times that something was thrown away.
    pub drops: u64,
    /// Bytes thrown away.
    pub dropped_bytes: u64,
}

/// What came in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decoded {
    /// A reply, and its bytes without what is around it.
    Reply(Reply, Bytes),
    /// Bytes that are none.
    Dropped(Dropped),
}

impl ProfileCodec {
    /// A codec that has heard nothing yet.
    pub fn new(profile: Arc<Profile>) -> Self {
        let layouts = profile
            .replies
            .iter()
            .filter_map(|reply| match &reply.matcher {
                Matcher::Binary(layout) => Some(layout.clone()),
                Matcher::Text(..) => None,
            });
        let splitter = Splitter::new(&profile.framing, layouts.collect());
        Self {
            profile,
            splitter,
            counters: Counters::default(),
        }
    }

    /// The profile.
    pub fn profile(&self) -> &Arc<Profile> {
        &self.profile
    }

    /// What went through it.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// The bytes that ask for this: [`Profile::encode`].
    ///
    /// # Errors
    /// When no message of the profile can carry it.
    pub fn encode(&self, command: &Command) -> Result<Option<Outgoing>, CannotSend> {
        self.profile.encode(command)
    }

    /// The next that came in, taken out of the buffer; `None` until more comes.
    pub fn decode(&mut self, source: &mut BytesMut) -> Option<Decoded> {
        let step = self.splitter.next(source);
        self.understand(step)
    }

    /// The same after a silence of [`super::Timing::silence`] or more: what was begun is given
    /// up, so that a lost byte does not swallow what comes next. `None` when nothing is left.
    pub fn decode_after_silence(&mut self, source: &mut BytesMut) -> Option<Decoded> {
        let step = self.splitter.next_after_silence(source);
        self.understand(step)
    }

    fn understand(&mut self, step: Step) -> Option<Decoded> {
        let dropped = match step {
            Step::NeedMore => return None,
            Step::Dropped(dropped) => dropped,
            Step::Frame(body) => match self.profile.reply_in(&body) {
                Ok(reply) => {
                    self.counters.messages += 1;
                    return Some(Decoded::Reply(reply, body));
                }
                Err(why) => Dropped::new(body.len(), &body, why),
            },
        };
        self.counters.count(&dropped);
        Some(Decoded::Dropped(dropped))
    }
}

impl Counters {
    pub(super) fn count(&mut self, dropped: &Dropped) {
        self.drops += 1;
        self.dropped_bytes += u64::try_from(dropped.count).unwrap_or(u64::MAX);
    }
}

impl Profile {
    /// The reply that the message of a frame is.
    pub(super) fn reply_in(&self, body: &[u8]) -> Result<Reply, Why> {
        match self.find_reply(body)? {
            Some((_, reply)) => reply,
            None => Err(Why::Unknown),
        }
    }

    /// The first reply that fits the message of a frame, by its place in the profile.
    pub(super) fn find_reply(&self, body: &[u8]) -> Result<Option<Fitting>, Why> {
        let text = self.text_of(body)?;
        let text = text.as_deref();
        let mut replies = self.replies.iter().enumerate();
        Ok(replies.find_map(|(index, pattern)| {
            let reply = pattern.read(body, text, self.numbering)?;
            Some((index, reply))
        }))
    }

    /// The text of a line; `None` in a binary protocol.
    pub(super) fn text_of(&self, body: &[u8]) -> Result<Option<String>, Why> {
        match &self.framing {
            Framing::Binary(_) => Ok(None),
            Framing::Text(text) => {
                let text = text.encoding.decode(body).ok_or(Why::NotText)?;
                Ok(Some(text))
            }
        }
    }
}

/// A reply by its place in the profile, and what is in it.
pub(super) type Fitting = (usize, Result<Reply, Why>);

/// Finds messages in bytes.
#[derive(Debug, Clone)]
pub(super) enum Splitter {
    Lines(Lines),
    Frames(Box<Frames>),
}

impl Splitter {
    /// `layouts` are the messages there are, should nothing else say how long one is.
    pub(super) fn new(framing: &Framing, layouts: Vec<Layout>) -> Self {
        match framing {
            Framing::Text(text) => Self::Lines(Lines::new(text)),
            Framing::Binary(binary) => Self::Frames(Box::new(Frames::new(binary, layouts))),
        }
    }

    pub(super) fn next(&mut self, source: &mut BytesMut) -> Step {
        match self {
            Self::Lines(lines) => lines.next(source),
            Self::Frames(frames) => frames.next(source),
        }
    }

    pub(super) fn next_after_silence(&mut self, source: &mut BytesMut) -> Step {
        loop {
            let step = self.next(source);
            if !matches!(step, Step::NeedMore) {
                return step;
            }
            let given_up = match self {
                Self::Lines(lines) => lines.give_up(source),
                Self::Frames(frames) => frames.give_up(source),
            };
            match given_up {
                Some(dropped) => return Step::Dropped(dropped),
                None if source.is_empty() => return Step::NeedMore,
                None => {}
            }
        }
    }
}
