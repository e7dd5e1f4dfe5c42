//! The rows of a list that `export` wrote: each key of the plan is a column.

use std::collections::{BTreeMap, BTreeSet};

use super::export::{Holds, KEYS};
use super::words::{decimal, quoted, remark};
use super::write::{Drafted, Entry, Header};
use super::{Options, Row, Table, Unread};
use crate::toml_reader::Choice;
use throwproof_protocol::address::{Numbering, Position};

/// What the layout's row says.
struct Layout {
    name: String,
    numbering: Numbering,
    rest: Position,
}

pub(super) fn entries(table: &Table, options: &Options) -> Drafted {
    let mut drafted = Drafted::default();
    let mut layout = Layout {
        name: options.name.clone(),
        numbering: options.numbering,
        rest: Position::Straight,
    };
    let mut accept = BTreeMap::new();
    let mut taken = BTreeSet::new();
    for row in &table.rows {
        let read = match cell(table, row, super::export::MARK) {
            Some("layout") => read_layout(table, row, &mut layout),
            Some("turnout") => entry(table, row, Header::Turnout).inspect(|_| {
                accepts(table, row, &mut accept);
            }),
            Some("signal") => entry(table, row, Header::Signal),
            Some("accessory") => entry(table, row, Header::Accessory),
            Some("supply") => named(table, row, "supply"),
            Some("decoder") => named(table, row, "decoder"),
            other => Err((
                format!("`{}` is no table of a plan", other.unwrap_or_default()),
                "write layout, supply, decoder, turnout, signal or accessory in the first column"
                    .to_owned(),
            )),
        };
        let read = read.and_then(|entry| match entry {
            Some(entry) if !taken.insert(place_of(&entry)) => Err((
                "another row has the same id".to_owned(),
                "give one of them another id".to_owned(),
            )),
            entry => Ok(entry),
        });
        match read {
            Ok(entry) => drafted.entries.extend(entry),
            Err((reason, mend)) => {
                drafted
                    .entries
                    .push(Entry::lost(row.number, reason.clone()));
                drafted.unread.push(Unread {
                    row: row.number,
                    reason,
                    mend,
                    kept: false,
                });
            }
        }
    }
    // Tables of one kind stand together in TOML.
    drafted.head = head(&layout);
    let own = accept.get("").cloned();
    let layout_list = own.as_ref().map(|(_, list)| list.clone());
    drafted.accept = own.filter(|(_, list)| !list.is_empty());
    for (place, (row, list)) in accept {
        if !place.is_empty() && Some(&list) != layout_list.as_ref() {
            let mut entry = Entry::new(row, Header::Named("place", super::words::key(&place)));
            let list = if list.is_empty() {
                "[]".to_owned()
            } else {
                list
            };
            entry.set("accept", list);
            drafted.entries.push(entry);
        }
    }
    drafted
}

/// What no two entries may have in common.
fn place_of(entry: &Entry) -> (&'static str, String) {
    match &entry.header {
        Header::Turnout | Header::Signal | Header::Accessory => {
            let id = entry.pairs.iter().find(|(key, _, _)| *key == "id");
            ("", id.map(|(_, id, _)| id.clone()).unwrap_or_default())
        }
        Header::Named(table, id) => (table, id.clone()),
    }
}

type Read<T> = Result<T, (String, String)>;

/// A cell that has something in it.
fn cell<'a>(table: &Table, row: &'a Row, key: &str) -> Option<&'a str> {
    let heads = table.headings.as_ref()?;
    let column = heads.cells.iter().position(|head| head.trim() == key)?;
    let cell = row.cells.get(column)?.as_str();
    let cell = cell.strip_prefix('\'').unwrap_or(cell);
    (!cell.is_empty()).then_some(cell)
}

fn head(layout: &Layout) -> String {
    let (numbering, rest) = (layout.numbering.name(), layout.rest.name());
    format!(
        "[layout]\nname = {}\nnumbering = \"{numbering}\"\nrest = \"{rest}\"\n",
        quoted(&layout.name)
    )
}

fn read_layout(table: &Table, row: &Row, layout: &mut Layout) -> Read<Option<Entry>> {
    if let Some(name) = cell(table, row, "name") {
        if name.chars().any(char::is_control) || name.chars().count() > 200 {
            return Err((
                "the layout's name is no one short line".to_owned(),
                "shorten it".to_owned(),
            ));
        }
        name.clone_into(&mut layout.name);
    } else {
        layout.name.clear();
    }
    layout.numbering = choice(table, row, "numbering", layout.numbering)?;
    layout.rest = choice(table, row, "rest", layout.rest)?;
    Ok(None)
}

fn choice<C: Choice>(table: &Table, row: &Row, key: &str, usual: C) -> Read<C> {
    let Some(text) = cell(table, row, key) else {
        return Ok(usual);
    };
    let known = C::NAMES.iter().find(|(name, _)| *name == text.trim());
    known.map(|(_, value)| *value).ok_or_else(|| {
        let names: Vec<_> = C::NAMES.iter().map(|(name, _)| *name).collect();
        (
            format!("`{key}` can't be `{}`", remark(text)),
            format!("it can be {}", names.join(", ")),
        )
    })
}

fn named(table: &Table, row: &Row, kind: &'static str) -> Read<Option<Entry>> {
    let id = cell(table, row, "id").unwrap_or_default();
    entry(table, row, Header::Named(kind, super::words::key(id)))
}

fn entry(table: &Table, row: &Row, header: Header) -> Read<Option<Entry>> {
    let mut entry = Entry::new(row.number, header);
    if matches!(
        entry.header,
        Header::Turnout | Header::Signal | Header::Accessory
    ) {
        entry.set("id", quoted(cell(table, row, "id").unwrap_or_default()));
    }
    for (key, holds) in KEYS {
        if *holds != Holds::List
            && let Some(text) = cell(table, row, key)
        {
            let value = value(*holds, text).ok_or_else(|| {
                (
                    format!("`{key}` can't be `{}`", remark(text)),
                    format!("write {}", expected(*holds)),
                )
            })?;
            entry.set(key, value);
        }
    }
    Ok(Some(entry))
}

fn expected(holds: Holds) -> &'static str {
    match holds {
        Holds::Text => "a word",
        Holds::Whole => "a whole number",
        Holds::Decimal => "a number such as 0.8",
        Holds::Truth => "true or false",
        Holds::List => "a list such as [\"blades-tight\"]",
        Holds::Aspects => "aspects such as stop=0 proceed=1",
        Holds::Wholes => "whole numbers such as 11 25",
        Holds::Positions => "positions such as left=diverging+straight right=straight+diverging",
        Holds::Lamps => "lamps such as green red",
        Holds::Shows => "lamps of aspects, such as stop=red caution=yellow:flashing dark=",
    }
}

/// The cell as TOML.
fn value(holds: Holds, text: &str) -> Option<String> {
    match holds {
        Holds::Text => Some(quoted(text)),
        Holds::Whole => text.trim().parse().ok().map(|whole: i64| whole.to_string()),
        Holds::Decimal => decimal(text).map(|number| number.to_string()),
        // Spreadsheets write such words in capitals, and in their user's language.
        Holds::Truth => super::words::yes(text).map(|truth| truth.to_string()),
        Holds::List => None,
        // Of a decoder it is a number, of a turnout one for each drive.
        Holds::Wholes => {
            let numbers = text.split_whitespace().map(str::parse::<i64>);
            let numbers: Result<Vec<_>, _> = numbers.collect();
            let numbers = numbers.ok()?;
            match numbers.as_slice() {
                [] => None,
                [one] => Some(one.to_string()),
                several => {
                    let several: Vec<_> = several.iter().map(i64::to_string).collect();
                    Some(format!("[{}]", several.join(", ")))
                }
            }
        }
        Holds::Positions => {
            let positions = text.split_whitespace().map(|position| {
                let (name, drives) = position.split_once('=')?;
                let drives: Vec<_> = drives.split('+').map(quoted).collect();
                Some(format!("{} = [{}]", quoted(name), drives.join(", ")))
            });
            let positions: Option<Vec<_>> = positions.collect();
            positions.map(|positions| format!("{{ {} }}", positions.join(", ")))
        }
        Holds::Aspects => {
            let pairs = text.split_whitespace().map(|pair| {
                let (name, value) = pair.split_once('=')?;
                let value: u8 = value.parse().ok()?;
                Some(format!("{} = {value}", quoted(name)))
            });
            let pairs: Option<Vec<_>> = pairs.collect();
            pairs.map(|pairs| format!("{{ {} }}", pairs.join(", ")))
        }
        Holds::Lamps => Some(texts(text.split_whitespace())),
        Holds::Shows => {
            let pairs = text.split_whitespace().map(|pair| {
                let (name, lit) = pair.split_once('=')?;
                let lit = lit.split('+').filter(|lamp| !lamp.is_empty());
                let lit: Vec<_> = lit.map(|lamp| lamp.replacen(':', " ", 1)).collect();
                let lit = texts(lit.iter().map(String::as_str));
                Some(format!("{} = {lit}", quoted(name)))
            });
            let pairs: Option<Vec<_>> = pairs.collect();
            pairs.map(|pairs| format!("{{ {} }}", pairs.join(", ")))
        }
    }
}

/// A list of texts as TOML.
fn texts<'t>(texts: impl Iterator<Item = &'t str>) -> String {
    let texts: Vec<_> = texts.map(quoted).collect();
    format!("[{}]", texts.join(", "))
}

/// Notes the acceptance list of the turnout's place; the first one that is given there counts.
fn accepts(table: &Table, row: &Row, lists: &mut BTreeMap<String, (usize, String)>) {
    let place = cell(table, row, "place").unwrap_or_default();
    let list = cell(table, row, "accept").unwrap_or_default();
    let words: Option<Vec<String>> = serde_json::from_str(list).ok();
    let words: Vec<_> = words
        .unwrap_or_default()
        .iter()
        .map(|word| quoted(word))
        .collect();
    let list = if words.is_empty() {
        String::new()
    } else {
        format!("[{}]", words.join(", "))
    };
    let first = lists
        .entry(place.to_owned())
        .or_insert((row.number, String::new()));
    if first.1.is_empty() {
        *first = (row.number, list);
    }
}
