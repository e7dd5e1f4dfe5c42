//! Reads runs back.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::types::Type;
use rusqlite::{OptionalExtension as _, Row, params};

use super::error::RecordError;
use super::store::Record;
use super::{Logged, RunInfo, RunKind, RunLog};
use crate::event::{Event, Subject};
use crate::plan::Id;

/// Every column of a run that [`info`] reads.
const RUNS: &str = "
    SELECT id, started,
        coalesce((SELECT at FROM events WHERE run = id ORDER BY seq DESC LIMIT 1), started),
        EXISTS (SELECT 1 FROM events WHERE run = id AND events.kind IN ('summary', 'teach-done', 'diagnosis'))
            AND NOT EXISTS (SELECT 1 FROM events WHERE run = id AND events.kind = 'stopped'),
        version, layout, plan, fingerprint, link, is_rehearsal, witness, tester, cycles, only_ids,
        continues, runs.kind
    FROM runs";

impl Record {
    /// Every run that proved turnouts and signals, oldest first.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn runs(&self) -> Result<Vec<RunInfo>, RecordError> {
        self.runs_of(RunKind::Sweep)
    }

    /// Every run that gave a decoder its address, oldest first.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn lessons(&self) -> Result<Vec<RunInfo>, RecordError> {
        self.runs_of(RunKind::Teach)
    }

    /// Every run that looked for the cause of a fault, oldest first.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn diagnoses(&self) -> Result<Vec<RunInfo>, RecordError> {
        self.runs_of(RunKind::Diagnose)
    }

    /// Every run, whatever it did, oldest first.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn all_runs(&self) -> Result<Vec<RunInfo>, RecordError> {
        let read = || {
            let mut select = self.connection.prepare(&format!("{RUNS} ORDER BY id"))?;
            select.query_map([], info)?.collect::<rusqlite::Result<_>>()
        };
        read().map_err(|error| RecordError::reading(&self.path, &error))
    }

    fn runs_of(&self, kind: RunKind) -> Result<Vec<RunInfo>, RecordError> {
        let read = || {
            let mut select = self
                .connection
                .prepare(&format!("{RUNS} WHERE runs.kind = ? ORDER BY id"))?;
            select
                .query_map([kind.as_str()], info)?
                .collect::<rusqlite::Result<_>>()
        };
        read().map_err(|error| RecordError::reading(&self.path, &error))
    }

    /// A run with its events. Those of a kind that this version does not know, because a newer
    /// one wrote them, are left out; [`Record::not_understood`] counts them.
    ///
    /// # Errors
    /// When there is no such run, or the record is damaged.
    pub fn log(&self, run: i64) -> Result<RunLog, RecordError> {
        let path = || self.path.clone();
        self.read_log(run)
            .map_err(|error| RecordError::reading(&self.path, &error))?
            .ok_or_else(|| RecordError::NoSuchRun { path: path(), run })
    }

    /// How many events were read since the record was opened and not understood.
    pub fn not_understood(&self) -> usize {
        self.not_understood.get()
    }

    /// The run to carry on: the last one that did not come to its end, that no other carried on
    /// and in which, or in those it carried on, something was observed. A complete run of the
    /// whole plan that came later makes it needless.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn latest_unfinished(&self, rehearsal: bool) -> Result<Option<RunInfo>, RecordError> {
        let runs = self.runs()?;
        let of_nature = |run: &&RunInfo| run.is_rehearsal == rehearsal;
        for run in runs.iter().rev().filter(of_nature) {
            if run.is_complete {
                if run.only.is_empty() {
                    return Ok(None);
                }
                continue;
            }
            if !self.is_carried_on(run, &runs)? && self.has_observations(run, &runs)? {
                return Ok(Some(run.clone()));
            }
        }
        Ok(None)
    }

    /// A run and those that it carried on, oldest first.
    ///
    /// # Errors
    /// As [`Record::log`].
    pub fn chain(&self, run: i64) -> Result<Vec<RunLog>, RecordError> {
        let mut chain = vec![self.log(run)?];
        while let Some(before) = chain.last().and_then(|run| earlier(&run.info)) {
            chain.push(self.log(before)?);
        }
        chain.reverse();
        Ok(chain)
    }

    /// Whether anything in it was looked at closer, in any run.
    ///
    /// # Errors
    /// When the record is damaged.
    pub fn has_looks(&self) -> Result<bool, RecordError> {
        let query = "SELECT EXISTS (SELECT 1 FROM events WHERE kind = 'looked')";
        self.connection
            .query_row(query, [], |row| row.get(0))
            .map_err(|error| RecordError::reading(&self.path, &error))
    }

    /// Whether another run carries it on, and not only a part of it.
    fn is_carried_on(&self, run: &RunInfo, runs: &[RunInfo]) -> Result<bool, RecordError> {
        for other in runs.iter().filter(|other| other.continues == Some(run.id)) {
            if other.only.is_empty() || !run.only.is_empty() && self.covers(other, &run.only)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Whether a run was asked for all of these that its plan still had.
    fn covers(&self, run: &RunInfo, ids: &[Id]) -> Result<bool, RecordError> {
        let query = "SELECT EXISTS (SELECT 1 FROM marks WHERE run = ? AND subject = ?)";
        for id in ids.iter().filter(|id| !run.only.contains(id)) {
            let is_in_plan: bool = self
                .connection
                .query_row(query, params![run.id, id.as_str()], |row| row.get(0))
                .map_err(|error| RecordError::reading(&self.path, &error))?;
            if is_in_plan {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn has_observations(&self, run: &RunInfo, runs: &[RunInfo]) -> Result<bool, RecordError> {
        let query = "SELECT EXISTS (SELECT 1 FROM events WHERE run = ? AND kind = 'observation')";
        let mut next = Some(run.clone());
        while let Some(run) = next {
            let has: bool = self
                .connection
                .query_row(query, [run.id], |row| row.get(0))
                .map_err(|error| RecordError::reading(&self.path, &error))?;
            if has {
                return Ok(true);
            }
            let before = earlier(&run);
            next = runs.iter().find(|run| Some(run.id) == before).cloned();
        }
        Ok(false)
    }

    fn read_log(&self, run: i64) -> rusqlite::Result<Option<RunLog>> {
        // All of it as it was at one moment, though a run may go on.
        let moment = self.connection.unchecked_transaction()?;
        let select = format!("{RUNS} WHERE id = ?");
        let Some(info) = moment.query_row(&select, [run], info).optional()? else {
            return Ok(None);
        };
        let plan_text = moment.query_row(
            "SELECT text FROM plans WHERE fingerprint = ?",
            params![info.fingerprint],
            |row| row.get(0),
        )?;
        let mut select =
            moment.prepare("SELECT subject_kind, subject, mark FROM marks WHERE run = ?")?;
        let marks: rusqlite::Result<BTreeMap<_, _>> = select.query_map([run], mark)?.collect();
        let mut select =
            moment.prepare("SELECT at, json FROM events WHERE run = ? ORDER BY seq")?;
        let rows = select.query_map([run], logged)?;
        let mut events = Vec::new();
        for row in rows {
            match row? {
                Some(logged) => events.push(logged),
                None => self.not_understood.set(self.not_understood.get() + 1),
            }
        }
        Ok(Some(RunLog {
            info,
            plan_text,
            marks: marks?,
            events,
        }))
    }
}

/// The run it carried on; never a later one, whatever a damaged record says.
fn earlier(run: &RunInfo) -> Option<i64> {
    run.continues.filter(|before| *before < run.id)
}

fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    let text: String = row.get(column)?;
    text.parse().map_err(|error| unfit(column, error))
}

/// What stands in that column can't stand there.
fn unfit(column: usize, error: impl std::error::Error + Send + Sync + 'static) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
}

fn info(row: &Row<'_>) -> rusqlite::Result<RunInfo> {
    let only: String = row.get(13)?;
    let only: Vec<Id> = serde_json::from_str(&only).map_err(|error| unfit(13, error))?;
    Ok(RunInfo {
        id: row.get(0)?,
        started: time(row, 1)?,
        ended: time(row, 2)?,
        is_complete: row.get(3)?,
        version: row.get(4)?,
        layout: row.get(5)?,
        plan: row.get(6)?,
        fingerprint: row.get(7)?,
        link: row.get(8)?,
        is_rehearsal: row.get(9)?,
        witness: row.get(10)?,
        tester: row.get(11)?,
        cycles: row.get(12)?,
        only,
        continues: row.get(14)?,
        kind: match row.get::<_, String>(15)?.as_str() {
            "teach" => RunKind::Teach,
            "hunt" => RunKind::Hunt,
            "diagnose" => RunKind::Diagnose,
            _ => RunKind::Sweep,
        },
    })
}

fn mark(row: &Row<'_>) -> rusqlite::Result<(Subject, String)> {
    let (kind, id): (String, String) = (row.get(0)?, row.get(1)?);
    let id = Id::new(&id);
    let subject = if kind == "signal" {
        Subject::Signal(id)
    } else {
        Subject::Turnout(id)
    };
    Ok((subject, row.get(2)?))
}

/// `None` if it is sound and not understood: a newer version wrote it.
fn logged(row: &Row<'_>) -> rusqlite::Result<Option<Logged>> {
    let json: String = row.get(1)?;
    let at = time(row, 0)?;
    match serde_json::from_str::<Event>(&json) {
        Ok(event) => Ok(Some(Logged { at, event })),
        Err(error) if error.is_data() => Ok(None),
        Err(error) => Err(unfit(1, error)),
    }
}
