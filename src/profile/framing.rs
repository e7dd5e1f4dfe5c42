//! What is around a message on the wire, and where it ends.

use std::borrow::Cow;

use super::check_bytes::{ByteOrder, Check, Covers, bytes_number, number_bytes};

pub(super) mod frames;
pub(super) mod lines;

/// What is around a message on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Framing {
    /// A message is a line of text.
    Text(TextFraming),
    /// A message is a row of bytes.
    Binary(BinaryFraming),
}

/// Lines of text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextFraming {
    /// What ends a line that is sent.
    pub line_end: String,
    /// What ends a line that is received.
    pub line_ends_in: Vec<String>,
    /// How characters become bytes.
    pub encoding: Encoding,
    /// Longest line that is read, bytes, without its end.
    pub longest: usize,
}

/// How characters become bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// One byte, up to 7F.
    Ascii,
    /// One to four bytes.
    Utf8,
    /// One byte, up to FF (ISO/IEC 8859-1).
    Latin1,
}

impl Encoding {
    /// The bytes of a text; `Err` has the first character that it has no byte for.
    pub fn encode(self, text: &str) -> Result<Vec<u8>, char> {
        match self {
            Self::Utf8 => Ok(text.as_bytes().to_vec()),
            Self::Ascii => narrow(text, 0x7f),
            Self::Latin1 => narrow(text, 0xff),
        }
    }

    /// The text of some bytes; `None` where they are none.
    pub fn decode(self, bytes: &[u8]) -> Option<String> {
        match self {
            Self::Ascii if !bytes.is_ascii() => None,
            Self::Ascii | Self::Utf8 => std::str::from_utf8(bytes).ok().map(str::to_owned),
            Self::Latin1 => Some(bytes.iter().map(|byte| char::from(*byte)).collect()),
        }
    }
}

fn narrow(text: &str, last: u8) -> Result<Vec<u8>, char> {
    let byte = |c| u8::try_from(c).ok().filter(|byte| *byte <= last).ok_or(c);
    text.chars().map(byte).collect()
}

/// Rows of bytes.
///
/// ```text
/// start | message, with the length put into it | check | end
///       \---------------- stuffed -------------/
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BinaryFraming {
    /// What every frame starts with; may be nothing.
    pub start: Vec<u8>,
    /// What every frame ends with; may be nothing.
    pub end: Option<u8>,
    /// How bytes that mean something to the framing are sent inside a frame.
    pub stuffing: Option<Stuffing>,
    /// A number that says how long the frame is.
    pub length: Option<Length>,
    /// Check bytes.
    pub check: Option<Check>,
    /// Longest frame that is read, bytes, before stuffing.
    pub longest: usize,
}

/// How bytes that mean something to the framing are sent inside a frame: `escape`, then the
/// byte XOR `xor`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stuffing {
    /// What announces a changed byte.
    pub escape: u8,
    /// How it is changed.
    pub xor: u8,
    /// The bytes that are changed; `escape` is always among them.
    pub bytes: Vec<u8>,
}

/// A number in a frame that says how long it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Length {
    /// How many bytes of the frame stand before it.
    pub at: usize,
    /// How many bytes it has: 1 or 2.
    pub bytes: usize,
    /// Order of its bytes.
    pub order: ByteOrder,
    /// What it counts.
    pub counts: Counts,
    /// What is added to that number.
    pub plus: i32,
}

/// What a length counts, before stuffing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Counts {
    /// Every byte of the frame.
    Frame,
    /// Every byte behind the length.
    After,
    /// The bytes of the message alone: no start, length, check or end.
    Body,
}

/// Where a byte of a message on the wire comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Origin {
    /// Pieces of the template, the first and the last by their place in it.
    Pieces(usize, usize),
    Start,
    Length,
    Check,
    End,
    Escape,
    LineEnd,
}

/// Bytes, each with where it comes from.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Assembly {
    pub(super) bytes: Vec<u8>,
    pub(super) origins: Vec<Origin>,
}

impl Assembly {
    pub(super) fn push(&mut self, bytes: &[u8], origin: Origin) {
        self.bytes.extend_from_slice(bytes);
        self.origins.resize(self.bytes.len(), origin);
    }

    fn insert(&mut self, at: usize, bytes: &[u8], origin: Origin) {
        let at = at.min(self.bytes.len());
        self.bytes.splice(at..at, bytes.iter().copied());
        let origins = std::iter::repeat_n(origin, bytes.len());
        self.origins.splice(at..at, origins);
    }
}

/// A message that its frame can't hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum FrameError {
    /// It is longer than the frame may be.
    #[error("the frame has {found} bytes, and the longest has {longest}")]
    TooLong {
        /// How many it has.
        found: usize,
        /// How many it may have.
        longest: usize,
    },
    /// The length is no number that fits.
    #[error("the length would be {0}, which does not fit")]
    Length(i64),
    /// The message is too short for its length to stand where it must.
    #[error("the message has {0} bytes, too few for the length to stand where it must")]
    TooShort(usize),
}

impl Framing {
    /// The message with all that is around it on the wire.
    pub(super) fn wrap(&self, body: Assembly) -> Result<Assembly, FrameError> {
        match self {
            Self::Text(text) => text.wrap(body),
            Self::Binary(binary) => binary.wrap(body),
        }
    }
}

impl TextFraming {
    fn wrap(&self, mut body: Assembly) -> Result<Assembly, FrameError> {
        let (found, longest) = (body.bytes.len(), self.longest);
        if found > longest {
            return Err(FrameError::TooLong { found, longest });
        }
        // Line ends are checked to be in the encoding when the profile is read.
        let end = self.encoding.encode(&self.line_end).unwrap_or_default();
        body.push(&end, Origin::LineEnd);
        Ok(body)
    }
}

impl BinaryFraming {
    /// Bytes around the message, the length included.
    pub(super) fn around(&self) -> usize {
        let check = self.check.as_ref().map_or(0, Check::len);
        let length = self.length.map_or(0, |length| length.bytes);
        self.start.len() + length + check + usize::from(self.end.is_some())
    }

    fn wrap(&self, body: Assembly) -> Result<Assembly, FrameError> {
        let (found, longest) = (body.bytes.len() + self.around(), self.longest);
        if found > longest {
            return Err(FrameError::TooLong { found, longest });
        }
        let check = self.check.as_ref();
        let body_alone = check
            .filter(|check| check.covers == Covers::Body)
            .map(|check| check.of(&body.bytes));
        let mut inside = body;
        if let Some(length) = self.length {
            let at = length.at.saturating_sub(self.start.len());
            if at > inside.bytes.len() {
                return Err(FrameError::TooShort(inside.bytes.len()));
            }
            let number = length.of(found, self.around())?;
            let bytes = number_bytes(number, length.bytes, length.order);
            inside.insert(at, &bytes, Origin::Length);
        }
        if let Some(check) = check {
            let bytes = match check.covers {
                Covers::Body => body_alone.unwrap_or_default(),
                Covers::AfterStart => check.of(&inside.bytes),
                Covers::Frame => check.of(&[&*self.start, &*inside.bytes].concat()),
            };
            inside.push(&bytes, Origin::Check);
        }
        let mut wire = Assembly::default();
        wire.push(&self.start, Origin::Start);
        for (byte, origin) in inside.bytes.iter().zip(&inside.origins) {
            match &self.stuffing {
                Some(stuffing) if stuffing.bytes.contains(byte) => {
                    wire.push(&[stuffing.escape], Origin::Escape);
                    wire.push(&[byte ^ stuffing.xor], *origin);
                }
                _ => wire.push(&[*byte], *origin),
            }
        }
        if let Some(end) = self.end {
            wire.push(&[end], Origin::End);
        }
        Ok(wire)
    }

    /// The message of a whole unstuffed frame without its end; `None` where the check is wrong.
    fn unwrap<'f>(&self, frame: &'f [u8]) -> Option<Cow<'f, [u8]>> {
        let check = self.check.as_ref().map_or(0, Check::len);
        let split = frame.len().checked_sub(check)?;
        let (covered, found) = frame.split_at(split);
        let inside = covered.get(self.start.len()..)?;
        let body: Cow<'f, [u8]> = match self.length {
            None => inside.into(),
            Some(length) => {
                let at = length.at.checked_sub(self.start.len())?;
                let rest = inside.get(at + length.bytes..)?;
                if at == 0 {
                    rest.into()
                } else {
                    [inside.get(..at)?, rest].concat().into()
                }
            }
        };
        let right = self.check.as_ref().is_none_or(|check| {
            let expected = match check.covers {
                Covers::Frame => check.of(covered),
                Covers::AfterStart => check.of(inside),
                Covers::Body => check.of(&body),
            };
            expected == found
        });
        right.then_some(body)
    }
}

impl Length {
    /// The number to send for a frame of `frame` bytes, of which `around` are not the message.
    fn of(self, frame: usize, around: usize) -> Result<u32, FrameError> {
        let counted = match self.counts {
            Counts::Frame => frame,
            Counts::After => frame - self.at - self.bytes,
            Counts::Body => frame - around,
        };
        let number = i64::try_from(counted).unwrap_or(i64::MAX) + i64::from(self.plus);
        let fits = u32::try_from(number)
            .ok()
            .filter(|number| *number < 1 << (8 * self.bytes));
        fits.ok_or(FrameError::Length(number))
    }

    /// How many bytes the whole frame has, end included, by the bytes of the length.
    fn frame(self, bytes: &[u8], around: usize) -> Option<usize> {
        let number = i64::from(bytes_number(bytes, self.order)) - i64::from(self.plus);
        let counted = usize::try_from(number).ok()?;
        let frame = match self.counts {
            Counts::Frame => counted,
            Counts::After => counted + self.at + self.bytes,
            Counts::Body => counted + around,
        };
        (frame >= around && frame >= self.at + self.bytes).then_some(frame)
    }
}
