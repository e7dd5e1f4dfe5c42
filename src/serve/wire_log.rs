//! Every byte both ways, with times, readable by a person.
//!
//! ```text
//! 0012.345678 < 3A 58 31 39 34 39 30 33 36 35 4E 3B  |:X19490365N;|
//! 0012.345901 > 3A 58 31 30 37 30 31 33 36 35 4E 0A  |:X10701365N.|
//! ```
//!
//! `>` is what the program sends, `<` what it receives. With several clients a comment line,
//! `# 127.0.0.1:40000`, says whose the lines below it are.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter, Write as _};
use std::time::Duration;

use crate::link::wire::{self, Way};

/// A log of the wire, if one is wanted.
#[derive(Debug)]
pub(super) struct WireLog {
    out: Option<BufWriter<File>>,
    line: String,
    client: String,
}

impl WireLog {
    pub(super) fn new(file: Option<File>) -> Self {
        Self {
            out: file.map(BufWriter::new),
            line: String::new(),
            client: String::new(),
        }
    }

    /// Notes bytes. A log that can't be written is given up, and said so once.
    pub(super) fn note(&mut self, now: Duration, client: &str, way: Way, bytes: &[u8]) {
        let Some(out) = &mut self.out else {
            return;
        };
        self.line.clear();
        if self.client != client {
            client.clone_into(&mut self.client);
            // A `String` takes anything, here and below.
            let _infallible = writeln!(self.line, "# {client}");
        }
        for bytes in wire::rows(bytes) {
            write_line(&mut self.line, now, way, bytes);
        }
        if let Err(error) = out.write_all(self.line.as_bytes()) {
            self.give_up(&error);
        }
    }

    /// Sees to it that what was noted is in the file.
    pub(super) fn flush(&mut self) {
        if let Some(Err(error)) = self.out.as_mut().map(io::Write::flush) {
            self.give_up(&error);
        }
    }

    fn give_up(&mut self, error: &io::Error) {
        tracing::error!(%error, "the log can't be written; going on without it");
        self.out = None;
    }
}

fn write_line(line: &mut String, now: Duration, way: Way, bytes: &[u8]) {
    let (seconds, micros) = (now.as_secs(), now.subsec_micros());
    let bytes = wire::line(way, bytes);
    let _infallible = writeln!(line, "{seconds:04}.{micros:06} {bytes}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_readable() {
        let mut line = String::new();
        let now = Duration::new(12, 5_678_000);
        write_line(&mut line, now, Way::Received, b":X1;\n\0");
        assert_eq!(line, "0012.005678 < 3A 58 31 3B 0A 00  |:X1;..|\n");
    }
}
