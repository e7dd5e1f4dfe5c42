//! The report in short, for a terminal.

use std::fmt::Write as _;

use super::model::{Report, State};
use super::words;
use crate::view::words::{note, one_line as plain};
use crate::witness::Found;

/// How everything stands, in a screenful or so.
pub fn summary(report: &Report) -> String {
    let mut out = String::new();
    // A `String` takes anything.
    let _infallible = head(&mut out, report).and_then(|()| body(&mut out, report));
    out
}

fn head(out: &mut String, report: &Report) -> std::fmt::Result {
    writeln!(
        out,
        "{}: {}",
        plain(&report.layout),
        words::counts(&report.counts)
    )?;
    if report.is_rehearsal() {
        writeln!(out, "{}", words::REHEARSAL)?;
    }
    if let Some(acceptance) = words::acceptance(report) {
        writeln!(out, "{acceptance}")?;
    }
    if let Some(run) = report.last() {
        let by = if run.tester.is_empty() {
            String::new()
        } else {
            format!(" by {}", plain(&run.tester))
        };
        let (number, began, link) = (run.run, &run.started, plain(&run.link));
        let ending = words::ending(run);
        writeln!(
            out,
            "last run: {number}, {began}{by}, over {link}, {ending}"
        )?;
        if !report.plan.as_in_last_run {
            writeln!(out, "the plan has been edited since that run")?;
        }
    }
    Ok(())
}

fn body(out: &mut String, report: &Report) -> std::fmt::Result {
    let failures = report.failures();
    if !failures.is_empty() {
        writeln!(out, "\nfails:")?;
    }
    for (place, thing) in failures {
        let verdict = words::meaning(thing);
        let (id, place) = (plain(&thing.id), plain(words::place(place)));
        writeln!(
            out,
            "  {id:<8} {:<9} {place}: {verdict}",
            words::state(thing)
        )?;
        if let Some(advice) = thing.advice.first() {
            writeln!(out, "  {:<8} likeliest: {}", "", plain(&advice.cause))?;
        }
    }
    for pattern in &report.patterns {
        writeln!(out, "  {}", plain(&pattern.text))?;
    }
    let diagnosed = report.diagnosed();
    if !diagnosed.is_empty() {
        writeln!(out, "\ndiagnosed:")?;
    }
    for (thing, line) in diagnosed {
        let told = plain(&words::diagnosis(line));
        writeln!(out, "  {:<8} {told}", plain(&thing.id))?;
        let fate = words::fate(line);
        if !fate.is_empty() {
            writeln!(out, "  {:<8} {fate}", "")?;
        }
    }
    let open: Vec<_> = report
        .things()
        .filter(|thing| !matches!(thing.state, State::Proved | State::Failed))
        .collect();
    if !open.is_empty() {
        writeln!(out, "\nopen:")?;
    }
    for thing in open {
        writeln!(out, "  {:<8} {}", plain(&thing.id), words::state(thing))?;
    }
    remarks(out, report)?;
    if !report.taught.is_empty() {
        writeln!(out, "\ndecoders:")?;
    }
    for taught in &report.taught {
        writeln!(out, "  {}", plain(&taught.text))?;
    }
    if !report.changes.is_empty() {
        writeln!(out, "\nsince the run before:")?;
        for change in &report.changes {
            writeln!(out, "  {:<8} {}", plain(&change.id), words::change(change))?;
        }
    }
    Ok(())
}

/// Looks that found something, and notes.
fn remarks(out: &mut String, report: &Report) -> std::fmt::Result {
    let bad: Vec<_> = report
        .things()
        .flat_map(|thing| thing.looks.iter().map(move |look| (thing, look)))
        .filter(|(_, look)| look.found == Some(Found::Bad))
        .collect();
    if !bad.is_empty() {
        writeln!(out, "\nnot good at a closer look:")?;
    }
    for (thing, look) in bad {
        writeln!(out, "  {:<8} {}", plain(&thing.id), plain(&look.look))?;
    }
    let notes: Vec<_> = report
        .things()
        .flat_map(|thing| thing.notes.iter().map(move |note| (thing, note)))
        .collect();
    if !notes.is_empty() {
        writeln!(out, "\nnotes:")?;
    }
    for (thing, line) in notes {
        let told = note(&line.text, &line.photo);
        writeln!(out, "  {:<8} {}: {told}", plain(&thing.id), line.at)?;
    }
    Ok(())
}
