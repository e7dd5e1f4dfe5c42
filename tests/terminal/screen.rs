//! What is shown, and how the terminal is left.

use std::path::Path;
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;
use unicode_width::UnicodeWidthStr;

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
shape = "double-slip"
decoder = "D"
output = 2

[[turnout]]
id = "D1"
place = "Dairy"
shape = "wye"
decoder = "D"
output = 3
"#;

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    folder
}

fn start(folder: &Path, arguments: &[&str], environment: &[(&str, &str)]) -> Session {
    let mut all = vec!["sweep", "plan.toml", "--witness", "ask"];
    all.extend(arguments);
    Session::start(&Setting {
        folder,
        arguments: &all,
        environment,
        is_output_shown: !arguments.contains(&"json"),
    })
}

/// Waits for the next question, and gives all that was shown up to its prompt.
fn question(session: &mut Session) -> String {
    let mut shown = session.wait_for("What do you see?");
    shown.push_str(&session.wait_for("\n> "));
    shown
}

/// Without styles, line by line.
fn lines(shown: &str) -> Vec<String> {
    let text = anstream::adapter::strip_str(shown).to_string();
    text.lines()
        .map(|line| line.trim_end().to_owned())
        .collect()
}

fn settings(folder: &Path, text: &str) {
    let home = folder.join("config").join("throwproof");
    std::fs::create_dir_all(&home).unwrap();
    std::fs::write(home.join("settings.toml"), text).unwrap();
}

#[test]
fn a_whole_sweep_is_answered_by_keys_and_every_question_fits_the_screen() {
    let folder = folder();
    let mut session = start(folder.path(), &[], &[("LC_ALL", "C.UTF-8")]);
    for keys in [["n", "d", "s"], ["s", "d", "s"], ["n", "b", "s"]] {
        for key in keys {
            let shown = question(&mut session);
            let from = shown.rfind('─').map(|at| &shown[at..]);
            let lines = lines(from.unwrap_or_else(|| panic!("a rule: {shown}")));
            assert!(lines.len() <= 23, "{shown}");
            assert!(lines.iter().all(|line| line.width() <= 80), "{shown}");
            session.press(key);
        }
    }
    // One is not proved: why not, is offered to be found out.
    session.wait_for("find out why D1 fails");
    session.wait_for("\n> ");
    session.press("2");
    let (code, _, screen) = session.end();
    assert_eq!(code, Some(1), "{screen}");
    let lines = lines(&screen);
    for expected in [
        "0 of 3 done",
        "Quay 0 of 2   Dairy 0 of 1",
        "Q1   left-hand turnout, address 5",
        "Sent: diverging (throw 2).",
        "1 of 3 done   about a minute left   1 proved",
        "2 of 3 done   about a minute left   2 proved",
        "Dairy 0 of 1   Quay 2 of 2",
        "                   ╲│",
        "> between",
        "2 proved, 1 not proved. 9 throws on the simulated track in",
    ] {
        assert!(
            lines.iter().any(|line| line.starts_with(expected)),
            "no {expected:?} in {screen}"
        );
    }
    assert!(screen.contains('\u{1b}'), "a terminal that can gets styles");
}

#[test]
fn neither_styles_nor_more_than_ascii_go_where_they_are_not_wanted() {
    let folder = folder();
    let environment = [("NO_COLOR", "1"), ("LC_ALL", "en_GB.ISO-8859-1")];
    let mut session = start(folder.path(), &[], &environment);
    let shown = question(&mut session);
    assert!(shown.is_ascii(), "{shown}");
    assert!(!shown.contains('\u{1b}'), "{shown:?}");
    assert!(shown.contains(r"diverging \   | straight"), "{shown}");
    session.press("qq");
    assert_eq!(session.end().0, Some(4));
}

#[test]
fn plain_is_for_a_screen_reader_and_a_dumb_terminal() {
    for (arguments, environment) in [(vec!["--plain"], vec![]), (vec![], vec![("TERM", "dumb")])] {
        let folder = folder();
        let mut session = start(folder.path(), &arguments, &environment);
        let shown = question(&mut session);
        assert!(shown.contains("Diverging goes to the left.\r\n"), "{shown}");
        assert!(shown.contains("\r\ns: straight.\r\n"), "{shown}");
        assert!(!shown.contains(['\u{1b}', '|', '\\', '\u{8}']), "{shown:?}");
        session.press("n");
        let shown = question(&mut session);
        assert!(!shown.contains("s: straight."), "told once: {shown}");
        session.press("qq");
        assert_eq!(session.end().0, Some(4));
    }
}

#[test]
fn blind_tells_what_was_sent_only_when_the_answer_is_in() {
    let folder = folder();
    let mut session = start(folder.path(), &["--blind", "--only", "Q1"], &[]);
    for (key, sent) in [("n", "straight"), ("d", "diverging"), ("s", "straight")] {
        let shown = question(&mut session);
        assert!(!shown.contains("Sent"), "{shown}");
        session.press(key);
        session.wait_for(&format!("It was sent to {sent}."));
    }
    assert_eq!(session.end().0, Some(0));
}

#[test]
fn keys_of_the_settings_answer_and_are_shown() {
    let folder = folder();
    let text =
        "[keys]\nstraight = [\"pageup\", \"1\"]\ndiverging = \"pagedown\"\nnothing = \"f5\"\n";
    settings(folder.path(), text);
    let arguments = ["--only", "Q1", "--format", "json"];
    let mut session = start(folder.path(), &arguments, &[]);
    // As terminals send F5, page down and page up.
    for (keys, shown) in [
        ("\u{1b}[15~", "pagedown"),
        ("\u{1b}[6~", "f5"),
        ("\u{1b}[5~", "pageup"),
    ] {
        assert!(question(&mut session).contains(shown));
        session.press(keys);
    }
    let (code, stdout, _) = session.end();
    assert_eq!(code, Some(0));
    assert_eq!(
        observed(&events(&stdout)),
        ["no-movement", "diverging", "straight"]
    );
}

#[test]
fn keys_that_can_not_be_are_told_before_anything_is_sent() {
    let folder = folder();
    settings(folder.path(), "[keys]\nstraight = \"d\"\n");
    let session = start(folder.path(), &[], &[]);
    let (code, _, screen) = session.end();
    assert_eq!(code, Some(2));
    for part in [
        "`keys.straight` in the settings",
        "settings.toml: `d` is the key of `diverging` too: give one of them another key",
    ] {
        assert!(screen.contains(part), "{screen}");
    }
    assert!(!screen.contains("What do you see?"), "{screen}");
}

#[test]
fn a_note_is_written_edited_and_dropped() {
    let folder = folder();
    let mut session = start(folder.path(), &["--only", "Q1"], &[]);
    question(&mut session);
    session.press("w");
    session.wait_for("Note: ");
    session.press("岸ab\u{7f}\u{7f}\u{7f}stiff");
    session.wait_for("\u{8}\u{8}  \u{8}\u{8}stiff");
    session.press("\u{1b}");
    session.wait_for("left as it was\r\n> ");
    session.press("p");
    session.wait_for("Photo: ");
    session.press("q1.jpg\r");
    session.wait_for("q1.jpg is not in this folder yet; the name is kept all the same.");
    // The question is asked again.
    question(&mut session);
    session.press("qq");
    assert_eq!(session.end().0, Some(4));
}

#[test]
fn the_terminal_is_as_before_when_the_table_is_printed() {
    for signal in [Signal::TERM, Signal::INT] {
        let folder = folder();
        let mut session = start(folder.path(), &[], &[]);
        question(&mut session);
        assert!(!session.has_lines(), "keys are taken one by one");
        session.press("n");
        question(&mut session);
        session.signal(signal);
        let table = session.wait_for("from outside");
        // Each line begins at the left edge.
        assert!(table.starts_with("\r\n"), "{table:?}");
        assert!(!table.replace("\r\n", "").contains('\n'), "{table:?}");
        assert!(session.has_lines());
        assert_eq!(session.end().0, Some(4));
    }
}

#[test]
fn a_signal_during_a_throw_leaves_the_terminal_as_before_too() {
    let folder = folder();
    let mut session = start(folder.path(), &[], &[]);
    question(&mut session);
    // The answer sends the next throw; the signal comes while that settles.
    session.press("n");
    session.wait_for("nothing moved\r\n");
    session.signal(Signal::TERM);
    let table = session.wait_for("from outside");
    assert!(!table.replace("\r\n", "").contains('\n'), "{table:?}");
    let (code, _, _) = session.end();
    assert_eq!(code, Some(4));
}

#[test]
fn ctrl_z_gives_the_terminal_to_the_shell_until_the_program_is_wanted_again() {
    let folder = folder();
    let mut session = start(folder.path(), &["--only", "Q1", "--format", "json"], &[]);
    question(&mut session);
    session.press("\u{1a}");
    session.wait_until_stopped();
    assert!(session.has_lines());
    session.signal(Signal::CONT);
    question(&mut session);
    assert!(!session.has_lines());
    for key in ["n", "d", "s"] {
        session.press(key);
        if key != "s" {
            question(&mut session);
        }
    }
    let (code, stdout, _) = session.end();
    assert_eq!(code, Some(0));
    assert_eq!(observed(&events(&stdout)).len(), 3);
}

#[test]
fn the_bell_rings_and_the_users_own_command_speaks() {
    let folder = folder();
    let spoken = folder.path().join("spoken");
    let script = folder.path().join("speak");
    let text = format!("#!/bin/sh\nprintf '%s\\n' \"$@\" >> {}\n", spoken.display());
    std::fs::write(&script, text).unwrap();
    let executable = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(&script, executable).unwrap();
    let mut session = start(folder.path(), &["--bell", "--say", "./speak -v low"], &[]);
    question(&mut session);
    session.wait_for("\u{7}");
    for _ in 0..2_000 {
        if std::fs::read_to_string(&spoken).is_ok_and(|text| text.ends_with('\n')) {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    session.press("qq");
    assert_eq!(session.end().0, Some(4));
    assert_eq!(
        std::fs::read_to_string(&spoken).unwrap(),
        "-v\nlow\nQuay. Q1. straight. What do you see?\n"
    );
}

#[test]
fn a_lost_terminal_ends_the_run_and_what_was_seen_is_kept() {
    let folder = folder();
    let mut session = start(folder.path(), &["--format", "json"], &[]);
    question(&mut session);
    session.press("n");
    question(&mut session);
    session.close();
    let (code, stdout, _) = session.end();
    assert_eq!(code, Some(4));
    let events = events(&stdout);
    assert_eq!(observed(&events), ["no-movement"]);
    let stopped = |event: &&Value| event["event"] == "stopped";
    assert_eq!(
        events.iter().find(stopped).unwrap()["reason"],
        "terminal-lost"
    );
}
