//! A program at a terminal of its own: a pseudo-terminal of the system, 80 by 24.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::fs::{OFlags, fcntl_setfl};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};
use serde_json::Value;

/// A sweep or a throw at a terminal of its own.
pub(crate) struct Session {
    child: Child,
    terminal: Option<File>,
    screen: Arc<Mutex<String>>,
    /// How much of the screen has been waited for.
    read: usize,
    /// Asks the thread that reads the screen to end.
    closed: Arc<AtomicBool>,
    watcher: Option<std::thread::JoinHandle<()>>,
}

/// What a program is run with.
pub(crate) struct Setting<'a> {
    pub(crate) folder: &'a Path,
    pub(crate) arguments: &'a [&'a str],
    pub(crate) environment: &'a [(&'a str, &'a str)],
    /// Whether standard output is the terminal as well.
    pub(crate) is_output_shown: bool,
}

impl Session {
    pub(crate) fn start(setting: &Setting<'_>) -> Self {
        let terminal =
            openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&terminal).unwrap();
        unlockpt(&terminal).unwrap();
        let size = Winsize {
            ws_row: 24,
            ws_col: 80,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        tcsetwinsize(&terminal, size).unwrap();
        let name = ptsname(&terminal, Vec::new()).unwrap();
        let end = File::options()
            .read(true)
            .write(true)
            .open(name.to_str().unwrap())
            .unwrap();
        let stdout = if setting.is_output_shown {
            Stdio::from(end.try_clone().unwrap())
        } else {
            Stdio::piped()
        };
        let child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .current_dir(setting.folder)
            .args(setting.arguments)
            .env_remove("NO_COLOR")
            .env_remove("COLUMNS")
            .env_remove("LINES")
            .env("TERM", "xterm")
            .env("LC_ALL", "C")
            .env("HOME", setting.folder)
            .env("XDG_CONFIG_HOME", setting.folder.join("config"))
            .envs(setting.environment.iter().copied())
            .stdin(Stdio::from(end.try_clone().unwrap()))
            .stdout(stdout)
            .stderr(Stdio::from(end))
            // What stops the program does not stop the test.
            .process_group(0)
            .spawn()
            .unwrap();
        fcntl_setfl(&terminal, OFlags::NONBLOCK).unwrap();
        let terminal = File::from(terminal);
        let screen = Arc::<Mutex<String>>::default();
        let closed = Arc::<AtomicBool>::default();
        let watcher = watch(
            terminal.try_clone().unwrap(),
            Arc::clone(&screen),
            Arc::clone(&closed),
        );
        Self {
            child,
            terminal: Some(terminal),
            screen,
            read: 0,
            closed,
            watcher: Some(watcher),
        }
    }

    /// Waits until something is so.
    fn wait_until(&self, what: &str, mut is_so: impl FnMut() -> bool) {
        let patience = Instant::now() + Duration::from_secs(20);
        while !is_so() {
            let rest = self.screen.lock().unwrap();
            let late = Instant::now() >= patience;
            assert!(!late, "no {what:?} in {:?}", &rest[self.read..]);
            drop(rest);
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Waits until the screen shows this after what was waited for before, and gives what was
    /// shown up to there.
    pub(crate) fn wait_for(&mut self, text: &str) -> String {
        let mut shown = None;
        self.wait_until(text, || {
            let screen = self.screen.lock().unwrap();
            let rest = &screen[self.read..];
            shown = rest.find(text).map(|at| rest[..at + text.len()].to_owned());
            shown.is_some()
        });
        let shown = shown.unwrap();
        self.read += shown.len();
        shown
    }

    /// Presses a key, once it can be meant for the question that is shown: what comes sooner is
    /// forgotten, and the program is not always quick to begin its own count.
    pub(crate) fn press(&mut self, keys: &str) {
        std::thread::sleep(Duration::from_millis(400));
        self.press_at_once(keys);
    }

    /// Presses a key before anybody could have read what is shown.
    pub(crate) fn press_at_once(&mut self, keys: &str) {
        let terminal = self.terminal.as_mut().unwrap();
        terminal.write_all(keys.as_bytes()).unwrap();
    }

    /// The terminal goes away, as when a connection breaks.
    pub(crate) fn close(&mut self) {
        self.closed.store(true, Ordering::Relaxed);
        self.watcher.take().unwrap().join().unwrap();
        self.terminal = None;
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    /// Waits until the program stands still, as the shell has the terminal.
    pub(crate) fn wait_until_stopped(&self) {
        let path = format!("/proc/{}/stat", self.child.id());
        self.wait_until("stop", || {
            let text = std::fs::read_to_string(&path).unwrap();
            // The state comes after the name, which stands in brackets.
            text.rsplit_once(") ")
                .is_some_and(|(_, rest)| rest.starts_with('T'))
        });
    }

    /// Whether the terminal takes lines and shows what is typed.
    pub(crate) fn has_lines(&self) -> bool {
        let modes = tcgetattr(self.terminal.as_ref().unwrap()).unwrap();
        modes
            .local_modes
            .contains(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG)
    }

    /// The exit code, what was written to standard output, and all that the screen has shown.
    pub(crate) fn end(mut self) -> (Option<i32>, String, String) {
        let end = self.child.wait().unwrap();
        if let Some(watcher) = &self.watcher {
            // Whatever was still on its way to the screen. A command that the program left running
            // may hold the terminal open.
            let patience = Instant::now() + Duration::from_secs(2);
            while !watcher.is_finished() && Instant::now() < patience {
                std::thread::sleep(Duration::from_millis(2));
            }
            self.close();
        }
        let Output { stdout, .. } = self.child.wait_with_output().unwrap();
        let screen = self.screen.lock().unwrap().clone();
        (end.code(), String::from_utf8(stdout).unwrap(), screen)
    }
}

fn watch(
    mut reader: File,
    shown: Arc<Mutex<String>>,
    closed: Arc<AtomicBool>,
) -> std::thread::JoinHandle<()> {
    std::thread::spawn(move || {
        let mut some = [0; 4096];
        let mut bytes = Vec::new();
        while !closed.load(Ordering::Relaxed) {
            match reader.read(&mut some) {
                Ok(length) => {
                    bytes.extend_from_slice(&some[..length]);
                    // A letter may come in two parts.
                    let text = String::from_utf8_lossy(&bytes).into_owned();
                    if !text.ends_with('\u{fffd}') {
                        shown.lock().unwrap().push_str(&text);
                        bytes.clear();
                    }
                }
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    std::thread::sleep(Duration::from_millis(2));
                }
                // The other end is gone.
                Err(_) => break,
            }
        }
    })
}

/// Standard output, line by line.
pub(crate) fn events(stdout: &str) -> Vec<Value> {
    let lines = stdout.lines();
    lines
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// What was observed, in order.
pub(crate) fn observed(lines: &[Value]) -> Vec<&str> {
    let observations = lines.iter().filter(|line| line["event"] == "observation");
    observations
        .map(|line| line["observed"].as_str().unwrap())
        .collect()
}
