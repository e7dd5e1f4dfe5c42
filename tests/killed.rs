//! A sweep that is killed at any moment, again and again: what was shown is in the record, and in
//! the end everything was seen exactly once.
//!
//! `THROWPROOF_KILLS` says how often to kill, `THROWPROOF_SEED` repeats a run of this test.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]
#![expect(
    clippy::disallowed_methods,
    reason = "it kills a process after a time on the wall"
)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Read as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::mpsc::channel;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rusqlite::Connection;
use serde_json::Value;
use throwproof::event::{Event, EventKind, Step, Subject};
use throwproof::record::Record;

const TURNOUTS: usize = 8;
const CYCLES: usize = 2;
const KILLS: usize = 200;

/// Sweeps at a time, each with a record of its own.
const WORKERS: usize = 2;

fn plan() -> String {
    let mut text = "[layout]\nname = \"Long wharf\"\n".to_owned();
    for decoder in 0..TURNOUTS / 4 {
        let first = 4 * decoder + 1;
        write!(
            text,
            "[decoder.D{decoder}]\noutputs = 4\nfirst_address = {first}\n\
             output_kind = \"pulse\"\npulse_ms = 150\n"
        )
        .unwrap();
        for output in 1..=4 {
            write!(
                text,
                "[[turnout]]\nid = \"T{decoder}-{output}\"\nplace = \"Wharf {decoder}\"\n\
                 shape = \"left\"\ndecoder = \"D{decoder}\"\noutput = {output}\n"
            )
            .unwrap();
        }
    }
    text
}

/// What one start of the program left.
struct Left {
    /// Whole lines that were shown.
    shown: Vec<String>,
    /// Whether it came to its end before it was killed.
    is_done: bool,
}

/// When to kill.
#[derive(Debug, Clone, Copy)]
enum Moment {
    /// That long after the start of the program, perhaps before the run begins.
    AfterStart(Duration),
    /// That long after the first throw is shown.
    AfterFirst(Duration),
    /// Not at all.
    Never,
}

/// Starts a sweep and kills it at that moment, if it is not done before.
fn killed_at(folder: &Path, moment: Moment) -> Left {
    let mut child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
        .current_dir(folder)
        .args(["sweep", "plan.toml", "--record", "kept.record", "--resume"])
        .args(["--cycles", &CYCLES.to_string(), "--format", "json"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut output = child.stdout.take().unwrap();
    let (first, is_first) = channel();
    let reader = std::thread::spawn(move || {
        let mut text = Vec::new();
        let mut some = [0; 4096];
        loop {
            let count = output.read(&mut some).unwrap();
            if count == 0 {
                break;
            }
            text.extend(&some[..count]);
            let throws = b"\"throw-sent\"";
            if text.windows(throws.len()).any(|part| part == throws) {
                // Nobody waits for it after the kill.
                let _heard = first.send(());
            }
        }
        String::from_utf8(text).unwrap()
    });
    match moment {
        Moment::AfterStart(time) => std::thread::sleep(time),
        Moment::AfterFirst(time) => {
            let _shown_or_ended = is_first.recv();
            std::thread::sleep(time);
        }
        Moment::Never => while is_first.recv().is_ok() {},
    }
    if !matches!(moment, Moment::Never) {
        // SIGKILL: nothing is cleaned up.
        child.kill().unwrap();
    }
    let ended = child.wait_with_output().unwrap();
    let text = reader.join().unwrap();
    let code = ended.status.code();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert!(matches!(code, None | Some(0)), "{code:?}: {said}");
    let whole = text.rfind('\n').map_or("", |end| &text[..=end]);
    Left {
        shown: whole.lines().map(str::to_owned).collect(),
        is_done: code == Some(0),
    }
}

/// Everything shown is in the record, and the record is sound.
fn check(folder: &Path, left: &Left) {
    if left.shown.is_empty() {
        return;
    }
    let connection = Connection::open(folder.join("kept.record")).unwrap();
    let verdict: String = connection
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(verdict, "ok");
    let mut select = connection
        .prepare("SELECT json FROM events WHERE run = (SELECT max(id) FROM runs) ORDER BY seq")
        .unwrap();
    let rows = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
    // What was carried over is in the record of the run that it comes from.
    let is_new = |line: &String| {
        let event: Value = serde_json::from_str(line).unwrap();
        event["carried"] != true
    };
    let kept: Vec<_> = rows.map(Result::unwrap).filter(is_new).collect();
    let shown: Vec<_> = left.shown.iter().filter(|line| is_new(line)).collect();
    assert!(kept.len() >= shown.len(), "the record comes first");
    assert!(kept.iter().zip(shown).all(|(kept, shown)| kept == shown));
}

/// Whether an event only repeats what an earlier run of the chain told.
fn is_carried(event: &Event) -> bool {
    serde_json::to_value(event).unwrap()["carried"] == true
}

/// The observations of each turnout, over all runs of the chain.
fn observed(folder: &Path) -> BTreeMap<String, Vec<(Step, String)>> {
    let record = Record::open_to_read(&folder.join("kept.record")).unwrap();
    let last = record.runs().unwrap().last().unwrap().id;
    let mut observed: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for run in record.chain(last).unwrap() {
        for logged in run.events {
            let is_carried = is_carried(&logged.event);
            let kind = logged.event.kind;
            let again = matches!(kind, EventKind::SweptAgain { .. });
            assert!(!again, "begun anew: {kind:?}");
            if let EventKind::Observation {
                subject: Subject::Turnout(id),
                step,
                commanded,
                ..
            } = kind
                && !is_carried
            {
                let own = observed.entry(id.to_string()).or_default();
                own.push((step, commanded.to_string()));
            }
        }
    }
    observed
}

fn seed() -> u64 {
    let given = std::env::var("THROWPROOF_SEED").ok();
    given.map_or_else(
        || {
            let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
            u64::from(since.subsec_nanos())
        },
        |seed| seed.parse().unwrap(),
    )
}

/// Kills that often, in sweep after sweep, and carries each on to its end. Says how many sweeps it
/// took, and how many events were shown.
fn kill_often(kills: usize, seed: u64) -> (usize, usize) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut killed, mut sweeps, mut shown) = (0, 0, 0);
    while killed < kills {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), plan()).unwrap();
        loop {
            let time = Duration::from_micros(random.random_range(0..100_000));
            let moment = match random.random_range(0..10) {
                _ if killed >= kills => Moment::Never,
                0 => Moment::AfterStart(time),
                _ => Moment::AfterFirst(time),
            };
            let left = killed_at(folder.path(), moment);
            check(folder.path(), &left);
            shown += left.shown.len();
            if left.is_done {
                break;
            }
            killed += 1;
        }
        sweeps += 1;
        assert_seen_once(folder.path());
    }
    (sweeps, shown)
}

/// Every turnout was observed along its whole route, and nothing of it twice.
fn assert_seen_once(folder: &Path) {
    let round = ["diverging", "straight"].map(|to| (Step::Visit, to.to_owned()));
    let mut route = vec![(Step::Prime, "straight".to_owned())];
    route.extend(std::iter::repeat_n(round, CYCLES).flatten());
    let observed = observed(folder);
    assert_eq!(observed.len(), TURNOUTS);
    for (id, seen) in observed {
        assert_eq!(seen, route, "{id}");
    }
}

#[test]
fn nothing_shown_is_lost_and_nothing_is_asked_twice() {
    let kills = std::env::var("THROWPROOF_KILLS").map_or(KILLS, |kills| kills.parse().unwrap());
    let seed = seed();
    println!("THROWPROOF_SEED={seed}");
    let workers = (0..WORKERS).map(|worker| {
        let seed = seed.wrapping_add(worker as u64);
        std::thread::spawn(move || kill_often(kills.div_ceil(WORKERS), seed))
    });
    let workers: Vec<_> = workers.collect();
    let (mut sweeps, mut shown) = (0, 0);
    for worker in workers {
        let done = worker.join().unwrap();
        sweeps += done.0;
        shown += done.1;
    }
    println!("killed {kills} times in {sweeps} sweeps; {shown} events were shown before");
}
