//! Bytes into lines.

use bytes::{Buf, Bytes, BytesMut};

use super::TextFraming;
use super::frames::{Dropped, Step, Why};

/// Splits what comes in into lines. What it gives does not depend on how the bytes were cut.
#[derive(Debug, Clone)]
pub(in crate::profile) struct Lines {
    ends: Vec<Vec<u8>>,
    longest: usize,
    /// Bytes of the buffer that were looked at before.
    seen: usize,
    /// Bytes of an overlong line that are gone already.
    gone: usize,
    sample: Bytes,
}

impl Lines {
    pub(in crate::profile) fn new(framing: &TextFraming) -> Self {
        let ends = framing.line_ends_in.iter();
        let ends = ends.filter_map(|end| framing.encoding.encode(end).ok());
        Self {
            ends: ends.filter(|end| !end.is_empty()).collect(),
            longest: framing.longest,
            seen: 0,
            gone: 0,
            sample: Bytes::new(),
        }
    }

    pub(in crate::profile) fn next(&mut self, source: &mut BytesMut) -> Step {
        while self.seen < source.len() {
            self.seen += 1;
            let line = &source[..self.seen];
            let end = self.ends.iter().find(|end| line.ends_with(end));
            let end = end.map(Vec::len);
            if let Some(end) = end {
                let line = source.split_to(self.seen);
                self.seen = 0;
                let length = line.len() - end;
                if self.gone > 0 {
                    return Step::Dropped(self.overlong(line.len()));
                }
                let line = trimmed(&line.freeze().slice(..length));
                if line.len() > self.longest {
                    return Step::Dropped(Dropped::new(line.len() + end, &line, Why::TooLong));
                } else if !line.is_empty() {
                    return Step::Frame(line);
                }
            } else if self.seen > self.longest + self.keep() {
                self.let_go(source);
            }
        }
        Step::NeedMore
    }

    /// Gives up the line that was begun.
    pub(in crate::profile) fn give_up(&mut self, source: &mut BytesMut) -> Option<Dropped> {
        let rest = source.split().freeze();
        self.seen = 0;
        if self.gone > 0 {
            return Some(self.overlong(rest.len()));
        }
        let rest = trimmed(&rest);
        (!rest.is_empty()).then(|| Dropped::new(rest.len(), &rest, Why::Silence))
    }

    /// Bytes that may be the beginning of a line's end.
    fn keep(&self) -> usize {
        self.ends.iter().map(Vec::len).max().unwrap_or(1) - 1
    }

    /// Lets go of an overlong line, but for what may be the beginning of its end.
    fn let_go(&mut self, source: &mut BytesMut) {
        if self.gone == 0 {
            let shown = self.seen.min(Dropped::SAMPLE);
            self.sample = Bytes::copy_from_slice(&source[..shown]);
        }
        let going = self.seen - self.keep();
        self.gone += going;
        source.advance(going);
        self.seen -= going;
    }

    fn overlong(&mut self, rest: usize) -> Dropped {
        let count = std::mem::take(&mut self.gone) + rest;
        let sample = std::mem::take(&mut self.sample);
        Dropped::new(count, &sample, Why::TooLong)
    }
}

/// A line without what an adapter may put before it when it wakes up, and without the rest of
/// a line end of which one part alone ends a line too.
fn trimmed(line: &Bytes) -> Bytes {
    let noise = line
        .iter()
        .take_while(|byte| matches!(byte, 0 | b'\r' | b'\n'));
    let noise = noise.count();
    line.slice(noise..)
}
