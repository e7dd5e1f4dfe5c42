//! A group of turnouts thrown as a route would, for people.

use std::io::{self, Write};
use std::time::Duration;

use super::terminal::{BAD, GOOD, HEADING, OPEN};
use super::words;
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, Missed};
use crate::plan::Id;
use crate::sweep::together::is_slower;
use crate::witness::Observed;

/// A line for each time that the group was thrown, and what it came to.
#[derive(Debug)]
pub struct Group<W> {
    out: W,
}

impl<W: Write> Group<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out }
    }

    fn thrown(
        &mut self,
        gap_ms: u32,
        kept_ms: u32,
        away: bool,
        missed: &[Missed],
    ) -> io::Result<()> {
        let way = if away { "away" } else { "back" };
        write!(self.out, "{:>8} apart, {way}  ", gap(gap_ms))?;
        if missed.is_empty() {
            write!(self.out, "{GOOD}all arrived{GOOD:#}")?;
        } else {
            let missed: Vec<_> = missed.iter().map(missed_in_words).collect();
            write!(self.out, "{BAD}not all{BAD:#}: {}", missed.join("; "))?;
        }
        // A station that can't send so fast tests another gap than was asked for.
        if is_slower(gap_ms, kept_ms) {
            write!(self.out, "  ({OPEN}the link took {}{OPEN:#})", gap(kept_ms))?;
        }
        writeln!(self.out)
    }

    fn found(
        &mut self,
        gap_ms: Option<(u32, u32)>,
        proofs: u32,
        first_to_fail: &[Id],
        expected: Option<(u32, &str)>,
    ) -> io::Result<()> {
        let named: Vec<_> = first_to_fail.iter().map(Id::as_str).collect();
        let named = named.join(", ");
        writeln!(self.out)?;
        match gap_ms {
            Some((asked, kept)) => {
                let times = words::count(usize::try_from(proofs).unwrap_or(0), "time");
                writeln!(
                    self.out,
                    "{GOOD}{} from start to start{GOOD:#} is the shortest gap that held, {times} both \
                     ways.",
                    gap(if is_slower(asked, kept) { kept } else { asked })
                )?;
                if is_slower(asked, kept) {
                    writeln!(self.out, "The link goes no faster.")?;
                }
                if !named.is_empty() {
                    writeln!(
                        self.out,
                        "With the next shorter one {named} did not arrive."
                    )?;
                }
            }
            None => writeln!(
                self.out,
                "{BAD}No gap held{BAD:#}: {named} did not arrive even with the widest. Sweep it alone \
                 first."
            )?,
        }
        if let Some((expected, because)) = expected {
            writeln!(
                self.out,
                "The plan's figures expect {}: {because}.",
                gap(expected)
            )?;
        }
        Ok(())
    }
}

/// `0.35 s`.
fn gap(ms: u32) -> String {
    format!("{:.2} s", f64::from(ms) / 1000.0)
}

fn missed_in_words(missed: &Missed) -> String {
    let seen = match &missed.observed {
        Observed::Straight => "lies straight",
        Observed::Diverging => "lies diverging",
        Observed::Between => "lies between",
        Observed::NoMovement => "did not move",
        Observed::Another => "another moved",
        Observed::Aspect(name) => return format!("{} shows {name}", missed.id),
    };
    format!("{} {seen}", missed.id)
}

impl<W: Write> Sink for Group<W> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        match &event.kind {
            EventKind::RunStarted {
                layout, turnouts, ..
            } => writeln!(
                self.out,
                "{HEADING}{layout}: {} thrown together{HEADING:#}\n",
                words::count(*turnouts, "turnout")
            )?,
            EventKind::GroupThrown {
                gap_ms,
                kept_ms,
                away,
                missed,
                ..
            } => self.thrown(*gap_ms, *kept_ms, *away, missed)?,
            EventKind::GapFound {
                gap_ms,
                kept_ms,
                proofs,
                first_to_fail,
                expected_ms,
                because,
            } => {
                let expected = expected_ms.map(|expected| (expected, because.as_str()));
                self.found(gap_ms.zip(*kept_ms), *proofs, first_to_fail, expected)?;
            }
            EventKind::LinkLost { reason, patience_s } => writeln!(
                self.out,
                "{BAD}The link is gone{BAD:#}: {reason}. Waiting up to {patience_s} s for it."
            )?,
            EventKind::LinkReturned {} => writeln!(
                self.out,
                "{GOOD}The link is back{GOOD:#}; the group is thrown again."
            )?,
            EventKind::Held { reason } => writeln!(self.out, "{OPEN}Held{OPEN:#}: {reason}.")?,
            EventKind::Resumed {} => writeln!(self.out, "{GOOD}Going on{GOOD:#}.")?,
            EventKind::LinkFailed { reason } => {
                writeln!(self.out, "{BAD}The link failed{BAD:#}: {reason}.")?;
            }
            EventKind::Stopped { .. } => {
                writeln!(self.out, "{OPEN}Stopped{OPEN:#}; every output is released.")?;
            }
            EventKind::Summary {
                throws, elapsed_us, ..
            } => writeln!(
                self.out,
                "{} in {}.",
                words::count(usize::try_from(*throws).unwrap_or(usize::MAX), "throw"),
                words::span(Duration::from_micros(*elapsed_us))
            )?,
            EventKind::ThrowSent { .. }
            | EventKind::Observation { .. }
            | EventKind::Withdrawn { .. }
            | EventKind::Noted { .. }
            | EventKind::Surveyed { .. }
            | EventKind::Looked { .. }
            | EventKind::Accepted { .. }
            | EventKind::LaidByHand { .. }
            | EventKind::Hunt(_)
            | EventKind::Diagnosis(_)
            | EventKind::SweptAgain { .. }
            | EventKind::Verdict { .. }
            | EventKind::Unanswered { .. }
            | EventKind::Teach(_) => {}
        }
        self.out.flush()
    }
}
