//! The history of a layout, as text and as JSON lines.

use std::io::{self, Write};

use anstyle::{AnsiColor, Style};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use crate::record::RunLog;
use crate::record::cases::Case;
use crate::record::history::{Change, History, Past, SubjectHistory, Visits};
use crate::record::taught::{self, Lesson};
use crate::verdict::Verdict;

const GOOD: Style = AnsiColor::Green.on_default();
const BAD: Style = AnsiColor::Red.on_default().bold();
const HEAD: Style = Style::new().bold();

/// What the percentages are.
const RATES: &str = "\
Throws are counted since the plan last changed for that turnout or signal. \"Up to\": with 95 %
confidence the rate of failures is not above it. In parentheses: with 95 % confidence it lies
between these. Both are exact binomial bounds; throws that warm a coil depend on each other.
";

/// Writes it for people, in the time of this place.
///
/// # Errors
/// When it can't be written.
pub fn print(history: &History, out: &mut impl Write) -> io::Result<()> {
    print_in(history, &TimeZone::system(), out)
}

/// Writes it for people, in the time of that zone.
///
/// # Errors
/// When it can't be written.
pub fn print_in(history: &History, zone: &TimeZone, out: &mut impl Write) -> io::Result<()> {
    let runs = if history.runs == 1 { "run" } else { "runs" };
    write!(
        out,
        "{HEAD}{}{HEAD:#}: {} {runs}",
        history.layout, history.runs
    )?;
    if let (Some(first), Some(last)) = (history.first, history.last) {
        let (first, last) = (day(first, zone), day(last, zone));
        if first == last {
            write!(out, ", {first}")?;
        } else {
            write!(out, ", {first} to {last}")?;
        }
    }
    writeln!(out)?;
    for subject in &history.subjects {
        subject_lines(subject, zone, out)?;
    }
    if history.subjects.iter().any(|one| !one.visits.is_empty()) {
        write!(out, "\n{RATES}")?;
    }
    Ok(())
}

fn subject_lines(
    history: &SubjectHistory,
    zone: &TimeZone,
    out: &mut impl Write,
) -> io::Result<()> {
    let id = history.subject.id();
    write!(out, "\n{HEAD}{id}{HEAD:#}")?;
    if !history.place.is_empty() {
        write!(out, ", {}", history.place)?;
    }
    match history.last_proved {
        Some(at) => write!(out, ": last proved {}", moment(at, zone))?,
        None => write!(out, ": never proved")?,
    }
    if !history.is_in_plan {
        write!(out, "; no more in the plan")?;
    }
    writeln!(out)?;
    // Each diagnosis between the verdicts before it and after it.
    let mut cases = history.diagnoses.iter().peekable();
    for past in &history.verdicts {
        while let Some(case) = cases.next_if(|case| case.at <= past.at) {
            case_lines(case, zone, out)?;
        }
        past_line(past, zone, out)?;
    }
    for case in cases {
        case_lines(case, zone, out)?;
    }
    for visits in &history.visits {
        visits_line(visits, out)?;
    }
    Ok(())
}

fn past_line(past: &Past, zone: &TimeZone, out: &mut impl Write) -> io::Result<()> {
    let style = match past.verdict {
        Verdict::Proved => GOOD,
        Verdict::Skipped => Style::new(),
        Verdict::Reversed
        | Verdict::Still
        | Verdict::OneWay
        | Verdict::Partial
        | Verdict::Stray => BAD,
    };
    let (run, verdict) = (past.run, past.verdict);
    let at = moment(past.at, zone);
    write!(out, "  {at}  run {run:<3}  {style}{verdict:8}{style:#}")?;
    let mut words = Vec::new();
    if let Some(change) = past.change {
        words.push(word(change));
    }
    if past.is_plan_changed {
        words.push("plan changed");
    }
    let why = if past.seen.is_empty() {
        &past.detail
    } else {
        &past.seen
    };
    words.extend((past.verdict != Verdict::Proved && !why.is_empty()).then_some(why.as_str()));
    if !words.is_empty() {
        write!(out, "  {}", words.join("; "))?;
    }
    writeln!(out)
}

fn case_lines(case: &Case, zone: &TimeZone, out: &mut impl Write) -> io::Result<()> {
    let at = moment(case.at, zone);
    let (run, sentence) = (case.run, case.sentence());
    writeln!(out, "  {at}  run {run:<3}  diagnosis  {sentence}")?;
    let outcome = case.outcome(|at| moment(at, zone));
    if !outcome.is_empty() {
        writeln!(out, "  {:16}  {:7}  {outcome}", "", "")?;
    }
    Ok(())
}

fn word(change: Change) -> &'static str {
    match change {
        Change::Fixed => "fixed",
        Change::Worse => "worse",
        Change::OtherFault => "other fault",
    }
}

fn visits_line(visits: &Visits, out: &mut impl Write) -> io::Result<()> {
    let Visits {
        commanded,
        visits,
        arrived,
        failed,
        rate,
    } = visits;
    write!(out, "  to {commanded}: {arrived} of {visits} arrived")?;
    if *failed > 0 {
        let (low, high) = (percent(rate.low), percent(rate.high));
        write!(out, ", {failed} failed ({low} to {high})")?;
    }
    write!(out, "; up to {} may fail", percent(rate.at_most))?;
    writeln!(out)
}

/// Two digits that count.
fn percent(part: f64) -> String {
    let percent = part * 100.0;
    if percent >= 9.95 {
        format!("{percent:.0} %")
    } else if percent >= 0.995 {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.2} %")
    }
}

fn day(time: Timestamp, zone: &TimeZone) -> String {
    let zoned = time.to_zoned_datetime(zone.clone());
    zoned.strftime("%-d %B %Y").to_string()
}

fn moment(time: Timestamp, zone: &TimeZone) -> String {
    let zoned = time.to_zoned_datetime(zone.clone());
    zoned.strftime("%Y-%m-%d %H:%M").to_string()
}

/// One line of JSON for each turnout and signal.
#[derive(Debug, Serialize)]
struct Line<'a> {
    event: &'static str,
    layout: &'a str,
    #[serde(flatten)]
    history: &'a SubjectHistory,
}

/// Writes it for programs: one object a line, each with `"event":"history"`.
///
/// # Errors
/// When it can't be written.
pub fn json(history: &History, out: &mut impl Write) -> io::Result<()> {
    for subject in &history.subjects {
        let line = Line {
            event: "history",
            layout: &history.layout,
            history: subject,
        };
        serde_json::to_writer(&mut *out, &line)?;
        out.write_all(b"\n")?;
    }
    Ok(())
}

/// What became of a decoder that was given its address, as a line of JSON.
#[derive(Debug, Serialize)]
struct LessonLine<'a> {
    event: &'static str,
    layout: &'a str,
    #[serde(flatten)]
    lesson: Lesson,
}

/// Writes what became of decoders that were given their address: one object a line, each with
/// `"event":"lesson"`.
///
/// # Errors
/// When it can't be written.
pub fn lessons_json(runs: &[RunLog], out: &mut impl Write) -> io::Result<()> {
    for run in runs {
        let Some(lesson) = taught::of(run) else {
            continue;
        };
        let line = LessonLine {
            event: "lesson",
            layout: &run.info.layout,
            lesson,
        };
        serde_json::to_writer(&mut *out, &line)?;
        out.write_all(b"\n")?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
