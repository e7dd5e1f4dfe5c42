//! `throw` and `aspect` as a person and as a program sees them.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;
use serde_json::Value;

const PLAN: &str = r#"
[layout]
name = "Slipway"

[decoder.D]
outputs = 4
first_address = 5
output_kind = "pulse"
pulse_ms = 150

[decoder.X]
outputs = 4
first_address = 21
output_kind = "steady"
format = "extended"

[[turnout]]
id = "Q1"
shape = "left"
decoder = "D"
output = 1

[[turnout]]
id = "Q2"
shape = "left"
decoder = "D"
output = 2

[[signal]]
id = "S1"
kind = "extended"
decoder = "X"
output = 1
aspects = { stop = 0, proceed = 1 }
"#;

/// Q1 lies straight; Q2 is what Q1's output really drives.
const AS_BUILT: &str = "[turnout.Q1]\nlies = \"straight\"\nexchanged_with = \"Q2\"\n";

/// The program in a folder of its own.
struct Bench(tempfile::TempDir);

impl Bench {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn with_plan(name: &str) -> Self {
        let bench = Self::new();
        std::fs::write(bench.0.path().join(name), PLAN).unwrap();
        std::fs::write(bench.0.path().join("as-built.toml"), AS_BUILT).unwrap();
        bench
    }

    fn run(&self, arguments: &str) -> (i32, String, String) {
        let mut command = Command::cargo_bin("throwproof").unwrap();
        let output = command
            .current_dir(self.0.path())
            .args(arguments.split(' '))
            .output()
            .unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (
            output.status.code().unwrap(),
            text(output.stdout),
            text(output.stderr),
        )
    }
}

#[test]
fn without_a_plan_there_is_a_bench() {
    let (code, out, err) = Bench::new().run("throw 1 straight");
    assert_eq!(code, 0);
    // clause: S-9.2.1 (January 2025), table, second-hand: keyed 1, R = 1.
    assert_eq!(
        out,
        "sent  81 F9 78  turnout T1 to straight, address 1\nseen  straight\n"
    );
    assert!(err.contains("one decoder, addresses 1 to 4"), "{err}");
}

#[test]
fn every_kind_of_address_is_thrown() {
    for (address, numbering, packet) in [
        // clause: S-9.2.1 (January 2025), table, second-hand: 253 is 80 E0 or 80 F0.
        ("253", "linear", "80 E8 68"),
        ("253", "non-linear", "80 F8 78"),
        ("2048", "linear", "80 FE 7E"),
        ("1", "from-zero", "80 F8 78"),
    ] {
        let arguments = format!("throw {address} diverging --numbering {numbering}");
        let (code, out, _) = Bench::new().run(&arguments);
        assert_eq!(code, 0, "{arguments}: {out}");
        assert!(out.contains(packet), "{arguments}: {out}");
    }
}

#[test]
fn the_plan_of_the_folder_is_used_and_said() {
    let (_, out, err) = Bench::with_plan("plan.toml").run("throw Q1 diverging");
    assert!(
        out.starts_with("sent  82 F8 7A  turnout Q1 to diverging, address 5\n"),
        "{out}"
    );
    assert!(
        err.contains("note: using plan.toml in this folder"),
        "{err}"
    );
}

#[test]
fn an_address_means_the_turnout_that_has_it() {
    let bench = Bench::with_plan("mine.toml");
    let (_, out, _) = bench.run("throw 5 straight --plan mine.toml");
    assert!(out.contains("turnout Q1 to straight, address 5"), "{out}");
}

#[test]
fn a_throw_repeats_by_itself_and_ends_where_it_was_sent() {
    let bench = Bench::with_plan("plan.toml");
    let (code, out, err) = bench.run("throw Q1 diverging --repeat 3 --count 3");
    assert_eq!(code, 0);
    let sent: Vec<_> = out
        .lines()
        .filter(|line| line.starts_with("sent"))
        .collect();
    assert_eq!(sent.len(), 5, "{out}");
    assert!(sent[4].contains("turnout Q1 to diverging"), "{out}");
    assert!(!out.contains("seen"), "{out}");
    // No bell where there is no terminal to hear it at.
    assert!(err.contains("5 throws") && !err.contains('\u{7}'), "{err}");
}

#[test]
fn another_one_that_moves_ends_with_one() {
    let bench = Bench::with_plan("mine.toml");
    let arguments = "throw Q2 diverging --plan mine.toml --as-built as-built.toml --format json";
    let (code, out, _) = bench.run(arguments);
    assert_eq!(code, 1);
    let lines: Vec<Value> = out
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines[0]["event"], "throw-sent");
    assert_eq!(lines[0]["step"], "single");
    assert_eq!(lines[1]["observed"], "another");
    assert_eq!(lines[1]["others"], serde_json::json!(["Q1"]));
}

#[test]
fn what_is_not_in_the_plan_moves_nothing() {
    let bench = Bench::with_plan("plan.toml");
    let (code, out, err) = bench.run("throw 100 straight");
    assert_eq!(code, 1);
    assert!(out.contains("seen  nothing moved"), "{out}");
    assert!(err.contains("the plan has nothing at address 100"), "{err}");
}

#[test]
fn aspects_are_shown_by_name_and_by_value() {
    let bench = Bench::with_plan("plan.toml");
    for aspect in ["proceed", "1"] {
        let (code, out, _) = bench.run(&format!("aspect S1 {aspect}"));
        assert_eq!(code, 0, "{out}");
        assert!(
            out.contains("signal S1 to proceed, address 21\nseen  proceed\n"),
            "{out}"
        );
    }
    let (code, out, _) = Bench::new().run("aspect 60 5");
    assert_eq!((code, out.lines().last()), (0, Some("seen  value-5")));
}

#[test]
fn reserved_addresses_need_a_word_more() {
    for keyed in 2041..=2044 {
        let (code, out, err) = Bench::new().run(&format!("throw {keyed} straight"));
        assert_eq!((code, out.as_str()), (2, ""), "{keyed}");
        assert!(err.contains("--allow-reserved"), "{err}");
        let (code, ..) = Bench::new().run(&format!("throw {keyed} straight --allow-reserved"));
        assert_eq!(code, 0, "{keyed}");
    }
    let (code, ..) = Bench::new().run("throw 2040 straight");
    assert_eq!(code, 0);
}

#[test]
fn wrong_usage_says_what_to_write() {
    let bench = Bench::with_plan("plan.toml");
    for (arguments, expected) in [
        ("throw W3 straight", "it has Q1, Q2, S1"),
        ("throw q1 straight", "did you mean `Q1`?"),
        ("throw Q1 left", "write `straight` or `diverging`"),
        ("throw 0 straight", "addresses run from 1 to 2048"),
        ("throw 2049 straight", "addresses run from 1 to 2048"),
        ("throw S1 straight", "write `throwproof aspect S1 ASPECT`"),
        ("throw 21 straight", "address 21 belongs to signal S1"),
        ("aspect Q1 stop", "Q1 is a turnout"),
        ("aspect S1 green", "`green` is no aspect"),
        ("aspect S1 256", "give a value from 0 to 255"),
        ("throw Q1 straight --plan missing.toml", "missing.toml"),
        ("throw Q1 straight --repeat 2", "say how often with --count"),
        (
            "throw Q1 straight --repeat soon --count 2",
            "it is no number",
        ),
        ("throw Q1 straight --repeat=-1 --count 2", "from 0 to 3600"),
        ("throw Q1 straight --count 2", "--repeat"),
    ] {
        let (code, out, err) = bench.run(arguments);
        assert_eq!((code, out.as_str()), (2, ""), "{arguments}: {err}");
        assert!(err.contains(expected), "{arguments}: {err}");
    }
    let (code, _, err) = Bench::new().run("throw Q1 straight");
    assert_eq!(code, 2);
    assert!(err.contains("name the plan with --plan"), "{err}");
}
