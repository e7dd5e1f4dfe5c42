//! What an engine tells the world.
//!
//! Events are past-tense facts, owned and serialisable: the same type feeds the terminal, the
//! JSON lines, the record and the tests. Engines print nothing.

use serde::{Deserialize, Serialize};

use crate::plan::{Id, Look};
use crate::verdict::Verdict;
use crate::witness::{Found, Note, Observed, Seen};

pub mod diagnosis;
pub mod hub;
pub mod hunt;
pub mod teach;

pub use diagnosis::Diagnosed;
pub use hunt::Hunted;
pub use teach::Taught;

/// Version of the JSON event format; raised when a field changes its meaning or goes.
pub const FORMAT: u32 = 1;

/// One fact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// What happened.
    #[serde(flatten)]
    pub kind: EventKind,
    /// Place in the run, from 0, without gaps.
    pub seq: u64,
    /// Time since the run began on the link's clock, microseconds.
    pub at_us: u64,
}

/// A turnout of a group that did not arrive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missed {
    /// The turnout.
    pub id: Id,
    /// What was seen of it.
    pub observed: Observed,
}

/// What is proved: a turnout or a signal.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// A turnout of the plan.
    Turnout(Id),
    /// A signal of the plan.
    Signal(Id),
}

impl Subject {
    /// The id, whatever it is the id of.
    pub fn id(&self) -> &Id {
        match self {
            Self::Turnout(id) | Self::Signal(id) => id,
        }
    }
}

/// What was sent to one more drive of a turnout, in the same throw.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FurtherSent {
    /// Keyed address.
    pub address: u16,
    /// The packet, as hexadecimal bytes.
    pub packet: String,
}

/// Why a throw was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// To the far position first, so that the next throw is seen to move.
    Prime,
    /// The throw that proves a position.
    Visit,
    /// After the turnout was laid by hand, because no throw was seen to move it.
    AfterHand,
    /// Elsewhere, unobserved, so that the throw before it can be repeated.
    Back,
    /// Back to the position it is left in.
    Rest,
    /// For its own sake, by the operator's word.
    Single,
    /// Where it was sent already, while others of its place are thrown: it need not move.
    Keep,
    /// One after another with others, as a route would.
    Group,
}

/// The kinds of fact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(
    tag = "event",
    rename_all = "kebab-case",
    rename_all_fields = "snake_case"
)]
pub enum EventKind {
    /// A run began.
    RunStarted {
        /// Version of this format, [`FORMAT`].
        format: u32,
        /// Version of the program.
        version: String,
        /// Name of the layout.
        layout: String,
        /// Plan file, as it was named.
        plan: String,
        /// The link, as a person would name it.
        link: String,
        /// The witness.
        witness: String,
        /// Seed of the simulated track, where there is one.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        seed: Option<u64>,
        /// How many turnouts will be swept.
        turnouts: usize,
        /// How many signals.
        signals: usize,
        /// How often each position is visited.
        cycles: u32,
        /// Who tests, if they gave a name.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        tester: String,
        /// SHA-256 of the plan file, hexadecimal; empty for a plan that is no file.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        fingerprint: String,
        /// The run of the record that this one carries on.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        continues: Option<i64>,
    },
    /// A command went out.
    ThrowSent {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// Number of the throw in the run, from 1; the observation of it has the same.
        throw: u64,
        /// Why.
        step: Step,
        /// The position or aspect commanded.
        commanded: Id,
        /// Keyed address.
        address: u16,
        /// The packet, as hexadecimal bytes.
        packet: String,
        /// What was sent after it, to further drives of the same turnout.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        further: Vec<FurtherSent>,
    },
    /// The witness said what was seen of a throw.
    Observation {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// Number of the throw.
        throw: u64,
        /// Why it was thrown.
        step: Step,
        /// The position or aspect commanded.
        commanded: Id,
        /// What was seen.
        #[serde(flatten)]
        seen: Seen,
        /// Whether it was kept in an earlier part of the run already, which this one carries on.
        #[serde(skip_serializing_if = "std::ops::Not::not", default)]
        carried: bool,
    },
    /// The operator took an answer to a throw back: what was observed of it counts no more, nor
    /// does the verdict that it led to. The throw is made again. After a skip, the number is that
    /// of the throw that was skipped, and every turnout and signal it skipped has an event of its
    /// own.
    Withdrawn {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// Number of the throw.
        throw: u64,
    },
    /// The operator wrote something down.
    Noted {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// Number of the last throw before it.
        throw: u64,
        /// The note.
        #[serde(flatten)]
        note: Note,
    },
    /// All turnouts of a place were looked at together, as they lay. The observations of the
    /// throws before it follow.
    Surveyed {
        /// The place.
        place: String,
        /// Which look it was, from 1.
        round: u32,
        /// Of how many.
        rounds: u32,
        /// The turnouts shown, in the order of the plan.
        members: Vec<Id>,
        /// Those that lay otherwise than they were sent.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        differ: Vec<Id>,
        /// Whether it was kept in an earlier part of the run already, which this one carries on.
        #[serde(skip_serializing_if = "std::ops::Not::not", default)]
        carried: bool,
    },
    /// The operator looked closer, as the plan's acceptance list asks.
    Looked {
        /// The turnout.
        #[serde(flatten)]
        subject: Subject,
        /// What was looked at.
        look: Look,
        /// What was found.
        found: Found,
        /// Whether it was kept in an earlier part of the run already, which this one carries on.
        #[serde(skip_serializing_if = "std::ops::Not::not", default)]
        carried: bool,
    },
    /// A proved turnout has passed its acceptance list too.
    Accepted {
        /// The turnout.
        #[serde(flatten)]
        subject: Subject,
    },
    /// Turnouts were thrown one after another as a route would, and looked at together.
    GroupThrown {
        /// What they are called together: a place, or their ids.
        group: String,
        /// The gap from start to start, milliseconds.
        gap_ms: u32,
        /// The longest gap there really was: a link may not go as fast.
        kept_ms: u32,
        /// Whether they were thrown away from rest, or back to it.
        away: bool,
        /// The turnouts, in the order of the throws.
        members: Vec<Id>,
        /// Those that did not arrive.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        missed: Vec<Missed>,
    },
    /// The shortest gap between throws of a group that proved reliable was found, or that there is
    /// none.
    GapFound {
        /// The gap from start to start, milliseconds; without it, not even the widest did.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        gap_ms: Option<u32>,
        /// The longest gap there really was when it held: the link may not go as fast.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        kept_ms: Option<u32>,
        /// How often it had to hold, both ways.
        proofs: u32,
        /// Those that did not arrive with the next shorter gap, or with the widest.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        first_to_fail: Vec<Id>,
        /// What the plan's electrical figures expect, milliseconds.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        expected_ms: Option<u32>,
        /// Why they expect that.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        because: String,
    },
    /// The turnout was laid by hand, so that the next throw can be seen to move it.
    LaidByHand {
        /// The turnout.
        #[serde(flatten)]
        subject: Subject,
        /// Where it was laid.
        position: Id,
    },
    /// A turnout was not proved while others were thrown too, or a run that carries another on
    /// can't go on where that one ended: it is begun anew, and what was observed of it before
    /// counts no more.
    SweptAgain {
        /// The turnout.
        #[serde(flatten)]
        subject: Subject,
    },
    /// What all observations of a turnout or signal mean.
    Verdict {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// The verdict.
        verdict: Verdict,
        /// Where it is.
        place: String,
        /// Keyed address.
        address: u16,
        /// Why it was skipped, or which others moved; empty otherwise.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        detail: String,
        /// Whether it was kept in an earlier part of the run already, which this one carries on.
        #[serde(skip_serializing_if = "std::ops::Not::not", default)]
        carried: bool,
    },
    /// The station did not answer a packet; it may have come or not.
    Unanswered {
        /// Turnout or signal.
        #[serde(flatten)]
        subject: Subject,
        /// Number of the throw.
        throw: u64,
        /// The packet, as hexadecimal bytes.
        packet: String,
    },
    /// The link is gone; the run waits for it.
    LinkLost {
        /// What the link said.
        reason: String,
        /// How long it is waited for, seconds.
        patience_s: u64,
    },
    /// The link is back and every output released; the throw that it broke is made again.
    LinkReturned {},
    /// The layout wants nothing sent; the run waits.
    Held {
        /// Why.
        reason: String,
    },
    /// The layout may be driven again; the throw that was held is made again.
    Resumed {},
    /// The link failed; the run is over unless it comes back.
    LinkFailed {
        /// What the link said.
        reason: String,
    },
    /// The run ended before its end.
    Stopped {
        /// Who or what ended it.
        reason: StopReason,
    },
    /// The run ended; always the last event.
    Summary {
        /// How many turnouts and signals were proved.
        proved: usize,
        /// How many were not.
        failed: usize,
        /// How many were skipped.
        skipped: usize,
        /// How many were not reached.
        unreached: usize,
        /// How many throws were made.
        throws: u64,
        /// Time from first to last event on the link's clock, microseconds.
        elapsed_us: u64,
        /// Where throws were made several at a time: how long those took, microseconds.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        together_us: Option<u64>,
        /// And the least that they could take, by packet time, travel, settling and the
        /// supplies' recovery.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        bound_us: Option<u64>,
        /// Where the plan has acceptance lists: how many of the turnouts with one have passed it.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        accepted: Option<usize>,
    },
    /// A decoder is given its address.
    #[serde(untagged)]
    Teach(Taught),
    /// The address of a thing is looked for.
    #[serde(untagged)]
    Hunt(Hunted),
    /// The cause of a failing turnout is looked for.
    #[serde(untagged)]
    Diagnosis(Diagnosed),
}

impl EventKind {
    /// Whether it only repeats what an earlier run told, which this one carries on.
    pub fn is_carried(&self) -> bool {
        match self {
            Self::Observation { carried, .. }
            | Self::Surveyed { carried, .. }
            | Self::Looked { carried, .. }
            | Self::Verdict { carried, .. } => *carried,
            Self::RunStarted { .. }
            | Self::ThrowSent { .. }
            | Self::Withdrawn { .. }
            | Self::Noted { .. }
            | Self::Accepted { .. }
            | Self::GroupThrown { .. }
            | Self::GapFound { .. }
            | Self::LaidByHand { .. }
            | Self::SweptAgain { .. }
            | Self::Unanswered { .. }
            | Self::LinkLost { .. }
            | Self::LinkReturned {}
            | Self::Held { .. }
            | Self::Resumed {}
            | Self::LinkFailed { .. }
            | Self::Stopped { .. }
            | Self::Summary { .. }
            | Self::Teach(_)
            | Self::Hunt(_)
            | Self::Diagnosis(_) => false,
        }
    }

    /// Whom it is about, where that is one turnout or signal.
    pub fn subject(&self) -> Option<&Subject> {
        match self {
            Self::ThrowSent { subject, .. }
            | Self::Observation { subject, .. }
            | Self::Withdrawn { subject, .. }
            | Self::Noted { subject, .. }
            | Self::Looked { subject, .. }
            | Self::Accepted { subject }
            | Self::LaidByHand { subject, .. }
            | Self::SweptAgain { subject }
            | Self::Verdict { subject, .. }
            | Self::Unanswered { subject, .. } => Some(subject),
            Self::RunStarted { .. }
            | Self::Surveyed { .. }
            | Self::GroupThrown { .. }
            | Self::GapFound { .. }
            | Self::LinkLost { .. }
            | Self::LinkReturned {}
            | Self::Held { .. }
            | Self::Resumed {}
            | Self::LinkFailed { .. }
            | Self::Stopped { .. }
            | Self::Summary { .. }
            | Self::Teach(_)
            | Self::Hunt(_)
            | Self::Diagnosis(_) => None,
        }
    }
}

/// Who or what ended a run, from the gentlest to the hardest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StopReason {
    /// The operator answered "stop".
    Operator,
    /// Ctrl-C or another signal that asks the program to end.
    Interrupt,
    /// The terminal that answers came from is gone.
    TerminalLost,
    /// The link failed.
    Link,
    /// The program itself failed.
    Fault,
}
