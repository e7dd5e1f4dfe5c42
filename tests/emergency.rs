//! Emergencies on an LCC bus while a sweep is under way, through the real programs: a served
//! track, a sweep over TCP, and a third node written by hand that has the emergency.
//!
//! Frames are written by hand from NMRA S-9.7.x (2021): CAN Frame Transfer (CFT), Message Network
//! (MN), Event Identifiers (EI).
#![cfg(unix)]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

#[expect(dead_code, reason = "other tests use the rest of it")]
#[path = "serve/support.rs"]
mod support;

use std::collections::BTreeSet;
use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

use crate::support::{LONG, Line, Served, now};

/// The id of the sweep, as the command line and as frames have it.
const SWEEP: &str = "0A.00.00.00.00.02";
const SWEEP_IN_FRAMES: &str = "0A0000000002";

/// How long the sweep is watched while it is held: several throws long.
const WATCHED: Duration = Duration::from_millis(1500);

/// Time given to what must not happen.
const SHORT: Duration = Duration::from_millis(250);

/// clause: EI S 5.1: FF FF emergency off, FF FE cleared; FF FD emergency stop, FF FC cleared.
#[derive(Debug, Clone, Copy)]
struct Emergency {
    begins: &'static str,
    ends: &'static str,
    reason: &'static str,
}

const OFF: Emergency = Emergency {
    begins: "FFFF",
    ends: "FFFE",
    reason: "emergency off",
};

const STOP: Emergency = Emergency {
    begins: "FFFD",
    ends: "FFFC",
    reason: "emergency stop",
};

/// When the emergency begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Moment {
    /// The first throw is made, and its output released.
    Thrown,
    /// The first output is active.
    Active,
}

/// The track, a sweep of two of its turnouts, and a node that hears both.
struct Bus {
    track: Served,
    sweep: Child,
    events: Receiver<Value>,
    line: Line,
    /// The sweep's, once it has been heard.
    alias: String,
    /// Outputs that the sweep activated and did not release: the halves of their events.
    active: BTreeSet<String>,
    activations: usize,
    thrown: usize,
}

/// The plan, and how its turnouts lie, so that the first throw of each would move it.
fn folder() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let lies = ["F1", "F2", "F3", "F4", "B1", "B2"]
        .map(|id| format!("[turnout.{id}]\nlies = \"diverging\"\n"))
        .concat();
    std::fs::copy(
        "fixtures/reports/plan.toml",
        folder.path().join("plan.toml"),
    )
    .unwrap();
    std::fs::write(folder.path().join("as-built.toml"), lies).unwrap();
    folder
}

/// clause: CFT S 6.2.1: four check frames with the node's id, 0A.00.00.00.00.03, 200 ms, reserve,
/// map definition.
fn enter(line: &mut Line) {
    line.send(":X170A0AAAN;\n:X16000AAAN;\n:X15000AAAN;\n:X14003AAAN;\n");
    let said = line.listen(SHORT);
    assert!(!said.contains(&":X10700AAAN;".to_owned()), "{said:?}");
    line.send(":X10700AAAN;\n:X10701AAAN0A0000000003;\n");
}

/// A served track, and the third node on its bus.
fn serve() -> (Served, Line) {
    let args = [
        "--serve",
        "lcc",
        "--node-id",
        "0A.00.00.00.00.01",
        "--tcp",
        "127.0.0.1:0",
    ];
    let track = Served::start_in(folder(), &args);
    let mut line = track.connect();
    enter(&mut line);
    (track, line)
}

impl Bus {
    fn begin() -> Self {
        let (track, line) = serve();
        Self::start(track, line)
    }

    fn start(track: Served, line: Line) -> Self {
        let address = track.line["tcp"].as_str().unwrap();
        let mut sweep = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .env("THROWPROOF_CAUTIONS_READ", "1")
            .current_dir(track.folder.path())
            .env("XDG_CONFIG_HOME", track.folder.path())
            .args([
                "sweep",
                "plan.toml",
                "--link",
                &format!("lcc:tcp:{address}"),
            ])
            .args(["--witness", "reports", "--only", "F1,F2"])
            .args(["--node-id", SWEEP, "--format", "json"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let output = BufReader::new(sweep.stdout.take().unwrap());
        let (sender, events) = channel();
        std::thread::spawn(move || {
            for line in output.lines() {
                let event = serde_json::from_str(&line.unwrap()).unwrap();
                if sender.send(event).is_err() {
                    break;
                }
            }
        });
        Self {
            track,
            sweep,
            events,
            line,
            alias: String::new(),
            active: BTreeSet::new(),
            activations: 0,
            thrown: 0,
        }
    }

    /// Reads events up to the next of that kind.
    fn event(&mut self, kind: &str) -> Value {
        loop {
            let event = self.events.recv_timeout(LONG);
            let event = event.unwrap_or_else(|error| panic!("no {kind}: {error}"));
            self.thrown += usize::from(event["event"] == "throw-sent");
            if event["event"] == kind {
                return event;
            }
            assert_ne!(event["event"], "summary", "no {kind} before the end");
        }
    }

    /// Events from now to the end.
    fn rest(&mut self) -> Vec<Value> {
        let mut events = Vec::new();
        while let Ok(event) = self.events.recv_timeout(LONG) {
            events.push(event);
        }
        events
    }

    /// Keeps account of what the sweep commands.
    ///
    /// clause: EI S 5.3: 01.01.02.00.00.FF activates, FE deactivates; 12 bits address and half.
    fn heard(&mut self, frames: &[String]) {
        for frame in frames {
            let Some(event) = frame.strip_prefix(&format!(":X195B4{}N0101020000", self.alias))
            else {
                continue;
            };
            match event.split_at(2) {
                ("FF", half) => {
                    self.activations += 1;
                    self.active.insert(half.to_owned());
                }
                ("FE", half) => drop(self.active.remove(half)),
                _ => panic!("neither activates nor releases: {frame}"),
            }
        }
    }

    /// Everything on the line until the sweep answers: whatever it sent before is among it.
    ///
    /// clause: MN S 3.4.2: verify node id.
    fn catch_up(&mut self) {
        self.line.send(&format!(":X19490AAAN{SWEEP_IN_FRAMES};\n"));
        let answer = format!(":X19170{}N{SWEEP_IN_FRAMES};", self.alias);
        let frames = self.line.until(&answer, LONG);
        self.heard(&frames);
    }

    /// clause: MN S 3.4.1: a node says that it is there.
    fn learn_alias(&mut self) {
        loop {
            let frame = self.line.expect(":X19100", LONG);
            if frame.ends_with(&format!("N{SWEEP_IN_FRAMES};")) {
                frame[7..10].clone_into(&mut self.alias);
                return;
            }
        }
    }

    fn report(&mut self, event: &str) {
        self.line
            .send(&format!(":X195B4AAAN010000000000{event};\n"));
    }

    /// Has the emergency then, and waits until the sweep says so.
    fn hold(&mut self, emergency: Emergency, moment: Moment) {
        self.learn_alias();
        match moment {
            Moment::Thrown => drop(self.event("throw-sent")),
            Moment::Active => {
                let activates = format!(":X195B4{}N0101020000FF", self.alias);
                let frames = self.line.until(&activates, LONG);
                self.heard(&frames);
            }
        }
        self.report(emergency.begins);
        let held = self.event("held");
        let reason = held["reason"].as_str().unwrap();
        assert!(reason.starts_with(emergency.reason), "{reason}");
    }

    /// While it is held nothing but releases is sent, and in the end nothing is active.
    fn stays_held(&mut self) {
        self.catch_up();
        // Each throw was told of; the last may have been broken off.
        let (activations, thrown) = (self.activations, self.thrown);
        assert!(
            (thrown..=thrown + 1).contains(&activations),
            "{thrown} {activations}"
        );
        let frames = self.line.listen(WATCHED);
        let releases = format!(":X195B4{}N0101020000FE", self.alias);
        // The track may still say where a turnout came to rest.
        let mut own = frames.iter().filter(|frame| frame[7..10] == self.alias);
        let other = own.find(|frame| !frame.starts_with(&releases));
        assert_eq!(other, None, "{frames:?}");
        self.heard(&frames);
        assert_eq!(self.active, BTreeSet::new());
        assert!(
            self.events.try_recv().is_err(),
            "it is silent while it waits"
        );
    }

    /// How the sweep ended, after all that it still had to say on the bus.
    fn ended(&mut self) -> Option<i32> {
        let code = self.sweep.wait().unwrap().code();
        // clause: CFT S 6.2.4: it leaves in good order.
        let left = format!(":X10703{}N{SWEEP_IN_FRAMES};", self.alias);
        let frames = self.line.until(&left, LONG);
        self.heard(&frames);
        assert_eq!(self.active, BTreeSet::new(), "{frames:?}");
        let later = self.line.listen(SHORT);
        let mut own = later.iter().filter(|frame| frame[7..10] == self.alias);
        assert_eq!(own.next(), None, "{later:?}");
        code
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        // One that has ended is none to end.
        drop(self.sweep.kill());
        drop(self.sweep.wait());
    }
}

fn of_kind<'e>(events: &'e [Value], kind: &'e str) -> impl Iterator<Item = &'e Value> {
    events.iter().filter(move |event| event["event"] == kind)
}

/// The emergency is cleared, and the sweep ends as if it had not been.
fn holds_and_resumes(emergency: Emergency, moment: Moment) {
    let mut bus = Bus::begin();
    bus.hold(emergency, moment);
    bus.stays_held();
    bus.report(emergency.ends);
    bus.event("resumed");
    let events = bus.rest();
    let proved: BTreeSet<_> = of_kind(&events, "verdict")
        .map(|event| (event["turnout"].as_str(), event["verdict"].as_str()))
        .collect();
    let both = ["F1", "F2"].map(|id| (Some(id), Some("proved")));
    assert_eq!(proved, BTreeSet::from(both), "{emergency:?} {moment:?}");
    let summary = events.last().unwrap();
    let count = |key: &str| summary[key].as_u64();
    assert_eq!((count("proved"), count("failed")), (Some(2), Some(0)));
    assert_eq!(of_kind(&events, "held").count(), 0);
    assert_eq!(bus.ended(), Some(0));
    // The track refused nothing: nothing was sent to it that it did not want.
    assert_eq!(bus.track.end()["refused"], 0);
}

#[test]
fn emergency_off_after_a_throw() {
    holds_and_resumes(OFF, Moment::Thrown);
}

#[test]
fn emergency_off_while_an_output_is_active() {
    holds_and_resumes(OFF, Moment::Active);
}

#[test]
fn emergency_stop_after_a_throw() {
    holds_and_resumes(STOP, Moment::Thrown);
}

#[test]
fn emergency_stop_while_an_output_is_active() {
    holds_and_resumes(STOP, Moment::Active);
}

/// Off and stop at once: held until both are cleared.
#[test]
fn one_emergency_of_two_cleared_is_not_enough() {
    let mut bus = Bus::begin();
    bus.hold(OFF, Moment::Thrown);
    bus.report(STOP.begins);
    bus.report(OFF.ends);
    bus.stays_held();
    bus.report(STOP.ends);
    bus.event("resumed");
    let events = bus.rest();
    assert_eq!(events.last().unwrap()["proved"], 2);
    assert_eq!(bus.ended(), Some(0));
}

#[test]
fn an_interrupt_while_held_ends_it_with_all_released() {
    for (emergency, moment) in [(OFF, Moment::Active), (STOP, Moment::Active)] {
        let mut bus = Bus::begin();
        bus.hold(emergency, moment);
        let began = now();
        kill_process(Pid::from_child(&bus.sweep), Signal::INT).unwrap();
        let events = bus.rest();
        let [.., stopped, summary] = &events[..] else {
            panic!("too few events: {events:?}")
        };
        assert_eq!(stopped["event"], "stopped");
        assert_eq!(stopped["reason"], "interrupt");
        assert_eq!(summary["event"], "summary");
        assert_eq!(summary["unreached"], 2);
        assert_eq!(bus.ended(), Some(4));
        assert!(bus.activations > 0, "something was thrown");
        assert!(
            began.elapsed() < LONG,
            "it does not wait for the end of the emergency"
        );
    }
}

/// A sweep that begins in an emergency waits before its first throw.
///
/// clause: EI S 5.1; ET S 6.3: the track says that the event is valid when it is asked for.
#[test]
fn a_sweep_that_begins_in_an_emergency_waits() {
    let (track, mut line) = serve();
    line.send(":X195B4AAAN010000000000FFFF;\n");
    let mut bus = Bus::start(track, line);
    bus.learn_alias();
    bus.event("held");
    assert_eq!(bus.thrown, 0);
    bus.stays_held();
    assert_eq!(bus.activations, 0);
    bus.report(OFF.ends);
    bus.event("resumed");
    assert_eq!(bus.rest().last().unwrap()["proved"], 2);
    assert_eq!(bus.ended(), Some(0));
}
