//! The simulated track as a witness: it looks at blades and lamps, not at what was meant.

use std::cell::RefCell;
use std::rc::Rc;

use async_trait::async_trait;
use throwproof_protocol::address::Position;

use super::{Look, Track};
use crate::event::Subject;
use crate::plan::{Id, Plan};
use crate::witness::{Answer, Observed, Question, Seen, Witness, WitnessError};

/// What a signal without light shows.
const DARK: &str = "dark";

/// A witness who sees the simulated track.
#[derive(Debug)]
pub struct TrackWitness {
    track: Rc<RefCell<Track>>,
}

impl TrackWitness {
    pub(super) fn new(track: Rc<RefCell<Track>>) -> Self {
        Self { track }
    }
}

#[async_trait(?Send)]
impl Witness for TrackWitness {
    fn name(&self) -> &'static str {
        "track"
    }

    async fn attend(&mut self, _question: &Question<'_>) -> Result<(), WitnessError> {
        self.track.borrow_mut().attend();
        Ok(())
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        let look = self.track.borrow().look();
        Ok(Answer::Seen(seen(question.plan, question.subject, &look)))
    }

    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError> {
        let id = question.subject.id();
        let turnout = question
            .plan
            .turnouts
            .iter()
            .position(|turnout| turnout.id == *id);
        Ok(turnout.is_some_and(|turnout| self.track.borrow_mut().lay_by_hand(turnout, position)))
    }
}

/// A look at the track in the words of an observation.
fn seen(plan: &Plan, subject: &Subject, look: &Look) -> Seen {
    let mut observed = Observed::NoMovement;
    let mut others = Vec::new();
    for (turnout, lies) in &look.moved {
        let id = &plan.turnouts[*turnout].id;
        if matches!(subject, Subject::Turnout(own) if own == id) {
            observed = match lies {
                Some(Position::Straight) => Observed::Straight,
                Some(Position::Diverging) => Observed::Diverging,
                None => Observed::Between,
            };
        } else {
            others.push(id.clone());
        }
    }
    for (signal, shows) in &look.changed {
        let signal = &plan.signals[*signal];
        if matches!(subject, Subject::Signal(own) if *own == signal.id) {
            let aspect = signal
                .aspects
                .iter()
                .find(|aspect| Some(aspect.value) == *shows);
            observed = Observed::Aspect(
                aspect.map_or_else(|| Id::new(DARK), |aspect| aspect.name.clone()),
            );
        } else {
            others.push(signal.id.clone());
        }
    }
    if observed == Observed::NoMovement && !others.is_empty() {
        observed = Observed::Another;
    }
    Seen { observed, others }
}
