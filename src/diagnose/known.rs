//! What earlier runs say of turnouts, as evidence for a diagnosis.
//!
//! A look is what one run saw of a turnout, over all its throws that count; runs that carry one
//! another on are one. Looks count as long as the turnout is as it was then: the plan has it with
//! the same mark, its decoder was given no address since, and nothing of it was mended that a
//! diagnosis had found. The newest is the evidence. Where
//! looks at one state disagree so that the fault must come and go, the evidence is that it does.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Swept;
use super::sight::{Answer, Motion, Other, of_run};
use super::site::Site;
use super::test::Test;
use crate::event::{EventKind, Subject};
use crate::plan::{Id, Plan, Turnout};
use crate::record::{Record, RecordError, RunInfo, RunKind, RunLog, cases, taught};
use crate::sweep::SoFar;
use crate::verdict::{Verdict, judge};

/// A fault that came and went is taken to be over when it was not seen in so many runs. A choice
/// of ours.
const OVER_AFTER: usize = 3;

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

    /// All of it in a sentence, in the time of that zone: `it never moved; seen on 24 November
    /// 2026 in run 12 by Ada; it went as sent until 20 November 2026, run 9`.
    pub fn told(&self, zone: &TimeZone) -> String {
        let Some((newest, before)) = self.looks.split_last() else {
            return String::new();
        };
        let mut text = format!("{}; {}", newest.behaviour(), newest.seen(zone));
        let last = |is_wrong: bool| {
            let mut looks = before.iter().rev();
            looks.find(|look| look.motion.is_wrong() == is_wrong)
        };
        // A `String` takes anything.
        let _infallible = match self.course {
            Course::Same if before.is_empty() => Ok(()),
            Course::Same => write!(text, "; alike in {} before", count(before.len())),
            Course::Broke => match last(false) {
                Some(look) => write!(text, "; it went as sent until {}", look.when(zone)),
                None => Ok(()),
            },
            Course::Mended => match last(true) {
                Some(look) => write!(text, "; it failed until {}", look.when(zone)),
                None => Ok(()),
            },
            Course::Otherwise => match before.last() {
                Some(look) => write!(
                    text,
                    "; before that, on {}: {}",
                    look.when(zone),
                    look.behaviour()
                ),
                None => Ok(()),
            },
            Course::ComesAndGoes => {
                let wrong = self.looks.iter().filter(|look| look.motion.is_wrong());
                write!(
                    text,
                    "; it comes and goes: not as sent in {} of {}",
                    wrong.count(),
                    count(self.looks.len())
                )
            }
        };
        text
    }
}

impl Look {
    /// How it behaved, in words.
    pub fn behaviour(&self) -> String {
        let told = Test::Again.told(Answer::Motion(self.motion, self.other));
        if self.others.is_empty() {
            return told;
        }
        let ids: Vec<_> = self.others.iter().map(Id::as_str).collect();
        format!("{told} ({})", ids.join(", "))
    }

    /// When and by whom it was seen, in the time of that zone: `seen on 24 November 2026 in run 12
    /// by Ada`.
    pub fn seen(&self, zone: &TimeZone) -> String {
        let by = match (self.witness.as_str(), self.tester.as_str()) {
            ("track", _) => " by the simulated track",
            ("reports", _) => " by position reports",
            (_, "") => "",
            (_, tester) => return format!("seen on {} by {tester}", self.in_run(zone)),
        };
        format!("seen on {}{by}", self.in_run(zone))
    }

    fn in_run(&self, zone: &TimeZone) -> String {
        format!("{} in run {}", day(self.at, zone), self.run)
    }

    fn when(&self, zone: &TimeZone) -> String {
        format!("{}, run {}", day(self.at, zone), self.run)
    }
}

fn count(runs: usize) -> String {
    let word = if runs == 1 { "run" } else { "runs" };
    format!("{runs} {word}")
}

fn day(time: Timestamp, zone: &TimeZone) -> String {
    let zoned = time.to_zoned_datetime(zone.clone());
    zoned.strftime("%-d %B %Y").to_string()
}

/// How the looks go together, oldest first.
fn course(looks: &[Look]) -> Course {
    let wrong: Vec<bool> = looks.iter().map(|look| look.motion.is_wrong()).collect();
    // It failed, went as sent and failed again.
    let came_back = |wrong: &[bool]| {
        let first = wrong.iter().position(|is_wrong| *is_wrong);
        let after = first.and_then(|first| wrong.get(first..));
        let left = after.and_then(|after| after.iter().position(|is_wrong| !*is_wrong));
        let again = after.zip(left).and_then(|(after, left)| after.get(left..));
        again.is_some_and(|again| again.contains(&true))
    };
    let Some(last) = wrong.iter().rposition(|is_wrong| *is_wrong) else {
        return Course::Same;
    };
    let good_since = wrong.len() - 1 - last;
    let returned = came_back(&wrong);
    if good_since == 0 {
        if returned {
            return Course::ComesAndGoes;
        }
        if wrong.contains(&false) {
            return Course::Broke;
        }
        let alike = |look: &Look| Some(look.motion) == looks.last().map(|last| last.motion);
        return if looks.iter().all(alike) {
            Course::Same
        } else {
            Course::Otherwise
        };
    }
    // What fails on some throws only has not been mended because it went well for once.
    let by_itself = matches!(looks[last].motion, Motion::Partly | Motion::Unsteady);
    if (returned || by_itself) && good_since < OVER_AFTER {
        Course::ComesAndGoes
    } else {
        Course::Mended
    }
}

/// Of each run, the first of those that it carries on.
struct Roots(BTreeMap<i64, i64>);

impl Roots {
    fn of<'r>(runs: impl Iterator<Item = &'r RunInfo>) -> Self {
        let mut roots = BTreeMap::new();
        for run in runs {
            let before = run.continues.and_then(|run| roots.get(&run));
            let root = before.copied().unwrap_or(run.id);
            roots.insert(run.id, root);
        }
        Self(roots)
    }

    fn root(&self, run: i64) -> i64 {
        self.0.get(&run).copied().unwrap_or(run)
    }
}

/// Runs that carry each other on, taken together.
#[derive(Default)]
struct Tree<'r> {
    so_far: SoFar,
    /// When each throw was last observed, and in which run.
    seen: BTreeMap<(Subject, u64), (Timestamp, &'r RunInfo)>,
}

fn trees<'r>(plan: &Plan, marks: &BTreeMap<Subject, String>, runs: &[&'r RunLog]) -> Vec<Tree<'r>> {
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
    fn look(&self, plan: &Plan, index: usize, turnout: &Turnout, changed: Changed) -> Option<Look> {
        if turnout.joint.is_some() {
            // It has other positions than the tests know of, and its drives may disagree.
            return None;
        }
        let subject = Subject::Turnout(turnout.id.clone());
        let evidence = self.so_far.evidence(plan, &subject);
        let (motion, other) = of_run(plan, index, &evidence)?;
        let throws = self.so_far.throws_of(&subject).into_iter();
        let seen: Vec<_> = throws
            .map(|throw| self.seen.get(&(subject.clone(), throw)))
            .collect::<Option<_>>()?;
        if seen.iter().any(|(at, run)| changed.is_after(*at, run.id)) {
            return None;
        }
        let (at, run) = seen.into_iter().max_by_key(|(at, run)| (run.id, *at))?;
        let mut others: Vec<Id> = Vec::new();
        for id in evidence.iter().flat_map(|one| &one.seen.others) {
            if !others.contains(id) {
                others.push(id.clone());
            }
        }
        Some(Look {
            run: run.id,
            at: *at,
            witness: run.witness.clone(),
            tester: run.tester.clone(),
            motion,
            other,
            others,
            verdict: judge(&evidence)?,
        })
    }
}

/// Since when a turnout is as it is.
#[derive(Debug, Clone, Copy, Default)]
struct Changed {
    /// The last run with which it was another.
    run: i64,
    /// When something of it was last mended.
    mended: Option<Timestamp>,
}

impl Changed {
    /// Whether what was seen then was seen before.
    fn is_after(self, at: Timestamp, run: i64) -> bool {
        run <= self.run || self.mended.is_some_and(|mended| at <= mended)
    }
}

/// Since when each turnout is as it is: the plan had it otherwise before, or something was sent to
/// give its decoder an address, or somebody mended what a diagnosis had found.
fn changes(
    plan: &Plan,
    marks: &BTreeMap<Subject, String>,
    runs: &[&RunLog],
) -> BTreeMap<usize, Changed> {
    let mut changes: BTreeMap<usize, Changed> = BTreeMap::new();
    for run in runs {
        let lesson = taught::of(run).filter(|lesson| lesson.sent.is_some());
        let decoders: BTreeSet<&Id> = lesson.iter().map(|lesson| &lesson.decoder).collect();
        let cases = cases::of(std::slice::from_ref(*run));
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let subject = Subject::Turnout(turnout.id.clone());
            let decoder = turnout.output.map(|output| &plan.decoders[output.decoder]);
            let is_taught = decoder.is_some_and(|decoder| decoders.contains(&decoder.id));
            if is_taught || run.marks.get(&subject) != marks.get(&subject) {
                changes.entry(index).or_default().run = run.info.id;
            }
            for case in &cases {
                let mended = case.mended.as_ref().filter(|mended| {
                    case.is_about(&turnout.id) || mended.proves.contains(&turnout.id)
                });
                if let Some(mended) = mended {
                    changes.entry(index).or_default().mended = Some(mended.at);
                }
            }
        }
    }
    changes
}

#[cfg(test)]
mod tests;
