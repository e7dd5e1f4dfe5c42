//! Acceptance lists.

use std::cell::RefCell;

use super::rig::{Eyes, sweep_with};
use super::*;
use crate::plan::Look;
use crate::witness::{Closer, Found, Note};

fn with_lists() -> Plan {
    let list = "name = \"Bench\"\naccept = [\"blades-tight\", \"frog-polarity\"]";
    plan(&PLAN.replace("name = \"Bench\"", list))
}

/// Sweeps with those answers, in turn, to whatever is looked at closer; also what was asked.
fn look(
    so_far: SoFar,
    mut answers: Vec<Closer>,
    answer: fn(&Question<'_>) -> Answer,
) -> (Shared, Vec<String>, Summary) {
    let rig = Shared::default();
    let asked = Rc::new(RefCell::new(Vec::new()));
    let list = Rc::clone(&asked);
    answers.reverse();
    let eyes = Eyes {
        look: Some(Box::new(move |subject, look| {
            list.borrow_mut().push(format!("{} {look}", subject.id()));
            answers.pop().unwrap_or(Closer::Found(Found::Good))
        })),
        ..Eyes::new(&rig, answer)
    };
    let options = Options {
        so_far,
        ..Options::default()
    };
    let summary = sweep_with(&rig, &with_lists(), options, eyes).unwrap();
    let asked = asked.borrow().clone();
    (rig, asked, summary)
}

fn looks_of(rig: &Shared) -> SoFar {
    let mut so_far = SoFar::default();
    so_far.take_looks(&with_lists(), &|_| true, &rig.borrow().events);
    so_far
}

#[test]
fn each_look_is_asked_once_and_then_it_is_accepted() {
    let (rig, asked, summary) = look(SoFar::default(), Vec::new(), healthy);
    let all = [
        "A blades-tight",
        "A frog-polarity",
        "B blades-tight",
        "B frog-polarity",
    ];
    assert_eq!(asked, all);
    assert_eq!(summary.accepted, Some(2));
    assert!(rig.borrow().told().contains(&"B accepted".to_owned()));
    // Another run, another day: nothing is asked again.
    let (rig, asked, summary) = look(looks_of(&rig), Vec::new(), healthy);
    assert_eq!((asked.len(), summary.accepted), (0, Some(2)));
    let told = rig.borrow().told();
    assert!(told.contains(&"A looked blades-tight Good, carried".to_owned()));
}

#[test]
fn it_is_thrown_there_and_back_for_a_look_and_left_at_rest() {
    let answers = vec![Closer::KeepThrowing, Closer::Found(Found::Good)];
    let (rig, asked, summary) = look(SoFar::default(), answers, healthy);
    assert_eq!(asked[..2], ["A blades-tight", "A blades-tight"]);
    assert_eq!(summary.accepted, Some(2));
    let told = rig.borrow().told();
    let judged = told.iter().position(|line| line == "A proved").unwrap();
    assert_eq!(
        told[judged + 1..judged + 5],
        [
            "4 A Rest straight",
            "5 A Back diverging",
            "6 A Rest straight",
            "A looked blades-tight Good"
        ]
    );
}

#[test]
fn what_was_found_bad_or_left_is_asked_in_the_next_run() {
    let note = Note {
        text: "left tip".to_owned(),
        photo: String::new(),
    };
    let answers = vec![
        Closer::Note(note),
        Closer::Found(Found::Bad),
        Closer::Found(Found::Good),
        Closer::Later,
    ];
    let (rig, asked, summary) = look(SoFar::default(), answers, healthy);
    assert_eq!(asked.len(), 5);
    assert_eq!(summary.accepted, Some(0));
    assert!(
        rig.borrow()
            .told()
            .contains(&"3 noted A left tip".to_owned())
    );
    let (_, asked, summary) = look(looks_of(&rig), Vec::new(), healthy);
    assert_eq!(asked, ["A blades-tight", "B blades-tight"]);
    assert_eq!(summary.accepted, Some(2));
}

#[test]
fn what_is_not_proved_is_not_looked_at_and_loses_its_looks() {
    let (before, ..) = look(SoFar::default(), Vec::new(), healthy);
    let mut so_far = looks_of(&before);
    let nothing = |_: &Question<'_>| seen(Observed::NoMovement);
    let (after, asked, summary) = look(so_far.clone(), Vec::new(), nothing);
    assert_eq!((asked.len(), summary.accepted), (0, Some(0)));
    so_far.take_looks(&with_lists(), &|_| true, &after.borrow().events);
    let (_, asked, _) = look(so_far, Vec::new(), healthy);
    assert_eq!(asked.len(), 4);
}

#[test]
fn what_was_changed_loses_its_looks() {
    let (before, ..) = look(SoFar::default(), Vec::new(), healthy);
    let mut so_far = looks_of(&before);
    let is_unchanged = |subject: &Subject| subject.id().as_str() == "A";
    so_far.take_looks(&with_lists(), &is_unchanged, &[]);
    let (_, asked, _) = look(so_far, Vec::new(), healthy);
    assert_eq!(asked, ["B blades-tight", "B frog-polarity"]);
}

#[test]
fn a_list_without_anyone_to_look_closer_is_left() {
    let rig = Shared::default();
    let summary = sweep(&rig, &with_lists(), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.accepted), (2, Some(0)));
    let known = Look::KNOWN.map(|look| look.question().to_owned());
    assert!(known.iter().all(|question| question.ends_with(['?', '.'])));
}
