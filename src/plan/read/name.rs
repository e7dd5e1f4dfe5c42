//! Ids, names and places: which of them there can be.

use std::collections::HashMap;

use crate::plan::Id;
use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Fault, Located, Problem, Table};

/// Longest id, characters: it has to fit on a label and in a table.
const ID_LENGTH: usize = 32;

/// Longest name or place, characters.
const TEXT_LENGTH: usize = 200;

/// The id of a turnout or signal, which no other may have.
pub(super) fn own_id(
    file: &TextFile,
    table: &Table<'_>,
    taken: &mut HashMap<Id, Span>,
) -> Option<Located<Id>> {
    let text = table.string("id").required()?;
    if let Err(what) = id_rule(text.value, true) {
        table.report(bad_name(text.value, what, text.span));
        return None;
    }
    let id = text.map(Id::new);
    if let Some(first) = taken.get(&id.value) {
        let first_line = file.line(first.start);
        let fault = Fault::Meaning {
            code: "duplicate-id",
            what: format!(
                "`{}` is the id of two; the first is on line {first_line}",
                id.value
            ),
            mend: "give one of them another id: turnouts and signals share one set of ids"
                .to_owned(),
        };
        table.report(Problem::new(fault, id.span).and(*first, "the first is here"));
    } else {
        taken.insert(id.value.clone(), id.span);
    }
    Some(id)
}

/// The id of a decoder or supply; TOML sees to it that no two have the same.
pub(super) fn named(table: &Table<'_>, name: Located<&str>) -> Option<Located<Id>> {
    if let Err(what) = id_rule(name.value, false) {
        table.report(bad_name(name.value, what, name.span));
        return None;
    }
    Some(name.map(Id::new))
}

/// What a name can't be. On the command line a number is an address, a comma parts ids and a
/// hyphen begins an option.
pub(super) fn id_rule(text: &str, keyed: bool) -> Result<(), &'static str> {
    let allowed = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    if text.is_empty() {
        Err("is empty")
    } else if text.chars().count() > ID_LENGTH {
        Err("is longer than 32 characters")
    } else if !text.chars().all(allowed) {
        Err("has characters other than letters, digits, `-`, `_` and `.`")
    } else if text.starts_with('-') {
        Err("begins with `-`, as options of a command do")
    } else if keyed && text.chars().all(char::is_numeric) {
        Err("is a bare number, which is an address to every command")
    } else {
        Ok(())
    }
}

pub(super) fn bad_name(name: &str, what: &'static str, at: Span) -> Problem {
    let shown: String = name
        .chars()
        .take(ID_LENGTH)
        .flat_map(char::escape_debug)
        .collect();
    let fault = Fault::Meaning {
        code: "bad-name",
        what: format!("the name \"{shown}\" {what}"),
        mend: "use a short name that can be said aloud, such as Q1 or dairy-2".to_owned(),
    };
    Problem::new(fault, at)
}

/// A name or place: any text that a terminal and a label can show.
pub(super) fn text(table: &Table<'_>, key: &str, text: Located<&str>) -> String {
    let what = if text.value.chars().any(char::is_control) {
        Some("has a line end, a tab or another control character")
    } else if text.value.chars().count() > TEXT_LENGTH {
        Some("is longer than 200 characters")
    } else {
        None
    };
    if let Some(what) = what {
        let fault = Fault::Meaning {
            code: "bad-text",
            what: format!("`{key}` {what}"),
            mend: "write it as one short line".to_owned(),
        };
        table.report(Problem::new(fault, text.span));
    }
    text.value.to_owned()
}
