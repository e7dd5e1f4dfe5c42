//! Runs and a plan, folded into a report.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::advice;
use super::chart;
use super::model::{
    Acceptance, AspectLine, CautionLine, Change, Counts, DriveLine, FORMAT, Kind, LookLine, Moment,
    Nature, NoteLine, Place, PlanInfo, PlanSource, PositionLine, Report, Run, State, Thing, Throw,
    Turn,
};
use super::patterns;
use super::story::{Given, Story};
use crate::cautions;
use crate::drawing::Route;
use crate::event::{Step, Subject};
use crate::plan::{Id, Joint, OutputRef, Plan, Signal, Turnout};
use crate::record::{Record, RecordError, RunInfo, RunLog, fingerprint};
use crate::verdict::{Evidence, Verdict};
use crate::view::words;
use crate::witness::Found;

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

type Told<'a> = (&'a RunLog, Story);

/// Everything of a plan, in its order.
fn subjects(plan: &Plan) -> Vec<Subject> {
    let turnouts = plan.turnouts.iter().map(|one| one.id.clone());
    let signals = plan.signals.iter().map(|one| one.id.clone());
    let turnouts = turnouts.map(Subject::Turnout);
    turnouts.chain(signals.map(Subject::Signal)).collect()
}

/// How one of the plan stands after some runs.
#[derive(Debug, Default)]
struct Standing<'a> {
    /// The last verdict that came of throws, or that it was skipped if there is none.
    given: Option<&'a Given>,
    /// The run that gave it.
    run: Option<i64>,
    /// The first verdict of the row of equal ones that it ends.
    first: Option<&'a Given>,
    /// A later run that left it out.
    left_out: Option<i64>,
    /// Whether the plan has changed it since.
    is_changed: bool,
    /// Place in the list of runs from which on the plan was as it is now.
    from: usize,
}

impl Standing<'_> {
    fn state(&self) -> State {
        match self.given {
            None => State::Open,
            Some(_) if self.is_changed => State::Changed,
            Some(given) => State::of(given.verdict),
        }
    }
}

fn standing<'a>(
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

fn places(basis: &Basis<'_>, told: &[Told<'_>]) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    let plan = basis.plan;
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| (one.place.as_str(), turnout(basis, told, one)));
    let signals = plan
        .signals
        .iter()
        .map(|one| (one.place.as_str(), signal(basis, told, one)));
    for (name, thing) in turnouts.chain(signals) {
        match places.iter_mut().find(|place| place.name == name) {
            Some(place) => place.things.push(thing),
            None => places.push(Place {
                name: name.to_owned(),
                things: vec![thing],
            }),
        }
    }
    places
}

fn turnout(basis: &Basis<'_>, told: &[Told<'_>], turnout: &Turnout) -> Thing {
    let subject = Subject::Turnout(turnout.id.clone());
    let kind = Kind::Turnout {
        shape: turnout.shape,
        drive: turnout.drive,
        drives: turnout.drives,
        straight_terminal: turnout.straight_bit.as_u8(),
    };
    let (address, output) = (turnout.address, turnout.output);
    let numbering = basis.plan.layout.numbering;
    let mut thing = bare(basis.plan, &turnout.id, kind, output);
    thing.address = address.get();
    thing.last_address = address.get();
    thing.binary_address = address.binary(numbering).get();
    if let Some(joint) = &turnout.joint {
        several(&mut thing, basis.plan, turnout, joint);
    }
    fill(&mut thing, basis, told, &subject);
    looks(&mut thing, turnout, told, &subject, basis);
    if thing.state == State::Failed
        && let Some(verdict) = thing.verdict
    {
        thing.advice = advice::of_turnout(verdict, turnout.drive);
        if turnout.joint.is_some() {
            advice::of_several(verdict, &mut thing.advice);
        }
    }
    thing
}

/// What the plan says of each of several drives.
fn several(thing: &mut Thing, plan: &Plan, turnout: &Turnout, joint: &Joint) {
    let drives = joint.drives.iter().map(|drive| {
        let output = drive.output;
        let decoder = output.and_then(|output| plan.decoders.get(output.decoder));
        DriveLine {
            address: drive.address.get(),
            binary_address: drive.address.binary(plan.layout.numbering).get(),
            decoder: decoder.map(|one| one.id.to_string()),
            output: output.map(|one| one.number),
            straight_terminal: drive.straight_bit.as_u8(),
        }
    });
    thing.each_drive = drives.collect();
    let positions = joint.positions.iter().map(|one| PositionLine {
        name: one.name.to_string(),
        drives: one.drives.iter().map(|lies| lies.as_str()).collect(),
        route: Route::of(turnout.shape, one),
    });
    thing.positions = positions.collect();
}

fn signal(basis: &Basis<'_>, told: &[Told<'_>], signal: &Signal) -> Thing {
    let subject = Subject::Signal(signal.id.clone());
    let aspects = signal.aspects.iter().map(|aspect| AspectLine {
        name: aspect.name.to_string(),
        value: aspect.value,
        shows: signal
            .face(aspect)
            .map(|face| face.words())
            .unwrap_or_default(),
        face: signal.face(aspect),
    });
    let kind = Kind::Signal {
        commanded_by: signal.kind,
        aspects: aspects.collect(),
        sort: signal.sort,
    };
    let numbering = basis.plan.layout.numbering;
    let mut thing = bare(basis.plan, &signal.id, kind, signal.output);
    thing.address = signal.address.get();
    let more = u16::from(signal.addresses()).saturating_sub(1);
    thing.last_address = signal.address.get().saturating_add(more);
    thing.binary_address = signal.address.binary(numbering).get();
    fill(&mut thing, basis, told, &subject);
    thing.accepted = thing.state == State::Proved;
    if thing.state == State::Failed
        && let Some(verdict) = thing.verdict
    {
        thing.advice = advice::of_signal(verdict, signal.kind, signal.sort);
    }
    thing
}

/// What the plan says of it, and nothing else yet.
fn bare(plan: &Plan, id: &Id, kind: Kind, output: Option<OutputRef>) -> Thing {
    let decoder = output.and_then(|output| plan.decoders.get(output.decoder));
    let supply = decoder.and_then(|decoder| plan.supplies.get(decoder.supply?));
    Thing {
        id: id.to_string(),
        kind,
        address: 0,
        last_address: 0,
        binary_address: 0,
        decoder: decoder.map(|one| one.id.to_string()),
        output: output.map(|one| one.number),
        supply: supply.map(|one| one.id.to_string()),
        each_drive: Vec::new(),
        positions: Vec::new(),
        state: State::Open,
        verdict: None,
        detail: String::new(),
        run: None,
        since: None,
        left_out: None,
        looks: Vec::new(),
        accepted: false,
        notes: Vec::new(),
        throws: Vec::new(),
        advice: Vec::new(),
    }
}

/// What the runs say of it.
fn fill(thing: &mut Thing, basis: &Basis<'_>, told: &[Told<'_>], subject: &Subject) {
    let standing = standing(subject, told, basis.marks);
    thing.state = standing.state();
    thing.left_out = standing.left_out;
    if let Some(given) = standing.given {
        thing.verdict = Some(given.verdict);
        thing.detail.clone_from(&given.detail);
        thing.run = standing.run;
        thing.since = standing.first.map(|one| Moment::new(one.at, basis.zone));
    }
    for (log, story) in told {
        for (_, at, note) in story.notes.iter().filter(|(of, ..)| of == subject) {
            let line = NoteLine {
                at: Moment::new(*at, basis.zone),
                text: note.text.clone(),
                photo: note.photo.clone(),
            };
            // A run that carries on another has its notes again.
            let known = |one: &NoteLine| one.text == line.text && one.photo == line.photo;
            if !thing.notes.iter().any(known) {
                thing.notes.push(line);
            }
        }
        if Some(log.info.id) == thing.run {
            thing.throws = throws(basis.plan, story, subject);
        }
    }
}

fn throws(plan: &Plan, story: &Story, subject: &Subject) -> Vec<Throw> {
    let observed = story.throws.get(subject).into_iter().flatten();
    let throws = observed.map(|one| {
        let evidence = Evidence::new(
            plan,
            subject,
            one.step,
            one.commanded.clone(),
            one.seen.clone(),
        );
        // The first throw need not move anything; nor one that repeats where it lies.
        let may_rest = matches!(one.step, Step::Prime | Step::Keep) && !evidence.moved();
        Throw {
            throw: one.throw,
            step: one.step,
            commanded: one.commanded.to_string(),
            words: words::seen_of(plan, subject, &evidence.seen),
            as_sent: (evidence.arrived() || may_rest) && !evidence.is_stray(),
            others: evidence.seen.others.iter().map(Id::to_string).collect(),
            observed: evidence.seen.observed,
            unanswered: story.unanswered.contains(&(subject.clone(), one.throw)),
        }
    });
    throws.collect()
}

/// How far its acceptance list is.
fn looks(
    thing: &mut Thing,
    turnout: &Turnout,
    told: &[Told<'_>],
    subject: &Subject,
    basis: &Basis<'_>,
) {
    let from = standing(subject, told, basis.marks).from;
    let counts = told.get(from..).unwrap_or_default();
    let lines = turnout.accept.iter().map(|look| {
        let found = counts.iter().flat_map(|(_, story)| &story.looks);
        let last = found
            .filter(|(of, at, _)| of == subject && at == look)
            .map(|(.., found)| *found)
            .next_back();
        LookLine {
            look: look.as_str().to_owned(),
            found: last.filter(|_| thing.state != State::Changed),
        }
    });
    thing.looks = lines.collect();
    let is_passed = |line: &LookLine| line.found == Some(Found::Good);
    thing.accepted = thing.state == State::Proved && thing.looks.iter().all(is_passed);
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
