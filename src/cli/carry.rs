//! Carrying on a run that did not come to its end.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, IsTerminal as _, Write as _};

use crossterm::event::{Event as TerminalEvent, KeyCode, KeyEventKind, KeyModifiers, read};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::keep::KeptPlan;
use super::{Failure, Format, remark};
use crate::event::{Event, EventKind, Subject};
use crate::plan::Id;
use crate::record::{Record, RunInfo, RunLog};
use crate::sweep::SoFar;

/// What a run takes over from one before.
#[derive(Debug, Default)]
pub(super) struct Carried {
    /// What was seen so far.
    pub(super) so_far: SoFar,
    /// The run that is carried on.
    pub(super) run: Option<RunInfo>,
    /// What that run was asked for and the plan still has; empty for all of it.
    pub(super) only: Vec<Id>,
}

impl Carried {
    fn new(so_far: SoFar) -> Self {
        Self {
            so_far,
            ..Self::default()
        }
    }
}

/// What the person wants done about an unfinished run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Choice {
    CarryOn,
    NewRun,
    Leave,
}

/// Looks for a run to carry on, and takes over what it saw if that is wanted.
pub(super) fn from(
    record: Option<&Record>,
    kept: &KeptPlan,
    is_rehearsal: bool,
    resume: bool,
    format: Format,
) -> Result<Carried, Failure> {
    let Some(record) = record else {
        if resume {
            return Err(Failure::usage(
                "without a record there is nothing to carry on",
                "leave out --resume, or name the record",
            ));
        }
        return Ok(Carried::default());
    };
    let so_far = looks(record, kept, is_rehearsal)?;
    if record.not_understood() > 0 {
        remark(&format!(
            "{} events of the record were kept by a newer throwproof and are not understood",
            record.not_understood()
        ));
    }
    let Some(run) = record.latest_unfinished(is_rehearsal)? else {
        if resume {
            remark("no run is unfinished, so a new one begins");
        }
        return Ok(Carried::new(so_far));
    };
    let choice = if resume {
        Choice::CarryOn
    } else {
        offer(&run, format)?
    };
    match choice {
        Choice::CarryOn => take_over(record, kept, run, so_far),
        Choice::NewRun => Ok(Carried::new(so_far)),
        Choice::Leave => Err(Failure::Interrupted),
    }
}

/// Tells of an unfinished run, and asks if there is somebody to ask.
fn offer(run: &RunInfo, format: Format) -> Result<Choice, Failure> {
    let asks = format == Format::Text && io::stdin().is_terminal() && io::stderr().is_terminal();
    let what = format!("the run of {} is unfinished", moment(run.started));
    if !asks {
        remark(&format!("{what}; --resume carries it on. A new run begins"));
        return Ok(Choice::NewRun);
    }
    remark(&what);
    let mut out = io::stderr();
    // Before the question is there to be answered: a key pressed earlier may get lost.
    let raw = Raw::enter().map_err(Failure::Setup)?;
    write!(out, "c carry it on   n new run   q leave: ")
        .and_then(|()| out.flush())
        .map_err(Failure::Setup)?;
    let choice = key().map_err(Failure::Setup)?;
    drop(raw);
    let word = match choice {
        Choice::CarryOn => "carry on",
        Choice::NewRun => "new run",
        Choice::Leave => "leave",
    };
    writeln!(out, "{word}").map_err(Failure::Setup)?;
    Ok(choice)
}

/// Keys are read one by one for as long as it lives.
struct Raw;

impl Raw {
    fn enter() -> io::Result<Self> {
        enable_raw_mode()?;
        Ok(Self)
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        if let Err(error) = disable_raw_mode() {
            tracing::warn!(%error, "the terminal stays as it is");
        }
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "every other key means nothing here, now and later"
)]
fn key() -> io::Result<Choice> {
    loop {
        let TerminalEvent::Key(key) = read()? else {
            continue;
        };
        if key.kind == KeyEventKind::Release {
            continue;
        }
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        match key.code {
            KeyCode::Char('c' | 'd') if control => return Ok(Choice::Leave),
            KeyCode::Char('c' | 'C') => return Ok(Choice::CarryOn),
            KeyCode::Char('n' | 'N') => return Ok(Choice::NewRun),
            KeyCode::Char('q' | 'Q') | KeyCode::Esc => return Ok(Choice::Leave),
            _ => {}
        }
    }
}

/// What was looked at closer in any run of that nature stands, whether that run is carried on or
/// not.
fn looks(record: &Record, kept: &KeptPlan, is_rehearsal: bool) -> Result<SoFar, Failure> {
    let mut so_far = SoFar::default();
    if !record.has_looks()? {
        return Ok(so_far);
    }
    for run in record.runs()? {
        if run.is_rehearsal == is_rehearsal {
            let run = record.log(run.id)?;
            let is_unchanged = |subject: &Subject| is_unchanged(kept, &run, subject);
            so_far.take_looks(&kept.plan, &is_unchanged, events(&run));
        }
    }
    Ok(so_far)
}

fn take_over(
    record: &Record,
    kept: &KeptPlan,
    run: RunInfo,
    mut so_far: SoFar,
) -> Result<Carried, Failure> {
    let only: Vec<_> = run
        .only
        .iter()
        .filter(|id| has(kept, id))
        .cloned()
        .collect();
    if only.is_empty() && !run.only.is_empty() {
        remark("nothing of the unfinished run is left in the plan, so a new one begins");
        return Ok(Carried::new(so_far));
    }
    let chain = record.chain(run.id)?;
    for earlier in &chain {
        let is_unchanged = |subject: &Subject| is_unchanged(kept, earlier, subject);
        so_far.take_run(&kept.plan, &is_unchanged, events(earlier));
    }
    remark(&Standing::of(kept, &chain, &run).tell(run.started));
    Ok(Carried {
        so_far,
        run: Some(run),
        only,
    })
}

fn events(run: &RunLog) -> impl Iterator<Item = &Event> {
    run.events.iter().map(|logged| &logged.event)
}

fn is_unchanged(kept: &KeptPlan, run: &RunLog, subject: &Subject) -> bool {
    let mark = kept.marks.get(subject);
    mark.is_some() && mark == run.marks.get(subject)
}

fn has(kept: &KeptPlan, id: &Id) -> bool {
    let id = id.as_str();
    kept.plan.turnout(id).is_some() || kept.plan.signal(id).is_some()
}

/// How far the run was that is carried on.
#[derive(Debug, Default, PartialEq, Eq)]
struct Standing {
    judged: usize,
    total: usize,
    changed: usize,
    gone: usize,
}

impl Standing {
    fn of(kept: &KeptPlan, chain: &[RunLog], run: &RunInfo) -> Self {
        let asked = |subject: &&Subject| run.only.is_empty() || run.only.contains(subject.id());
        let before: BTreeSet<_> = chain.iter().flat_map(|run| run.marks.keys()).collect();
        // Whether what was last seen of it still holds, and what the verdict is.
        let mut seen = BTreeMap::new();
        let mut judged = BTreeSet::new();
        for earlier in chain {
            for event in events(earlier) {
                match &event.kind {
                    EventKind::Observation { subject, .. } => {
                        seen.insert(subject, is_unchanged(kept, earlier, subject));
                    }
                    EventKind::Verdict { subject, .. } => {
                        seen.insert(subject, is_unchanged(kept, earlier, subject));
                        judged.insert(subject);
                    }
                    EventKind::Withdrawn { subject, .. } | EventKind::SweptAgain { subject } => {
                        judged.remove(subject);
                    }
                    EventKind::RunStarted { .. }
                    | EventKind::ThrowSent { .. }
                    | EventKind::Noted { .. }
                    | EventKind::Surveyed { .. }
                    | EventKind::Looked { .. }
                    | EventKind::Accepted { .. }
                    | EventKind::LaidByHand { .. }
                    | EventKind::GroupThrown { .. }
                    | EventKind::GapFound { .. }
                    | EventKind::Unanswered { .. }
                    | EventKind::LinkLost { .. }
                    | EventKind::LinkReturned {}
                    | EventKind::Held { .. }
                    | EventKind::Resumed {}
                    | EventKind::LinkFailed { .. }
                    | EventKind::Stopped { .. }
                    | EventKind::Summary { .. }
                    | EventKind::Teach(_)
                    | EventKind::Hunt(_)
                    | EventKind::Diagnosis(_) => {}
                }
            }
        }
        let in_plan = |subject: &&Subject| kept.marks.contains_key(*subject);
        let holds = |subject: &&&Subject| seen.get(**subject) == Some(&true);
        let changed = seen
            .iter()
            .filter(|(subject, holds)| !**holds && in_plan(subject) && asked(subject));
        Self {
            judged: judged.iter().filter(holds).filter(|one| asked(one)).count(),
            total: kept.marks.keys().filter(asked).count(),
            changed: changed.count(),
            gone: before
                .iter()
                .filter(|one| !in_plan(one) && asked(one))
                .count(),
        }
    }

    fn tell(&self, started: Timestamp) -> String {
        let Self {
            judged,
            total,
            changed,
            gone,
        } = self;
        let has = if *judged == 1 { "has" } else { "have" };
        let mut text = format!(
            "carrying on the run of {}: {judged} of {total} {has} a verdict",
            moment(started)
        );
        if *changed > 0 {
            let are = if *changed == 1 { "is" } else { "are" };
            text = format!("{text}; {changed} changed in the plan since and {are} done again");
        }
        if *gone > 0 {
            let are = if *gone == 1 { "is" } else { "are" };
            text = format!("{text}; {gone} {are} no more in the plan");
        }
        text
    }
}

/// Time of day for people, where they are: `24 November 18:02`.
fn moment(time: Timestamp) -> String {
    time.to_zoned_datetime(TimeZone::system())
        .strftime("%-d %B %H:%M")
        .to_string()
}
