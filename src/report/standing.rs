//! How one of the plan stands after some runs.

use std::collections::BTreeMap;

use super::fold::Told;
use super::model::State;
use super::story::Given;
use crate::event::Subject;
use crate::record::RunLog;
use crate::verdict::Verdict;

/// What the verdicts of some runs come to for one of the plan.
#[derive(Debug, Default)]
pub(super) struct Standing<'a> {
    /// The last verdict that came of throws, or that it was skipped if there is none.
    pub(super) given: Option<&'a Given>,
    /// The run that gave it.
    pub(super) run: Option<i64>,
    /// The first verdict of the row of equal ones that it ends.
    pub(super) first: Option<&'a Given>,
    /// A later run that left it out.
    pub(super) left_out: Option<i64>,
    /// Whether the plan has changed it since.
    pub(super) is_changed: bool,
    /// Place in the list of runs from which on the plan was as it is now.
    pub(super) from: usize,
}

impl Standing<'_> {
    /// The same in a word.
    pub(super) fn state(&self) -> State {
        match self.given {
            None => State::Open,
            Some(_) if self.is_changed => State::Changed,
            Some(given) => State::of(given.verdict),
        }
    }
}

/// How that one stands after those runs.
pub(super) fn standing<'a>(
    subject: &Subject,
    told: &'a [Told<'a>],
    marks: Option<&BTreeMap<Subject, String>>,
) -> Standing<'a> {
    let mut standing = Standing::default();
    let (mut mark_of_verdict, mut mark_before) = (None, None);
    for (at, (log, story)) in told.iter().enumerate() {
        let mark = log.marks.get(subject);
        if mark != mark_before {
            // Another turnout, in a way: what was seen before is not of this one.
            standing.first = None;
            standing.from = at;
            mark_before = mark;
        }
        let given = story.verdicts.get(subject);
        let Some(given) = given.filter(|_| !is_taken_back(subject, log, told)) else {
            continue;
        };
        let was_tried = standing
            .given
            .is_some_and(|one| one.verdict != Verdict::Skipped);
        if given.verdict == Verdict::Skipped && was_tried && mark == mark_of_verdict {
            standing.left_out = Some(log.info.id);
            continue;
        }
        if standing.first.map(|one| one.verdict) != Some(given.verdict) {
            standing.first = Some(given);
        }
        standing.given = Some(given);
        standing.run = Some(log.info.id);
        standing.left_out = None;
        mark_of_verdict = mark;
    }
    let mark_now = marks.map_or(mark_before, |marks| marks.get(subject));
    standing.is_changed = standing.given.is_some() && mark_now != mark_of_verdict;
    standing
}

/// Whether a later run that carries this one on took back what it says of that one.
fn is_taken_back(subject: &Subject, log: &RunLog, told: &[Told<'_>]) -> bool {
    let carries_on = |later: &RunLog| {
        let mut before = later.info.continues;
        while let Some(id) = before.filter(|id| *id > log.info.id) {
            let own = told.iter().find(|(other, _)| other.info.id == id);
            let next = own.and_then(|(other, _)| other.info.continues);
            before = next.filter(|next| *next < id);
        }
        before == Some(log.info.id)
    };
    let mut later = told.iter();
    later.any(|(other, story)| story.taken_back.contains(subject) && carries_on(other))
}
