//! How numbers and bytes are written.

use crate::profile::check_bytes::ByteOrder;

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::profile) enum NumberFormat {
    Digits(Digits),
    Bytes { count: u8, order: ByteOrder },
    Bits(u8),
}

/// A number in digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::profile) struct Digits {
    pub(in crate::profile) base: Base,
    /// Exactly so many characters; 0 for as many as it takes.
    pub(in crate::profile) width: u8,
    /// Filled up with zeros, not with blanks.
    pub(in crate::profile) zeros: bool,
}

/// What digits there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::profile) enum Base {
    Decimal,
    Lower,
    Upper,
}

/// How the bytes of a packet are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::profile) enum PacketFormat {
    /// As they are.
    Raw,
    /// Each in digits, with something between them.
    Digits(Digits, String),
}

impl NumberFormat {
    /// What a number is too much for; `None` where it fits.
    pub(super) fn lacks_room(self, number: i64) -> Option<String> {
        let unsigned = u64::try_from(number).ok();
        match self {
            Self::Digits(digits) => match unsigned {
                None => Some("digits have no sign".to_owned()),
                Some(_) if digits.width == 0 => None,
                Some(number) if digits.plain(number).len() <= usize::from(digits.width) => None,
                Some(_) => Some(format!("the place has {} digits", digits.width)),
            },
            Self::Bytes { count, .. } => lacks_bits(unsigned, 8 * u32::from(count)),
            Self::Bits(count) => lacks_bits(unsigned, count.into()),
        }
    }
}

fn lacks_bits(number: Option<u64>, bits: u32) -> Option<String> {
    let largest = (1_u64 << bits) - 1;
    let fits = number.is_some_and(|number| number <= largest);
    (!fits).then(|| format!("the place holds 0 to {largest}"))
}

impl Digits {
    fn plain(self, number: u64) -> String {
        match self.base {
            Base::Decimal => number.to_string(),
            Base::Lower => format!("{number:x}"),
            Base::Upper => format!("{number:X}"),
        }
    }

    pub(super) fn write(self, number: i64) -> String {
        let plain = self.plain(number.unsigned_abs());
        let width = usize::from(self.width);
        if self.zeros {
            format!("{plain:0>width$}")
        } else {
            format!("{plain:>width$}")
        }
    }

    pub(super) fn number(self, text: &str) -> Option<i64> {
        let radix = match self.base {
            Base::Decimal => 10,
            Base::Lower | Base::Upper => 16,
        };
        i64::from_str_radix(text.trim_start_matches(' '), radix).ok()
    }

    pub(super) fn pattern(self) -> String {
        let digit = match self.base {
            Base::Decimal => "[0-9]",
            Base::Lower => "[0-9a-f]",
            Base::Upper => "[0-9A-F]",
        };
        match (self.width, self.zeros) {
            // No number here has more than 63 bits.
            (0, _) => format!("{digit}{{1,19}}"),
            (width, true) => format!("{digit}{{{width}}}"),
            // Filling it again and comparing sees to the exact width.
            (width, false) => format!("[ ]{{0,{width}}}{digit}{{1,{width}}}"),
        }
    }
}

impl PacketFormat {
    pub(super) fn write(&self, bytes: &[u8]) -> Vec<u8> {
        match self {
            Self::Raw => bytes.to_vec(),
            Self::Digits(digits, between) => {
                let bytes = bytes.iter().map(|byte| digits.write((*byte).into()));
                bytes.collect::<Vec<_>>().join(between).into_bytes()
            }
        }
    }

    pub(super) fn bytes(&self, text: &str) -> Option<Vec<u8>> {
        match self {
            Self::Raw => None,
            Self::Digits(digits, between) if between.is_empty() => {
                // Without anything between them each byte has the same width.
                let width = usize::from(digits.width).max(1);
                let chunks = text.as_bytes().chunks(width);
                let byte = |chunk| {
                    let number = digits.number(std::str::from_utf8(chunk).ok()?)?;
                    u8::try_from(number).ok()
                };
                chunks.map(byte).collect()
            }
            Self::Digits(digits, between) => {
                let byte = |text| u8::try_from(digits.number(text)?).ok();
                text.split(&**between).map(byte).collect()
            }
        }
    }
}
