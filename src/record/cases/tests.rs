use serde_json::{Value, json};

use super::*;
use crate::record::{Logged, RunInfo, RunKind};

fn cause(name: &str, share: f64, says: &str) -> Value {
    json!({"cause": name, "level": "drive", "share": share, "says": says, "mend": "Mend it.",
        "caution": null, "prove": "Sweep it.", "speaks_for": [], "speaks_against": []})
}

fn came(turnout: &str, kind: &str, causes: &[Value]) -> Value {
    json!({"event": "diagnosis", "turnout": turnout, "kind": kind, "tests": 3,
        "none_fits": 0.01, "causes": causes, "throws": 4, "elapsed_us": 1})
}

fn run(id: i64, events: &[Value]) -> RunLog {
    let second = |seq: i64| Timestamp::from_second(1_795_000_000 + id * 86_400 + seq).unwrap();
    let mark = |id: &str| (Subject::Turnout(Id::new(id)), format!("mark of {id}"));
    RunLog {
        info: RunInfo {
            id,
            started: second(0),
            ended: second(99),
            is_complete: true,
            version: "0.1.0".to_owned(),
            layout: "Kestrel Bay".to_owned(),
            plan: "plan.toml".to_owned(),
            fingerprint: String::new(),
            link: "a link".to_owned(),
            kind: RunKind::Diagnose,
            is_rehearsal: false,
            witness: "ask".to_owned(),
            tester: String::new(),
            cycles: 1,
            only: Vec::new(),
            continues: None,
        },
        plan_text: String::new(),
        marks: [mark("Q1"), mark("Q2")].into(),
        events: (0..)
            .zip(events)
            .map(|(seq, event)| {
                let mut event = event.clone();
                event["seq"] = json!(seq);
                event["at_us"] = json!(0);
                Logged {
                    at: second(seq),
                    event: serde_json::from_value(event).unwrap(),
                }
            })
            .collect(),
    }
}

#[test]
fn each_round_of_a_run_is_a_case_with_what_became_of_it() {
    let mended = |cause: &str| {
        json!({"event": "diagnosis-mended", "turnout": "Q1", "cause": cause,
            "proves": ["Q1", "Q2"]})
    };
    let proved = |cause: &str, proved: bool, words: &str| {
        json!({"event": "diagnosis-proved", "turnout": "Q1", "cause": cause, "proved": proved,
            "words": words})
    };
    let mut first = came(
        "Q1",
        "named",
        &[cause("supply-weak", 0.972, "Its supply is weak.")],
    );
    first["explains"] = json!(["Q2"]);
    let [weak, open] = [
        cause("a", 0.6, "It is this."),
        cause("b", 0.3, "It is that."),
    ];
    let cases = of(&[
        run(
            1,
            &[
                first,
                mended("supply-weak"),
                proved("supply-weak", false, "Q1 is still"),
                came("Q1", "remain", &[weak, open]),
                mended("a"),
            ],
        ),
        run(
            2,
            &[
                proved("a", true, "all proved"),
                came("Q2", "none-fits", &[]),
                came("Q2", "broken-off", &[]),
            ],
        ),
    ]);
    let time = |at: Timestamp| at.strftime("%H:%M:%S").to_string();
    let told: Vec<_> = cases
        .iter()
        .map(|case| (case.run, case.sentence(), case.outcome(time)))
        .collect();
    let said =
        |run: i64, sentence: &str, outcome: &str| (run, sentence.to_owned(), outcome.to_owned());
    assert_eq!(
        told,
        [
            said(
                1,
                "97 % sure: Its supply is weak. It explains Q2 too.",
                "mended 11:06:41, not all of it: Q1 is still"
            ),
            said(
                1,
                "these remain: 60 % It is this. 30 % It is that.",
                "mended 11:06:44, and proved"
            ),
            said(2, "none of the known causes fits what was seen", ""),
            said(2, "it was broken off before anything was sure", ""),
        ]
    );
    let (q1, q2) = (Id::new("Q1"), Id::new("Q2"));
    assert!(cases[0].is_about(&q1) && cases[0].is_about(&q2) && !cases[1].is_about(&q2));
    assert_eq!(cases[0].marks[&q2], "mark of Q2");
    assert_eq!(cases[0].named().len(), 1);
    assert_eq!(cases[1].named().len(), 2);
    assert_eq!(cases[2].named(), []);
}

#[test]
fn a_diagnosis_stands_in_the_history_between_its_verdicts() {
    let verdict = |verdict: &str| {
        json!({"event": "verdict", "turnout": "Q1", "verdict": verdict, "place": "Quay",
            "address": 9})
    };
    let runs = [run(1, &[verdict("still")]), run(3, &[verdict("proved")])];
    let known = cause("coil-open", 0.999, "A coil is open.");
    let cases = of(&[
        run(
            2,
            &[
                came("Q1", "named", &[known]),
                json!({"event": "diagnosis-mended", "turnout": "Q1", "cause": "coil-open",
                    "proves": ["Q1"]}),
            ],
        ),
        run(4, &[came("Q2", "none-fits", &[])]),
    ]);
    let history = crate::record::history::of(&runs).with_cases(&cases);
    let mut out = anstream::StripStream::new(Vec::new());
    crate::view::history::print_in(&history, &jiff::tz::TimeZone::UTC, &mut out).unwrap();
    let text = String::from_utf8(out.into_inner()).unwrap();
    let outcome = format!("{:29}mended 2026-11-20 11:06, not proved", "");
    let expected = [
        "Kestrel Bay: 2 runs, 19 November 2026 to 21 November 2026",
        "",
        "Q1, Quay: last proved 2026-11-21 11:06",
        "  2026-11-19 11:06  run 1    still   ",
        "  2026-11-20 11:06  run 2    diagnosis  99 % sure: A coil is open.",
        &outcome,
        "  2026-11-21 11:06  run 3    proved    fixed",
        "",
        "Q2: never proved",
        "  2026-11-22 11:06  run 4    diagnosis  none of the known causes fits what was seen",
    ];
    assert_eq!(text.lines().collect::<Vec<_>>(), expected);
}
