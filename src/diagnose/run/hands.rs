//! Tests that a person looks at or lends a hand to: prepared, thrown, asked about, put back.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::{Beyond, Examiner, Trial, words};
use crate::diagnose::facts::Made;
use crate::diagnose::sight::{Answer, Motion};
use crate::diagnose::steps::{Manner, Steps};
use crate::event::diagnosis::Unanswered;
use crate::plan::Drive;
use crate::sweep::thrower::Halt;
use crate::witness::diagnosis::{Part, Query, Stage, Told};

impl Examiner<'_, '_, '_> {
    /// The operator's say about addresses that the plan does not have, asked for once.
    pub(super) async fn may_go_beyond(
        &mut self,
        trial: &Trial,
        addresses: &[KeyedAddress],
    ) -> Result<bool, Halt> {
        if *self.beyond == Beyond::Ask && self.thrower.can_ask() {
            let text = words::beyond(addresses);
            let parts = vec![words::part("May they be thrown?", &["yes", "no, never"])];
            let told = self
                .thrower
                .inquire(&self.query(trial, Stage::Allow, text, parts))
                .await?;
            *self.beyond = if told == Told::Chosen(vec![0]) {
                Beyond::Allowed
            } else {
                Beyond::Never
            };
        }
        Ok(*self.beyond == Beyond::Allowed)
    }

    /// Has a test prepared, throws for it, asks what it showed and has it put back.
    pub(super) async fn with_person(&mut self, trial: &Trial) -> Result<Made, Halt> {
        let throws = trial.steps != Steps::Nothing;
        if throws {
            let parts = vec![words::part("Ready?", &["ready, throw now"])];
            let text = trial.action.clone();
            let query = self.query(trial, Stage::Prepare, text, parts);
            match self.thrower.inquire(&query).await? {
                Told::Chosen(_) => {}
                Told::Nobody => return Ok(Made::Not(Unanswered::Nobody)),
                Told::NotSure | Told::Again | Told::Skip | Told::Stop => {
                    return Ok(Made::Not(Unanswered::Skipped));
                }
            }
        }
        let made = loop {
            if throws && !self.drive(&trial.steps).await? {
                break Made::Not(Unanswered::NotCarried);
            }
            if let Some(made) = self.asks(trial, throws).await? {
                break self.across(trial, made).await?;
            }
        };
        self.put_back(trial).await?;
        Ok(made)
    }

    /// Asks what a test showed; `None` if it is to be thrown again.
    pub(super) async fn asks(
        &mut self,
        trial: &Trial,
        repeats: bool,
    ) -> Result<Option<Made>, Halt> {
        let text = if repeats {
            words::was_thrown(&self.site, trial.test, &trial.steps)
        } else {
            trial.action.clone()
        };
        let parts = words::parts(trial.test);
        let mut query = self.query(trial, Stage::Showed, text, parts);
        query.repeats = repeats;
        Ok(Some(match self.thrower.inquire(&query).await? {
            Told::Chosen(chosen) => match trial.test.answer(&chosen) {
                Some(answer) => Made::Answer(answer),
                None => Made::Not(Unanswered::NotSure),
            },
            Told::Again => return Ok(None),
            Told::NotSure => Made::Not(Unanswered::NotSure),
            Told::Nobody => Made::Not(Unanswered::Nobody),
            Told::Skip | Told::Stop => Made::Not(Unanswered::Skipped),
        }))
    }

    /// A twin-coil drive that never moved may lie where its one good half sends it: its blades are
    /// laid by hand on either side and it is thrown across, as the model does.
    async fn across(&mut self, trial: &Trial, made: Made) -> Result<Made, Halt> {
        let Steps::Turnout {
            turnout, manner, ..
        } = trial.steps
        else {
            return Ok(made);
        };
        let is_coil = self.site.plan.turnouts[turnout].drive == Drive::TwinCoil;
        let is_still = matches!(made, Made::Answer(Answer::Motion(Motion::Still, _)));
        if !is_still || !is_coil || manner == Manner::AtDrive {
            return Ok(made);
        }
        for from in [Position::Diverging, Position::Straight] {
            let text = words::lay(&self.site, turnout, from);
            let parts = vec![words::part("Does it lie so?", &["it lies so, throw now"])];
            let query = self.query(trial, Stage::Prepare, text, parts);
            if !matches!(self.thrower.inquire(&query).await?, Told::Chosen(_)) {
                return Ok(made);
            }
            loop {
                match self.throw(turnout, from.opposite(), manner).await {
                    Ok(_) => break,
                    Err(halt) => self.thrower.recover(halt).await?,
                }
            }
        }
        let text = words::was_thrown_across(&self.site, turnout);
        let query = self.query(trial, Stage::Showed, text, words::parts(trial.test));
        Ok(match self.thrower.inquire(&query).await? {
            Told::Chosen(chosen) => trial.test.answer(&chosen).map_or(made, Made::Answer),
            Told::NotSure | Told::Again | Told::Skip | Told::Nobody | Told::Stop => made,
        })
    }

    async fn put_back(&mut self, trial: &Trial) -> Result<(), Halt> {
        let Some(text) = words::put_back(&self.site, trial.test) else {
            return Ok(());
        };
        let parts = vec![words::part("Is it as it was?", &["it is as it was"])];
        let query = self.query(trial, Stage::PutBack, text, parts);
        self.thrower.inquire(&query).await?;
        Ok(())
    }

    fn query(&self, trial: &Trial, stage: Stage, text: String, parts: Vec<Part>) -> Query {
        let minds = matches!(stage, Stage::Prepare | Stage::Showed);
        let caution = trial.test.caution().filter(|_| minds);
        let turnout = &self.plan.turnouts[self.asked.target];
        Query {
            number: trial.number,
            stage,
            turnout: turnout.id.clone(),
            place: turnout.place.clone(),
            test: trial.test.name().to_owned(),
            text,
            mind: caution.map_or_else(String::new, |it| it.text.to_owned()),
            amiss: String::new(),
            parts,
            repeats: false,
        }
    }
}
