//! CAN frames as text, the form they have on serial lines and TCP.
//!
//! ```text
//! : X 195B4123 N 0101020000FF0009 ;
//!   |    |     |        |
//!   |    |     |        data: 0 to 8 bytes, two digits each
//!   |    |     N data frame, R remote frame
//!   |    identifier: 8 digits after X, 1 to 3 after S
//!   X 29-bit identifier, S 11-bit identifier
//! ```
//!
//! The form is not standardised; it is used in the examples of the firmware upgrade technical
//! note (S-9.7.x). `S` and `R` are common practice, no source. Upper case is sent and both cases
//! are read. Space, tab, line ends and NUL between frames mean nothing.

use core::fmt;
use core::iter::FusedIterator;

use super::frame::{CanFrame, CanId};

mod text;

pub use text::TextFrame;

/// Why bytes were dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DropReason {
    /// Bytes between frames that are none of a frame's.
    Garbage,
    /// A colon in the middle of a frame, which starts the next one.
    Interrupted,
    /// A byte in a frame that cannot be there.
    UnexpectedByte,
    /// An identifier with too few digits, too many, or too big a value.
    BadIdentifier,
    /// Data with an odd number of digits, or more than 16.
    BadData,
}

impl DropReason {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Garbage,
        Self::Interrupted,
        Self::UnexpectedByte,
        Self::BadIdentifier,
        Self::BadData,
    ];

    const fn place(self) -> usize {
        match self {
            Self::Garbage => 0,
            Self::Interrupted => 1,
            Self::UnexpectedByte => 2,
            Self::BadIdentifier => 3,
            Self::BadData => 4,
        }
    }
}

impl fmt::Display for DropReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Garbage => "bytes between frames",
            Self::Interrupted => "a frame begun and not ended",
            Self::UnexpectedByte => "a byte that cannot be in a frame",
            Self::BadIdentifier => "an identifier that is no identifier",
            Self::BadData => "data that are no bytes",
        })
    }
}

/// Bytes that were dropped, reported once for each frame or run of garbage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Dropped {
    /// Why.
    pub reason: DropReason,
    /// How many bytes up to here; more of the same frame may follow, see [`Tally::bytes`].
    pub bytes: u32,
}

/// What the decoder found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Decoded {
    /// A frame.
    Frame(CanFrame),
    /// Bytes that are no frame.
    Dropped(Dropped),
}

/// How much was read, and how much was dropped. Counters stop at their maximum.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Tally {
    /// Whole frames.
    pub frames: u64,
    /// Bytes dropped, whatever the reason.
    pub bytes: u64,
    drops: [u64; 5],
}

impl Tally {
    /// How often something was dropped for this reason.
    pub fn drops(&self, reason: DropReason) -> u64 {
        self.drops.get(reason.place()).copied().unwrap_or(0)
    }

    /// How often anything was dropped.
    pub fn all_drops(&self) -> u64 {
        self.drops
            .iter()
            .fold(0, |sum, drops| sum.saturating_add(*drops))
    }

    fn count(&mut self, reason: DropReason) {
        if let Some(drops) = self.drops.get_mut(reason.place()) {
            *drops = drops.saturating_add(1);
        }
    }
}

/// Where in a frame the next byte falls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Between,
    Kind,
    Id,
    Data,
    Remote,
    /// After a byte that cannot be: everything up to the next colon or semicolon.
    Skip,
}

/// Reads frames from bytes, however the bytes are cut.
///
/// It holds one frame's worth of state and never allocates, whatever it is fed.
#[derive(Debug, Clone)]
pub struct GridConnect {
    place: Place,
    extended: bool,
    digits: u8,
    id: u32,
    data: u64,
    bytes: u32,
    tally: Tally,
}

impl Default for GridConnect {
    fn default() -> Self {
        Self::new()
    }
}

impl GridConnect {
    /// A decoder between frames.
    pub const fn new() -> Self {
        Self {
            place: Place::Between,
            extended: false,
            digits: 0,
            id: 0,
            data: 0,
            bytes: 0,
            tally: Tally {
                frames: 0,
                bytes: 0,
                drops: [0; 5],
            },
        }
    }

    /// What was read and dropped so far.
    pub const fn tally(&self) -> Tally {
        self.tally
    }

    /// Is a frame half read? At the end of the bytes, that frame is lost.
    pub const fn is_inside_frame(&self) -> bool {
        !matches!(self.place, Place::Between | Place::Skip)
    }

    /// Forgets a frame half read: for a line that was closed and opened again.
    pub fn reset(&mut self) {
        if self.is_inside_frame() {
            self.drop_frame(DropReason::Interrupted);
        } else if self.bytes != 0 {
            self.drop_frame(DropReason::Garbage);
        }
        self.place = Place::Between;
        self.bytes = 0;
    }

    /// Reads many bytes; what they hold comes out one by one. Bytes are read as frames are asked
    /// for: an iterator given up half-way leaves the rest unread.
    pub fn feed<'d, 'b>(&'d mut self, bytes: &'b [u8]) -> Frames<'d, 'b> {
        Frames {
            decoder: self,
            bytes,
        }
    }

    /// Reads from the front of a slice until something is found, and says how many bytes that
    /// took: all of them when nothing was.
    pub fn decode(&mut self, bytes: &[u8]) -> (usize, Option<Decoded>) {
        let mut used = 0_usize;
        for &byte in bytes {
            used = used.saturating_add(1);
            let found = self.push(byte);
            if found.is_some() {
                return (used, found);
            }
        }
        (used, None)
    }

    /// Reads one byte.
    pub fn push(&mut self, byte: u8) -> Option<Decoded> {
        if byte == b':' {
            return self.start();
        }
        self.bytes = self.bytes.saturating_add(1);
        match self.place {
            Place::Between => {
                if matches!(byte, b' ' | b'\t' | b'\r' | b'\n' | 0) {
                    self.bytes = self.bytes.saturating_sub(1);
                }
                None
            }
            Place::Kind => self.kind(byte),
            Place::Id => self.identifier(byte),
            Place::Data | Place::Remote => self.content(byte),
            Place::Skip => {
                self.bytes = 0;
                self.tally.bytes = self.tally.bytes.saturating_add(1);
                if byte == b';' {
                    self.place = Place::Between;
                }
                None
            }
        }
    }

    fn start(&mut self) -> Option<Decoded> {
        let dropped = match self.place {
            Place::Between if self.bytes == 0 => None,
            Place::Between => Some(self.drop_frame(DropReason::Garbage)),
            Place::Skip => None,
            Place::Kind | Place::Id | Place::Data | Place::Remote => {
                Some(self.drop_frame(DropReason::Interrupted))
            }
        };
        self.place = Place::Kind;
        self.digits = 0;
        self.id = 0;
        self.data = 0;
        self.bytes = 1;
        dropped.map(Decoded::Dropped)
    }

    fn kind(&mut self, byte: u8) -> Option<Decoded> {
        match byte {
            b'X' | b'x' => self.extended = true,
            b'S' | b's' => self.extended = false,
            _ => return Some(self.give_up(byte, DropReason::UnexpectedByte)),
        }
        self.place = Place::Id;
        None
    }

    fn identifier(&mut self, byte: u8) -> Option<Decoded> {
        if let Some(digit) = hex_digit(byte) {
            self.digits = self.digits.saturating_add(1);
            self.id = (self.id << 4) | u32::from(digit);
            let most = if self.extended { 8 } else { 3 };
            if self.digits > most {
                return Some(self.give_up(byte, DropReason::BadIdentifier));
            }
            return None;
        }
        let place = match byte {
            b'N' | b'n' => Place::Data,
            b'R' | b'r' => Place::Remote,
            b';' => return Some(self.give_up(byte, DropReason::BadIdentifier)),
            _ => return Some(self.give_up(byte, DropReason::UnexpectedByte)),
        };
        // Fewer than eight digits would be read as another identifier after a byte was lost.
        let enough = if self.extended {
            self.digits == 8
        } else {
            self.digits != 0
        };
        if !enough || self.can_id().is_none() {
            return Some(self.give_up(byte, DropReason::BadIdentifier));
        }
        self.place = place;
        self.digits = 0;
        None
    }

    fn content(&mut self, byte: u8) -> Option<Decoded> {
        if let Some(digit) = hex_digit(byte) {
            self.digits = self.digits.saturating_add(1);
            if self.digits > 16 {
                return Some(self.give_up(byte, DropReason::BadData));
            }
            self.data = (self.data << 4) | u64::from(digit);
            return None;
        }
        if byte != b';' {
            return Some(self.give_up(byte, DropReason::UnexpectedByte));
        }
        let Some(frame) = self.frame() else {
            return Some(self.give_up(byte, DropReason::BadData));
        };
        self.place = Place::Between;
        self.bytes = 0;
        self.tally.frames = self.tally.frames.saturating_add(1);
        Some(Decoded::Frame(frame))
    }

    fn can_id(&self) -> Option<CanId> {
        if self.extended {
            CanId::extended(self.id).ok()
        } else {
            CanId::standard(self.id).ok()
        }
    }

    fn frame(&self) -> Option<CanFrame> {
        let id = self.can_id()?;
        let pairs = self.digits >> 1;
        if self.place == Place::Remote {
            // One digit is the length asked for; an even number of digits stands for as many
            // bytes as there are pairs, whatever they are.
            let len = match self.digits {
                1 => u8::try_from(self.data).ok()?,
                digits if digits & 1 == 0 => pairs,
                _ => return None,
            };
            return CanFrame::remote(id, len).ok();
        }
        if self.digits & 1 == 1 {
            return None;
        }
        // The digits are the low ones: move them to the front.
        let spare = 64_u32.saturating_sub(u32::from(self.digits) << 2);
        let bytes = self.data.checked_shl(spare).unwrap_or(0).to_be_bytes();
        let data = bytes.get(..usize::from(pairs))?;
        CanFrame::new(id, data).ok()
    }

    /// Drops the frame being read because of this byte.
    fn give_up(&mut self, byte: u8, reason: DropReason) -> Decoded {
        let dropped = self.drop_frame(reason);
        self.place = if byte == b';' {
            Place::Between
        } else {
            Place::Skip
        };
        self.bytes = 0;
        Decoded::Dropped(dropped)
    }

    fn drop_frame(&mut self, reason: DropReason) -> Dropped {
        self.tally.count(reason);
        self.tally.bytes = self.tally.bytes.saturating_add(u64::from(self.bytes));
        Dropped {
            reason,
            bytes: self.bytes,
        }
    }
}

/// Frames and drops in a run of bytes, see [`GridConnect::feed`].
#[derive(Debug)]
pub struct Frames<'d, 'b> {
    decoder: &'d mut GridConnect,
    bytes: &'b [u8],
}

impl Iterator for Frames<'_, '_> {
    type Item = Decoded;

    fn next(&mut self) -> Option<Decoded> {
        let (used, found) = self.decoder.decode(self.bytes);
        self.bytes = self.bytes.get(used..).unwrap_or_default();
        found
    }
}

impl FusedIterator for Frames<'_, '_> {}

/// The value of a digit.
const fn hex_digit(byte: u8) -> Option<u8> {
    match byte {
        b'0'..=b'9' => Some(byte.wrapping_sub(b'0')),
        b'A'..=b'F' => Some(byte.wrapping_sub(b'A').wrapping_add(10)),
        b'a'..=b'f' => Some(byte.wrapping_sub(b'a').wrapping_add(10)),
        _ => None,
    }
}
