//! The witness `ask` at a real terminal, a pseudo-terminal of the system.
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real terminal takes real time")]

use rustix::process::Signal;
use serde_json::Value;

#[path = "support/terminal.rs"]
mod terminal;

use terminal::{Session, Setting, events, observed};

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

/// A sweep that is asked about, with its events on standard output.
struct Sweep(Session, tempfile::TempDir);

impl Sweep {
    fn start(arguments: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        let mut all = vec!["sweep", "plan.toml", "--witness", "ask", "--format", "json"];
        all.extend(arguments);
        let session = Session::start(&Setting {
            folder: folder.path(),
            arguments: &all,
            environment: &[],
            is_output_shown: false,
        });
        Self(session, folder)
    }

    /// Waits for the next question.
    fn asks(&mut self) {
        self.0.wait_for("What do you see?");
        self.0.wait_for("> ");
    }

    fn press(&mut self, keys: &str) {
        self.0.press(keys);
    }

    fn end(self) -> (Option<i32>, Vec<Value>) {
        let (code, stdout, _) = self.0.end();
        (code, events(&stdout))
    }
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
    let mut session = Sweep::start(&["--only", "Q1"]);
    for key in ["n", "d", "s"] {
        session.asks();
        session.press(key);
    }
    let (code, lines) = session.end();
    assert_eq!(code, Some(0));
    assert_eq!(observed(&lines), ["no-movement", "diverging", "straight"]);
}

#[test]
fn keys_pressed_before_the_question_is_read_do_not_count() {
    let mut session = Sweep::start(&["--only", "Q1"]);
    session.asks();
    // Three at once: only the first can be an answer to what is shown.
    session.press("nss");
    session.asks();
    session.press("d");
    session.asks();
    session.press("qq");
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(observed(&lines), ["no-movement", "diverging"]);
}

#[test]
fn stop_here_and_ctrl_c_end_with_four() {
    for (key, reason) in [("qq", "operator"), ("\u{3}", "interrupt")] {
        let mut session = Sweep::start(&[]);
        session.asks();
        session.press(key);
        let (code, lines) = session.end();
        assert_eq!(code, Some(4));
        assert_eq!(last_two(&lines), (reason, "summary"));
    }
}

#[test]
fn a_terminal_that_goes_away_ends_with_four() {
    let mut session = Sweep::start(&[]);
    session.asks();
    session.press("n");
    session.asks();
    session.0.close();
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
    assert_eq!(observed(&lines), ["no-movement"]);
}

#[test]
fn a_hang_up_ends_with_four() {
    let mut session = Sweep::start(&[]);
    session.asks();
    session.0.signal(Signal::HUP);
    let (code, lines) = session.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
}
