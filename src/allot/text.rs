//! The plan's text with what is proposed in it: lines are added, and none that is there changes.

use std::fmt::Write as _;
use std::ops::Range;

use toml_edit::{Document, Item, Key, Table, TableLike, Value, value};

use crate::plan::draft::Draft;
use crate::plan::{Id, PacketFormat};
use crate::textfile::TextFile;
use crate::toml_reader::Choice as _;

use super::{AllotError, Given, NewDecoder, Proposal};

/// Text to put in, and where.
struct Insert {
    at: usize,
    text: String,
}

/// The text of the plan with the proposal in it, as it is to be in the file.
///
/// # Errors
/// When the plan is written in a form that lines can't be added to.
pub fn written(draft: &Draft, proposal: &Proposal) -> Result<String, AllotError> {
    let text = draft.file.text();
    let document = Document::parse(text).map_err(|error| AllotError::Text(error.to_string()))?;
    let end = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let mut inserts = Vec::new();
    for given in &proposal.given {
        inserts.push(wiring(text, document.as_table(), given, end)?);
    }
    if !proposal.decoders.is_empty() {
        inserts.push(decoders(
            text,
            document.as_table(),
            &proposal.decoders,
            end,
        )?);
    }
    inserts.sort_by_key(|insert| insert.at);
    let mut new = String::new();
    let mut from = 0;
    for insert in inserts {
        new.push_str(text.get(from..insert.at).unwrap_or_default());
        new.push_str(&insert.text);
        from = insert.at;
    }
    new.push_str(text.get(from..).unwrap_or_default());
    verify(draft, proposal, &new)?;
    let mark = draft.file.as_read();
    let mark = mark.strip_suffix(text).unwrap_or_default();
    Ok(format!("{mark}{new}"))
}

fn lost(what: impl Into<String>) -> AllotError {
    AllotError::Text(what.into())
}

/// Sees that the new text is a plan that says what is proposed.
fn verify(draft: &Draft, proposal: &Proposal, text: &str) -> Result<(), AllotError> {
    let file = TextFile::from_text(draft.file.path(), text);
    let new = Draft::parse_unwired(file, draft.layout.numbering).map_err(|problems| {
        let first = problems.list.first();
        lost(first.map_or_else(String::new, |problem| problem.fault.to_string()))
    })?;
    if let Some(error) = new.errors().first() {
        return Err(lost(error.message.clone()));
    }
    let (resolution, _) = new.resolve();
    let reached: Vec<_> = new.things().zip(&resolution.things).collect();
    for given in &proposal.given {
        let index = given.index
            + if given.is_signal {
                new.turnouts.len()
            } else {
                0
            };
        let found = reached.get(index);
        let right = found.is_some_and(|(thing, reached)| {
            let decoder = reached.output.and_then(|one| new.decoders.get(one.decoder));
            thing.id.value == given.id
                && reached.address == Some(given.address)
                && decoder.is_some_and(|decoder| decoder.id.value == given.decoder)
        });
        if !right {
            return Err(lost(format!(
                "{} would not be where it should be",
                given.id
            )));
        }
    }
    Ok(())
}

/// The lines that wire a turnout or signal, behind its shape.
fn wiring(text: &str, root: &Table, given: &Given, end: &str) -> Result<Insert, AllotError> {
    let array = if given.is_signal { "signal" } else { "turnout" };
    let unclear = || lost(format!("where {} is written can't be told", given.id));
    let item = root.get(array).ok_or_else(unclear)?;
    let (table, inline): (&dyn TableLike, bool) = match item {
        Item::ArrayOfTables(tables) => (tables.get(given.index).ok_or_else(unclear)?, false),
        Item::Value(Value::Array(values)) => {
            let value = values.get(given.index).and_then(Value::as_inline_table);
            (value.ok_or_else(unclear)?, true)
        }
        Item::None | Item::Value(_) | Item::Table(_) => return Err(unclear()),
    };
    let known = ["shape", "place", "id"]
        .iter()
        .find_map(|key| Some((spans(table, key)?, *key)));
    let ((key, found), _) = known.ok_or_else(unclear)?;
    let last = given.output + given.outputs - 1;
    let output = if given.outputs > 1 && !given.is_signal {
        let outputs: Vec<_> = (given.output..=last).map(|one| one.to_string()).collect();
        ("outputs", format!("[{}]", outputs.join(", ")))
    } else {
        ("output", given.output.to_string())
    };
    let decoder = ("decoder", quoted(text, &found, &given.decoder));
    let style = Style::of(text, &key, &found);
    let mut new = String::new();
    if inline {
        for (key, value) in [decoder, output] {
            let _infallible = write!(new, ", {key} = {value}");
        }
        return Ok(Insert {
            at: found.end,
            text: new,
        });
    }
    let (at, before) = line_end(text, found.end, end);
    new.push_str(before);
    for (key, value) in [decoder, output] {
        let _infallible = write!(new, "{}{value}{end}", style.key(key));
    }
    Ok(Insert { at, text: new })
}

/// Where a key and its value stand.
fn spans(table: &dyn TableLike, key: &str) -> Option<(Range<usize>, Range<usize>)> {
    let (key, item) = table.get_key_value(key)?;
    Some((key.span()?, item.span()?))
}

/// An id in the quotation marks that the plan uses.
fn quoted(text: &str, like: &Range<usize>, id: &Id) -> String {
    if text
        .get(like.clone())
        .is_some_and(|one| one.starts_with('\''))
    {
        format!("'{id}'")
    } else {
        format!("\"{id}\"")
    }
}

/// How a line of the plan is written: what is before its key, and around its `=`.
struct Style<'t> {
    indent: &'t str,
    /// Characters of the key.
    key: usize,
    before: &'t str,
    after: &'t str,
}

impl<'t> Style<'t> {
    fn of(text: &'t str, key: &Range<usize>, value: &Range<usize>) -> Self {
        let start = text.get(..key.start).and_then(|head| head.rfind('\n'));
        let start = start.map_or(0, |at| at + 1);
        let indent = text.get(start..key.start).unwrap_or_default();
        let between = text.get(key.end..value.start).unwrap_or(" = ");
        let (before, after) = between.split_once('=').unwrap_or((" ", " "));
        Self {
            indent: if indent.trim().is_empty() { indent } else { "" },
            key: key.end - key.start,
            before,
            after,
        }
    }

    /// A key with all up to its value; `=` under that of the line before where it stands apart.
    fn key(&self, key: &str) -> String {
        let (indent, before, after) = (self.indent, self.before, self.after);
        let aligned = before.len() > 1;
        let width = if aligned {
            (self.key + before.len()).saturating_sub(1)
        } else {
            0
        };
        if aligned {
            format!("{indent}{key:<width$} ={after}")
        } else {
            format!("{indent}{key}{before}={after}")
        }
    }
}

/// The start of the next line, and a line end to write first where the last line lacks it.
fn line_end<'e>(text: &str, from: usize, end: &'e str) -> (usize, &'e str) {
    let rest = text.get(from..).unwrap_or_default();
    match rest.find('\n') {
        Some(at) => (from + at + 1, ""),
        None => (text.len(), end),
    }
}

/// The decoders to add, behind the last of the plan, or else behind its layout.
fn decoders(
    text: &str,
    root: &Table,
    decoders: &[NewDecoder],
    end: &str,
) -> Result<Insert, AllotError> {
    let behind = ["decoder", "supply", "layout"]
        .iter()
        .find_map(|key| root.get(key).and_then(last_byte));
    let behind = behind.ok_or_else(|| lost("it has no table to put decoders behind"))?;
    let (at, before) = line_end(text, behind, end);
    let mut new = before.to_owned();
    for decoder in decoders {
        new.push_str(end);
        let table = table(root, decoder)?;
        for line in table.lines() {
            let _infallible = write!(new, "{line}{end}");
        }
    }
    // The next table keeps its distance.
    let next = text.get(at..).unwrap_or_default();
    if !next.is_empty() && !next.starts_with(['\n', '\r']) {
        new.push_str(end);
    }
    Ok(Insert { at, text: new })
}

/// The byte behind the last that belongs to an item.
fn last_byte(item: &Item) -> Option<usize> {
    let own = item.span().map(|span| span.end);
    let below = match item {
        Item::Table(table) => {
            let items = table.iter().filter_map(|(_, item)| last_byte(item));
            items.max()
        }
        Item::ArrayOfTables(_) | Item::Value(_) | Item::None => None,
    };
    own.max(below)
}

/// One decoder as the plan has it, with what it is for above it.
fn table(root: &Table, decoder: &NewDecoder) -> Result<String, AllotError> {
    let like = decoder.like.as_ref().map(|like| {
        let known = root.get("decoder").and_then(Item::as_table_like);
        let known = known.and_then(|known| known.get(like.as_str()));
        let known = known.and_then(Item::as_table_like);
        known.ok_or_else(|| lost(format!("where {like} is written can't be told")))
    });
    let like = like.transpose()?;
    let first = i64::from(decoder.first_address.get());
    let mut keys = Table::new();
    if let Some(place) = decoder.places.first() {
        keys.insert("place", value(place));
    }
    keys.insert("outputs", value(i64::from(decoder.outputs)));
    keys.insert("first_address", value(first));
    if let Some(supply) = &decoder.supply {
        keys.insert("supply", value(supply.as_str()));
    }
    if let Some(like) = like {
        for (key, item) in like.iter() {
            // What holds for that decoder alone.
            let own = [
                "place",
                "outputs",
                "first_address",
                "supply",
                "wire",
                "from",
            ];
            if !own.contains(&key)
                && let Some(known) = item.as_value()
            {
                let mut known = known.clone();
                known.decor_mut().clear();
                keys.insert_formatted(&Key::new(key), Item::Value(known));
            }
        }
    } else {
        keys.insert("output_kind", value(decoder.output_kind.name()));
        if decoder.format == PacketFormat::Extended {
            keys.insert("format", value(decoder.format.name()));
        }
    }
    let last = first + i64::from(decoder.outputs) - 1;
    let mut text = format!("# To add: addresses {first} to {last}");
    if !decoder.places.is_empty() {
        let _infallible = write!(text, ", for {}", decoder.places.join(", "));
    }
    let _infallible = write!(text, "; {} free.", outputs(decoder.free));
    let header = Key::new(decoder.id.as_str());
    let _infallible = write!(text, "\n[decoder.{header}]\n{keys}");
    Ok(text)
}

fn outputs(count: u8) -> String {
    match count {
        1 => "1 output".to_owned(),
        count => format!("{count} outputs"),
    }
}
