//! The lamps of a signal, which of them each aspect lights, and the aspect it is left in.

use super::{bad_name, id_rule};
use crate::plan::{Aspect, Colour, Id, Lamp, Lit};
use crate::toml_reader::{Fault, Located, Problem, Table, nearest};

/// What follows the name of a lamp that flashes.
const FLASHING: &str = "flashing";

/// Reads `lamps` and `shows`; what each aspect lights is entered there.
pub(super) fn read(table: &Table<'_>, aspects: Option<&mut [Aspect]>) -> Vec<Lamp> {
    let lamps = lamps(table);
    let shows = table.table("shows").optional();
    let Some(shows) = shows else {
        return lamps;
    };
    if !table.has("lamps") {
        let what = "`shows` names lamps, and the signal has none".to_owned();
        let mend = "list them from top to bottom: lamps = [\"green\", \"red\"]".to_owned();
        problem(table, "no-lamps", what, mend, shows.span);
    }
    let shows = shows.value;
    // Without aspects there is nothing to look a name up in, and that was reported already.
    let aspects = aspects.unwrap_or_default();
    for name in shows.keys() {
        let lit = shows.strings(name.value).optional();
        let Some(index) = find(aspects.iter().map(|one| one.name.as_str()), name.value) else {
            if !aspects.is_empty() {
                let known = aspects.iter().map(|one| one.name.as_str());
                unknown(&shows, "aspect", name, known);
            }
            continue;
        };
        if let (Some(lit), Some(aspect)) = (lit, aspects.get_mut(index)) {
            aspect.lit = Some(lit_of(&shows, &lamps, &lit.value));
        }
    }
    shows.finish();
    lamps
}

/// Reads `restrictive`, which must be one of the aspects.
pub(super) fn restrictive(table: &Table<'_>, aspects: Option<&[Aspect]>) -> Option<Id> {
    let name = table.string("restrictive").optional()?;
    let aspects = aspects?;
    let known = aspects.iter().map(|one| one.name.as_str());
    if find(known.clone(), name.value).is_none() {
        unknown(table, "aspect", name, known);
    }
    Some(Id::new(name.value))
}

fn find<'n>(mut known: impl Iterator<Item = &'n str>, name: &str) -> Option<usize> {
    known.position(|one| one == name)
}

/// The lamps, from top to bottom; each has its colour from the last word of its name.
fn lamps(table: &Table<'_>) -> Vec<Lamp> {
    let names = table.strings("lamps").optional();
    let names = names.map(|names| names.value).unwrap_or_default();
    let mut lamps: Vec<Lamp> = Vec::new();
    for name in names {
        if let Err(what) = id_rule(name.value, false) {
            table.report(bad_name(name.value, what, name.span));
            continue;
        }
        let word = name.value.rsplit('-').next().unwrap_or_default();
        let colour = Colour::ALL.into_iter().find(|one| one.as_str() == word);
        let Some(colour) = colour else {
            let what = format!("the lamp `{}` has no colour", name.value);
            let words = Colour::ALL.map(Colour::as_str);
            let mend = match nearest(word, words) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("end its name with one of {}", words.join(", ")),
            };
            problem(table, "unknown-colour", what, mend, name.span);
            continue;
        };
        if lamps.iter().any(|one| one.name == name.value) {
            let what = format!("two lamps are called `{}`", name.value);
            let mend = format!("tell them apart: upper-{word}, lower-{word}");
            problem(table, "lamp-named-twice", what, mend, name.span);
            continue;
        }
        lamps.push(Lamp {
            name: name.value.to_owned(),
            colour,
        });
    }
    lamps
}

/// The lamps that an aspect lights: each by its name, and `flashing` behind it.
fn lit_of(table: &Table<'_>, lamps: &[Lamp], words: &[Located<&str>]) -> Vec<Lit> {
    let mut lit: Vec<Lit> = Vec::new();
    for word in words {
        let mut parts = word.value.split_whitespace();
        let name = parts.next().unwrap_or_default();
        let rest: Vec<_> = parts.collect();
        let Some(lamp) = find(lamps.iter().map(|one| one.name.as_str()), name) else {
            let name = Located {
                value: name,
                span: word.span,
            };
            unknown(
                table,
                "lamp",
                name,
                lamps.iter().map(|one| one.name.as_str()),
            );
            continue;
        };
        let flashing = match rest.as_slice() {
            [] => false,
            [FLASHING] => true,
            _ => {
                let what = format!("\"{}\" is no lamp with a known manner", word.value);
                let mend = format!("write \"{name}\" or \"{name} flashing\"");
                problem(table, "unknown-lamp", what, mend, word.span);
                continue;
            }
        };
        if lit.iter().any(|one| one.lamp == lamp) {
            let what = format!("`{name}` is named twice");
            let mend = "name each lamp once".to_owned();
            problem(table, "lamp-named-twice", what, mend, word.span);
            continue;
        }
        lit.push(Lit { lamp, flashing });
    }
    lit.sort_by_key(|one| one.lamp);
    lit
}

fn unknown<'n>(
    table: &Table<'_>,
    kind: &str,
    name: Located<&str>,
    known: impl Iterator<Item = &'n str> + Clone,
) {
    let mend = match nearest(name.value, known.clone()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("it has {}", known.collect::<Vec<_>>().join(", ")),
    };
    let shown: String = name.value.chars().flat_map(char::escape_debug).collect();
    let what = format!("the signal has no {kind} \"{shown}\"");
    let code = if kind == "lamp" {
        "unknown-lamp"
    } else {
        "unknown-aspect"
    };
    problem(table, code, what, mend, name.span);
}

fn problem(
    table: &Table<'_>,
    code: &'static str,
    what: String,
    mend: String,
    at: crate::textfile::Span,
) {
    let fault = Fault::Meaning { code, what, mend };
    table.report(Problem::new(fault, at));
}
