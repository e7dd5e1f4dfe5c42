//! What keys answer, and how a run ends.

use rustix::process::Signal;
use serde_json::Value;

use crate::session::{Session, Setting, events, observed};

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
struct Sweep {
    session: Session,
    _folder: tempfile::TempDir,
}

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
        Self {
            session,
            _folder: folder,
        }
    }

    /// Waits for the next question.
    fn asks(&mut self) {
        self.session.wait_for("What do you see?");
        self.session.wait_for("> ");
    }

    fn press(&mut self, keys: &str) {
        self.session.press(keys);
    }

    fn end(self) -> (Option<i32>, Vec<Value>) {
        let (code, stdout, _) = self.session.end();
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
    let mut sweep = Sweep::start(&["--only", "Q1"]);
    for key in ["n", "d", "s"] {
        sweep.asks();
        sweep.press(key);
    }
    let (code, lines) = sweep.end();
    assert_eq!(code, Some(0));
    assert_eq!(observed(&lines), ["no-movement", "diverging", "straight"]);
}

#[test]
fn keys_pressed_before_the_question_is_read_do_not_count() {
    let mut sweep = Sweep::start(&["--only", "Q1"]);
    sweep.asks();
    // Three at once: only the first can be an answer to what is shown.
    sweep.press("nss");
    sweep.asks();
    sweep.press("d");
    sweep.asks();
    sweep.press("qq");
    let (code, lines) = sweep.end();
    assert_eq!(code, Some(4));
    assert_eq!(observed(&lines), ["no-movement", "diverging"]);
}

#[test]
fn stop_here_and_ctrl_c_end_with_four() {
    for (key, reason) in [("qq", "operator"), ("\u{3}", "interrupt")] {
        let mut sweep = Sweep::start(&[]);
        sweep.asks();
        sweep.press(key);
        let (code, lines) = sweep.end();
        assert_eq!(code, Some(4));
        assert_eq!(last_two(&lines), (reason, "summary"));
    }
}

#[test]
fn a_terminal_that_goes_away_ends_with_four() {
    let mut sweep = Sweep::start(&[]);
    sweep.asks();
    sweep.press("n");
    sweep.asks();
    sweep.session.close();
    let (code, lines) = sweep.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
    assert_eq!(observed(&lines), ["no-movement"]);
}

#[test]
fn a_hang_up_ends_with_four() {
    let mut sweep = Sweep::start(&[]);
    sweep.asks();
    sweep.session.signal(Signal::HUP);
    let (code, lines) = sweep.end();
    assert_eq!(code, Some(4));
    assert_eq!(last_two(&lines), ("terminal-lost", "summary"));
}
