//! A log of the wire, explained; ports, listed.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;
use jsonschema::Validator;
use serde_json::Value;

const SCHEMA: &str = include_str!("../docs/schema/events.schema.json");

/// Frames in pieces, a line that something ate, a byte that is none.
const LCC: &str = "\
0000.000100 # debug opened
0000.000200 > 3A 58 31 39 35 42 34 31 32 33 4E 30 31 30 31 30  |:X195B4123N01010|
0000.000300 > 32 30 30 30 30 46 46 30 30 30 39 3B 0A  |20000FF0009;.|
0000.000400 < 3A 58 31 30 37 30 30 34 35 36 4E 3B 0A  |:X10700456N;.|
0000.000500 < 3A 58
0000.000600 < ZZ  |?|
";

fn decoded(log: &str, arguments: &[&str]) -> (Option<i32>, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wire.log");
    std::fs::write(&path, log).unwrap();
    let mut command = Command::cargo_bin("throwproof").unwrap();
    let output = command
        .args(["decode", "--log"])
        .arg(&path)
        .args(arguments)
        .output()
        .unwrap();
    // What is read stays as it was.
    assert_eq!(std::fs::read_to_string(&path).unwrap(), log);
    (
        output.status.code(),
        String::from_utf8(output.stdout).unwrap(),
    )
}

fn assert_in_contract(text: &str) {
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let validator: Validator = jsonschema::validator_for(&schema).unwrap();
    for line in text.lines() {
        let object: Value = serde_json::from_str(line).unwrap();
        assert!(validator.is_valid(&object), "{line}");
    }
}

#[test]
fn frames_are_named_where_they_end_and_broken_lines_too() {
    let (code, text) = decoded(LCC, &[]);
    assert_eq!(code, Some(1));
    // derived: Event Identifiers TN 2.5.3.3; binary address 4 is keyed 1.
    assert!(
        text.contains("event report: activate output 1 of address 1"),
        "{text}"
    );
    assert!(text.contains("alias 456: reserve id"), "{text}");
    assert!(
        text.contains("line 5 is broken: it ends before the bytes do"),
        "{text}"
    );
    assert!(
        text.contains("line 6 is broken: `ZZ` is not a byte"),
        "{text}"
    );
    let (_, json) = decoded(LCC, &["--format", "json"]);
    assert_in_contract(&json);
    let last: Value = serde_json::from_str(json.lines().last().unwrap()).unwrap();
    assert_eq!((&last["messages"], &last["broken"]), (&2.into(), &2.into()));
}

#[test]
fn a_profile_reads_both_ways() {
    let log = "\
0000.000200 > 62 65 72 74 68 20 30 30 30 31 20 68 65 61 76 65 20 66 61 69 72 77 61 79 0A  |berth 0001 heave fairway.|
0000.000300 < 61 79 65 2C 20 62 65 72 74 68 20 31 0A  |aye, berth 1.|
";
    let (code, text) = decoded(log, &["--profile", "fixtures/profiles/harbour-text.toml"]);
    assert_eq!(code, Some(0));
    assert!(text.contains("the packet 81 F9 78"), "{text}");
    assert!(text.contains("done"), "{text}");
}

#[test]
fn ports_are_listed_and_none_is_no_failure() {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    let output = command
        .args(["ports", "--format", "json"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    assert_in_contract(&text);
    assert!(text.lines().last().unwrap().contains("\"summary\""));
}
