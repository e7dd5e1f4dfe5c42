//! How far a run is, as a fold over its events.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use super::pace::Pace;
use crate::event::teach::Taught;
use crate::event::{Diagnosed, Event, EventKind, Hunted, StopReason, Subject};
use crate::plan::{Id, Plan};
use crate::verdict::Verdict;

mod steps;

pub use self::steps::{DiagnosisProgress, HuntProgress};

/// How far a place is.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct PlaceProgress {
    /// Its name; empty for what has no place.
    pub name: String,
    /// Turnouts and signals there.
    pub total: usize,
    /// Those that have a verdict.
    pub done: usize,
    /// Those whose verdict is a failure.
    pub failed: usize,
}

/// How far a run is.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Progress {
    /// Name of the layout.
    pub layout: String,
    /// How it is reached.
    pub link: String,
    /// Turnouts and signals of the run.
    pub total: usize,
    /// Those that have a verdict.
    pub done: usize,
    /// Places, in the order of the plan.
    pub places: Vec<PlaceProgress>,
    /// How often each verdict was given.
    pub verdicts: BTreeMap<Verdict, usize>,
    /// What the run waits for, if it waits.
    pub waiting: Option<String>,
    /// How the run ended, if it did.
    pub ended: Option<Ended>,
    /// It ended, and more comes: the diagnosis that was asked for, or the next round of one.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub goes_on: bool,
    /// What giving a decoder its address came to, if that is over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taught: Option<Taught>,
    /// How far a hunt is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hunt: Option<HuntProgress>,
    /// What a hunt came to, if it is over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hunted: Option<Hunted>,
    /// How far a diagnosis is, the last one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub diagnosis: Option<DiagnosisProgress>,
    /// How long the rest takes at the operator's own pace, seconds; `None` until that is known.
    pub left_s: Option<u64>,
    #[serde(skip)]
    pace: Pace,
    #[serde(skip)]
    throws: BTreeMap<Id, Throws>,
    #[serde(skip)]
    cycles: usize,
    /// Observations of what has no verdict yet.
    #[serde(skip)]
    observed: BTreeMap<Subject, usize>,
    /// Observations since the pace was last measured.
    #[serde(skip)]
    unpaced: usize,
    #[serde(skip)]
    given: BTreeMap<Subject, Verdict>,
    #[serde(skip)]
    place_of: BTreeMap<Id, usize>,
    /// The same of all of the plan, where only some are swept.
    #[serde(skip)]
    all: BTreeMap<Id, usize>,
    #[serde(skip)]
    stopped: Option<StopReason>,
}

/// How many throws of a turnout or signal are observed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Throws {
    /// To prime it.
    first: usize,
    /// In every cycle.
    each: usize,
}

impl Throws {
    /// Every position in every cycle.
    const fn of_turnout(positions: usize) -> Self {
        Self {
            first: 1,
            each: positions,
        }
    }

    /// Every aspect in every cycle; one that is alone can't be primed elsewhere.
    fn of_signal(aspects: usize) -> Self {
        Self {
            first: usize::from(aspects > 1),
            each: aspects,
        }
    }
}

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Ended {
    /// Before its end, and by whom or what.
    pub stopped: Option<StopReason>,
    /// How many were proved.
    pub proved: usize,
    /// How many were not.
    pub failed: usize,
    /// How many were skipped.
    pub skipped: usize,
    /// How many were not reached.
    pub unreached: usize,
}

impl Progress {
    /// Nothing done yet of all that the plan has.
    pub fn of(plan: &Plan) -> Self {
        let mut progress = Self {
            layout: plan.layout.name.clone(),
            cycles: 1,
            ..Self::default()
        };
        let of_turnouts = plan.turnouts.iter();
        let of_turnouts =
            of_turnouts.map(|one| (one.id.clone(), Throws::of_turnout(one.positions().len())));
        let of_signals = plan.signals.iter();
        let of_signals =
            of_signals.map(|one| (one.id.clone(), Throws::of_signal(one.aspects.len())));
        progress.throws = of_turnouts.chain(of_signals).collect();
        let turnouts = plan.turnouts.iter().map(|one| (&one.id, &one.place));
        let signals = plan.signals.iter().map(|one| (&one.id, &one.place));
        for (id, place) in turnouts.chain(signals) {
            let known = progress.places.iter().position(|one| one.name == *place);
            let at = known.unwrap_or_else(|| {
                progress.places.push(PlaceProgress {
                    name: place.clone(),
                    ..PlaceProgress::default()
                });
                progress.places.len() - 1
            });
            progress.place_of.insert(id.clone(), at);
            if let Some(place) = progress.places.get_mut(at) {
                place.total += 1;
            }
        }
        progress.total = progress.place_of.len();
        progress.all.clone_from(&progress.place_of);
        progress
    }

    /// Narrows it to those turnouts and signals.
    #[must_use]
    pub fn only(mut self, only: &[Id]) -> Self {
        if only.is_empty() {
            return self;
        }
        self.place_of.retain(|id, _| only.contains(id));
        self.total = self.place_of.len();
        for (at, place) in self.places.iter_mut().enumerate() {
            place.total = self.place_of.values().filter(|own| **own == at).count();
        }
        self
    }

    /// A question opens, so long after the last one whose answer was measured; `true` if what
    /// was observed since then tells of the operator's pace.
    pub(super) fn question_opens(&mut self, since: Duration) -> bool {
        let observed = std::mem::take(&mut self.unpaced);
        self.pace.add(since, observed);
        let left = self.pace.left(self.observations_left());
        self.left_s = left.map(|left| left.as_secs());
        observed > 0
    }

    /// How many throws are still to be observed.
    fn observations_left(&self) -> usize {
        let observed = |id: &Id| {
            let own = self.observed.iter().find(|(subject, _)| subject.id() == id);
            own.map_or(0, |(_, number)| *number)
        };
        let is_given = |id: &Id| self.given.keys().any(|subject| subject.id() == id);
        let open = self.place_of.keys().filter(|id| !is_given(id));
        open.filter_map(|id| {
            let throws = self.throws.get(id)?;
            let all = throws.first + throws.each * self.cycles;
            Some(all.saturating_sub(observed(id)))
        })
        .sum()
    }

    /// Takes one event in.
    pub fn take(&mut self, event: &Event) {
        match &event.kind {
            EventKind::RunStarted { link, cycles, .. } => {
                self.link.clone_from(link);
                self.cycles = usize::try_from(*cycles).unwrap_or(1);
            }
            EventKind::Observation { subject, .. } => {
                *self.observed.entry(subject.clone()).or_default() += 1;
                self.unpaced += 1;
            }
            EventKind::Verdict {
                subject, verdict, ..
            } => {
                self.given.insert(subject.clone(), *verdict);
                self.count();
            }
            EventKind::Withdrawn { subject, .. } => {
                if let Some(number) = self.observed.get_mut(subject) {
                    *number = number.saturating_sub(1);
                }
                self.given.remove(subject);
                self.count();
            }
            EventKind::SweptAgain { subject } => {
                self.observed.remove(subject);
                self.given.remove(subject);
                self.count();
            }
            EventKind::LinkLost { reason, .. } | EventKind::Held { reason } => {
                self.waiting = Some(reason.clone());
            }
            EventKind::LinkReturned {} | EventKind::Resumed {} => self.waiting = None,
            EventKind::Stopped { reason } => self.stopped = Some(*reason),
            EventKind::Summary {
                proved,
                failed,
                skipped,
                unreached,
                ..
            } => {
                self.waiting = None;
                let proves = self.diagnosis.as_ref().map(|one| !one.proves.is_empty());
                self.goes_on = self.stopped.is_none() && proves.unwrap_or(false);
                self.ended = Some(Ended {
                    stopped: self.stopped,
                    proved: *proved,
                    failed: *failed,
                    skipped: *skipped,
                    unreached: *unreached,
                });
            }
            EventKind::ThrowSent { .. }
            | EventKind::Noted { .. }
            | EventKind::Surveyed { .. }
            | EventKind::Looked { .. }
            | EventKind::Accepted { .. }
            | EventKind::LaidByHand { .. }
            | EventKind::Unanswered { .. }
            | EventKind::LinkFailed { .. }
            | EventKind::GroupThrown { .. }
            | EventKind::GapFound { .. } => {}
            EventKind::Diagnosis(diagnosed) => self.diagnoses(diagnosed),
            EventKind::Hunt(hunted) => self.hunts(hunted),
            EventKind::Teach(taught) => {
                if matches!(taught, Taught::TeachDone { .. }) {
                    self.waiting = None;
                    self.taught = Some(taught.clone());
                }
            }
        }
    }

    fn hunts(&mut self, hunted: &Hunted) {
        self.hunt.get_or_insert_default().take(hunted);
        if matches!(hunted, Hunted::HuntDone { .. }) {
            self.waiting = None;
            self.hunted = Some(hunted.clone());
        }
    }

    fn diagnoses(&mut self, diagnosed: &Diagnosed) {
        match diagnosed {
            Diagnosed::DiagnosisStarted { turnout, .. } => {
                // A sweep before it is over, and this is not.
                self.ended = None;
                self.goes_on = false;
                let before = self.diagnosis.take().filter(|one| one.turnout == *turnout);
                let anew = before.map(|one| one.anew());
                self.diagnosis = Some(anew.unwrap_or_else(|| DiagnosisProgress::of(turnout)));
            }
            Diagnosed::DiagnosisMended { proves, .. } => self.sweeps_again(proves),
            Diagnosed::DiagnosisProved { proved, .. } => self.goes_on = !proved,
            Diagnosed::DiagnosisTest { .. }
            | Diagnosed::DiagnosisAnswer { .. }
            | Diagnosed::Diagnosis { .. } => {}
        }
        if let Some(diagnosis) = &mut self.diagnosis {
            diagnosis.take(diagnosed);
        }
    }

    /// Those are swept anew, and nothing else is.
    fn sweeps_again(&mut self, ids: &[Id]) {
        self.ended = None;
        self.given.clear();
        self.observed.clear();
        self.place_of = self.all.clone();
        for (at, place) in self.places.iter_mut().enumerate() {
            place.total = self.all.values().filter(|own| **own == at).count();
        }
        let swept = std::mem::take(self).only(ids);
        *self = swept;
        self.count();
    }

    fn count(&mut self) {
        self.done = self.given.len();
        self.verdicts = BTreeMap::new();
        for place in &mut self.places {
            (place.done, place.failed) = (0, 0);
        }
        for (subject, verdict) in &self.given {
            *self.verdicts.entry(*verdict).or_default() += 1;
            let place = self.place_of.get(subject.id());
            if let Some(place) = place.and_then(|at| self.places.get_mut(*at)) {
                place.done += 1;
                place.failed += usize::from(verdict.is_failure());
            }
        }
    }
}
