//! Acceptance lists: what a plan, or a place of it, wants looked at closer.

use std::collections::HashMap;

use crate::plan::Look;
use crate::plan::draft::DraftTurnout;
use crate::toml_reader::{Fault, Located, Problem, Table, nearest};

/// The key.
const ACCEPT: &str = "accept";

/// The list of a table, if it has one.
pub(super) fn list(table: &Table<'_>) -> Option<Vec<Look>> {
    let words = table.strings(ACCEPT).optional()?.value;
    let mut looks = Vec::new();
    for word in words {
        if let Some(look) = look(table, word)
            && !looks.contains(&look)
        {
            looks.push(look);
        }
    }
    Some(looks)
}

/// A known word, or a question in the builder's own words, which has a space in it.
fn look(table: &Table<'_>, word: Located<&str>) -> Option<Look> {
    let known = Look::KNOWN.into_iter();
    if let Some(look) = known.clone().find(|look| look.as_str() == word.value) {
        return Some(look);
    }
    if word.value.trim().contains(' ') {
        let words = super::text(table, ACCEPT, word);
        return Some(Look::Own(words.into()));
    }
    let names = known.map(|look| look.as_str().to_owned());
    let names: Vec<String> = names.collect();
    let near = nearest(word.value, names.iter().map(String::as_str));
    let mend = match near {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("it can be {}", names.join(", ")),
    };
    let shown: String = word.value.chars().flat_map(char::escape_debug).collect();
    let fault = Fault::Meaning {
        code: "unknown-look",
        what: format!("\"{shown}\" is nothing that is known to look for"),
        mend: mend + " A question of your own is a sentence, as in \"Does the lamp turn with it?\"",
    };
    table.report(Problem::new(fault, word.span));
    None
}

/// Gives each turnout the list of its place, or else the layout's.
pub(super) fn give(root: &Table<'_>, layout: Option<Vec<Look>>, turnouts: &mut [DraftTurnout]) {
    let mut places = HashMap::new();
    for (name, table) in root.named_tables("place") {
        if !turnouts.iter().any(|one| one.place == name.value) {
            table.report(no_such_place(name, turnouts));
        }
        if let Some(looks) = list(&table) {
            places.insert(name.value, looks);
        }
        table.finish();
    }
    let layout = layout.unwrap_or_default();
    for turnout in turnouts {
        let own = places.get(turnout.place.as_str());
        turnout.accept.clone_from(own.unwrap_or(&layout));
    }
}

fn no_such_place(name: Located<&str>, turnouts: &[DraftTurnout]) -> Problem {
    let known = turnouts.iter().map(|one| one.place.as_str());
    let known = known.filter(|place| !place.is_empty());
    let mend = match nearest(name.value, known) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => "a turnout is there that says so: place = \"…\"".to_owned(),
    };
    let shown: String = name.value.chars().flat_map(char::escape_debug).collect();
    let fault = Fault::Meaning {
        code: "unknown-place",
        what: format!("no turnout is at \"{shown}\""),
        mend,
    };
    Problem::new(fault, name.span)
}
