//! `sweep` as a person and as a program sees it.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

const PLAN: &str = "fixtures/kestrel-bay/plan.toml";

/// Three turnouts on a decoder with a block of its own, for a sweep of a moment.
const SMALL: &str = r#"
[layout]
name = "Slipway"

[supply.bench]
kind = "separate"
volts = 16.0
amps = 2.5

[decoder.D]
outputs = 4
first_address = 5
supply = "bench"
output_kind = "pulse"
pulse_ms = 150

[[turnout]]
id = "Q1"
place = "Quay"
shape = "left"
decoder = "D"
output = 1

[[turnout]]
id = "Q2"
place = "Quay"
shape = "right"
decoder = "D"
output = 2

[[turnout]]
id = "F1"
place = "Fish dock"
shape = "left"
decoder = "D"
output = 3
"#;

fn throwproof() -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.env("THROWPROOF_RECORD", "none");
    command
}

/// A folder with a plan and an as-built file in it.
fn folder(plan: &str, as_built: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    std::fs::write(folder.path().join("as-built.toml"), as_built).unwrap();
    folder
}

fn sweep(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = throwproof();
    command
        .current_dir(folder)
        .args(["sweep", "plan.toml"])
        .args(arguments);
    command
}

fn lines(output: &[u8]) -> Vec<Value> {
    let text = std::str::from_utf8(output).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn text(output: &[u8]) -> String {
    String::from_utf8(output.to_vec()).unwrap()
}

#[test]
fn kestrel_bay_is_proved() {
    let output = throwproof()
        .args(["sweep", PLAN])
        .assert()
        .code(0)
        .get_output()
        .clone();
    let text = text(&output.stdout);
    assert!(
        text.starts_with("Kestrel Bay: 24 turnouts and 4 signals\n"),
        "{text}"
    );
    assert!(text.contains("\n28 proved. "), "{text}");
    assert!(!text.contains('\u{1b}'), "no colour where it is piped");
    assert!(
        output.stderr.is_empty(),
        "no progress line where it is piped"
    );
}

#[test]
fn the_json_of_a_sweep_keeps_the_contract() {
    let output = throwproof()
        .args(["sweep", PLAN, "--format", "json"])
        .assert()
        .code(0);
    let lines = lines(&output.get_output().stdout);
    assert_eq!(lines[0]["event"], "run-started");
    let last = lines.last().unwrap();
    assert_eq!(
        (&last["event"], &last["proved"]),
        (&Value::from("summary"), &Value::from(28))
    );
    for (seq, line) in lines.iter().enumerate() {
        assert_eq!(line["seq"], seq);
    }
    let observation = lines
        .iter()
        .find(|line| line["event"] == "observation")
        .unwrap();
    assert!(observation["turnout"].is_string() && observation["commanded"].is_string());
    // The way it goes: out, seen, and the verdict only after all of it.
    let of_q1: Vec<_> = lines
        .iter()
        .filter(|line| line["turnout"] == "Q1")
        .map(|line| &line["event"])
        .collect();
    let throw = ["throw-sent", "observation"];
    assert_eq!(of_q1, [&throw[..], &throw, &throw, &["verdict"]].concat());
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_one_others() {
    let run = |seed: &str| {
        let output = throwproof()
            .args(["sweep", PLAN, "--format", "json", "--seed", seed])
            .output();
        output.unwrap().stdout
    };
    assert_eq!(run("7"), run("7"));
    assert_ne!(run("7"), run("8"), "turnouts are found lying otherwise");
}

#[test]
fn what_is_wrong_is_told_and_ends_with_one() {
    let folder = folder(SMALL, "[turnout.Q2]\nleads_swapped = true\n");
    let output = sweep(folder.path(), &["--as-built", "as-built.toml"])
        .assert()
        .code(1);
    let text = text(&output.get_output().stdout);
    assert!(
        text.contains("reversed  diverging → straight; straight → diverging"),
        "{text}"
    );
    assert!(text.contains("\nTo mend\n  Q2  6  reversed"), "{text}");
    assert!(text.contains("\n2 proved, 1 not proved. "), "{text}");
}

#[test]
fn only_some_may_be_swept() {
    let folder = folder(SMALL, "");
    let output = sweep(folder.path(), &["--only", "Q2,F1", "--format", "json"])
        .assert()
        .code(0);
    let lines = lines(&output.get_output().stdout);
    let swept: Vec<_> = lines
        .iter()
        .filter(|line| line["event"] == "verdict")
        .map(|line| line["turnout"].as_str().unwrap())
        .collect();
    assert_eq!(swept, ["Q2", "F1"]);
}

#[test]
fn an_unknown_id_is_an_error_with_a_guess() {
    let folder = folder(SMALL, "");
    let output = sweep(folder.path(), &["--only", "Q12"]).assert().code(2);
    let error = text(&output.get_output().stderr);
    assert!(
        error.contains("error: the plan has no turnout or signal `Q12`"),
        "{error}"
    );
    assert!(error.contains("help: did you mean `Q1`?"), "{error}");
}

#[test]
fn cycles_visit_more_often() {
    let folder = folder(SMALL, "");
    let output = sweep(
        folder.path(),
        &["--only", "Q1", "--cycles", "5", "--format", "json"],
    )
    .assert();
    let lines = lines(&output.code(0).get_output().stdout);
    assert_eq!(lines.last().unwrap()["throws"], 11);
    sweep(folder.path(), &["--cycles", "0"]).assert().code(2);
}

#[test]
fn reserved_addresses_are_skipped_unless_allowed() {
    let folder = folder(
        &SMALL.replace("first_address = 5", "first_address = 2041"),
        "",
    );
    let output = sweep(folder.path(), &[]).assert().code(1);
    let shown = text(&output.get_output().stdout);
    assert!(shown.contains("0 proved, 3 skipped. 0 throws"), "{shown}");
    assert!(shown.contains("--allow-reserved"), "{shown}");
    sweep(folder.path(), &["--allow-reserved"]).assert().code(0);
}

#[test]
fn asking_needs_a_terminal() {
    let folder = folder(SMALL, "");
    let output = sweep(folder.path(), &["--witness", "ask"]).assert().code(2);
    let error = text(&output.get_output().stderr);
    assert!(error.contains("there is no terminal to ask at"), "{error}");
    assert!(error.contains("help: run it in a terminal"), "{error}");
}

#[test]
fn what_can_not_be_used_ends_with_two() {
    let folder = folder(SMALL, "[turnout.Q9]\nleads_swapped = true\n");
    sweep(folder.path(), &["--as-built", "as-built.toml"])
        .assert()
        .code(2);
    sweep(folder.path(), &["--as-built", "missing.toml"])
        .assert()
        .code(2);
    sweep(folder.path(), &["--link", "carrier-pigeon"])
        .assert()
        .code(2);
    sweep(folder.path(), &["--seed", "-1"]).assert().code(2);
    throwproof()
        .args(["sweep", "missing.toml"])
        .assert()
        .code(2);
    throwproof().args(["sweep", "."]).assert().code(2);
    throwproof().arg("sweep").assert().code(2);
    throwproof().assert().code(2);
}

#[test]
fn numbering_is_taken_where_the_plan_gives_none() {
    let first_packet = |plan: &str, arguments: &[&str]| {
        let folder = folder(plan, "");
        let output = sweep(folder.path(), arguments)
            .args(["--format", "json"])
            .output()
            .unwrap();
        lines(&output.stdout)[1]["packet"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    // derived: keyed 5 is binary 8 linear, and binary 4 from zero.
    assert_eq!(first_packet(SMALL, &[]), "82 F9 7B");
    assert_eq!(
        first_packet(SMALL, &["--numbering", "from-zero"]),
        "81 F9 78"
    );
    let said = SMALL.replace("name =", "numbering = \"linear\"\nname =");
    assert_eq!(
        first_packet(&said, &["--numbering", "from-zero"]),
        "82 F9 7B"
    );
}

#[test]
fn a_log_is_written_when_asked_for() {
    let folder = folder(SMALL, "");
    sweep(folder.path(), &["--log", "run.log"]).assert().code(0);
    let log = std::fs::read_to_string(folder.path().join("run.log")).unwrap();
    assert!(log.contains("82 F9 7B"), "{log}");
    let output = sweep(folder.path(), &["-vv"])
        .assert()
        .code(0)
        .get_output()
        .clone();
    assert!(text(&output.stderr).contains("82 F9 7B"));
    sweep(folder.path(), &["--log", "no/such/folder/run.log"])
        .assert()
        .code(2);
}

/// Whoever reads the output may leave; the turnouts are proved all the same.
#[test]
fn a_reader_who_leaves_is_no_error() {
    use std::io::Read as _;
    use std::process::{Command, Stdio};

    let mut child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
        .args(["sweep", PLAN, "--format", "json", "--cycles", "2"])
        .env("THROWPROOF_RECORD", "none")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut some = [0; 100];
    child.stdout.take().unwrap().read_exact(&mut some).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stderr.is_empty(), "{}", text(&output.stderr));
}

/// A full disk is an error, also when all is proved.
#[cfg(target_os = "linux")]
#[test]
fn output_that_is_lost_is_not_taken_for_shown() {
    use std::fs::File;
    use std::process::Command;

    for arguments in [
        &["sweep", PLAN, "--only", "Q1"][..],
        &["sweep", PLAN, "--only", "Q1", "--format", "json"],
        &["throw", "1", "straight"],
        &["encode", "idle"],
        &["decode", "FF00FF"],
        &["check", PLAN],
        &["--help"],
    ] {
        let output = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .args(arguments)
            .env("THROWPROOF_RECORD", "none")
            .stdout(File::options().write(true).open("/dev/full").unwrap())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(
            text(&output.stderr).contains("can't be written"),
            "{arguments:?}"
        );
    }
}

/// Whoever reads only the beginning has seen enough.
#[cfg(target_os = "linux")]
#[test]
fn a_closed_pipe_is_no_error() {
    use std::process::{Command, Stdio};

    for arguments in [
        &["encode", "idle"][..],
        &["check", PLAN],
        &["--help"],
        &["decode", "FF00FF"],
    ] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let output = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .args(arguments)
            .stdout(Stdio::from(writer))
            .output()
            .unwrap();
        assert_eq!(
            output.status.code(),
            Some(0),
            "{arguments:?}: {}",
            text(&output.stderr)
        );
        assert!(output.stderr.is_empty(), "{arguments:?}");
    }
}
