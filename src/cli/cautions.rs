//! The cautions, shown once before a real layout is driven.

use std::fs;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io::{self, BufRead as _, IsTerminal as _, Write as _};
use std::path::PathBuf;

use etcetera::BaseStrategy as _;

use super::options::Reach;
use super::{Exit, Failure, stdout};
use crate::cautions;

/// Width that they are shown in: any terminal has it.
const WIDTH: usize = 80;

/// Show what to mind when wiring and driving a layout
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

pub(super) fn run(_args: &Args) -> Result<Exit, Failure> {
    let mut out = stdout();
    out.write_all(wrapped().as_bytes())?;
    out.flush()?;
    Ok(Exit::Clean)
}

/// Sees to it that whoever drives a real layout from here has read the cautions: shows them the
/// first time, and again when they have changed.
pub(super) fn before_driving(reach: &Reach) -> Result<(), Failure> {
    let marker = marker();
    if reach.cautions_read || is_kept(marker.as_ref()) {
        return Ok(());
    }
    let mut out = io::stderr();
    write!(out, "{}", wrapped())?;
    if !(io::stdin().is_terminal() && out.is_terminal()) {
        return Err(Failure::usage(
            "the cautions above have to be read before a real layout is driven for the first \
             time, and there is no terminal to say so at",
            "read them, then say --cautions-read; `throwproof cautions` shows them again",
        ));
    }
    write!(
        out,
        "\nPress Enter when you have read them, Ctrl-C to leave. "
    )?;
    out.flush()?;
    if io::stdin().lock().read_line(&mut String::new())? == 0 {
        return Err(Failure::Interrupted);
    }
    keep(marker.as_ref());
    Ok(())
}

/// Cautions as people read them, no line longer than [`WIDTH`].
fn wrapped() -> String {
    let mut text = String::from("Before you drive a real layout\n\n");
    for paragraph in cautions::text().lines() {
        let hanging = if paragraph.starts_with("- ") {
            "  "
        } else {
            ""
        };
        let options = textwrap::Options::new(WIDTH).subsequent_indent(hanging);
        text.push_str(&textwrap::fill(paragraph, options));
        text.push('\n');
    }
    text
}

/// Where it is kept that they were read; `None` without a home.
fn marker() -> Option<PathBuf> {
    let base = etcetera::choose_base_strategy().ok()?;
    let folder = base.state_dir().unwrap_or_else(|| base.data_dir());
    Some(folder.join("throwproof").join("cautions-read"))
}

/// Changes when the cautions do; need not be the same on another machine.
fn print() -> String {
    let mut hasher = DefaultHasher::new();
    cautions::text().hash(&mut hasher);
    format!("{:016x}\n", hasher.finish())
}

fn is_kept(marker: Option<&PathBuf>) -> bool {
    let kept = marker.and_then(|path| fs::read_to_string(path).ok());
    kept.is_some_and(|kept| kept == print())
}

/// Keeps that they were read. Where it can't be kept they are shown again next time.
fn keep(marker: Option<&PathBuf>) {
    let Some(path) = marker else { return };
    let folder = path.parent().map_or(Ok(()), fs::create_dir_all);
    if let Err(error) = folder.and_then(|()| fs::write(path, print())) {
        tracing::warn!(%error, path = %path.display(), "the cautions will be shown again");
    }
}

#[cfg(test)]
mod tests {
    use unicode_width::UnicodeWidthStr as _;

    use super::*;

    #[test]
    fn they_fit_any_terminal() {
        let text = wrapped();
        assert!(text.lines().all(|line| line.width() <= WIDTH), "{text}");
    }

    #[test]
    fn that_they_were_read_is_kept_until_they_change() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new").join("cautions-read");
        assert!(!is_kept(Some(&path)));
        keep(Some(&path));
        assert!(is_kept(Some(&path)));
        fs::write(&path, "older\n").unwrap();
        assert!(!is_kept(Some(&path)));
        assert!(!is_kept(None));
    }
}
