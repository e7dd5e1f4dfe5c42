//! Every byte on a line, as the log has it: `0001.234567 > 3A 58 31  |:X1|`.
//!
//! The bytes go out as trace events of the target [`TARGET`]; who writes the log puts the time
//! before them.

use std::fmt::Write as _;
use std::time::Duration;

use super::clock::Clock;

mod line;

pub use line::{LineError, LogLine, Way};

/// Target of the trace events that are bytes on the wire.
pub const TARGET: &str = "wire";

/// Time since a log was begun.
#[derive(Debug, Clone, Copy)]
pub struct Stopwatch(Clock);

impl Stopwatch {
    /// Begins now.
    pub fn start() -> Self {
        Self(Clock::start())
    }

    /// Time since then.
    pub fn elapsed(&self) -> Duration {
        self.0.now()
    }
}

/// How many bytes a line of the log has at most.
const ROW: usize = 32;

/// We wrote these.
pub(super) fn sent(bytes: &[u8]) {
    log(Way::Sent, bytes);
}

/// These came in.
pub(super) fn received(bytes: &[u8]) {
    log(Way::Received, bytes);
}

fn log(way: Way, bytes: &[u8]) {
    if tracing::enabled!(target: "wire", tracing::Level::TRACE) {
        for row in rows(bytes) {
            tracing::trace!(target: "wire", "{}", line(way, row));
        }
    }
}

/// In pieces of a line each; a line of text ends its piece.
pub(crate) fn rows(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    bytes
        .split_inclusive(|byte| *byte == b'\n')
        .flat_map(|line| line.chunks(ROW))
}

/// What a line of the log has after its time, without a line end.
pub(crate) fn line(way: Way, bytes: &[u8]) -> String {
    let mut text = String::with_capacity(4 * bytes.len() + 8);
    text.push(match way {
        Way::Sent => '>',
        Way::Received => '<',
    });
    for byte in bytes {
        let _infallible = write!(text, " {byte:02X}");
    }
    text.push_str("  |");
    for byte in bytes {
        let shown = if byte.is_ascii_graphic() || *byte == b' ' {
            char::from(*byte)
        } else {
            '.'
        };
        text.push(shown);
    }
    text.push('|');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_the_bytes_twice() {
        assert_eq!(line(Way::Sent, b":X\xff|\n"), "> 3A 58 FF 7C 0A  |:X.|.|");
    }

    #[test]
    fn rows_end_with_lines_and_are_not_long() {
        let bytes = [b"a\nbc\n".as_slice(), &[0; 70]].concat();
        let lengths: Vec<_> = rows(&bytes).map(<[u8]>::len).collect();
        assert_eq!(lengths, [2, 3, 32, 32, 6]);
    }
}
