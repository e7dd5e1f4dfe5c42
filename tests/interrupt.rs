//! A sweep that is interrupted, by whatever the system has for that.
#![cfg(unix)]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use proptest::prelude::*;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

/// What an interrupted sweep left behind.
struct Left {
    code: Option<i32>,
    lines: Vec<Value>,
    /// Outputs that were activated and not released, by the packets in the log.
    active: BTreeSet<String>,
}

/// Enough turnouts that a sweep is not over before the signal comes.
fn plan() -> String {
    let mut text = "[layout]\nname = \"Long wharf\"\n".to_owned();
    for decoder in 0..64 {
        let first = 8 * decoder + 1;
        write!(
            text,
            "[decoder.D{decoder}]\noutputs = 8\nfirst_address = {first}\n\
             output_kind = \"pulse\"\npulse_ms = 150\n"
        )
        .unwrap();
        for output in 1..=8 {
            write!(
                text,
                "[[turnout]]\nid = \"T{decoder}-{output}\"\nshape = \"left\"\n\
                 decoder = \"D{decoder}\"\noutput = {output}\n"
            )
            .unwrap();
        }
    }
    text
}

fn start(folder: &Path) -> Child {
    Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
        .current_dir(folder)
        .args([
            "sweep",
            "plan.toml",
            "--format",
            "json",
            "--log",
            "log",
            "--seed",
            "3",
        ])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Starts a sweep and sends it signals, each after so many lines more.
fn interrupt(signals: &[(usize, Signal)]) -> Left {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), plan()).unwrap();
    let mut child = start(folder.path());
    let mut output = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut text = Vec::new();
    for (after, signal) in signals {
        text.extend(output.by_ref().take(*after).map(Result::unwrap));
        // A child that has ended already, because of the signal before, is none to send one to.
        let sent = kill_process(Pid::from_child(&child), *signal);
        assert!(sent.is_ok() || text.last().is_some_and(|line| line.contains("summary")));
    }
    text.extend(output.map(Result::unwrap));
    let code = child.wait().unwrap().code();
    let log = std::fs::read_to_string(folder.path().join("log")).unwrap();
    Left {
        code,
        lines: text
            .iter()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect(),
        active: active(&log),
    }
}

/// Reads every `sent packet=81 F9 78 taken=…` of a log.
fn active(log: &str) -> BTreeSet<String> {
    let mut active = BTreeSet::new();
    let mut packets = 0;
    for line in log.lines() {
        let Some((_, rest)) = line.split_once("sent packet=") else {
            continue;
        };
        let (packet, _) = rest.split_once(" taken=").unwrap();
        let packet = Packet::parse_hex(packet).unwrap();
        packets += 1;
        let basic = BasicAccessory::parse(&packet).unwrap();
        let output = format!("{} {}", basic.address, basic.pair_bit);
        if basic.activate {
            active.insert(output);
        } else {
            active.remove(&output);
        }
    }
    assert!(packets > 0, "the log holds the packets: {log}");
    active
}

fn assert_clean_stop(left: &Left, reason: &str) {
    assert_eq!(left.code, Some(4));
    let [.., stopped, summary] = &left.lines[..] else {
        panic!("too few lines")
    };
    assert_eq!(
        (&stopped["event"], &stopped["reason"]),
        (&"stopped".into(), &reason.into())
    );
    assert_eq!(summary["event"], "summary");
    let count = |key: &str| summary[key].as_u64().unwrap();
    let verdicts = left
        .lines
        .iter()
        .filter(|line| line["event"] == "verdict")
        .count();
    assert_eq!(
        count("proved") + count("failed") + count("skipped"),
        verdicts as u64
    );
    assert_eq!(count("unreached") + verdicts as u64, 512);
    assert!(left.active.is_empty(), "left active: {:?}", left.active);
}

#[test]
fn each_signal_ends_the_sweep_in_good_order() {
    for (signal, reason) in [
        (Signal::INT, "interrupt"),
        (Signal::TERM, "interrupt"),
        (Signal::HUP, "terminal-lost"),
    ] {
        assert_clean_stop(&interrupt(&[(20, signal)]), reason);
    }
}

#[test]
fn a_second_one_is_no_harm() {
    assert_clean_stop(
        &interrupt(&[(20, Signal::INT), (0, Signal::INT)]),
        "interrupt",
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    #[test]
    fn it_may_come_at_any_moment(after in 1..600_usize) {
        assert_clean_stop(&interrupt(&[(after, Signal::INT)]), "interrupt");
    }
}
