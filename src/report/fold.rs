//! Runs and a plan, folded into a report.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::model::{
    Acceptance, CautionLine, Change, Counts, FORMAT, Moment, Nature, Place, PlanInfo, PlanSource,
    Report, Run, State, Turn,
};
use super::standing::standing;
use super::story::Story;
use super::things::places;
use super::{chart, patterns};
use crate::cautions;
use crate::event::Subject;
use crate::plan::Plan;
use crate::record::cases::Case;
use crate::record::{Record, RecordError, RunInfo, RunLog, fingerprint};
use crate::verdict::Verdict;

/// Which runs are wanted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Choice {
    /// Rehearsals, though there are runs on the layout.
    pub rehearsals: bool,
    /// Nothing later than this run, and what is of its nature.
    pub up_to: Option<i64>,
}

/// What a report is made of.
#[derive(Debug, Clone, Copy)]
pub struct Basis<'a> {
    /// The runs, oldest first, all of one nature: those that [`choose`] chose.
    pub runs: &'a [RunLog],
    /// What they were made on.
    pub nature: Nature,
    /// The plan.
    pub plan: &'a Plan,
    /// The text that it was read from.
    pub plan_text: &'a str,
    /// Which text that is.
    pub source: PlanSource,
    /// What diagnoses came to, oldest first, of the same nature.
    pub cases: &'a [Case],
    /// What the plan has, each with the mark that a run of it would be kept with; `None` where
    /// that is not known, and nothing is then taken for changed.
    pub marks: Option<&'a BTreeMap<Subject, String>>,
    /// The time zone that people read times in.
    pub zone: &'a TimeZone,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The record can't be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The record has no run.
    #[error("the record has no run yet")]
    NoRuns,
    /// The record has no rehearsal.
    #[error("the record has no rehearsal, only runs on the layout")]
    NoRehearsals,
    /// The record has no such run.
    #[error("the record has no run {run}; it has {has}")]
    NoSuchRun {
        /// The run asked for.
        run: i64,
        /// Those there are, in words.
        has: String,
    },
}

/// The runs to make a report of, oldest first: those on the layout, or else rehearsals.
///
/// # Errors
/// When there is no run of the kind that is asked for.
pub fn choose(runs: &[RunInfo], choice: Choice) -> Result<(Nature, Vec<i64>), ReportError> {
    if runs.is_empty() {
        return Err(ReportError::NoRuns);
    }
    let named = choice.up_to.map(|run| {
        runs.iter()
            .find(|info| info.id == run)
            .ok_or_else(|| ReportError::NoSuchRun {
                run,
                has: listed(runs),
            })
    });
    let named = named.transpose()?;
    let any_real = runs.iter().any(|info| !info.is_rehearsal);
    let rehearsal = match named {
        Some(info) => info.is_rehearsal,
        None => choice.rehearsals || !any_real,
    };
    let nature = if rehearsal {
        Nature::Rehearsal
    } else {
        Nature::Layout
    };
    let chosen: Vec<_> = runs
        .iter()
        .filter(|info| info.is_rehearsal == rehearsal)
        .filter(|info| choice.up_to.is_none_or(|run| info.id <= run))
        .map(|info| info.id)
        .collect();
    if chosen.is_empty() {
        return Err(ReportError::NoRehearsals);
    }
    Ok((nature, chosen))
}

/// The same runs with their events, from a record.
///
/// # Errors
/// As [`choose`], and when the record can't be read.
pub fn runs_of(record: &Record, choice: Choice) -> Result<(Nature, Vec<RunLog>), ReportError> {
    let (nature, ids) = choose(&record.runs()?, choice)?;
    let runs = ids.into_iter().map(|id| record.log(id));
    Ok((nature, runs.collect::<Result<_, _>>()?))
}

/// `run 1`, `runs 1 to 4`.
fn listed(runs: &[RunInfo]) -> String {
    let first = runs.first().map_or(0, |info| info.id);
    let last = runs.last().map_or(0, |info| info.id);
    if first == last {
        format!("run {first}")
    } else {
        format!("runs {first} to {last}")
    }
}

impl Report {
    /// What those runs say of that plan.
    pub fn of(basis: &Basis<'_>) -> Self {
        let runs = basis.runs;
        let told: Vec<_> = runs.iter().map(|log| (log, Story::of(log))).collect();
        let subjects = subjects(basis.plan);
        let places = places(basis, &told);
        let mut counts = Counts::default();
        for thing in places.iter().flat_map(|place| &place.things) {
            counts.add(thing.state);
        }
        let acceptance = acceptance(&places);
        let last_text = runs.last().map(|log| log.info.fingerprint.as_str());
        let fingerprint = fingerprint(basis.plan_text.as_bytes());
        let mut report = Self {
            format: FORMAT,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            layout: basis.plan.layout.name.clone(),
            nature: basis.nature,
            plan: PlanInfo {
                file: basis.plan.source.display().to_string(),
                as_in_last_run: last_text == Some(&fingerprint),
                fingerprint,
                source: basis.source,
            },
            counts,
            acceptance,
            patterns: Vec::new(),
            decoders: chart::all(basis.plan),
            taught: Vec::new(),
            changes: changes(basis, &told, &subjects),
            gone: gone(&told, &subjects),
            runs: run_lines(basis, &told, &subjects),
            cautions: cautions::ALL.iter().map(CautionLine::from).collect(),
            places,
        };
        report.patterns = patterns::find(&report, basis.plan);
        report
    }
}

impl From<&cautions::Caution> for CautionLine {
    fn from(caution: &cautions::Caution) -> Self {
        Self {
            code: caution.code,
            title: caution.title,
            text: caution.text,
        }
    }
}

/// A run, and what it says.
pub(super) type Told<'a> = (&'a RunLog, Story);

/// Everything of a plan, in its order.
fn subjects(plan: &Plan) -> Vec<Subject> {
    let turnouts = plan.turnouts.iter().map(|one| one.id.clone());
    let signals = plan.signals.iter().map(|one| one.id.clone());
    let turnouts = turnouts.map(Subject::Turnout);
    turnouts.chain(signals.map(Subject::Signal)).collect()
}

fn acceptance(places: &[Place]) -> Option<Acceptance> {
    let things = places.iter().flat_map(|place| &place.things);
    let listed: Vec<_> = things.filter(|thing| !thing.looks.is_empty()).collect();
    (!listed.is_empty()).then(|| Acceptance {
        accepted: listed.iter().filter(|thing| thing.accepted).count(),
        listed: listed.len(),
    })
}

/// What is different from how it stood before the last run, and before the runs that one
/// carries on.
fn changes(basis: &Basis<'_>, told: &[Told<'_>], subjects: &[Subject]) -> Vec<Change> {
    let mut first = told.last().map_or(0, |(log, _)| log.info.id);
    for (log, _) in told.iter().rev() {
        if log.info.id == first
            && let Some(before) = log.info.continues
        {
            first = before;
        }
    }
    let before = told.partition_point(|(log, _)| log.info.id < first);
    let before = told.get(..before).unwrap_or_default();
    if before.is_empty() {
        return Vec::new();
    }
    let mut changes: Vec<_> = subjects
        .iter()
        .filter_map(|subject| {
            let then = standing(subject, before, None).given.map(|one| one.verdict);
            let now = standing(subject, told, basis.marks).given?.verdict;
            let failed = |verdict: Verdict| verdict.is_failure();
            let to = match then {
                Some(then) if then == now => return None,
                None | Some(Verdict::Skipped) => Turn::New,
                Some(_) if now == Verdict::Proved => Turn::Fixed,
                Some(Verdict::Proved) if failed(now) => Turn::Worse,
                Some(_) => Turn::Otherwise,
            };
            Some(Change {
                id: subject.id().to_string(),
                to,
                before: then,
                now,
            })
        })
        .collect();
    changes.sort_by_key(|change| change.to);
    changes
}

/// Ids with a verdict that the plan has no more.
fn gone(told: &[Told<'_>], subjects: &[Subject]) -> Vec<String> {
    let verdicts = told.iter().flat_map(|(_, story)| story.verdicts.keys());
    let mut gone: Vec<_> = verdicts
        .filter(|subject| !subjects.contains(subject))
        .map(|subject| subject.id().to_string())
        .collect();
    gone.sort_unstable();
    gone.dedup();
    gone
}

fn run_lines(basis: &Basis<'_>, told: &[Told<'_>], subjects: &[Subject]) -> Vec<Run> {
    let lines = told.iter().enumerate().map(|(at, (log, story))| {
        let so_far = told.get(..=at).unwrap_or_default();
        let mut after = Counts::default();
        for subject in subjects {
            after.add(standing(subject, so_far, None).state());
        }
        let mut counts = Counts::default();
        for given in story.verdicts.values() {
            counts.add(State::of(given.verdict));
        }
        counts.open = story.expected.saturating_sub(counts.total);
        counts.total += counts.open;
        let info = &log.info;
        Run {
            run: info.id,
            started: Moment::new(info.started, basis.zone),
            ended: Moment::new(info.ended, basis.zone),
            complete: info.is_complete,
            stopped: story.stopped,
            continues: info.continues,
            tester: info.tester.clone(),
            link: info.link.clone(),
            witness: info.witness.clone(),
            version: info.version.clone(),
            fingerprint: info.fingerprint.clone(),
            cycles: info.cycles,
            throws: story.sent,
            counts,
            standing: after,
        }
    });
    lines.collect()
}
