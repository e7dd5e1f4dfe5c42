use serde_json::Value;

use super::*;
use crate::event::Subject;
use crate::plan::Id;
use crate::statistics::bounds;

fn history() -> History {
    let at = |day: i64| Timestamp::from_second(1_795_543_200 + day * 86_400).unwrap();
    let past = |run: i64, verdict, change, seen: &str| Past {
        run,
        at: at(run),
        verdict,
        seen: seen.to_owned(),
        detail: String::new(),
        change,
        is_plan_changed: run == 3,
    };
    let visits = |commanded: &str, visits, failed| Visits {
        commanded: Id::new(commanded),
        visits,
        arrived: visits - failed,
        failed,
        rate: bounds(failed, visits).unwrap(),
    };
    History {
        layout: "Kestrel Bay".to_owned(),
        runs: 3,
        first: Some(at(1)),
        last: Some(at(3)),
        subjects: vec![
            SubjectHistory {
                subject: Subject::Turnout(Id::new("Q1")),
                place: "Quay throat".to_owned(),
                is_in_plan: true,
                verdicts: vec![
                    past(1, Verdict::OneWay, None, "to diverging: no movement"),
                    past(2, Verdict::Proved, Some(Change::Fixed), ""),
                    past(
                        3,
                        Verdict::Partial,
                        Some(Change::Worse),
                        "to straight: between",
                    ),
                ],
                last_proved: Some(at(2)),
                visits: vec![visits("diverging", 20, 1), visits("straight", 300, 0)],
                diagnoses: Vec::new(),
            },
            SubjectHistory {
                subject: Subject::Signal(Id::new("S9")),
                place: String::new(),
                is_in_plan: false,
                verdicts: Vec::new(),
                last_proved: None,
                visits: Vec::new(),
                diagnoses: Vec::new(),
            },
        ],
    }
}

#[test]
fn people_read_this() {
    let mut out = Vec::new();
    print_in(&history(), &TimeZone::UTC, &mut out).unwrap();
    let text = String::from_utf8(out).unwrap();
    let plain = regex::Regex::new("\x1b\\[[0-9;]*m").unwrap();
    let expected = "\
Kestrel Bay: 3 runs, 25 November 2026 to 27 November 2026

Q1, Quay throat: last proved 2026-11-26 18:00
  2026-11-25 18:00  run 1    one-way   to diverging: no movement
  2026-11-26 18:00  run 2    proved    fixed
  2026-11-27 18:00  run 3    partial   worse; plan changed; to straight: between
  to diverging: 19 of 20 arrived, 1 failed (0.13 % to 25 %); up to 22 % may fail
  to straight: 300 of 300 arrived; up to 0.99 % may fail

S9: never proved; no more in the plan

Throws are counted since the plan last changed for that turnout or signal. \"Up to\": with 95 %
confidence the rate of failures is not above it. In parentheses: with 95 % confidence it lies
between these. Both are exact binomial bounds; throws that warm a coil depend on each other.
";
    assert_eq!(plain.replace_all(&text, ""), expected);
}

#[test]
fn programs_read_this() {
    let mut out = Vec::new();
    json(&history(), &mut out).unwrap();
    let text = String::from_utf8(out).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 2);
    assert_eq!(lines[0]["event"], "history");
    assert_eq!(lines[0]["turnout"], "Q1");
    assert_eq!(lines[0]["verdicts"][1]["change"], "fixed");
    assert_eq!(lines[0]["visits"][0]["failed"], 1);
    assert_eq!(lines[1]["signal"], "S9");
    let back: SubjectHistory = serde_json::from_value(lines[0].clone()).unwrap();
    assert_eq!(back, history().subjects[0]);
}
