//! One run at a time on a record.
//!
//! On Linux the lock is on the record itself: `flock` and the byte-range locks that SQLite takes
//! do not know of each other there. Elsewhere they may, so that a file beside it is locked.
//!
//! A process that closes any descriptor of a file loses all its byte-range locks on it. So this
//! descriptor is opened before SQLite's and closed after it, and nothing else here opens the file.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _};
use std::path::Path;

/// The lock, for as long as it lives.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
    #[cfg(not(target_os = "linux"))]
    _beside: File,
}

/// Why it was not had.
#[derive(Debug)]
pub(super) enum NotHad {
    /// Another run has it.
    Taken,
    /// The file can't be opened or locked.
    Io(io::Error),
}

impl From<io::Error> for NotHad {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl From<TryLockError> for NotHad {
    fn from(error: TryLockError) -> Self {
        match error {
            TryLockError::WouldBlock => Self::Taken,
            TryLockError::Error(error) => Self::Io(error),
        }
    }
}

/// What stands in the file that is to be locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    /// Nothing yet.
    Empty,
    /// What every SQLite file begins with.
    Sqlite,
    /// Something else.
    Other,
}

/// What every SQLite file begins with (SQLite database file format, section 1.3).
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

impl Lock {
    /// Makes the file if there is none, locks it, and looks what it is.
    pub(super) fn take(path: &Path) -> Result<(Self, Content), NotHad> {
        let mut options = OpenOptions::new();
        options.read(true).write(true).create(true).truncate(false);
        let mut file = options.open(path)?;
        #[cfg(target_os = "linux")]
        file.try_lock()?;
        #[cfg(not(target_os = "linux"))]
        let beside = {
            let mut name = path.as_os_str().to_owned();
            name.push(".lock");
            let beside = options.open(name)?;
            beside.try_lock()?;
            beside
        };
        let mut start = Vec::new();
        file.by_ref()
            .take(MAGIC.len() as u64)
            .read_to_end(&mut start)?;
        let content = match &start[..] {
            [] => Content::Empty,
            bytes if bytes == MAGIC => Content::Sqlite,
            _ => Content::Other,
        };
        let lock = Self {
            _file: file,
            #[cfg(not(target_os = "linux"))]
            _beside: beside,
        };
        Ok((lock, content))
    }
}
