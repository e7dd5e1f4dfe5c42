//! What became of each turnout and signal over the runs of a record.

use std::collections::{BTreeMap, btree_map::Entry};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::RunLog;
use super::cases::Case;
use crate::event::{EventKind, Step, Subject};
use crate::plan::Id;
use crate::statistics::{Bounds, bounds};
use crate::verdict::Verdict;
use crate::witness::{Observed, Seen};

/// The history of a layout.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct History {
    /// Name of the layout, as the last run had it.
    pub layout: String,
    /// How many runs it is made of.
    pub runs: usize,
    /// When the first began.
    pub first: Option<Timestamp>,
    /// When the last began.
    pub last: Option<Timestamp>,
    /// Each turnout and signal, in the order in which they first came up.
    pub subjects: Vec<SubjectHistory>,
}

/// The history of one turnout or signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SubjectHistory {
    /// Turnout or signal.
    #[serde(flatten)]
    pub subject: Subject,
    /// Where it is, as last told; empty if never.
    pub place: String,
    /// Whether the last plan still has it.
    pub is_in_plan: bool,
    /// Its verdicts, oldest first.
    pub verdicts: Vec<Past>,
    /// When it was last proved, whatever came later.
    pub last_proved: Option<Timestamp>,
    /// How often it arrived, for each position or aspect, in alphabetical order.
    pub visits: Vec<Visits>,
    /// What diagnoses of it came to, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub diagnoses: Vec<Case>,
}

/// A verdict of the past.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Past {
    /// The run.
    pub run: i64,
    /// When it was given.
    pub at: Timestamp,
    /// The verdict.
    pub verdict: Verdict,
    /// What was seen, in short: only what was not as commanded.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub seen: String,
    /// Why it was skipped.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub detail: String,
    /// What changed since the verdict before.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub change: Option<Change>,
    /// Whether the plan changed since, in what the proof depends on.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub is_plan_changed: bool,
}

/// What changed between a verdict and the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// It failed, and is proved.
    Fixed,
    /// It was proved, and fails.
    Worse,
    /// It failed, and fails in another way.
    OtherFault,
}

/// How often something arrived where it was sent, counted since the plan last changed for it, or
/// since it was last proved after a fault that does not mend itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Visits {
    /// The position or aspect.
    pub commanded: Id,
    /// How many throws to it were observed.
    pub visits: u32,
    /// How many of them arrived.
    pub arrived: u32,
    /// How many did not.
    pub failed: u32,
    /// Where the rate of failures lies.
    pub rate: Bounds,
}

/// The history that these runs make, oldest first. They should be of one nature: what was
/// rehearsed says nothing of the layout.
pub fn of(runs: &[RunLog]) -> History {
    let mut gathered = Gathered::default();
    for run in runs {
        gathered.take(run);
    }
    let last = runs.last();
    let subjects = gathered.order.iter().filter_map(|subject| {
        let course = gathered.courses.get(subject)?;
        let is_in_plan = last.is_some_and(|run| run.marks.contains_key(subject));
        Some(course.history(subject, is_in_plan))
    });
    History {
        layout: last.map_or_else(String::new, |run| run.info.layout.clone()),
        runs: runs.len(),
        first: runs.first().map(|run| run.info.started),
        last: last.map(|run| run.info.started),
        subjects: subjects.collect(),
    }
}

/// One observed throw.
#[derive(Debug)]
struct Observation {
    /// The first of the runs that carried each other on: numbers of throws go on through them.
    first: i64,
    throw: u64,
    step: Step,
    commanded: Id,
    seen: Seen,
    mark: Option<String>,
}

/// What came up of one turnout or signal.
#[derive(Debug, Default)]
struct Course {
    place: String,
    observations: Vec<Observation>,
    verdicts: Vec<Given>,
}

/// A verdict, the first of the runs that carried each other on, and the mark it had then.
#[derive(Debug)]
struct Given {
    past: Past,
    first: i64,
    mark: Option<String>,
}

#[derive(Debug, Default)]
struct Gathered {
    /// Of each run, the first of those that it carried on.
    first: BTreeMap<i64, i64>,
    order: Vec<Subject>,
    courses: BTreeMap<Subject, Course>,
}

impl Gathered {
    fn course(&mut self, subject: &Subject) -> &mut Course {
        match self.courses.entry(subject.clone()) {
            Entry::Occupied(entry) => entry.into_mut(),
            Entry::Vacant(entry) => {
                self.order.push(subject.clone());
                entry.insert(Course::default())
            }
        }
    }

    fn take(&mut self, run: &RunLog) {
        let id = run.info.id;
        let before = run.info.continues.and_then(|run| self.first.get(&run));
        let first = before.copied().unwrap_or(id);
        self.first.insert(id, first);
        for logged in &run.events {
            match &logged.event.kind {
                EventKind::Observation {
                    subject,
                    throw,
                    step,
                    commanded,
                    seen,
                    carried: false,
                } => {
                    let mark = run.marks.get(subject).cloned();
                    self.course(subject).observations.push(Observation {
                        first,
                        throw: *throw,
                        step: *step,
                        commanded: commanded.clone(),
                        seen: seen.clone(),
                        mark,
                    });
                }
                EventKind::Withdrawn { subject, throw, .. } => {
                    self.course(subject).withdraw(first, *throw);
                }
                EventKind::SweptAgain { subject, .. } => {
                    let course = self.course(subject);
                    course.observations.retain(|one| one.first != first);
                    course.verdicts.retain(|given| given.first != first);
                }
                EventKind::Verdict {
                    subject,
                    verdict,
                    place,
                    detail,
                    carried: false,
                    ..
                } => {
                    let mark = run.marks.get(subject).cloned();
                    let course = self.course(subject);
                    course.place.clone_from(place);
                    let seen = course.in_short(first, mark.as_ref());
                    let past = Past {
                        run: id,
                        at: logged.at,
                        verdict: *verdict,
                        seen,
                        detail: detail.clone(),
                        change: None,
                        is_plan_changed: false,
                    };
                    course.verdicts.push(Given { past, first, mark });
                }
                // The rest, and what was only carried.
                EventKind::RunStarted { .. }
                | EventKind::ThrowSent { .. }
                | EventKind::Observation { .. }
                | EventKind::Noted { .. }
                | EventKind::Surveyed { .. }
                | EventKind::Looked { .. }
                | EventKind::Accepted { .. }
                | EventKind::LaidByHand { .. }
                | EventKind::Verdict { .. }
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
    }
}

impl Course {
    /// The operator took that observation back, and with it the verdict it led to.
    fn withdraw(&mut self, first: i64, throw: u64) {
        self.observations
            .retain(|one| one.first != first || one.throw < throw);
        self.verdicts.retain(|given| given.first != first);
    }

    /// What was seen in those runs that was not as commanded, each once; not what was seen
    /// before the plan changed between two of them.
    fn in_short(&self, first: i64, mark: Option<&String>) -> String {
        let mut parts: Vec<String> = Vec::new();
        let own = |one: &&Observation| one.first == first && one.mark.as_ref() == mark;
        for one in self.observations.iter().filter(own) {
            if let Some(part) = one.amiss()
                && !parts.contains(&part)
            {
                parts.push(part);
            }
        }
        parts.join("; ")
    }

    fn history(&self, subject: &Subject, is_in_plan: bool) -> SubjectHistory {
        let mut verdicts: Vec<Past> = Vec::new();
        // The last verdict that says something, and the mark it had.
        let mut before: Option<(Verdict, &Option<String>)> = None;
        let mut mended = None;
        for Given { past, first, mark } in &self.verdicts {
            let mut past = past.clone();
            if let Some((verdict, marked)) = before {
                past.change = change(verdict, past.verdict);
                past.is_plan_changed = marked != mark;
                if past.change == Some(Change::Fixed) && needs_mending(verdict) {
                    mended = Some(*first);
                }
            }
            if past.verdict != Verdict::Skipped {
                before = Some((past.verdict, mark));
            }
            verdicts.push(past);
        }
        let proved = |past: &&Past| past.verdict == Verdict::Proved;
        SubjectHistory {
            subject: subject.clone(),
            place: self.place.clone(),
            is_in_plan,
            last_proved: verdicts.iter().rfind(proved).map(|past| past.at),
            verdicts,
            visits: self.visits(mended),
            diagnoses: Vec::new(),
        }
    }

    /// Counts visits since the plan last changed, and from the run on that found it mended: a
    /// turnout that was wired anew is another.
    fn visits(&self, mended: Option<i64>) -> Vec<Visits> {
        let mark = self.observations.last().map(|one| &one.mark);
        let counted = self.observations.iter().filter(|one| {
            let is_same = Some(&one.mark) == mark && mended.is_none_or(|run| one.first >= run);
            one.step == Step::Visit && is_same
        });
        let mut counts: BTreeMap<&Id, (u32, u32)> = BTreeMap::new();
        for one in counted {
            let (visits, arrived) = counts.entry(&one.commanded).or_default();
            *visits += 1;
            *arrived += u32::from(one.arrived());
        }
        let counts = counts.into_iter();
        let visits = counts.filter_map(|(commanded, (visits, arrived))| {
            let failed = visits - arrived;
            Some(Visits {
                commanded: commanded.clone(),
                visits,
                arrived,
                failed,
                rate: bounds(failed, visits)?,
            })
        });
        visits.collect()
    }
}

/// Whether a fault is one that only somebody's hand can have mended. One that comes and goes may
/// be there still, and what was seen of it goes on counting.
fn needs_mending(verdict: Verdict) -> bool {
    match verdict {
        Verdict::Reversed | Verdict::Still | Verdict::OneWay | Verdict::Stray => true,
        Verdict::Proved | Verdict::Partial | Verdict::Skipped => false,
    }
}

impl Observation {
    fn arrived(&self) -> bool {
        word(&self.seen.observed) == self.commanded.as_str()
    }

    /// What is worth telling of it.
    fn amiss(&self) -> Option<String> {
        let idle = self.seen.observed == Observed::NoMovement && self.step != Step::Visit;
        let others = &self.seen.others;
        if (self.arrived() || idle) && others.is_empty() {
            return None;
        }
        let mut text = format!("to {}: {}", self.commanded, word(&self.seen.observed));
        if !others.is_empty() {
            let names: Vec<_> = others.iter().map(Id::as_str).collect();
            text = format!("{text}, moved: {}", names.join(" "));
        }
        Some(text)
    }
}

fn word(observed: &Observed) -> &str {
    match observed {
        Observed::Straight => "straight",
        Observed::Diverging => "diverging",
        Observed::NoMovement => "no movement",
        Observed::Between => "between",
        Observed::Another => "another",
        Observed::Aspect(name) => name.as_str(),
    }
}

fn change(before: Verdict, after: Verdict) -> Option<Change> {
    match (before, after) {
        (_, Verdict::Skipped) => None,
        (before, Verdict::Proved) => before.is_failure().then_some(Change::Fixed),
        (Verdict::Proved, _) => Some(Change::Worse),
        (before, after) => (before != after).then_some(Change::OtherFault),
    }
}

#[cfg(test)]
mod tests;
