//! The report as a table for a spreadsheet: one row a turnout or signal.

use std::borrow::Cow;

use csv::{Terminator, WriterBuilder};

use super::model::{Kind, Report, Thing};
use super::words;
use crate::plan::Sort;

/// So that spreadsheets take the text for UTF-8.
pub(crate) const BYTE_ORDER_MARK: &[u8] = "\u{feff}".as_bytes();

/// The first row.
const HEAD: [&str; 25] = [
    "id",
    "kind",
    "place",
    "address",
    "last_address",
    "binary_address",
    "decoder",
    "output",
    "drive",
    "straight_terminal",
    "aspects",
    "supply",
    "state",
    "verdict",
    "since",
    "run",
    "detail",
    "looks_done",
    "looks_open",
    "notes",
    "proof",
    "further_addresses",
    "diagnosed",
    "diagnosis",
    "since_diagnosis",
];

pub(super) fn bytes(report: &Report) -> Result<Vec<u8>, csv::Error> {
    let mut writer = WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .from_writer(BYTE_ORDER_MARK.to_vec());
    writer.write_record(HEAD)?;
    let proof = if report.is_rehearsal() {
        words::REHEARSAL
    } else {
        "layout"
    };
    for place in &report.places {
        for thing in &place.things {
            let mut row = row(thing, &place.name);
            row.push(proof.to_owned());
            row.push(words::further_addresses(thing));
            row.extend(diagnosis(thing));
            let cells = row.iter().map(|cell| defused(cell));
            writer.write_record(cells.map(|cell| cell.into_owned().into_bytes()))?;
        }
    }
    writer
        .into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

fn row(thing: &Thing, place: &str) -> Vec<String> {
    let number = |number: Option<u8>| number.map_or_else(String::new, |one| one.to_string());
    let (kind, terminal) = match thing.kind {
        Kind::Turnout {
            straight_terminal, ..
        } => ("turnout", Some(straight_terminal)),
        Kind::Signal {
            sort: Sort::Signal, ..
        } => ("signal", None),
        Kind::Signal { .. } => ("accessory", None),
    };
    let (done, open) = words::looks(thing);
    let notes = thing.notes.iter().map(|note| {
        let parts = [note.text.as_str(), note.photo.as_str()];
        let parts = parts.into_iter().filter(|part| !part.is_empty());
        parts.collect::<Vec<_>>().join(", photo ")
    });
    vec![
        thing.id.clone(),
        kind.to_owned(),
        place.to_owned(),
        thing.address.to_string(),
        thing.last_address.to_string(),
        thing.binary_address.to_string(),
        thing.decoder.clone().unwrap_or_default(),
        number(thing.output),
        words::drive(thing),
        number(terminal),
        words::aspects(thing),
        thing.supply.clone().unwrap_or_default(),
        words::state(thing).to_owned(),
        thing.verdict.map_or("", |one| one.as_str()).to_owned(),
        thing
            .since
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        thing.run.map(|run| run.to_string()).unwrap_or_default(),
        thing.detail.clone(),
        done.join("; "),
        open.join("; "),
        notes.collect::<Vec<_>>().join("; "),
    ]
}

/// When it was diagnosed, what that came to, and what became of it.
fn diagnosis(thing: &Thing) -> [String; 3] {
    thing
        .diagnosis
        .as_ref()
        .map_or_else(Default::default, |line| {
            let at = line.at.to_string();
            [at, line.text.clone(), words::fate(line)]
        })
}

/// The same, but no formula: a spreadsheet reads what begins so as something to work out.
pub(crate) fn defused(cell: &str) -> Cow<'_, str> {
    let begins = cell.trim_start_matches([' ', '\u{a0}']);
    if begins.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']) {
        Cow::Owned(format!("'{cell}"))
    } else {
        Cow::Borrowed(cell)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_nothing_else_is_touched() {
        for bad in ["=cmd()", "+1", "-1", "@a", "\tx", "\rx", " =1", "＝1"] {
            assert_eq!(defused(bad), format!("'{bad}"));
        }
        for good in ["", "Quay", "a=b", "9–10", "'quoted'"] {
            assert_eq!(defused(good), good);
        }
    }
}
