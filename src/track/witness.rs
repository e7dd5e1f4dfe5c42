//! The simulated track as a witness: it looks at blades and lamps, not at what was meant.

use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

use async_trait::async_trait;
use throwproof_protocol::address::{PairBit, Position};

use super::Track;
use crate::event::Subject;
use crate::plan::{Id, Plan};
use crate::witness::bench::{Did, Job, Saw, Task, Watch};
use crate::witness::hunt::{Back, Inquiry, Noticed};
use crate::witness::{Answer, Observed, Question, Seen, Survey, Surveyed, Witness, WitnessError};

/// What a signal without light shows.
const DARK: &str = "dark";

/// A witness who sees the simulated track.
#[derive(Debug)]
pub struct TrackWitness {
    track: Rc<RefCell<Track>>,
    /// How everything lay before the throws of a survey.
    before: Option<Whole>,
    /// Whether the throw before was not looked at by itself: a survey is coming. The first throw
    /// of the first survey is missed by that, and comes again in every round.
    surveys: bool,
    /// What the plan calls the decoders.
    decoders: Vec<Id>,
    /// While an address is looked for: how the turnouts lay at the last glance, and which have
    /// moved since the first.
    glance: Vec<Option<Position>>,
    moved: Vec<bool>,
    /// Which question that was for.
    inquiry: u32,
    /// Turnouts by name.
    turnouts: Vec<Id>,
    /// The half that commands straight, of each turnout.
    straight: HashMap<Id, PairBit>,
}

/// How every turnout lies, and what every signal shows, in the order of the plan.
#[derive(Debug, PartialEq, Eq)]
struct Whole {
    lies: Vec<Option<Id>>,
    shows: Vec<Option<u8>>,
}

impl Whole {
    fn of(track: &Track, plan: &Plan) -> Self {
        let lies = (0..plan.turnouts.len()).map(|turnout| track.lies_as(turnout));
        Self {
            lies: lies.collect(),
            shows: track.shows(),
        }
    }
}

impl TrackWitness {
    pub(super) fn new(track: Rc<RefCell<Track>>, plan: &Plan) -> Self {
        let decoders = plan.decoders.iter().map(|decoder| decoder.id.clone());
        let turnouts = plan.turnouts.iter();
        Self {
            track,
            before: None,
            surveys: false,
            glance: Vec::new(),
            moved: Vec::new(),
            inquiry: 0,
            turnouts: turnouts.clone().map(|one| one.id.clone()).collect(),
            decoders: decoders.collect(),
            straight: turnouts
                .map(|one| (one.id.clone(), one.straight_bit))
                .collect(),
        }
    }

    fn decoder(&self, id: &Id) -> Option<usize> {
        self.decoders.iter().position(|known| known == id)
    }
}

#[async_trait(?Send)]
impl Witness for TrackWitness {
    fn name(&self) -> &'static str {
        "track"
    }

    async fn attend(&mut self, question: &Question<'_>) -> Result<(), WitnessError> {
        let mut track = self.track.borrow_mut();
        track.attend();
        if self.surveys && self.before.is_none() {
            self.before = Some(Whole::of(&track, question.plan));
        }
        self.surveys = true;
        Ok(())
    }

    fn can_survey(&self) -> bool {
        true
    }

    async fn survey(&mut self, survey: &Survey<'_>) -> Result<Surveyed, WitnessError> {
        let plan = survey.plan;
        let now = Whole::of(&self.track.borrow(), plan);
        let mut differ = Vec::new();
        for (at, turnout) in plan.turnouts.iter().enumerate() {
            let lies = now.lies.get(at).cloned().flatten();
            let mut sent = survey.sent.iter();
            let sent = sent.find(|(subject, _)| *subject.id() == turnout.id);
            // One that is not shown must not move at all.
            let expected = match (sent, &self.before) {
                (Some((_, position)), _) => Some(Id::new(position.as_str())),
                (None, Some(before)) => before.lies.get(at).cloned().flatten(),
                (None, None) => lies.clone(),
            };
            if lies != expected {
                let observed = lies.map_or(Observed::Between, |lies| Observed::named(&lies));
                differ.push((turnout.id.clone(), observed));
            }
        }
        if let Some(before) = &self.before {
            let heads = plan.signals.iter().zip(before.shows.iter().zip(&now.shows));
            let changed = heads.filter(|(_, (before, now))| before != now);
            differ.extend(changed.map(|(signal, _)| (signal.id.clone(), Observed::Another)));
        }
        self.before = None;
        Ok(Surveyed::Differ(differ))
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        (self.before, self.surveys) = (None, false);
        let track = self.track.borrow();
        let mut seen = seen(question.plan, question.subject, &track);
        let signals = question.plan.signals.iter();
        let own = signals
            .map(|one| &one.id)
            .position(|id| id == question.subject.id());
        if matches!(question.subject, Subject::Signal(_))
            && own.is_some_and(|signal| track.is_up(signal))
        {
            // Also one that was up before.
            seen.observed = Observed::Between;
        }
        Ok(Answer::Seen(seen))
    }

    async fn do_by_hand(&mut self, task: &Task) -> Result<Did, WitnessError> {
        let Some(decoder) = self.decoder(&task.decoder) else {
            return Ok(Did::Cannot);
        };
        let mut track = self.track.borrow_mut();
        match &task.job {
            Job::LearnOn => track.set_learning(decoder, true),
            Job::LearnOff => track.set_learning(decoder, false),
            Job::PowerOff => track.set_power(decoder, false),
            Job::PowerOn => track.set_power(decoder, true),
            Job::Switches { on } => track.set_switches(decoder, on.clone()),
            Job::OntoProgrammingTrack => track.connect_to_programming_track(Some(decoder)),
            Job::BackToLayout => track.connect_to_programming_track(None),
        }
        Ok(Did::Done)
    }

    async fn watch_begins(&mut self, _watch: &Watch) -> Result<(), WitnessError> {
        self.track.borrow_mut().watch_outputs();
        Ok(())
    }

    async fn watch(&mut self, watch: &Watch) -> Result<Saw, WitnessError> {
        let Some(decoder) = self.decoder(&watch.decoder) else {
            return Ok(Saw::CannotSee);
        };
        let track = self.track.borrow();
        let acted = track.outputs_that_acted();
        if acted.iter().any(|(unit, ..)| *unit != decoder) {
            return Ok(Saw::Elsewhere);
        }
        let wanted = watch.output.map(|output| usize::from(output) - 1);
        let other = acted.iter().find(|(_, output, _)| Some(*output) != wanted);
        if let Some((_, output, _)) = other {
            let number = u8::try_from(output + 1).unwrap_or(u8::MAX);
            return Ok(Saw::OtherOutput(number));
        }
        let Some((_, output, half)) = acted.last().copied() else {
            return Ok(Saw::Nothing);
        };
        let straight = watch.wired.as_ref().and_then(|id| self.straight.get(id));
        let position = if half == straight.copied().unwrap_or(PairBit::One) {
            Position::Straight
        } else {
            Position::Diverging
        };
        let stays_on = track.output_is_on(decoder, output) == Some(half);
        Ok(Saw::Acted { position, stays_on })
    }

    async fn glance(&mut self, inquiry: &Inquiry) -> Result<(), WitnessError> {
        let track = self.track.borrow();
        let now: Vec<_> = (0..self.turnouts.len()).map(|at| track.lies(at)).collect();
        if self.inquiry == inquiry.number && self.moved.len() == now.len() {
            let changes = now.iter().zip(&self.glance).zip(&mut self.moved);
            for ((now, before), moved) in changes {
                *moved |= now != before;
            }
        } else {
            self.moved = vec![false; now.len()];
        }
        (self.glance, self.inquiry) = (now, inquiry.number);
        Ok(())
    }

    async fn noticed(&mut self, inquiry: &Inquiry) -> Result<Noticed, WitnessError> {
        // The next throws are looked at anew, also where they are those of the same question.
        self.inquiry = 0;
        let mut moved = self.moved.iter().zip(&self.turnouts).zip(&self.glance);
        let seen = moved.find(|((moved, id), _)| {
            **moved && inquiry.target.as_ref().is_none_or(|target| target == *id)
        });
        Ok(match seen {
            None => Noticed::Still,
            Some(_) if inquiry.sent.is_none() => Noticed::Moved(None),
            Some((_, Some(lies))) => Noticed::Lies(*lies),
            // It lies between: whoever stands there can't say which way.
            Some((_, None)) => Noticed::NotSure,
        })
    }

    async fn lay_back(&mut self, back: &Back) -> Result<Did, WitnessError> {
        let known = back.target.as_ref();
        let turnout = known.and_then(|id| self.turnouts.iter().position(|one| one == id));
        let Some(turnout) = turnout else {
            return Ok(Did::Cannot);
        };
        // It did not move any more: so it is not where it came from.
        let mut track = self.track.borrow_mut();
        let lies = track.lies(turnout).unwrap_or(Position::Straight);
        let laid = track.lay_by_hand(turnout, lies.opposite());
        Ok(if laid { Did::Done } else { Did::Cannot })
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
fn seen(plan: &Plan, subject: &Subject, track: &Track) -> Seen {
    let look = track.look();
    let mut observed = Observed::NoMovement;
    let mut others = Vec::new();
    for (turnout, _) in &look.moved {
        let id = &plan.turnouts[*turnout].id;
        if matches!(subject, Subject::Turnout(own) if own == id) {
            let lies = track.lies_as(*turnout);
            observed = lies.map_or(Observed::Between, |lies| Observed::named(&lies));
        } else {
            others.push(id.clone());
        }
    }
    for (signal, shows) in &look.changed {
        let signal = &plan.signals[*signal];
        if matches!(subject, Subject::Signal(own) if *own == signal.id) {
            if shows.is_none() && signal.sort.can_be_between() {
                observed = Observed::Between;
                continue;
            }
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
