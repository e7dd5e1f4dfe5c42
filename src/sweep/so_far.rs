//! What a run has come to, as a fold over its events.
//!
//! The engine folds the events of the run that goes on just as those of earlier parts of it, so
//! that a run that is carried on stands where it would stand had it never been cut.

use std::collections::{BTreeMap, BTreeSet};

use throwproof_protocol::address::Position;

mod carried;
mod taken;

use taken::Taken;

use crate::event::{Event, EventKind, Step, Subject};
use crate::plan::{Id, Look, Plan};
use crate::verdict::{Evidence, Verdict};
use crate::witness::{Found, Seen};

/// What a run has come to so far.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SoFar {
    throws: u64,
    trails: BTreeMap<Subject, Vec<Mark>>,
    verdicts: BTreeMap<Subject, Given>,
    /// Those that were begun anew, apart from the others of their place.
    alone: BTreeSet<Subject>,
    /// Looks at whole places that count, in order.
    rounds: BTreeMap<String, Vec<Round>>,
    looks: BTreeMap<Subject, BTreeMap<Look, Found>>,
    accepted: BTreeSet<Subject>,
    /// The last throw of each.
    sent: BTreeMap<Subject, Sent>,
    /// Answers that can be taken back, the last one at the end.
    history: Vec<Taken>,
}

/// A throw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Sent {
    pub(super) throw: u64,
    pub(super) step: Step,
    pub(super) commanded: Id,
}

/// What became of a turnout or signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Mark {
    /// A throw was observed.
    Seen(Sent, Seen),
    /// It was laid by hand.
    Laid(Position),
}

/// A verdict with all that its event says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Given {
    pub(super) verdict: Verdict,
    place: String,
    address: u16,
    detail: String,
}

/// A look at a whole place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Round {
    pub(super) rounds: u32,
    pub(super) members: Vec<Id>,
    pub(super) differ: Vec<Id>,
    /// The last throw of each member.
    pub(super) sent: Vec<(Subject, Sent)>,
    /// The highest throw number before the look.
    upto: u64,
}

impl SoFar {
    /// Folds an earlier part of the run in. Call it for the oldest part first.
    ///
    /// What `plan` has no more, or `is_unchanged` does not hold for, is left out, and whatever was
    /// known of it before goes too: its proof has to be made again. Events that were carried into
    /// that part are passed over, since the part that they come from has them.
    pub fn take_run<'e>(
        &mut self,
        plan: &Plan,
        is_unchanged: &dyn Fn(&Subject) -> bool,
        events: impl IntoIterator<Item = &'e Event>,
    ) {
        let stands = |subject: &Subject| has(plan, subject) && is_unchanged(subject);
        self.retain(&stands);
        for event in events {
            self.count(&event.kind);
            let is_known = if let EventKind::Surveyed { members, .. } = &event.kind {
                let mut members = members.iter().cloned().map(Subject::Turnout);
                members.all(|member| stands(&member))
            } else {
                event.kind.subject().is_none_or(&stands)
            };
            if is_known {
                self.take(&event.kind);
            }
        }
    }

    /// Folds in what was looked at closer, in any run of the record; call it for the oldest run
    /// first. What was found good stands until the turnout is changed in the plan, or a later
    /// verdict on it is a failure.
    pub fn take_looks<'e>(
        &mut self,
        plan: &Plan,
        is_unchanged: &dyn Fn(&Subject) -> bool,
        events: impl IntoIterator<Item = &'e Event>,
    ) {
        let stands = |subject: &Subject| has(plan, subject) && is_unchanged(subject);
        self.looks.retain(|subject, _| stands(subject));
        for event in events {
            if event.kind.subject().is_some_and(&stands) {
                self.take_look(&event.kind);
            }
        }
    }

    /// How many verdicts there are.
    pub fn verdicts(&self) -> usize {
        self.verdicts.len()
    }

    /// How many observations count.
    pub fn observations(&self) -> usize {
        let marks = self.trails.values().flatten();
        marks.filter(|mark| matches!(mark, Mark::Seen(..))).count()
    }

    /// The highest number of a throw.
    pub fn throws(&self) -> u64 {
        self.throws
    }

    /// Whether there is nothing to carry on.
    pub fn is_empty(&self) -> bool {
        self.verdicts.is_empty() && self.trails.is_empty() && self.rounds.is_empty()
    }

    fn count(&mut self, kind: &EventKind) {
        if let EventKind::ThrowSent { throw, .. } | EventKind::Observation { throw, .. } = kind {
            self.throws = self.throws.max(*throw);
        }
    }

    /// Takes one event of the run in.
    pub(super) fn take(&mut self, kind: &EventKind) {
        self.count(kind);
        match kind {
            EventKind::ThrowSent {
                subject,
                throw,
                step,
                commanded,
                ..
            } => {
                let sent = Sent::new(*throw, *step, commanded);
                self.sent.insert(subject.clone(), sent);
            }
            EventKind::Observation {
                subject,
                throw,
                step,
                commanded,
                seen,
                carried: false,
            } => {
                let sent = Sent::new(*throw, *step, commanded);
                self.see(subject, sent, seen);
            }
            EventKind::LaidByHand { subject, position } => {
                if let Ok(position) = position.as_str().parse() {
                    let trail = self.trails.entry(subject.clone()).or_default();
                    trail.push(Mark::Laid(position));
                }
            }
            EventKind::Withdrawn { subject, throw } => self.withdraw(subject, *throw),
            EventKind::SweptAgain { subject } => self.begin_anew(subject),
            EventKind::Surveyed {
                place,
                rounds,
                members,
                differ,
                carried: false,
                ..
            } => self.survey(place, *rounds, members, differ),
            EventKind::Verdict {
                subject,
                verdict,
                place,
                address,
                detail,
                carried: false,
            } => {
                let given = Given {
                    verdict: *verdict,
                    place: place.clone(),
                    address: *address,
                    detail: detail.clone(),
                };
                self.verdicts.insert(subject.clone(), given);
            }
            EventKind::Accepted { subject } => {
                self.accepted.insert(subject.clone());
            }
            EventKind::Observation { carried: true, .. }
            | EventKind::Surveyed { carried: true, .. }
            | EventKind::Verdict { carried: true, .. }
            | EventKind::RunStarted { .. }
            | EventKind::Noted { .. }
            | EventKind::Looked { .. }
            | EventKind::Unanswered { .. }
            | EventKind::LinkLost { .. }
            | EventKind::LinkReturned {}
            | EventKind::Held { .. }
            | EventKind::Resumed {}
            | EventKind::LinkFailed { .. }
            | EventKind::GroupThrown { .. }
            | EventKind::GapFound { .. }
            | EventKind::Stopped { .. }
            | EventKind::Summary { .. }
            | EventKind::Teach(_)
            | EventKind::Hunt(_)
            | EventKind::Diagnosis(_) => {}
        }
    }

    /// Takes in what an event says of closer looks.
    pub(super) fn take_look(&mut self, kind: &EventKind) {
        if let EventKind::Looked {
            subject,
            look,
            found,
            carried: false,
        } = kind
        {
            let looks = self.looks.entry(subject.clone()).or_default();
            looks.insert(look.clone(), *found);
        }
        if let EventKind::Verdict {
            subject,
            verdict,
            carried: false,
            ..
        } = kind
            && verdict.is_failure()
        {
            self.looks.remove(subject);
        }
    }

    fn see(&mut self, subject: &Subject, sent: Sent, seen: &Seen) {
        // The observations of a look at a whole place follow it; they are one answer. They may be
        // said again later, when a look after it is taken back.
        let mut looked_at = self.rounds.values().flatten().flat_map(|round| &round.sent);
        let of_a_round =
            looked_at.any(|(member, own)| member == subject && own.throw == sent.throw);
        if !of_a_round {
            let taken = Taken::Seen(subject.clone(), sent.throw);
            self.history.push(taken);
        }
        let trail = self.trails.entry(subject.clone()).or_default();
        trail.push(Mark::Seen(sent, seen.clone()));
    }

    fn survey(&mut self, place: &str, rounds: u32, members: &[Id], differ: &[Id]) {
        let sent = members.iter().filter_map(|id| {
            let subject = Subject::Turnout(id.clone());
            let sent = self.sent.get(&subject)?.clone();
            Some((subject, sent))
        });
        let round = Round {
            rounds,
            members: members.to_vec(),
            differ: differ.to_vec(),
            sent: sent.collect(),
            upto: self.throws,
        };
        let own = self.rounds.entry(place.to_owned()).or_default();
        own.push(round);
        let (place, round) = (place.to_owned(), own.len());
        self.history.push(Taken::Round { place, round });
    }

    /// Leaves out all others.
    pub(super) fn retain(&mut self, stands: &dyn Fn(&Subject) -> bool) {
        self.trails.retain(|subject, _| stands(subject));
        self.verdicts.retain(|subject, _| stands(subject));
        self.alone.retain(stands);
        self.sent.retain(|subject, _| stands(subject));
        self.accepted.retain(stands);
        let member = |id: &Id| stands(&Subject::Turnout(id.clone()));
        self.rounds
            .retain(|_, own| own.iter().flat_map(|round| &round.members).all(member));
        let rounds = &self.rounds;
        self.history.retain(|taken| match taken {
            Taken::Seen(subject, _) => stands(subject),
            Taken::Round { place, .. } => rounds.contains_key(place),
            Taken::Skip(subjects, _) => subjects.iter().all(stands),
        });
    }

    /// Forgets the looks at a place: they are not those that it needs now.
    pub(super) fn drop_rounds(&mut self, place: &str) {
        self.rounds.remove(place);
        self.history
            .retain(|taken| !matches!(taken, Taken::Round { place: own, .. } if own == place));
    }

    /// Forgets who was accepted and what was found bad, which is asked and said once more.
    pub(super) fn accept_anew(&mut self) {
        self.accepted.clear();
        for looks in self.looks.values_mut() {
            looks.retain(|_, found| *found == Found::Good);
        }
    }

    pub(super) fn trail(&self, subject: &Subject) -> &[Mark] {
        self.trails.get(subject).map_or(&[], Vec::as_slice)
    }

    /// What was observed of one of the plan and counts, in its order.
    pub fn evidence(&self, plan: &Plan, subject: &Subject) -> Vec<Evidence> {
        let marks = self.trail(subject).iter();
        let seen = marks.filter_map(|mark| match mark {
            Mark::Seen(sent, seen) => Some((sent, seen)),
            Mark::Laid(_) => None,
        });
        seen.map(|(sent, seen)| {
            Evidence::new(
                plan,
                subject,
                sent.step,
                sent.commanded.clone(),
                seen.clone(),
            )
        })
        .collect()
    }

    /// The numbers of the throws that [`SoFar::evidence`] is of.
    pub fn throws_of(&self, subject: &Subject) -> Vec<u64> {
        let marks = self.trail(subject).iter();
        let throws = marks.filter_map(|mark| match mark {
            Mark::Seen(sent, _) => Some(sent.throw),
            Mark::Laid(_) => None,
        });
        throws.collect()
    }

    /// What became of one of the plan.
    pub fn verdict(&self, subject: &Subject) -> Option<Verdict> {
        self.verdicts.get(subject).map(|given| given.verdict)
    }

    pub(super) fn is_alone(&self, subject: &Subject) -> bool {
        self.alone.contains(subject)
    }

    pub(super) fn rounds(&self, place: &str) -> &[Round] {
        self.rounds.get(place).map_or(&[], Vec::as_slice)
    }

    pub(super) fn look(&self, subject: &Subject, look: &Look) -> Option<Found> {
        self.looks.get(subject)?.get(look).copied()
    }

    pub(super) fn is_accepted(&self, subject: &Subject) -> bool {
        self.accepted.contains(subject)
    }

    /// How many of those verdicts there are.
    pub(super) fn count_verdicts(&self, is_one: impl Fn(Verdict) -> bool) -> usize {
        let given = self.verdicts.values();
        given.filter(|given| is_one(given.verdict)).count()
    }

    pub(super) fn accepted(&self) -> usize {
        self.accepted.len()
    }
}

impl Sent {
    fn new(throw: u64, step: Step, commanded: &Id) -> Self {
        let commanded = commanded.clone();
        Self {
            throw,
            step,
            commanded,
        }
    }
}

impl Mark {
    /// Whether it is the observation of such a throw.
    pub(super) fn is_seen(&self, step: Step, commanded: &Id) -> bool {
        match self {
            Self::Seen(sent, _) => sent.step == step && sent.commanded == *commanded,
            Self::Laid(_) => false,
        }
    }
}

/// Whether the plan has it.
fn has(plan: &Plan, subject: &Subject) -> bool {
    match subject {
        Subject::Turnout(id) => plan.turnout(id.as_str()).is_some(),
        Subject::Signal(id) => plan.signal(id.as_str()).is_some(),
    }
}
