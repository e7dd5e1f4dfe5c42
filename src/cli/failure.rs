//! Errors as a person reads them, and the exit code of each. No other place turns errors into
//! text.

use std::error::Error;
use std::fmt::Write as _;
use std::io::{self, ErrorKind, Write as _};
use std::path::PathBuf;

use anstyle::{AnsiColor, Style};

use super::Exit;
use crate::plan::PlanError;
use crate::sweep::SweepError;
use crate::track::as_built::AsBuiltError;
use crate::view::problems;
use crate::witness::WitnessError;

const ERROR: Style = AnsiColor::Red.on_default().bold();
const HELP: Style = AnsiColor::Cyan.on_default();

/// Why a command could not be done.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The arguments ask for something that can't be.
    #[error("{message}")]
    Usage {
        /// What is wrong.
        message: String,
        /// How to mend it.
        help: String,
    },
    /// The plan can't be used.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The as-built file can't be used.
    #[error(transparent)]
    AsBuilt(#[from] AsBuiltError),
    /// A run failed.
    #[error(transparent)]
    Run(#[from] SweepError),
    /// There is nobody to answer.
    #[error(transparent)]
    Witness(#[from] WitnessError),
    /// The log can't be written.
    #[error("{} can't be opened for the log", path.display())]
    Log {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// What the program runs on could not be set up.
    #[error("the program can't be set up")]
    Setup(#[source] io::Error),
    /// The result can't be written.
    #[error("standard output can't be written")]
    Output(#[source] io::Error),
}

impl From<io::Error> for Failure {
    /// Only results are written without a name for the place they go to.
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

impl Failure {
    /// An argument that can't be used.
    pub(super) fn usage(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::Usage {
            message: message.into(),
            help: help.into(),
        }
    }

    /// The exit code that says it.
    pub fn exit(&self) -> Exit {
        match self {
            // Whoever read the output has seen enough.
            Self::Output(error) if error.kind() == ErrorKind::BrokenPipe => Exit::Clean,
            Self::Run(SweepError::Link(_)) => Exit::Link,
            Self::Run(SweepError::Witness(WitnessError::TerminalLost(_) | WitnessError::Stop))
            | Self::Witness(WitnessError::TerminalLost(_) | WitnessError::Stop) => Exit::Stopped,
            Self::Run(
                SweepError::Witness(WitnessError::NoTerminal)
                | SweepError::Sink(_)
                | SweepError::Command(_),
            )
            | Self::Witness(WitnessError::NoTerminal)
            | Self::Usage { .. }
            | Self::Plan(_)
            | Self::AsBuilt(_)
            | Self::Log { .. }
            | Self::Setup(_)
            | Self::Output(_) => Exit::Usage,
        }
    }

    /// How to mend it, where the error does not say so itself.
    fn help(&self) -> Option<&str> {
        match self {
            Self::Usage { help, .. } => Some(help),
            Self::Witness(WitnessError::NoTerminal)
            | Self::Run(SweepError::Witness(WitnessError::NoTerminal)) => {
                Some("run it in a terminal, without a pipe into it, or take `--witness track`")
            }
            Self::Log { .. } => Some("name a file in a folder that you may write to"),
            Self::Run(SweepError::Link(_)) => Some(
                "outputs are released as far as the link still carried anything; look at the \
                 layout before you go on",
            ),
            Self::Run(SweepError::Sink(_)) => Some("make room, or name another file"),
            Self::Run(SweepError::Witness(_) | SweepError::Command(_))
            | Self::Witness(_)
            | Self::Plan(_)
            | Self::AsBuilt(_)
            | Self::Setup(_)
            | Self::Output(_) => None,
        }
    }
}

/// Says on standard error what went wrong and how to mend it, and how to end.
pub fn report(failure: &Failure) -> Exit {
    let exit = failure.exit();
    if exit != Exit::Clean {
        let mut out = anstream::AutoStream::auto(io::stderr());
        if let Err(error) = out
            .write_all(text(failure).as_bytes())
            .and_then(|()| out.flush())
        {
            tracing::debug!(%error, "standard error can't be written");
        }
    }
    exit
}

fn text(failure: &Failure) -> String {
    match failure {
        Failure::Plan(PlanError::File(error)) | Failure::AsBuilt(AsBuiltError::File(error)) => {
            return problems::render_file_error(error, true);
        }
        Failure::Plan(PlanError::Problems(list))
        | Failure::AsBuilt(AsBuiltError::Problems(list)) => return problems::render(list, true),
        Failure::Usage { .. }
        | Failure::Run(_)
        | Failure::Witness(_)
        | Failure::Log { .. }
        | Failure::Setup(_)
        | Failure::Output(_) => {}
    }
    let mut text = format!("{ERROR}error:{ERROR:#} {failure}");
    let mut cause = failure.source();
    while let Some(error) = cause {
        // A `String` takes anything.
        let _infallible = write!(text, ": {error}");
        cause = error.source();
    }
    text.push('\n');
    if let Some(help) = failure.help() {
        let _infallible = writeln!(text, "{HELP}help:{HELP:#} {help}");
    }
    text
}
