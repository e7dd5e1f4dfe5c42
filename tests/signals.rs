//! Signals with lamps, uncouplers, gates, lights and extended turnouts through the program.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::collections::BTreeMap;

use assert_cmd::Command;
use serde_json::Value;

const PLAN: &str = "fixtures/signals/plan.toml";

fn throwproof() -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.env("THROWPROOF_RECORD", "none");
    command
}

fn lines(output: &[u8]) -> Vec<Value> {
    let text = std::str::from_utf8(output).unwrap();
    let lines = text.lines();
    lines
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn sweep(arguments: &[&str], exit_code: i32) -> Vec<Value> {
    let mut command = throwproof();
    command.args(["sweep", PLAN, "--format", "json"]);
    let ended = command.args(arguments).assert().code(exit_code);
    lines(&ended.get_output().stdout)
}

fn verdicts(events: &[Value]) -> BTreeMap<String, String> {
    let word = |value: &Value| value.as_str().map(str::to_owned);
    let verdicts = events.iter().filter(|event| event["event"] == "verdict");
    verdicts
        .map(|event| {
            let id = word(&event["turnout"]).or_else(|| word(&event["signal"]));
            (id.unwrap(), word(&event["verdict"]).unwrap())
        })
        .collect()
}

#[test]
fn as_planned_everything_is_proved_whatever_the_seed() {
    for seed in ["1", "2", "3"] {
        let verdicts = verdicts(&sweep(&["--seed", seed], 0));
        assert_eq!(verdicts.len(), 9);
        assert!(
            verdicts.values().all(|verdict| verdict == "proved"),
            "seed {seed}: {verdicts:?}"
        );
    }
}

#[test]
fn nothing_is_found_in_the_plan() {
    throwproof().args(["check", PLAN]).assert().code(0);
}

#[test]
fn every_aspect_is_visited_and_the_most_restrictive_last() {
    let events = sweep(&["--seed", "1"], 0);
    let visits = |id: &str| {
        let of_it = events.iter().filter(|event| {
            event["event"] == "observation" && event["step"] == "visit" && event["signal"] == id
        });
        let names = of_it.map(|event| event["commanded"].as_str().unwrap());
        names.collect::<Vec<_>>()
    };
    assert_eq!(visits("BS1"), ["proceed", "caution", "stop"]);
    assert_eq!(
        visits("BS2"),
        ["slow", "proceed", "caution", "dark", "stop"]
    );
    assert_eq!(visits("BS3"), ["clear", "halt"]);
    assert_eq!(visits("G1"), ["closed", "open"]);
    assert_eq!(visits("L1"), ["on", "off"]);
    assert_eq!(visits("U1"), ["raise"]);
    assert_eq!(visits("U2"), ["raise"]);
    // derived: keyed 21 is binary 24; R = 1 is straight, 200 ms are two tenths.
    let packets = events.iter().filter(|event| event["turnout"] == "B1");
    let packets: Vec<_> = packets
        .filter_map(|event| event["packet"].as_str())
        .collect();
    assert_eq!(packets, ["86 71 82 75", "86 71 02 F5", "86 71 82 75"]);
}

#[test]
fn what_is_wrong_is_found() {
    let events = sweep(
        &[
            "--seed",
            "2",
            "--as-built",
            "fixtures/signals/as-built.toml",
        ],
        1,
    );
    let expected = [
        ("B1", "reversed"),
        ("B2", "proved"),
        ("BS1", "partial"),
        ("BS2", "proved"),
        ("BS3", "still"),
        ("G1", "partial"),
        ("L1", "still"),
        ("U1", "partial"),
        ("U2", "still"),
    ];
    let expected = expected.map(|(id, verdict)| (id.to_owned(), verdict.to_owned()));
    assert_eq!(verdicts(&events), BTreeMap::from(expected));
    let of = |id: &str| {
        let mut events = events.iter();
        events.find(|event| event["event"] == "verdict" && event["signal"] == id)
    };
    let detail = &of("U1").unwrap()["detail"];
    assert_eq!(detail, "it stays up: its output is not switched off");
}

/// One fault at a time, and the verdict of the one that has it; all others are proved.
const FAULTS: &[(&str, &str, &str)] = &[
    ("[signal.BS1]\noutput = \"dead\"", "BS1", "still"),
    ("[signal.BS2]\noutput = \"dead\"", "BS2", "still"),
    ("[accessory.G1]\noutput = \"dead\"", "G1", "still"),
    ("[accessory.G1]\nleads_swapped = true", "G1", "reversed"),
    ("[accessory.L1]\nleads_swapped = true", "L1", "reversed"),
    ("[accessory.L1]\noutput = \"half-1-stuck\"", "L1", "still"),
    ("[accessory.U1]\noutput = \"half-1-dead\"", "U1", "still"),
    ("[turnout.B2]\noutput = \"dead\"", "B2", "still"),
    ("[turnout.B1]\noutput = \"half-0-dead\"", "B1", "one-way"),
];

#[test]
fn each_fault_alone_gives_its_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("as-built.toml");
    for (fault, id, expected) in FAULTS {
        std::fs::write(&file, fault).unwrap();
        let as_built = file.to_str().unwrap();
        let mut verdicts = verdicts(&sweep(&["--seed", "1", "--as-built", as_built], 1));
        assert_eq!(verdicts.remove(*id).unwrap(), *expected, "{fault}");
        assert!(verdicts.values().all(|one| one == "proved"), "{fault}");
    }
}

#[test]
fn an_uncoupler_on_the_lead_of_the_other_is_a_stray() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("as-built.toml");
    std::fs::write(&file, "[accessory.U2]\nleads_swapped = true").unwrap();
    let as_built = file.to_str().unwrap();
    let verdicts = verdicts(&sweep(&["--as-built", as_built], 1));
    let both = (verdicts["U1"].as_str(), verdicts["U2"].as_str());
    assert_eq!(both, ("stray", "still"), "one address, and two commands");
}

#[test]
fn a_decoder_that_cuts_no_pulse_leaves_an_uncoupler_to_its_release() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("as-built.toml");
    std::fs::write(&file, "[decoder.U1]\npulse_ms = 0").unwrap();
    let verdicts = verdicts(&sweep(&["--as-built", file.to_str().unwrap()], 0));
    assert_eq!(verdicts["U1"], "proved");
}

/// A plan that can't be used, and what is said of it.
const WRONG: &[(&str, &[&str])] = &[
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"pairs\"\naspects = { stop = 0, go = 1 }\n\
         lamps = [\"green\", \"upper-yelow\", \"red\"]\n\
         shows = { stop = [\"gren\"], og = [\"green\"], go = [\"green blinking\"] }\n\
         restrictive = \"stopp\"",
        &[
            "has no colour",
            "did you mean \"yellow\"?",
            "no lamp \"gren\"",
            "did you mean \"green\"?",
            "no aspect \"og\"",
            "it has stop, go",
            "write \"green\" or \"green flashing\"",
            "no aspect \"stopp\"",
            "did you mean \"stop\"?",
        ],
    ),
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"pairs\"\naspects = { stop = 0, go = 1 }\n\
         lamps = [\"red\", \"red\"]",
        &["two lamps are called `red`", "upper-red, lower-red"],
    ),
    (
        "[[accessory]]\nid = \"U\"\naddress = 1\nkind = \"uncoupler\"\non_ms = 1500",
        &["for longer than a second", "50 to 1000"],
    ),
    (
        "[[accessory]]\nid = \"U\"\naddress = 1\nkind = \"gate\"",
        &["gates"],
    ),
    (
        "[[accessory]]\nid = \"G\"\naddress = 1\nkind = \"gates\"\nhalf = 1",
        &["half"],
    ),
    (
        "[[turnout]]\nid = \"T\"\naddress = 1\nshape = \"left\"\nformat = \"extended\"\n\
         on_ms = 250",
        &["can't say 250 ms", "steps of 100 ms"],
    ),
    (
        "[[turnout]]\nid = \"T\"\naddress = 1\nshape = \"left\"\non_ms = 200",
        &["carries no switching time", "format = \"extended\""],
    ),
];

#[test]
fn what_can_not_be_meant_is_told_with_how_to_mend_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("plan.toml");
    for (tables, expected) in WRONG {
        std::fs::write(&file, format!("[layout]\nname = \"Bay\"\n{tables}\n")).unwrap();
        let ended = throwproof().arg("check").arg(&file).assert().code(2);
        let told = std::str::from_utf8(&ended.get_output().stderr)
            .unwrap()
            .to_owned();
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        for words in *expected {
            assert!(told.contains(words), "{words}\n{told}");
        }
    }
}

#[test]
fn a_single_aspect_is_left_where_it_was_sent() {
    let mut command = throwproof();
    command.args([
        "aspect", "BS2", "proceed", "--plan", PLAN, "--format", "json",
    ]);
    let events = lines(&command.assert().code(0).get_output().stdout);
    let sent = events.iter().filter(|event| event["event"] == "throw-sent");
    let sent: Vec<_> = sent.map(|event| &event["commanded"]).collect();
    assert_eq!(sent, ["proceed"]);
}

#[test]
fn the_terminal_has_words_for_each_kind() {
    let told = |arguments: &[&str], code: i32| {
        let mut command = throwproof();
        command.args(["sweep", PLAN, "--seed", "1"]).args(arguments);
        let ended = command.assert().code(code);
        String::from_utf8(ended.get_output().stdout.clone()).unwrap()
    };
    let healthy = told(&[], 0);
    for words in [
        "rises and falls",
        "open and closed",
        "on and off",
        "5 aspects",
    ] {
        assert!(healthy.contains(words), "{words}\n{healthy}");
    }
    let faults = told(&["--as-built", "fixtures/signals/as-built.toml"], 1);
    for words in [
        "raise → stays up",
        "closed → between",
        "does not do all that is sent",
        "shows some aspects and not others",
    ] {
        assert!(faults.contains(words), "{words}\n{faults}");
    }
}

#[test]
fn the_report_draws_what_signals_show() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("report.html");
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.args([
        "sweep",
        PLAN,
        "--as-built",
        "fixtures/signals/as-built.toml",
    ]);
    command.arg("--record").arg(folder.path().join("record"));
    command.arg("--report").arg(&page).assert().code(1);
    let page = std::fs::read_to_string(page).unwrap();
    for words in [
        "What signals show",
        "aria-label=\"upper-yellow flashing\"",
        "aria-label=\"no lamp\"",
        "crossing gates",
        "sent raise: stays up",
        "sent closed: between",
    ] {
        assert!(page.contains(words), "{words}");
    }
}

#[cfg(unix)]
mod interrupted {
    use std::io::{BufRead as _, BufReader};
    use std::process::{Child, Stdio};

    use rustix::process::{Pid, Signal, kill_process};
    use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
    use throwproof_protocol::packet::Packet;

    use super::*;

    fn start(folder: &std::path::Path, id: &str) -> Child {
        let mut command = std::process::Command::new(assert_cmd::cargo::cargo_bin("throwproof"));
        command
            .env("THROWPROOF_RECORD", "none")
            .args([
                "sweep", PLAN, "--format", "json", "--cycles", "400", "--seed", "3",
            ])
            .args(["--only", id, "--log"])
            .arg(folder.join("log"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        command.spawn().unwrap()
    }

    /// What the packets of a log leave each thing at, by keyed address, and outputs left active.
    fn left(log: &str) -> (BTreeMap<u16, u8>, Vec<String>) {
        let (mut shown, mut active) = (BTreeMap::new(), Vec::new());
        for line in log.lines() {
            let Some((_, rest)) = line.split_once("sent packet=") else {
                continue;
            };
            let (packet, _) = rest.split_once(" taken=").unwrap();
            let packet = Packet::parse_hex(packet).unwrap();
            if let Ok(extended) = ExtendedAccessory::parse(&packet) {
                shown.insert(extended.address.get() - 3, extended.data);
                continue;
            }
            let basic = BasicAccessory::parse(&packet).unwrap();
            let output = format!("{} {}", basic.address, basic.pair_bit);
            active.retain(|other| *other != output);
            if basic.activate {
                // BS1 has two pairs: what it shows is the last command to either.
                let (keyed, base) = match basic.address.get() - 3 {
                    2 => (1, 2),
                    other => (other, 0),
                };
                shown.insert(keyed, base + basic.pair_bit.as_u8());
                active.push(output);
            }
        }
        (shown, active)
    }

    /// Signals and what they must be left at: stop, stop, halt; gates open, lights off.
    const REST: &[(u16, u8)] = &[(1, 0), (17, 0), (18, 7), (4, 0), (5, 0)];

    #[test]
    fn signals_gates_and_lights_are_left_safe() {
        for (id, aspect, signal) in [
            ("BS1", "caution", Signal::INT),
            ("BS2", "proceed", Signal::INT),
            ("BS2", "dark", Signal::TERM),
            ("BS3", "clear", Signal::HUP),
            ("G1", "closed", Signal::INT),
            ("L1", "on", Signal::INT),
        ] {
            let folder = tempfile::tempdir().unwrap();
            let mut child = start(folder.path(), id);
            let mut output = BufReader::new(child.stdout.take().unwrap()).lines();
            let is_it = |line: &str| {
                let event: Value = serde_json::from_str(line).unwrap();
                event["event"] == "throw-sent"
                    && event["signal"] == id
                    && event["commanded"] == aspect
            };
            let met = output.by_ref().map(Result::unwrap).find(|line| is_it(line));
            assert!(met.is_some(), "{id} was never sent to {aspect}");
            kill_process(Pid::from_child(&child), signal).unwrap();
            let rest: Vec<Value> = output
                .map(|line| serde_json::from_str(&line.unwrap()).unwrap())
                .collect();
            assert_eq!(child.wait().unwrap().code(), Some(4), "{id}");
            let log = std::fs::read_to_string(folder.path().join("log")).unwrap();
            let (shown, active) = left(&log);
            assert!(active.is_empty(), "left active: {active:?}");
            for (address, value) in REST {
                let shown = shown.get(address).copied().unwrap_or(*value);
                assert_eq!(shown, *value, "{id} {aspect}: address {address}");
            }
            let ends = rest[rest.len() - 2..].iter().map(|event| &event["event"]);
            assert_eq!(ends.collect::<Vec<_>>(), ["stopped", "summary"]);
        }
    }
}
