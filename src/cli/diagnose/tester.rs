//! The simulated track that makes whole tests of a diagnosis by itself.

use std::cell::RefCell;
use std::rc::Rc;

use async_trait::async_trait;
use throwproof_protocol::address::Position;

use crate::diagnose::Swept;
use crate::diagnose::perform::{perform, swept};
use crate::diagnose::run::Evidence;
use crate::diagnose::sight::Other;
use crate::diagnose::site::Site;
use crate::diagnose::test::Test;
use crate::track::Track;
use crate::witness::diagnosis::{Query, Stage, Told};
use crate::witness::{Answer, Question, Witness, WitnessError};

/// Where that is from which the track shows before a diagnosis.
const FROM: &str = "a sweep of the simulated track now";

/// A witness that makes tests on a track.
#[derive(Debug)]
pub(super) struct Tester {
    site: Site,
    track: Rc<RefCell<Track>>,
}

impl Tester {
    pub(super) fn new(site: Site, track: Rc<RefCell<Track>>) -> Self {
        Self { site, track }
    }

    /// What a sweep sees of every turnout that tells something.
    pub(super) fn sweep(&self) -> Vec<Evidence> {
        let mut track = self.track.borrow_mut();
        let site = &self.site;
        let each = site.telling().into_iter().map(|turnout| {
            let (motion, others) = swept(site, &mut track, turnout);
            let other = Other::of(&site.plan, turnout, others.iter().copied());
            let ids = others.into_iter();
            Evidence {
                swept: Swept {
                    turnout,
                    motion,
                    other,
                    others: ids.map(|it| site.plan.turnouts[it].id.clone()).collect(),
                },
                from: FROM.to_owned(),
            }
        });
        each.collect()
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
                let answer = perform(&self.site, &mut self.track.borrow_mut(), test);
                Told::Chosen(test.chosen(answer))
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
