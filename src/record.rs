//! The record: every run of a plan, event by event, on disk before the next throw goes out.
//!
//! One SQLite file that any SQLite tool reads; its tables and views are described in
//! `docs/record.md`. Events are kept as they were told, in JSON, and everything else is a fold
//! over them. [`Record`] opens and reads it, [`Sink`] writes a run into it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

pub mod cases;
mod error;
pub mod history;
mod lock;
mod mark;
mod read;
mod schema;
mod sink;
mod store;
pub mod taught;

pub use error::{KeepError, RecordError};
pub use mark::{fingerprint, marks};
pub use sink::{Kept, Sink};
pub use store::Record;

use crate::event::{Event, Subject};
use crate::plan::Id;

/// What is known of a run without reading its events.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunInfo {
    /// Its number in the record, from 1.
    pub id: i64,
    /// What was done.
    pub kind: RunKind,
    /// When it began.
    pub started: Timestamp,
    /// When its last event was kept.
    pub ended: Timestamp,
    /// Whether it came to its end: its summary is kept, and nothing stopped it before.
    pub is_complete: bool,
    /// Version of the program.
    pub version: String,
    /// Name of the layout.
    pub layout: String,
    /// The plan file, as it was named.
    pub plan: String,
    /// SHA-256 of the plan file, hexadecimal.
    pub fingerprint: String,
    /// The link, as a person would name it.
    pub link: String,
    /// Whether the link was the simulated track: a rehearsal, which proves nothing of the layout.
    pub is_rehearsal: bool,
    /// The witness.
    pub witness: String,
    /// Who tested; empty if they gave no name.
    pub tester: String,
    /// How often each position was visited.
    pub cycles: u32,
    /// The turnouts and signals asked for; empty for all of the plan.
    pub only: Vec<Id>,
    /// The run that it carried on.
    pub continues: Option<i64>,
}

/// What a run did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum RunKind {
    /// It proved turnouts and signals.
    #[default]
    Sweep,
    /// It gave a decoder its address.
    Teach,
    /// It looked for an address.
    Hunt,
    /// It looked for the cause of a failure.
    Diagnose,
}

impl RunKind {
    /// The word for it in the record.
    const fn as_str(self) -> &'static str {
        match self {
            Self::Sweep => "sweep",
            Self::Teach => "teach",
            Self::Hunt => "hunt",
            Self::Diagnose => "diagnose",
        }
    }
}

/// An event with the time of day.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged {
    /// When it was kept.
    pub at: Timestamp,
    /// The event.
    pub event: Event,
}

/// A run as it was kept.
#[derive(Debug, Clone, PartialEq)]
pub struct RunLog {
    /// What is known of it as a whole.
    pub info: RunInfo,
    /// The plan file's text at that time.
    pub plan_text: String,
    /// What the plan had then, each with a mark that changes when its proof has to be made again.
    pub marks: BTreeMap<Subject, String>,
    /// Its events, in order.
    pub events: Vec<Logged>,
}

/// Where the record of a plan is unless it is named: beside the plan, under the same name.
pub fn beside(plan: &Path) -> PathBuf {
    plan.with_extension("record")
}

#[cfg(test)]
mod tests;
