//! What a sweep shows on a terminal: a line that counts while it goes on, a table at its end.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::time::Duration;

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr;

mod remarks;

use remarks::Remarks;

use super::words;
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, Step, StopReason, Subject};
use crate::plan::Id;
use crate::verdict::Verdict;
use crate::witness::{Observed, Seen};

const HEADING: Style = Style::new().bold();
const GOOD: Style = AnsiColor::Green.on_default();
const BAD: Style = AnsiColor::Red.on_default().bold();
const OPEN: Style = AnsiColor::Yellow.on_default();

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

/// What the events so far add up to.
#[derive(Debug, Default)]
struct Run {
    title: String,
    link: String,
    total: usize,
    asks: bool,
    rows: Vec<Row>,
    /// What was observed of each throw, with its number.
    seen: BTreeMap<Subject, Vec<Throw>>,
    stopped: Option<StopReason>,
    link_failure: Option<String>,
    unanswered: u64,
    accepted: Option<usize>,
    remarks: Remarks,
}

/// A throw by its number, and what was seen of it.
type Throw = (u64, (Step, Id, Seen));

#[derive(Debug)]
struct Row {
    id: Id,
    place: String,
    address: u16,
    verdict: Verdict,
    seen: String,
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
            | EventKind::Looked { .. }
            | EventKind::Accepted { .. }
            | EventKind::SweptAgain { .. }
            | EventKind::Verdict { .. }
            | EventKind::Unanswered { .. }
            | EventKind::LinkFailed { .. }
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
            EventKind::LaidByHand { .. } | EventKind::Surveyed { .. } => Ok(()),
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

impl Run {
    /// Takes in what counts towards the tables, or counts no more.
    fn take(&mut self, kind: &EventKind) {
        if let EventKind::Observation {
            subject,
            throw,
            step,
            commanded,
            seen,
            ..
        } = kind
        {
            let own = self.seen.entry(subject.clone()).or_default();
            own.push((*throw, (*step, commanded.clone(), seen.clone())));
        } else if let EventKind::Verdict {
            subject,
            verdict,
            place,
            address,
            detail,
            ..
        } = kind
        {
            self.judge(subject, *verdict, place, *address, detail);
        } else if let EventKind::SweptAgain { subject } = kind {
            self.withdraw(subject, 0);
        } else if let EventKind::Withdrawn { subject, throw } = kind {
            self.withdraw(subject, *throw);
        }
    }

    fn judge(
        &mut self,
        subject: &Subject,
        verdict: Verdict,
        place: &str,
        address: u16,
        detail: &str,
    ) {
        let own = self.seen.get(subject).into_iter().flatten();
        let observations: Vec<_> = own.map(|(_, seen)| seen.clone()).collect();
        let seen = match verdict {
            Verdict::Skipped => detail.to_owned(),
            Verdict::Proved => proved_how(subject, &observations),
            Verdict::Still => format!(
                "nothing moved in {}",
                words::count(observations.len(), "throw")
            ),
            Verdict::Reversed | Verdict::OneWay | Verdict::Partial | Verdict::Stray => {
                told(subject, &observations)
            }
        };
        let place = if place.is_empty() {
            "no place given"
        } else {
            place
        };
        let id = subject.id().clone();
        self.rows.push(Row {
            id,
            place: place.to_owned(),
            address,
            verdict,
            seen,
        });
    }

    /// What was observed from that throw on counts no more, nor does the verdict.
    fn withdraw(&mut self, subject: &Subject, throw: u64) {
        if let Some(own) = self.seen.get_mut(subject) {
            own.retain(|(number, _)| *number < throw);
        }
        self.rows.retain(|row| row.id != *subject.id());
    }

    /// How many are not proved.
    fn failed(&self) -> usize {
        let failures = self.rows.iter().filter(|row| row.verdict.is_failure());
        failures.count()
    }

    fn print_tables(&self, out: &mut impl Write) -> io::Result<()> {
        writeln!(out, "{HEADING}{}{HEADING:#}", self.title)?;
        let widths = Widths::of(&self.rows);
        writeln!(out)?;
        for (place, rows) in self.by_place() {
            for (index, row) in rows.into_iter().enumerate() {
                widths.place(out, if index == 0 { place } else { "" })?;
                widths.print(out, row, &row.seen)?;
            }
        }
        if self.failed() > 0 {
            writeln!(out, "\n{HEADING}To mend{HEADING:#}")?;
            for row in self.rows.iter().filter(|row| row.verdict.is_failure()) {
                let what = format!("{} ({})", words::meaning(row.verdict), row.place);
                widths.print(out, row, &what)?;
            }
        }
        Ok(())
    }

    /// Rows by place, places in the order in which they first appear.
    fn by_place(&self) -> Vec<(&str, Vec<&Row>)> {
        let mut index = BTreeMap::new();
        let mut places: Vec<(&str, Vec<&Row>)> = Vec::new();
        for row in &self.rows {
            let at = *index.entry(row.place.as_str()).or_insert(places.len());
            if at == places.len() {
                places.push((&row.place, Vec::new()));
            }
            if let Some((_, rows)) = places.get_mut(at) {
                rows.push(row);
            }
        }
        places
    }

    fn print_summary(
        &self,
        out: &mut impl Write,
        counts: [(usize, &str, Style); 4],
        throws: u64,
        time: &str,
    ) -> io::Result<()> {
        let [proved, ref rest @ ..] = counts;
        let parts: Vec<_> = std::iter::once(&proved)
            .chain(rest.iter().filter(|(number, ..)| *number > 0))
            .map(|(number, what, style)| format!("{style}{number} {what}{style:#}"))
            .collect();
        writeln!(
            out,
            "\n{}. {} on the {} in {time}.",
            parts.join(", "),
            words::count(usize::try_from(throws).unwrap_or(usize::MAX), "throw"),
            self.link
        )?;
        if let Some(accepted) = self.accepted {
            let told = match accepted {
                0 => "None accepted yet: no acceptance list is complete.".to_owned(),
                1 => "1 accepted: its list is complete too.".to_owned(),
                _ => format!("{accepted} accepted: their lists are complete too."),
            };
            writeln!(out, "{told}")?;
        }
        if self.unanswered > 0 {
            let packets = words::count(usize::try_from(self.unanswered).unwrap_or(0), "packet");
            writeln!(out, "{OPEN}The station did not answer{OPEN:#} {packets}.")?;
        }
        if let Some(reason) = &self.link_failure {
            writeln!(out, "{BAD}The link failed{BAD:#}: {reason}.")?;
        }
        if let Some(reason) = self.stopped {
            writeln!(out, "{OPEN}Stopped{OPEN:#} {}.", stopped_how(reason))?;
        }
        Ok(())
    }
}

fn stopped_how(reason: StopReason) -> &'static str {
    match reason {
        StopReason::Operator => "by the operator; every output is released",
        StopReason::Interrupt => "from outside; every output is released",
        StopReason::TerminalLost => "because the terminal went away; every output is released",
        StopReason::Link => "because the link failed",
        StopReason::Fault => "by a fault in the program itself",
    }
}

/// Widths of the columns, in terminal cells.
struct Widths {
    place: usize,
    id: usize,
    address: usize,
    verdict: usize,
}

impl Widths {
    fn of(rows: &[Row]) -> Self {
        let widest = |width: fn(&Row) -> usize| rows.iter().map(width).max().unwrap_or_default();
        Self {
            place: widest(|row| row.place.width()),
            id: widest(|row| row.id.as_str().width()),
            address: widest(|row| row.address.to_string().len()),
            verdict: widest(|row| row.verdict.as_str().len()),
        }
    }

    fn place(&self, out: &mut impl Write, place: &str) -> io::Result<()> {
        let pad = self.place.saturating_sub(place.width());
        write!(out, "{place}{:pad$}", "")
    }

    fn print(&self, out: &mut impl Write, row: &Row, what: &str) -> io::Result<()> {
        let style = match row.verdict {
            Verdict::Proved => GOOD,
            Verdict::Skipped => OPEN,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => BAD,
        };
        let pad = self.id.saturating_sub(row.id.as_str().width());
        let (address, verdict) = (self.address, self.verdict);
        writeln!(
            out,
            "  {}{:pad$}  {:>address$}  {style}{:verdict$}{style:#}  {what}",
            row.id, "", row.address, row.verdict
        )
    }
}

/// How something was proved: `both ways`, `both ways, 5 times`, `3 aspects`.
fn proved_how(subject: &Subject, observations: &[(Step, Id, Seen)]) -> String {
    let visits = observations
        .iter()
        .filter(|(step, ..)| *step == Step::Visit);
    let mut times = BTreeMap::new();
    for (_, commanded, _) in visits {
        *times.entry(commanded).or_insert(0_usize) += 1;
    }
    let mut how = match subject {
        Subject::Turnout(_) => "both ways".to_owned(),
        Subject::Signal(_) => words::count(times.len(), "aspect"),
    };
    let cycles = times.values().min().copied().unwrap_or_default();
    if cycles > 1 {
        let _infallible = write!(how, ", {cycles} times");
    }
    how
}

/// What was seen of each command, alike ones told once: `straight → nothing moved, 3 times`. A
/// prime throw that moved nothing tells nothing.
fn told(subject: &Subject, observations: &[(Step, Id, Seen)]) -> String {
    let mut told: Vec<(String, usize)> = Vec::new();
    for (step, commanded, seen) in observations {
        let neutral = Seen {
            observed: Observed::NoMovement,
            others: Vec::new(),
        };
        if *step == Step::Prime && *seen == neutral {
            continue;
        }
        let line = format!("{commanded} → {}", words::seen(subject, seen));
        match told.iter_mut().find(|(known, _)| *known == line) {
            Some((_, times)) => *times += 1,
            None => told.push((line, 1)),
        }
    }
    let lines = told.into_iter().map(|(line, times)| match times {
        1 => line,
        _ => format!("{line} ({times} times)"),
    });
    lines.collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests;
