//! `new`: a plan to start from, that `check` and `sweep` take as it is.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

fn throwproof(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.current_dir(folder).env("THROWPROOF_RECORD", "none");
    command
}

#[test]
fn a_new_plan_has_no_findings_and_proves_on_the_simulated_track() {
    for drive in ["twin-coil", "stall-motor", "servo", "memory-wire"] {
        let folder = tempfile::tempdir().unwrap();
        throwproof(folder.path())
            .args(["new", "--turnouts", "5", "--drive", drive])
            .assert()
            .code(0);
        throwproof(folder.path())
            .args(["check", "plan.toml"])
            .assert()
            .code(0);
        throwproof(folder.path())
            .args(["sweep", "plan.toml"])
            .assert()
            .code(0);
    }
}

#[test]
fn what_is_there_is_never_touched() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("mine.toml");
    std::fs::write(&plan, "mine").unwrap();
    let output = throwproof(folder.path())
        .args(["new", "mine.toml"])
        .assert()
        .code(2);
    let said = String::from_utf8_lossy(&output.get_output().stderr).into_owned();
    assert!(said.contains("mine.toml is there already"), "{said}");
    assert_eq!(std::fs::read_to_string(&plan).unwrap(), "mine");
}

#[test]
fn it_says_what_it_wrote_to_programs_too() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = ["new", "a.toml", "--turnouts", "9", "--format", "json"];
    let output = throwproof(folder.path()).args(arguments).assert().code(0);
    let line: Value = serde_json::from_slice(&output.get_output().stdout).unwrap();
    assert_eq!(line["event"], "plan-written");
    assert_eq!(line["plan"], "a.toml");
    assert_eq!(line["decoders"], 3);
}

#[test]
fn what_can_not_be_is_refused_and_nothing_written() {
    for wrong in [
        ["--turnouts", "3000"],
        ["--outputs", "0"],
        ["--drive", "clockwork"],
    ] {
        let folder = tempfile::tempdir().unwrap();
        throwproof(folder.path())
            .arg("new")
            .args(wrong)
            .assert()
            .code(2);
        assert!(!folder.path().join("plan.toml").exists());
    }
}

#[test]
fn every_shell_gets_completions_of_every_command() {
    let folder = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let output = throwproof(folder.path())
            .args(["completions", shell])
            .assert()
            .code(0);
        let script = String::from_utf8_lossy(&output.get_output().stdout).into_owned();
        for word in ["sweep", "decode", "as-built"] {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
}

#[test]
fn there_is_a_manual_page_for_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let output = throwproof(folder.path()).arg("manual").assert().code(0);
    let page = String::from_utf8_lossy(&output.get_output().stdout).into_owned();
    assert!(page.contains(".TH throwproof 1"), "{page}");
    throwproof(folder.path())
        .args(["manual", "--to", "man1"])
        .assert()
        .code(0);
    for page in ["throwproof.1", "throwproof-sweep.1", "throwproof-new.1"] {
        assert!(folder.path().join("man1").join(page).exists(), "{page}");
    }
}
