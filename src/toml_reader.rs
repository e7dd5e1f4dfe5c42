//! Reads TOML so that whatever is wrong with a file is told in the words of the file: line,
//! column, key, and how to mend it. All of a file's problems are gathered, not only the first.
//!
//! ```
//! use throwproof::textfile::TextFile;
//! use throwproof::toml_reader::Document;
//!
//! let file = TextFile::from_text("sheds.toml", "[shed]\nname = \"Boathouse\"\nroads = 2\n");
//! let document = Document::parse(&file).expect("it is TOML");
//! let root = document.root();
//! if let Some(shed) = root.table("shed").required() {
//!     let name = shed.string("name").required();
//!     let roads = shed.integer("roads", 1..=8_u8).or(1);
//!     assert_eq!((name.map(|n| n.value), roads), (Some("Boathouse"), 2));
//!     shed.finish(); // any other key of [shed] is now a problem
//! }
//! root.finish();
//! assert!(document.is_sound());
//! ```
//!
//! A [`Table`] notes which keys it was asked for; [`Table::finish`] reports the rest as unknown,
//! each with the nearest known key. A [`Field`] is what a key holds: absent, wrong (already
//! reported) or a [`Located`] value.

use std::cell::RefCell;
use std::fmt;
use std::ops::RangeInclusive;

use toml::de::{DeTable, DeValue};

use crate::textfile::{Span, TextFile};

mod problem;
mod syntax;
mod value;

pub use problem::{Expected, Fault, Mark, Problem, Problems, nearest};
use value::type_name;

/// A file that is TOML, and the problems found in it so far.
#[derive(Debug)]
pub struct Document<'f> {
    root: DeTable<'f>,
    log: RefCell<Log>,
}

/// How many problems of a file are kept; of the rest only the number is.
const KEPT: usize = 200;

#[derive(Debug, Default)]
struct Log {
    kept: Vec<Problem>,
    more: usize,
}

/// A value, and where the file says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Located<T> {
    /// The value.
    pub value: T,
    /// Where it stands.
    pub span: Span,
}

impl<T> Located<T> {
    /// The same place with another value.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> Located<U> {
        Located {
            value: change(self.value),
            span: self.span,
        }
    }
}

/// Values that a key may have by name.
pub trait Choice: Copy + 'static {
    /// Every name a file may use, with its value; the first is shown first in messages.
    const NAMES: &'static [(&'static str, Self)];

    /// The name of a value; empty for one that has none.
    fn name(self) -> &'static str
    where
        Self: PartialEq,
    {
        let named = Self::NAMES.iter().find(|(_, value)| *value == self);
        named.map_or("", |(name, _)| *name)
    }
}

impl<'f> Document<'f> {
    /// Reads the structure of a file.
    ///
    /// # Errors
    /// Every place where it is not TOML.
    pub fn parse(file: &'f TextFile) -> Result<Self, Vec<Problem>> {
        let (root, errors) = DeTable::parse_recoverable(file.text());
        if errors.is_empty() {
            Ok(Self {
                root: root.into_inner(),
                log: RefCell::default(),
            })
        } else {
            Err(syntax::problems(file, &errors))
        }
    }

    /// The table that is the whole file.
    pub fn root(&self) -> Table<'_> {
        Table::new(self, &self.root, TableName::Root, Span { start: 0, end: 0 })
    }

    /// Adds a problem that the reader can't know of.
    pub fn report(&self, problem: Problem) {
        let mut log = self.log.borrow_mut();
        if log.kept.len() < KEPT {
            log.kept.push(problem);
        } else {
            log.more += 1;
        }
    }

    /// Whether nothing was found wrong so far.
    pub fn is_sound(&self) -> bool {
        self.log.borrow().kept.is_empty()
    }

    /// Every problem found, in the order of the file, and how many were too many to keep.
    pub fn into_problems(self) -> (Vec<Problem>, usize) {
        let Log { mut kept, more } = self.log.into_inner();
        kept.sort_by_key(|problem| problem.at.start);
        (kept, more)
    }
}

/// One table of a file.
#[derive(Debug)]
pub struct Table<'d> {
    document: &'d Document<'d>,
    entries: &'d DeTable<'d>,
    name: TableName<'d>,
    span: Span,
    asked: RefCell<Vec<&'d str>>,
}

/// What messages call a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TableName<'d> {
    Root,
    Plain(&'d str),
    Named(&'d str, &'d str),
    Element(&'d str),
}

impl fmt::Display for TableName<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Root => f.write_str("the file"),
            Self::Plain(key) => write!(f, "[{key}]"),
            Self::Named(key, name) => write!(f, "[{key}.{name}]"),
            Self::Element(key) => write!(f, "[[{key}]]"),
        }
    }
}

impl<'d> Table<'d> {
    fn new(
        document: &'d Document<'_>,
        entries: &'d DeTable<'_>,
        name: TableName<'d>,
        span: Span,
    ) -> Self {
        Self {
            document,
            entries,
            name,
            span,
            asked: RefCell::default(),
        }
    }

    /// Where the table starts: its header, or the whole of `{ … }`.
    pub fn span(&self) -> Span {
        self.span
    }

    /// Whether the file gives the key.
    pub fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Where the key itself stands; the table's header where it is absent.
    pub fn key_span(&self, key: &str) -> Span {
        self.entries
            .get_key_value(key)
            .map_or(self.span, |(key, _)| key.span().into())
    }

    /// Its keys in the order of the file.
    pub fn keys(&self) -> Vec<Located<&'d str>> {
        let mut keys: Vec<_> = self
            .entries
            .keys()
            .map(|key| Located {
                value: &**key.get_ref(),
                span: key.span().into(),
            })
            .collect();
        keys.sort_by_key(|key| key.span.start);
        keys
    }

    /// A text.
    pub fn string(&self, key: &'d str) -> Field<'_, 'd, &'d str> {
        self.read(key, Expected::Text, DeValue::as_str)
    }

    /// `true` or `false`.
    pub fn boolean(&self, key: &'d str) -> Field<'_, 'd, bool> {
        self.read(key, Expected::Boolean, DeValue::as_bool)
    }

    /// A whole number within `range`.
    pub fn integer<T>(&self, key: &'d str, range: RangeInclusive<T>) -> Field<'_, 'd, T>
    where
        T: Copy + TryFrom<i64> + Into<i64>,
    {
        let (low, high) = ((*range.start()).into(), (*range.end()).into());
        let text = self.read(key, Expected::Whole, DeValue::as_integer);
        self.narrow(text, |number| {
            // More digits than 64 bits hold is out of any range.
            let value = i64::from_str_radix(number.as_str(), number.radix()).ok();
            let within = value.filter(|value| (low..=high).contains(value));
            within
                .and_then(|value| T::try_from(value).ok())
                .ok_or_else(|| Fault::OutOfRange {
                    key: key.to_owned(),
                    found: number.to_string(),
                    low: low.to_string(),
                    high: high.to_string(),
                })
        })
    }

    /// A number within `range`; whole numbers are taken too, infinite ones and NaN are not.
    pub fn float(&self, key: &'d str, range: RangeInclusive<f64>) -> Field<'_, 'd, f64> {
        let text = self.read(key, Expected::Number, |value| {
            value::is_number(value).then_some(value)
        });
        self.narrow(text, |number| {
            let value = value::float(number);
            value
                .filter(|value| range.contains(value))
                .ok_or_else(|| Fault::OutOfRange {
                    key: key.to_owned(),
                    found: value::number_text(number),
                    low: range.start().to_string(),
                    high: range.end().to_string(),
                })
        })
    }

    /// One of the names of `T`.
    pub fn choice<T: Choice>(&self, key: &'d str) -> Field<'_, 'd, T> {
        let text = self.string(key);
        self.narrow(text, |name| {
            let found = T::NAMES.iter().find(|(known, _)| *known == name);
            found.map(|(_, value)| *value).ok_or_else(|| {
                let choices: Vec<_> = T::NAMES.iter().map(|(name, _)| *name).collect();
                Fault::UnknownChoice {
                    key: key.to_owned(),
                    found: name.to_owned(),
                    nearest: nearest(name, choices.iter().copied()).map(str::to_owned),
                    choices,
                }
            })
        })
    }

    /// A list of texts.
    pub fn strings(&self, key: &'d str) -> Field<'_, 'd, Vec<Located<&'d str>>> {
        self.read(key, Expected::Texts, |value| {
            let items = value.as_array()?.iter();
            let text = items.map(|item| {
                item.get_ref().as_str().map(|value| Located {
                    value,
                    span: item.span().into(),
                })
            });
            text.collect()
        })
    }

    /// A table, as `[key]` or `key = { … }`.
    pub fn table(&self, key: &'d str) -> Field<'_, 'd, Table<'d>> {
        let entries = self.read(key, Expected::Table, DeValue::as_table);
        let state = entries.state.map(|entries| {
            Table::new(
                self.document,
                entries.value,
                TableName::Plain(key),
                entries.span,
            )
        });
        Field {
            table: self,
            key,
            state,
        }
    }

    /// Every table of `[[key]]`; none where the key is absent.
    pub fn tables(&self, key: &'d str) -> Vec<Table<'d>> {
        let items = self.read(key, Expected::Tables, |value| {
            let items = value.as_array()?;
            items
                .iter()
                .all(|item| item.get_ref().is_table())
                .then_some(items)
        });
        let items = items
            .optional()
            .map(|items| items.value.iter())
            .into_iter()
            .flatten();
        let tables = items.filter_map(|item| {
            let entries = item.get_ref().as_table()?;
            let name = TableName::Element(key);
            Some(Table::new(self.document, entries, name, item.span().into()))
        });
        tables.collect()
    }

    /// Every table of `[key.NAME]` with its name, in the order of the file; none where the key
    /// is absent.
    pub fn named_tables(&self, key: &'d str) -> Vec<(Located<&'d str>, Table<'d>)> {
        let Some(outer) = self.table(key).optional() else {
            return Vec::new();
        };
        let mut tables = Vec::new();
        for name in outer.value.keys() {
            let entries = outer
                .value
                .read(name.value, Expected::Table, DeValue::as_table);
            if let Some(entries) = entries.optional() {
                let called = TableName::Named(key, name.value);
                let table = Table::new(self.document, entries.value, called, entries.span);
                tables.push((name, table));
            }
        }
        tables
    }

    /// Adds a problem to the document.
    pub fn report(&self, problem: Problem) {
        self.document.report(problem);
    }

    /// Reports every key that was not asked for.
    pub fn finish(self) {
        let asked = self.asked.borrow();
        let unknown = self
            .keys()
            .into_iter()
            .filter(|key| !asked.contains(&key.value));
        for key in unknown {
            // A key that is there already is hardly what this one was meant to be.
            let absent = asked.iter().copied().filter(|known| !self.has(known));
            let near = nearest(key.value, absent);
            let near = near.or_else(|| nearest(key.value, asked.iter().copied()));
            let fault = Fault::UnknownKey {
                key: key.value.to_owned(),
                table: self.name.to_string(),
                nearest: near.map(str::to_owned),
                known: asked.iter().map(|known| (*known).to_owned()).collect(),
            };
            self.report(Problem::new(fault, key.span));
        }
    }

    fn read<T>(
        &self,
        key: &'d str,
        expected: Expected,
        take: impl FnOnce(&'d DeValue<'d>) -> Option<T>,
    ) -> Field<'_, 'd, T> {
        self.asked.borrow_mut().push(key);
        let Some(found) = self.entries.get(key) else {
            return Field {
                table: self,
                key,
                state: State::Absent,
            };
        };
        let span = found.span().into();
        let state = if let Some(value) = take(found.get_ref()) {
            State::Is(Located { value, span })
        } else {
            let found = type_name(found.get_ref());
            let fault = Fault::WrongType {
                key: key.to_owned(),
                expected,
                found,
            };
            self.report(Problem::new(fault, span));
            State::Wrong
        };
        Field {
            table: self,
            key,
            state,
        }
    }

    fn narrow<'t, T, U>(
        &self,
        field: Field<'t, 'd, T>,
        check: impl FnOnce(T) -> Result<U, Fault>,
    ) -> Field<'t, 'd, U> {
        let state = match field.state {
            State::Absent => State::Absent,
            State::Wrong => State::Wrong,
            State::Is(Located { value, span }) => match check(value) {
                Ok(value) => State::Is(Located { value, span }),
                Err(fault) => {
                    self.report(Problem::new(fault, span));
                    State::Wrong
                }
            },
        };
        Field {
            table: field.table,
            key: field.key,
            state,
        }
    }
}

/// What a key of a table holds.
#[derive(Debug)]
#[must_use = "say what an absent key means: `required`, `optional` or `or`"]
pub struct Field<'t, 'd, T> {
    table: &'t Table<'d>,
    key: &'d str,
    state: State<T>,
}

#[derive(Debug)]
enum State<T> {
    Absent,
    /// Reported already.
    Wrong,
    Is(Located<T>),
}

impl<T> Field<'_, '_, T> {
    /// The value; where the key is absent, that is a problem.
    pub fn required(self) -> Option<Located<T>> {
        if matches!(self.state, State::Absent) {
            let table = self.table.name.to_string();
            let fault = Fault::MissingKey {
                key: self.key.to_owned(),
                table,
            };
            self.table.report(Problem::new(fault, self.table.span));
        }
        self.optional()
    }

    /// The value, if the key is there and right.
    pub fn optional(self) -> Option<Located<T>> {
        match self.state {
            State::Is(located) => Some(located),
            State::Absent | State::Wrong => None,
        }
    }

    /// The value, or `default` where the key is absent (or wrong, which fails the file anyway).
    pub fn or(self, default: T) -> T {
        self.optional().map_or(default, |located| located.value)
    }
}

impl<T> State<T> {
    fn map<U>(self, change: impl FnOnce(Located<T>) -> U) -> State<U> {
        match self {
            Self::Absent => State::Absent,
            Self::Wrong => State::Wrong,
            Self::Is(located) => {
                let span = located.span;
                State::Is(Located {
                    value: change(located),
                    span,
                })
            }
        }
    }
}
