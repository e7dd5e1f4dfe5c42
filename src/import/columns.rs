//! What each column is.

use std::collections::BTreeMap;

use super::words::{self, heading_keys, plain};
use super::{ImportError, Table};

/// What a column says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Key {
    /// The turnout's name.
    Id,
    /// The address that is keyed, or a decoder and output such as `3/2`.
    Address,
    /// The decoder, or a decoder and output such as `3/2`.
    Decoder,
    /// The decoder's output.
    Output,
    /// Where on the layout it is.
    Place,
    /// The shape.
    Shape,
    /// What moves the blades.
    Drive,
    /// What feeds it.
    Supply,
    /// Whether the layout reports its position.
    Reports,
    /// Whether the two positions are exchanged.
    Inverted,
    /// Anything else: it becomes a comment.
    Note,
    /// Current of the drive.
    Amps,
    /// Nothing that is wanted.
    Ignore,
}

impl Key {
    /// Every one with its name.
    const ALL: [(&'static str, Self); 13] = [
        ("id", Self::Id),
        ("address", Self::Address),
        ("decoder", Self::Decoder),
        ("output", Self::Output),
        ("place", Self::Place),
        ("shape", Self::Shape),
        ("drive", Self::Drive),
        ("supply", Self::Supply),
        ("position_reports", Self::Reports),
        ("inverted", Self::Inverted),
        ("note", Self::Note),
        ("amps", Self::Amps),
        ("ignore", Self::Ignore),
    ];

    /// Its name.
    pub fn as_str(self) -> &'static str {
        let known = Self::ALL.iter().find(|(_, key)| *key == self);
        known.map_or("note", |(name, _)| name)
    }

    /// The key of that name.
    pub fn named(name: &str) -> Option<Self> {
        let known = Self::ALL.iter().find(|(known, _)| *known == name);
        known.map(|(_, key)| *key)
    }

    /// All names, for messages.
    pub fn names() -> String {
        Self::ALL.map(|(name, _)| name).join(", ")
    }

    fn takes_many(self) -> bool {
        matches!(self, Self::Note | Self::Ignore)
    }
}

/// How it is known what a column is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By its heading.
    Heading,
    /// A person said so.
    Said,
    /// By what its cells look like, as there are no headings.
    Content,
    /// It is not known, so all of it becomes comments.
    Unknown,
}

impl How {
    /// Its name in the output.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Heading => "heading",
            Self::Said => "said",
            Self::Content => "content",
            Self::Unknown => "unknown",
        }
    }
}

/// One column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its number, from 1.
    pub number: usize,
    /// Its heading.
    pub heading: Option<String>,
    /// What it is.
    pub key: Key,
    /// How that is known.
    pub how: How,
    /// A few of its cells.
    pub examples: Vec<String>,
}

/// A column that may be one thing or another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unclear {
    /// Its number, from 1.
    pub number: usize,
    /// Its heading.
    pub heading: Option<String>,
    /// What it may be.
    pub candidates: Vec<Key>,
    /// A few of its cells.
    pub examples: Vec<String>,
}

/// Every column.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Columns {
    /// Those that are clear, from the left.
    pub list: Vec<Column>,
    /// Those that a person has to tell of.
    pub unclear: Vec<Unclear>,
}

impl Columns {
    /// The column of that key, from 0.
    pub(super) fn of(&self, key: Key) -> Option<usize> {
        let column = self.list.iter().find(|column| column.key == key)?;
        column.number.checked_sub(1)
    }

    pub(super) fn gives_addresses(&self) -> bool {
        let wired = self.of(Key::Address).is_some() || self.of(Key::Decoder).is_some();
        // Turnouts that are to be wired yet.
        let told = self.of(Key::Shape).is_some() || self.of(Key::Drive).is_some();
        wired || (self.of(Key::Id).is_some() && told)
    }
}

/// How many cells of a column are shown.
const EXAMPLES: usize = 3;

pub(super) fn read(table: &Table, map: &BTreeMap<String, Key>) -> Result<Columns, ImportError> {
    if table.is_export() {
        return Ok(Columns::default());
    }
    let said = said(table, map)?;
    let mut candidates: Vec<(Vec<Key>, How)> = (0..table.width())
        .map(|index| match said.get(&index) {
            Some(key) => (vec![*key], How::Said),
            None if table.headings.is_some() => {
                let heading = table.heading(index).unwrap_or_default();
                (heading_keys(heading), How::Heading)
            }
            None => (by_content(table, index), How::Content),
        })
        .collect();
    settle(table, &mut candidates);
    let mut columns = Columns::default();
    for (index, (keys, how)) in candidates.into_iter().enumerate() {
        let (number, heading) = (index + 1, table.heading(index).map(str::to_owned));
        let examples = examples(table, index);
        match keys.as_slice() {
            [key] => columns.list.push(Column {
                number,
                heading,
                key: *key,
                how,
                examples,
            }),
            [] if heading.is_none() && examples.is_empty() => {}
            [] => columns.list.push(Column {
                number,
                heading,
                key: Key::Note,
                how: How::Unknown,
                examples,
            }),
            _ => columns.unclear.push(Unclear {
                number,
                heading,
                candidates: keys,
                examples,
            }),
        }
    }
    Ok(columns)
}

/// What a person said, by number of the column from 0.
fn said(table: &Table, map: &BTreeMap<String, Key>) -> Result<BTreeMap<usize, Key>, ImportError> {
    let mut said = BTreeMap::new();
    for (name, key) in map {
        let width = table.width();
        let by_number = name.parse().ok().filter(|one| (1..=width).contains(one));
        let by_heading = || {
            let same = |index: &usize| {
                let heading = table.heading(*index);
                heading.is_some_and(|heading| {
                    heading == name.trim()
                        || (!plain(name).is_empty() && plain(heading) == plain(name))
                })
            };
            (0..width).filter(same).collect::<Vec<_>>()
        };
        let columns = by_number.map_or_else(by_heading, |number: usize| vec![number - 1]);
        if columns.is_empty() {
            return Err(ImportError::NoSuchColumn(name.clone()));
        }
        for column in columns {
            said.insert(column, *key);
        }
    }
    for (column, key) in &said {
        let same = said.iter().any(|(other, of)| other != column && of == key);
        if same && !key.takes_many() {
            return Err(ImportError::MappedTwice(key.as_str()));
        }
    }
    Ok(said)
}

/// Takes from each column the candidates that another one has for sure; what two have for sure is
/// unclear for both, unless one was said.
fn settle(table: &Table, columns: &mut [(Vec<Key>, How)]) {
    let sure: Vec<(usize, Key, bool)> = columns
        .iter()
        .enumerate()
        .filter_map(|(index, (keys, how))| match keys.as_slice() {
            [key] if !key.takes_many() => Some((index, *key, *how == How::Said)),
            _ => None,
        })
        .collect();
    for (index, (keys, how)) in columns.iter_mut().enumerate() {
        if *how == How::Said {
            continue;
        }
        let taken = |key: &Key| {
            let mut others = sure
                .iter()
                .filter(|(other, of, _)| *other != index && of == key);
            others.next().is_some()
        };
        let said = |key: &Key| sure.iter().any(|(_, of, said)| of == key && *said);
        match keys.as_slice() {
            [key] if said(key) => *keys = vec![Key::Note],
            [key] if taken(key) => {
                // Headings that mean the same: a person has to say which it is.
                *keys = vec![*key, Key::Note];
            }
            [Key::Shape] if says_drives(table, index) => *keys = vec![Key::Shape, Key::Drive],
            [] | [_] => {}
            _ => {
                keys.retain(|key| !taken(key));
            }
        }
    }
}

/// Whether a column that is called a kind or type tells of drives instead.
fn says_drives(table: &Table, index: usize) -> bool {
    let count = |is: fn(&str) -> bool| cells(table, index).filter(|cell| is(cell)).count();
    count(|cell| words::drive(cell).is_some()) > 0 && count(|cell| words::form(cell).is_some()) == 0
}

fn cells(table: &Table, index: usize) -> impl Iterator<Item = &str> {
    let cells = table
        .rows
        .iter()
        .filter_map(move |row| row.cells.get(index));
    cells
        .map(|cell| cell.trim())
        .filter(|cell| !cell.is_empty())
}

fn examples(table: &Table, index: usize) -> Vec<String> {
    let mut examples: Vec<String> = Vec::new();
    for cell in cells(table, index) {
        let short: String = words::remark(cell).chars().take(40).collect();
        if !examples.contains(&short) {
            examples.push(short);
        }
        if examples.len() == EXAMPLES {
            break;
        }
    }
    examples
}

/// What a column without heading may be, by what most of its cells look like.
fn by_content(table: &Table, index: usize) -> Vec<Key> {
    let total = cells(table, index).count();
    if total == 0 {
        return Vec::new();
    }
    let most =
        |is: fn(&str) -> bool| cells(table, index).filter(|cell| is(cell)).count() * 10 > total * 7;
    let looks_wired = |cell: &str| super::rows::looks_wired(cell);
    let wired = cells(table, index).filter(|cell| looks_wired(cell)).count() * 10 > total * 7;
    if most(|cell| words::form(cell).is_some()) {
        vec![Key::Shape]
    } else if most(|cell| words::drive(cell).is_some()) {
        vec![Key::Drive]
    } else if wired {
        vec![Key::Address]
    } else if most(|cell| words::amps(cell).is_some()) {
        vec![Key::Amps]
    } else if most(|cell| words::yes(cell).is_some()) {
        vec![Key::Reports, Key::Inverted]
    } else {
        text_content(table, index, total)
    }
}

/// The first column of short texts that hardly repeat has the ids; texts that repeat are places.
fn text_content(table: &Table, index: usize, total: usize) -> Vec<Key> {
    let short = |index: usize| {
        let total = cells(table, index).count();
        let short = cells(table, index).filter(|cell| cell.chars().count() <= 12);
        let mut seen: Vec<_> = short.collect();
        let fits = seen.len() * 10 > total * 7;
        seen.sort_unstable();
        seen.dedup();
        let letters = seen
            .iter()
            .any(|cell| cell.chars().any(char::is_alphabetic));
        fits && letters && seen.len() * 10 > total * 8
    };
    if short(index) && !(0..index).any(short) {
        return vec![Key::Id];
    }
    let mut seen: Vec<_> = cells(table, index).collect();
    seen.sort_unstable();
    seen.dedup();
    if seen.len() * 2 <= total {
        vec![Key::Place]
    } else {
        Vec::new()
    }
}
