//! The report as one page of HTML that needs nothing else.

use askama::Template;
use throwproof_protocol::address::Position;

use super::model::{AdviceLine, AspectLine, Kind, Report, State, Thing};
use super::{picture, words};
use crate::cautions::{self, Caution, DEFER};
use crate::drawing::{self, Lies};
use crate::toml_reader::Choice as _;
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
    groups: Vec<Group<'a>>,
    faces: Vec<Faces<'a>>,
    picture: String,
    defer: &'static str,
}

/// Failures that have the same advice.
struct Group<'a> {
    verdict: &'static str,
    meaning: &'static str,
    drive: String,
    members: Vec<Failure<'a>>,
    advice: Vec<Advised<'a>>,
}

/// What is shown of something that failed.
struct Failure<'a> {
    place: &'a str,
    thing: &'a Thing,
    drawing: String,
    throws: Vec<Seen<'a>>,
    more: usize,
    unanswered: bool,
}

struct Seen<'a> {
    commanded: &'a str,
    what: &'a str,
    as_sent: bool,
}

struct Advised<'a> {
    line: &'a AdviceLine,
    caution: Option<&'static Caution>,
}

/// The page.
///
/// # Errors
/// Never in practice.
pub(super) fn page(report: &Report) -> Result<String, askama::Error> {
    let page = Page {
        rehearsal: words::REHEARSAL,
        counts: words::counts(&report.counts),
        acceptance: words::acceptance(report),
        groups: groups(report),
        faces: faces(report),
        picture: picture::svg(&report.runs),
        defer: DEFER,
        report,
    };
    Ok(page.render()?.chars().map(allowed).collect())
}

/// The letter, or what stands for one that a page can't hold.
fn allowed(letter: char) -> char {
    match letter {
        '\n' | '\r' | '\t' => letter,
        '\u{fffe}' | '\u{ffff}' => char::REPLACEMENT_CHARACTER,
        control if control.is_control() => char::REPLACEMENT_CHARACTER,
        other => other,
    }
}

/// What failed, together where the same is to be tried.
fn groups(report: &Report) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for (place, thing) in report.failures() {
        let same = |group: &&mut Group<'_>| {
            let of_group = group.advice.iter().map(|advised| advised.line);
            group.verdict == words::state(thing) && of_group.eq(&thing.advice)
        };
        let failure = failure(place, thing);
        if let Some(group) = groups.iter_mut().find(same) {
            group.members.push(failure);
            continue;
        }
        groups.push(Group {
            verdict: words::state(thing),
            meaning: words::meaning(thing),
            drive: match thing.kind {
                Kind::Turnout { drive, .. } => drive.name().to_owned(),
                Kind::Signal { .. } => words::drive(thing),
            },
            members: vec![failure],
            advice: thing.advice.iter().map(advised).collect(),
        });
    }
    groups
}

fn advised(line: &AdviceLine) -> Advised<'_> {
    let caution = line
        .caution
        .and_then(|code| cautions::ALL.iter().find(|one| one.code == code));
    Advised { line, caution }
}

fn failure<'a>(place: &'a str, thing: &'a Thing) -> Failure<'a> {
    let seen = |throw: &'a super::Throw| Seen {
        commanded: &throw.commanded,
        what: &throw.words,
        as_sent: throw.as_sent,
    };
    let mut throws: Vec<_> = thing.throws.iter().map(seen).collect();
    let more = throws.len().saturating_sub(THROWS);
    if more > 0 {
        throws.sort_by_key(|throw| throw.as_sent);
        throws.truncate(THROWS);
    }
    Failure {
        place: words::place(place),
        drawing: drawing(thing),
        more,
        throws,
        unanswered: thing.throws.iter().any(|throw| throw.unanswered),
        thing,
    }
}

/// The turnout or signal as it was last seen; nothing for a signal whose lamps the plan does not
/// describe.
fn drawing(thing: &Thing) -> String {
    let shape = match &thing.kind {
        Kind::Turnout { shape, .. } => *shape,
        Kind::Signal { aspects, .. } => return last_face(thing, aspects),
    };
    let route = |name: &str| {
        let known = thing.positions.iter().find(|one| one.name == name);
        known.map(|one| one.route.map_or(Lies::Unknown, Lies::On))
    };
    let last = thing.throws.iter().rev().find_map(|throw| {
        Some(match &throw.observed {
            Observed::Straight if !thing.positions.is_empty() => return route("straight"),
            Observed::Diverging if !thing.positions.is_empty() => return route("diverging"),
            Observed::Aspect(name) => return route(name.as_str()),
            Observed::Straight => Lies::At(Position::Straight),
            Observed::Diverging => Lies::At(Position::Diverging),
            Observed::Between => Lies::Between,
            Observed::NoMovement | Observed::Another => return None,
        })
    });
    drawing::svg(shape, last.unwrap_or(Lies::Unknown))
}

/// The aspect that a signal was last seen to show.
fn last_face(thing: &Thing, aspects: &[AspectLine]) -> String {
    let last = thing.throws.iter().rev().find_map(|throw| {
        let Observed::Aspect(name) = &throw.observed else {
            return None;
        };
        let line = aspects.iter().find(|line| line.name == name.as_str())?;
        line.face.as_ref()
    });
    last.map(drawing::signal::svg).unwrap_or_default()
}

/// A signal whose lamps the plan describes, and each of its aspects with its drawing.
struct Faces<'a> {
    id: &'a str,
    place: &'a str,
    aspects: Vec<(&'a AspectLine, String)>,
}

/// What every signal can show, where the plan says so.
fn faces(report: &Report) -> Vec<Faces<'_>> {
    let places = report.places.iter();
    let things = places.flat_map(|place| place.things.iter().map(move |thing| (place, thing)));
    let faces = things.filter_map(|(place, thing)| {
        let Kind::Signal { aspects, .. } = &thing.kind else {
            return None;
        };
        let drawn = aspects.iter().filter_map(|line| {
            let face = line.face.as_ref()?;
            Some((line, drawing::signal::svg(face)))
        });
        let aspects: Vec<_> = drawn.collect();
        (!aspects.is_empty()).then(|| Faces {
            id: &thing.id,
            place: words::place(&place.name),
            aspects,
        })
    });
    faces.collect()
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
