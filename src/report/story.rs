//! What a run says of each turnout and signal.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use crate::event::{EventKind, Step, StopReason, Subject};
use crate::plan::{Id, Look};
use crate::record::RunLog;
use crate::verdict::Verdict;
use crate::witness::{Found, Note, Seen};

/// A verdict of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Given {
    pub(super) verdict: Verdict,
    pub(super) detail: String,
    pub(super) at: Timestamp,
}

/// A throw that counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Observed {
    pub(super) throw: u64,
    pub(super) step: Step,
    pub(super) commanded: Id,
    pub(super) seen: Seen,
}

/// What a run says, what was withdrawn or swept again left out.
#[derive(Debug, Default)]
pub(super) struct Story {
    pub(super) verdicts: BTreeMap<Subject, Given>,
    pub(super) throws: BTreeMap<Subject, Vec<Observed>>,
    pub(super) unanswered: BTreeSet<(Subject, u64)>,
    pub(super) looks: Vec<(Subject, Look, Found)>,
    pub(super) notes: Vec<(Subject, Timestamp, Note)>,
    /// Those that something was taken back of: verdicts that this run carries on count no more.
    pub(super) taken_back: BTreeSet<Subject>,
    /// How many throws were sent.
    pub(super) sent: usize,
    /// How many turnouts and signals it was to sweep.
    pub(super) expected: usize,
    pub(super) stopped: Option<StopReason>,
}

impl Story {
    /// What that run says.
    pub(super) fn of(log: &RunLog) -> Self {
        let mut story = Self::default();
        for logged in &log.events {
            story.take(logged.at, &logged.event.kind);
        }
        story
    }

    fn take(&mut self, at: Timestamp, kind: &EventKind) {
        match kind {
            EventKind::RunStarted {
                turnouts, signals, ..
            } => self.expected = turnouts + signals,
            EventKind::ThrowSent { .. } => self.sent += 1,
            EventKind::Observation {
                subject,
                throw,
                step,
                commanded,
                seen,
                ..
            } => {
                let throws = self.throws.entry(subject.clone()).or_default();
                throws.push(Observed {
                    throw: *throw,
                    step: *step,
                    commanded: commanded.clone(),
                    seen: seen.clone(),
                });
            }
            EventKind::Withdrawn { subject, throw } => {
                self.take_back(subject);
                if let Some(throws) = self.throws.get_mut(subject) {
                    throws.retain(|one| one.throw < *throw);
                }
            }
            EventKind::SweptAgain { subject } => {
                self.take_back(subject);
                self.throws.remove(subject);
            }
            EventKind::Verdict {
                subject,
                verdict,
                detail,
                ..
            } => {
                let given = Given {
                    verdict: *verdict,
                    detail: detail.clone(),
                    at,
                };
                self.verdicts.insert(subject.clone(), given);
            }
            EventKind::Noted { subject, note, .. } => {
                self.notes.push((subject.clone(), at, note.clone()));
            }
            EventKind::Looked {
                subject,
                look,
                found,
                ..
            } => self.looks.push((subject.clone(), look.clone(), *found)),
            EventKind::Unanswered { subject, throw, .. } => {
                self.unanswered.insert((subject.clone(), *throw));
            }
            EventKind::Stopped { reason } => self.stopped = Some(*reason),
            // None of these is evidence, or they say again what others say one by one.
            EventKind::Surveyed { .. }
            | EventKind::Accepted { .. }
            | EventKind::LaidByHand { .. }
            | EventKind::LinkLost { .. }
            | EventKind::LinkReturned {}
            | EventKind::Held { .. }
            | EventKind::Resumed {}
            | EventKind::LinkFailed { .. }
            | EventKind::GroupThrown { .. }
            | EventKind::GapFound { .. }
            | EventKind::Summary { .. }
            | EventKind::Teach(_)
            | EventKind::Hunt(_)
            | EventKind::Diagnosis(_) => {}
        }
    }

    fn take_back(&mut self, subject: &Subject) {
        self.verdicts.remove(subject);
        self.taken_back.insert(subject.clone());
    }
}
