//! What a report says, before anyone decides how it looks.

use jiff::tz::TimeZone;
use serde::Serialize;

mod chart;
mod counts;
mod moment;
mod thing;

pub use chart::{Chart, Driven, OutputLine, SupplyLine};
pub use counts::{Acceptance, Counts, State};
pub use moment::Moment;
pub use thing::{
    AdviceLine, After, AspectLine, DiagnosisLine, DriveLine, Kind, LookLine, NoteLine,
    PositionLine, Thing, Throw,
};

use crate::event::StopReason;
use crate::record::RunLog;
use crate::record::taught::{Lesson, last_of_each};
use crate::verdict::Verdict;

/// Version of the JSON form; raised when a field changes its meaning or goes.
pub const FORMAT: u32 = 1;

/// What the runs were made on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Nature {
    /// The layout.
    Layout,
    /// The simulated track, which proves nothing of the layout.
    Rehearsal,
}

/// A report.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Version of the JSON form, [`FORMAT`].
    pub format: u32,
    /// Version of the program that made the report.
    pub version: String,
    /// Name of the layout.
    pub layout: String,
    /// What the runs were made on.
    pub nature: Nature,
    /// The plan that it is about.
    pub plan: PlanInfo,
    /// How many of what the plan has came to what.
    pub counts: Counts,
    /// Turnouts with an acceptance list, and how many of them have passed it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acceptance: Option<Acceptance>,
    /// Everything of the plan, place by place, in the order of the plan.
    pub places: Vec<Place>,
    /// What several failures together point at.
    pub patterns: Vec<Pattern>,
    /// Each decoder's addresses and outputs.
    pub decoders: Vec<Chart>,
    /// What was sent to decoders that were given their address, and what was seen of it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub taught: Vec<TaughtLine>,
    /// What is different since the run before the last.
    pub changes: Vec<Change>,
    /// Ids that runs had and the plan has no more.
    pub gone: Vec<String>,
    /// The runs, oldest first; never empty.
    pub runs: Vec<Run>,
    /// What to mind.
    pub cautions: Vec<CautionLine>,
}

/// A decoder that was given its address.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TaughtLine {
    /// What is known of it.
    #[serde(flatten)]
    pub lesson: Lesson,
    /// The same as a sentence.
    pub text: String,
}

/// The plan of a report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PlanInfo {
    /// Its file, as it was named.
    pub file: String,
    /// SHA-256 of the file, hexadecimal.
    pub fingerprint: String,
    /// Which text of it is meant.
    pub source: PlanSource,
    /// Whether the last run was made with the same text.
    pub as_in_last_run: bool,
}

/// Which text of a plan is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlanSource {
    /// The file as it is now.
    File,
    /// What the record kept of it.
    Record,
}

impl Report {
    /// The same, with what became of decoders that were given their address, as those runs tell.
    #[must_use]
    pub fn with_lessons(mut self, runs: &[RunLog], zone: &TimeZone) -> Self {
        let lessons = last_of_each(runs).into_iter();
        let lines = lessons.map(|lesson| TaughtLine {
            text: lesson.sentence(|at| Moment::new(at, zone).to_string()),
            lesson,
        });
        self.taught = lines.collect();
        self
    }
}

/// A place and what is there.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    /// Its name; empty for what has no place.
    pub name: String,
    /// What is there.
    pub things: Vec<Thing>,
}

/// What several failures together point at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pattern {
    /// Which they are.
    pub ids: Vec<String>,
    /// What it points at and what to try.
    pub text: String,
}

/// A change since the run before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    /// Of which.
    pub id: String,
    /// Which way.
    pub to: Turn,
    /// The verdict before; nothing where there was none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<Verdict>,
    /// The verdict now.
    pub now: Verdict,
}

/// Which way something changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Turn {
    /// It was proved and fails now.
    Worse,
    /// It fails otherwise than before.
    Otherwise,
    /// It failed and is proved now.
    Fixed,
    /// It had no verdict before.
    New,
}

/// A run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Run {
    /// Its number in the record.
    pub run: i64,
    /// When it began.
    pub started: Moment,
    /// When its last event was kept.
    pub ended: Moment,
    /// Whether it came to its end.
    pub complete: bool,
    /// Who or what ended it before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stopped: Option<StopReason>,
    /// The run that it carried on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub continues: Option<i64>,
    /// Who tested.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub tester: String,
    /// The link.
    pub link: String,
    /// The witness.
    pub witness: String,
    /// Version of the program.
    pub version: String,
    /// SHA-256 of the plan at that time.
    pub fingerprint: String,
    /// How often each position was visited.
    pub cycles: u32,
    /// How many throws it made.
    pub throws: usize,
    /// What it came to.
    pub counts: Counts,
    /// How everything that the plan has now stood after it.
    pub standing: Counts,
}

/// A caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CautionLine {
    /// A short word for it.
    pub code: &'static str,
    /// The same in a few words.
    pub title: &'static str,
    /// What to mind.
    pub text: &'static str,
}

impl Report {
    /// Everything of the plan, in the order of the places.
    pub fn things(&self) -> impl Iterator<Item = &Thing> {
        self.places.iter().flat_map(|place| &place.things)
    }

    /// What failed, the worst verdict first, with where it is.
    pub fn failures(&self) -> Vec<(&str, &Thing)> {
        let things = self
            .places
            .iter()
            .flat_map(|place| place.things.iter().map(|one| (place.name.as_str(), one)));
        let mut failures: Vec<_> = things
            .filter(|(_, thing)| thing.state == State::Failed)
            .collect();
        failures.sort_by_key(|(_, thing)| {
            let worst = Verdict::ALL.iter().rev();
            worst
                .clone()
                .position(|one| Some(*one) == thing.verdict)
                .unwrap_or(usize::MAX)
        });
        failures
    }

    /// What was diagnosed or is explained by a diagnosis, in the order of the places.
    pub fn diagnosed(&self) -> Vec<(&Thing, &DiagnosisLine)> {
        let things = self.things();
        let diagnosed = things.filter_map(|thing| Some((thing, thing.diagnosis.as_deref()?)));
        diagnosed.collect()
    }

    /// The last run.
    pub fn last(&self) -> Option<&Run> {
        self.runs.last()
    }

    /// Is it only a rehearsal?
    pub fn is_rehearsal(&self) -> bool {
        self.nature == Nature::Rehearsal
    }
}
