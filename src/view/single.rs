//! What a single throw shows on a terminal: what was sent, what was seen.

use std::io::{self, Write};

use super::words;
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, Step, Subject};

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
        match &event.kind {
            EventKind::ThrowSent {
                subject,
                step,
                commanded,
                address,
                packet,
                ..
            } => {
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
            }
            EventKind::Observation { subject, seen, .. } => {
                writeln!(self.out, "seen  {}", words::seen(subject, seen))?;
            }
            EventKind::LinkFailed { reason } => writeln!(self.out, "link  {reason}")?,
            EventKind::Unanswered { packet, .. } => {
                writeln!(self.out, "link  the station did not answer {packet}")?;
            }
            EventKind::LinkLost { reason, patience_s } => {
                writeln!(
                    self.out,
                    "link  lost: {reason}; waiting {patience_s} s for it"
                )?;
            }
            EventKind::LinkReturned {} => writeln!(self.out, "link  back; everything is released")?,
            EventKind::Held { reason } => writeln!(self.out, "held  {reason}")?,
            EventKind::Resumed {} => writeln!(self.out, "held  no more")?,
            EventKind::Stopped { .. } => writeln!(self.out, "stopped; everything is released")?,
            EventKind::RunStarted { .. }
            | EventKind::LaidByHand { .. }
            | EventKind::Withdrawn { .. }
            | EventKind::Noted { .. }
            | EventKind::Surveyed { .. }
            | EventKind::Looked { .. }
            | EventKind::Accepted { .. }
            | EventKind::SweptAgain { .. }
            | EventKind::Verdict { .. }
            | EventKind::Summary { .. } => {}
        }
        self.out.flush()
    }
}
