//! A list of turnouts as people keep it in a spreadsheet, into a plan; and a plan into such a
//! list.
//!
//! Nothing here reads or writes files: bytes become a [`Table`], its [`Columns`] are read from
//! their headings or their content, and its rows become the text of a plan that keeps every one
//! of them, what could not be read as comments.

use std::collections::BTreeMap;

use throwproof_protocol::address::Numbering;

mod columns;
mod decode;
mod export;
mod exported;
mod rows;
mod table;
mod words;
mod write;

pub use columns::{Column, Columns, How, Key, Unclear};
pub use decode::Encoding;
pub use export::{ExportError, export};
pub use table::{Row, Table};

/// Most bytes of a list. A list of every address there is takes a tenth of it.
pub const LARGEST: usize = 10_000_000;

/// Why there is no plan to be had from a list.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ImportError {
    /// More than a list can be.
    #[error("it has {size} bytes, and a list may have {LARGEST}")]
    TooLarge {
        /// How many it has.
        size: u64,
    },
    /// Nothing in it.
    #[error("it has no rows")]
    Empty,
    /// More columns than a list can have.
    #[error("row {row} has {columns} columns, and a list may have {MOST_COLUMNS}")]
    TooWide {
        /// The row.
        row: usize,
        /// How many.
        columns: usize,
    },
    /// More rows than a list can have.
    #[error("it has {0} rows, and a list may have {MOST_ROWS}")]
    TooLong(usize),
    /// `--map` names a column that is not there.
    #[error("no column is called `{0}`")]
    NoSuchColumn(String),
    /// Two columns are said to be the same thing.
    #[error("two columns are mapped to `{0}`")]
    MappedTwice(&'static str),
    /// Nothing says where anything is wired.
    #[error("no column gives addresses, or decoders and outputs")]
    NoAddresses,
}

impl ImportError {
    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::TooLarge { .. } | Self::TooWide { .. } | Self::TooLong(_) => {
                "save only the sheet with the list, without pictures, as CSV".to_owned()
            }
            Self::Empty => "save the sheet with the list as CSV, and name that file".to_owned(),
            Self::NoSuchColumn(_) => {
                "write the column's heading as in the list, or its number: --map 3=address"
                    .to_owned()
            }
            Self::MappedTwice(_) => "map one of them to `note` or `ignore`".to_owned(),
            Self::NoAddresses => format!(
                "say which column it is: --map COLUMN=address, or COLUMN=decoder; a column can be \
                 {}",
                Key::names()
            ),
        }
    }
}

/// Most rows of a list: several times as many as there are addresses.
const MOST_ROWS: usize = 10_000;

/// Most columns of a list.
const MOST_COLUMNS: usize = 200;

/// What the list does not say of the layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// The layout's name.
    pub name: String,
    /// How the station numbers.
    pub numbering: Numbering,
}

/// Something in a row that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// The row, as a spreadsheet counts: from 1, the heading counted as well.
    pub row: usize,
    /// What could not be read.
    pub reason: String,
    /// How to mend it.
    pub mend: String,
    /// Whether the plan has the entry all the same, without what could not be read.
    pub kept: bool,
}

/// What became of a list.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Outcome {
    /// The plan; a list of which nothing could be read gives one that is all comments.
    pub text: String,
    /// What could not be read, in the order of the rows.
    pub unread: Vec<Unread>,
    /// What the list does not say and the plan has to: each is a comment there as well.
    pub assumed: Vec<String>,
    /// How many rows had something in them, headings and comments left out.
    pub rows: usize,
    /// How many turnouts the plan has.
    pub turnouts: usize,
    /// How many of them have neither an address nor an output yet.
    pub unwired: usize,
    /// How many signals.
    pub signals: usize,
    /// How many decoders.
    pub decoders: usize,
}

/// Reads the bytes of a list.
///
/// # Errors
/// When there are too many, or none that say anything.
pub fn read(bytes: &[u8]) -> Result<Table, ImportError> {
    if bytes.len() > LARGEST {
        let size = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        return Err(ImportError::TooLarge { size });
    }
    let (text, encoding) = decode::decode(bytes);
    table::read(&text, encoding)
}

/// Reads what each column is; `map` has what the person said of some, by heading or number.
///
/// # Errors
/// When what was said does not fit the table.
pub fn columns(table: &Table, map: &BTreeMap<String, Key>) -> Result<Columns, ImportError> {
    columns::read(table, map)
}

/// The plan of a table.
///
/// # Errors
/// When no column says where anything is wired.
pub fn plan(table: &Table, columns: &Columns, options: &Options) -> Result<Outcome, ImportError> {
    let draft = if table.is_export() {
        exported::entries(table, options)
    } else if columns.gives_addresses() {
        rows::entries(table, columns, options)
    } else {
        return Err(ImportError::NoAddresses);
    };
    Ok(write::settle(draft, table))
}
