//! Findings as people and programs ask for them: a code explained, SARIF, what a link carries.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;
use assert_cmd::assert::Assert;
use serde_json::Value;
use throwproof::plan::finding::Code;

fn throwproof(arguments: &[&str]) -> Assert {
    Command::cargo_bin("throwproof")
        .unwrap()
        .args(arguments)
        .assert()
}

fn said(assert: &Assert) -> String {
    String::from_utf8(assert.get_output().stdout.clone()).unwrap()
}

fn complained(assert: &Assert) -> String {
    String::from_utf8(assert.get_output().stderr.clone()).unwrap()
}

const THIN_WIRES: &str = "fixtures/plans/thin-wires.toml";

#[test]
fn every_code_is_explained() {
    let list = said(&throwproof(&["check", "--explain"]).code(0));
    assert_eq!(list.lines().count(), Code::ALL.len());
    for code in Code::ALL {
        assert!(list.contains(code.as_str()));
        let text = said(&throwproof(&["check", "--explain", code.as_str()]).code(0));
        for label in ["what", "weighs", "why", "mend", "example", "behind it"] {
            let line = format!("\n  {label:<11}");
            assert!(text.contains(&line), "{label} of {text}");
        }
        assert!(
            text.lines().all(|line| line.chars().count() <= 96),
            "{text}"
        );
        assert!(!text.contains("  the  "), "{text}");
    }
}

#[test]
fn an_unknown_code_is_met_with_the_nearest() {
    let told = complained(&throwproof(&["check", "--explain", "wire-to-long"]).code(2));
    assert!(
        told.contains("no finding has the code `wire-to-long`"),
        "{told}"
    );
    assert!(told.contains("did you mean `wire-too-long`?"), "{told}");
}

#[test]
fn figures_stand_below_their_finding() {
    let text = said(&throwproof(&["check", THIN_WIRES]).code(1));
    for line in [
        "with  output current 1.55 A, at most 1.00 A: margin \u{2212}0.55 A",
        "short-circuit current 3.19 A, at least 5.00 A: margin \u{2212}1.81 A",
        "supply   steady  a throw    worst   rated   margin",
    ] {
        assert!(text.contains(line), "{line} in {text}");
    }
    assert!(
        !text.contains("nothing is thrown"),
        "errors of power refuse nothing: {text}"
    );
    let json = said(&throwproof(&["check", THIN_WIRES, "--format", "json"]).code(1));
    let lines = json.lines().map(|line| serde_json::from_str(line).unwrap());
    let lines: Vec<Value> = lines.collect();
    let shed = lines
        .iter()
        .find(|line| line["event"] == "supply-load")
        .unwrap();
    assert_eq!(shed["supply"], "shed");
    assert_eq!(shed["rated_amps"], 2.5);
    let overloaded = lines
        .iter()
        .find(|line| line["code"] == "output-overloaded");
    assert_eq!(overloaded.unwrap()["figures"][0]["at_most"], 1.0);
}

#[test]
fn a_plan_with_errors_of_power_can_be_swept() {
    let sweep = throwproof(&["sweep", THIN_WIRES, "--record", "none", "--only", "A,C"]).code(1);
    let text = said(&sweep);
    assert!(
        text.contains("A   9  still") && text.contains("C  11  still"),
        "{text}"
    );
}

/// What SARIF 2.1.0 (OASIS Standard, 27 March 2020) requires of what is written; clauses from
/// memory.
#[test]
fn sarif_has_what_the_standard_requires() {
    let log: Value = serde_json::from_str(&said(
        &throwproof(&["check", THIN_WIRES, "--format", "sarif"]).code(1),
    ))
    .unwrap();
    // clause: 3.13.2, 3.13.4.
    assert_eq!(log["version"], "2.1.0");
    let runs = log["runs"].as_array().unwrap();
    assert_eq!(runs.len(), 1);
    // clause: 3.14.6, 3.18.2, 3.19.8.
    let driver = &runs[0]["tool"]["driver"];
    assert_eq!(driver["name"], "throwproof");
    assert_eq!(driver["version"], env!("CARGO_PKG_VERSION"));
    // clause: 3.49.3: each rule has an id of its own.
    let rules = driver["rules"].as_array().unwrap();
    let results = runs[0]["results"].as_array().unwrap();
    assert!(results.len() >= 8);
    for result in results {
        // clause: 3.27.5, 3.27.6: the index is that of the rule of that id.
        let index = usize::try_from(result["ruleIndex"].as_u64().unwrap()).unwrap();
        assert_eq!(rules[index]["id"], result["ruleId"]);
        assert_eq!(
            rules[index]["defaultConfiguration"]["level"],
            result["level"]
        );
        // clause: 3.27.10.
        let level = result["level"].as_str().unwrap();
        assert!(["none", "note", "warning", "error"].contains(&level));
        // clause: 3.27.11, 3.11.8.
        assert!(!result["message"]["text"].as_str().unwrap().is_empty());
        // clause: 3.27.12, 3.29.3, 3.30: lines and columns from 1.
        let place = &result["locations"][0]["physicalLocation"];
        assert_eq!(place["artifactLocation"]["uri"], THIN_WIRES);
        let at = |name: &str| place["region"][name].as_u64().unwrap();
        assert!(at("startLine") >= 1 && at("startColumn") >= 1);
        assert!((at("startLine"), at("startColumn")) <= (at("endLine"), at("endColumn")));
        assert!(result["properties"]["figures"].is_array());
    }
    let ids: std::collections::BTreeSet<_> = rules.iter().map(|rule| rule["id"].as_str()).collect();
    assert_eq!(ids.len(), rules.len());
    // An empty run is a log too.
    let clean = throwproof(&[
        "check",
        "fixtures/kestrel-bay/plan.toml",
        "--format",
        "sarif",
    ]);
    let log: Value = serde_json::from_str(&said(&clean.code(0))).unwrap();
    assert_eq!(log["runs"][0]["results"], serde_json::json!([]));
}

#[test]
fn only_findings_are_written_as_sarif() {
    for arguments in [
        &["encode", "idle", "--format", "sarif"][..],
        &["check", "--explain", "--format", "sarif"],
        &[
            "check",
            "fixtures/profiles/harbour-text.toml",
            "--format",
            "sarif",
        ],
    ] {
        let told = complained(&throwproof(arguments).code(2));
        assert!(told.contains("can't be written as SARIF"), "{told}");
    }
}

#[test]
fn reports_that_no_link_carries_are_told_without_opening_it() {
    let plan = "fixtures/kestrel-bay/plan.toml";
    for link in ["track", "lcc:/dev/nothing-there"] {
        let text = said(&throwproof(&["check", plan, "--link", link]).code(0));
        assert!(text.contains("nothing found"), "{text}");
    }
    let folder = tempfile::tempdir().unwrap();
    let reporting = "profile:fixtures/profiles/harbour-text.toml:/dev/nothing-there";
    let text = said(&throwproof(&["check", plan, "--link", reporting]).code(0));
    assert!(text.contains("nothing found"), "{text}");
    let mute = folder.path().join("mute.toml");
    std::fs::write(&mute, without_positions()).unwrap();
    let link = format!("profile:{}:/dev/nothing-there", mute.display());
    let text = said(&throwproof(&["check", plan, "--link", &link]).code(1));
    assert!(text.contains("[reports-not-carried]"), "{text}");
    assert!(text.contains("B1, B2, B3 and B4 should report"), "{text}");
}

/// The demo station without the replies that mean a position.
fn without_positions() -> String {
    let text = std::fs::read_to_string("fixtures/profiles/harbour-text.toml").unwrap();
    let tables = text.split("\n[[reply]]\n");
    let kept: Vec<_> = tables
        .filter(|table| !table.contains("means = \"position\""))
        .collect();
    kept.join("\n[[reply]]\n")
}

#[test]
fn slips_in_wires_are_told_with_their_mend() {
    let folder = tempfile::tempdir().unwrap();
    let told = |wire: &str| {
        let plan = folder.path().join("plan.toml");
        let text = format!(
            "[layout]\nname = \"Slipway\"\n[decoder.D1]\noutputs = 4\nfirst_address = 9\n\
             wire = {wire}\n[[turnout]]\nid = \"A\"\nshape = \"left\"\naddress = 9\n"
        );
        std::fs::write(&plan, text).unwrap();
        complained(&throwproof(&["check", plan.to_str().unwrap()]).code(2))
    };
    for (wire, said) in [
        ("{ metres = 3 }", "a line `mm2 = …` below, or `awg = …`"),
        ("{ mm2 = 0.5 }", "has no `metres`"),
        ("{ metres = 3, mm2 = 0.5, awg = 20 }", "two gauges"),
        ("{ metres = -1, mm2 = 0.5 }", "`metres`"),
        ("{ metres = 3, awg = 3 }", "`awg`"),
        (
            "{ metres = 3, mm2 = 0.5, form = \"D1\" }",
            "unknown key `form`",
        ),
        ("3", "wire"),
    ] {
        let told = told(wire);
        assert!(told.contains(said), "{wire}: {told}");
    }
}
