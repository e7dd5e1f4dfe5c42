//! A hunt asked at the terminal.

use serde_json::Value;

use crate::session::{Session, Setting, events};

const PLAN: &str = r#"
[layout]
name = "Slipway"

[[turnout]]
id = "Q1"
place = "Quay"
shape = "left"
address = 8
"#;

fn start(folder: &std::path::Path, arguments: &[&str]) -> Session {
    std::fs::write(folder.join("plan.toml"), PLAN).unwrap();
    let mut all = vec!["hunt", "plan.toml", "--witness", "ask", "--only", "5-8"];
    all.extend(arguments);
    Session::start(&Setting {
        folder,
        arguments: &all,
        environment: &[],
        is_output_shown: !arguments.contains(&"json"),
    })
}

fn answer(session: &mut Session, question: &str, key: &str) {
    session.wait_for(question);
    session.wait_for("\n> ");
    session.press(key);
}

#[test]
fn keys_lead_to_the_address_and_its_proof() {
    let folder = tempfile::tempdir().unwrap();
    let mut session = start(folder.path(), &["--format", "json"]);
    answer(
        &mut session,
        "2 addresses were thrown there and back: 5, 6.",
        "r",
    );
    answer(&mut session, "Did it move?", "u");
    answer(&mut session, "Did it move?", "n");
    answer(&mut session, "Address 7 was thrown alone", "n");
    answer(&mut session, "Address 8 was thrown alone", "d");
    answer(&mut session, "how does it lie?", "s");
    let (code, stdout, screen) = session.end();
    assert_eq!(code, Some(0), "{screen}");
    let lines = events(&stdout);
    let answers: Vec<_> = lines
        .iter()
        .filter(|line| line["event"] == "hunt-answer")
        .collect();
    let answers: Vec<_> = answers
        .iter()
        .filter_map(|line| line["answer"].as_str())
        .collect();
    let expected = [
        "again",
        "not-sure",
        "did-not-move",
        "did-not-move",
        "diverging",
        "straight",
    ];
    assert_eq!(answers, expected);
    let done: &Value = lines.last().unwrap();
    assert_eq!(
        (&done["outcome"], &done["found"][0]["address"]),
        (&"proved".into(), &8.into())
    );
}

#[test]
fn it_says_first_what_will_move_and_ends_where_it_is_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let mut session = start(folder.path(), &[]);
    session.wait_for("At most 4 questions if no answer is wrong");
    session.wait_for("Q1 (Quay) at 8");
    answer(&mut session, "Did it move?", "q");
    session.wait_for("stop here?");
    session.press("q");
    let (code, _, screen) = session.end();
    assert_eq!(code, Some(4), "{screen}");
    assert!(screen.contains("every output is released"), "{screen}");
}
