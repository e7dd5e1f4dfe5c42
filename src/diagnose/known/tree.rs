//! What runs saw of a turnout that carried each other on, taken together.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::Look;
use super::changed::Changed;
use crate::diagnose::Swept;
use crate::diagnose::sight::of_run;
use crate::event::{EventKind, Subject};
use crate::plan::{Id, Plan, Turnout};
use crate::record::{RunInfo, RunKind, RunLog};
use crate::sweep::SoFar;
use crate::verdict::judge;

/// Of each run, the first of those that it carries on.
pub(super) struct Roots(BTreeMap<i64, i64>);

impl Roots {
    pub(super) fn of<'r>(runs: impl Iterator<Item = &'r RunInfo>) -> Self {
        let mut roots = BTreeMap::new();
        for run in runs {
            let before = run.continues.and_then(|run| roots.get(&run));
            let root = before.copied().unwrap_or(run.id);
            roots.insert(run.id, root);
        }
        Self(roots)
    }

    pub(super) fn root(&self, run: i64) -> i64 {
        self.0.get(&run).copied().unwrap_or(run)
    }
}

/// Runs that carry each other on, taken together.
#[derive(Default)]
pub(super) struct Tree<'r> {
    so_far: SoFar,
    /// When each throw was last observed, and in which run.
    seen: BTreeMap<(Subject, u64), (Timestamp, &'r RunInfo)>,
}

pub(super) fn trees<'r>(
    plan: &Plan,
    marks: &BTreeMap<Subject, String>,
    runs: &[&'r RunLog],
) -> Vec<Tree<'r>> {
    let roots = Roots::of(runs.iter().map(|run| &run.info));
    let mut trees: BTreeMap<i64, Tree<'_>> = BTreeMap::new();
    for run in runs.iter().filter(|run| run.info.kind == RunKind::Sweep) {
        let tree = trees.entry(roots.root(run.info.id)).or_default();
        let is_unchanged = |subject: &Subject| {
            let mark = marks.get(subject);
            mark.is_some() && mark == run.marks.get(subject)
        };
        let events = run.events.iter().map(|logged| &logged.event);
        tree.so_far.take_run(plan, &is_unchanged, events);
        for logged in &run.events {
            if let EventKind::Observation {
                subject,
                throw,
                carried: false,
                ..
            } = &logged.event.kind
            {
                let key = (subject.clone(), *throw);
                tree.seen.insert(key, (logged.at, &run.info));
            }
        }
    }
    trees.into_values().collect()
}

impl Tree<'_> {
    /// What it saw of a turnout, if all that counts of it was seen since it was `changed`.
    pub(super) fn look(
        &self,
        plan: &Plan,
        index: usize,
        turnout: &Turnout,
        changed: Changed,
    ) -> Option<Look> {
        if turnout.joint.is_some() {
            // It has other positions than the tests know of, and its drives may disagree.
            return None;
        }
        let subject = Subject::Turnout(turnout.id.clone());
        let evidence = self.so_far.evidence(plan, &subject);
        let swept = seen_in(&self.so_far, plan, index)?;
        let throws = self.so_far.throws_of(&subject).into_iter();
        let seen: Vec<_> = throws
            .map(|throw| self.seen.get(&(subject.clone(), throw)))
            .collect::<Option<_>>()?;
        if seen.iter().any(|(at, run)| changed.is_after(*at, run.id)) {
            return None;
        }
        let (at, run) = seen.into_iter().max_by_key(|(at, run)| (run.id, *at))?;
        Some(Look {
            run: run.id,
            at: *at,
            witness: run.witness.clone(),
            tester: run.tester.clone(),
            motion: swept.motion,
            other: swept.other,
            others: swept.others,
            verdict: judge(&evidence)?,
        })
    }
}

/// What a run has seen of the turnout of that index, over all its throws that count; `None` where
/// they tell nothing.
pub fn seen_in(so_far: &SoFar, plan: &Plan, turnout: usize) -> Option<Swept> {
    let subject = Subject::Turnout(plan.turnouts.get(turnout)?.id.clone());
    let evidence = so_far.evidence(plan, &subject);
    let (motion, other) = of_run(plan, turnout, &evidence)?;
    let mut others: Vec<Id> = Vec::new();
    for id in evidence.iter().flat_map(|one| &one.seen.others) {
        if !others.contains(id) {
            others.push(id.clone());
        }
    }
    Some(Swept {
        turnout,
        motion,
        other,
        others,
    })
}
