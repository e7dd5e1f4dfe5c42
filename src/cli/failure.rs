//! Errors as a person reads them, and the exit code of each. No other place turns errors into
//! text.

use std::error::Error;
use std::fmt::Write as _;
use std::io::{self, ErrorKind, Write as _};
use std::path::PathBuf;

use anstyle::{AnsiColor, Style};
use throwproof_protocol::packet::{HexError, PacketError};
use throwproof_protocol::pretty::ReadingError;

use super::Exit;
use crate::link::transport::OpenError;
use crate::phone::{DoorError, PhoneError};
use crate::plan::PlanError;
use crate::profile::ProfileError;
use crate::record::RecordError;
use crate::serve::ServeError;
use crate::settings::SettingsError;
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
    /// The text is no hexadecimal.
    #[error(transparent)]
    Hex(#[from] HexError),
    /// The bytes are no packet, or the packet has no meaning.
    #[error("not a packet that means something: {0}")]
    Packet(ReadingError),
    /// The plan can't be used.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The as-built file can't be used.
    #[error(transparent)]
    AsBuilt(#[from] AsBuiltError),
    /// The link can't be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The serial ports can't be listed.
    #[error("the serial ports can't be listed")]
    Ports(#[source] io::Error),
    /// Asked to end before anything was sent.
    #[error("stopped before anything was done")]
    Interrupted,
    /// A run failed.
    #[error(transparent)]
    Run(#[from] SweepError),
    /// There is nobody to answer.
    #[error(transparent)]
    Witness(#[from] WitnessError),
    /// The simulated track can't be served.
    #[error(transparent)]
    Serve(#[from] ServeError),
    /// The profile can't be used.
    #[error(transparent)]
    Profile(#[from] ProfileError),
    /// The settings can't be used.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The record can't be used.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The phone page can't be served.
    #[error(transparent)]
    Phone(#[from] PhoneError),
    /// The phone page can't be locked.
    #[error(transparent)]
    Door(#[from] DoorError),
    /// The log can't be written.
    #[error("{} can't be opened for the log", path.display())]
    Log {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// The log can't be read.
    #[error("{} can't be read", path.display())]
    LogUnread {
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
            Self::Run(SweepError::Link(_))
            | Self::Open(_)
            | Self::Serve(ServeError::Listen { .. } | ServeError::Pty(_)) => Exit::Link,
            Self::Run(SweepError::Witness(WitnessError::TerminalLost(_) | WitnessError::Stop))
            | Self::Witness(WitnessError::TerminalLost(_) | WitnessError::Stop)
            | Self::Interrupted => Exit::Stopped,
            Self::Run(
                SweepError::Witness(WitnessError::NoTerminal)
                | SweepError::CannotCarry { .. }
                | SweepError::Sink(_)
                | SweepError::Command(_),
            )
            | Self::Witness(WitnessError::NoTerminal)
            | Self::Usage { .. }
            | Self::Hex(_)
            | Self::Packet(_)
            | Self::Plan(_)
            | Self::AsBuilt(_)
            | Self::Profile(_)
            | Self::Settings(_)
            | Self::Record(_)
            | Self::Phone(_)
            | Self::Door(_)
            | Self::Ports(_)
            | Self::Serve(_)
            | Self::Log { .. }
            | Self::LogUnread { .. }
            | Self::Setup(_)
            | Self::Output(_) => Exit::Usage,
        }
    }

    /// How to mend it, where the error does not say so itself.
    fn help(&self) -> Option<String> {
        if let Self::Open(error) = self {
            return Some(error.help());
        }
        if let Self::Record(error) = self {
            return Some(error.help());
        }
        self.fixed_help().map(str::to_owned)
    }

    fn fixed_help(&self) -> Option<&str> {
        match self {
            Self::Usage { help, .. } => Some(help),
            Self::Packet(error) => Some(packet_help(error)),
            Self::Witness(WitnessError::NoTerminal)
            | Self::Run(SweepError::Witness(WitnessError::NoTerminal)) => {
                Some("run it in a terminal, without a pipe into it, or take `--witness track`")
            }
            Self::Serve(error) => serve_help(error),
            Self::Phone(PhoneError::Listen { .. }) => Some(
                "name an address that this computer has, or 0.0.0.0 for all of them, and a port \
                 that no other program has, or none",
            ),
            Self::LogUnread { .. } => Some("name a file that was kept with --log"),
            Self::Log { .. } => Some("name a file in a folder that you may write to"),
            Self::Run(SweepError::Link(_)) => Some(
                "outputs are released as far as the link still carried anything; look at the \
                 layout before you go on",
            ),
            Self::Run(SweepError::CannotCarry { .. }) => Some(
                "nothing was sent; take another link, or leave these out with --only; of a \
                 profile, `throwproof check PROFILE` tells what it can't do",
            ),
            Self::Run(SweepError::Sink(_)) => Some(
                "mend what it says, or name another file; what was kept before is not lost, and \
                 --resume carries a sweep on",
            ),
            Self::Run(SweepError::Witness(_) | SweepError::Command(_))
            | Self::Witness(_)
            | Self::Hex(_)
            | Self::Plan(_)
            | Self::AsBuilt(_)
            | Self::Profile(_)
            | Self::Settings(_)
            | Self::Record(_)
            | Self::Door(_)
            | Self::Open(_)
            | Self::Ports(_)
            | Self::Interrupted
            | Self::Setup(_)
            | Self::Output(_) => None,
        }
    }
}

fn serve_help(error: &ServeError) -> Option<&'static str> {
    match error {
        ServeError::Listen { source, .. } => Some(if source.kind() == ErrorKind::AddrInUse {
            "another program listens there, perhaps another served track: end it, name another \
             port, or name port 0 and take the one that is shown"
        } else {
            "name an address that this computer has, and a port from 1024 on"
        }),
        ServeError::Pty(_) => Some("end programs that hold pseudo-terminals, or take --tcp"),
        ServeError::NoPtys => Some("take `--tcp 127.0.0.1:12021`"),
        ServeError::InTheWay { .. } => {
            Some("name another place with --pty-link, or move what is there away")
        }
        ServeError::Symlink { .. } => Some("name a place in a folder that you may write to"),
        ServeError::Profile(_) => None,
        ServeError::Information(_) => Some("shorten the name in the plan's [layout]"),
    }
}

fn packet_help(error: &ReadingError) -> &'static str {
    match error {
        ReadingError::Packet(PacketError::CheckByte { .. }) => {
            "the last byte is the xor of all before it: look for a slip in any of them"
        }
        ReadingError::Packet(_) => "write all bytes of one packet, the check byte last",
        ReadingError::Operations(_) => {
            "if it was sent on the programming track, say --service; else look for a slip"
        }
        ReadingError::Service(_) => {
            "if it was sent on the layout, leave --service out; else look for a slip"
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
        Failure::Plan(PlanError::File(error))
        | Failure::AsBuilt(AsBuiltError::File(error))
        | Failure::Profile(ProfileError::File(error)) => {
            return problems::render_file_error(error, true);
        }
        Failure::Plan(PlanError::Problems(list))
        | Failure::AsBuilt(AsBuiltError::Problems(list)) => return problems::render(list, true),
        Failure::Profile(ProfileError::Problems(list)) => return problems::render(list, true),
        Failure::Usage { .. }
        | Failure::Settings(_)
        | Failure::Record(_)
        | Failure::Phone(_)
        | Failure::Door(_)
        | Failure::Open(_)
        | Failure::Ports(_)
        | Failure::Interrupted
        | Failure::Hex(_)
        | Failure::Packet(_)
        | Failure::Run(_)
        | Failure::Witness(_)
        | Failure::Serve(_)
        | Failure::Log { .. }
        | Failure::LogUnread { .. }
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
