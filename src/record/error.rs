//! What can be wrong with a record, and how to mend it.

use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use rusqlite::ErrorCode;
use rusqlite::ffi::SQLITE_READONLY_DBMOVED;

/// Why a record can't be used.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// There is none.
    #[error("there is no record {}", path.display())]
    Missing {
        /// Where it should be.
        path: PathBuf,
    },
    /// Something else than a file stands there.
    #[error("{} can't be the record: it is no file", path.display())]
    NoFile {
        /// Where it stands.
        path: PathBuf,
    },
    /// It can't be opened, made or written.
    #[error(
        "the record {} can't be written, and without it no throw is made: what you see must be \
         on disk before the next one",
        path.display()
    )]
    NotWritable {
        /// The record.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// It can't be opened for reading.
    #[error("the record {} can't be read", path.display())]
    NotReadable {
        /// The record.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// It is a file of another kind.
    #[error("{} is no record: it is no SQLite file; it is left as it is", path.display())]
    NotSqlite {
        /// The file.
        path: PathBuf,
    },
    /// It is an SQLite file of another program.
    #[error(
        "{} is no record: it is an SQLite file of something else; it is left as it is",
        path.display()
    )]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// It was written by a newer version of the program.
    #[error(
        "the record {} was made by a newer throwproof: its schema has version {found}, this one \
         knows versions up to {known}; it is left as it is",
        path.display()
    )]
    Newer {
        /// The record.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The last version that is known.
        known: i64,
    },
    /// It is damaged.
    #[error("the record {} is damaged, and is left as it is: {detail}", path.display())]
    Damaged {
        /// The record.
        path: PathBuf,
        /// What was found.
        detail: String,
    },
    /// Another run writes it.
    #[error(
        "the record {} is in use by another run{}",
        path.display(),
        since.map_or_else(String::new, |since| format!(" since {}", local(since)))
    )]
    InUse {
        /// The record.
        path: PathBuf,
        /// When that run began, if it can be told.
        since: Option<Timestamp>,
    },
    /// Another program holds it.
    #[error("the record {} is held by another program", path.display())]
    Held {
        /// The record.
        path: PathBuf,
    },
    /// It has no such run.
    #[error("the record {} has no run {run}", path.display())]
    NoSuchRun {
        /// The record.
        path: PathBuf,
        /// The run asked for.
        run: i64,
    },
}

impl RecordError {
    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::Missing { .. } => {
                "a sweep makes it beside the plan; if it is elsewhere, name it with --record FILE"
                    .to_owned()
            }
            Self::NoFile { .. } => "name a file with --record FILE".to_owned(),
            Self::NotWritable { .. } => {
                "make room, or name a file with --record FILE in a folder that you may write to"
                    .to_owned()
            }
            Self::NotReadable { .. } => "look whether you may read it".to_owned(),
            Self::NotSqlite { .. } | Self::Foreign { .. } => {
                "move it away, or name another file with --record FILE".to_owned()
            }
            Self::Newer { .. } => {
                "take the newer throwproof, or begin another record with --record FILE".to_owned()
            }
            Self::Damaged { path, .. } => format!(
                "copy it to a safe place first; SQLite's own shell gets out what can still be \
                 read, with `.recover`; until then take a copy of {} from before, or begin \
                 another with --record FILE",
                path.display()
            ),
            Self::InUse { .. } => {
                "end that run, or name another record with --record FILE".to_owned()
            }
            Self::Held { .. } => "close it in that program, and try again".to_owned(),
            Self::NoSuchRun { .. } => {
                "`throwproof report PLAN --history` lists its runs".to_owned()
            }
        }
    }

    /// What SQLite's error means while a record is opened for a run.
    pub(super) fn opening(path: &Path, error: &rusqlite::Error) -> Self {
        let path = path.to_owned();
        let source = io::Error::other(error.to_string());
        match error.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => Self::NotSqlite { path },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Held { path },
            Some(
                ErrorCode::ReadOnly
                | ErrorCode::CannotOpen
                | ErrorCode::PermissionDenied
                | ErrorCode::DiskFull
                | ErrorCode::SystemIoFailure,
            ) => Self::NotWritable { path, source },
            _ => Self::Damaged {
                path,
                detail: error.to_string(),
            },
        }
    }

    /// What SQLite's error means while a record is read.
    pub(super) fn reading(path: &Path, error: &rusqlite::Error) -> Self {
        let opening = Self::opening(path, error);
        if let Self::NotWritable { path, source } = opening {
            return Self::NotReadable { path, source };
        }
        opening
    }
}

/// Time of day for people, where they are.
pub(super) fn local(time: Timestamp) -> String {
    time.to_zoned_datetime(TimeZone::system())
        .strftime("%-d %B %Y %H:%M")
        .to_string()
}

/// Why an event could not be kept. It can be tried again.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// The disk is full.
    #[error("there is no room left for {}: free some on its disk", path.display())]
    Full {
        /// The record.
        path: PathBuf,
    },
    /// Another program holds it.
    #[error(
        "{} is held by another program, perhaps one that shows its tables: close it there",
        path.display()
    )]
    Held {
        /// The record.
        path: PathBuf,
    },
    /// It is not where it was.
    #[error("{} was moved or deleted: put it back where it was", path.display())]
    Moved {
        /// The record.
        path: PathBuf,
    },
    /// It may not be written any more.
    #[error(
        "{} may not be written any more: look at its rights and those of its folder, and whether \
         the disk was made read-only",
        path.display()
    )]
    ReadOnly {
        /// The record.
        path: PathBuf,
    },
    /// The disk fails.
    #[error(
        "the disk of {} does not take it: a quota or a limit on file size may be reached, or it \
         is unplugged or broken",
        path.display()
    )]
    Disk {
        /// The record.
        path: PathBuf,
        /// What SQLite says.
        #[source]
        source: rusqlite::Error,
    },
    /// Something else.
    #[error("{} can't be written", path.display())]
    Other {
        /// The record.
        path: PathBuf,
        /// What SQLite says.
        #[source]
        source: rusqlite::Error,
    },
    /// The first event of a run did not come first.
    #[error("an event came before its run began")]
    NoRun,
}

impl KeepError {
    pub(super) fn new(path: &Path, source: rusqlite::Error) -> Self {
        let path = path.to_owned();
        let extended = source.sqlite_error().map(|error| error.extended_code);
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { path },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Held { path },
            _ if extended == Some(SQLITE_READONLY_DBMOVED) => Self::Moved { path },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
                Self::ReadOnly { path }
            }
            Some(ErrorCode::SystemIoFailure) => Self::Disk { path, source },
            _ => Self::Other { path, source },
        }
    }
}

impl From<KeepError> for io::Error {
    fn from(error: KeepError) -> Self {
        let kind = match error {
            KeepError::Full { .. } => io::ErrorKind::StorageFull,
            KeepError::Held { .. } => io::ErrorKind::ResourceBusy,
            KeepError::Moved { .. } => io::ErrorKind::NotFound,
            KeepError::ReadOnly { .. } => io::ErrorKind::ReadOnlyFilesystem,
            KeepError::Disk { .. } | KeepError::Other { .. } | KeepError::NoRun => {
                io::ErrorKind::Other
            }
        };
        Self::new(kind, error)
    }
}
