//! `teach` as a person and as a program sees it, on the simulated track.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

/// A decoder of the quay, what is particular about it, and a turnout on its first output.
fn plan(keys: &str) -> String {
    // A turnout needs basic packets.
    let output = if keys.contains("extended") {
        "address = 90"
    } else {
        "decoder = \"D\"\noutput = 1"
    };
    format!(
        "[layout]\nname = \"Kestrel Bay\"\n\n\
         [supply.quay]\nkind = \"separate\"\nvolts = 16.0\namps = 2.5\n\n\
         [decoder.D]\nplace = \"Under the quay\"\nsupply = \"quay\"\noutputs = 4\n{keys}\n\n\
         [decoder.K]\noutputs = 4\nfirst_address = 21\n\n\
         [[turnout]]\nid = \"Q1\"\nshape = \"left\"\n{output}\n"
    )
}

const UNTAUGHT: &str = "[decoder.D]\ntaught = false\n";

/// What came of a lesson.
struct Came {
    code: i32,
    lines: Vec<Value>,
    error: String,
    folder: tempfile::TempDir,
}

impl Came {
    fn done(&self) -> &Value {
        self.lines.last().unwrap()
    }

    fn amiss(&self) -> String {
        self.done()["amiss"].to_string()
    }

    fn of(&self, event: &str) -> impl Iterator<Item = &Value> {
        self.lines.iter().filter(move |line| line["event"] == event)
    }
}

fn throwproof(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.current_dir(folder);
    command
}

fn teach(keys: &str, as_built: &str, arguments: &[&str]) -> Came {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan(keys)).unwrap();
    std::fs::write(folder.path().join("as-built.toml"), as_built).unwrap();
    let output = throwproof(folder.path())
        .args(["teach", "plan.toml", "D", "--as-built", "as-built.toml"])
        .args(["--format", "json"])
        .args(arguments)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    check_schema(&lines);
    Came {
        code: output.status.code().unwrap(),
        lines,
        error: String::from_utf8(output.stderr).unwrap(),
        folder,
    }
}

fn check_schema(lines: &[Value]) {
    let schema = include_str!("../docs/schema/events.schema.json");
    let schema: Value = serde_json::from_str(schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for line in lines {
        let outcome = validator.validate(line).map_err(|error| error.to_string());
        assert_eq!(outcome, Ok(()), "{line}");
        let event: throwproof::event::Event = serde_json::from_value(line.clone()).unwrap();
        assert_eq!(serde_json::to_value(event).unwrap(), *line, "it reads back");
    }
}

fn proved(keys: &str, arguments: &[&str]) -> Came {
    let came = teach(keys, UNTAUGHT, arguments);
    assert_eq!(came.code, 0, "{keys}: {:#?} {}", came.lines, came.error);
    assert_eq!(came.done()["outcome"], "proved");
    assert!(came.done().get("next").is_none());
    // Each of four outputs, both ways.
    let acted = came.of("taught-seen").filter(|seen| seen["saw"] == "acted");
    assert!(acted.count() >= 8, "{keys}");
    came
}

#[test]
fn every_way_on_every_typical_board() {
    let chooses = "learn = { chooses = [\
                   { output = 1, position = \"straight\", pulse_ms = 500 }, \
                   { output = 3, position = \"diverging\", pulse_ms = 250 }] }";
    let pulse = |rest: &str| format!("first_address = 9\npulse_ms = 250\n{rest}");
    let first = [
        "first_address = 9".to_owned(),
        "first_address = 9\nblock_start = \"any\"".to_owned(),
        "first_address = 17\nblock_start = \"8k+1\"".to_owned(),
        "first_address = 9\nlearn = { power = \"off\" }".to_owned(),
        "first_address = 11\nblock_start = \"any\"\nlearn = { each_output = true }".to_owned(),
        "first_address = 9\noutput_kind = \"servo\"".to_owned(),
        "first_address = 9\nformat = \"extended\"".to_owned(),
        pulse(chooses),
    ];
    for keys in &first {
        let came = proved(keys, &[]);
        let started = came.of("teach-started").next().unwrap();
        assert_eq!(started["method"], "first-command", "{keys}");
    }
    // The command that teaches is the one that chooses the planned pulse.
    let came = proved(&pulse(chooses), &[]);
    let teaches = came
        .of("taught-sent")
        .find(|sent| sent["purpose"] == "teach");
    assert_eq!(teaches.unwrap()["address"], 11);
    // derived from S-9.2.1: keyed 11 is binary 14, bit 0 = 0 is diverging.
    assert_eq!(teaches.unwrap()["packet"], "83 FC 7F");

    for keys in [
        "first_address = 1044\nlearns = \"cv-output\"",
        "first_address = 102\nlearns = \"cv-output\"\nformat = \"extended\"",
        "first_address = 1001\nlearns = \"cv-decoder\"",
        "first_address = 1001\nlearns = \"cv-decoder\"\nlearn = { older_numbers = true }",
        "first_address = 257\nlearns = \"cv-decoder\"\nlearn = { on_time_unit_ms = 10 }",
    ] {
        for by in ["main", "programming-track"] {
            let came = proved(keys, &["--by", by]);
            assert_eq!(came.of("teach-started").next().unwrap()["method"], by);
        }
    }
    for of in ["decoders", "decoders-from-zero", "addresses"] {
        for highest_first in [false, true] {
            proved(
                &format!(
                    "first_address = 45\nlearns = \"switches\"\nlearn = {{ switches = \
                     {{ count = 8, of = \"{of}\", highest_first = {highest_first} }} }}"
                ),
                &[],
            );
        }
    }
}

#[test]
fn switches_are_told_in_words_as_they_count() {
    let text = |of: &str, highest_first: bool| {
        let came = proved(
            &format!(
                "first_address = 45\nlearns = \"switches\"\nlearn = {{ switches = \
                 {{ count = 8, of = \"{of}\", highest_first = {highest_first} }} }}"
            ),
            &[],
        );
        let job = came.of("by-hand").find(|hand| hand["job"] == "switches");
        job.unwrap()["text"].as_str().unwrap().to_owned()
    };
    // derived: 45 is the first of decoder address 12 = 8 + 4; 11 = 8 + 2 + 1; 45 = 32 + 8 + 4 + 1.
    assert!(text("decoders", false).ends_with("3 and 4 on, all others off"));
    assert!(text("decoders", true).ends_with("5 and 6 on, all others off"));
    assert!(text("decoders-from-zero", false).ends_with("1, 2 and 4 on, all others off"));
    assert!(text("addresses", false).ends_with("1, 3, 4 and 6 on, all others off"));
}

#[test]
fn one_that_forgets_is_taught_again_after_its_power_was_away() {
    let came = proved(
        "first_address = 9\nlearn = { forgets = true }",
        &["--no-power-cycle"],
    );
    let after = came
        .of("taught-seen")
        .filter(|seen| seen["after_power"] == true);
    let after: Vec<_> = after.map(|seen| seen["saw"].clone()).collect();
    assert_eq!(after, ["nothing"; 4], "it was seen to have forgotten");
    let teaches = came
        .of("taught-sent")
        .filter(|sent| sent["purpose"] == "teach");
    assert_eq!(teaches.count(), 2);
    let jobs: Vec<_> = came
        .of("by-hand")
        .map(|hand| hand["job"].as_str().unwrap())
        .collect();
    assert_eq!(
        jobs,
        [
            "learn-on",
            "learn-off",
            "power-off",
            "power-on",
            "learn-on",
            "learn-off"
        ]
    );
}

#[test]
fn a_pulse_is_shown_before_and_after() {
    let keys = "first_address = 101\nlearns = \"cv-decoder\"\npulse_ms = 200\n\
                learn = { on_time_unit_ms = 10 }";
    let came = teach(
        keys,
        "[decoder.D]\ntaught = false\npulse_ms = 500\n",
        &["--programming-track", "--set", "pulse"],
    );
    assert_eq!(came.code, 0, "{:#?}", came.lines);
    let value = |before: bool| {
        let read = came
            .of("cv-read")
            .find(|read| read["cv"] == 3 && read["before"] == before);
        read.unwrap()["value"].clone()
    };
    assert_eq!((value(true), value(false)), (50.into(), 20.into()));
    // Without it the pulse stays at 500 ms, and is seen to be too long.
    let came = teach(keys, "[decoder.D]\ntaught = false\npulse_ms = 500\n", &[]);
    assert_eq!(came.code, 1);
    assert!(came.amiss().contains("stays on"), "{}", came.amiss());
    // On the layout it can be written, and is seen to be right.
    let came = teach(
        keys,
        "[decoder.D]\ntaught = false\npulse_ms = 500\n",
        &["--set", "pulse"],
    );
    assert_eq!(came.code, 0, "{:#?}", came.lines);
}

#[test]
fn faults_are_not_proved() {
    let chooses = "first_address = 9\npulse_ms = 250\nlearn = { chooses = [\
                   { output = 1, position = \"straight\", pulse_ms = 250 }] }";
    let first = "first_address = 9";
    for (keys, as_built, says) in [
        // It was never in learn mode.
        (first, "learn_lead = \"dead\"", "was it in learn mode"),
        (first, "learn_lead = \"dead\"", "still has its old address"),
        // It wants to be put into learn mode without power.
        (first, "learn = { power = \"off\" }", "was it in learn mode"),
        // Its first command chooses another pulse than its paper says.
        (
            chooses,
            "learn = { chooses = [{ output = 1, position = \"straight\", pulse_ms = 2000 }] }",
            "output 1 stays on. Switch its supply off before a coil burns",
        ),
        (
            chooses,
            "learn = { chooses = [{ output = 1, position = \"straight\", pulse_ms = 0 }] }",
            "stays on",
        ),
        // It wants each output taught.
        (
            first,
            "learn = { each_output = true }",
            "address 10 straight: nothing acted",
        ),
        // It forgets, and its paper does not say so.
        (
            first,
            "learn = { forgets = true }",
            "address 9 straight: nothing acted",
        ),
        // It has no power at all.
        (first, "feed = false", "has no power"),
    ] {
        let came = teach(keys, &format!("{UNTAUGHT}{as_built}\n"), &[]);
        assert_eq!(came.code, 1, "{as_built}: {:#?}", came.lines);
        assert_eq!(came.done()["outcome"], "not-proved");
        assert!(came.amiss().contains(says), "{as_built}: {}", came.amiss());
        assert!(
            came.done()["next"]
                .to_string()
                .contains("throwproof teach plan.toml D --from")
        );
    }
    // Another one was left in learn mode, and took the same address.
    let as_built = format!("{UNTAUGHT}[decoder.K]\nlearn_mode = true\n");
    let came = teach(first, &as_built, &[]);
    assert_eq!(came.code, 1);
    assert!(
        came.amiss().contains("was in learn mode too"),
        "{}",
        came.amiss()
    );
}

#[test]
fn refuses_what_would_strand_a_decoder() {
    let cv = "first_address = 101\nlearns = \"cv-decoder\"";
    for (keys, arguments, says, mend) in [
        (
            "first_address = 9",
            &["--to", "21"][..],
            "the plan gives to K",
            "--allow-overlap",
        ),
        (
            "first_address = 9",
            &["--to", "11"],
            "starts at 1, 5, 9, 13",
            "block_start",
        ),
        (
            "first_address = 9\nblock_start = \"any\"",
            &["--to", "2039"],
            "broadcast",
            "--allow-reserved",
        ),
        (
            "first_address = 9\nblock_start = \"any\"",
            &["--to", "2047"],
            "2048 is the last",
            "lower",
        ),
        (cv, &["--from", "21"], "would change K as well", "--alone"),
        (
            cv,
            &["--set", "pulse"],
            "one count of the on-time CVs",
            "on_time_unit_ms",
        ),
        (
            "first_address = 9",
            &["--set", "pulse"],
            "not taught by CVs",
            "--by main",
        ),
        (
            "first_address = 9\nlearns = \"switches\"",
            &[],
            "which switches",
            "count = 8",
        ),
        (
            "first_address = 1001\nlearns = \"switches\"\nlearn = { switches = { count = 6 } }",
            &[],
            "6 switches can't hold",
            "another address",
        ),
    ] {
        let came = teach(keys, UNTAUGHT, arguments);
        assert_eq!(came.code, 2, "{keys} {arguments:?}: {}", came.error);
        assert!(came.lines.is_empty(), "nothing was begun");
        assert!(came.error.contains(says), "{}", came.error);
        assert!(came.error.contains(mend), "{}", came.error);
    }
    // Told so, it does.
    let came = teach(
        "first_address = 9",
        UNTAUGHT,
        &["--to", "21", "--allow-overlap"],
    );
    assert_eq!(came.code, 0, "{:#?}", came.lines);
    let came = teach(cv, UNTAUGHT, &["--from", "21", "--alone"]);
    assert_eq!(came.code, 1, "it has not that address: {:#?}", came.lines);
}

#[test]
fn a_plan_that_can_not_be_meant_is_told() {
    for (keys, says) in [
        (
            "learn = { switches = { count = 8 } }",
            "`switches` says nothing of a decoder",
        ),
        (
            "learns = \"cv-output\"\nlearn = { forgets = true }",
            "`forgets` says nothing",
        ),
        (
            "learn = { chooses = [{ output = 5, position = \"straight\", pulse_ms = 1 }] }",
            "output",
        ),
        (
            "learn = { chooses = [{ output = 1, position = \"straight\", pulse_ms = 500 }] }",
            "no first command chooses the pulse of 150 ms",
        ),
        (
            "learn = { chooses = [{ output = 1, position = \"straight\", pulse_ms = 150 }, \
             { output = 1, position = \"straight\", pulse_ms = 200 }] }",
            "chooses twice",
        ),
        (
            "learns = \"cv-output\"\nlearn = { on_time_unit_ms = 40 }",
            "is no count",
        ),
        ("learn = { by = \"\" }", "says nothing"),
        ("learn = { bye = \"the lead\" }", "bye"),
    ] {
        let came = teach(&format!("first_address = 9\n{keys}"), "", &[]);
        assert_eq!(came.code, 2, "{keys}");
        assert!(came.error.contains(says), "{keys}: {}", came.error);
        assert!(
            came.error.contains("plan.toml:"),
            "with its line: {}",
            came.error
        );
    }
}

#[test]
fn what_was_sent_and_what_was_seen_are_kept_and_told() {
    let came = teach("first_address = 9", UNTAUGHT, &["--tester", "Ann"]);
    assert_eq!(came.code, 0);
    let folder = came.folder.path();
    let connection = rusqlite::Connection::open(folder.join("plan.record")).unwrap();
    let count = |query: &str| -> i64 { connection.query_row(query, [], |row| row.get(0)).unwrap() };
    assert_eq!(count("SELECT count(*) FROM runs WHERE kind = 'teach'"), 1);
    let sent = i64::try_from(came.of("taught-sent").count()).unwrap();
    let seen = i64::try_from(came.of("taught-seen").count()).unwrap();
    assert_eq!(count("SELECT count(*) FROM taught_sent"), sent);
    assert_eq!(count("SELECT count(*) FROM taught_seen"), seen);
    assert_eq!(
        count("SELECT count(*) FROM lessons WHERE outcome = 'proved'"),
        1
    );
    drop(connection);
    // Another one whose lesson was broken off may be in learn mode still.
    let connection = rusqlite::Connection::open(folder.join("plan.record")).unwrap();
    let change = "UPDATE events SET json = replace(replace(json, '\"proved\"', '\"broken-off\"'),
                  '\"decoder\":\"D\"', '\"decoder\":\"K\"')";
    let back = "UPDATE events SET json = replace(replace(json, '\"broken-off\"', '\"proved\"'),
                '\"decoder\":\"K\"', '\"decoder\":\"D\"')";
    for (change, is_told) in [(change, true), (back, false)] {
        connection.execute(change, []).unwrap();
        std::fs::copy(folder.join("plan.record"), folder.join("copy.record")).unwrap();
        let again = throwproof(folder)
            .args(["teach", "plan.toml", "D", "--record", "copy.record"])
            .output()
            .unwrap();
        let error = String::from_utf8(again.stderr).unwrap();
        assert_eq!(
            error.contains("the lesson of K was broken off"),
            is_told,
            "{error}"
        );
    }
    drop(connection);
    // A sweep has nothing to carry on from a lesson.
    let resumed = throwproof(folder)
        .args(["sweep", "plan.toml", "--resume"])
        .assert()
        .success();
    let error = String::from_utf8_lossy(&resumed.get_output().stderr).into_owned();
    assert!(error.contains("no run is unfinished"), "{error}");
    for arguments in [
        &["report", "plan.toml", "--rehearsals"][..],
        &["report", "plan.toml", "--rehearsals", "--history"],
    ] {
        let told = throwproof(folder).args(arguments).output().unwrap();
        let told = String::from_utf8_lossy(&told.stdout).into_owned();
        assert!(told.contains("D: address 9 was sent on "), "{told}");
        assert!(told.contains("seen to answer on "), "{told}");
    }
}

#[test]
fn text_tells_each_step() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan("first_address = 9")).unwrap();
    std::fs::write(folder.path().join("a.toml"), UNTAUGHT).unwrap();
    let output = throwproof(folder.path())
        .args([
            "teach",
            "plan.toml",
            "D",
            "--as-built",
            "a.toml",
            "--record",
            "none",
        ])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    for part in [
        "D (Under the quay) is given addresses 9 to 12 by its first command",
        "1 of 20  hand  Put the learn lead of D (Under the quay) on",
        "4 of 20  seen  straight, and off again",
        "D is taught and proved",
    ] {
        assert!(text.contains(part), "no {part:?} in {text}");
    }
    let refused = throwproof(folder.path())
        .args(["teach", "plan.toml", "E"])
        .assert()
        .code(2);
    let error = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
    assert!(error.contains("no decoder `E`"), "{error}");
}

/// What an LCC bus can't carry is said before anything is sent; so is who can't lend a hand.
#[cfg(unix)]
#[test]
fn a_link_says_what_it_can_not() {
    use std::io::{BufRead as _, BufReader};
    use std::process::Stdio;

    let folder = tempfile::tempdir().unwrap();
    let keys = "first_address = 101\nlearns = \"cv-decoder\"";
    std::fs::write(folder.path().join("plan.toml"), plan(keys)).unwrap();
    let mut served = std::process::Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
        .current_dir(folder.path())
        .env("XDG_CONFIG_HOME", folder.path())
        .args([
            "track",
            "plan.toml",
            "--serve",
            "lcc",
            "--pty-link",
            "bus",
            "--format",
            "json",
        ])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // It says so once it can be reached.
    let mut said = BufReader::new(served.stdout.take().unwrap()).lines();
    said.next().unwrap().unwrap();
    let ask = |arguments: &[&str]| {
        let output = throwproof(folder.path())
            .args([
                "teach",
                "plan.toml",
                "D",
                "--link",
                "lcc:bus",
                "--witness",
                "reports",
            ])
            .env("XDG_CONFIG_HOME", folder.path())
            .arg("--cautions-read")
            .args(arguments)
            .output()
            .unwrap();
        let both = [output.stdout, output.stderr].concat();
        (
            output.status.code().unwrap(),
            String::from_utf8(both).unwrap(),
        )
    };
    let (code, text) = ask(&["--programming-track"]);
    assert!(
        code == 2 && text.contains("can't count packets of service mode"),
        "{text}"
    );
    let (code, text) = ask(&["--by", "main"]);
    assert!(
        code == 2 && text.contains("another way with --by"),
        "{text}"
    );
    let (code, text) = ask(&["--by", "first-command"]);
    assert!(
        code == 1 && text.contains("it could not be done: Put the learn lead"),
        "{text}"
    );
    served.kill().unwrap();
    served.wait().unwrap();
}

/// A lesson of 64 outputs is interrupted while it is proved.
#[cfg(unix)]
#[test]
fn an_interrupt_ends_it_with_what_to_do() {
    use std::io::{BufRead as _, BufReader};
    use std::process::Stdio;

    use rustix::process::{Pid, Signal, kill_process};

    let folder = tempfile::tempdir().unwrap();
    let text = "[layout]\nname = \"Kestrel Bay\"\n[decoder.D]\noutputs = 64\nfirst_address = 9\n";
    std::fs::write(folder.path().join("plan.toml"), text).unwrap();
    let mut child = std::process::Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
        .current_dir(folder.path())
        .args(["teach", "plan.toml", "D", "--format", "json"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    for _ in 0..6 {
        lines.next().unwrap().unwrap();
    }
    kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    let last = lines.map(Result::unwrap).last().unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(4));
    let last: Value = serde_json::from_str(&last).unwrap();
    assert_eq!(last["outcome"], "broken-off");
    assert_eq!(last["may_be_at"], serde_json::json!([9]));
    assert_eq!(last["next"][0], "Its first output is at address 9.");
    let connection = rusqlite::Connection::open(folder.path().join("plan.record")).unwrap();
    let query = "SELECT count(*) FROM lessons WHERE outcome = 'broken-off'";
    let kept: i64 = connection.query_row(query, [], |row| row.get(0)).unwrap();
    assert_eq!(kept, 1);
}
