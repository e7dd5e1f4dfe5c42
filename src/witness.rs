//! Who says what was seen.

use std::time::Duration;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use throwproof_protocol::address::Position;

use crate::event::Subject;
use crate::link::PositionReport;
use crate::plan::{Id, Plan};

pub mod ask;
pub mod reports;

/// What was seen of one throw; never "OK".
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    /// What became of the turnout or signal itself.
    pub observed: Observed,
    /// Ids of others that moved or changed, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub others: Vec<Id>,
}

/// What became of the turnout or signal that was commanded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Observed {
    /// It moved and lies straight.
    Straight,
    /// It moved and lies diverging.
    Diverging,
    /// Nothing was seen to move.
    NoMovement,
    /// The blades lie between, or do not close.
    Between,
    /// Another turnout moved and this one did not.
    Another,
    /// A signal shows the aspect of that name.
    #[serde(untagged)]
    Aspect(Id),
}

/// What a witness is asked.
#[derive(Debug)]
pub struct Question<'a> {
    /// The plan, for names and places.
    pub plan: &'a Plan,
    /// Number of the throw in the run, from 1.
    pub throw: u64,
    /// The turnout or signal.
    pub subject: &'a Subject,
    /// The position or aspect commanded.
    pub commanded: &'a Id,
    /// Time on the link's clock.
    pub at: Duration,
}

/// What a witness answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// This was seen.
    Seen(Seen),
    /// Make the same throw again, I did not look.
    Repeat,
    /// Leave this turnout or signal out.
    Skip,
    /// I can't see this one, and why.
    CantSee(String),
    /// Something moved, but it can't be told which of several throws moved it.
    Unclear,
    /// End the run.
    Stop,
}

/// Why a witness can't answer any more.
#[derive(Debug, thiserror::Error)]
pub enum WitnessError {
    /// There is no terminal to ask at.
    #[error(
        "there is no terminal to ask at: standard input and standard error must both be a terminal"
    )]
    NoTerminal,
    /// The terminal failed or went away.
    #[error("the terminal is gone")]
    TerminalLost(#[source] std::io::Error),
    /// The operator asked to end the run where no observation was asked for.
    #[error("stopped by the operator")]
    Stop,
}

/// Who says what was seen: the operator, a position report, the simulated track.
#[async_trait(?Send)]
pub trait Witness {
    /// What a person calls it: `ask`, `track`.
    fn name(&self) -> &'static str;

    /// Called just before the command goes out: look now, so that a movement can be told.
    async fn attend(&mut self, question: &Question<'_>) -> Result<(), WitnessError>;

    /// What was seen since [`Witness::attend`].
    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError>;

    /// Whether it goes by position reports, which the engine then brings it.
    fn goes_by_reports(&self) -> bool {
        false
    }

    /// Hears a position report.
    fn hear(&mut self, _report: &PositionReport) {}

    /// The throws it attended to and has not observed were broken off.
    fn forget(&mut self) {}

    /// Whether it has seen all it needs to answer the question, before the usual time to settle
    /// is over.
    fn has_seen_enough(&self, _question: &Question<'_>, _now: Duration) -> bool {
        false
    }

    /// How long after the start of that throw no other may start, for this witness to tell their
    /// movements apart; `None` if it can only see one throw at a time.
    fn overlap(&self, _question: &Question<'_>) -> Option<Duration> {
        None
    }

    /// Asks for the turnout to be laid by hand; `false` if that can't be done.
    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError>;
}
