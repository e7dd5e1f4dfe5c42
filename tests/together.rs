//! `sweep --together`, through the program, on the simulated track.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

const PLAN: &str = "fixtures/kestrel-bay/plan.toml";

fn together(group: &str) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command
        .env("THROWPROOF_RECORD", "none")
        .args(["sweep", PLAN, "--together", group]);
    command
}

fn events(output: &[u8]) -> Vec<Value> {
    let text = std::str::from_utf8(output).unwrap();
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
    lines.collect()
}

/// What `gap-found` says, for an as-built file with that text.
fn found(group: &str, as_built: &str, seed: u64) -> (Option<i32>, Value) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("as-built.toml");
    std::fs::write(&file, as_built).unwrap();
    let output = together(group)
        .args([
            "--format",
            "json",
            "--seed",
            &seed.to_string(),
            "--as-built",
        ])
        .arg(&file)
        .output()
        .unwrap();
    let events = events(&output.stdout);
    let found = events.iter().find(|event| event["event"] == "gap-found");
    (output.status.code(), found.unwrap().clone())
}

#[test]
fn a_weaker_capacitor_needs_a_wider_gap() {
    // The quay's 10 000 uF charge through 22 ohms and the supply's 0.6: three time constants are
    // 0.678 s (exponential charging, 1 - exp(-3) = 0.95).
    let (code, planned) = found("Quay", "seed = 1\n", 1);
    assert_eq!(code, Some(0));
    assert_eq!(planned["expected_ms"], 678);
    let planned = planned["gap_ms"].as_u64().unwrap();
    assert!((250..=1000).contains(&planned), "{planned}");
    let slower = "[supply.quay]\ncapacitor_charge_ohms = 60\n";
    let (code, slow) = found("Quay", slower, 1);
    assert_eq!(code, Some(0));
    let slow = slow["gap_ms"].as_u64().unwrap();
    assert!(slow > planned, "{slow} against {planned}");
}

#[test]
fn a_busy_board_needs_its_time() {
    let (_, free) = found("Q1,Q2", "seed = 1\n", 1);
    let (code, busy) = found("Q1,Q2", "[decoder.D1]\nbusy_ms = 1200\n", 1);
    assert_eq!(code, Some(0));
    assert_eq!(busy["gap_ms"], 1500, "{free}");
    assert_eq!(busy["first_to_fail"], serde_json::json!(["Q2"]));
}

#[test]
fn a_dead_turnout_holds_with_no_gap() {
    let (code, found) = found(
        "Quay",
        "[turnout.Q2]\noutput = \"dead\"\nlies = \"straight\"\n",
        1,
    );
    assert_eq!(code, Some(1));
    assert!(found.get("gap_ms").is_none());
    assert_eq!(found["first_to_fail"], serde_json::json!(["Q2"]));
}

#[test]
fn the_same_seed_gives_the_same_run() {
    let run = || {
        together("Fish dock")
            .args(["--format", "json"])
            .output()
            .unwrap()
            .stdout
    };
    assert_eq!(run(), run());
}

#[test]
fn ids_places_and_mistakes() {
    let text = |command: &mut Command| {
        let output = command.output().unwrap();
        let all = [output.stdout, output.stderr].concat();
        (output.status.code(), String::from_utf8(all).unwrap())
    };
    let (code, said) = text(&mut together("Q1, L1"));
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("2 turnouts thrown together"), "{said}");
    let (code, said) = text(&mut together("Quey"));
    assert_eq!(code, Some(2));
    assert!(said.contains("did you mean `Quay`?"), "{said}");
    let (code, said) = text(&mut together("Q1"));
    assert_eq!(code, Some(2));
    assert!(said.contains("no two turnouts"), "{said}");
    let (code, said) = text(&mut together("S4,Q1"));
    assert_eq!(code, Some(2));
    assert!(said.contains("S4 is a signal"), "{said}");
    let (code, said) = text(
        together("Quay")
            .args(["--witness", "reports"])
            .write_stdin(""),
    );
    assert_eq!(code, Some(2), "{said}");
}

#[test]
fn it_is_kept_and_leaves_nothing_to_carry_on() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("plan.record");
    let run = |args: &[&str]| {
        let mut command = Command::cargo_bin("throwproof").unwrap();
        command.arg("sweep").arg(Path::new(PLAN)).args(args);
        let output = command.arg("--record").arg(&record).output().unwrap();
        (
            output.status.code(),
            String::from_utf8(output.stderr).unwrap(),
        )
    };
    assert_eq!(run(&["--together", "Fish dock"]).0, Some(0));
    let (code, said) = run(&["--resume", "--only", "L1"]);
    assert_eq!(code, Some(0));
    assert!(said.contains("no run is unfinished"), "{said}");
}
