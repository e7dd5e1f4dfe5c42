//! Documents on disk, written whole or not at all.

use std::fs::{self, Permissions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::model::Report;
use super::{comma, html, json, junit, markdown};

/// The kinds of document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Document {
    /// A page of HTML that needs nothing else.
    Html,
    /// `JUnit` XML.
    Junit,
    /// A table for a spreadsheet.
    Csv,
    /// JSON.
    Json,
    /// Markdown.
    Markdown,
}

/// The kinds and their file endings, for messages.
const KINDS: &str = ".html (a page), .xml (JUnit), .csv (a table), .json, .md (Markdown)";

impl Document {
    /// The kind that the file's ending names.
    pub fn of(path: &Path) -> Option<Self> {
        match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
            "html" | "htm" => Some(Self::Html),
            "xml" => Some(Self::Junit),
            "csv" => Some(Self::Csv),
            "json" => Some(Self::Json),
            "md" => Some(Self::Markdown),
            _ => None,
        }
    }

    /// The report as a document of this kind.
    ///
    /// # Errors
    /// Never in practice: every field is text or a number.
    pub fn bytes(self, report: &Report) -> Result<Vec<u8>, WriteError> {
        let failed = |error: Box<dyn std::error::Error + Send + Sync>| WriteError::Render(error);
        match self {
            Self::Html => html::page(report)
                .map(String::into_bytes)
                .map_err(|error| failed(error.into())),
            Self::Junit => junit::bytes(report).map_err(|error| failed(error.into())),
            Self::Csv => comma::bytes(report).map_err(|error| failed(error.into())),
            Self::Json => json::bytes(report).map_err(|error| failed(error.into())),
            Self::Markdown => Ok(markdown::text(report).into_bytes()),
        }
    }
}

/// A file that a report will go to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Target {
    /// The file.
    pub path: PathBuf,
    /// What goes there.
    pub kind: Document,
}

/// Why nothing can be written to a file. Known before anything is driven.
#[derive(Debug, thiserror::Error)]
pub enum TargetError {
    /// The ending names no kind.
    #[error("{} ends in nothing that says what kind of report it is to be", .0.display())]
    Kind(PathBuf),
    /// The folder is not there, or can't be written to.
    #[error("nothing can be written to the folder of {}", path.display())]
    Folder {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// Something stands there that is no file.
    #[error("{} is there and is no file", .0.display())]
    NoFile(PathBuf),
}

impl TargetError {
    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::Kind(_) => format!("end it in one of {KINDS}"),
            Self::Folder { .. } => "name a file in a folder that is there and that you may write \
                                    to"
            .to_owned(),
            Self::NoFile(_) => "name another file".to_owned(),
        }
    }
}

/// Why a document was not written. Whatever stood there before still does.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// It can't be made.
    #[error("the report can't be made")]
    Render(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// It can't be put on disk.
    #[error("{} can't be written, and is as it was", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
}

/// Looks at each file before anything is done: its kind is known and it can be written.
///
/// # Errors
/// For the first one that can't.
pub fn prepare(paths: &[PathBuf]) -> Result<Vec<Target>, TargetError> {
    let targets = paths.iter().map(|path| {
        let kind = Document::of(path).ok_or_else(|| TargetError::Kind(path.clone()))?;
        check_place(path)?;
        Ok(Target {
            path: path.clone(),
            kind,
        })
    });
    targets.collect()
}

/// Whether a file can be written there.
///
/// # Errors
/// When its folder can't be written to, or something else stands there.
pub(super) fn check_place(path: &Path) -> Result<(), TargetError> {
    if fs::metadata(path).is_ok_and(|there| !there.is_file()) {
        return Err(TargetError::NoFile(path.to_owned()));
    }
    NamedTempFile::new_in(folder(path))
        .and_then(NamedTempFile::close)
        .map_err(|source| TargetError::Folder {
            path: path.to_owned(),
            // Without the name of the file that was only tried.
            source: source.kind().into(),
        })
}

/// Writes the report to each file.
///
/// # Errors
/// When one can't be made or written. No file is touched before all documents are made and on
/// disk beside them.
pub fn write(targets: &[Target], report: &Report) -> Result<(), WriteError> {
    let files = targets.iter().map(|target| {
        let bytes = target.kind.bytes(report)?;
        Ok((target.path.clone(), bytes))
    });
    write_files(&files.collect::<Result<Vec<_>, _>>()?)
}

/// Writes files whole or not at all: each beside its place first, then all into place.
///
/// # Errors
/// When one can't be written.
pub fn write_files(files: &[(PathBuf, Vec<u8>)]) -> Result<(), WriteError> {
    let failed = |path: &Path, source| WriteError::File {
        path: path.to_owned(),
        source,
    };
    let mut ready = Vec::new();
    for (path, bytes) in files {
        // Through a link to what it points at, which is what is to be replaced.
        let place = fs::canonicalize(path).unwrap_or_else(|_| path.clone());
        let beside = beside(&place, bytes).map_err(|source| failed(path, source))?;
        ready.push((path, place, beside));
    }
    for (path, place, beside) in ready {
        let done = beside.persist(&place);
        done.map_err(|error| failed(path, error.error))?;
    }
    Ok(())
}

/// A finished file in the same folder, readable as files of this user are, or as the one that it
/// will replace.
fn beside(place: &Path, bytes: &[u8]) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    let everyone = {
        use std::os::unix::fs::PermissionsExt as _;
        // The user's mask takes away from this what it should.
        Permissions::from_mode(0o666)
    };
    #[cfg(unix)]
    builder.permissions(everyone);
    let mut file = builder.tempfile_in(folder(place))?;
    file.write_all(bytes)?;
    if let Ok(there) = fs::metadata(place) {
        file.as_file().set_permissions(there.permissions())?;
    }
    file.as_file().sync_all()?;
    Ok(file)
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}
