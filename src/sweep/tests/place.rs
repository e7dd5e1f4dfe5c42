//! Turnouts of a place looked at together.

use std::cell::RefCell;

use super::rig::{Eyes, OnSurvey, sweep_with};
use super::*;
use crate::witness::{Survey, Surveyed};

/// A and B of the bench, at one place; with a signal there.
fn quay() -> Plan {
    let text = PLAN.replace("shape =", "place = \"Quay\"\nshape =");
    plan(&format!(
        "{text}[[signal]]\nid = \"S\"\naddress = 9\nkind = \"extended\"\nplace = \"Quay\"\n\
         aspects = {{ stop = 0, proceed = 1 }}\n"
    ))
}

fn together(rig: &Shared, plan: &Plan, survey: OnSurvey) -> Summary {
    let eyes = Eyes {
        survey: Some(survey),
        ..Eyes::new(rig, healthy)
    };
    let options = Options {
        by_place: true,
        ..Options::default()
    };
    sweep_with(rig, plan, options, eyes).unwrap()
}

/// Those answers in turn, then that all lies as it was sent.
fn in_turn(answers: Vec<Surveyed>) -> OnSurvey {
    let mut answers = answers.into_iter();
    Box::new(move |_| answers.next().unwrap_or(Surveyed::Differ(Vec::new())))
}

#[test]
fn all_are_thrown_and_then_looked_at_once() {
    let rig = Shared::default();
    let shown: Rc<RefCell<Vec<String>>> = Rc::default();
    let list = Rc::clone(&shown);
    let survey = move |survey: &Survey<'_>| {
        let sent = survey.sent.iter();
        let sent = sent.map(|(subject, position)| format!("{} {position}", subject.id()));
        let sent = sent.collect::<Vec<_>>().join(", ");
        list.borrow_mut()
            .push(format!("{} of {}: {sent}", survey.round, survey.rounds));
        Surveyed::Differ(Vec::new())
    };
    let summary = together(&rig, &quay(), Box::new(survey));
    assert_eq!(summary.proved, 3);
    assert_eq!(
        *shown.borrow(),
        [
            "1 of 4: A diverging, B straight",
            "2 of 4: A straight, B diverging",
            "3 of 4: A straight, B straight",
            "4 of 4: A straight, B straight",
        ]
    );
    let told = rig.borrow().told();
    assert_eq!(
        told[..12],
        [
            "1 A Prime straight",
            "2 B Prime straight",
            "3 B Keep straight",
            "4 A Visit diverging",
            "Quay surveyed 1 of 4 []",
            "4 seen Diverging []",
            "3 seen Straight []",
            "5 A Visit straight",
            "6 B Visit diverging",
            "Quay surveyed 2 of 4 []",
            "5 seen Straight []",
            "6 seen Diverging []",
        ]
    );
    assert_eq!(told[told.len() - 2], "S proved");
}

#[test]
fn whoever_differs_is_swept_alone_and_the_others_too_if_that_explains_nothing() {
    let rig = Shared::default();
    // A lies otherwise once, and obeys when it is swept alone: B may have moved it.
    let differ = Surveyed::Differ(vec![(Id::new("A"), Observed::Straight)]);
    assert_eq!(together(&rig, &quay(), in_turn(vec![differ])).proved, 3);
    let told = rig.borrow().told();
    assert!(told.contains(&"Quay surveyed 1 of 4 [\"A\"]".to_owned()));
    assert!(told.contains(&"A again, alone".to_owned()));
    assert!(told.contains(&"B again, alone".to_owned()));
}

#[test]
fn what_is_said_to_lie_as_it_was_sent_does_not_differ() {
    let rig = Shared::default();
    let differ = Surveyed::Differ(vec![(Id::new("A"), Observed::Diverging)]);
    together(&rig, &quay(), in_turn(vec![differ]));
    assert!(
        rig.borrow()
            .told()
            .iter()
            .all(|line| !line.ends_with("alone"))
    );
}

#[test]
fn what_moves_and_is_not_shown_has_the_place_done_one_by_one() {
    let rig = Shared::default();
    let differ = Surveyed::Differ(vec![(Id::new("S"), Observed::Another)]);
    assert_eq!(together(&rig, &quay(), in_turn(vec![differ])).proved, 3);
    let told = rig.borrow().told();
    assert!(
        told.contains(&"A again, alone".to_owned()) && told.contains(&"B again, alone".to_owned())
    );
    assert!(told.iter().all(|line| !line.contains("surveyed")));
}

#[test]
fn a_look_is_repeated_and_taken_back() {
    let rig = Shared::default();
    let confirmed = || Surveyed::Differ(Vec::new());
    let wrong = Surveyed::Differ(vec![(Id::new("B"), Observed::Diverging)]);
    let answers = vec![
        Surveyed::Repeat,
        Surveyed::Undo,
        wrong,
        Surveyed::Undo,
        confirmed(),
    ];
    assert_eq!(together(&rig, &quay(), in_turn(answers)).proved, 3);
    let told = rig.borrow().told();
    let surveyed: Vec<_> = told
        .iter()
        .filter(|line| line.contains("surveyed"))
        .collect();
    assert_eq!(
        surveyed,
        [
            "Quay surveyed 1 of 4 [\"B\"]",
            "Quay surveyed 1 of 4 []",
            "Quay surveyed 2 of 4 []",
            "Quay surveyed 3 of 4 []",
            "Quay surveyed 4 of 4 []",
        ]
    );
    assert_eq!(
        told.iter()
            .filter(|line| line.contains("withdrawn"))
            .count(),
        2
    );
    assert!(told.iter().all(|line| !line.ends_with("alone")));
}

/// What was begun anew stands again when the look before that is taken back, with all that was seen
/// in the looks before it.
#[test]
fn what_was_seen_before_it_was_begun_anew_counts_again() {
    let rig = Shared::default();
    let confirmed = || Surveyed::Differ(Vec::new());
    let survey = in_turn(vec![confirmed(), confirmed(), Surveyed::OneByOne]);
    let mut is_first = true;
    let eyes = Eyes {
        survey: Some(survey),
        ..Eyes::new(&rig, move |question: &Question<'_>| {
            if std::mem::take(&mut is_first) {
                return Answer::Undo;
            }
            healthy(question)
        })
    };
    let options = Options {
        by_place: true,
        ..Options::default()
    };
    let plan = quay();
    assert_eq!(sweep_with(&rig, &plan, options, eyes).unwrap().proved, 3);
    let told = rig.borrow().told();
    let gone = told.iter().rposition(|line| line.contains("withdrawn"));
    assert_eq!(
        told[gone.unwrap() + 1..][..2],
        ["4 seen Diverging []", "3 seen Straight []"]
    );
    let mut so_far = SoFar::default();
    so_far.take_run(&plan, &|_| true, &rig.take().events);
    for id in ["A", "B"] {
        let evidence = so_far.evidence(&plan, &Subject::Turnout(Id::new(id)));
        assert_eq!(evidence.len(), 4, "{id}: one of each look");
    }
}

#[test]
fn one_by_one_and_skipping_are_the_operators_word() {
    let rig = Shared::default();
    let one_by_one = in_turn(vec![Surveyed::Differ(Vec::new()), Surveyed::OneByOne]);
    assert_eq!(together(&rig, &quay(), one_by_one).proved, 3);
    let told = rig.borrow().told();
    assert_eq!(
        told.iter().filter(|line| line.contains("surveyed")).count(),
        1
    );
    assert!(told.iter().any(|line| line.ends_with("A Prime straight")));
    let rig = Shared::default();
    let skip = in_turn(vec![Surveyed::Differ(Vec::new()), Surveyed::SkipPlace]);
    let summary = together(&rig, &quay(), skip);
    assert_eq!((summary.proved, summary.skipped), (0, 3));
    let rig = Shared::default();
    let stop = in_turn(vec![Surveyed::Stop]);
    let summary = together(&rig, &quay(), stop);
    assert_eq!(
        (summary.unreached, summary.stopped),
        (3, Some(StopReason::Operator))
    );
}

#[test]
fn a_refused_throw_has_the_place_done_one_by_one() {
    let rig = Shared::default();
    rig.borrow_mut().refuses.push("81 F8 79".to_owned());
    let summary = together(&rig, &quay(), in_turn(Vec::new()));
    assert_eq!((summary.proved, summary.skipped), (2, 1));
}

#[test]
fn nothing_is_left_active_wherever_a_round_is_broken_off() {
    for at in 1..150 {
        for trouble in [Trouble::Stop, Trouble::LinkFails] {
            let rig = Shared::default();
            rig.borrow_mut().trouble = Some((at, trouble));
            let eyes = Eyes {
                survey: Some(in_turn(Vec::new())),
                ..Eyes::new(&rig, healthy)
            };
            let options = Options {
                by_place: true,
                ..Options::default()
            };
            let outcome = sweep_with(&rig, &quay(), options, eyes);
            assert_eq!(rig.borrow().active(), [""; 0], "{trouble:?} at call {at}");
            drop(outcome);
        }
    }
}

#[test]
fn a_place_of_which_only_some_are_swept_is_done_one_by_one() {
    let rig = Shared::default();
    let eyes = Eyes {
        survey: Some(Box::new(|_| unreachable!())),
        ..Eyes::new(&rig, healthy)
    };
    let options = Options {
        by_place: true,
        ..only(&["A", "S"])
    };
    assert_eq!(sweep_with(&rig, &quay(), options, eyes).unwrap().proved, 2);
}
