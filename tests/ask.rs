//! The witness `ask` at a real terminal, a pseudo-terminal of the system.
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real terminal takes real time")]

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::fs::{OFlags, fcntl_setfl};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use serde_json::Value;

const PLAN: &str = r#"
[layout]
name = "Slipway"

[decoder.D]
outputs = 4
first_address = 5
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
"#;

/// A sweep at a terminal of its own.
struct Session {
    child: Child,
    terminal: Option<File>,
    screen: Arc<Mutex<String>>,
    /// How much of the screen has been waited for.
    read: usize,
    /// Asks the thread that reads the screen to end.
    closed: Arc<AtomicBool>,
    watcher: Option<std::thread::JoinHandle<()>>,
    _folder: tempfile::TempDir,
}

impl Session {
    fn start(arguments: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        let terminal =
            openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&terminal).unwrap();
        unlockpt(&terminal).unwrap();
        let name = ptsname(&terminal, Vec::new()).unwrap();
        let end = File::options()
            .read(true)
            .write(true)
            .open(name.to_str().unwrap())
            .unwrap();
        let child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .current_dir(folder.path())
            .args(["sweep", "plan.toml", "--witness", "ask", "--format", "json"])
            .args(arguments)
            .stdin(Stdio::from(end.try_clone().unwrap()))
            .stdout(Stdio::piped())
            .stderr(Stdio::from(end))
            .spawn()
            .unwrap();
        fcntl_setfl(&terminal, OFlags::NONBLOCK).unwrap();
        let terminal = File::from(terminal);
        let screen = Arc::<Mutex<String>>::default();
        let (mut reader, shown) = (terminal.try_clone().unwrap(), Arc::clone(&screen));
        let closed = Arc::<AtomicBool>::default();
        let asked = Arc::clone(&closed);
        let watcher = std::thread::spawn(move || {
            let mut some = [0; 256];
            while !asked.load(Ordering::Relaxed) {
                match reader.read(&mut some) {
                    Ok(length) => {
                        shown
                            .lock()
                            .unwrap()
                            .push_str(&String::from_utf8_lossy(&some[..length]));
                    }
                    Err(error) if error.kind() == ErrorKind::WouldBlock => {
                        std::thread::sleep(Duration::from_millis(2));
                    }
                    // The other end is gone.
                    Err(_) => break,
                }
            }
        });
        Self {
            child,
            terminal: Some(terminal),
            screen,
            read: 0,
            closed,
            watcher: Some(watcher),
            _folder: folder,
        }
    }

    /// Waits until the screen shows this after what was waited for before.
    fn wait_for(&mut self, text: &str) {
        let patience = Instant::now() + Duration::from_secs(20);
        loop {
            let screen = self.screen.lock().unwrap();
            if let Some(at) = screen[self.read..].find(text) {
                self.read += at + text.len();
                return;
            }
            assert!(
                Instant::now() < patience,
                "no {text:?} in {:?}",
                &screen[self.read..]
            );
            drop(screen);
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Presses a key, once it can be meant for the question that is shown.
    fn press(&mut self, keys: &str) {
        std::thread::sleep(Duration::from_millis(200));
        self.terminal
            .as_mut()
            .unwrap()
            .write_all(keys.as_bytes())
            .unwrap();
    }

    /// The terminal goes away, as when a connection breaks.
    fn close(&mut self) {
        self.closed.store(true, Ordering::Relaxed);
        self.watcher.take().unwrap().join().unwrap();
        self.terminal = None;
    }

    fn end(self) -> (Option<i32>, Vec<Value>) {
        let Output { status, stdout, .. } = self.child.wait_with_output().unwrap();
        let text = String::from_utf8(stdout).unwrap();
        (
            status.code(),
            text.lines()
                .map(|line| serde_json::from_str(line).unwrap())
                .collect(),
        )
    }
}

fn observed(lines: &[Value]) -> Vec<&str> {
    let observations = lines.iter().filter(|line| line["event"] == "observation");
    observations
        .map(|line| line["observed"].as_str().unwrap())
        .collect()
}

fn last_two(lines: &[Value]) -> (&str, &str) {
    let [.., stopped, summary] = lines else {
        panic!("too few lines: {lines:?}")
    };
    (
        stopped["reason"].as_str().unwrap_or("none"),
        summary["event"].as_str().unwrap(),
    )
}

#[test]
fn a_turnout_is_proved_with_three_keys() {
    let mut session = Session::start(&["--only", "Q1"]);
    for key in ["n", "d", "s"] {
        session.wait_for("Which way does it lie now?");
        session.wait_for("q stop here\r\n> ");
        session.press(key);
    }
    let (code, lines) = session.end();
    assert_eq!(code, Some(0));
    assert_eq!(observed(&lines), ["no-movement", "diverging", "straight"]);
}

#[test]
fn keys_pressed_before_the_question_is_read_do_not_count() {
    let mut session = Session::start(&["--only", "Q1"]);
    session.wait_for("> ");
    // Three at once: only the first can be an answer to what is shown.
    session.press("nss");
    session.wait_for("> ");
    session.press("d");
    session.wait_for("> ");
    session.press("q");
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(observed(&lines), ["no-movement", "diverging"]);
}

#[test]
fn stop_here_and_ctrl_c_end_with_four() {
    for (key, reason) in [("q", "operator"), ("\u{3}", "interrupt")] {
        let mut session = Session::start(&[]);
        session.wait_for("> ");
        session.press(key);
        let (code, lines) = session.end();
        assert_eq!(code, Some(4));
        assert_eq!(last_two(&lines), (reason, "summary"));
    }
}

#[test]
fn a_terminal_that_goes_away_ends_with_four() {
    let mut session = Session::start(&[]);
    session.wait_for("> ");
    session.press("n");
    session.wait_for("> ");
    session.close();
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
    assert_eq!(observed(&lines), ["no-movement"]);
}

#[test]
fn a_hang_up_ends_with_four() {
    let mut session = Session::start(&[]);
    session.wait_for("> ");
    let child = rustix::process::Pid::from_child(&session.child);
    rustix::process::kill_process(child, rustix::process::Signal::HUP).unwrap();
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
}
