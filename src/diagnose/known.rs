//! What earlier runs say of turnouts, as evidence for a diagnosis.
//!
//! A look is what one run saw of a turnout, over all its throws that count; runs that carry one
//! another on are one. Looks count as long as the turnout is as it was then: the plan has it with
//! the same mark, its decoder was given no address since, and nothing of it was mended that a
//! diagnosis had found. The newest is the evidence. Where
//! looks at one state disagree so that the fault must come and go, the evidence is that it does.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::Swept;
use super::sight::{Motion, Other};
use super::site::Site;
use crate::event::Subject;
use crate::plan::{Id, Plan};
use crate::record::{Record, RecordError, RunKind, RunLog};
use crate::verdict::Verdict;

mod changed;
mod course;
mod tree;
mod words;

use changed::changes;
use course::course;
pub use tree::seen_in;
use tree::{Roots, trees};

/// What the runs of a record say of one turnout.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// Its index in the plan.
    pub turnout: usize,
    /// How the looks at it go together.
    pub course: Course,
    /// What each run saw of it since it is as it is, oldest first; never empty.
    pub looks: Vec<Look>,
}

/// What one run saw of a turnout.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// The run, the last one of those that carried each other on.
    pub run: i64,
    /// When the last of it was seen.
    pub at: Timestamp,
    /// The witness.
    pub witness: String,
    /// Who tested; empty if they gave no name.
    pub tester: String,
    /// How it behaved.
    pub motion: Motion,
    /// What else moved, where that was a turnout.
    pub other: Other,
    /// Ids of all that moved beside it, signals included, each once.
    pub others: Vec<Id>,
    /// The verdict that these throws give.
    pub verdict: Verdict,
}

/// How several looks go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// It was seen to behave so every time.
    Same,
    /// It went as sent, and does not any more.
    Broke,
    /// It did not go as sent, and does now.
    Mended,
    /// It never went as sent, and behaved otherwise before.
    Otherwise,
    /// It goes as sent in some runs and not in others.
    ComesAndGoes,
}

/// What is known of the turnouts of that plan from a record, in the order of the plan. On the
/// layout every run there counts. A track may be simulated otherwise each time, so that of
/// rehearsals only the newest run does.
///
/// # Errors
/// When the record can't be read.
pub fn read(
    record: &Record,
    plan: &Plan,
    marks: &BTreeMap<Subject, String>,
    is_rehearsal: bool,
) -> Result<Vec<Known>, RecordError> {
    let mut infos = record.all_runs()?;
    infos.retain(|run| run.is_rehearsal == is_rehearsal);
    if is_rehearsal {
        let roots = Roots::of(infos.iter());
        let sweep = infos.iter().rfind(|run| run.kind == RunKind::Sweep);
        let newest = sweep.map(|run| roots.root(run.id));
        infos.retain(|run| Some(roots.root(run.id)) == newest);
    }
    let runs = infos.iter().map(|run| record.log(run.id));
    Ok(of(plan, marks, &runs.collect::<Result<Vec<_>, _>>()?))
}

/// What those runs say of the turnouts of that plan, in the order of the plan. They are given
/// oldest first and should be of one nature. `marks` are those of the plan as it is.
pub fn of(plan: &Plan, marks: &BTreeMap<Subject, String>, runs: &[RunLog]) -> Vec<Known> {
    let own: Vec<&RunLog> = runs
        .iter()
        .filter(|run| run.info.layout == plan.layout.name)
        .collect();
    let since = changes(plan, marks, &own);
    let mut known: BTreeMap<usize, Vec<Look>> = BTreeMap::new();
    for tree in trees(plan, marks, &own) {
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let changed = since.get(&index).copied().unwrap_or_default();
            if let Some(look) = tree.look(plan, index, turnout, changed) {
                known.entry(index).or_default().push(look);
            }
        }
    }
    let each = known.into_iter().map(|(turnout, mut looks)| {
        looks.sort_by_key(|look| (look.at, look.run));
        Known {
            turnout,
            course: course(&looks),
            looks,
        }
    });
    each.collect()
}

/// What of it tells something about the failing turnout of a site, as evidence, the failing one
/// first.
pub fn telling(site: &Site, known: &[Known]) -> Vec<Swept> {
    let turnouts = site.telling().into_iter();
    let of = |turnout| known.iter().find(|one| one.turnout == turnout);
    turnouts.filter_map(|it| of(it)?.swept()).collect()
}

/// The turnouts that did not do as they should when they were last seen, in the order of the plan,
/// by their index there.
pub fn failing(known: &[Known]) -> Vec<usize> {
    let failing = known.iter().filter(|one| one.is_failing());
    failing.map(|one| one.turnout).collect()
}

impl Known {
    /// The newest look at it.
    pub fn newest(&self) -> Option<&Look> {
        self.looks.last()
    }

    /// Whether it did not do as it should when it was last seen.
    pub fn is_failing(&self) -> bool {
        self.newest().is_some_and(|look| look.verdict.is_failure())
    }

    /// All of it as evidence; `None` where something moved that no test knows of.
    pub fn swept(&self) -> Option<Swept> {
        let newest = self.newest()?;
        if newest.other == Other::Nothing && !newest.others.is_empty() {
            // A signal did: what is wrong is not in how the turnout itself behaved.
            return None;
        }
        let motion = match self.course {
            Course::ComesAndGoes => Motion::Unsteady,
            Course::Same | Course::Broke | Course::Mended | Course::Otherwise => newest.motion,
        };
        Some(Swept {
            turnout: self.turnout,
            motion,
            other: newest.other,
            others: newest.others.clone(),
        })
    }
}

#[cfg(test)]
mod tests;
