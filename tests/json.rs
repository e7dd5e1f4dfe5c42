//! The JSON output keeps to its schema, and schema and document name the same fields.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use assert_cmd::Command;
use jsonschema::Validator;
use serde_json::Value;

const SCHEMA: &str = include_str!("../docs/schema/events.schema.json");
const DOCUMENT: &str = include_str!("../docs/json.md");

fn schema() -> Value {
    serde_json::from_str(SCHEMA).unwrap()
}

fn validator() -> Validator {
    let schema = schema();
    jsonschema::meta::validate(&schema).unwrap_or_else(|error| panic!("{error}"));
    jsonschema::validator_for(&schema).unwrap()
}

fn output(arguments: &[&str]) -> String {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    let output = command
        .args(arguments)
        .env("THROWPROOF_RECORD", "none")
        .args(["--format", "json"])
        .output()
        .unwrap();
    String::from_utf8(output.stdout).unwrap()
}

/// Output with every event that a command of this version writes.
fn outputs() -> String {
    let faults = "\
[turnout.Q1]\nleads_swapped = true\n[turnout.Q2]\noutput = \"dead\"\n\
[turnout.Q3]\nexchanged_with = \"F1\"\n[turnout.F2]\nstraight_coil = \"open\"\n";
    let folder = tempfile::tempdir().unwrap();
    let as_built = folder.path().join("as-built.toml");
    std::fs::write(&as_built, faults).unwrap();
    let as_built = as_built.to_str().unwrap();
    let plan = "fixtures/kestrel-bay/plan.toml";
    let mut text = output(&["sweep", plan, "--as-built", as_built]);
    let bench = std::fs::read_to_string("fixtures/faults/plan.toml").unwrap();
    let at_one_place = bench.replace("[[turnout]]\n", "[[turnout]]\nplace = \"Bench\"\n");
    let together = folder.path().join("plan.toml");
    std::fs::write(&together, at_one_place).unwrap();
    let fault = folder.path().join("fault.toml");
    std::fs::write(&fault, "[turnout.A1]\nleads_swapped = true\n").unwrap();
    let (together, fault) = (together.to_str().unwrap(), fault.to_str().unwrap());
    text += &output(&["sweep", together, "--as-built", fault, "--by-place"]);
    text += &output(&["throw", "1", "straight", "--repeat", "1", "--count", "2"]);
    text += &output(&["check", plan]);
    text += &output(&["check", "fixtures/plans/findings.toml"]);
    text += &output(&["check", "fixtures/plans/thin-wires.toml"]);
    text += &output(&["check", "--explain"]);
    text += &output(&["throw", "1", "straight"]);
    text += &output(&["aspect", "60", "5"]);
    for packet in [
        "encode turnout 1 straight",
        "encode turnout 2044 diverging --release",
        "encode turnout 2041 straight",
        "encode aspect 60 5 --read-as signal",
        "encode aspect 2044 7",
        "encode cv bit 1 29 3 1 --target extended",
        "encode cv write 1 29 128 --target decoder",
        "encode cv verify 1 1 5",
        "encode service write 1 3 --power-on",
        "encode service bit 8 7 1 --verify",
        "encode nop 1 --extended",
        "encode stop",
        "encode idle",
        "encode reset",
        "decode 37 74 43",
        "decode 00 51 51",
        "decode 81 7E 00 01 FE",
        "decode E8 00 E8",
        "decode 7D 01 7C --service",
        "decode 78 05 7D --service",
        "decode 7B 05 7E --service",
    ] {
        text += &output(&packet.split(' ').collect::<Vec<_>>());
    }
    text
}

#[test]
fn all_output_keeps_to_the_schema() {
    let validator = validator();
    let mut events = std::collections::BTreeSet::new();
    for line in outputs().lines() {
        let object: Value = serde_json::from_str(line).unwrap();
        if let Err(error) = validator.validate(&object) {
            panic!("{line}\n{error}");
        }
        events.insert(object["event"].as_str().unwrap().to_owned());
    }
    let expected = [
        "explanation",
        "finding",
        "laid-by-hand",
        "observation",
        "packet",
        "run-started",
        "summary",
        "supply-load",
        "surveyed",
        "swept-again",
        "throw-sent",
        "verdict",
    ];
    assert_eq!(events.into_iter().collect::<Vec<_>>(), expected);
}

#[test]
fn every_kind_of_event_reads_back_what_it_wrote() {
    for line in output(&["sweep", "fixtures/kestrel-bay/plan.toml"]).lines() {
        let event: throwproof::event::Event = serde_json::from_str(line).unwrap();
        assert_eq!(serde_json::to_string(&event).unwrap(), line);
    }
}

#[test]
fn the_schema_refuses_what_is_not_in_the_contract() {
    let validator = validator();
    let good = r#"{"event":"stopped","reason":"operator","seq":1,"at_us":2}"#;
    assert!(validator.is_valid(&serde_json::from_str(good).unwrap()));
    for bad in [
        r#"{"event":"stopped","reason":"boredom","seq":1,"at_us":2}"#,
        r#"{"event":"stopped","reason":"operator"}"#,
        r#"{"event":"stopped","reason":"operator","seq":1,"at_us":2,"more":3}"#,
        r#"{"event":"unheard-of"}"#,
        r#"{"event":"laid-by-hand","position":"straight","seq":1,"at_us":2}"#,
        "[]",
    ] {
        assert!(
            !validator.is_valid(&serde_json::from_str(bad).unwrap()),
            "{bad}"
        );
    }
}

#[test]
fn the_document_names_every_event_and_field() {
    for kind in schema()["oneOf"].as_array().unwrap() {
        let event = kind["properties"]["event"]["const"].as_str().unwrap();
        assert!(
            DOCUMENT.contains(&format!("### `{event}`")),
            "event {event}"
        );
        for field in kind["properties"].as_object().unwrap().keys() {
            assert!(
                DOCUMENT.contains(&format!("`{field}`")),
                "field {field} of {event}"
            );
        }
    }
}
