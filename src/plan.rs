//! The plan: what should be there, as its owner wrote it down.
//!
//! The types here can only hold a plan that is sound in itself: every id is known, every
//! address in range. What a person may still want to know about such a plan is the business of
//! `check`.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use throwproof_protocol::address::{KeyedAddress, Numbering, PairBit, Position};

use crate::textfile::{FileError, TextFile};
use crate::toml_reader::Problems;

mod choices;
pub mod draft;
pub mod finding;
pub mod joint;
pub mod lamps;
pub mod look;
mod read;
pub(crate) mod sound;
pub mod teaching;
pub mod wire;

pub use draft::Draft;
pub use finding::{Finding, Severity};
pub use joint::part::Part;
pub use joint::{Joint, JointDrive, NamedPosition};
pub use lamps::{Colour, Face, Glow, Lamp, Lit, Sort};
pub use look::Look;
pub(crate) use read::teaching::keys as teaching_keys;
pub use teaching::Teaching;
pub use wire::{Gauge, Run, Wire};

/// The name a person gave a turnout, signal, decoder or supply: `Q1`, `quay`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Id(Arc<str>);

impl Id {
    /// An id as it stands in the plan.
    pub fn new(text: &str) -> Self {
        Self(text.into())
    }

    /// The id's text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// What should be there.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Where the plan was read from; empty for one made in memory.
    pub source: PathBuf,
    /// The `[layout]` table.
    pub layout: Layout,
    /// Every `[supply.ID]`, in the order of the file.
    pub supplies: Vec<Supply>,
    /// Every `[decoder.ID]`, in the order of the file.
    pub decoders: Vec<Decoder>,
    /// Every `[[turnout]]`, in the order of the file.
    pub turnouts: Vec<Turnout>,
    /// Every `[[signal]]`, in the order of the file.
    pub signals: Vec<Signal>,
}

/// What holds for the whole layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// The layout's name.
    pub name: String,
    /// How the station turns keyed numbers into binary addresses.
    pub numbering: Numbering,
    /// The position each turnout is left in, unless it says otherwise itself.
    pub rest: Position,
    /// How soon after each other turnouts are thrown in use, as by routes, milliseconds; `None`
    /// where the plan does not say.
    pub throw_gap_ms: Option<u32>,
}

/// What feeds decoders.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// Its id.
    pub id: Id,
    /// The track itself, or a supply of its own.
    pub kind: SupplyKind,
    /// Open-circuit voltage, volts.
    pub volts: f64,
    /// Rated current, amperes.
    pub amps: f64,
    /// Internal resistance with its wires, ohms; `None` where the plan does not say.
    pub internal_ohms: Option<f64>,
    /// A capacitor discharge unit between the supply and the decoders.
    pub capacitor: Option<Capacitor>,
    /// Current that trips it, amperes; `None` where the plan does not say.
    pub trip_amps: Option<f64>,
    /// How long that current must flow before it trips, milliseconds.
    pub trip_ms: Option<u32>,
    /// Line of the plan, from 1.
    pub line: u32,
}

/// Where a supply's power comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SupplyKind {
    /// The rails.
    Track,
    /// A supply apart from the rails.
    Separate,
}

/// A capacitor discharge unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capacitor {
    /// Capacitance, microfarads.
    pub microfarads: f64,
    /// Resistance it charges through, ohms.
    pub charge_ohms: f64,
}

/// An accessory decoder.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoder {
    /// Its id.
    pub id: Id,
    /// How many outputs (pairs of terminals) it has: 1 to 64.
    pub outputs: u8,
    /// Keyed address of output 1; the others follow.
    pub first_address: KeyedAddress,
    /// Index in [`Plan::supplies`] of what feeds its outputs; `None` where the plan does not
    /// say, which the simulated track takes as an ideal supply of 16 V.
    pub supply: Option<usize>,
    /// What its outputs do when commanded.
    pub output_kind: OutputKind,
    /// How long an output stays on by itself, milliseconds; 0 means until released
    /// (S-9.2.2, CV 515 to 518: 0 is continuous).
    pub pulse_ms: u32,
    /// What an output may carry, amperes.
    pub max_output_amps: Option<f64>,
    /// How it is given its address.
    pub learns: Learns,
    /// Which accessory packets it obeys.
    pub format: PacketFormat,
    /// Where on the layout it is; empty where the plan does not say.
    pub place: String,
    /// Which first addresses it can be given.
    pub block_start: BlockStart,
    /// What it draws itself, amperes; `None` where the plan does not say.
    pub idle_amps: Option<f64>,
    /// What all its outputs together may carry, amperes.
    pub max_total_amps: Option<f64>,
    /// What brings it power; `None` where the plan does not say.
    pub wire: Option<Run>,
    /// What is particular about giving it its address.
    pub teaching: Teaching,
    /// Line of the plan, from 1.
    pub line: u32,
}

/// What a decoder's output does when commanded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputKind {
    /// One of a pair on for a time, then off by itself.
    Pulse,
    /// One of the pair stays on until the other is commanded.
    Steady,
    /// Drives a servo to one of two angles.
    Servo,
    /// Two wires whose polarity follows the command.
    StallMotor,
}

/// How a decoder is given its address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Learns {
    /// Learn mode: the first accessory command received gives the address.
    FirstCommand,
    /// CV 1 and 9 hold the address of its first output (S-9.2.2, CV 29 bit 6 = 1).
    CvOutput,
    /// CV 1 and 9 hold its decoder address (S-9.2.2, CV 29 bit 6 = 0).
    CvDecoder,
    /// Switches on the board.
    Switches,
}

/// Which first addresses a decoder can be given.
///
/// S-9.2.2 (July 2012), CV 1 and 9: a decoder address holds four outputs, so a decoder that
/// knows nothing finer starts at 4k + 1. That boards of eight outputs may want 8k + 1 is common
/// practice, no source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum BlockStart {
    /// Any address.
    #[serde(rename = "any")]
    Any,
    /// 1, 5, 9, 13, …
    #[serde(rename = "4k+1")]
    EveryFourth,
    /// 1, 9, 17, 25, …
    #[serde(rename = "8k+1")]
    EveryEighth,
}

/// Which accessory packets a decoder obeys (S-9.2.2, CV 29 bit 5).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PacketFormat {
    /// Basic accessory packets.
    Basic,
    /// Extended accessory packets.
    Extended,
}

/// One output of a decoder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct OutputRef {
    /// Index in [`Plan::decoders`].
    pub decoder: usize,
    /// The output, from 1.
    pub number: u8,
}

/// A turnout.
#[derive(Debug, Clone, PartialEq)]
pub struct Turnout {
    /// Its id.
    pub id: Id,
    /// Where on the layout it is; empty where the plan does not say.
    pub place: String,
    /// Its shape.
    pub shape: Shape,
    /// The number a person keys to throw it.
    pub address: KeyedAddress,
    /// The decoder output that drives it; `None` where the plan gives only an address and no
    /// decoder of the plan has that address.
    pub output: Option<OutputRef>,
    /// What moves its blades.
    pub drive: Drive,
    /// How many drives that output moves together: 1, or 2 for a crossover.
    pub drives: u8,
    /// The pair bit that commands `straight`: [`PairBit::One`] is the standard's sense.
    pub straight_bit: PairBit,
    /// Current of one drive, amperes; `None` where the plan does not say.
    pub amps: Option<f64>,
    /// Whether the layout reports its position.
    pub position_reports: bool,
    /// The position it is left in.
    pub rest: Position,
    /// Whether another turnout is meant to have the same address, as the ends of a crossover.
    pub shares_address: bool,
    /// What has to be looked at closer before it is accepted.
    pub accept: Vec<Look>,
    /// What it has beyond one drive, for a turnout with several drives that is one thing.
    pub joint: Option<Joint>,
    /// Where it is one drive of such a turnout, taken by itself: see [`Plan::apart`].
    pub part: Option<Part>,
    /// Which packets command it.
    pub format: PacketFormat,
    /// For an extended one: how long its output is switched on, milliseconds; `None` is until
    /// the next command.
    pub on_ms: Option<u32>,
    /// Its leads, from the output to the drive.
    pub wire: Option<Wire>,
    /// The shortest pulse, or the travel time, that its drive needs, milliseconds; `None` where
    /// the plan does not say.
    pub needs_ms: Option<u32>,
    /// Line of the plan, from 1.
    pub line: u32,
}

impl Turnout {
    /// The pair bit that commands `position`.
    pub fn pair_bit(&self, position: Position) -> PairBit {
        match position {
            Position::Straight => self.straight_bit,
            Position::Diverging => self.straight_bit.opposite(),
        }
    }
}

/// The shape of a turnout.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// The diverging route goes left, seen from the toe.
    Left,
    /// The diverging route goes right, seen from the toe.
    Right,
    /// Both routes curve away.
    Wye,
    /// Both routes curve the same way; the outer one counts as straight.
    Curved,
    /// A three-way turnout, or one half of it.
    ThreeWay,
    /// A slip with one pair of slip roads.
    SingleSlip,
    /// A slip with two.
    DoubleSlip,
    /// Two turnouts that connect parallel tracks and move together.
    Crossover,
    /// Two crossovers between parallel tracks that cross each other.
    Scissors,
}

/// What moves a turnout's blades.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Drive {
    /// Two solenoids on one armature.
    TwinCoil,
    /// A geared motor that stalls at either end and stays powered.
    StallMotor,
    /// A servo.
    Servo,
    /// A wire that shortens when heated, against a spring.
    MemoryWire,
}

/// A signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Its id.
    pub id: Id,
    /// Where on the layout it is; empty where the plan does not say.
    pub place: String,
    /// Its keyed address; the first one of several for [`SignalKind::Pairs`].
    pub address: KeyedAddress,
    /// How aspects are commanded.
    pub kind: SignalKind,
    /// The decoder output that shows it, as for a turnout.
    pub output: Option<OutputRef>,
    /// Its aspects, in the order of the file.
    pub aspects: Vec<Aspect>,
    /// What it is: a signal, or something else that is switched like one.
    pub sort: Sort,
    /// Its lamps from top to bottom; empty where the plan does not describe them.
    pub lamps: Vec<Lamp>,
    /// The aspect that the plan says to leave it in; see [`Signal::most_restrictive`].
    pub restrictive: Option<Id>,
    /// For an uncoupler: how long its output is on, milliseconds; `None` is as its decoder has it.
    pub on_ms: Option<u32>,
    /// Line of the plan, from 1.
    pub line: u32,
}

impl Signal {
    /// How many addresses it takes: 1, or as many as the values of a [`SignalKind::Pairs`]
    /// signal need.
    pub fn addresses(&self) -> u8 {
        self.kind
            .addresses(self.aspects.iter().map(|aspect| aspect.value))
    }
}

/// How a signal's aspects are commanded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SignalKind {
    /// One extended accessory packet; the aspect's value is its data byte.
    Extended,
    /// Basic accessory packets; value `n` is pair bit `n mod 2` at the address `n div 2` above
    /// the signal's own.
    Pairs,
}

impl SignalKind {
    /// How many addresses a signal of this kind takes for aspects of these values.
    pub fn addresses(self, values: impl IntoIterator<Item = u8>) -> u8 {
        match self {
            Self::Extended => 1,
            Self::Pairs => values.into_iter().max().unwrap_or(0) / 2 + 1,
        }
    }
}

/// One aspect of a signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aspect {
    /// Its name in the plan: `stop`.
    pub name: Id,
    /// Its value, as [`SignalKind`] says.
    pub value: u8,
    /// The lamps it lights; `None` where the plan does not say.
    pub lit: Option<Vec<Lit>>,
}

/// Why a plan can't be used.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// The file can't be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// What the file says can't be a plan.
    #[error(transparent)]
    Problems(#[from] Problems),
}

impl Plan {
    /// Reads a plan that can be driven.
    ///
    /// # Errors
    /// When the file can't be read or understood, or has a finding that is an error.
    pub fn load(path: &Path) -> Result<Self, PlanError> {
        Ok(Draft::read(path)?.into_plan()?)
    }

    /// The same, with this numbering where the plan gives none.
    ///
    /// # Errors
    /// As [`Plan::load`].
    pub fn load_assuming(path: &Path, numbering: Numbering) -> Result<Self, PlanError> {
        Ok(Draft::read_assuming(path, numbering)?.into_plan()?)
    }

    /// Reads a plan from text; `path` is what messages call it.
    ///
    /// # Errors
    /// As [`Plan::load`].
    pub fn from_text(path: impl Into<PathBuf>, text: &str) -> Result<Self, Problems> {
        Draft::parse(TextFile::from_text(path, text))?.into_plan()
    }

    /// The turnout of that id.
    pub fn turnout(&self, id: &str) -> Option<&Turnout> {
        self.turnouts
            .iter()
            .find(|turnout| turnout.id.as_str() == id)
    }

    /// The signal of that id.
    pub fn signal(&self, id: &str) -> Option<&Signal> {
        self.signals.iter().find(|signal| signal.id.as_str() == id)
    }
}
