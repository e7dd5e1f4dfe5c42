//! `hunt` through the program itself, on the simulated track.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

use assert_cmd::Command;
use async_trait::async_trait;
use serde_json::Value;
use throwproof::event::StopReason;
use throwproof::event::hub::Hub;
use throwproof::hunt::{Asked, Ended, Goal, Hunt};
use throwproof::link::{Abilities, Link, LinkError, PositionReport, Taken};
use throwproof::plan::{Id, Plan};
use throwproof::sweep::About;
use throwproof::sweep::stop::{StopHandle, stop_pair};
use throwproof::track::as_built::AsBuilt;
use throwproof_protocol::address::{KeyedAddress, Numbering, PairBit};
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

/// Five turnouts on two decoders.
const PLAN: &str = r#"
[layout]
name = "Slipway"
numbering = "linear"

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

[decoder.E]
outputs = 4
first_address = 21
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

[[turnout]]
id = "M1"
place = "Dairy"
shape = "left"
decoder = "E"
output = 1

[[turnout]]
id = "M2"
place = "Dairy"
shape = "left"
decoder = "E"
output = 4
"#;

fn folder(as_built: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    if !as_built.is_empty() {
        std::fs::write(folder.path().join("as-built.toml"), as_built).unwrap();
    }
    folder
}

fn throwproof(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.env("THROWPROOF_RECORD", "none");
    command.current_dir(folder);
    command.args(arguments);
    command
}

fn hunt(folder: &Path, arguments: &[&str], code: i32) -> Vec<Value> {
    let mut all = vec!["hunt", "plan.toml", "--format", "json"];
    if folder.join("as-built.toml").exists() {
        all.extend(["--as-built", "as-built.toml"]);
    }
    all.extend(arguments);
    let output = throwproof(folder, &all).output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{errors}");
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let schema = include_str!("../docs/schema/events.schema.json");
    let schema: Value = serde_json::from_str(schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for line in &lines {
        if let Err(error) = validator.validate(line) {
            panic!("{line}\n{error}");
        }
    }
    lines
}

fn done(lines: &[Value]) -> &Value {
    let last = lines.last().unwrap();
    assert_eq!(last["event"], "hunt-done");
    last
}

fn advice(lines: &[Value]) -> String {
    let advice = done(lines)["advice"]
        .as_array()
        .cloned()
        .unwrap_or_default();
    let advice: Vec<_> = advice.iter().filter_map(Value::as_str).collect();
    advice.join("\n")
}

/// The address that was found, how its straight is wired, and in how many questions.
fn found(lines: &[Value]) -> (u64, u64, u64) {
    let done = done(lines);
    assert_eq!(done["outcome"], "proved", "{done}");
    let thing = &done["found"][0];
    (
        thing["address"].as_u64().unwrap(),
        thing["straight_output"].as_u64().unwrap(),
        done["questions"].as_u64().unwrap(),
    )
}

#[test]
fn a_thing_is_found_where_the_plan_has_it_and_elsewhere() {
    // What is built, what is hunted, where it is, which half is straight, and what is advised.
    let cases = [
        ("", "M2", 24, 1, "M2 is where the plan has it."),
        (
            "[decoder.E]\nfirst_address = 41\n",
            "M2",
            44,
            1,
            "answers to 44, +20",
        ),
        (
            "[decoder.E]\naddress_offset = 4\n",
            "M1",
            25,
            1,
            "throwproof hunt --numbering",
        ),
        (
            "[turnout.Q2]\nleads_swapped = true\n",
            "Q2",
            6,
            0,
            "straight_output = 0",
        ),
        (
            "[turnout.Q1]\nexchanged_with = \"F1\"\n[turnout.F1]\nexchanged_with = \"Q1\"\n",
            "Q1",
            7,
            1,
            "answers to 7, +2",
        ),
    ];
    for (as_built, target, address, straight, says) in cases {
        let folder = folder(as_built);
        let lines = hunt(folder.path(), &["--only", "1-64", "--target", target], 0);
        let (at, output, questions) = found(&lines);
        assert_eq!((at, output), (address, straight), "{as_built}");
        assert!(
            questions <= 9,
            "{questions} questions: 1 for what is likely, 6, 2 of the proof"
        );
        assert!(advice(&lines).contains(says), "{}", advice(&lines));
    }
}

#[test]
fn all_of_2048_take_no_more_questions_than_were_said() {
    let folder = folder("[decoder.E]\nfirst_address = 1789\n");
    let lines = hunt(folder.path(), &["--target", "M2"], 0);
    let (at, _, questions) = found(&lines);
    assert_eq!(at, 1792);
    let started = &lines[1];
    assert_eq!(started["event"], "hunt-started");
    assert_eq!(started["addresses"], 2044, "2041 to 2044 are left out");
    assert!(questions <= started["at_most"].as_u64().unwrap());
    let elapsed = done(&lines)["elapsed_us"].as_u64().unwrap() / 1_000_000;
    let longest = started["longest_s"].as_u64().unwrap();
    assert!(
        elapsed <= longest * 11 / 10,
        "{elapsed} s, {longest} s were said"
    );
    let moves: Vec<_> = started["will_move"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["id"].as_str().unwrap())
        .collect();
    assert_eq!(moves, ["Q1", "Q2", "F1", "M1", "M2"]);
}

/// Every packet that can come of an address.
fn packets(number: u16) -> Vec<String> {
    let address = KeyedAddress::new(number).unwrap().binary(Numbering::Linear);
    let halves = [PairBit::Zero, PairBit::One];
    let all = halves.into_iter().flat_map(|pair_bit| {
        [true, false].map(|activate| {
            BasicAccessory {
                address,
                pair_bit,
                activate,
            }
            .emit()
            .to_string()
        })
    });
    all.collect()
}

#[test]
fn what_is_excluded_is_never_driven() {
    let folder = folder("");
    let mut arguments = vec!["--only", "1-64", "--target", "M2", "--log", "hunt.log"];
    arguments.extend(["--exclude", "1-4,Q1,30-40,M1"]);
    let lines = hunt(folder.path(), &arguments, 0);
    assert_eq!(found(&lines).0, 24);
    let log = std::fs::read_to_string(folder.path().join("hunt.log")).unwrap();
    for number in (1..=5).chain(30..=40).chain([21]) {
        for packet in packets(number) {
            assert!(!log.contains(&packet), "{number}: {packet}");
        }
    }
    assert!(
        packets(24).iter().all(|packet| log.contains(packet)),
        "the log has packets"
    );
    // Hunted where it is not: it is not found, and still not driven.
    let lines = hunt(
        folder.path(),
        &["--only", "1-12", "--exclude", "Q2", "--target", "Q2"],
        1,
    );
    assert_eq!(done(&lines)["outcome"], "nobody");
}

#[test]
fn a_dead_thing_is_moved_by_nobody() {
    let folder = folder("[decoder.E]\nfeed = false\n");
    let lines = hunt(folder.path(), &["--only", "17-32", "--target", "M1"], 1);
    assert_eq!(done(&lines)["outcome"], "nobody");
    assert!(
        advice(&lines).contains("lay it back by hand"),
        "{}",
        advice(&lines)
    );
}

#[test]
fn what_moves_one_way_is_laid_back_by_hand_and_found() {
    for (as_built, only) in [
        ("[turnout.M2]\nstraight_coil = \"open\"\n", "1-64"),
        ("[turnout.M2]\ndiverging_coil = \"open\"\n", "1-64"),
        ("[turnout.M2]\nstraight_coil = \"open\"\n", "1-2048"),
        ("[turnout.M2]\ndiverging_coil = \"open\"\n", "1-2048"),
    ] {
        let folder = folder(as_built);
        let lines = hunt(folder.path(), &["--only", only, "--target", "M2"], 1);
        let done = done(&lines);
        assert_eq!(done["outcome"], "one-way", "{as_built}: {done}");
        assert_eq!(done["found"][0]["address"], 24);
        assert!(done["questions"].as_u64().unwrap() <= 28, "{done}");
    }
}

#[test]
fn position_reports_ask_nothing_and_need_few_throws() {
    let folder = folder("[decoder.E]\nfirst_address = 41\n");
    let plan = PLAN.replace("id = \"M2\"", "id = \"M2\"\nposition_reports = true");
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let arguments = ["--only", "1-64", "--witness", "reports", "--target"];
    let lines = hunt(folder.path(), &[&arguments[..], &["M2"]].concat(), 0);
    assert_eq!(found(&lines).0, 44);
    let lines = hunt(folder.path(), &[&arguments[..], &["M1"]].concat(), 2);
    assert!(lines.is_empty(), "it reports nothing");
}

#[test]
fn what_is_proved_is_left_out_until_it_is_wanted_again() {
    let folder = folder("");
    let record = ["--record", "kept.record"];
    let sweep = ["sweep", "plan.toml", "--only", "Q1,Q2"];
    throwproof(folder.path(), &[&sweep[..], &record].concat())
        .assert()
        .code(0);
    let arguments = ["--only", "1-8", "--target", "F1"];
    let lines = hunt(folder.path(), &[&arguments[..], &record].concat(), 0);
    assert_eq!(lines[1]["runs"], "1-4, 7, 8");
    assert_eq!(found(&lines).0, 7);
    let lines = hunt(
        folder.path(),
        &[&arguments[..], &record, &["--again"]].concat(),
        0,
    );
    assert_eq!(lines[1]["runs"], "1-8");
    // The record still reads: a hunt is no sweep.
    let report = ["report", "plan.toml", "--record", "kept.record"];
    let output = throwproof(folder.path(), &report).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "two of five are proved");
}

#[test]
fn how_the_station_numbers_is_found_and_written_down() {
    let folder = folder("");
    let lines = hunt(folder.path(), &["--numbering"], 0);
    assert_eq!(
        done(&lines)["numberings"],
        serde_json::json!(["linear", "non-linear"])
    );
    let both = "[decoder.D]\naddress_offset = -4\n[decoder.E]\naddress_offset = -4\n";
    std::fs::write(folder.path().join("as-built.toml"), both).unwrap();
    let lines = hunt(folder.path(), &["--numbering", "--correct"], 0);
    assert_eq!(done(&lines)["numberings"], serde_json::json!(["from-zero"]));
    assert!(done(&lines)["questions"].as_u64().unwrap() <= 8);
    let plan = std::fs::read_to_string(folder.path().join("plan.toml")).unwrap();
    assert_eq!(plan, PLAN.replace("\"linear\"", "\"from-zero\""));
    // One of two is set otherwise: that is no numbering.
    let one = "[decoder.E]\naddress_offset = -4\n";
    std::fs::write(folder.path().join("as-built.toml"), one).unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    let lines = hunt(folder.path(), &["--numbering"], 1);
    assert_eq!(done(&lines)["outcome"], "unclear");
    assert!(
        advice(&lines).contains("M1 answers to another numbering"),
        "{}",
        advice(&lines)
    );
}

#[test]
fn everything_that_moves_is_mapped_into_a_plan_of_its_own() {
    let folder = folder("[turnout.Q2]\nleads_swapped = true\n");
    let arguments = ["--all", "--only", "1-32", "--write-plan", "found.toml"];
    let lines = hunt(folder.path(), &arguments, 0);
    let found = done(&lines)["found"].as_array().unwrap();
    let found: Vec<_> = found
        .iter()
        .map(|one| one["address"].as_u64().unwrap())
        .collect();
    assert_eq!(found, [5, 6, 7, 21, 24]);
    let plan = Plan::load(&folder.path().join("found.toml")).unwrap();
    let known: BTreeMap<_, _> = plan
        .turnouts
        .iter()
        .map(|one| (one.address.get(), one.straight_bit))
        .collect();
    let straight = |swapped| if swapped { PairBit::Zero } else { PairBit::One };
    let expected = [5, 6, 7, 21, 24].map(|address| (address, straight(address == 6)));
    assert_eq!(known, expected.into());
    let mut again = throwproof(folder.path(), &["hunt", "plan.toml"]);
    let again = again.args(arguments).assert().code(2);
    let errors = String::from_utf8_lossy(&again.get_output().stderr).into_owned();
    assert!(errors.contains("never written over"), "{errors}");
}

#[test]
fn what_can_t_be_hunted_is_said_with_what_to_do() {
    let folder = folder("");
    let cases: [(&[&str], &str); 6] = [
        (&[], "--target Q3"),
        (&["--target", "Q3"], "no turnout or signal `Q3`"),
        (
            &["--target", "Q1", "--exclude", "1-2048"],
            "no address is left",
        ),
        (
            &["--target", "Q1", "--only", "9-2"],
            "ends before it begins",
        ),
        (&["--target", "Q1", "--exclude", "Z9"], "`Z9` is no address"),
        (&["--numbering", "--all"], "cannot be used with"),
    ];
    for (arguments, says) in cases {
        let output = throwproof(folder.path(), &[&["hunt", "plan.toml"], arguments].concat());
        let output = { output }.assert().code(2);
        let errors = String::from_utf8_lossy(&output.get_output().stderr).into_owned();
        assert!(errors.contains(says), "{errors}");
    }
}

/// A link that stops the run after so many packets, and keeps all that went out.
struct Cut {
    inner: throwproof::track::TrackLink,
    sent: Rc<RefCell<Vec<Packet>>>,
    after: usize,
    stop: StopHandle,
}

#[async_trait(?Send)]
impl Link for Cut {
    fn name(&self) -> String {
        self.inner.name()
    }

    fn abilities(&self) -> Abilities {
        self.inner.abilities()
    }

    fn now(&self) -> Duration {
        self.inner.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        self.sent.borrow_mut().push(*packet);
        if self.sent.borrow().len() == self.after {
            self.stop.ask(StopReason::Interrupt);
        }
        self.inner.send(packet).await
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        self.inner.pause(time).await
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        self.inner.reports().await
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        self.inner.close().await
    }
}

#[test]
fn stopped_at_any_packet_everything_is_released() {
    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    for after in 1..=24 {
        let (stop, token) = stop_pair();
        let (inner, mut witness) = throwproof::track::open(&plan, &AsBuilt::default(), 1);
        let sent = Rc::default();
        let mut link = Cut {
            inner,
            sent: Rc::clone(&sent),
            after,
            stop,
        };
        let among = (1..=8).map(|number| KeyedAddress::new(number).unwrap());
        let mut hub = Hub::new();
        let hunt = Hunt {
            plan: &plan,
            link: &mut link,
            witness: &mut witness,
            hub: &mut hub,
            stop: token,
            asked: Asked {
                goal: Goal::Address,
                among: among.collect(),
                target: Some(Id::new("F1")),
                known: Vec::new(),
                quick: false,
                doubt: 0.05,
                most: 60,
                notes: Vec::new(),
                about: About::default(),
            },
        };
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let ended = runtime.block_on(hunt.run()).unwrap();
        assert_eq!(ended, Ended::Stopped(StopReason::Interrupt), "{after}");
        let mut active = BTreeMap::new();
        for packet in sent.borrow().iter() {
            let BasicAccessory {
                address,
                pair_bit,
                activate,
            } = BasicAccessory::parse(packet).unwrap();
            active.insert((address, pair_bit), activate);
            let on = active.values().filter(|on| **on).count();
            assert!(on <= 1, "one output is on at a time");
        }
        assert!(active.values().all(|on| !on), "{after}: {active:?}");
    }
}

// All addresses of a group are thrown one way: of a three-way turnout that would be the position
// in which its blades foul.
#[test]
fn drives_that_must_not_be_thrown_one_by_one_are_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let plan = std::fs::read_to_string("fixtures/shapes/plan.toml").unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let arguments = ["--only", "97-124", "--target", "X3a", "--log", "hunt.log"];
    let lines = hunt(folder.path(), &arguments, 0);
    assert_eq!(found(&lines).0, 112);
    let log = std::fs::read_to_string(folder.path().join("hunt.log")).unwrap();
    for number in [101, 102, 113, 114] {
        for packet in packets(number) {
            assert!(!log.contains(&packet), "{number}: {packet}");
        }
    }
}
