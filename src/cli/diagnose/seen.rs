//! What a run that sweeps has seen, as evidence for a diagnosis.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io;
use std::rc::Rc;

use crate::diagnose::Swept;
use crate::diagnose::run::Evidence;
use crate::diagnose::sight;
use crate::event::hub::Sink;
use crate::event::{Event, EventKind, Subject};
use crate::plan::{Id, Plan};
use crate::verdict::{self, Verdict};

/// What was seen, by turnout and throw.
#[derive(Debug, Default)]
struct Whole {
    evidence: BTreeMap<Id, BTreeMap<u64, verdict::Evidence>>,
    verdicts: BTreeMap<Id, Verdict>,
}

/// Keeps what a run has seen; to be added to its hub.
#[derive(Debug, Clone, Default)]
pub(in crate::cli) struct Seen(Rc<RefCell<Whole>>);

impl Seen {
    /// The turnouts with one drive that were not proved, as the plan has them.
    pub(in crate::cli) fn failing(&self, plan: &Plan) -> Vec<Id> {
        let whole = self.0.borrow();
        let turnouts = plan.turnouts.iter().filter(|one| one.joint.is_none());
        let failing = turnouts.filter(|one| {
            let verdict = whole.verdicts.get(&one.id);
            verdict.is_some_and(|verdict| verdict.is_failure())
        });
        failing.map(|one| one.id.clone()).collect()
    }

    /// What became of each turnout.
    pub(in crate::cli) fn verdict(&self, id: &Id) -> Option<Verdict> {
        self.0.borrow().verdicts.get(id).copied()
    }

    /// All of it as evidence.
    pub(in crate::cli) fn evidence(&self, plan: &Plan, from: &str) -> Vec<Evidence> {
        let whole = self.0.borrow();
        let turnouts = plan.turnouts.iter().enumerate();
        let each = turnouts.filter_map(|(turnout, one)| {
            let throws: Vec<_> = whole.evidence.get(&one.id)?.values().cloned().collect();
            let (motion, other) = sight::of_run(plan, turnout, &throws)?;
            let mut others: Vec<Id> = Vec::new();
            for id in throws.iter().flat_map(|throw| &throw.seen.others) {
                if !others.contains(id) {
                    others.push(id.clone());
                }
            }
            Some(Evidence {
                swept: Swept {
                    turnout,
                    motion,
                    other,
                    others,
                },
                from: from.to_owned(),
            })
        });
        each.collect()
    }
}

impl Sink for Seen {
    fn name(&self) -> &'static str {
        "what was seen"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        let mut whole = self.0.borrow_mut();
        let Some(Subject::Turnout(id)) = event.kind.subject() else {
            return Ok(());
        };
        if let EventKind::Observation {
            throw,
            step,
            commanded,
            seen,
            ..
        } = &event.kind
        {
            let of_it = whole.evidence.entry(id.clone()).or_default();
            let evidence = verdict::Evidence {
                step: *step,
                commanded: commanded.clone(),
                seen: seen.clone(),
            };
            of_it.insert(*throw, evidence);
        } else if let EventKind::Withdrawn { throw, .. } = &event.kind {
            whole.verdicts.remove(id);
            if let Some(of_it) = whole.evidence.get_mut(id) {
                of_it.remove(throw);
            }
        } else if let EventKind::SweptAgain { .. } = &event.kind {
            whole.verdicts.remove(id);
            whole.evidence.remove(id);
        } else if let EventKind::Verdict { verdict, .. } = &event.kind {
            whole.verdicts.insert(id.clone(), *verdict);
        }
        Ok(())
    }
}
