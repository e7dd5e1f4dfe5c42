//! Exit codes.

use std::process::ExitCode;

use crate::event::StopReason;

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All proved, or nothing found.
    Clean,
    /// Something failed or was found.
    Found,
    /// Wrong usage, or input that can't be used.
    Usage,
    /// The link failed.
    Link,
    /// Stopped by the operator.
    Stopped,
}

impl Exit {
    /// The number for the shell.
    pub const fn code(self) -> u8 {
        match self {
            Self::Clean => 0,
            Self::Found => 1,
            Self::Usage => 2,
            Self::Link => 3,
            Self::Stopped => 4,
        }
    }
}

impl From<StopReason> for Exit {
    /// How the program ends when that ended a run.
    fn from(reason: StopReason) -> Self {
        match reason {
            StopReason::Link => Self::Link,
            StopReason::Operator
            | StopReason::Interrupt
            | StopReason::TerminalLost
            | StopReason::Fault => Self::Stopped,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        exit.code().into()
    }
}
