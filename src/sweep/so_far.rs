//! What is known from the runs that a run carries on.

use std::collections::BTreeMap;

use crate::event::{Event, EventKind, Step, Subject};
use crate::plan::{Id, Plan};
use crate::verdict::Verdict;
use crate::witness::Seen;

/// The verdicts that stand.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SoFar {
    verdicts: BTreeMap<Subject, Verdict>,
    seen: BTreeMap<Subject, Vec<(Step, Id, Seen)>>,
}

impl SoFar {
    /// Takes the events of one run; those before it first. What `is_unchanged` denies is done
    /// again.
    pub fn take_run<'e>(
        &mut self,
        _plan: &Plan,
        is_unchanged: &dyn Fn(&Subject) -> bool,
        events: impl IntoIterator<Item = &'e Event>,
    ) {
        self.verdicts.retain(|subject, _| is_unchanged(subject));
        self.seen.retain(|subject, _| is_unchanged(subject));
        for event in events {
            if let EventKind::Observation {
                subject,
                step,
                commanded,
                seen,
                ..
            } = &event.kind
                && is_unchanged(subject)
            {
                let own = self.seen.entry(subject.clone()).or_default();
                own.push((*step, commanded.clone(), seen.clone()));
            }
            if let EventKind::Verdict {
                subject, verdict, ..
            } = &event.kind
                && is_unchanged(subject)
            {
                self.verdicts.insert(subject.clone(), *verdict);
            }
        }
    }

    /// Folds in what was looked at closer.
    pub fn take_looks<'e>(
        &mut self,
        _plan: &Plan,
        _is_unchanged: &dyn Fn(&Subject) -> bool,
        _events: impl IntoIterator<Item = &'e Event>,
    ) {
    }

    /// What was seen of it, throw by throw.
    pub fn seen(&self, subject: &Subject) -> &[(Step, Id, Seen)] {
        self.seen.get(subject).map_or(&[], Vec::as_slice)
    }

    /// The verdict that stands.
    pub fn verdict(&self, subject: &Subject) -> Option<Verdict> {
        self.verdicts.get(subject).copied()
    }
}
