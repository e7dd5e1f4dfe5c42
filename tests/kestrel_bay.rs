//! The demo layout through the program: as planned, and with everything that went wrong in the
//! wiring.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::collections::BTreeMap;

use assert_cmd::Command;
use serde_json::Value;

fn verdicts(arguments: &[&str], exit_code: i32) -> BTreeMap<String, String> {
    let output = Command::cargo_bin("throwproof")
        .unwrap()
        .env("THROWPROOF_RECORD", "none")
        .args([
            "sweep",
            "fixtures/kestrel-bay/plan.toml",
            "--format",
            "json",
        ])
        .args(arguments)
        .assert()
        .code(exit_code)
        .get_output()
        .stdout
        .clone();
    let text = String::from_utf8(output).unwrap();
    let events = text
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap());
    let verdicts = events.filter(|event| event["event"] == "verdict");
    let word = |value: &Value| value.as_str().map(str::to_owned);
    verdicts
        .map(|event| {
            let id = word(&event["turnout"]).or_else(|| word(&event["signal"]));
            (id.unwrap(), word(&event["verdict"]).unwrap())
        })
        .collect()
}

#[test]
fn as_planned_everything_is_proved_whatever_the_seed() {
    for seed in ["1", "2", "3", "4", "5"] {
        let verdicts = verdicts(&["--seed", seed], 0);
        assert_eq!(verdicts.len(), 28);
        assert!(
            verdicts.values().all(|verdict| verdict == "proved"),
            "seed {seed}: {verdicts:?}"
        );
    }
}

/// What is wrong in as-built.toml, and how it must show. A turnout with half of its output dead
/// or one coil open never moves again once it lies on the other side; laying it by hand tells.
const WRONG: &[(&str, &str)] = &[
    ("Q1", "reversed"),
    ("Q3", "one-way"),
    ("Q4W", "stray"),
    ("Q4E", "stray"),
    ("Q6", "one-way"),
    ("F2", "still"),
    ("F4", "partial"),
    ("M2", "still"),
    ("L1", "still"),
    ("L3", "one-way"),
    ("B3", "reversed"),
    ("S1", "still"),
    ("S2", "still"),
    ("S4", "partial"),
];

#[test]
fn as_built_every_fault_and_nothing_else_fails() {
    let wrong: BTreeMap<_, _> = WRONG.iter().copied().collect();
    for seed in ["1", "2", "3", "4", "5"] {
        let found = verdicts(
            &[
                "--as-built",
                "fixtures/kestrel-bay/as-built.toml",
                "--seed",
                seed,
            ],
            1,
        );
        for (id, verdict) in &found {
            let expected = wrong.get(id.as_str()).copied().unwrap_or("proved");
            assert_eq!(verdict, expected, "{id} with seed {seed}");
        }
    }
}
