//! What diagnoses came to: why a turnout failed, whether that was mended, and what came of it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::RunLog;
use super::history::{History, SubjectHistory};
use crate::event::diagnosis::{Came, Cause, Parting};
use crate::event::{Diagnosed, EventKind, Subject};
use crate::plan::Id;

/// So many of the causes that remain are told.
pub const TOLD: usize = 4;

/// One diagnosis of a turnout that came to its end. A run has another one for each time that
/// something was mended and was not all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// The turnout that failed.
    pub turnout: Id,
    /// The run.
    pub run: i64,
    /// When it came to its end.
    pub at: Timestamp,
    /// How it ended.
    pub kind: Came,
    /// How many tests were made.
    pub tests: u32,
    /// How likely it is that none of the known causes fits, 0 to 1.
    pub none_fits: f64,
    /// The likeliest causes, the first one first.
    pub causes: Vec<Cause>,
    /// The one measurement that would part what remains.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub parting: Option<Parting>,
    /// Other turnouts that failed and that the likeliest cause explains too.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub explains: Vec<Id>,
    /// What was said to be mended.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub mended: Option<Mended>,
    /// What came of proving that.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub proof: Option<Proof>,
    /// The marks that those it is about had then: with another one a turnout is another.
    #[serde(skip)]
    pub marks: BTreeMap<Id, String>,
}

/// Something was mended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mended {
    /// When that was said.
    pub at: Timestamp,
    /// The cause, by its stable name.
    pub cause: String,
    /// The turnouts that were to be swept to prove it.
    pub proves: Vec<Id>,
}

/// A mended cause was put to the proof.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Proof {
    /// When that was over.
    pub at: Timestamp,
    /// Whether all that were swept are proved.
    pub proved: bool,
    /// What came of it, in words.
    pub words: String,
    /// Those that still fail.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub still_fail: Vec<Id>,
}

/// The diagnoses of those runs, in their order. What came of a mended cause may be told in a later
/// run.
pub fn of(runs: &[RunLog]) -> Vec<Case> {
    let mut cases = Vec::new();
    for run in runs {
        take_run(run, &mut cases);
    }
    cases
}

fn take_run(run: &RunLog, cases: &mut Vec<Case>) {
    for logged in &run.events {
        let EventKind::Diagnosis(fact) = &logged.event.kind else {
            continue;
        };
        match fact {
            Diagnosed::Diagnosis {
                turnout,
                kind,
                tests,
                none_fits,
                causes,
                parting,
                explains,
                ..
            } => {
                let about = std::iter::once(turnout).chain(explains);
                let marks = about.filter_map(|id| {
                    let mark = run.marks.get(&Subject::Turnout(id.clone()))?;
                    Some((id.clone(), mark.clone()))
                });
                cases.push(Case {
                    turnout: turnout.clone(),
                    run: run.info.id,
                    at: logged.at,
                    kind: *kind,
                    tests: *tests,
                    none_fits: *none_fits,
                    causes: causes.clone(),
                    parting: parting.clone(),
                    explains: explains.clone(),
                    mended: None,
                    proof: None,
                    marks: marks.collect(),
                });
            }
            Diagnosed::DiagnosisMended {
                turnout,
                cause,
                proves,
            } => {
                let mut last = cases.iter_mut().rev();
                if let Some(case) = last.find(|case| case.turnout == *turnout) {
                    case.mended = Some(Mended {
                        at: logged.at,
                        cause: cause.clone(),
                        proves: proves.clone(),
                    });
                }
            }
            Diagnosed::DiagnosisProved {
                turnout,
                cause,
                proved,
                words,
                still_fail,
            } => {
                let is_it = |case: &&mut Case| {
                    let mended = case.mended.as_ref();
                    case.turnout == *turnout && mended.is_some_and(|it| it.cause == *cause)
                };
                if let Some(case) = cases.iter_mut().rev().find(is_it) {
                    case.proof = Some(Proof {
                        at: logged.at,
                        proved: *proved,
                        words: words.clone(),
                        still_fail: still_fail.clone(),
                    });
                }
            }
            Diagnosed::DiagnosisStarted { .. }
            | Diagnosed::DiagnosisTest { .. }
            | Diagnosed::DiagnosisAnswer { .. } => {}
        }
    }
}

impl History {
    /// The same with what diagnoses came to, each with the turnout that it was made of.
    #[must_use]
    pub fn with_cases(mut self, cases: &[Case]) -> Self {
        for case in cases {
            let subject = Subject::Turnout(case.turnout.clone());
            let known = self.subjects.iter().position(|one| one.subject == subject);
            let place = known.unwrap_or_else(|| {
                self.subjects.push(SubjectHistory {
                    subject,
                    place: String::new(),
                    is_in_plan: true,
                    verdicts: Vec::new(),
                    last_proved: None,
                    visits: Vec::new(),
                    diagnoses: Vec::new(),
                });
                self.subjects.len() - 1
            });
            self.subjects[place].diagnoses.push(case.clone());
        }
        self
    }
}

impl Case {
    /// Whether it says something about that turnout: it was diagnosed, or the likeliest cause
    /// explains it too.
    pub fn is_about(&self, id: &Id) -> bool {
        self.turnout == *id || self.explains.contains(id)
    }

    /// The causes that it names: the one, or those that remain.
    pub fn named(&self) -> &[Cause] {
        match self.kind {
            Came::Named => self.causes.get(..1).unwrap_or_default(),
            Came::Remain => &self.causes,
            Came::NoneFits | Came::BrokenOff => &[],
        }
    }

    /// What it came to, in a sentence or two: `97 % sure: The coil for straight does not conduct.`
    pub fn sentence(&self) -> String {
        let mut text = match (self.kind, self.causes.first()) {
            (Came::BrokenOff, _) => "it was broken off before anything was sure".to_owned(),
            (Came::NoneFits, _) => "none of the known causes fits what was seen".to_owned(),
            (Came::Named | Came::Remain, None) => "it names no cause".to_owned(),
            (Came::Named, Some(cause)) => format!("{} % sure: {}", percent(cause), cause.says),
            (Came::Remain, Some(_)) => {
                let each = self.causes.iter().take(TOLD);
                let each = each.map(|cause| format!("{} % {}", percent(cause), cause.says));
                let each: Vec<_> = each.collect();
                let more = match self.causes.len().saturating_sub(TOLD) {
                    0 => String::new(),
                    more => format!(" And {more} less likely ones."),
                };
                format!("these remain: {}{more}", each.join(" "))
            }
        };
        if !self.explains.is_empty() {
            let ids: Vec<_> = self.explains.iter().map(Id::as_str).collect();
            // A `String` takes anything.
            let _infallible = write!(text, " It explains {} too.", ids.join(", "));
        }
        text
    }

    /// What became of it, as far as the diagnosis itself tells; empty if nothing did. `time`
    /// writes a time.
    pub fn outcome(&self, time: impl Fn(Timestamp) -> String) -> String {
        let Some(mended) = &self.mended else {
            return String::new();
        };
        let mut text = format!("mended {}", time(mended.at));
        // A `String` takes anything.
        let _infallible = match &self.proof {
            None => write!(text, ", not proved"),
            Some(Proof { proved: true, .. }) => write!(text, ", and proved"),
            Some(proof) => write!(text, ", not all of it: {}", proof.words),
        };
        text
    }
}

/// How likely a cause is, per cent; never all.
pub fn percent(cause: &Cause) -> u8 {
    let reached = (0..=99_u8)
        .rev()
        .find(|it| f64::from(*it) <= cause.share * 100.0 + 0.5);
    reached.unwrap_or_default()
}

#[cfg(test)]
mod tests;
