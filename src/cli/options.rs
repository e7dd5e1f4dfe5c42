//! Options that several commands share.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::builder::FalseyValueParser;
use clap::{ArgAction, Args, ValueEnum};
use throwproof_protocol::address::Numbering;
use throwproof_protocol::lcc::NodeId;

use super::Failure;
use crate::phone::Listen;
use crate::record;
use crate::sweep::RECONNECT;
use crate::view::packet::DataReading;

mod link_name;

pub(super) use link_name::{LinkName, Place};

/// Above the options of every command, in the help.
const EVERYWHERE: &str = "Options of every command";

/// Options of every command.
#[derive(Debug, Args)]
pub struct Global {
    /// Say on standard error what happens; given twice, every packet
    #[arg(short, long, global = true, action = ArgAction::Count, help_heading = EVERYWHERE)]
    pub(super) verbose: u8,

    /// Write what happens to this file instead, every packet of it
    #[arg(long, global = true, value_name = "FILE", help_heading = EVERYWHERE)]
    pub(super) log: Option<PathBuf>,

    /// How results are written: `text` for people, `json` one object a line; for `check` also
    /// `sarif`
    #[arg(
        long,
        global = true,
        value_enum,
        default_value_t,
        value_name = "FORMAT"
    )]
    #[arg(hide_possible_values = true, help_heading = EVERYWHERE)]
    pub(super) format: FormatName,
}

/// What `--format` is given.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum FormatName {
    /// For people; may change.
    #[default]
    Text,
    /// One JSON object a line; documented.
    Json,
    /// SARIF 2.1.0, of findings.
    Sarif,
}

impl FormatName {
    /// What every command can write.
    ///
    /// # Errors
    /// When it is one that only findings have; `what` is what has no such form.
    pub(super) fn plain(self, what: &str) -> Result<Format, Failure> {
        match self {
            Self::Text => Ok(Format::Text),
            Self::Json => Ok(Format::Json),
            Self::Sarif => Err(Failure::usage(
                format!("{what} can't be written as SARIF"),
                "SARIF is for the findings of `check PLAN`; use --format json",
            )),
        }
    }
}

/// How results are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// For people; may change.
    Text,
    /// One JSON object a line; documented.
    Json,
}

/// Where runs are kept.
#[derive(Debug, Args)]
pub(super) struct RecordAt {
    /// The record, a file that keeps every run; on the simulated track `none` keeps nothing
    /// [default: beside the plan, with the ending `.record`]
    #[arg(
        long,
        value_name = "FILE",
        env = "THROWPROOF_RECORD",
        hide_env_values = true
    )]
    record: Option<PathBuf>,
}

/// Where the runs of a plan are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum RecordPlace {
    /// The file that was named.
    Named(PathBuf),
    /// Nowhere, as was asked for.
    Nowhere,
    /// Beside the plan.
    Beside(PathBuf),
}

impl RecordAt {
    /// Where the runs of that plan are kept.
    pub(super) fn place(&self, plan: &Path) -> RecordPlace {
        match &self.record {
            Some(word) if word.as_os_str() == "none" => RecordPlace::Nowhere,
            Some(file) => RecordPlace::Named(file.clone()),
            None => RecordPlace::Beside(record::beside(plan)),
        }
    }
}

/// How the layout is reached, and who looks.
#[derive(Debug, Args)]
pub(super) struct Reach {
    /// How packets leave the computer: `track`, the simulated track; `lcc:PORT`, `lcc:PORT@BAUD`
    /// or `lcc:tcp:HOST:PORT`, an LCC bus; `profile:FILE:PORT` or `profile:FILE:tcp:HOST:PORT`, a
    /// station whose protocol FILE describes
    #[arg(long, default_value = "track", value_name = "LINK")]
    pub(super) link: LinkName,

    /// What is really there, faults included; the simulated track is built by it
    #[arg(long, value_name = "FILE")]
    pub(super) as_built: Option<PathBuf>,

    /// Who says what is seen: `ask`, the operator at this terminal; `phone`, the operator on a
    /// page that a phone opens, or here; `reports`, the layout's own position reports; `track`,
    /// the simulated track [default: `track` on the simulated track, else `ask`]
    #[arg(long, value_enum, value_name = "WITNESS", hide_possible_values = true)]
    pub(super) witness: Option<WitnessName>,

    /// I have read the cautions (`throwproof cautions`) that are shown before a real layout is
    /// driven for the first time
    #[arg(long, env = "THROWPROOF_CAUTIONS_READ", value_parser = FalseyValueParser::new())]
    #[arg(hide_env = true)]
    pub(super) cautions_read: bool,

    /// Where `--witness phone` serves its page: an address of this computer, or 0.0.0.0 for all of
    /// them; without it, this computer alone can open the page. Port 17845, unless one is named
    /// or it is taken
    #[arg(long, value_name = "ADDRESS[:PORT]")]
    pub(super) listen: Option<Listen>,

    /// How long a lost link is waited for
    #[arg(long, value_name = "SECONDS", default_value_t = RECONNECT.as_secs())]
    pub(super) reconnect: u64,

    /// The id of this program as a node of an LCC bus, as in 0A.12.34.56.78.9A [default: one that
    /// is drawn once and kept]
    #[arg(long, value_name = "ID")]
    pub(super) node_id: Option<NodeId>,

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

/// Above the options of questions, in the help.
const ASKING: &str = "Where the operator is asked";

/// How the operator is asked.
#[derive(Debug, Args)]
pub(super) struct Asking {
    /// Hide where it was sent until the answer is in
    #[arg(long, help_heading = ASKING)]
    pub(super) blind: bool,

    /// Ask in plain sentences without drawings, for a screen reader
    #[arg(long, help_heading = ASKING)]
    pub(super) plain: bool,

    /// Ring the terminal's bell when a question opens; while it throws by itself, once for
    /// straight and twice for diverging
    #[arg(long, help_heading = ASKING)]
    pub(super) bell: bool,

    /// Have each question spoken: run COMMAND with the text as its last argument; words of
    /// COMMAND are parted by spaces, and no shell reads it
    #[arg(long, value_name = "COMMAND", help_heading = ASKING)]
    pub(super) say: Option<String>,
}

/// The witnesses there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum WitnessName {
    /// The operator at this terminal.
    Ask,
    /// The operator, on a page that phones open.
    Phone,
    /// The layout's own position reports.
    Reports,
    /// The simulated track itself.
    Track,
}

impl Reach {
    /// Whether the layout is the simulated track.
    pub(super) fn is_rehearsal(&self) -> bool {
        matches!(self.link, LinkName::Track)
    }

    /// Who looks.
    pub(super) fn witness(&self) -> WitnessName {
        self.witness.unwrap_or(match self.link {
            LinkName::Track => WitnessName::Track,
            LinkName::Lcc(_) | LinkName::Profile(..) => WitnessName::Ask,
        })
    }

    /// How long a lost link is waited for.
    pub(super) fn patience(&self) -> Duration {
        Duration::from_secs(self.reconnect)
    }
}

/// What the data byte of an extended packet may be read as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum DataChoice {
    /// How long an output stays on.
    SwitchingTime,
    /// A signal aspect.
    Signal,
}

impl From<DataChoice> for DataReading {
    fn from(choice: DataChoice) -> Self {
        match choice {
            DataChoice::SwitchingTime => Self::SwitchingTime,
            DataChoice::Signal => Self::Signal,
        }
    }
}
