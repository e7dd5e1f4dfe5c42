//! What is known from the runs that a run carries on.

use std::collections::BTreeMap;

use crate::event::{Event, EventKind, Subject};
use crate::plan::Plan;
use crate::verdict::Verdict;

/// The verdicts that stand.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SoFar {
    verdicts: BTreeMap<Subject, Verdict>,
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
        for event in events {
            if let EventKind::Verdict {
                subject, verdict, ..
            } = &event.kind
                && is_unchanged(subject)
            {
                self.verdicts.insert(subject.clone(), *verdict);
            }
        }
    }

    /// The verdict that stands.
    pub fn verdict(&self, subject: &Subject) -> Option<Verdict> {
        self.verdicts.get(subject).copied()
    }
}
