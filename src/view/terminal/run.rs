//! What the events of a sweep add up to, and the words for it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Write};

use anstyle::Style;

use super::remarks::Remarks;
use super::table::{Row, Widths};
use super::{BAD, HEADING, OPEN};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::plan::{Id, Sort};
use crate::verdict::Verdict;
use crate::view::words;
use crate::witness::{Observed, Seen};

/// What the events so far add up to.
#[derive(Debug, Default)]
pub(super) struct Run {
    pub(super) title: String,
    pub(super) link: String,
    pub(super) total: usize,
    pub(super) asks: bool,
    pub(super) rows: Vec<Row>,
    /// What was observed of each throw, with its number.
    seen: BTreeMap<Subject, Vec<Throw>>,
    pub(super) stopped: Option<StopReason>,
    pub(super) link_failure: Option<String>,
    pub(super) unanswered: u64,
    pub(super) accepted: Option<usize>,
    pub(super) remarks: Remarks,
    /// What each is that is no turnout.
    pub(super) sorts: BTreeMap<Id, Sort>,
}

/// A throw by its number, and what was seen of it.
type Throw = (u64, (Step, Id, Seen));

impl Run {
    /// Takes in what counts towards the tables, or counts no more.
    pub(super) fn take(&mut self, kind: &EventKind) {
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
        let sort = self.sorts.get(subject.id()).copied();
        let seen = match verdict {
            Verdict::Skipped => detail.to_owned(),
            Verdict::Proved => proved_how(subject, sort, &observations),
            Verdict::Still => nothing_in(subject, observations.len()),
            Verdict::Reversed | Verdict::OneWay | Verdict::Partial if !detail.is_empty() => {
                format!("{}; {detail}", told(subject, sort, &observations))
            }
            Verdict::Reversed | Verdict::OneWay | Verdict::Partial | Verdict::Stray => {
                told(subject, sort, &observations)
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
            means: words::meaning(subject, sort, verdict),
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
    pub(super) fn failed(&self) -> usize {
        let failures = self.rows.iter().filter(|row| row.verdict.is_failure());
        failures.count()
    }

    pub(super) fn print_tables(&self, out: &mut impl Write) -> io::Result<()> {
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
                let what = format!("{} ({})", row.means, row.place);
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

    pub(super) fn print_summary(
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

/// How something was proved: `both ways`, `both ways, 5 times`, `3 positions`, `3 aspects`.
fn proved_how(subject: &Subject, sort: Option<Sort>, observations: &[(Step, Id, Seen)]) -> String {
    let visits = observations
        .iter()
        .filter(|(step, ..)| *step == Step::Visit);
    let mut times = BTreeMap::new();
    for (_, commanded, _) in visits {
        *times.entry(commanded).or_insert(0_usize) += 1;
    }
    let mut how = match (subject, sort) {
        (Subject::Turnout(_), _) if times.len() > 2 => words::count(times.len(), "position"),
        (Subject::Turnout(_), _) => "both ways".to_owned(),
        (Subject::Signal(_), None | Some(Sort::Signal)) => words::count(times.len(), "aspect"),
        (Subject::Signal(_), Some(Sort::Uncoupler)) => "rises and falls".to_owned(),
        (Subject::Signal(_), Some(Sort::Gates)) => "open and closed".to_owned(),
        (Subject::Signal(_), Some(Sort::Lights)) => "on and off".to_owned(),
    };
    let cycles = times.values().min().copied().unwrap_or_default();
    if cycles > 1 {
        let _infallible = write!(how, ", {cycles} times");
    }
    how
}

/// `nothing moved in 5 throws`, `nothing changed in 4 commands`.
fn nothing_in(subject: &Subject, times: usize) -> String {
    match subject {
        Subject::Turnout(_) => format!("nothing moved in {}", words::count(times, "throw")),
        Subject::Signal(_) => format!("nothing changed in {}", words::count(times, "command")),
    }
}

/// What was seen of each command, alike ones told once: `straight → nothing moved, 3 times`. A
/// prime throw that moved nothing tells nothing.
fn told(subject: &Subject, sort: Option<Sort>, observations: &[(Step, Id, Seen)]) -> String {
    let mut told: Vec<(String, usize)> = Vec::new();
    for (step, commanded, seen) in observations {
        let neutral = Seen {
            observed: Observed::NoMovement,
            others: Vec::new(),
        };
        if *step == Step::Prime && *seen == neutral {
            continue;
        }
        let line = format!("{commanded} → {}", words::seen_as(sort, subject, seen));
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
