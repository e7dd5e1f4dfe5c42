//! The report as one page of HTML that needs nothing else.

use askama::Template;
use throwproof_protocol::address::Position;

use super::model::{AdviceLine, Kind, Report, State, Thing};
use super::{picture, words};
use crate::cautions::{self, DEFER};
use crate::drawing::{self, Lies};
use crate::view::words::meaning;
use crate::witness::Observed;

/// Throws shown of one failure; of more, those that were not as sent come first.
const THROWS: usize = 16;

#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    report: &'a Report,
    rehearsal: &'static str,
    counts: String,
    acceptance: Option<String>,
    failures: Vec<Failure<'a>>,
    picture: String,
    defer: &'static str,
}

/// What is shown of something that failed.
struct Failure<'a> {
    place: &'a str,
    thing: &'a Thing,
    drawing: String,
    meaning: &'static str,
    throws: Vec<Seen<'a>>,
    more: usize,
    unanswered: bool,
    advice: Vec<Advised<'a>>,
}

struct Seen<'a> {
    commanded: &'a str,
    seen: &'a str,
    as_sent: bool,
}

struct Advised<'a> {
    line: &'a AdviceLine,
    caution: Option<&'static str>,
}

/// The page.
///
/// # Errors
/// Never in practice.
pub(super) fn page(report: &Report) -> Result<String, askama::Error> {
    let failures = report.failures();
    let page = Page {
        rehearsal: words::REHEARSAL,
        counts: words::counts(&report.counts),
        acceptance: words::acceptance(report),
        failures: failures
            .into_iter()
            .map(|(place, thing)| failure(place, thing))
            .collect(),
        picture: picture::svg(&report.runs),
        defer: DEFER,
        report,
    };
    page.render()
}

fn failure<'a>(place: &'a str, thing: &'a Thing) -> Failure<'a> {
    let seen = |throw: &'a super::Throw| Seen {
        commanded: &throw.commanded,
        seen: &throw.words,
        as_sent: throw.as_sent,
    };
    let mut throws: Vec<_> = thing.throws.iter().map(seen).collect();
    let more = throws.len().saturating_sub(THROWS);
    if more > 0 {
        throws.sort_by_key(|throw| throw.as_sent);
        throws.truncate(THROWS);
    }
    let advice = thing.advice.iter().map(|line| Advised {
        line,
        caution: line.caution.and_then(|code| {
            let caution = cautions::ALL.iter().find(|one| one.code == code)?;
            Some(caution.text)
        }),
    });
    Failure {
        place: words::place(place),
        drawing: drawing(thing),
        meaning: thing.verdict.map_or("", meaning),
        more,
        throws,
        unanswered: thing.throws.iter().any(|throw| throw.unanswered),
        advice: advice.collect(),
        thing,
    }
}

/// The turnout as it was last seen; nothing for a signal.
fn drawing(thing: &Thing) -> String {
    let Kind::Turnout { shape, .. } = thing.kind else {
        return String::new();
    };
    let last = thing.throws.iter().rev().find_map(|throw| {
        Some(match throw.observed {
            Observed::Straight => Lies::At(Position::Straight),
            Observed::Diverging => Lies::At(Position::Diverging),
            Observed::Between => Lies::Between,
            Observed::NoMovement | Observed::Another | Observed::Aspect(_) => return None,
        })
    });
    drawing::svg(shape, last.unwrap_or(Lies::Unknown))
}

/// The class that a state is styled by.
fn class(thing: &Thing) -> &'static str {
    match thing.state {
        State::Proved => "proved",
        State::Failed => "failed",
        State::Skipped => "skipped",
        State::Open | State::Changed => "open",
    }
}

/// A sign for it that does not need colour.
fn sign(thing: &Thing) -> &'static str {
    match thing.state {
        State::Proved => "✓",
        State::Failed => "✗",
        State::Skipped => "–",
        State::Open | State::Changed => "○",
    }
}
