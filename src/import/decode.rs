//! From bytes to text.

use encoding_rs::{UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// How the text of a list is written as bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// UTF-8, with or without byte order mark.
    Utf8,
    /// UTF-16, the low byte first.
    Utf16Le,
    /// UTF-16, the high byte first.
    Utf16Be,
    /// Windows-1252, which older spreadsheets write in western Europe.
    Windows1252,
}

impl Encoding {
    /// Its usual name.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Utf8 => "UTF-8",
            Self::Utf16Le => "UTF-16LE",
            Self::Utf16Be => "UTF-16BE",
            Self::Windows1252 => "Windows-1252",
        }
    }
}

/// The text, without byte order mark, and what it was written in.
pub(super) fn decode(bytes: &[u8]) -> (String, Encoding) {
    let encoding = detect(bytes);
    let decoder = match encoding {
        Encoding::Utf8 => UTF_8,
        Encoding::Utf16Le => UTF_16LE,
        Encoding::Utf16Be => UTF_16BE,
        Encoding::Windows1252 => WINDOWS_1252,
    };
    let (text, _) = decoder.decode_with_bom_removal(bytes);
    (text.into_owned(), encoding)
}

fn detect(bytes: &[u8]) -> Encoding {
    match bytes {
        [0xff, 0xfe, ..] => return Encoding::Utf16Le,
        [0xfe, 0xff, ..] => return Encoding::Utf16Be,
        _ => {}
    }
    // Lists are mostly ASCII: in UTF-16 every other byte of that is 0, and in nothing else.
    let start = bytes.get(..bytes.len().min(4096)).unwrap_or(bytes);
    let zeros = |odd: usize| {
        let own = start.iter().skip(odd).step_by(2);
        own.filter(|byte| **byte == 0).count() * 2
    };
    let half = start.len() / 2;
    if half > 0 && bytes.len().is_multiple_of(2) && zeros(1) > half && zeros(0) == 0 {
        Encoding::Utf16Le
    } else if half > 0 && bytes.len().is_multiple_of(2) && zeros(0) > half && zeros(1) == 0 {
        Encoding::Utf16Be
    } else if std::str::from_utf8(bytes).is_ok() {
        Encoding::Utf8
    } else {
        Encoding::Windows1252
    }
}
