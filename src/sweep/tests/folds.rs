//! The engine's own fold, the report and the history are three readings of the same events: they
//! must not disagree about any turnout or signal.

use std::cell::RefCell;
use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::rig::{Eyes, sweep_with};
use super::*;
use crate::diagnose::known;
use crate::diagnose::sight::of_run;
use crate::event::Event;
use crate::event::hub::Sink as _;
use crate::record::{Kept, Logged, Record, RunInfo, RunLog, Sink, history, marks};
use crate::report::{Basis, Nature, PlanSource, Report};
use crate::witness::{Note, Seen, Surveyed};

/// Two turnouts and a signal at one place, and one of each elsewhere.
fn quay() -> Plan {
    let text = PLAN.replace("shape =", "place = \"Quay\"\nshape =");
    plan(&format!(
        "{text}[[turnout]]\nid = \"C\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 3\n\
         [[signal]]\nid = \"S\"\naddress = 9\nkind = \"extended\"\nplace = \"Quay\"\n\
         aspects = {{ stop = 0, proceed = 1 }}\n\
         [[signal]]\nid = \"T\"\naddress = 10\nkind = \"extended\"\n\
         aspects = {{ stop = 0, proceed = 1 }}\n"
    ))
}

/// How one part of a run goes.
#[derive(Debug, Clone)]
struct Part {
    by_place: bool,
    hands: bool,
    cycles: u32,
    /// Answers as numbers; when they are used up, all is as it should be.
    answers: Vec<u8>,
    /// How much of it was kept before it was cut.
    cut: prop::sample::Index,
}

fn a_part() -> impl Strategy<Value = Part> {
    let answers = proptest::collection::vec(0..32_u8, 0..40);
    (
        any::<bool>(),
        any::<bool>(),
        1..=2_u32,
        answers,
        any::<prop::sample::Index>(),
    )
        .prop_map(|(by_place, hands, cycles, answers, cut)| Part {
            by_place,
            hands,
            cycles,
            answers,
            cut,
        })
}

fn answer(number: u8, question: &Question<'_>) -> Answer {
    match number {
        0..=2 => seen(Observed::NoMovement),
        3 => seen(Observed::Between),
        4 => Answer::Seen(Seen {
            observed: Observed::NoMovement,
            others: vec![Id::new("B")],
        }),
        5..=9 => Answer::Undo,
        10 => Answer::Skip,
        11 => Answer::SkipPlace,
        12 => Answer::CantSee("dark".to_owned()),
        13 => Answer::Note(Note::default()),
        14 => Answer::Repeat,
        _ => healthy(question),
    }
}

fn surveyed(number: u8) -> Surveyed {
    match number {
        0..=2 => Surveyed::Differ(vec![(Id::new("A"), Observed::Straight)]),
        3 => Surveyed::Differ(vec![(Id::new("B"), Observed::Between)]),
        5..=9 => Surveyed::Undo,
        10 => Surveyed::OneByOne,
        11 => Surveyed::SkipPlace,
        14 => Surveyed::Repeat,
        _ => Surveyed::Differ(Vec::new()),
    }
}

/// Makes that part of a run, to its end.
fn make(plan: &Plan, part: &Part, so_far: SoFar) -> (Vec<Event>, Summary) {
    let rig = Shared::default();
    let tape = Rc::new(RefCell::new(part.answers.clone().into_iter()));
    let survey_tape = Rc::clone(&tape);
    let eyes = Eyes {
        hands: part.hands,
        survey: Some(Box::new(move |_| {
            surveyed(survey_tape.borrow_mut().next().unwrap_or(u8::MAX))
        })),
        ..Eyes::new(&rig, move |question: &Question<'_>| {
            answer(tape.borrow_mut().next().unwrap_or(u8::MAX), question)
        })
    };
    let options = Options {
        by_place: part.by_place,
        cycles: NonZeroU32::new(part.cycles).unwrap(),
        so_far,
        ..Options::default()
    };
    let summary = sweep_with(&rig, plan, options, eyes).unwrap();
    (rig.take().events, summary)
}

/// That part as the record keeps it: what was only carried is kept with the next that is new.
fn kept(plan: &Plan, id: i64, mut events: Vec<Event>, upto: usize) -> RunLog {
    events.truncate(upto);
    while events.last().is_some_and(|event| event.kind.is_carried()) {
        events.pop();
    }
    let at = Timestamp::from_second(1_795_000_000 + id * 86_400).unwrap();
    RunLog {
        info: RunInfo {
            id,
            started: at,
            ended: at,
            is_complete: matches!(
                events.last().map(|event| &event.kind),
                Some(EventKind::Summary { .. })
            ),
            version: "0.1.0".to_owned(),
            layout: plan.layout.name.clone(),
            plan: "plan.toml".to_owned(),
            fingerprint: String::new(),
            link: "a link".to_owned(),
            kind: crate::record::RunKind::Sweep,
            is_rehearsal: false,
            witness: "eyes".to_owned(),
            tester: String::new(),
            cycles: 1,
            only: Vec::new(),
            continues: (id > 1).then(|| id - 1),
        },
        plan_text: String::new(),
        marks: marks(plan),
        events: events
            .into_iter()
            .map(|event| Logged { at, event })
            .collect(),
    }
}

type Verdicts = BTreeMap<String, Option<Verdict>>;

fn subjects(plan: &Plan) -> Vec<Subject> {
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| Subject::Turnout(one.id.clone()));
    let signals = plan
        .signals
        .iter()
        .map(|one| Subject::Signal(one.id.clone()));
    turnouts.chain(signals).collect()
}

fn by_engine(plan: &Plan, runs: &[RunLog]) -> (SoFar, Verdicts) {
    let mut so_far = SoFar::default();
    for run in runs {
        so_far.take_run(
            plan,
            &|_| true,
            run.events.iter().map(|logged| &logged.event),
        );
    }
    let verdicts = subjects(plan);
    let verdicts = verdicts
        .iter()
        .map(|subject| (subject.id().to_string(), so_far.verdict(subject)));
    let verdicts = verdicts.collect();
    (so_far, verdicts)
}

/// The same from the report, with how many observed throws it shows of each.
fn by_report(plan: &Plan, runs: &[RunLog]) -> (Report, Verdicts) {
    let marks = marks(plan);
    let report = Report::of(&Basis {
        runs,
        nature: Nature::Layout,
        plan,
        plan_text: "",
        source: PlanSource::File,
        cases: &[],
        marks: Some(&marks),
        zone: &TimeZone::UTC,
    });
    let verdicts = report.things().map(|one| (one.id.clone(), one.verdict));
    let verdicts = verdicts.collect();
    (report, verdicts)
}

fn by_history(plan: &Plan, runs: &[RunLog]) -> Verdicts {
    let history = history::of(runs);
    let last = |subject: &Subject| {
        let own = history.subjects.iter().find(|one| one.subject == *subject);
        own.and_then(|own| Some(own.verdicts.last()?.verdict))
    };
    let subjects = subjects(plan);
    let verdicts = subjects
        .iter()
        .map(|subject| (subject.id().to_string(), last(subject)));
    verdicts.collect()
}

proptest! {
    #[test]
    fn engine_report_and_history_agree(parts in proptest::collection::vec(a_part(), 1..4)) {
        let plan = quay();
        let mut runs: Vec<RunLog> = Vec::new();
        for (id, part) in (1..).zip(&parts) {
            let (so_far, _) = by_engine(&plan, &runs);
            let (events, summary) = make(&plan, part, so_far);
            let is_last = id == i64::try_from(parts.len()).unwrap();
            let upto = if is_last && part.cut.index(2) == 0 {
                events.len()
            } else {
                part.cut.index(events.len()) + 1
            };
            let is_whole = upto == events.len();
            runs.push(kept(&plan, id, events, upto));

            let (so_far, engine) = by_engine(&plan, &runs);
            let (report, by_report) = by_report(&plan, &runs);
            prop_assert_eq!(&engine, &by_report, "report after run {}", id);
            prop_assert_eq!(&engine, &by_history(&plan, &runs), "history after run {}", id);
            for subject in subjects(&plan) {
                let of = |one: &&crate::report::Thing| one.id == subject.id().as_str();
                let thing = report.things().find(of).unwrap();
                if thing.verdict.is_some() {
                    let counted = so_far.evidence(&plan, &subject).len();
                    prop_assert_eq!(thing.throws.len(), counted, "throws of {}", thing.id);
                }
            }
            if is_whole {
                let count = |is_one: &dyn Fn(Verdict) -> bool| {
                    engine.values().flatten().filter(|verdict| is_one(**verdict)).count()
                };
                prop_assert_eq!(summary.proved, count(&|one| one == Verdict::Proved));
                prop_assert_eq!(summary.failed, count(&Verdict::is_failure));
                prop_assert_eq!(summary.skipped, count(&|one| one == Verdict::Skipped));
                prop_assert_eq!(summary.proved, report.counts.proved);
                prop_assert_eq!(summary.failed, report.counts.failed);
                prop_assert_eq!(summary.skipped, report.counts.skipped);
                prop_assert_eq!(summary.unreached, report.counts.open);
            }
        }
    }
}

/// Keeps those runs in a file, and reads them back as evidence for a diagnosis.
fn known_by_record(plan: &Plan, runs: &[RunLog]) -> Vec<known::Known> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plan.record");
    for run in runs {
        let about = Kept {
            marks: run.marks.clone(),
            ..Kept::default()
        };
        let mut sink = Sink::new(Record::open(&path).unwrap(), about).unwrap();
        for logged in &run.events {
            let mut event = logged.event.clone();
            if let EventKind::RunStarted { continues, .. } = &mut event.kind {
                *continues = run.info.continues;
            }
            sink.take(&event).unwrap();
        }
    }
    let record = Record::open_to_read(&path).unwrap();
    known::read(&record, plan, &marks(plan), false).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn evidence_from_the_record_is_what_the_engine_saw(
        parts in proptest::collection::vec(a_part(), 1..4)
    ) {
        let plan = quay();
        let mut runs: Vec<RunLog> = Vec::new();
        for (id, part) in (1..).zip(&parts) {
            let (so_far, _) = by_engine(&plan, &runs);
            let (events, _) = make(&plan, part, so_far);
            let upto = part.cut.index(events.len()) + 1;
            runs.push(kept(&plan, id, events, upto));
        }
        let (so_far, verdicts) = by_engine(&plan, &runs);
        let known = known_by_record(&plan, &runs);
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let subject = Subject::Turnout(turnout.id.clone());
            let own = of_run(&plan, index, &so_far.evidence(&plan, &subject));
            let one = known.iter().find(|one| one.turnout == index);
            let look = one.map(|one| {
                assert_eq!(one.looks.len(), 1, "parts of a run are one look");
                &one.looks[0]
            });
            prop_assert_eq!(own, look.map(|look| (look.motion, look.other)), "{}", turnout.id);
            let verdict = verdicts[turnout.id.as_str()];
            if let Some(verdict) = verdict.filter(|it| *it != Verdict::Skipped) {
                prop_assert_eq!(Some(verdict), look.map(|look| look.verdict), "{}", turnout.id);
            }
        }
    }
}
