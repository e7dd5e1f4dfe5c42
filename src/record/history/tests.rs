use serde_json::{Value, json};

use super::*;
use crate::record::{Logged, RunInfo};

/// A run of these events, told as JSON without number and time.
fn run(id: i64, mark: &str, events: &[Value]) -> RunLog {
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
        kind: crate::record::RunKind::Sweep,
        is_rehearsal: false,
        witness: "ask".to_owned(),
        tester: String::new(),
        cycles: 1,
        only: Vec::new(),
        continues: None,
    };
    let marks = [(Subject::Turnout(Id::new("Q1")), mark.to_owned())].into();
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
        marks,
        events: logged.collect(),
    }
}

fn seen(throw: u64, step: &str, commanded: &str, observed: &str) -> Value {
    json!({"event": "observation", "turnout": "Q1", "throw": throw, "step": step,
        "commanded": commanded, "observed": observed})
}

fn verdict(verdict: &str) -> Value {
    json!({"event": "verdict", "turnout": "Q1", "verdict": verdict, "place": "Quay",
        "address": 9, "detail": ""})
}

/// Q1 as it is swept: primed to straight, then there and back.
fn swept(diverging: &str, straight: &str, judged: &str) -> Vec<Value> {
    vec![
        seen(1, "prime", "straight", "no-movement"),
        seen(2, "visit", "diverging", diverging),
        seen(3, "visit", "straight", straight),
        verdict(judged),
    ]
}

fn changes(runs: &[RunLog]) -> Vec<(Option<Change>, bool)> {
    let history = of(runs);
    let [one] = &history.subjects[..] else {
        panic!("one turnout")
    };
    let each = one.verdicts.iter();
    each.map(|past| (past.change, past.is_plan_changed))
        .collect()
}

#[test]
fn what_changed_is_told() {
    let good = || swept("diverging", "straight", "proved");
    let runs = [
        run(1, "a", &swept("between", "straight", "partial")),
        run(2, "a", &good()),
        run(3, "a", &swept("no-movement", "no-movement", "still")),
        run(4, "b", &swept("no-movement", "straight", "one-way")),
        run(5, "b", &[verdict("skipped")]),
        run(6, "b", &good()),
        run(7, "b", &good()),
    ];
    let (fixed, worse, other) = (Change::Fixed, Change::Worse, Change::OtherFault);
    assert_eq!(
        changes(&runs),
        [
            (None, false),
            (Some(fixed), false),
            (Some(worse), false),
            (Some(other), true),
            (None, false),
            (Some(fixed), false),
            (None, false),
        ]
    );
    let history = of(&runs);
    let one = &history.subjects[0];
    assert_eq!(one.last_proved, Some(one.verdicts[6].at));
    assert_eq!(one.verdicts[0].seen, "to diverging: between");
    assert_eq!(
        one.verdicts[2].seen,
        "to diverging: no movement; to straight: no movement"
    );
    assert_eq!(one.verdicts[1].seen, "", "as commanded");
}

#[test]
fn directions_are_counted_apart_and_since_the_plan_changed() {
    let runs = [
        run(1, "old", &swept("between", "between", "partial")),
        run(2, "a", &swept("diverging", "straight", "proved")),
        run(3, "a", &swept("between", "straight", "partial")),
    ];
    let history = of(&runs);
    let counts = history.subjects[0].visits.iter();
    let counts: Vec<_> = counts
        .map(|one| (one.commanded.as_str(), one.visits, one.arrived, one.failed))
        .collect();
    assert_eq!(counts, [("diverging", 2, 1, 1), ("straight", 2, 2, 0)]);
    // Two throws without a failure: 1 - 0.05^(1/2).
    let straight = &history.subjects[0].visits[1];
    assert!((straight.rate.at_most - (1.0 - 0.05_f64.sqrt())).abs() < 1e-12);
}

#[test]
fn what_was_mended_counts_anew_and_what_comes_and_goes_does_not() {
    let good = || swept("diverging", "straight", "proved");
    let failures = |judged: &str| {
        let runs = [
            run(1, "a", &swept("no-movement", "no-movement", judged)),
            run(2, "a", &good()),
            run(3, "a", &good()),
        ];
        let history = of(&runs);
        let counts = history.subjects[0].visits.iter();
        let counts: Vec<_> = counts.map(|one| (one.visits, one.failed)).collect();
        counts
    };
    for mended in ["still", "one-way", "reversed", "stray"] {
        assert_eq!(failures(mended), [(2, 0), (2, 0)], "{mended}");
    }
    assert_eq!(failures("partial"), [(3, 1), (3, 1)]);
}

#[test]
fn what_was_taken_back_or_swept_again_does_not_count() {
    let withdrawn = json!({"event": "withdrawn", "turnout": "Q1", "throw": 3});
    let mut events = swept("diverging", "between", "partial");
    events.extend([withdrawn, seen(4, "visit", "straight", "straight")]);
    events.push(verdict("proved"));
    let history = of(&[run(1, "a", &events)]);
    let one = &history.subjects[0];
    assert_eq!(one.verdicts.len(), 1);
    assert_eq!(one.verdicts[0].verdict, Verdict::Proved);
    let failed: u32 = one.visits.iter().map(|visits| visits.failed).sum();
    assert_eq!(failed, 0);

    let again = json!({"event": "swept-again", "turnout": "Q1"});
    let mut events = swept("between", "between", "partial");
    events.pop();
    events.push(again);
    events.extend(swept("diverging", "straight", "proved"));
    let history = of(&[run(1, "a", &events)]);
    let visits = &history.subjects[0].visits;
    assert!(visits.iter().all(|one| (one.visits, one.failed) == (1, 0)));
}

/// Stopped half-way, carried on, and the answer from before taken back.
#[test]
fn runs_that_carry_each_other_on_are_one() {
    let all = swept("between", "straight", "partial");
    let mut later = run(2, "a", &all[2..]);
    later.info.continues = Some(1);
    let runs = [run(1, "a", &all[..2]), later];
    let history = of(&runs);
    let one = &history.subjects[0];
    assert_eq!(one.verdicts.len(), 1);
    assert_eq!(
        (one.verdicts[0].run, &*one.verdicts[0].seen),
        (2, "to diverging: between")
    );

    let withdrawn = json!({"event": "withdrawn", "turnout": "Q1", "throw": 2});
    let mut last = run(
        3,
        "a",
        &[withdrawn, seen(4, "visit", "diverging", "diverging")],
    );
    last.info.continues = Some(2);
    let [first, second] = runs;
    let history = of(&[first, second, last]);
    assert!(history.subjects[0].verdicts.is_empty());
    assert!(history.subjects[0].visits.iter().all(|one| one.failed == 0));
}

#[test]
fn what_was_only_carried_over_is_not_counted_again() {
    let all = swept("between", "straight", "partial");
    let mut carried = all.clone();
    for event in &mut carried {
        event["carried"] = json!(true);
    }
    let mut later = run(2, "a", &carried);
    later.info.continues = Some(1);
    let history = of(&[run(1, "a", &all), later]);
    let one = &history.subjects[0];
    assert_eq!(one.verdicts.len(), 1);
    assert!(one.visits.iter().all(|visits| visits.visits == 1));
}

#[test]
fn what_is_no_more_in_the_plan_stays_in_the_history() {
    let mut later = run(2, "a", &[]);
    later.marks.clear();
    let history = of(&[
        run(1, "a", &swept("diverging", "straight", "proved")),
        later,
    ]);
    assert!(!history.subjects[0].is_in_plan);
    assert_eq!(history.runs, 2);
}

#[test]
fn what_else_moved_is_told() {
    let mut stray = seen(1, "visit", "straight", "straight");
    stray["others"] = json!(["Q2", "Q3"]);
    let history = of(&[run(1, "a", &[stray, verdict("stray")])]);
    assert_eq!(
        history.subjects[0].verdicts[0].seen,
        "to straight: straight, moved: Q2 Q3"
    );
}

#[test]
fn nothing_makes_an_empty_history() {
    assert_eq!(of(&[]), History::default());
}
