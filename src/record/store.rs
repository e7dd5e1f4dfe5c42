//! The record as a file: opening it, and what stands in the way.

use std::cell::Cell;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use super::error::RecordError;
use super::lock::{Content, Lock, NotHad};
use super::schema::{self, APPLICATION, MIGRATIONS};

/// How long a reader is waited for. A report takes its moment; a program that sits on a table
/// does not let go in an hour either.
const PATIENCE: Duration = Duration::from_secs(2);

/// An open record.
#[derive(Debug)]
pub struct Record {
    // Before the lock, so that it is closed before it.
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    /// Events that were read since it was opened and not understood.
    pub(super) not_understood: Cell<usize>,
    _lock: Option<Lock>,
}

impl Record {
    /// Opens a record for a run, and makes it if there is none. Nobody else can run on it until
    /// it is dropped; everybody can read it.
    ///
    /// # Errors
    /// When it is in use, can't be written, or is no sound record of this version or an older
    /// one. The file is then as it was.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        if path.metadata().is_ok_and(|metadata| !metadata.is_file()) {
            let path = path.to_owned();
            return Err(RecordError::NoFile { path });
        }
        let (lock, content) = Lock::take(path).map_err(|not_had| match not_had {
            NotHad::Taken => RecordError::InUse {
                path: path.to_owned(),
                since: last_start(path),
            },
            NotHad::Io(source) => RecordError::NotWritable {
                path: path.to_owned(),
                source,
            },
        })?;
        if content == Content::Other {
            let path = path.to_owned();
            return Err(RecordError::NotSqlite { path });
        }
        let failed = |error| RecordError::opening(path, &error);
        let connection = connect(path).map_err(failed)?;
        check(&connection, path)?;
        check_whole(&connection, path)?;
        schema::migrate(&connection, MIGRATIONS).map_err(failed)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
            not_understood: Cell::default(),
            _lock: Some(lock),
        })
    }

    /// Opens a record to read it, while a run goes on or not.
    ///
    /// # Errors
    /// When there is none, or it is no record of this version or an older one.
    pub fn open_to_read(path: &Path) -> Result<Self, RecordError> {
        match path.metadata() {
            Ok(metadata) if metadata.is_file() => {}
            Ok(_) => {
                let path = path.to_owned();
                return Err(RecordError::NoFile { path });
            }
            Err(error) => {
                let path = path.to_owned();
                return Err(if error.kind() == io::ErrorKind::NotFound {
                    RecordError::Missing { path }
                } else {
                    RecordError::NotReadable {
                        path,
                        source: error,
                    }
                });
            }
        }
        let failed = |error| RecordError::reading(path, &error);
        let connection = connect(path).map_err(failed)?;
        if check(&connection, path)? {
            // An older one is brought up to date by whoever may write it.
            drop(connection);
            return Self::open(path);
        }
        connection
            .pragma_update(None, "query_only", true)
            .map_err(failed)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
            not_understood: Cell::default(),
            _lock: None,
        })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// When the last run began, of a record that is in use.
fn last_start(path: &Path) -> Option<jiff::Timestamp> {
    let connection = connect(path).ok()?;
    let query = "SELECT started FROM runs ORDER BY id DESC LIMIT 1";
    let started: String = connection.query_row(query, [], |row| row.get(0)).ok()?;
    started.parse().ok()
}

/// Opens what is there. Writing is allowed, because whoever reads first after a power cut puts
/// in order what was half written.
fn connect(path: &Path) -> rusqlite::Result<Connection> {
    // SQLite takes a name that begins with `file:` for an address.
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(absolute, flags)?;
    connection.busy_timeout(PATIENCE)?;
    // The journal is deleted with each commit: at rest there is one file, and SQLite looks with
    // each transaction whether that file is still where it was. Extra: the folder is synced too,
    // so that a journal is not back after a power cut.
    connection.pragma_update(None, "synchronous", "EXTRA")?;
    Ok(connection)
}

/// Looks whether it is a record, and whether it is one of an older version.
fn check(connection: &Connection, path: &Path) -> Result<bool, RecordError> {
    let failed = |error| RecordError::reading(path, &error);
    let path = path.to_owned();
    let known = schema::last(MIGRATIONS);
    let application = schema::application(connection).map_err(failed)?;
    let found = schema::version(connection).map_err(failed)?;
    let is_blank = schema::is_blank(connection).map_err(failed)?;
    let is_new = is_blank && application == 0 && found == 0;
    if !is_new && application != i64::from(APPLICATION) {
        return Err(RecordError::Foreign { path });
    }
    if found > known {
        return Err(RecordError::Newer { path, found, known });
    }
    if !is_new && (is_blank || found < 1) {
        let detail = "its tables are missing".to_owned();
        return Err(RecordError::Damaged { path, detail });
    }
    Ok(found < known)
}

/// Looks whether all of it can be read.
fn check_whole(connection: &Connection, path: &Path) -> Result<(), RecordError> {
    let answer: Result<String, _> =
        connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0));
    let detail = match answer {
        Ok(answer) if answer == "ok" => return Ok(()),
        Ok(answer) => answer,
        Err(error) => return Err(RecordError::reading(path, &error)),
    };
    Err(RecordError::Damaged {
        path: path.to_owned(),
        detail,
    })
}
