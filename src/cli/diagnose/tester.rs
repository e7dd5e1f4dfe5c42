//! The simulated track that makes whole tests of a diagnosis by itself.

use std::cell::RefCell;
use std::rc::Rc;

use async_trait::async_trait;
use throwproof_protocol::address::Position;

use crate::diagnose::common;
use crate::diagnose::perform::perform;
use crate::diagnose::run::Evidence;
use crate::diagnose::site::Site;
use crate::diagnose::test::Test;
use crate::plan::{Id, Plan};
use crate::track::Track;
use crate::witness::diagnosis::{Query, Stage, Told};
use crate::witness::{Answer, Question, Witness, WitnessError};

/// Where that is from which the track shows before a diagnosis.
const FROM: &str = "a sweep of the simulated track now";

/// A witness that makes tests on a track.
#[derive(Debug)]
pub(super) struct Tester {
    plan: Plan,
    track: Rc<RefCell<Track>>,
    /// Turnouts that fail for a reason that is known, as the diagnosis has them.
    explained: Rc<RefCell<Vec<usize>>>,
}

impl Tester {
    pub(super) fn new(
        plan: &Plan,
        track: Rc<RefCell<Track>>,
        explained: Rc<RefCell<Vec<usize>>>,
    ) -> Self {
        Self {
            plan: plan.clone(),
            track,
            explained,
        }
    }

    /// What a sweep sees of every turnout.
    pub(super) fn sweep(&self) -> Vec<Evidence> {
        let swept = common::sweep(&self.plan, &mut self.track.borrow_mut());
        let each = swept.into_iter().map(|swept| Evidence {
            swept,
            from: FROM.to_owned(),
        });
        each.collect()
    }

    fn perform(&self, turnout: &Id, test: Test) -> Option<Told> {
        let mut turnouts = self.plan.turnouts.iter();
        let target = turnouts.position(|one| one.id == *turnout)?;
        let site = Site::without(&self.plan, target, &self.explained.borrow());
        let answer = perform(&site, &mut self.track.borrow_mut(), test);
        Some(Told::Chosen(test.chosen(answer)))
    }
}

#[async_trait(?Send)]
impl Witness for Tester {
    fn name(&self) -> &'static str {
        "track"
    }

    async fn attend(&mut self, _question: &Question<'_>) -> Result<(), WitnessError> {
        Ok(())
    }

    async fn observe(&mut self, _question: &Question<'_>) -> Result<Answer, WitnessError> {
        Ok(Answer::CantSee("it makes whole tests".to_owned()))
    }

    fn makes_tests(&self) -> bool {
        true
    }

    async fn inquire(&mut self, query: &Query) -> Result<Told, WitnessError> {
        let test = Test::ALL.into_iter().find(|test| test.name() == query.test);
        Ok(match (query.stage, test) {
            (Stage::Showed, Some(test)) => {
                let told = self.perform(&query.turnout, test);
                told.unwrap_or(Told::Nobody)
            }
            (
                Stage::Allow
                | Stage::Prepare
                | Stage::Showed
                | Stage::PutBack
                | Stage::Mended
                | Stage::Which,
                _,
            ) => Told::Nobody,
        })
    }

    async fn lay_by_hand(
        &mut self,
        _question: &Question<'_>,
        _position: Position,
    ) -> Result<bool, WitnessError> {
        Ok(false)
    }
}
