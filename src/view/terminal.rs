//! What a sweep shows on a terminal: a line that counts while it goes on, a table at its end.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::time::Duration;

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr;

use self::run::Run;
use super::words;
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, Subject};
use crate::plan::{Id, Sort};

mod remarks;
mod run;
mod table;

pub(super) const HEADING: Style = Style::new().bold();
pub(super) const GOOD: Style = AnsiColor::Green.on_default();
pub(super) const BAD: Style = AnsiColor::Red.on_default().bold();
pub(super) const OPEN: Style = AnsiColor::Yellow.on_default();

/// Follows a sweep and prints what came of it.
///
/// The styles it writes are for a stream that takes them out where they do not belong.
#[derive(Debug)]
pub struct Terminal<W, P> {
    out: W,
    progress: Option<P>,
    /// How wide the progress line last was.
    shown: usize,
    /// Place of each turnout and signal in the tables.
    order: BTreeMap<Id, usize>,
    run: Run,
}

impl<W: Write, P: Write> Terminal<W, P> {
    /// Prints the table to `out`, and counts along on `progress` where that is a terminal.
    pub fn new(out: W, progress: Option<P>) -> Self {
        Self {
            out,
            progress,
            shown: 0,
            order: BTreeMap::new(),
            run: Run::default(),
        }
    }

    /// Prints in that order, whatever the order of the verdicts: throws made together end as
    /// they may.
    #[must_use]
    pub fn in_order(mut self, ids: impl IntoIterator<Item = Id>) -> Self {
        self.order = ids.into_iter().zip(0..).collect();
        self
    }

    /// Has words for what is switched like a signal and is none.
    #[must_use]
    pub fn knowing(mut self, sorts: impl IntoIterator<Item = (Id, Sort)>) -> Self {
        self.run.sorts = sorts.into_iter().collect();
        self
    }

    /// Says how far the run is.
    fn count_along(&mut self, subject: &Subject, commanded: &Id) -> io::Result<()> {
        let Run { rows, total, .. } = &self.run;
        let failed = self.run.failed();
        let mut line = format!(
            "{} of {total}: {} to {commanded}",
            rows.len() + 1,
            subject.id()
        );
        if failed > 0 {
            let _infallible = write!(line, "; {failed} not proved");
        }
        self.show(&line)
    }

    /// Says what the operator has to know now.
    fn notice(&mut self, kind: &EventKind) -> io::Result<()> {
        self.show("")?;
        match kind {
            EventKind::LinkLost { reason, patience_s } => writeln!(
                self.out,
                "{BAD}The link is gone{BAD:#}: {reason}. Nothing observed is lost. Waiting up to \
                 {patience_s} s for it; Ctrl-C ends the run."
            )?,
            EventKind::Held { reason } => writeln!(
                self.out,
                "{OPEN}Held{OPEN:#}: {reason}. It goes on by itself; Ctrl-C ends the run."
            )?,
            EventKind::LinkReturned {} => writeln!(
                self.out,
                "{GOOD}The link is back{GOOD:#}, every output is released; the last throw is made \
                 again."
            )?,
            EventKind::Resumed {} => writeln!(
                self.out,
                "{GOOD}Going on{GOOD:#}; a throw that was broken off is made again."
            )?,
            EventKind::RunStarted { .. }
            | EventKind::ThrowSent { .. }
            | EventKind::Observation { .. }
            | EventKind::LaidByHand { .. }
            | EventKind::Withdrawn { .. }
            | EventKind::Noted { .. }
            | EventKind::Surveyed { .. }
            | EventKind::GroupThrown { .. }
            | EventKind::GapFound { .. }
            | EventKind::Looked { .. }
            | EventKind::Accepted { .. }
            | EventKind::SweptAgain { .. }
            | EventKind::Verdict { .. }
            | EventKind::Unanswered { .. }
            | EventKind::LinkFailed { .. }
            | EventKind::Teach(_)
            | EventKind::Hunt(_)
            | EventKind::Diagnosis(_)
            | EventKind::Stopped { .. }
            | EventKind::Summary { .. } => {}
        }
        self.out.flush()
    }

    /// Overwrites the progress line.
    fn show(&mut self, line: &str) -> io::Result<()> {
        let Some(progress) = self.progress.as_mut().filter(|_| !self.run.asks) else {
            return Ok(());
        };
        let width = line.width();
        let rest = self.shown.saturating_sub(width);
        write!(progress, "\r{line}{:rest$}", "")?;
        if width == 0 {
            write!(progress, "\r")?;
        }
        self.shown = width;
        progress.flush()
    }
}

impl<W: Write, P: Write> Terminal<W, P> {
    /// The tables and the last lines.
    fn end(
        &mut self,
        counts: [(usize, &str, Style); 4],
        throws: u64,
        elapsed_us: u64,
        together: Option<(u64, u64)>,
    ) -> io::Result<()> {
        let span = |micros| words::span(Duration::from_micros(micros));
        self.show("")?;
        let order = &self.order;
        self.run.rows.sort_by_key(|row| order.get(&row.id).copied());
        self.run.print_tables(&mut self.out)?;
        self.run.remarks.print(&mut self.out, order)?;
        self.run
            .print_summary(&mut self.out, counts, throws, &span(elapsed_us))?;
        if let Some((took, bound)) = together {
            let (took, bound) = (span(took), span(bound));
            writeln!(
                self.out,
                "Those thrown together took {took}; packets, travel and supplies allow no less \
                 than {bound}."
            )?;
        }
        self.out.flush()
    }
}

impl<W: Write, P: Write> Sink for Terminal<W, P> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        match &event.kind {
            EventKind::RunStarted {
                layout,
                link,
                witness,
                turnouts,
                signals,
                ..
            } => {
                self.run.title = title(layout, *turnouts, *signals);
                self.run.link.clone_from(link);
                self.run.total = turnouts + signals;
                self.run.asks = witness == "ask";
                Ok(())
            }
            EventKind::ThrowSent {
                subject, commanded, ..
            } => self.count_along(subject, commanded),
            EventKind::Observation { .. }
            | EventKind::Verdict { .. }
            | EventKind::SweptAgain { .. }
            | EventKind::Withdrawn { .. } => {
                self.run.take(&event.kind);
                Ok(())
            }
            EventKind::Unanswered { .. } => {
                self.run.unanswered += 1;
                Ok(())
            }
            EventKind::LinkLost { .. }
            | EventKind::LinkReturned {}
            | EventKind::Held { .. }
            | EventKind::Resumed {} => self.notice(&event.kind),
            EventKind::LinkFailed { reason } => {
                self.run.link_failure = Some(reason.clone());
                Ok(())
            }
            EventKind::Stopped { reason } => {
                self.run.stopped = Some(*reason);
                Ok(())
            }
            EventKind::Summary {
                proved,
                failed,
                skipped,
                unreached,
                throws,
                elapsed_us,
                together_us,
                bound_us,
                accepted,
            } => {
                self.run.accepted = *accepted;
                let counts = [
                    (*proved, "proved", GOOD),
                    (*failed, "not proved", BAD),
                    (*skipped, "skipped", OPEN),
                    (*unreached, "not reached", OPEN),
                ];
                self.end(counts, *throws, *elapsed_us, together_us.zip(*bound_us))
            }
            EventKind::Noted { .. } | EventKind::Looked { .. } | EventKind::Accepted { .. } => {
                self.run.remarks.take(&event.kind);
                Ok(())
            }
            EventKind::LaidByHand { .. }
            | EventKind::Surveyed { .. }
            | EventKind::GroupThrown { .. }
            | EventKind::GapFound { .. }
            | EventKind::Teach(_)
            | EventKind::Hunt(_)
            | EventKind::Diagnosis(_) => Ok(()),
        }
    }
}

fn title(layout: &str, turnouts: usize, signals: usize) -> String {
    let mut title = format!("{layout}: {}", words::count(turnouts, "turnout"));
    if signals > 0 {
        title.push_str(" and ");
        title.push_str(&words::count(signals, "signal"));
    }
    title
}

#[cfg(test)]
mod tests;
