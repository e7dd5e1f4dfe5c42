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
//! if let Some(shed) = root.table("shed").required().map(|table| table.value) {
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

use toml::de::DeTable;

use crate::textfile::{Span, TextFile};

mod field;
mod problem;
mod syntax;
mod table;
mod value;

pub use field::Field;
pub use problem::{Expected, Fault, Mark, Problem, Problems, nearest};
pub use table::Table;

/// A file that is TOML, and the problems found in it so far.
#[derive(Debug)]
pub struct Document<'f> {
    root: DeTable<'f>,
    log: RefCell<Log>,
}

/// Largest file, bytes, in which the parser looks for more than the first error: one that is not
/// TOML at all has one on every line.
const RECOVER: usize = 1 << 20;

/// How many problems of a file are kept; of the rest only the number is.
const KEPT: usize = 200;

#[derive(Debug, Default)]
struct Log {
    kept: Vec<Problem>,
    more: usize,
    /// A key that may be missing wherever it must be there.
    forgiven: Option<&'static str>,
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
    /// Every place where it is not TOML, and how many more there are that were too many to keep.
    pub fn parse(file: &'f TextFile) -> Result<Self, (Vec<Problem>, usize)> {
        let errors = if file.text().len() <= RECOVER {
            let (root, errors) = DeTable::parse_recoverable(file.text());
            if errors.is_empty() {
                return Ok(Self::of(root.into_inner()));
            }
            errors
        } else {
            match DeTable::parse(file.text()) {
                Ok(root) => return Ok(Self::of(root.into_inner())),
                Err(error) => vec![error],
            }
        };
        Err(syntax::problems(file, &errors, KEPT))
    }

    fn of(root: DeTable<'f>) -> Self {
        Self {
            root,
            log: RefCell::default(),
        }
    }

    /// The table that is the whole file.
    pub fn root(&self) -> Table<'_> {
        Table::root(self, &self.root)
    }

    /// From now on, a missing key of that name is no problem.
    pub(crate) fn forgive(&self, key: &'static str) {
        self.log.borrow_mut().forgiven = Some(key);
    }

    /// Adds a problem that the reader can't know of.
    pub fn report(&self, problem: Problem) {
        let mut log = self.log.borrow_mut();
        if let (Fault::MissingKey { key, .. }, Some(forgiven)) = (&problem.fault, log.forgiven)
            && key == forgiven
        {
            return;
        }
        if log.kept.len() < KEPT {
            log.kept.push(problem);
        } else {
            log.more += 1;
        }
    }

    /// Takes back that a table lacks a key: it has it, misspelt, which is told as well.
    fn found(&self, missed: &str, table: Span) {
        let mut log = self.log.borrow_mut();
        if log.kept.len() < KEPT {
            log.kept.retain(|problem| {
                let missing =
                    matches!(&problem.fault, Fault::MissingKey { key, .. } if key == missed);
                !(missing && problem.at == table)
            });
        }
    }

    /// Whether nothing was found wrong so far.
    pub fn is_sound(&self) -> bool {
        self.log.borrow().kept.is_empty()
    }

    /// Every problem found, in the order of the file, and how many were too many to keep.
    pub fn into_problems(self) -> (Vec<Problem>, usize) {
        let Log { mut kept, more, .. } = self.log.into_inner();
        kept.sort_by_key(|problem| problem.at.start);
        (kept, more)
    }
}
