//! The record as a person meets it: where it is, what it keeps, what stands in its way, and
//! carrying on.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use rusqlite::Connection;
use serde_json::Value;
use throwproof::record::Record;

/// Three turnouts without a supply, for a sweep of a moment.
const PLAN: &str = "\
[layout]\nname = \"Slipway\"\n
[decoder.D]\noutputs = 4\nfirst_address = 5\noutput_kind = \"pulse\"\npulse_ms = 150\n
[[turnout]]\nid = \"Q1\"\nplace = \"Quay\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 1\n
[[turnout]]\nid = \"Q2\"\nplace = \"Quay\"\nshape = \"right\"\ndecoder = \"D\"\noutput = 2\n
[[turnout]]\nid = \"F1\"\nplace = \"Fish dock\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 3\n";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    folder
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin("throwproof"));
    command
        .current_dir(folder)
        .env_remove("THROWPROOF_RECORD")
        .env("TZ", "UTC")
        .env("XDG_CONFIG_HOME", folder)
        .arg("sweep")
        .args(arguments)
        .stdin(Stdio::null());
    command
}

fn sweep(folder: &Path, arguments: &[&str]) -> Output {
    command(folder, arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Sweeps, and gives the exit code and what was said on standard error.
fn said(folder: &Path, arguments: &[&str]) -> (i32, String) {
    let output = sweep(folder, arguments);
    (output.status.code().unwrap(), text(&output.stderr))
}

/// The JSON of every event of the last run.
fn kept(path: &Path) -> Vec<String> {
    let connection = Connection::open(path).unwrap();
    let mut select = connection
        .prepare("SELECT json FROM events WHERE run = (SELECT max(id) FROM runs) ORDER BY seq")
        .unwrap();
    let rows = select.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

fn assert_sound(path: &Path) {
    let connection = Connection::open(path).unwrap();
    let verdict: String = connection
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(verdict, "ok");
}

#[test]
fn every_event_is_kept_beside_the_plan() {
    let folder = folder();
    let output = sweep(
        folder.path(),
        &[
            "plan.toml",
            "--format",
            "json",
            "--tester",
            "Ada",
            "--cycles",
            "2",
        ],
    );
    assert_eq!(output.status.code(), Some(0));
    let path = folder.path().join("plan.record");
    assert_eq!(
        kept(&path),
        text(&output.stdout).lines().collect::<Vec<_>>()
    );
    let record = Record::open_to_read(&path).unwrap();
    let log = record.log(1).unwrap();
    assert_eq!(log.plan_text, PLAN);
    assert!(log.info.is_rehearsal && log.info.is_complete);
    assert_eq!((&*log.info.tester, log.info.cycles), ("Ada", 2));
    assert_eq!(log.marks.len(), 3);
    let started: Value = serde_json::from_str(&kept(&path)[0]).unwrap();
    assert_eq!(started["tester"], "Ada");
    assert_eq!(started["fingerprint"], log.info.fingerprint);
}

#[test]
fn it_is_where_it_is_named_or_nowhere() {
    let folder = folder();
    let in_folder = |name: &str| folder.path().join(name).exists();
    assert_eq!(said(folder.path(), &["plan.toml", "--record", "none"]).0, 0);
    assert!(!in_folder("plan.record") && !in_folder("none"));
    assert_eq!(
        said(folder.path(), &["plan.toml", "--record", "other.db"]).0,
        0
    );
    assert!(in_folder("other.db") && !in_folder("plan.record"));
    let mut by_environment = command(folder.path(), &["plan.toml"]);
    by_environment.env("THROWPROOF_RECORD", "third.db");
    assert!(by_environment.status().unwrap().success());
    assert!(in_folder("third.db") && !in_folder("plan.record"));
}

#[test]
fn a_real_layout_is_never_swept_without_one() {
    let folder = folder();
    let (code, said) = said(
        folder.path(),
        &["plan.toml", "--record", "none", "--link", "lcc:/dev/null"],
    );
    assert_eq!(code, 2);
    assert!(
        said.contains("a run on a real layout is always kept"),
        "{said}"
    );
}

#[test]
fn the_plan_of_the_folder_is_taken() {
    let folder = folder();
    let (code, told) = said(folder.path(), &[]);
    assert_eq!(code, 0);
    assert!(told.contains("using plan.toml in this folder"), "{told}");
    std::fs::remove_file(folder.path().join("plan.toml")).unwrap();
    let (code, told) = said(folder.path(), &[]);
    assert_eq!(code, 2);
    assert!(told.contains("no plan is named"), "{told}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_plan_through_a_pipe_is_rehearsed_and_not_kept() {
    let folder = folder();
    let output = Command::new("sh")
        .current_dir(folder.path())
        .env_remove("THROWPROOF_RECORD")
        .args(["-c", "cat plan.toml | \"$0\" sweep /dev/stdin"])
        .arg(assert_cmd::cargo::cargo_bin("throwproof"))
        .output()
        .unwrap();
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(told.contains("this run is not kept"), "{told}");
}

/// Refused before anything is sent: nothing is shown, the exit code is 2, the file is as it was.
fn assert_refused(folder: &Path, arguments: &[&str], what: &str) {
    let path = folder.join("plan.record");
    let before = std::fs::read(&path).ok();
    let mut arguments = arguments.to_vec();
    arguments.extend(["plan.toml", "--format", "json"]);
    let output = sweep(folder, &arguments);
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(output.stdout.is_empty());
    assert!(told.contains(what), "{told}");
    assert!(told.contains("--record FILE"), "{told}");
    assert_eq!(std::fs::read(&path).ok(), before);
}

#[test]
fn what_is_no_record_is_left_alone() {
    let folder = folder();
    let path = folder.path().join("plan.record");
    std::fs::write(&path, "a shopping list\n").unwrap();
    assert_refused(folder.path(), &[], "it is no SQLite file");
    std::fs::remove_file(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE cheese (name)").unwrap();
    drop(other);
    assert_refused(folder.path(), &[], "an SQLite file of something else");
    std::fs::remove_file(&path).unwrap();
    std::fs::create_dir(&path).unwrap();
    assert_refused(folder.path(), &[], "it is no file");
}

#[test]
fn a_newer_one_is_left_alone() {
    let folder = folder();
    assert_eq!(said(folder.path(), &["plan.toml"]).0, 0);
    let connection = Connection::open(folder.path().join("plan.record")).unwrap();
    connection
        .pragma_update(None, "user_version", 4711)
        .unwrap();
    drop(connection);
    assert_refused(folder.path(), &[], "its schema has version 4711");
}

#[test]
fn a_damaged_one_is_left_alone() {
    let folder = folder();
    for _ in 0..3 {
        assert_eq!(said(folder.path(), &["plan.toml"]).0, 0);
    }
    let path = folder.path().join("plan.record");
    let sound = std::fs::read(&path).unwrap();
    std::fs::write(&path, &sound[..sound.len() / 2]).unwrap();
    assert_refused(folder.path(), &[], "is damaged");
    let mut torn = sound.clone();
    for byte in &mut torn[4096..8192] {
        *byte = 0xA5;
    }
    std::fs::write(&path, torn).unwrap();
    assert_refused(folder.path(), &[], "is damaged");
}

/// A folder that can't be written to, whoever one is: root may write in any that can.
#[test]
fn where_nothing_can_be_written_nothing_is_sent() {
    let folder = folder();
    let place = ["--record", "plan.toml/kept.record"];
    assert_refused(folder.path(), &place, "can't be written");
    #[cfg(target_os = "linux")]
    assert_refused(
        folder.path(),
        &["--record", "/proc/kept.record"],
        "can't be written",
    );
}

/// A record in a folder where no journal can be made: the folder has the rights of a stranger's.
#[cfg(unix)]
#[test]
fn a_folder_without_rights_is_refused() {
    use std::os::unix::fs::PermissionsExt as _;

    let folder = folder();
    assert_eq!(said(folder.path(), &["plan.toml"]).0, 0);
    let locked = folder.path().join("locked");
    std::fs::create_dir(&locked).unwrap();
    std::fs::rename(folder.path().join("plan.record"), locked.join("it.record")).unwrap();
    std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o555)).unwrap();
    if std::fs::write(locked.join("probe"), "").is_ok() {
        // Rights do not bind root. A journal that can't be made is then a folder in its place.
        std::fs::create_dir(locked.join("it.record-journal")).unwrap();
    }
    assert_refused(
        folder.path(),
        &["--record", "locked/it.record"],
        "can't be written",
    );
    std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o755)).unwrap();
}

/// A sweep that goes on for long enough, after its first events.
fn long_run(folder: &Path) -> (Child, BufReader<std::process::ChildStdout>) {
    let mut child = command(
        folder,
        &["plan.toml", "--cycles", "100000", "--format", "json"],
    )
    .stdout(Stdio::piped())
    .stderr(Stdio::piped())
    .spawn()
    .unwrap();
    let mut output = BufReader::new(child.stdout.take().unwrap());
    for _ in 0..5 {
        let mut line = String::new();
        output.read_line(&mut line).unwrap();
        assert!(line.contains("\"event\""));
    }
    (child, output)
}

#[test]
fn one_run_at_a_time_but_it_can_be_read_meanwhile() {
    let folder = folder();
    let (mut first, output) = long_run(folder.path());
    // Somebody has to read on.
    let reader = std::thread::spawn(move || output.lines().map_while(Result::ok).count());
    let (code, told) = said(folder.path(), &["plan.toml"]);
    assert_eq!(code, 2);
    assert!(told.contains("in use by another run since "), "{told}");
    assert!(told.contains("--record FILE"), "{told}");
    let path = folder.path().join("plan.record");
    for _ in 0..20 {
        let record = Record::open_to_read(&path).unwrap();
        assert!(record.log(1).unwrap().events.len() >= 5);
    }
    let (code, _) = said(folder.path(), &["plan.toml", "--record", "other.record"]);
    assert_eq!(code, 0);
    first.kill().unwrap();
    first.wait().unwrap();
    assert!(reader.join().unwrap() > 0);
    // The lock went with the process.
    assert_eq!(said(folder.path(), &["plan.toml"]).0, 0);
    assert_sound(&path);
}

/// A limit on file size is what a full disk is like: a write is refused half-way.
#[cfg(unix)]
#[test]
fn a_full_disk_loses_nothing_that_was_shown() {
    let folder = folder();
    let path = folder.path().join("plan.record");
    let output = Command::new("sh")
        .current_dir(folder.path())
        .env_remove("THROWPROOF_RECORD")
        // In blocks of 512 or 1024 bytes, as the shell likes.
        .args([
            "-c",
            "ulimit -f 120; exec \"$0\" sweep plan.toml --format json --cycles 2000 --reconnect 0",
        ])
        .arg(assert_cmd::cargo::cargo_bin("throwproof"))
        .output()
        .unwrap();
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(told.contains("the record can't be written"), "{told}");
    assert!(told.contains("limit on file size"), "{told}");
    assert_sound(&path);
    let shown = text(&output.stdout);
    let shown: Vec<_> = shown.lines().collect();
    assert!(shown.len() > 20);
    assert_eq!(kept(&path)[..shown.len()], shown);
    let (code, told) = said(folder.path(), &["plan.toml", "--resume", "--cycles", "1"]);
    assert_eq!(code, 0, "{told}");
    assert!(told.contains("carrying on the run of "), "{told}");
}

/// Ends a sweep by SIGTERM once that many verdicts were shown.
#[cfg(unix)]
fn cut_after(folder: &Path, verdicts: usize, arguments: &[&str]) {
    let mut child = command(folder, &["plan.toml", "--format", "json", "--cycles", "20"])
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut seen = 0;
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        if line.unwrap().contains("\"event\":\"verdict\"") {
            seen += 1;
            if seen == verdicts {
                let pid = rustix::process::Pid::from_child(&child);
                rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
            }
        }
    }
    assert_eq!(child.wait().unwrap().code(), Some(4));
}

#[cfg(unix)]
#[test]
fn a_run_is_carried_on_and_takes_over_what_it_was_asked_for() {
    let folder = folder();
    cut_after(folder.path(), 1, &["--only", "Q1,Q2"]);
    let (code, told) = said(folder.path(), &["plan.toml", "--resume"]);
    assert_eq!(code, 0, "{told}");
    assert!(told.contains("carrying on the run of "), "{told}");
    assert!(told.contains(": 1 of 2 has a verdict\n"), "{told}");
    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    let runs = record.runs().unwrap();
    assert_eq!(runs[1].continues, Some(1));
    assert_eq!((&runs[1].only, runs[1].cycles), (&runs[0].only, 20));
    assert!(!runs[0].is_complete && runs[1].is_complete);
    let (code, told) = said(folder.path(), &["plan.toml", "--resume"]);
    assert_eq!(code, 0);
    assert!(
        told.contains("no run is unfinished, so a new one begins"),
        "{told}"
    );
}

#[cfg(unix)]
#[test]
fn an_edited_plan_is_carried_on_where_it_is_the_same() {
    let folder = folder();
    cut_after(folder.path(), 2, &[]);
    // Q1 is wired the other way, F1 is gone, Q2 has moved to another place.
    let (start, _) = PLAN.split_once("[[turnout]]\nid = \"F1\"").unwrap();
    let edited = start
        .replace("id = \"Q1\"\n", "id = \"Q1\"\nrest = \"diverging\"\n")
        .replace(
            "place = \"Quay\"\nshape = \"right\"",
            "place = \"Pier\"\nshape = \"right\"",
        );
    std::fs::write(folder.path().join("plan.toml"), edited).unwrap();
    let output = sweep(
        folder.path(),
        &["plan.toml", "--resume", "--format", "json"],
    );
    let told = text(&output.stderr);
    assert!(
        told.contains(
            ": 1 of 2 has a verdict; 1 changed in the plan since and is done again; 1 is no more \
             in the plan"
        ),
        "{told}"
    );
    let lines: Vec<Value> = text(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let observed = |id: &str| {
        let of = |line: &&Value| line["event"] == "observation" && line["turnout"] == id;
        lines
            .iter()
            .filter(of)
            .filter(|line| line["carried"] != true)
            .count()
    };
    assert_eq!(observed("Q1"), 41, "all of it again");
    assert_eq!(observed("Q2"), 0, "nothing again");
    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    assert_eq!(record.log(1).unwrap().plan_text, PLAN, "as it was");
}

#[cfg(unix)]
#[test]
fn an_unfinished_run_is_told_of() {
    let folder = folder();
    cut_after(folder.path(), 1, &[]);
    let (code, told) = said(folder.path(), &["plan.toml"]);
    assert_eq!(code, 0);
    assert!(
        told.contains("is unfinished; --resume carries it on"),
        "{told}"
    );
}

/// Answers the offer to carry on with that key, and gives what the run was told to be.
#[cfg(unix)]
fn answered(key: &[u8]) -> (i32, usize, Option<i64>) {
    use std::fs::File;
    use std::io::{Read as _, Write as _};

    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

    let folder = folder();
    cut_after(folder.path(), 1, &[]);
    let terminal = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&terminal).unwrap();
    unlockpt(&terminal).unwrap();
    let name = ptsname(&terminal, Vec::new()).unwrap();
    let end = || {
        let end = File::options()
            .read(true)
            .write(true)
            .open(name.to_str().unwrap());
        Stdio::from(end.unwrap())
    };
    let mut child = command(folder.path(), &["plan.toml"])
        .stdin(end())
        .stderr(end())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut terminal = File::from(terminal);
    let mut screen = Vec::new();
    let mut some = [0; 256];
    while !screen.ends_with(b"leave: ") {
        let count = terminal.read(&mut some).unwrap();
        screen.extend(&some[..count]);
    }
    let shown = text(&screen);
    assert!(
        shown.contains("the run of ") && shown.contains(" is unfinished"),
        "{shown}"
    );
    // A key that means nothing here is not taken.
    terminal.write_all(b"x").unwrap();
    terminal.write_all(key).unwrap();
    // Somebody has to read on.
    std::thread::spawn(move || while terminal.read(&mut some).is_ok_and(|count| count > 0) {});
    let code = child.wait().unwrap().code().unwrap();
    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    let runs = record.runs().unwrap();
    (code, runs.len(), runs.last().unwrap().continues)
}

#[cfg(unix)]
#[test]
fn at_a_terminal_one_key_says_what_becomes_of_an_unfinished_run() {
    assert_eq!(answered(b"c"), (0, 2, Some(1)), "carry on");
    assert_eq!(answered(b"n"), (0, 2, None), "new run");
    assert_eq!(answered(b"q"), (4, 1, None), "leave");
    assert_eq!(answered(b"\x03"), (4, 1, None), "Ctrl-C");
}

/// A run that can't be kept sends nothing more until it can, and then goes on as if nothing was.
#[cfg(target_os = "linux")]
#[test]
fn a_sweep_holds_while_it_can_not_be_kept() {
    use rustix::process::{Pid, Resource, Rlimit, prlimit};

    let folder = folder();
    let mut child = Command::new("sh")
        .current_dir(folder.path())
        .env_remove("THROWPROOF_RECORD")
        .args([
            "-c",
            "ulimit -S -f 60; exec \"$0\" sweep plan.toml --format json --cycles 40",
        ])
        .arg(assert_cmd::cargo::cargo_bin("throwproof"))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut shown = Vec::new();
    let mut has_room = false;
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        if line.contains("\"event\":\"held\"") {
            assert!(line.contains("limit on file size"), "{line}");
            let unlimited = Rlimit {
                current: None,
                maximum: None,
            };
            let pid = Pid::from_child(&child);
            prlimit(Some(pid), Resource::Fsize, unlimited).unwrap();
            has_room = true;
        }
        shown.push(line);
    }
    let output = child.wait_with_output().unwrap();
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(has_room, "it never held");
    let path = folder.path().join("plan.record");
    assert_eq!(kept(&path), shown, "as it was shown, in that order");
    assert_sound(&path);
    let throws = |lines: &[String]| {
        let sent = lines.iter().filter(|line| line.contains("\"throw-sent\""));
        sent.count()
    };
    // Three turnouts: primed, then there and back as often as was asked for.
    assert_eq!(throws(&shown), 3 * (1 + 2 * 40));
}

/// What a person saw can't be seen again: where it is lost, they are told what it was.
#[test]
#[cfg(target_os = "linux")]
fn what_could_not_be_kept_is_told() {
    let folder = folder();
    let output = Command::new("sh")
        .current_dir(folder.path())
        .env_remove("THROWPROOF_RECORD")
        .args([
            "-c",
            "ulimit -f 60; exec \"$0\" sweep plan.toml --format json --cycles 400 --reconnect 0",
        ])
        .arg(assert_cmd::cargo::cargo_bin("throwproof"))
        .output()
        .unwrap();
    let told = text(&output.stderr);
    assert_ne!(output.status.code(), Some(0), "{told}");
    // Which event is the first without room is chance; one that was seen has to be told.
    let kept = kept(&folder.path().join("plan.record"));
    let last: Value = serde_json::from_str(kept.last().unwrap()).unwrap();
    if last["event"] == "throw-sent" {
        let id = last["turnout"].as_str().unwrap();
        let sent = last["commanded"].as_str().unwrap();
        let expected = format!("note: this is NOT kept: {id}, sent {sent}: ");
        assert!(told.contains(&expected), "{told}");
    } else {
        assert!(!told.contains("NOT kept"), "{told}");
    }
}

/// The same of what a hunt was answered and of what a lesson did: the room is made to end a page
/// later each time, until it ends with something to tell.
#[test]
#[cfg(target_os = "linux")]
fn what_a_hunt_or_a_lesson_could_not_keep_is_told() {
    let commands = [
        ("hunt plan.toml --all --only 1-64", "NOT kept: address"),
        ("teach plan.toml D", "NOT kept: D"),
    ];
    for (command, expected) in commands {
        let told = (16..200).step_by(4).find_map(|blocks| {
            let folder = folder();
            let script = format!("ulimit -f {blocks}; exec \"$0\" {command} --reconnect 0");
            let output = Command::new("sh")
                .current_dir(folder.path())
                .env_remove("THROWPROOF_RECORD")
                .args(["-c", &script])
                .arg(assert_cmd::cargo::cargo_bin("throwproof"))
                .output()
                .unwrap();
            let told = text(&output.stderr);
            assert_ne!(output.status.code(), None, "{command} at {blocks}: {told}");
            if output.status.success() {
                return Some(format!("all found room at {blocks} blocks: {told}"));
            }
            told.contains("NOT kept").then_some(told)
        });
        let told = told.unwrap_or_default();
        assert!(told.contains(expected), "{command}: {told}");
        assert!(told.contains("the record can't be written"), "{told}");
    }
}
