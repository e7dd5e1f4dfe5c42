//! A plan as it was written: understood, but not yet known to be sound.
//!
//! Names of decoders and supplies are not looked up and addresses may be any number, so that
//! everything wrong with them can be told at once.

use std::path::Path;

use throwproof_protocol::address::{Numbering, PairBit, Position};

use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Document, Located, Problems};

use super::finding::Finding;
use super::sound::{self, Resolution};
use super::{
    Aspect, BlockStart, Drive, Id, Lamp, Layout, Learns, Look, NamedPosition, OutputKind,
    PacketFormat, Plan, PlanError, Shape, SignalKind, Sort, Supply, Teaching, Wire, read,
};

/// A plan as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The file it was read from.
    pub file: TextFile,
    /// The `[layout]` table.
    pub layout: Layout,
    /// Every `[supply.ID]`, in the order of the file.
    pub supplies: Vec<Supply>,
    /// Every `[decoder.ID]`, in the order of the file.
    pub decoders: Vec<DraftDecoder>,
    /// Every `[[turnout]]`, in the order of the file.
    pub turnouts: Vec<DraftTurnout>,
    /// Every `[[signal]]`, in the order of the file.
    pub signals: Vec<DraftSignal>,
}

/// A decoder as it was written; what its fields are, [`super::Decoder`] says.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "documented at `plan::Decoder`")]
pub struct DraftDecoder {
    pub id: Located<Id>,
    pub outputs: u8,
    pub first_address: Located<i64>,
    pub supply: Option<Located<Id>>,
    pub output_kind: OutputKind,
    pub pulse_ms: u32,
    pub max_output_amps: Option<f64>,
    pub learns: Learns,
    pub format: PacketFormat,
    pub place: String,
    pub block_start: BlockStart,
    pub idle_amps: Option<f64>,
    pub max_total_amps: Option<f64>,
    pub wire: Option<DraftRun>,
    pub teaching: Teaching,
    /// Its header.
    pub span: Span,
}

/// What brings power to a decoder, as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct DraftRun {
    /// The wire.
    pub wire: Wire,
    /// The decoder at which it begins; the supply where there is none.
    pub from: Option<Located<Id>>,
}

/// How a turnout or signal is reached, as it was written: by its address, by an output, or by
/// both.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// `address`.
    pub address: Option<Located<i64>>,
    /// `decoder` and `output`.
    pub output: Option<(Located<Id>, Located<i64>)>,
    /// Where to point at for the whole of it.
    pub span: Span,
}

impl Wiring {
    /// Whether nothing says how it is reached: [`Draft::parse_unwired`] takes that.
    pub fn is_missing(&self) -> bool {
        self.address.is_none() && self.output.is_none()
    }
}

/// A turnout as it was written; what its fields are, [`super::Turnout`] says.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "documented at `plan::Turnout`")]
pub struct DraftTurnout {
    pub id: Located<Id>,
    pub place: String,
    pub shape: Shape,
    pub wiring: Wiring,
    pub drive: Drive,
    pub drives: u8,
    pub straight_bit: PairBit,
    pub amps: Option<f64>,
    pub position_reports: bool,
    pub rest: Position,
    pub shares_address: bool,
    pub accept: Vec<Look>,
    pub joint: Option<DraftJoint>,
    pub format: PacketFormat,
    pub on_ms: Option<u32>,
    pub wire: Option<Wire>,
    pub needs_ms: Option<u32>,
    /// Its header.
    pub span: Span,
}

/// What a turnout with several drives has beyond one, as it was written; what its fields are,
/// [`super::Joint`] says.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "documented at `plan::Joint`")]
pub struct DraftJoint {
    /// How each drive but the first is reached, and the pair bit of its straight.
    pub further: Vec<(Wiring, PairBit)>,
    pub positions: Vec<NamedPosition>,
    pub rest: Id,
    pub free_passage: bool,
}

/// A signal as it was written; what its fields are, [`super::Signal`] says.
#[derive(Debug, Clone, PartialEq)]
#[expect(missing_docs, reason = "documented at `plan::Signal`")]
pub struct DraftSignal {
    pub id: Located<Id>,
    pub place: String,
    pub wiring: Wiring,
    pub kind: SignalKind,
    pub aspects: Vec<Aspect>,
    pub sort: Sort,
    pub lamps: Vec<Lamp>,
    pub restrictive: Option<Id>,
    pub on_ms: Option<u32>,
    /// Whether another signal is meant to have the same address, as a repeater has.
    pub shares_address: bool,
    /// Its header.
    pub span: Span,
}

impl DraftSignal {
    /// How many addresses it takes.
    pub fn addresses(&self) -> u8 {
        self.kind
            .addresses(self.aspects.iter().map(|aspect| aspect.value))
    }
}

impl Draft {
    /// Reads a plan without judging what it says.
    ///
    /// # Errors
    /// When the file can't be read or understood.
    pub fn read(path: &Path) -> Result<Self, PlanError> {
        Self::read_assuming(path, Numbering::default())
    }

    /// The same, with this numbering where the plan gives none.
    ///
    /// # Errors
    /// As [`Draft::read`].
    pub fn read_assuming(path: &Path, numbering: Numbering) -> Result<Self, PlanError> {
        Ok(Self::parse_assuming(TextFile::read(path)?, numbering)?)
    }

    /// The same from a file in memory.
    ///
    /// # Errors
    /// When it can't be understood.
    pub fn parse(file: TextFile) -> Result<Self, Problems> {
        Self::parse_assuming(file, Numbering::default())
    }

    /// Reads a plan in which turnouts and signals may lack both `address` and `decoder` with
    /// `output`, for these to be found. Such a draft is no plan yet: [`Draft::into_plan`] fails.
    ///
    /// # Errors
    /// As [`Draft::parse`].
    pub fn parse_unwired(file: TextFile, assumed: Numbering) -> Result<Self, Problems> {
        Self::parse_as(file, assumed, true)
    }

    fn parse_assuming(file: TextFile, numbering: Numbering) -> Result<Self, Problems> {
        Self::parse_as(file, numbering, false)
    }

    fn parse_as(file: TextFile, numbering: Numbering, unwired: bool) -> Result<Self, Problems> {
        let outcome = match Document::parse(&file) {
            Ok(document) => {
                if unwired {
                    document.forgive("address");
                }
                let parts = read::parts(&file, &document, numbering);
                parts
                    .filter(|_| document.is_sound())
                    .ok_or_else(|| document.into_problems())
            }
            Err(problems) => Err(problems),
        };
        match outcome {
            Ok(parts) => Ok(Self {
                file,
                layout: parts.layout,
                supplies: parts.supplies,
                decoders: parts.decoders,
                turnouts: parts.turnouts,
                signals: parts.signals,
            }),
            Err((list, more)) => Err(Problems { file, list, more }),
        }
    }

    /// What in it can't be right: every finding that is an error, in the order of the file.
    pub fn errors(&self) -> Vec<Finding> {
        sound::resolve(self).1
    }

    /// Who is reached how, as far as that can be told, and what can't be right.
    pub(crate) fn resolve(&self) -> (Resolution, Vec<Finding>) {
        sound::resolve(self)
    }

    /// The plan, if nothing in it is an error.
    ///
    /// # Errors
    /// Every finding that is an error.
    pub fn into_plan(self) -> Result<Plan, Problems> {
        if self.things().any(|thing| thing.wiring.is_missing()) {
            // Only a lenient reading has them, and a strict one tells each.
            return match Self::parse_assuming(self.file, self.layout.numbering) {
                Ok(strict) => strict.into_plan(),
                Err(problems) => Err(problems),
            };
        }
        let (resolution, errors) = sound::resolve(&self);
        if errors.is_empty() {
            return Ok(sound::build(self, &resolution));
        }
        let list = errors.into_iter().map(Finding::into_problem).collect();
        Err(Problems {
            file: self.file,
            list,
            more: 0,
        })
    }
}
