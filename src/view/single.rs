//! What a single throw shows on a terminal: what was sent, what was seen.

use std::io::{self, Write};

use super::{line, words};
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, FurtherSent, Step, Subject};

/// Writes a line for each packet and each observation as they come.
#[derive(Debug)]
pub struct Single<W> {
    out: W,
}

impl<W: Write> Single<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out }
    }
}

impl<W: Write> Sink for Single<W> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::ThrowSent {
            subject,
            step,
            commanded,
            address,
            packet,
            further,
            ..
        } = &event.kind
        {
            let what = match subject {
                Subject::Turnout(id) => format!("turnout {id}"),
                Subject::Signal(id) => format!("signal {id}"),
            };
            let back = if *step == Step::Back {
                ", to repeat it"
            } else {
                ""
            };
            writeln!(
                self.out,
                "sent  {packet}  {what} to {commanded}, address {address}{back}"
            )?;
            for FurtherSent { address, packet } in further {
                writeln!(
                    self.out,
                    "      {packet}  and its drive at address {address}"
                )?;
            }
        } else if let EventKind::Observation { subject, seen, .. } = &event.kind {
            writeln!(self.out, "seen  {}", words::seen(subject, seen))?;
        } else if let EventKind::Unanswered { packet, .. } = &event.kind {
            writeln!(self.out, "link  the station did not answer {packet}")?;
        } else if let Some(line) = line::of_link(&event.kind, "") {
            writeln!(self.out, "{line}")?;
        }
        self.out.flush()
    }
}

/// Rings for each throw: once for straight, twice for diverging, so that somebody under the board
/// hears where the blades should go.
#[derive(Debug)]
pub struct Bell<W> {
    out: W,
}

impl<W: Write> Bell<W> {
    /// Rings at `out`, a terminal.
    pub fn new(out: W) -> Self {
        Self { out }
    }
}

impl<W: Write> Sink for Bell<W> {
    fn name(&self) -> &'static str {
        "the bell"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::ThrowSent { commanded, .. } = &event.kind {
            let rings = match commanded.as_str() {
                "diverging" => "\x07\x07",
                _ => "\x07",
            };
            self.out.write_all(rings.as_bytes())?;
            self.out.flush()?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Id;

    #[test]
    fn the_bell_tells_the_positions_apart() {
        let mut rung = Vec::new();
        for commanded in ["straight", "diverging"] {
            let kind = EventKind::ThrowSent {
                subject: Subject::Turnout(Id::new("Q1")),
                throw: 1,
                step: Step::Single,
                commanded: Id::new(commanded),
                address: 1,
                packet: "81 F9 78".to_owned(),
                further: Vec::new(),
            };
            let event = Event {
                kind,
                seq: 0,
                at_us: 0,
            };
            Bell::new(&mut rung).take(&event).unwrap();
        }
        assert_eq!(rung, b"\x07\x07\x07");
    }
}
