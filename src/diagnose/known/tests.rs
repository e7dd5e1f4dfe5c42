use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::*;
use crate::record::{Logged, RunInfo, marks};

const PLAN: &str = r#"
[layout]
name = "Kestrel Bay"

[supply.quay]
kind = "separate"
volts = 16.0
amps = 2.5

[decoder.D1]
outputs = 4
first_address = 9
supply = "quay"
pulse_ms = 150

[decoder.D2]
outputs = 4
first_address = 21
supply = "quay"
pulse_ms = 150

[[turnout]]
id = "Q1"
shape = "left"
decoder = "D1"
output = 1

[[turnout]]
id = "Q2"
shape = "right"
decoder = "D1"
output = 2

[[turnout]]
id = "F1"
shape = "right"
decoder = "D2"
output = 1

[[turnout]]
id = "X1"
shape = "crossover"
decoder = "D2"
outputs = [2, 3]

[turnout.positions]
straight = ["straight", "straight"]
across = ["diverging", "diverging"]

[[signal]]
id = "S1"
address = 60
kind = "pairs"
aspects = { stop = 0, proceed = 1 }
"#;

fn plan() -> Plan {
    Plan::from_text("plan.toml", PLAN).unwrap()
}

/// A run of these events, one a day, told as JSON without number and time.
fn run(id: i64, events: &[Value]) -> RunLog {
    let second = |seq: i64| Timestamp::from_second(1_795_000_000 + id * 86_400 + seq).unwrap();
    let info = RunInfo {
        id,
        started: second(0),
        ended: second(99),
        is_complete: true,
        version: "0.1.0".to_owned(),
        layout: "Kestrel Bay".to_owned(),
        plan: "plan.toml".to_owned(),
        fingerprint: String::new(),
        link: "a link".to_owned(),
        kind: RunKind::Sweep,
        is_rehearsal: false,
        witness: "ask".to_owned(),
        tester: "Ada".to_owned(),
        cycles: 1,
        only: Vec::new(),
        continues: None,
    };
    let logged = events.iter().enumerate().map(|(seq, event)| {
        let mut event = event.clone();
        event["seq"] = json!(seq);
        event["at_us"] = json!(0);
        Logged {
            at: second(i64::try_from(seq).unwrap()),
            event: serde_json::from_value(event).unwrap(),
        }
    });
    RunLog {
        info,
        plan_text: String::new(),
        marks: marks(&plan()),
        events: logged.collect(),
    }
}

fn seen(id: &str, throw: u64, step: &str, commanded: &str, observed: &str) -> Value {
    json!({"event": "observation", "turnout": id, "throw": throw, "step": step,
        "commanded": commanded, "observed": observed})
}

/// As it is swept: primed to straight, then there and back.
fn swept(id: &str, diverging: &str, straight: &str) -> Vec<Value> {
    vec![
        seen(id, 1, "prime", "straight", "no-movement"),
        seen(id, 2, "visit", "diverging", diverging),
        seen(id, 3, "visit", "straight", straight),
    ]
}

fn behaving(motion: Motion) -> Vec<Value> {
    let (diverging, straight) = match motion {
        Motion::AsSent => ("diverging", "straight"),
        Motion::Opposite => ("straight", "diverging"),
        Motion::OnlyStraight => ("no-movement", "straight"),
        Motion::OnlyDiverging => ("diverging", "no-movement"),
        Motion::Partly => ("between", "straight"),
        Motion::Still => ("no-movement", "no-movement"),
        Motion::Unsteady => panic!("takes more than two visits"),
    };
    swept("Q1", diverging, straight)
}

fn of_runs(runs: &[RunLog]) -> Vec<Known> {
    let plan = plan();
    of(&plan, &marks(&plan), runs)
}

/// What is known of Q1 after runs in which it behaved so, and what is made of it.
fn after(motions: &[Motion]) -> (Course, Motion) {
    let runs = (1..).zip(motions).map(|(id, it)| run(id, &behaving(*it)));
    let known = of_runs(&runs.collect::<Vec<_>>());
    let [one] = &known[..] else {
        panic!("{known:?}")
    };
    assert_eq!(one.looks.len(), motions.len());
    assert_eq!(
        one.is_failing(),
        one.newest().unwrap().motion != Motion::AsSent
    );
    (one.course, one.swept().unwrap().motion)
}

#[test]
fn the_newest_run_counts_unless_the_fault_comes_and_goes() {
    use Motion::{AsSent as A, Opposite as O, Partly as P, Still as S, Unsteady as U};
    let cases: [(&[Motion], Course, Motion); 16] = [
        (&[A], Course::Same, A),
        (&[S], Course::Same, S),
        (&[A, A], Course::Same, A),
        (&[S, S], Course::Same, S),
        (&[A, S], Course::Broke, S),
        (&[A, A, S, S], Course::Broke, S),
        (&[A, S, O], Course::Broke, O),
        (&[S, O], Course::Otherwise, O),
        // What never moved does not mend itself, but may come back.
        (&[S, A], Course::Mended, A),
        (&[S, A, S], Course::ComesAndGoes, U),
        (&[A, S, A, S], Course::ComesAndGoes, U),
        (&[S, A, S, A, A], Course::ComesAndGoes, U),
        (&[S, A, S, A, A, A], Course::Mended, A),
        // What fails on some throws only may have been lucky.
        (&[P, A], Course::ComesAndGoes, U),
        (&[P, A, A], Course::ComesAndGoes, U),
        (&[P, A, A, A], Course::Mended, A),
    ];
    for (motions, course, motion) in cases {
        assert_eq!(after(motions), (course, motion), "{motions:?}");
    }
}

#[test]
fn what_the_plan_changed_for_is_not_known_any_more() {
    let still = || behaving(Motion::Still);
    let subject = Subject::Turnout(Id::new("Q1"));
    let mut before = run(1, &[still(), swept("Q2", "diverging", "straight")].concat());
    before.marks.insert(subject.clone(), "another".to_owned());
    let known = of_runs(&[before.clone()]);
    assert_eq!(
        known.iter().map(|one| one.turnout).collect::<Vec<_>>(),
        [1],
        "only Q2 is as it was"
    );
    let known = of_runs(&[before.clone(), run(2, &still())]);
    assert_eq!(known[0].looks.len(), 1);
    assert_eq!(known[0].looks[0].run, 2);
    // Nor is it once the plan is changed back: it was another in between.
    before.info.id = 3;
    let known = of_runs(&[run(2, &still()), before.clone()]);
    assert!(known.iter().all(|one| one.turnout != 0), "{known:?}");
    // Or was not in it.
    before.marks.remove(&subject).unwrap();
    let known = of_runs(&[run(2, &still()), before]);
    assert!(known.iter().all(|one| one.turnout != 0), "{known:?}");
}

#[test]
fn what_was_seen_before_its_decoder_got_an_address_says_nothing_any_more() {
    let all = [
        behaving(Motion::Still),
        swept("F1", "no-movement", "no-movement"),
    ]
    .concat();
    let lesson = |sent: bool| {
        let mut events = vec![json!({"event": "teach-started", "decoder": "D1",
            "method": "main", "first_address": 9, "outputs": 4, "from": 1, "steps": 1})];
        if sent {
            events.push(json!({"event": "taught-sent", "decoder": "D1", "step": 1,
                "purpose": "write", "packet": "00", "text": "writes"}));
        }
        let mut run = run(2, &events);
        run.info.kind = RunKind::Teach;
        run
    };
    let turnouts = |runs: &[RunLog]| -> Vec<usize> {
        let known = of_runs(runs);
        known.iter().map(|one| one.turnout).collect()
    };
    assert_eq!(turnouts(&[run(1, &all), lesson(false)]), [0, 2]);
    assert_eq!(turnouts(&[run(1, &all), lesson(true)]), [2]);
    assert_eq!(
        turnouts(&[run(1, &all), lesson(true), run(3, &all)]),
        [0, 2]
    );
}

#[test]
fn what_was_seen_before_its_fault_was_mended_says_nothing_any_more() {
    let both = [
        behaving(Motion::Still),
        swept("F1", "no-movement", "no-movement"),
    ]
    .concat();
    let diagnosis = |mended: bool| {
        let mut events = vec![
            json!({"event": "diagnosis", "turnout": "Q1", "kind": "named",
            "tests": 2, "none_fits": 0.01, "causes": [], "throws": 4, "elapsed_us": 1}),
        ];
        if mended {
            events.push(json!({"event": "diagnosis-mended", "turnout": "Q1",
                "cause": "coil-open", "proves": ["Q1", "Q2"]}));
        }
        let mut run = run(2, &events);
        run.info.kind = RunKind::Diagnose;
        run
    };
    let turnouts = |runs: &[RunLog]| -> Vec<(usize, Motion)> {
        let known = of_runs(runs);
        let each = known.iter();
        each.map(|one| (one.turnout, one.swept().unwrap().motion))
            .collect()
    };
    let (still, sent) = (Motion::Still, Motion::AsSent);
    let first = || run(1, &both);
    assert_eq!(
        turnouts(&[first(), diagnosis(false)]),
        [(0, still), (2, still)]
    );
    assert_eq!(turnouts(&[first(), diagnosis(true)]), [(2, still)]);
    // The proof is a run of its own, and a fault that is back since is no fault that came and went.
    let proof = run(3, &behaving(sent));
    assert_eq!(
        turnouts(&[first(), diagnosis(true), proof.clone()]),
        [(0, sent), (2, still)]
    );
    let again = run(4, &behaving(still));
    assert_eq!(
        turnouts(&[first(), diagnosis(true), proof, again]),
        [(0, still), (2, still)]
    );
}

#[test]
fn what_was_taken_back_in_a_later_part_does_not_count() {
    let first = run(1, &behaving(Motion::Still));
    let mut second = run(
        2,
        &[
            json!({"event": "withdrawn", "turnout": "Q1", "throw": 2}),
            seen("Q1", 4, "visit", "diverging", "diverging"),
            seen("Q1", 5, "visit", "straight", "straight"),
        ],
    );
    second.info.continues = Some(1);
    let known = of_runs(&[first, second]);
    assert_eq!(known[0].looks.len(), 1, "parts of a run are one look");
    let newest = known[0].newest().unwrap();
    assert_eq!((newest.run, newest.motion), (2, Motion::AsSent));
    assert_eq!(newest.verdict, Verdict::Proved);
}

#[test]
fn a_throw_that_need_not_move_it_tells_nothing() {
    let known = of_runs(&[run(1, &[seen("Q1", 1, "prime", "straight", "no-movement")])]);
    assert_eq!(known, []);
}

#[test]
fn another_layout_in_the_same_file_is_not_meant() {
    let mut other = run(1, &behaving(Motion::Still));
    "Slipway".clone_into(&mut other.info.layout);
    assert_eq!(of_runs(&[other]), []);
}

#[test]
fn several_drives_are_left_out() {
    let both = [
        behaving(Motion::AsSent),
        swept("X1", "no-movement", "straight"),
    ]
    .concat();
    let known = of_runs(&[run(1, &both)]);
    assert_eq!(known.iter().map(|one| one.turnout).collect::<Vec<_>>(), [0]);
}

#[test]
fn what_moved_beside_it_is_known_and_a_signal_is_beyond_the_tests() {
    let mut events = behaving(Motion::Still);
    events[1]["others"] = json!(["Q2"]);
    events[2]["others"] = json!(["Q2"]);
    let known = of_runs(&[run(1, &events)]);
    let swept = known[0].swept().unwrap();
    assert_eq!(
        (swept.motion, swept.other),
        (Motion::Still, Other::Neighbour)
    );
    assert_eq!(swept.others, [Id::new("Q2")]);
    assert_eq!(known[0].looks[0].verdict, Verdict::Stray);

    let mut events = behaving(Motion::AsSent);
    events[1]["others"] = json!(["S1"]);
    let known = of_runs(&[run(1, &events)]);
    assert_eq!(known[0].swept(), None);
    assert_eq!(failing(&known), [0]);
}

#[test]
fn those_that_failed_when_last_seen_are_listed() {
    let first = [
        behaving(Motion::Still),
        swept("Q2", "no-movement", "straight"),
        swept("F1", "diverging", "straight"),
    ];
    let known = of_runs(&[run(1, &first.concat()), run(2, &behaving(Motion::AsSent))]);
    assert_eq!(failing(&known), [1]);
    let site = Site::of(&plan(), 1);
    let told: Vec<_> = telling(&site, &known)
        .into_iter()
        .map(|it| (it.turnout, it.motion))
        .collect();
    assert_eq!(
        told,
        [
            (1, Motion::OnlyStraight),
            (0, Motion::AsSent),
            (2, Motion::AsSent)
        ]
    );
}

#[test]
fn it_is_told_when_and_by_whom_it_was_seen() {
    use Motion::{AsSent, Opposite, Still};
    let told = |motions: &[Motion]| {
        let runs = (1..).zip(motions).map(|(id, it)| run(id, &behaving(*it)));
        let evidence = of_runs(&runs.collect::<Vec<_>>())[0].evidence(&TimeZone::UTC);
        evidence.unwrap().from
    };
    let last = |day, run| format!("seen on {day} November 2026 in run {run} by Ada");
    assert_eq!(told(&[Still]), last(19, 1));
    assert_eq!(
        told(&[Still, Still, Still]),
        format!("{}; alike in 2 runs before", last(21, 3))
    );
    assert_eq!(
        told(&[AsSent, AsSent, Still, Still]),
        format!(
            "{}; it went as sent until 20 November 2026, run 2",
            last(22, 4)
        )
    );
    assert_eq!(
        told(&[Still, AsSent]),
        format!("{}; it failed until 19 November 2026, run 1", last(20, 2))
    );
    assert_eq!(
        told(&[Still, Opposite]),
        format!(
            "{}; before that, on 19 November 2026, run 1: it \
             never moved",
            last(20, 2)
        )
    );
    assert_eq!(
        told(&[Still, AsSent, Still]),
        format!(
            "{}; it comes and goes: not as sent in 2 of 3 runs",
            last(21, 3)
        )
    );
}
