//! Options that several commands share.

use std::path::PathBuf;
use std::str::FromStr;

use clap::{ArgAction, Args, ValueEnum};
use throwproof_protocol::address::Numbering;

/// Options of every command.
#[derive(Debug, Args)]
pub struct Global {
    /// Say on standard error what happens; given twice, every packet
    #[arg(short, long, global = true, action = ArgAction::Count)]
    pub(super) verbose: u8,

    /// Write what happens to this file instead, every packet of it
    #[arg(long, global = true, value_name = "FILE")]
    pub(super) log: Option<PathBuf>,

    /// How results are written
    #[arg(
        long,
        global = true,
        value_enum,
        default_value_t,
        value_name = "FORMAT"
    )]
    pub(super) format: Format,
}

/// How results are written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people; may change.
    #[default]
    Text,
    /// One JSON object a line; documented.
    Json,
}

/// How the layout is reached, and who looks.
#[derive(Debug, Args)]
pub(super) struct Reach {
    /// How packets leave the computer: `track`, the simulated track
    #[arg(long, default_value = "track", value_name = "LINK")]
    pub(super) link: LinkName,

    /// What is really there, faults included; the simulated track is built by it
    #[arg(long, value_name = "FILE")]
    pub(super) as_built: Option<PathBuf>,

    /// Who says what is seen: the operator at this terminal, or the simulated track itself
    #[arg(long, value_enum, default_value_t, value_name = "WITNESS")]
    pub(super) witness: WitnessName,

    /// Seed for all that is random on the simulated track [default: 1]
    #[arg(long, value_name = "N")]
    pub(super) seed: Option<u64>,

    /// How the station numbers, where no plan says it: `linear`, `non-linear` or `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    pub(super) numbering: Option<Numbering>,

    /// Drive keyed addresses 2041 to 2044 too, which are broadcast and emergency stop as well
    #[arg(long)]
    pub(super) allow_reserved: bool,
}

/// The links there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LinkName {
    /// The simulated track.
    Track,
}

/// A link that there is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("no such link; write `track`")]
pub(super) struct NoSuchLink;

impl FromStr for LinkName {
    type Err = NoSuchLink;

    fn from_str(text: &str) -> Result<Self, NoSuchLink> {
        if text == "track" {
            Ok(Self::Track)
        } else {
            Err(NoSuchLink)
        }
    }
}

/// The witnesses there are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum WitnessName {
    /// The operator at this terminal.
    Ask,
    /// The simulated track itself.
    #[default]
    Track,
}
