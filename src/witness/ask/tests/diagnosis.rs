//! What a diagnosis asks.

use super::*;
use crate::witness::diagnosis::{Part, Query, Stage, Told};

fn two_parts(amiss: &str) -> AskedKind {
    let part = |ask: &str, choices: &[&str]| Part {
        ask: ask.to_owned(),
        choices: choices.iter().map(|&it| it.to_owned()).collect(),
    };
    AskedKind::Diagnosis {
        query: Query {
            number: 3,
            stage: Stage::Showed,
            turnout: Id::new("Q1"),
            place: "Quay throat".to_owned(),
            test: "mate".to_owned(),
            text: "Q2 was thrown.".to_owned(),
            mind: String::new(),
            amiss: amiss.to_owned(),
            parts: vec![
                part("Did Q2 move?", &["it moved", "it lay still"]),
                part("What else moved?", &["nothing", "Q1"]),
            ],
            repeats: false,
        },
    }
}

#[test]
fn help_shows_the_part_that_is_asked() {
    // Also when the terminal comes back from the shell.
    for key in ["?", "~"] {
        let (reply, shown) = asked(two_parts(""), &format!("{key}2{key}1"));
        assert!(matches!(&reply, Reply::Told(Told::Chosen(chosen)) if *chosen == [1, 0]));
        let (first, second) = shown.split_once("it lay still\n").unwrap();
        let (first, second) = match second.split_once("\nWhat else moved?") {
            Some((before, after)) => (format!("{first}{before}"), after),
            None => panic!("{shown}"),
        };
        assert_eq!(first.matches("Did Q2 move?").count(), 2, "{shown}");
        // All of it again, with the second part and its answers.
        let again = second.split_once("Test 3").unwrap().1;
        assert!(again.contains("Q2 was thrown."), "{again}");
        assert!(again.contains("What else moved?"), "{again}");
        assert!(again.contains("2 Q1"), "{again}");
        assert!(!again.contains("Did Q2 move?"), "{again}");
        assert!(!again.contains("it lay still"), "{again}");
    }
}

#[test]
fn what_stood_against_an_answer_is_told_with_the_question() {
    let why = "The simulated track can't be built: as-built.toml:1:1: the file is empty.";
    let (_, shown) = asked(two_parts(why), "11");
    let at = shown.find("The simulated track can't be built").unwrap();
    assert!(at < shown.find("Did Q2 move?").unwrap(), "{shown}");
}
