//! Bytes into frames.

use bytes::{Buf, Bytes, BytesMut};

use super::BinaryFraming;
use crate::profile::check_bytes::Check;
use crate::profile::layout::Layout;

/// What became of the next bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::profile) enum Step {
    /// A message.
    Frame(Bytes),
    /// Bytes that are none.
    Dropped(Dropped),
    /// More must come first.
    NeedMore,
}

/// Bytes that were thrown away.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dropped {
    /// How many.
    pub count: usize,
    /// The first of them, up to [`Dropped::SAMPLE`].
    pub sample: Bytes,
    /// Why.
    pub why: Why,
}

impl Dropped {
    /// The most bytes of it that are kept.
    pub const SAMPLE: usize = 32;

    pub(in crate::profile) fn new(count: usize, bytes: &[u8], why: Why) -> Self {
        let shown = bytes.len().min(Self::SAMPLE);
        Self {
            count,
            sample: Bytes::copy_from_slice(&bytes[..shown]),
            why,
        }
    }
}

/// Why bytes were thrown away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Why {
    /// No frame starts there.
    #[error("no message starts there")]
    NoStart,
    /// The next frame starts before this one ended.
    #[error("the next message starts before this one ended")]
    CutShort,
    /// The length can't be.
    #[error("its length can't be right")]
    BadLength,
    /// The check bytes are wrong.
    #[error("its check bytes are wrong")]
    BadCheck,
    /// It does not end as it must.
    #[error("it does not end as a message must")]
    BadEnd,
    /// It is longer than any message.
    #[error("it is longer than any message")]
    TooLong,
    /// It is not text in the profile's encoding.
    #[error("it is not text in the profile's encoding")]
    NotText,
    /// It is whole, and no reply of the profile looks like it.
    #[error("no reply of the profile looks like it")]
    Unknown,
    /// It has an address that there is none of.
    #[error("the address in it is out of range")]
    BadAddress,
    /// It has a position that the profile has no word for.
    #[error("the position in it is neither straight nor diverging")]
    BadPosition,
    /// It has a number that can't be.
    #[error("a number in it is out of range")]
    BadNumber,
    /// It was begun and never ended.
    #[error("it was begun and never ended")]
    Silence,
}

/// Finds frames in what comes in.
#[derive(Debug, Clone)]
pub(in crate::profile) struct Frames {
    framing: BinaryFraming,
    /// The messages there are, where nothing else says how long a frame is.
    layouts: Vec<Layout>,
    /// A frame that waits until the bytes dropped before it are told.
    waiting: Option<Bytes>,
}

/// What stands at the beginning of some bytes.
enum Look {
    Incomplete,
    Frame { wire: usize, body: Bytes },
    Bad { skip: usize, why: Option<Why> },
}

impl Look {
    fn bad(skip: usize, why: Why) -> Self {
        let skip = skip.max(1);
        let why = Some(why);
        Self::Bad { skip, why }
    }
}

impl Frames {
    pub(in crate::profile) fn new(framing: &BinaryFraming, layouts: Vec<Layout>) -> Self {
        Self {
            framing: framing.clone(),
            layouts,
            waiting: None,
        }
    }

    pub(in crate::profile) fn next(&mut self, source: &mut BytesMut) -> Step {
        if let Some(body) = self.waiting.take() {
            return Step::Frame(body);
        }
        let mut dropped: Option<Dropped> = None;
        loop {
            match self.look(source) {
                Look::Bad { skip, why } => {
                    let skip = skip.min(source.len());
                    match (&mut dropped, why) {
                        (_, None) => {}
                        (Some(dropped), Some(_)) => dropped.add(&source[..skip]),
                        (None, Some(why)) => {
                            dropped = Some(Dropped::new(skip, &source[..skip], why));
                        }
                    }
                    source.advance(skip);
                }
                Look::Frame { wire, body } => {
                    source.advance(wire.min(source.len()));
                    return match dropped {
                        None => Step::Frame(body),
                        Some(dropped) => {
                            self.waiting = Some(body);
                            Step::Dropped(dropped)
                        }
                    };
                }
                Look::Incomplete => return dropped.map_or(Step::NeedMore, Step::Dropped),
            }
        }
    }

    /// Gives up the frame that was begun; what follows in it may still be one.
    pub(in crate::profile) fn give_up(&mut self, source: &mut BytesMut) -> Option<Dropped> {
        let first = source.first().copied()?;
        source.advance(1);
        // A start byte that is also the end of the frame before is no loss.
        let alone = source.is_empty() && self.framing.end == Some(first);
        (!alone).then(|| Dropped::new(1, &[first], Why::Silence))
    }

    fn look(&self, source: &[u8]) -> Look {
        if source.is_empty() {
            return Look::Incomplete;
        }
        match self.start(source) {
            0 => self.walk(source),
            skip => Look::bad(skip, Why::NoStart),
        }
    }

    /// Bytes before the next start, or before what may be the beginning of one.
    fn start(&self, source: &[u8]) -> usize {
        let start = &self.framing.start;
        let may_start = |at: &usize| {
            let there = &source[*at..];
            let compared = there.len().min(start.len());
            there[..compared] == start[..compared]
        };
        (0..source.len()).find(may_start).unwrap_or(source.len())
    }

    fn walk(&self, source: &[u8]) -> Look {
        let framing = &self.framing;
        let begun = framing.start.len();
        if source.len() < begun {
            return Look::Incomplete;
        }
        let mut frame = framing.start.clone();
        let mut at = begun;
        loop {
            match self.ended(&frame) {
                Ended::No => {}
                Ended::Never(why) => return Look::bad(1, why),
                Ended::Yes => return self.finish(source, at, &frame),
            }
            let Some(byte) = source.get(at).copied() else {
                return Look::Incomplete;
            };
            at += 1;
            let Some(stuffing) = &framing.stuffing else {
                frame.push(byte);
                continue;
            };
            if byte == stuffing.escape {
                let Some(changed) = source.get(at).copied() else {
                    return Look::Incomplete;
                };
                // An escape is never followed by a byte that would have been escaped itself.
                if stuffing.bytes.contains(&changed) {
                    return Look::bad(at, Why::CutShort);
                }
                at += 1;
                frame.push(changed ^ stuffing.xor);
            } else if Some(byte) == framing.end {
                return self.close(at, &frame);
            } else if framing.start.first() == Some(&byte) && stuffing.bytes.contains(&byte) {
                return Look::bad(at - 1, Why::CutShort);
            } else {
                frame.push(byte);
            }
        }
    }

    /// The end byte of stuffed bytes came, right before `at`.
    fn close(&self, at: usize, frame: &[u8]) -> Look {
        let framing = &self.framing;
        // A byte that starts and ends frames may do both at once.
        let shared = framing.start.len() == 1 && framing.start.first() == framing.end.as_ref();
        let wire = if shared { at - 1 } else { at };
        if frame.len() == framing.start.len() {
            let why = (!shared).then_some(Why::NoStart);
            return Look::Bad { skip: wire, why };
        }
        let total = framing.length.map(|length| {
            let number = frame.get(length.at..length.at + length.bytes);
            number.and_then(|bytes| length.frame(bytes, framing.around()))
        });
        if total.is_some_and(|total| total != Some(frame.len() + 1)) {
            return Look::bad(wire, Why::BadLength);
        }
        match framing.unwrap(frame) {
            Some(body) => Look::Frame {
                wire,
                body: Bytes::copy_from_slice(&body),
            },
            None => Look::bad(wire, Why::BadCheck),
        }
    }

    /// As many bytes as the length or a layout says are there.
    fn finish(&self, source: &[u8], at: usize, frame: &[u8]) -> Look {
        let mut wire = at;
        if let Some(end) = self.framing.end {
            match source.get(at) {
                None => return Look::Incomplete,
                Some(found) if *found == end => wire += 1,
                Some(_) => return Look::bad(1, Why::BadEnd),
            }
        }
        match self.framing.unwrap(frame) {
            Some(body) => Look::Frame {
                wire,
                body: Bytes::copy_from_slice(&body),
            },
            None => Look::bad(1, Why::BadCheck),
        }
    }

    /// Is the unstuffed frame whole, but for its end byte?
    fn ended(&self, frame: &[u8]) -> Ended {
        let framing = &self.framing;
        if frame.len() > framing.longest {
            return Ended::Never(Why::TooLong);
        }
        if let Some(length) = framing.length {
            let Some(number) = frame.get(length.at..length.at + length.bytes) else {
                return Ended::No;
            };
            let end = usize::from(framing.end.is_some());
            return match length.frame(number, framing.around()) {
                Some(total) if total > framing.longest => Ended::Never(Why::BadLength),
                Some(total) if frame.len() + end < total => Ended::No,
                // Stuffed bytes end where their end byte is.
                Some(_) if framing.stuffing.is_some() && framing.end.is_some() => Ended::No,
                Some(_) => Ended::Yes,
                None => Ended::Never(Why::BadLength),
            };
        }
        if framing.end.is_some() {
            return Ended::No;
        }
        self.ended_by_layout(frame)
    }

    fn ended_by_layout(&self, frame: &[u8]) -> Ended {
        let framing = &self.framing;
        let check = framing.check.as_ref().map_or(0, Check::len);
        let body = &frame[framing.start.len()..];
        let mut open = false;
        let mut wrong_check = false;
        for layout in &self.layouts {
            let whole = layout.shortest() + check;
            if body.len() < whole {
                open |= layout.may_start(&body[..body.len().min(layout.shortest())]);
            } else if body.len() == whole && layout.fits(&body[..layout.shortest()]) {
                if framing.unwrap(frame).is_some() {
                    return Ended::Yes;
                }
                wrong_check = true;
            }
        }
        match (open, wrong_check) {
            (true, _) => Ended::No,
            (false, true) => Ended::Never(Why::BadCheck),
            (false, false) => Ended::Never(Why::Unknown),
        }
    }
}

enum Ended {
    No,
    Yes,
    Never(Why),
}

impl Dropped {
    fn add(&mut self, bytes: &[u8]) {
        self.count += bytes.len();
        let room = Self::SAMPLE - self.sample.len().min(Self::SAMPLE);
        if room > 0 {
            let more = &bytes[..bytes.len().min(room)];
            self.sample = [&*self.sample, more].concat().into();
        }
    }
}
