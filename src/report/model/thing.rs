//! What a report says of a turnout or a signal.

use std::borrow::Cow;

use serde::Serialize;

use super::{Moment, State};
use crate::drawing::Route;
use crate::event::Step;
use crate::event::diagnosis::{Came, Cause, Parting};
use crate::plan::{Drive, Face, Shape, SignalKind, Sort};
use crate::verdict::Verdict;
use crate::witness::{Found, Observed};

/// A turnout or a signal: what it is and how it stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Thing {
    /// Its id.
    pub id: String,
    /// A turnout or a signal, and what only that has.
    #[serde(flatten)]
    pub kind: Kind,
    /// The address that a person keys; the first one of several.
    pub address: u16,
    /// The last of several; the same for one.
    pub last_address: u16,
    /// The address on the rails.
    pub binary_address: u16,
    /// Its decoder, where the plan knows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decoder: Option<String>,
    /// Its output there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output: Option<u8>,
    /// The supply of that decoder.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<String>,
    /// Of a turnout with several drives: how each is reached, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub each_drive: Vec<DriveLine>,
    /// And the positions that it has.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<PositionLine>,
    /// How it stands.
    pub state: State,
    /// The verdict of the last run that tried it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// Which others moved, or why it was skipped.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub detail: String,
    /// The run that gave the verdict.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<i64>,
    /// Since when every run that tried it gave that verdict.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<Moment>,
    /// A later run that left it out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_out: Option<i64>,
    /// The acceptance list.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub looks: Vec<LookLine>,
    /// Whether it is proved and its list, if any, is passed.
    pub accepted: bool,
    /// What was written down, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<NoteLine>,
    /// The throws that the verdict is made of.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub throws: Vec<Throw>,
    /// What the newest diagnosis that says something about it came to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub diagnosis: Option<Box<DiagnosisLine>>,
    /// Likely causes, if it failed, most likely first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub advice: Vec<AdviceLine>,
}

/// One of several drives of a turnout.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DriveLine {
    /// The address that a person keys.
    pub address: u16,
    /// The address on the rails.
    pub binary_address: u16,
    /// Its decoder, where the plan knows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decoder: Option<String>,
    /// Its output there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output: Option<u8>,
    /// Which of the pair of terminals throws it straight.
    pub straight_terminal: u8,
}

/// A position of a turnout with several drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PositionLine {
    /// Its name.
    pub name: String,
    /// How each drive lies then: `straight` or `diverging`.
    pub drives: Vec<&'static str>,
    /// The route by which it is drawn, where it can be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub route: Option<Route>,
}

/// What a turnout has and a signal has not, and the other way round.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Kind {
    /// A turnout.
    Turnout {
        /// Its shape.
        shape: Shape,
        /// What moves it.
        drive: Drive,
        /// How many drives move together.
        drives: u8,
        /// Which of the pair of terminals throws it straight: 1 in the standard's sense, or 0.
        straight_terminal: u8,
    },
    /// A signal.
    Signal {
        /// How its aspects are commanded.
        commanded_by: SignalKind,
        /// Its aspects.
        aspects: Vec<AspectLine>,
        /// What it is, where it is no signal but switched like one.
        #[serde(skip_serializing_if = "is_signal")]
        sort: Sort,
    },
}

/// One aspect.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AspectLine {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: u8,
    /// The lamps it lights, in words; empty where the plan does not say.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub shows: String,
    /// The same for a drawing.
    #[serde(skip)]
    pub face: Option<Face>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "what serde hands over")]
fn is_signal(sort: &Sort) -> bool {
    *sort == Sort::Signal
}

/// One point of an acceptance list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LookLine {
    /// What is looked at: the plan's word, or its own words.
    pub look: String,
    /// What was found last; nothing where nobody looked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found: Option<Found>,
}

/// A note.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NoteLine {
    /// When.
    pub at: Moment,
    /// The words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub text: String,
    /// Name of a photo.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub photo: String,
}

/// A throw and what was seen of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Throw {
    /// Its number in the run.
    pub throw: u64,
    /// Why it was made.
    pub step: Step,
    /// Where it was sent.
    pub commanded: String,
    /// What was seen.
    pub observed: Observed,
    /// Which others moved though they are not meant to.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub others: Vec<String>,
    /// The same in words.
    pub words: String,
    /// Whether that is as it was sent, or no evidence against it.
    pub as_sent: bool,
    /// Whether the station left it without an answer.
    pub unanswered: bool,
}

/// A likely cause and what to try. Common practice, no source; or what a diagnosis came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AdviceLine {
    /// What it may be.
    pub cause: Cow<'static, str>,
    /// What to try.
    pub attempt: Cow<'static, str>,
    /// Where a diagnosis says it: how sure it is, per cent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub percent: Option<u8>,
    /// What to mind doing so: a code of the cautions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub caution: Option<&'static str>,
}

/// What a diagnosis came to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DiagnosisLine {
    /// The turnout that was diagnosed, where that is another one: this one is explained by it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by_way_of: Option<String>,
    /// The run.
    pub run: i64,
    /// When it came to its end.
    pub at: Moment,
    /// How it ended.
    #[serde(rename = "ended")]
    pub kind: Came,
    /// The same in a sentence or two.
    pub text: String,
    /// The causes that it names: the one, or those that remain, the likeliest first.
    pub causes: Vec<Cause>,
    /// The one measurement that would part what remains.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parting: Option<Parting>,
    /// Other turnouts that the likeliest cause explains too.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub explains: Vec<String>,
    /// When the cause was said to be mended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mended: Option<Moment>,
    /// What became of it since.
    pub since_then: After,
    /// Whether it says why the turnout fails as it does now.
    pub holds: bool,
}

/// What became of a turnout after its diagnosis.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum After {
    /// Nothing yet.
    Nothing,
    /// It was said to be mended, and not put to the proof.
    Mended,
    /// It was proved.
    Proved,
    /// It was said to be mended, and fails.
    StillFails,
}

impl Thing {
    /// Is it a turnout?
    pub fn is_turnout(&self) -> bool {
        matches!(self.kind, Kind::Turnout { .. })
    }
}
