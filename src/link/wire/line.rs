//! A line of a log, read back.

use std::str::FromStr;
use std::time::Duration;

/// Which way bytes went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// The program that kept the log sent them.
    Sent,
    /// It received them.
    Received,
}

/// A line of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LogLine {
    /// Bytes on the wire.
    Bytes {
        /// When, since the log was begun.
        at: Duration,
        /// Which way.
        way: Way,
        /// Which.
        bytes: Vec<u8>,
    },
    /// What happened beside, in words.
    Remark(String),
}

/// What is wrong with a line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LineError {
    /// It does not begin as lines of a log do.
    #[error("no time stands at its start: a line begins like `0001.234567 > 3A 58`")]
    NoTime,
    /// No way follows the time.
    #[error("after the time stands neither `>` nor `<` nor `#`")]
    NoWay,
    /// A byte is none.
    #[error("`{0}` is not a byte: two hexadecimal digits")]
    BadByte(String),
    /// It ends too soon.
    #[error("it ends before the bytes do: the `|text|` at its end is missing")]
    Torn,
    /// The two forms of the bytes differ in number.
    #[error("it has {bytes} bytes and {shown} characters of text: something was lost or changed")]
    Differ {
        /// Bytes in hexadecimal.
        bytes: usize,
        /// Characters between the bars.
        shown: usize,
    },
}

impl FromStr for LogLine {
    type Err = LineError;

    fn from_str(line: &str) -> Result<Self, LineError> {
        if let Some(remark) = line.strip_prefix("# ") {
            return Ok(Self::Remark(remark.to_owned()));
        }
        let (time, rest) = line.split_once(' ').ok_or(LineError::NoTime)?;
        let at = time_of(time).ok_or(LineError::NoTime)?;
        if let Some(remark) = rest.strip_prefix("# ") {
            return Ok(Self::Remark(remark.to_owned()));
        }
        let (way, rest) = match rest.split_at_checked(1) {
            Some((">", rest)) => (Way::Sent, rest),
            Some(("<", rest)) => (Way::Received, rest),
            _ => return Err(LineError::NoWay),
        };
        let (hex, shown) = rest.split_once("  |").ok_or(LineError::Torn)?;
        let shown = shown.strip_suffix('|').ok_or(LineError::Torn)?;
        let bytes = hex.split_ascii_whitespace().map(byte);
        let bytes: Vec<u8> = bytes.collect::<Result<_, _>>()?;
        let shown = shown.chars().count();
        if shown != bytes.len() {
            let bytes = bytes.len();
            return Err(LineError::Differ { bytes, shown });
        }
        Ok(Self::Bytes { at, way, bytes })
    }
}

fn time_of(text: &str) -> Option<Duration> {
    let (seconds, micros) = text.split_once('.')?;
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if micros.len() != 6 || !digits(micros) || !digits(seconds) {
        return None;
    }
    let seconds = Duration::from_secs(seconds.parse().ok()?);
    seconds.checked_add(Duration::from_micros(micros.parse().ok()?))
}

fn byte(text: &str) -> Result<u8, LineError> {
    let is_byte = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
    is_byte
        .then(|| u8::from_str_radix(text, 16).ok())
        .flatten()
        .ok_or_else(|| LineError::BadByte(text.chars().take(16).collect()))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn broken_lines_are_told_apart() {
        let cases = [
            ("", LineError::NoTime),
            ("> 3A  |:|", LineError::NoTime),
            ("1.5 > 3A  |:|", LineError::NoTime),
            ("0001.234567 ? 3A  |:|", LineError::NoWay),
            ("0001.234567 > 3A", LineError::Torn),
            ("0001.234567 > 3A  |:", LineError::Torn),
            (
                "0001.234567 > 3A +1  |:.|",
                LineError::BadByte("+1".to_owned()),
            ),
            (
                "0001.234567 > 3A  |::|",
                LineError::Differ { bytes: 1, shown: 2 },
            ),
        ];
        for (line, error) in cases {
            assert_eq!(line.parse::<LogLine>(), Err(error), "{line}");
        }
    }

    #[test]
    fn remarks_are_no_bytes() {
        for line in ["# 127.0.0.1:4000", "0001.234567 # debug sent"] {
            assert!(matches!(line.parse(), Ok(LogLine::Remark(_))), "{line}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            let line = format!("0012.000345 {}", super::super::line(Way::Received, &bytes));
            let at = Duration::from_micros(12_000_345);
            prop_assert_eq!(line.parse(), Ok(LogLine::Bytes { at, way: Way::Received, bytes }));
        }

        #[test]
        fn nothing_panics(line in ".*") {
            let _whatever: Result<LogLine, _> = line.parse();
        }
    }
}
