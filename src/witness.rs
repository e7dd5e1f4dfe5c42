//! Who says what was seen.

use std::time::Duration;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use throwproof_protocol::address::Position;

use crate::event::{Step, Subject};
use crate::link::PositionReport;
use crate::plan::{Id, Look, Plan};

pub mod ask;
pub mod bench;
pub mod desk;
pub mod diagnosis;
pub mod hunt;
pub mod lines;
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
    /// A signal shows the aspect of that name, or a turnout with several drives lies in the
    /// position of that name.
    #[serde(untagged)]
    Aspect(Id),
}

impl Observed {
    /// It moved and lies so.
    pub fn of(position: Position) -> Self {
        match position {
            Position::Straight => Self::Straight,
            Position::Diverging => Self::Diverging,
        }
    }

    /// It moved and lies in the position of that name.
    pub fn named(name: &Id) -> Self {
        let simple = name.as_str().parse();
        simple.map_or_else(|_| Self::Aspect(name.clone()), Self::of)
    }
}

/// What an operator wrote down.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// In their words.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub text: String,
    /// Name of a photo that they took.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub photo: String,
}

/// What a closer look found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Found {
    /// It is as it should be.
    Good,
    /// It is not.
    Bad,
}

/// What came of asking for a closer look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Closer {
    /// This was found.
    Found(Found),
    /// Throw it there and back by itself until [`Witness::repeating`] says that it is enough,
    /// then ask again.
    KeepThrowing,
    /// Not now: ask in another run.
    Later,
    /// Keep this note, then ask again.
    Note(Note),
    /// End the run.
    Stop,
}

/// All turnouts of a place, thrown one after another, to be looked at together.
#[derive(Debug)]
pub struct Survey<'a> {
    /// The plan, for names.
    pub plan: &'a Plan,
    /// The place.
    pub place: &'a str,
    /// Which look it is, from 1.
    pub round: u32,
    /// Of how many.
    pub rounds: u32,
    /// Each turnout and where it was last sent.
    pub sent: &'a [(Subject, Position)],
}

/// What a survey found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Surveyed {
    /// These lie otherwise, as said; all others lie as they were sent.
    Differ(Vec<(Id, Observed)>),
    /// Throw them all again, I did not look.
    Repeat,
    /// I take my last answer back: show that again.
    Undo,
    /// Ask for each of this place by itself instead.
    OneByOne,
    /// Leave out this place.
    SkipPlace,
    /// End the run.
    Stop,
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
    /// Why it was thrown.
    pub step: Step,
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
    /// Throw it there and back three times, then ask again.
    BackAndForth,
    /// Throw it there and back by itself until [`Witness::repeating`] says that it is enough,
    /// then ask again.
    KeepThrowing,
    /// I take my last answer back: ask it again.
    Undo,
    /// Keep this note, then ask again.
    Note(Note),
    /// Leave this turnout or signal out.
    Skip,
    /// Leave out this one and whatever else of its place is still to come.
    SkipPlace,
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

    /// Whether it is a person, who may take their time.
    fn is_person(&self) -> bool {
        false
    }

    /// Whether it can look at all turnouts of a place together.
    fn can_survey(&self) -> bool {
        false
    }

    /// How all turnouts of a place lie, where [`Witness::can_survey`] says that it can tell.
    async fn survey(&mut self, _survey: &Survey<'_>) -> Result<Surveyed, WitnessError> {
        Ok(Surveyed::OneByOne)
    }

    /// Whether it can look closer than at where a turnout lies.
    fn looks_closer(&self) -> bool {
        false
    }

    /// Has a turnout looked at closer, where [`Witness::looks_closer`] says that it can.
    async fn look_closer(
        &mut self,
        _plan: &Plan,
        _subject: &Subject,
        _look: &Look,
    ) -> Result<Closer, WitnessError> {
        Ok(Closer::Later)
    }

    /// A turnout or signal is thrown there and back by itself and was just sent to `question`'s
    /// position. A person gets `time`, in which they may say that it is enough: then `true`. Any
    /// other witness says `false` at once.
    async fn repeating(
        &mut self,
        _question: &Question<'_>,
        _time: Duration,
    ) -> Result<bool, WitnessError> {
        Ok(false)
    }

    /// Has something done by hand at a decoder.
    async fn do_by_hand(&mut self, _task: &bench::Task) -> Result<bench::Did, WitnessError> {
        Ok(bench::Did::Cannot)
    }

    /// Takes note of how everything is, before an output is commanded.
    async fn watch_begins(&mut self, _watch: &bench::Watch) -> Result<(), WitnessError> {
        Ok(())
    }

    /// Says what an output was seen to do after it was commanded.
    async fn watch(&mut self, _watch: &bench::Watch) -> Result<bench::Saw, WitnessError> {
        Ok(bench::Saw::CannotSee)
    }

    /// Addresses are thrown to find the one that moves a thing: takes note of how it is. Called
    /// before they are thrown, after they are thrown one way, and when all are thrown.
    async fn glance(&mut self, _inquiry: &hunt::Inquiry) -> Result<(), WitnessError> {
        Ok(())
    }

    /// Says whether the thing moved since the first of those glances.
    async fn noticed(&mut self, _inquiry: &hunt::Inquiry) -> Result<hunt::Noticed, WitnessError> {
        Ok(hunt::Noticed::NotSure)
    }

    /// Comes back when the witness has its answer before all that it is asked about was thrown;
    /// never where it waits for the end.
    async fn has_noticed(&mut self) {
        std::future::pending::<()>().await;
    }

    /// Asks for the thing to be laid back by hand, as it lay before it moved.
    async fn lay_back(&mut self, _back: &hunt::Back) -> Result<bench::Did, WitnessError> {
        Ok(bench::Did::Cannot)
    }

    /// Whether it makes whole tests of a diagnosis by itself: nothing is thrown for it then.
    fn makes_tests(&self) -> bool {
        false
    }

    /// Whether anybody is there who can be asked.
    fn can_be_asked(&self) -> bool {
        self.is_person()
    }

    /// Answers what a diagnosis asks.
    async fn inquire(
        &mut self,
        _query: &diagnosis::Query,
    ) -> Result<diagnosis::Told, WitnessError> {
        Ok(diagnosis::Told::Nobody)
    }

    /// Asks for the turnout to be laid by hand; `false` if that can't be done.
    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError>;
}
