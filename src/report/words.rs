//! Words that several kinds of report share.

use std::fmt::Write as _;

use super::model::{
    AdviceLine, After, Change, Chart, Counts, DiagnosisLine, Kind, OutputLine, Report, Run, State,
    Thing, Turn,
};
use crate::cautions;
use crate::event::StopReason;
use crate::plan::Sort;
use crate::record::cases::TOLD;
use crate::toml_reader::Choice as _;
use crate::verdict::Verdict;
use crate::view::words::{self, count};
use crate::witness::Found;

/// What every report of a rehearsal says.
pub(super) const REHEARSAL: &str = "rehearsal on the simulated track: proves nothing of the layout";

/// How many characters of a fingerprint are enough to tell two plans apart by eye.
const SHORT: usize = 12;

/// The first characters of a fingerprint.
pub(super) fn short(fingerprint: &str) -> &str {
    fingerprint.get(..SHORT).unwrap_or(fingerprint)
}

/// What its verdict means; empty without one.
pub(super) fn meaning(thing: &Thing) -> &'static str {
    thing.verdict.map_or("", |verdict| match thing.kind {
        Kind::Turnout { .. } => words::meaning_of_turnout(verdict),
        Kind::Signal {
            sort: Sort::Signal, ..
        } => words::meaning_of_signal(verdict),
        Kind::Signal { .. } => words::meaning_of_accessory(verdict),
    })
}

/// What the throws of a failed turnout with several drives say of them; empty for all others.
pub(super) fn about_drives(thing: &Thing) -> &str {
    let is_it = thing.state == State::Failed && !thing.each_drive.is_empty();
    let is_stray = thing.verdict == Some(Verdict::Stray);
    if is_it && !is_stray {
        &thing.detail
    } else {
        ""
    }
}

/// How it stands, in a word or two.
pub(super) fn state(thing: &Thing) -> &'static str {
    match (thing.state, thing.verdict) {
        (State::Proved | State::Failed, Some(verdict)) => verdict.as_str(),
        (State::Proved, None) => "proved",
        (State::Failed, None) => "failed",
        (State::Skipped, _) => "skipped",
        (State::Open, _) => "not tried",
        (State::Changed, _) => "changed in the plan",
    }
}

/// `12 of 28 proved, 9 failed, 2 skipped, 5 open`.
pub(super) fn counts(counts: &Counts) -> String {
    let mut text = format!("{} of {} proved", counts.proved, counts.total);
    for (number, word) in [
        (counts.failed, "failed"),
        (counts.skipped, "skipped"),
        (counts.open, "open"),
    ] {
        if number > 0 {
            let _infallible = write!(text, ", {number} {word}");
        }
    }
    text
}

/// The drive, or what the signal can show.
pub(super) fn drive(thing: &Thing) -> String {
    let several = thing.each_drive.len().max(1);
    match &thing.kind {
        Kind::Turnout { drive, drives, .. } if usize::from(*drives) * several > 1 => {
            format!("{} × {}", usize::from(*drives) * several, drive.name())
        }
        Kind::Turnout { drive, .. } => drive.name().to_owned(),
        Kind::Signal { sort, .. } => sort.word().to_owned(),
    }
}

/// `stop 0, proceed 1`; empty for a turnout.
pub(super) fn aspects(thing: &Thing) -> String {
    let Kind::Signal { aspects, .. } = &thing.kind else {
        return String::new();
    };
    let aspects = aspects
        .iter()
        .map(|aspect| format!("{} {}", aspect.name, aspect.value));
    aspects.collect::<Vec<_>>().join(", ")
}

/// `9`, `47–48`; `11, 25` where each drive has its own.
pub(super) fn addresses(thing: &Thing) -> String {
    if !thing.each_drive.is_empty() {
        return listed(thing.each_drive.iter().map(|drive| drive.address));
    }
    if thing.last_address > thing.address {
        format!("{}–{}", thing.address, thing.last_address)
    } else {
        thing.address.to_string()
    }
}

/// The same on the rails; of a signal the first.
pub(super) fn binary_addresses(thing: &Thing) -> String {
    if thing.each_drive.is_empty() {
        return thing.binary_address.to_string();
    }
    listed(thing.each_drive.iter().map(|drive| drive.binary_address))
}

/// The addresses of its further drives: `12`, `12, 13`; empty where it has one.
pub(super) fn further_addresses(thing: &Thing) -> String {
    listed(thing.each_drive.iter().skip(1).map(|drive| drive.address))
}

fn listed(numbers: impl Iterator<Item = u16>) -> String {
    let numbers: Vec<_> = numbers.map(|number| number.to_string()).collect();
    numbers.join(", ")
}

/// What each of several drives is on: `Y1 outputs 1, 2`, `Y1 output 1; Y2 output 4`.
fn each_output(thing: &Thing) -> String {
    let mut groups: Vec<(&str, Vec<String>)> = Vec::new();
    for drive in &thing.each_drive {
        let (Some(decoder), Some(output)) = (&drive.decoder, drive.output) else {
            continue;
        };
        match groups.last_mut() {
            Some((known, outputs)) if known == decoder => outputs.push(output.to_string()),
            _ => groups.push((decoder, vec![output.to_string()])),
        }
    }
    let groups = groups.iter().map(|(decoder, outputs)| {
        let plural = if outputs.len() == 1 { "" } else { "s" };
        format!("{decoder} output{plural} {}", outputs.join(", "))
    });
    groups.collect::<Vec<_>>().join("; ")
}

/// `D1 output 1`; empty where the plan does not know it.
pub(super) fn output(thing: &Thing) -> String {
    if !thing.each_drive.is_empty() {
        return each_output(thing);
    }
    match (&thing.decoder, thing.output) {
        (Some(decoder), Some(output)) => format!("{decoder} output {output}"),
        _ => String::new(),
    }
}

/// Points of the acceptance list that were found good, and the others with what was found.
pub(super) fn looks(thing: &Thing) -> (Vec<&str>, Vec<String>) {
    let good = |found: Option<Found>| found == Some(Found::Good);
    let done = thing.looks.iter().filter(|line| good(line.found));
    let open = thing.looks.iter().filter(|line| !good(line.found));
    let open = open.map(|line| match line.found {
        Some(_) => format!("{} (bad)", line.look),
        None => line.look.clone(),
    });
    (
        done.map(|line| line.look.as_str()).collect(),
        open.collect(),
    )
}

/// A change, in words.
pub(super) fn change(change: &Change) -> String {
    let now = change.now;
    let before = change
        .before
        .map_or("not tried", |verdict| verdict.as_str());
    match change.to {
        Turn::Worse => format!("got worse: {now}, was {before}"),
        Turn::Otherwise => format!("now {now}, was {before}"),
        Turn::Fixed => format!("fixed: {now}, was {before}"),
        Turn::New => format!("new: {now}"),
    }
}

/// How a run ended.
pub(super) fn ending(run: &Run) -> &'static str {
    match (run.stopped, run.complete) {
        (None, true) => "complete",
        (None, false) => "broken off",
        (Some(StopReason::Operator), _) => "stopped by the operator",
        (Some(StopReason::Interrupt), _) => "interrupted",
        (Some(StopReason::TerminalLost), _) => "the terminal was lost",
        (Some(StopReason::Link), _) => "the link failed",
        (Some(StopReason::Fault), _) => "the program failed",
    }
}

/// `pulse 150 ms`, `steady`.
pub(super) fn output_kind(chart: &Chart) -> String {
    match chart.pulse_ms {
        0 => chart.output_kind.name().to_owned(),
        ms => format!("{} {ms} ms", chart.output_kind.name()),
    }
}

/// `quay, 16 V, 2.5 A`; empty where the plan does not know it.
pub(super) fn supply(chart: &Chart) -> String {
    chart.supply.as_ref().map_or_else(String::new, |supply| {
        format!("{}, {} V, {} A", supply.id, supply.volts, supply.amps)
    })
}

/// `Acceptance: 3 of 8 turnouts with a list have passed it`; nothing without lists.
pub(super) fn acceptance(report: &Report) -> Option<String> {
    let acceptance = report.acceptance?;
    let listed = count(acceptance.listed, "turnout");
    Some(format!(
        "{} of {listed} with an acceptance list passed it",
        acceptance.accepted
    ))
}

/// A cause and what to try; of what a diagnosis names, how sure it is and how to mend it.
pub(super) fn advised(advice: &AdviceLine) -> String {
    let AdviceLine { cause, attempt, .. } = advice;
    match advice.percent {
        None => format!("Perhaps {cause}. Try: {attempt}."),
        Some(percent) => format!("{percent} % likely by the diagnosis: {cause} Mend: {attempt}"),
    }
}

/// The same, and what to mind: of what can burn, all there is to say.
pub(super) fn advice(advice: &AdviceLine) -> String {
    let advised = advised(advice);
    let caution = cautions::ALL
        .iter()
        .find(|one| Some(one.code) == advice.caution);
    match caution {
        None => advised,
        Some(caution) if *caution == cautions::COIL_ON => {
            format!("{advised} Mind: {}", caution.text)
        }
        Some(caution) => format!("{advised} Mind: {}.", caution.title),
    }
}

/// What a diagnosis came to, with when that was: `2026-11-24 18:02, run 12: 97 % sure: …`.
pub(super) fn diagnosis(line: &DiagnosisLine) -> String {
    let DiagnosisLine { at, run, text, .. } = line;
    match &line.by_way_of {
        None => format!("{at}, run {run}: {text}"),
        Some(other) => format!("{at}, run {run}, by the diagnosis of {other}: {text}"),
    }
}

/// What became of it since; empty where nothing did.
pub(super) fn fate(line: &DiagnosisLine) -> String {
    let mended = line.mended.as_ref();
    let mended = mended.map_or_else(String::new, |at| format!("said to be mended {at}, "));
    match line.since_then {
        After::Nothing => String::new(),
        After::Mended => format!("{mended}not proved yet"),
        After::Proved => format!("{mended}proved since"),
        After::StillFails => format!("{mended}and it fails still"),
    }
}

/// Why a diagnosis names its causes and what to do, point by point; nothing of another turnout's,
/// which tells it there.
pub(super) fn points(line: &DiagnosisLine) -> Vec<(&'static str, String)> {
    let mut points = Vec::new();
    if line.by_way_of.is_some() {
        return points;
    }
    for cause in line.causes.iter().take(TOLD) {
        if line.causes.len() > 1 {
            points.push(("perhaps", cause.says.clone()));
        }
        let some = |reasons: &[String]| {
            let some: Vec<_> = reasons.iter().take(TOLD).map(String::as_str).collect();
            some.join(". ")
        };
        let caution = cautions::ALL
            .iter()
            .find(|one| Some(one.code) == cause.caution.as_deref());
        let caution = caution.map_or_else(String::new, |one| one.text.to_owned());
        let each = [
            ("for it", some(&cause.speaks_for)),
            ("against it", some(&cause.speaks_against)),
            ("mend", cause.mend.clone()),
            ("mind", caution),
            ("prove", cause.prove.clone()),
        ];
        points.extend(each.into_iter().filter(|(_, text)| !text.is_empty()));
    }
    if let Some(parting) = &line.parting {
        points.push(("what would part them", parting.action.clone()));
    }
    points
}

/// `Q1 (twin-coil)`, or `spare`.
pub(super) fn driven(line: &OutputLine) -> String {
    let driven = line.drives.iter().map(|one| match one.drive {
        Some(drive) => format!("{} ({})", one.id, drive.name()),
        None => format!("{} (signal)", one.id),
    });
    match driven.collect::<Vec<_>>().join(", ") {
        none if none.is_empty() => "spare".to_owned(),
        driven => driven,
    }
}

/// A place's name, also for what has none.
pub(super) fn place(name: &str) -> &str {
    if name.is_empty() {
        "no place given"
    } else {
        name
    }
}
