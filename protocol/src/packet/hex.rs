//! Hexadecimal text to bytes and back, with the place of whatever is wrong.

use core::fmt;

/// Text that is no hexadecimal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum HexError {
    /// Nothing but separators.
    #[error("no bytes: write hexadecimal such as 81 F9 78")]
    Empty,
    /// A character that is neither a hexadecimal digit nor a separator.
    #[error(
        "character {} is {found:?}: write hexadecimal digits, with spaces, colons or commas \
         between bytes if you like",
        position.saturating_add(1)
    )]
    BadCharacter {
        /// Characters before it.
        position: usize,
        /// The character.
        found: char,
    },
    /// A byte with one digit.
    #[error(
        "the byte at character {} has one digit: write two, such as 0{found}",
        position.saturating_add(1)
    )]
    HalfByte {
        /// Characters before the lone digit.
        position: usize,
        /// The digit.
        found: char,
    },
    /// More bytes than any packet has.
    #[error("too many bytes: no packet here has more than {expected}")]
    TooMany {
        /// The most that are read.
        expected: usize,
    },
}

/// Bytes as written, not yet known to be a packet, so that a packet with a wrong check byte or a
/// wrong length can still be shown.
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct RawBytes {
    bytes: [u8; RawBytes::CAPACITY],
    len: usize,
}

impl RawBytes {
    /// The most bytes held: twice the longest packet, so that what is too long can be shown.
    pub const CAPACITY: usize = 32;

    /// The bytes.
    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }

    /// Bytes from hexadecimal text: `81 F9 78`, `81F978`, `81:F9:78`, `0x81, 0xF9, 0x78`.
    ///
    /// Either case; two digits a byte; between bytes, if anything, blanks, colons, commas,
    /// semicolons, hyphens or underscores; `0x` or `0X` before a byte or before a run of bytes.
    ///
    /// # Errors
    /// When a character is something else, a byte has one digit, there is no byte, or there are
    /// more than [`RawBytes::CAPACITY`].
    pub fn parse_hex(text: &str) -> Result<Self, HexError> {
        let mut raw = Self::default();
        let mut characters = text.chars().enumerate().peekable();
        // A prefix may stand only where a byte begins and no digit stands right before it.
        let mut after_separator = true;
        while let Some((position, found)) = characters.next() {
            if is_separator(found) {
                after_separator = true;
                continue;
            }
            if after_separator && found == '0' {
                let prefix = characters.next_if(|(_, next)| matches!(next, 'x' | 'X'));
                if let Some((at, x)) = prefix {
                    match characters.peek() {
                        Some((_, next)) if next.is_ascii_hexdigit() => {
                            after_separator = false;
                            continue;
                        }
                        _ => {
                            return Err(HexError::BadCharacter {
                                position: at,
                                found: x,
                            });
                        }
                    }
                }
            }
            after_separator = false;
            let high = digit(position, found)?;
            let low = match characters.next() {
                Some((position, next)) if !is_separator(next) => digit(position, next)?,
                _ => return Err(HexError::HalfByte { position, found }),
            };
            raw.push((high << 4) | low)?;
        }
        if raw.len == 0 {
            Err(HexError::Empty)
        } else {
            Ok(raw)
        }
    }

    fn push(&mut self, byte: u8) -> Result<(), HexError> {
        let slot = self.bytes.get_mut(self.len).ok_or(HexError::TooMany {
            expected: Self::CAPACITY,
        })?;
        *slot = byte;
        self.len = self.len.saturating_add(1);
        Ok(())
    }
}

fn is_separator(character: char) -> bool {
    character.is_ascii_whitespace() || matches!(character, ':' | ',' | ';' | '-' | '_')
}

fn digit(position: usize, found: char) -> Result<u8, HexError> {
    found
        .to_digit(16)
        .and_then(|digit| u8::try_from(digit).ok())
        .ok_or(HexError::BadCharacter { position, found })
}

impl AsRef<[u8]> for RawBytes {
    fn as_ref(&self) -> &[u8] {
        self.as_bytes()
    }
}

impl fmt::Display for RawBytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_bytes(f, self.as_bytes())
    }
}

impl fmt::Debug for RawBytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "RawBytes({self})")
    }
}

/// Writes `81 F9 78`.
pub(super) fn write_bytes(f: &mut fmt::Formatter<'_>, bytes: &[u8]) -> fmt::Result {
    for (offset, byte) in bytes.iter().enumerate() {
        if offset > 0 {
            f.write_str(" ")?;
        }
        write!(f, "{byte:02X}")?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    fn bytes(text: &str) -> std::vec::Vec<u8> {
        RawBytes::parse_hex(text).unwrap().as_bytes().to_vec()
    }

    #[test]
    fn every_usual_way_of_writing_is_read() {
        for text in [
            "81 F9 78",
            "81f978",
            "81:F9:78",
            "81-f9-78",
            "0x81,0xF9,0x78",
            "0X81 0xf9 0X78",
            "0x81F978",
            "  81\tF9\n78  ",
            "81_F9_78",
            "81F9 78",
        ] {
            assert_eq!(bytes(text), [0x81, 0xf9, 0x78], "{text:?}");
        }
        assert_eq!(bytes("00 0F 00"), [0x00, 0x0f, 0x00]);
    }

    #[test]
    fn the_place_of_a_bad_character_is_given() {
        for (text, position, found) in [
            ("81 G9 78", 3, 'G'),
            ("8x", 1, 'x'),
            ("810x81", 3, 'x'),
            ("0x", 1, 'x'),
            ("0x 81", 1, 'x'),
            ("0x0x81", 3, 'x'),
            ("\u{e9}1", 0, '\u{e9}'),
            ("81 F9 7\u{661}", 7, '\u{661}'),
        ] {
            assert_eq!(
                RawBytes::parse_hex(text),
                Err(HexError::BadCharacter { position, found }),
                "{text:?}"
            );
        }
        assert_eq!(
            RawBytes::parse_hex("81 F9 7").unwrap_err().to_string(),
            "the byte at character 7 has one digit: write two, such as 07"
        );
        assert_eq!(
            RawBytes::parse_hex("8 1F"),
            Err(HexError::HalfByte {
                position: 0,
                found: '8'
            })
        );
        assert_eq!(RawBytes::parse_hex(" : "), Err(HexError::Empty));
    }

    #[test]
    fn endless_text_is_refused_early() {
        let text = "00".repeat(33);
        assert_eq!(
            RawBytes::parse_hex(&text),
            Err(HexError::TooMany { expected: 32 })
        );
        assert_eq!(bytes(&"00".repeat(32)).len(), 32);
    }
}
