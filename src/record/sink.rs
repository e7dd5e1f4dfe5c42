//! Keeps a run as it goes.

use std::collections::BTreeMap;
use std::io;

use jiff::Timestamp;
use rusqlite::{Transaction, TransactionBehavior, params};
use serde_json::Value;

use super::RunKind;
use super::error::{KeepError, RecordError};
use super::store::Record;
use crate::event::hub::Sink as HubSink;
use crate::event::{Event, EventKind, Subject};
use crate::plan::Id;

/// What is kept of a run beside its events.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// The plan file's text.
    pub plan_text: String,
    /// SHA-256 of the plan file, hexadecimal.
    pub fingerprint: String,
    /// What the plan has, each with its mark.
    pub marks: BTreeMap<Subject, String>,
    /// The turnouts and signals asked for; empty for all of the plan.
    pub only: Vec<Id>,
    /// Whether the link is the simulated track.
    pub is_rehearsal: bool,
    /// What the run does.
    pub kind: RunKind,
}

/// Writes the events of one run into a record, each durable before it says so. An event that
/// could not be kept can be given again.
///
/// What is carried over from an earlier run is in the record already and is written with the next
/// event that is new, so that carrying on a long run does not take as long as it took.
#[derive(Debug)]
pub struct Sink {
    pub(super) record: Record,
    kept: Kept,
    /// The run's number: nobody else makes any while the record is open.
    run: i64,
    has_begun: bool,
    /// Carried events that wait for the next new one, each with the time it came.
    carried: Vec<(Event, String)>,
}

impl Sink {
    /// A sink for a run about to start.
    ///
    /// # Errors
    /// When the record can't be read.
    pub fn new(record: Record, kept: Kept) -> Result<Self, RecordError> {
        let query = "SELECT coalesce(max(id), 0) + 1 FROM runs";
        let run = record
            .connection
            .query_row(query, [], |row| row.get(0))
            .map_err(|error| RecordError::opening(&record.path, &error))?;
        Ok(Self {
            record,
            kept,
            run,
            has_begun: false,
            carried: Vec::new(),
        })
    }

    /// The number that the run has in the record.
    pub fn run(&self) -> i64 {
        self.run
    }

    fn keep(&mut self, event: &Event) -> Result<(), KeepError> {
        let now = format!("{:.3}", Timestamp::now());
        if self.has_begun && event.kind.is_carried() {
            self.carried.push((event.clone(), now));
            return Ok(());
        }
        let path = &self.record.path;
        let failed = |error| KeepError::new(path, error);
        let connection = &self.record.connection;
        if self.kept.is_rehearsal && watches_itself(event) {
            // Nobody's eyes are spent, and it can be had again for nothing: it need outlive a
            // killed program, which the system's own buffers see to, but no power cut.
            let relaxed = connection.pragma_update(None, "synchronous", "OFF");
            relaxed.map_err(failed)?;
        }
        let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)
            .map_err(failed)?;
        if matches!(event.kind, EventKind::RunStarted { .. }) {
            self.begin(&transaction, event, &now).map_err(failed)?;
        } else if !self.has_begun {
            return Err(KeepError::NoRun);
        }
        for (carried, then) in &self.carried {
            self.add(&transaction, carried, then).map_err(failed)?;
        }
        self.add(&transaction, event, &now).map_err(failed)?;
        transaction.commit().map_err(failed)?;
        self.has_begun = true;
        self.carried.clear();
        Ok(())
    }

    /// The run's own row, its plan and its marks. That a commit failed does not mean that nothing
    /// of it was kept, so each of these may be there already.
    fn begin(
        &self,
        transaction: &Transaction<'_>,
        event: &Event,
        now: &str,
    ) -> rusqlite::Result<()> {
        let EventKind::RunStarted {
            version,
            layout,
            plan,
            link,
            witness,
            cycles,
            tester,
            continues,
            ..
        } = &event.kind
        else {
            return Ok(());
        };
        let Kept {
            plan_text,
            fingerprint,
            marks,
            only,
            is_rehearsal,
            kind,
        } = &self.kept;
        transaction.execute(
            "INSERT OR IGNORE INTO plans (fingerprint, text) VALUES (?, ?)",
            params![fingerprint, plan_text],
        )?;
        let only: Vec<_> = only.iter().map(Id::as_str).collect();
        transaction.execute(
            "INSERT OR IGNORE INTO runs (id, started, version, layout, plan, fingerprint, link,
                is_rehearsal, witness, tester, cycles, only_ids, continues, kind)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                self.run,
                now,
                version,
                layout,
                plan,
                fingerprint,
                link,
                is_rehearsal,
                witness,
                tester,
                cycles,
                Value::from(only).to_string(),
                continues,
                kind.as_str(),
            ],
        )?;
        let mut insert = transaction.prepare(
            "INSERT OR IGNORE INTO marks (run, subject_kind, subject, mark) VALUES (?, ?, ?, ?)",
        )?;
        for (subject, mark) in marks {
            insert.execute(params![
                self.run,
                kind_of(subject),
                subject.id().as_str(),
                mark
            ])?;
        }
        Ok(())
    }

    fn add(&self, transaction: &Transaction<'_>, event: &Event, now: &str) -> rusqlite::Result<()> {
        let not_json = |error| rusqlite::Error::ToSqlConversionFailure(Box::new(error));
        let json = serde_json::to_string(event).map_err(not_json)?;
        // Columns are taken from the JSON, so that they say what it says, of any kind of event.
        let fields: Value = serde_json::from_str(&json).map_err(not_json)?;
        let word = |name: &str| fields.get(name).and_then(Value::as_str);
        let subject_kind = ["turnout", "signal"]
            .into_iter()
            .find(|kind| word(kind).is_some());
        let mut insert = transaction.prepare_cached(
            "INSERT OR REPLACE INTO events
                (run, seq, at, at_us, kind, subject_kind, subject, throw, json)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?;
        insert.execute(params![
            self.run,
            i64::try_from(event.seq).unwrap_or(i64::MAX),
            now,
            i64::try_from(event.at_us).unwrap_or(i64::MAX),
            word("event"),
            subject_kind,
            subject_kind.and_then(word),
            fields.get("throw").and_then(Value::as_i64),
            json,
        ])?;
        Ok(())
    }
}

/// The word for the kind of a subject in the record.
fn kind_of(subject: &Subject) -> &'static str {
    match subject {
        Subject::Turnout(_) => "turnout",
        Subject::Signal(_) => "signal",
    }
}

/// Whether a run begins that the simulated track itself is the witness of.
fn watches_itself(event: &Event) -> bool {
    matches!(&event.kind, EventKind::RunStarted { witness, .. } if witness == "track")
}

impl HubSink for Sink {
    fn name(&self) -> &'static str {
        "the record"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        Ok(self.keep(event)?)
    }
}
