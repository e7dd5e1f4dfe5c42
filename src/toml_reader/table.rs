//! One table of a file: its values by key, and the keys nobody asked for.

use std::cell::RefCell;
use std::fmt;
use std::ops::RangeInclusive;

use toml::de::{DeTable, DeValue};

use crate::textfile::Span;

use super::field::{Field, State};
use super::value::{self, type_name};
use super::{Choice, Document, Expected, Fault, Located, Problem, nearest};

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

    /// The table that is a whole document.
    pub(super) fn root(document: &'d Document<'_>, entries: &'d DeTable<'_>) -> Self {
        let span = Span { start: 0, end: 0 };
        Self::new(document, entries, TableName::Root, span)
    }

    /// What messages call it.
    pub(super) fn name(&self) -> String {
        self.name.to_string()
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

    /// A list of whole numbers. One with more digits than 64 bits hold is taken for the largest.
    pub fn integers(&self, key: &'d str) -> Field<'_, 'd, Vec<Located<i64>>> {
        self.read(key, Expected::Wholes, |value| {
            let items = value.as_array()?.iter();
            let numbers = items.map(|item| {
                let number = item.get_ref().as_integer()?;
                let value = i64::from_str_radix(number.as_str(), number.radix());
                Some(Located {
                    value: value.unwrap_or(i64::MAX),
                    span: item.span().into(),
                })
            });
            numbers.collect()
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
            if let Some(near) = near {
                self.document.found(near, self.span);
            }
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
