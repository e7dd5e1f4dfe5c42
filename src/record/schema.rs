//! The tables of the record, and how one of an older version is brought up to date.

use rusqlite::{Connection, Transaction, TransactionBehavior};

/// Says in the header of the file whose it is: `tpro`.
pub(super) const APPLICATION: i32 = i32::from_be_bytes(*b"tpro");

/// What each version of the schema adds to the one before, from version 1 on. Those that were
/// released are never edited: a change is one more at the end.
pub(super) const MIGRATIONS: &[&str] = &[VERSION_1, VERSION_2];

const VERSION_1: &str = r"
CREATE TABLE plans (
    fingerprint TEXT PRIMARY KEY NOT NULL,
    text TEXT NOT NULL
);
CREATE TABLE runs (
    id INTEGER PRIMARY KEY NOT NULL,
    started TEXT NOT NULL,
    version TEXT NOT NULL,
    layout TEXT NOT NULL,
    plan TEXT NOT NULL,
    fingerprint TEXT NOT NULL REFERENCES plans (fingerprint),
    link TEXT NOT NULL,
    is_rehearsal INTEGER NOT NULL,
    witness TEXT NOT NULL,
    tester TEXT NOT NULL,
    cycles INTEGER NOT NULL,
    only_ids TEXT NOT NULL,
    continues INTEGER REFERENCES runs (id)
);
CREATE TABLE marks (
    run INTEGER NOT NULL REFERENCES runs (id),
    subject_kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    mark TEXT NOT NULL,
    PRIMARY KEY (run, subject_kind, subject)
) WITHOUT ROWID;
CREATE TABLE events (
    run INTEGER NOT NULL REFERENCES runs (id),
    seq INTEGER NOT NULL,
    at TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    kind TEXT NOT NULL,
    subject_kind TEXT,
    subject TEXT,
    throw INTEGER,
    json TEXT NOT NULL,
    PRIMARY KEY (run, seq)
) WITHOUT ROWID;
CREATE INDEX events_by_kind ON events (kind, run);
CREATE VIEW throws AS
    SELECT run, seq, at, subject_kind, subject, throw,
        json ->> '$.step' AS step, json ->> '$.commanded' AS commanded,
        json ->> '$.address' AS address, json ->> '$.packet' AS packet
    FROM events WHERE kind = 'throw-sent';
CREATE VIEW observations AS
    SELECT run, seq, at, subject_kind, subject, throw,
        json ->> '$.step' AS step, json ->> '$.commanded' AS commanded,
        json ->> '$.observed' AS observed, json ->> '$.others' AS others,
        EXISTS (SELECT 1 FROM events AS later
            WHERE later.run = events.run AND later.seq > events.seq
            AND later.subject_kind = events.subject_kind AND later.subject = events.subject
            AND (later.kind = 'swept-again'
                OR later.kind = 'withdrawn' AND later.throw <= events.throw)) AS is_withdrawn
    FROM events WHERE kind = 'observation';
CREATE VIEW verdicts AS
    SELECT run, seq, at, subject_kind, subject,
        json ->> '$.verdict' AS verdict, json ->> '$.place' AS place,
        json ->> '$.address' AS address, json ->> '$.detail' AS detail
    FROM events WHERE kind = 'verdict';
CREATE VIEW notes AS
    SELECT run, seq, at, subject_kind, subject, throw,
        json ->> '$.text' AS text, json ->> '$.photo' AS photo
    FROM events WHERE kind = 'noted';
";

/// A run may give a decoder its address: what was sent then, and what was seen.
const VERSION_2: &str = r"
ALTER TABLE runs ADD COLUMN kind TEXT NOT NULL DEFAULT 'sweep';
CREATE VIEW taught_sent AS
    SELECT run, seq, at, json ->> '$.decoder' AS decoder, json ->> '$.step' AS step,
        json ->> '$.purpose' AS purpose, json ->> '$.address' AS address,
        json ->> '$.cv' AS cv, json ->> '$.packet' AS packet,
        json ->> '$.acknowledged' AS acknowledged, json ->> '$.text' AS text
    FROM events WHERE kind = 'taught-sent';
CREATE VIEW taught_seen AS
    SELECT run, seq, at, json ->> '$.decoder' AS decoder, json ->> '$.step' AS step,
        json ->> '$.address' AS address, json ->> '$.sent' AS sent,
        json ->> '$.output' AS output, json ->> '$.saw' AS saw,
        json ->> '$.as_expected' AS as_expected
    FROM events WHERE kind = 'taught-seen';
CREATE VIEW lessons AS
    SELECT run, seq, at, json ->> '$.decoder' AS decoder, json ->> '$.outcome' AS outcome,
        json ->> '$.first_address' AS first_address
    FROM events WHERE kind = 'teach-done';
";

/// Which version a file is of: 0 for one without tables.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Whose file it is.
pub(super) fn application(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA application_id", [], |row| row.get(0))
}

/// Whether there are no tables in it, nor anything else.
pub(super) fn is_blank(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("SELECT count(*) = 0 FROM sqlite_schema", [], |row| {
        row.get(0)
    })
}

/// Brings the file from whichever version it is of to the last, all at once or not at all. Writes
/// in any case, so that a file that can't be written is known at once.
pub(super) fn migrate(connection: &Connection, migrations: &[&str]) -> rusqlite::Result<()> {
    let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)?;
    let done = usize::try_from(version(&transaction)?).unwrap_or(0);
    for migration in migrations.iter().skip(done) {
        transaction.execute_batch(migration)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", last(migrations))?;
    transaction.commit()
}

/// The version that those migrations lead to.
pub(super) fn last(migrations: &[&str]) -> i64 {
    i64::try_from(migrations.len()).unwrap_or(i64::MAX)
}
