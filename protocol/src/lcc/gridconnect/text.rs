//! Frames written as text.

use core::fmt;

use super::super::frame::{CanFrame, CanId};

/// A frame's text, on the stack.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct TextFrame {
    bytes: [u8; Self::CAPACITY],
    len: usize,
}

impl TextFrame {
    /// The longest: colon, X, eight digits, N, sixteen digits, semicolon.
    pub const CAPACITY: usize = 28;

    /// The text of a frame.
    pub fn of(frame: &CanFrame) -> Self {
        let mut text = Self {
            bytes: [0; Self::CAPACITY],
            len: 0,
        };
        text.put(b':');
        match frame.id() {
            CanId::Extended(id) => {
                text.put(b'X');
                for byte in id.to_be_bytes() {
                    text.put_hex(byte);
                }
            }
            CanId::Standard(id) => {
                text.put(b'S');
                let [high, low] = id.to_be_bytes();
                text.put(upper_hex(high));
                text.put_hex(low);
            }
        }
        if frame.is_remote() {
            text.put(b'R');
            if frame.len() != 0 {
                text.put(upper_hex(frame.len()));
            }
        } else {
            text.put(b'N');
            for byte in frame.data() {
                text.put_hex(*byte);
            }
        }
        text.put(b';');
        text
    }

    /// The bytes to send.
    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        // Only ASCII was put in.
        core::str::from_utf8(self.as_bytes()).unwrap_or_default()
    }

    fn put(&mut self, byte: u8) {
        if let Some(to) = self.bytes.get_mut(self.len) {
            *to = byte;
            self.len = self.len.saturating_add(1);
        }
    }

    fn put_hex(&mut self, byte: u8) {
        self.put(upper_hex(byte >> 4));
        self.put(upper_hex(byte));
    }
}

impl fmt::Debug for TextFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "TextFrame({})", self.as_str())
    }
}

impl fmt::Display for TextFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// The digit for the four low bits.
const fn upper_hex(value: u8) -> u8 {
    match super::super::nibble(value) {
        digit @ 0..=9 => b'0'.wrapping_add(digit),
        digit => b'A'.wrapping_add(digit.wrapping_sub(10)),
    }
}
