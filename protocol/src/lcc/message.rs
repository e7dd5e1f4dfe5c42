//! Addressed messages: the destination in the data, messages of several frames, error codes.
//!
//! ```text
//! data byte 0   data byte 1   more
//! 0b00FFdddd    dddddddd      up to six bytes
//! FF   00 only frame, 01 first, 11 middle, 10 last
//! d    destination alias
//! ```
//!
//! clause: Message Network S 7.3.1.3.

use core::fmt;

use super::alias::Alias;
use super::frame::CanFrame;
use super::header::{Header, Kind, Mti};

/// Which part of a message a frame is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// All of it.
    Only,
    /// The first of several.
    First,
    /// One between.
    Middle,
    /// The last of several.
    Last,
}

impl Part {
    const fn from_bits(bits: u8) -> Self {
        match bits & 0b11 {
            0b00 => Self::Only,
            0b01 => Self::First,
            0b10 => Self::Last,
            _ => Self::Middle,
        }
    }

    const fn bits(self) -> u8 {
        match self {
            Self::Only => 0b00,
            Self::First => 0b01,
            Self::Last => 0b10,
            Self::Middle => 0b11,
        }
    }

    /// Does the message end with this frame?
    pub const fn ends(self) -> bool {
        matches!(self, Self::Only | Self::Last)
    }
}

/// The front of an addressed message: part, destination, and the bytes after them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Addressed<'a> {
    /// Which part this frame is.
    pub part: Part,
    /// Whom it is for; zero is nobody.
    pub destination: u16,
    /// What comes after the destination.
    pub content: &'a [u8],
}

impl<'a> Addressed<'a> {
    /// The most content bytes in one frame.
    pub const MAX_CONTENT: usize = 6;

    /// Reads the data of an addressed message. The two reserved bits are ignored. None when there
    /// is no room for a destination.
    pub fn parse(data: &'a [u8]) -> Option<Self> {
        let ([first, second], content) = data.split_first_chunk::<2>()?;
        Some(Self {
            part: Part::from_bits(first >> 4),
            destination: u16::from_be_bytes([super::nibble(*first), *second]),
            content,
        })
    }

    /// The frame; content past the sixth byte is left out.
    pub fn frame(&self, mti: Mti, source: Alias) -> CanFrame {
        let [high, low] = (self.destination & 0xfff).to_be_bytes();
        let mut data = [0; CanFrame::MAX_DATA];
        let front = [high | (self.part.bits() << 4), low];
        let bytes = front.iter().chain(self.content);
        let mut len = 0_usize;
        for (to, from) in data.iter_mut().zip(bytes) {
            *to = *from;
            len = len.saturating_add(1);
        }
        Header::new(Kind::Message(mti), source.get()).frame(data.get(..len).unwrap_or(&data))
    }
}

/// The frames of one addressed message, as many as its content needs.
///
/// clause: Message Network S 7.3.1.3: first and middle frames are full.
///
/// ```
/// use throwproof_protocol::lcc::{Alias, Mti, message};
///
/// // clause: Message Network TN 2.7.3.1.3.2.
/// let content = [
///     0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0x00, 0x11, 0x22, 0x33, 0x44, 0x55,
///     0x66, 0x77, 0x88, 0x99,
/// ];
/// let (from, to) = (Alias::new(0x456)?, Alias::new(0x123)?);
/// let mut frames = message::frames(Mti::PROTOCOL_REPLY, from, to, &content);
/// assert_eq!(frames.next().map(|f| f.data()[..3] == [0x11, 0x23, 0x11]), Some(true));
/// assert_eq!(frames.next().map(|f| f.data()[..3] == [0x31, 0x23, 0x77]), Some(true));
/// assert_eq!(frames.next().map(|f| f.data()[..3] == [0x31, 0x23, 0x33]), Some(true));
/// assert_eq!(frames.next().map(|f| f.data() == [0x21, 0x23, 0x99]), Some(true));
/// assert_eq!(frames.next(), None);
/// # Ok::<(), throwproof_protocol::lcc::AliasError>(())
/// ```
pub fn frames(
    mti: Mti,
    source: Alias,
    destination: Alias,
    content: &[u8],
) -> impl Iterator<Item = CanFrame> {
    let several = content.len() > Addressed::MAX_CONTENT;
    let none: &[u8] = &[];
    let only = content.is_empty().then_some(none);
    let mut parts = only
        .into_iter()
        .chain(content.chunks(Addressed::MAX_CONTENT))
        .enumerate()
        .peekable();
    core::iter::from_fn(move || {
        let (place, content) = parts.next()?;
        let part = match (several, place, parts.peek()) {
            (false, ..) => Part::Only,
            (true, 0, _) => Part::First,
            (true, _, Some(_)) => Part::Middle,
            (true, _, None) => Part::Last,
        };
        let addressed = Addressed {
            part,
            destination: destination.get(),
            content,
        };
        Some(addressed.frame(mti, source))
    })
}

/// An error code as rejections carry it.
///
/// clause: Message Network S 3.5.5.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ErrorCode(u16);

impl ErrorCode {
    /// Not implemented: unknown MTI, or datagrams or streams not supported.
    pub const UNKNOWN_MTI: Self = Self(0x1043);
    /// Temporary: buffer unavailable or node busy.
    pub const BUSY: Self = Self(0x2020);
    /// Temporary: end frame did not come in time.
    pub const NO_END: Self = Self(0x2011);
    /// Temporary: middle or last frame without a first.
    pub const NO_START: Self = Self(0x2041);
    /// Temporary: first frame before the message before it ended.
    pub const NOT_FINISHED: Self = Self(0x2042);

    /// From the number; what was not sent counts as zero.
    pub const fn new(number: u16) -> Self {
        Self(number)
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Would the same request succeed later?
    pub const fn is_temporary(self) -> bool {
        self.0 & 0x2000 != 0
    }
}

impl fmt::Debug for ErrorCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ErrorCode({self})")
    }
}

impl fmt::Display for ErrorCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04X}", self.0)
    }
}

/// Frames that make no message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum AssemblyError {
    /// A middle or last frame without a first.
    #[error("a middle or last frame came without a first one")]
    NoStart,
    /// A first or only frame while a message was under way; the new message is kept.
    #[error("a message began before the one before it ended")]
    NotFinished,
    /// More content than there is room for.
    #[error("the message is longer than {room} bytes")]
    TooLong {
        /// The room there was.
        room: usize,
    },
}

impl AssemblyError {
    /// The code for a rejection.
    pub const fn code(self) -> ErrorCode {
        match self {
            Self::NoStart => ErrorCode::NO_START,
            Self::NotFinished => ErrorCode::NOT_FINISHED,
            Self::TooLong { .. } => ErrorCode::BUSY,
        }
    }
}

/// A message of several frames being put together: one sender, one MTI.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assembly<const ROOM: usize> {
    content: [u8; ROOM],
    len: usize,
    begun: bool,
}

impl<const ROOM: usize> Default for Assembly<ROOM> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const ROOM: usize> Assembly<ROOM> {
    /// Nothing begun.
    pub const fn new() -> Self {
        Self {
            content: [0; ROOM],
            len: 0,
            begun: false,
        }
    }

    /// Is a message under way?
    pub const fn is_begun(&self) -> bool {
        self.begun
    }

    /// Takes the next frame's content. The whole content when the message ends with it.
    ///
    /// # Errors
    /// When the parts do not follow one another, or there is too much content. After
    /// [`AssemblyError::NotFinished`] the new frame counts as taken, unless it was an only frame,
    /// which has to be taken again.
    pub fn take(&mut self, part: Part, content: &[u8]) -> Result<Option<&[u8]>, AssemblyError> {
        let starts = matches!(part, Part::Only | Part::First);
        if starts && self.begun {
            self.begun = false;
            if part == Part::First {
                self.len = 0;
                self.begun = true;
                self.append(content)?;
            }
            return Err(AssemblyError::NotFinished);
        }
        if !starts && !self.begun {
            return Err(AssemblyError::NoStart);
        }
        if starts {
            self.len = 0;
        }
        self.begun = !part.ends();
        self.append(content)?;
        Ok(part
            .ends()
            .then(|| self.content.get(..self.len).unwrap_or_default()))
    }

    fn append(&mut self, content: &[u8]) -> Result<(), AssemblyError> {
        let end = self.len.saturating_add(content.len());
        let Some(to) = self.content.get_mut(self.len..end) else {
            self.begun = false;
            return Err(AssemblyError::TooLong { room: ROOM });
        };
        to.copy_from_slice(content);
        self.len = end;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    const MTI: Mti = Mti::INFORMATION_REPLY;

    fn alias(number: u16) -> Alias {
        Alias::new(number).unwrap()
    }

    proptest! {
        #[test]
        fn what_is_taken_apart_is_put_together(
            content in prop::collection::vec(any::<u8>(), 0..100),
            from in 1..=0xfff_u16,
            to in 1..=0xfff_u16,
        ) {
            let frames: Vec<_> = frames(MTI, alias(from), alias(to), &content).collect();
            prop_assert_eq!(frames.len(), content.len().div_ceil(6).max(1));
            let mut assembly = Assembly::<100>::new();
            let mut whole = None;
            for frame in &frames {
                let addressed = Addressed::parse(frame.data()).unwrap();
                prop_assert_eq!(addressed.destination, to);
                prop_assert_eq!(addressed.frame(MTI, alias(from)), *frame);
                // clause: Message Network S 7.3.1.3: first and middle frames carry eight bytes.
                prop_assert!(addressed.part.ends() || frame.len() == 8);
                whole = assembly
                    .take(addressed.part, addressed.content)
                    .unwrap()
                    .map(<[u8]>::to_vec);
            }
            prop_assert_eq!(whole, Some(content));
        }

        #[test]
        fn an_assembly_survives_any_order(
            frames in prop::collection::vec((0..4_u8, prop::collection::vec(any::<u8>(), 0..7)), 0..60)
        ) {
            let mut assembly = Assembly::<20>::new();
            for (bits, content) in &frames {
                if let Ok(Some(whole)) = assembly.take(Part::from_bits(*bits), content) {
                    prop_assert!(whole.len() <= 20);
                }
            }
        }
    }

    #[test]
    fn parts_out_of_order_are_told() {
        // clause: Message Network S 3.5.5, message network specific error codes.
        let mut assembly = Assembly::<8>::new();
        let error = assembly.take(Part::Middle, &[1]).unwrap_err();
        assert_eq!(error.code(), ErrorCode::NO_START);
        assert_eq!(assembly.take(Part::First, &[1]), Ok(None));
        let error = assembly.take(Part::First, &[2]).unwrap_err();
        assert_eq!(error.code(), ErrorCode::NOT_FINISHED);
        assert_eq!(assembly.take(Part::Last, &[3]), Ok(Some(&[2, 3][..])));
        assert_eq!(assembly.take(Part::First, &[0; 6]), Ok(None));
        assert_eq!(
            assembly.take(Part::Middle, &[0; 6]),
            Err(AssemblyError::TooLong { room: 8 })
        );
        assert_eq!(assembly.take(Part::Last, &[]), Err(AssemblyError::NoStart));
        assert!(ErrorCode::NO_START.is_temporary() && !ErrorCode::UNKNOWN_MTI.is_temporary());
    }

    #[test]
    fn reserved_address_bits_are_ignored() {
        let addressed = Addressed::parse(&[0xc1, 0x23, 9]).unwrap();
        assert_eq!(
            (addressed.part, addressed.destination, addressed.content),
            (Part::Only, 0x123, &[9][..])
        );
        assert_eq!(Addressed::parse(&[0x01]), None);
    }
}
