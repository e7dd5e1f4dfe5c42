//! What a run does while the cause of a failure is looked for: it asks whoever is there, and looks
//! at throws that are made in ways of their own.

use super::{Flight, Halt, Thrower, cancellable};
use crate::event::{Step, StopReason, Subject};
use crate::link::Link as _;
use crate::plan::Id;
use crate::witness::diagnosis::{Query, Told};
use crate::witness::{Answer, Seen};

impl Thrower<'_, '_> {
    /// Whether the witness makes whole tests by itself, and nothing is thrown for it.
    pub(crate) fn tests_itself(&self) -> bool {
        self.witness.makes_tests()
    }

    /// Whether the witness goes by position reports.
    pub(crate) fn has_reports(&self) -> bool {
        self.witness.goes_by_reports()
    }

    /// Whether anybody can be asked.
    pub(crate) fn can_ask(&self) -> bool {
        self.witness.can_be_asked()
    }

    /// Asks the witness.
    pub(crate) async fn inquire(&mut self, query: &Query) -> Result<Told, Halt> {
        let told = cancellable(&self.stop, self.witness.inquire(query)).await?;
        if told == Told::Stop {
            return Err(Halt::Stop(StopReason::Operator));
        }
        Ok(told)
    }

    /// Has the witness attend to a throw of that turnout, which comes now.
    pub(crate) async fn attend_to(&mut self, turnout: &Id, to: &Id) -> Result<Flight, Halt> {
        self.bring_reports().await?;
        self.throws += 1;
        let begun = self.link.now();
        let flight = Flight {
            subject: Subject::Turnout(turnout.clone()),
            step: Step::Visit,
            commanded: to.clone(),
            throw: self.throws,
            begun,
            due: begun,
            clear: begun,
        };
        let question = flight.question(self.plan);
        cancellable(&self.stop, self.witness.attend(&question)).await?;
        Ok(flight)
    }

    /// What the witness saw of it; `None` where it can't tell.
    pub(crate) async fn saw(&mut self, mut flight: Flight) -> Result<Option<Seen>, Halt> {
        flight.due = self.link.now();
        self.settle(&flight).await?;
        match self.look(&flight).await? {
            Answer::Seen(seen) => Ok(Some(seen)),
            Answer::Stop => Err(Halt::Stop(StopReason::Operator)),
            Answer::Repeat
            | Answer::BackAndForth
            | Answer::KeepThrowing
            | Answer::Undo
            | Answer::Note(_)
            | Answer::Skip
            | Answer::SkipPlace
            | Answer::CantSee(_)
            | Answer::Unclear => Ok(None),
        }
    }
}
