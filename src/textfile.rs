//! Reading the text files a person names on the command line: plans, as-built files.
//!
//! Anything may stand where a plan should be: a directory, a photograph, a disk image. Each has
//! its own message and its own way out, and none is read further than it takes to tell.

use std::fs::{self, File};
use std::io::{self, Read as _};
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Largest file that is read, bytes: a plan of every address there is takes a few hundred
/// kilobytes.
pub const LIMIT: u64 = 8 << 20;

/// A text file, in memory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextFile {
    path: PathBuf,
    text: String,
    has_mark: bool,
    line_starts: Vec<usize>,
}

/// A place in a file, as an editor counts it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Position {
    /// Line, from 1.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
}

/// A stretch of a file, in bytes from its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span {
    /// First byte.
    pub start: usize,
    /// Byte after the last.
    pub end: usize,
}

impl From<Range<usize>> for Span {
    fn from(range: Range<usize>) -> Self {
        Self {
            start: range.start,
            end: range.end,
        }
    }
}

impl TextFile {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// [`FileError`] says what stands there instead of a text file.
    pub fn read(path: &Path) -> Result<Self, FileError> {
        let bytes = read_bytes(path)?;
        let text = String::from_utf8(bytes).map_err(|error| {
            let offset = error.utf8_error().valid_up_to();
            let line = line_at(error.as_bytes(), offset);
            FileError::NotUtf8 {
                path: path.to_owned(),
                offset,
                line,
            }
        })?;
        if let Some(offset) = text.find('\0') {
            let line = line_at(text.as_bytes(), offset);
            return Err(FileError::Nul {
                path: path.to_owned(),
                offset,
                line,
            });
        }
        if text
            .trim_matches(|c: char| c.is_whitespace() || c == BYTE_ORDER_MARK)
            .is_empty()
        {
            return Err(FileError::Empty {
                path: path.to_owned(),
            });
        }
        Ok(Self::from_text(path, text))
    }

    /// A file made in memory; `path` is what messages call it.
    pub fn from_text(path: impl Into<PathBuf>, text: impl Into<String>) -> Self {
        let mut text = text.into();
        let has_mark = text.starts_with(BYTE_ORDER_MARK);
        if has_mark {
            text.drain(..BYTE_ORDER_MARK.len_utf8());
        }
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        let line_starts = std::iter::once(0)
            .chain(ends.map(|(at, _)| at + 1))
            .collect();
        Self {
            path: path.into(),
            text,
            has_mark,
            line_starts,
        }
    }

    /// Where it was read from.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What it says, without a byte-order mark.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// What it says, as it was read: with the byte-order mark if it has one.
    pub fn as_read(&self) -> String {
        let mark = self.has_mark.then_some(BYTE_ORDER_MARK);
        mark.into_iter().chain(self.text.chars()).collect()
    }

    /// Line and column of a byte; the end of the file for one past it.
    pub fn position(&self, offset: usize) -> Position {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let index = self.line_index(offset);
        let column = self.text[self.line_starts[index]..offset].chars().count() + 1;
        Position {
            line: count(index + 1),
            column: count(column),
        }
    }

    /// Line of a byte, from 1.
    pub fn line(&self, offset: usize) -> u32 {
        count(self.line_index(offset) + 1)
    }

    /// The line a byte is on: where it starts, and its text without the line end.
    pub fn line_around(&self, offset: usize) -> (usize, &str) {
        let index = self.line_index(offset.min(self.text.len()));
        let start = self.line_starts[index];
        let end = self
            .line_starts
            .get(index + 1)
            .copied()
            .unwrap_or(self.text.len());
        (start, self.text[start..end].trim_end_matches(['\n', '\r']))
    }

    fn line_index(&self, offset: usize) -> usize {
        self.line_starts
            .partition_point(|start| *start <= offset)
            .saturating_sub(1)
    }
}

const BYTE_ORDER_MARK: char = '\u{feff}';

fn count(value: usize) -> u32 {
    u32::try_from(value).unwrap_or(u32::MAX)
}

fn line_at(bytes: &[u8], offset: usize) -> u32 {
    let before = bytes.get(..offset).unwrap_or(bytes);
    count(before.split(|byte| *byte == b'\n').count())
}

/// Why a file can't be used at all.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// Nothing is there.
    #[error("{}: no such file", path.display())]
    Missing {
        /// What was asked for.
        path: PathBuf,
        /// A file beside it with a like name.
        near: Option<PathBuf>,
    },
    /// A directory is there.
    #[error("{}: that is a directory, not a file", path.display())]
    Directory {
        /// What was asked for.
        path: PathBuf,
        /// A TOML file in it.
        inside: Option<PathBuf>,
    },
    /// It is there and may not be read.
    #[error("{}: this user may not read it", path.display())]
    Denied {
        /// What was asked for.
        path: PathBuf,
    },
    /// It is larger than any plan.
    #[error(
        "{}: a plan is text of a few hundred kilobytes; this is {}: is it the right file?",
        path.display(), size(*bytes)
    )]
    TooLarge {
        /// What was asked for.
        path: PathBuf,
        /// Its size; `None` where it only showed that it is over [`LIMIT`].
        bytes: Option<u64>,
    },
    /// It is empty, or has nothing but white space.
    #[error("{}: the file is empty", path.display())]
    Empty {
        /// What was asked for.
        path: PathBuf,
    },
    /// It is not text in UTF-8.
    #[error("{}:{line}: byte {offset} (counted from 0) is not UTF-8 text", path.display())]
    NotUtf8 {
        /// What was asked for.
        path: PathBuf,
        /// First byte that is not UTF-8, from 0.
        offset: usize,
        /// Its line, from 1.
        line: u32,
    },
    /// It has a NUL byte, which no text has.
    #[error("{}:{line}: byte {offset} (counted from 0) is NUL, which no text file has", path.display())]
    Nul {
        /// What was asked for.
        path: PathBuf,
        /// The first NUL byte, from 0.
        offset: usize,
        /// Its line, from 1.
        line: u32,
    },
    /// Reading failed.
    #[error("{}: reading it failed: {source}", path.display())]
    Io {
        /// What was asked for.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl FileError {
    /// How to mend it.
    pub fn mend(&self) -> String {
        match self {
            Self::Missing {
                near: Some(near), ..
            } => {
                format!("did you mean {}?", near.display())
            }
            Self::Missing { .. } => {
                "look at the spelling, and at the directory you are in".to_owned()
            }
            Self::Directory {
                inside: Some(inside),
                ..
            } => {
                format!("name the file in it, such as {}", inside.display())
            }
            Self::Directory { .. } => "name a file in it; no .toml file is there".to_owned(),
            Self::Denied { path } => {
                format!(
                    "give yourself the right to read it: chmod u+r {}",
                    path.display()
                )
            }
            Self::TooLarge { .. } => {
                format!(
                    "files of up to {} are read; name the plan itself",
                    size(Some(LIMIT))
                )
            }
            Self::Empty { .. } => "was it saved? A plan starts with [layout] and a name".to_owned(),
            Self::NotUtf8 { .. } => {
                "save it as UTF-8 text in your editor; if it is not text, it is not the plan"
                    .to_owned()
            }
            Self::Nul { .. } => {
                "save it as UTF-8 text (not UTF-16); if it is not text, it is not the plan"
                    .to_owned()
            }
            Self::Io { .. } => "try again; if it stays so, copy the file elsewhere".to_owned(),
        }
    }
}

fn size(bytes: Option<u64>) -> String {
    let mebibytes = bytes.unwrap_or(LIMIT) >> 20;
    match bytes {
        None => format!("more than {mebibytes} MiB"),
        Some(_) => format!("{mebibytes} MiB"),
    }
}

fn read_bytes(path: &Path) -> Result<Vec<u8>, FileError> {
    let fail = |source: io::Error| {
        let path = path.to_owned();
        let kind = source.kind();
        if matches!(kind, io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) {
            let near = nearest_name(&path);
            FileError::Missing { path, near }
        } else if kind == io::ErrorKind::PermissionDenied {
            FileError::Denied { path }
        } else if kind == io::ErrorKind::IsADirectory {
            let inside = toml_inside(&path);
            FileError::Directory { path, inside }
        } else {
            FileError::Io { path, source }
        }
    };
    let metadata = fs::metadata(path).map_err(fail)?;
    if metadata.is_dir() {
        return Err(fail(io::ErrorKind::IsADirectory.into()));
    }
    if metadata.is_file() && metadata.len() > LIMIT {
        return Err(FileError::TooLarge {
            path: path.to_owned(),
            bytes: Some(metadata.len()),
        });
    }
    // A pipe or a device does not tell its size, and a file may grow while it is read.
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(LIMIT + 1).read_to_end(&mut bytes))
        .map_err(fail)?;
    if u64::try_from(bytes.len()).is_ok_and(|length| length > LIMIT) {
        return Err(FileError::TooLarge {
            path: path.to_owned(),
            bytes: None,
        });
    }
    Ok(bytes)
}

/// How alike two names must be for one to be a slip of the other, by Jaro and Winkler's measure.
const ALIKE: f64 = 0.85;

/// How many entries of a directory are looked at for a like name.
const LOOK_AT: usize = 2000;

fn nearest_name(path: &Path) -> Option<PathBuf> {
    let wanted = path.file_name()?.to_str()?;
    let parent = path.parent().unwrap_or(Path::new(""));
    let directory = if parent.as_os_str().is_empty() {
        Path::new(".")
    } else {
        parent
    };
    let names = fs::read_dir(directory).ok()?.take(LOOK_AT).flatten();
    names
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            let alike = strsim::jaro_winkler(wanted, &name);
            (alike >= ALIKE).then_some((alike, name))
        })
        .max_by(|(a, a_name), (b, b_name)| a.total_cmp(b).then_with(|| b_name.cmp(a_name)))
        .map(|(_, name)| parent.join(name))
}

fn toml_inside(path: &Path) -> Option<PathBuf> {
    let names = fs::read_dir(path)
        .ok()?
        .take(LOOK_AT)
        .flatten()
        .map(|entry| entry.path());
    names
        .filter(|name| name.extension().is_some_and(|ending| ending == "toml"))
        // `plan.toml` before any other, then by the alphabet.
        .min_by_key(|name| {
            (
                name.file_stem().is_none_or(|stem| stem != "plan"),
                name.clone(),
            )
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_count_characters_and_lines_as_an_editor_does() {
        let file = TextFile::from_text("a", "\u{feff}Zürich = 1\r\nb\n");
        assert_eq!(file.text(), "Zürich = 1\r\nb\n");
        assert_eq!(file.position(0), Position { line: 1, column: 1 });
        // The ü takes two bytes; `r` behind it is the third character.
        assert_eq!(file.position(3), Position { line: 1, column: 3 });
        assert_eq!(
            file.position(2),
            Position { line: 1, column: 2 },
            "inside the ü"
        );
        assert_eq!(file.position(13), Position { line: 2, column: 1 });
        assert_eq!(file.position(99), Position { line: 3, column: 1 });
        assert_eq!(file.line_around(5), (0, "Zürich = 1"));
        assert_eq!(file.line_around(99), (15, ""));
    }
}
