//! Runs that are cut anywhere and carried on.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::rig::{Eyes, sweep_with};
use super::*;
use crate::event::{Event, Step};
use crate::witness::{Note, Surveyed};

/// Two turnouts, one of which moves one way only, and signals.
fn mixed() -> Plan {
    plan(&format!(
        "{PLAN}{}",
        SIGNALS
            .replace("address = 1\n", "address = 9\n")
            .replace("address = 4\n", "address = 10\n")
    ))
}

/// B moves only when it was laid by hand, and then only to straight.
fn one_way(question: &Question<'_>) -> Answer {
    match (question.subject.id().as_str(), question.step) {
        ("B", Step::AfterHand) if question.commanded.as_str() == "straight" => healthy(question),
        ("B", _) => seen(Observed::NoMovement),
        _ => healthy(question),
    }
}

fn cut(plan: &Plan, events: &[Event]) -> SoFar {
    let mut so_far = SoFar::default();
    so_far.take_run(plan, &|_| true, events);
    so_far
}

/// Carries on, and counts the questions.
fn carry_on(plan: &Plan, so_far: SoFar) -> (Shared, usize) {
    let rig = Shared::default();
    let mut asked = 0;
    let options = Options {
        so_far,
        ..Options::default()
    };
    let answer = |question: &Question<'_>| {
        asked += 1;
        one_way(question)
    };
    sweep(&rig, plan, options, true, answer).unwrap();
    (rig, asked)
}

/// Each with its verdict and the observations that it comes from, without the numbers of throws.
type Proofs = BTreeMap<Subject, (Option<Verdict>, Vec<(Step, Id, Observed)>)>;

/// Whatever is kept of a run, whether it was carried into it or not.
fn proofs(events: &[Event]) -> Proofs {
    let mut proofs = Proofs::new();
    for event in events {
        if let EventKind::Observation {
            subject,
            step,
            commanded,
            seen,
            ..
        } = event.kind.clone()
        {
            let own = &mut proofs.entry(subject).or_default().1;
            own.push((step, commanded, seen.observed));
        } else if let EventKind::Verdict {
            subject, verdict, ..
        } = event.kind.clone()
        {
            let given = &mut proofs.entry(subject).or_default().0;
            assert_eq!(given.replace(verdict), None);
        }
    }
    proofs
}

fn observations(events: &[Event]) -> usize {
    let seen = |event: &&Event| matches!(event.kind, EventKind::Observation { .. });
    events.iter().filter(seen).count()
}

#[test]
fn cut_anywhere_it_comes_to_the_same_and_asks_nothing_twice() {
    let plan = mixed();
    let (uncut, questions) = carry_on(&plan, SoFar::default());
    let uncut = uncut.borrow();
    assert!(uncut.told().contains(&"B one-way".to_owned()));
    for at in 0..=uncut.events.len() {
        let kept = &uncut.events[..at];
        let (rest, asked) = carry_on(&plan, cut(&plan, kept));
        let rest = rest.borrow();
        assert_eq!(proofs(&rest.events), proofs(&uncut.events), "cut at {at}");
        assert_eq!(asked + observations(kept), questions, "cut at {at}");
        // The numbers of throws go on.
        let highest = cut(&plan, kept).throws();
        for event in &rest.events {
            if let EventKind::ThrowSent { throw, .. } = event.kind {
                assert!(throw > highest);
            }
        }
    }
}

#[test]
fn cut_twice_anywhere_it_still_comes_to_the_same() {
    let plan = mixed();
    let (uncut, questions) = carry_on(&plan, SoFar::default());
    let uncut = uncut.borrow();
    for at in (0..=uncut.events.len()).step_by(3) {
        let first = &uncut.events[..at];
        let (second, _) = carry_on(&plan, cut(&plan, first));
        let second = second.borrow();
        for then in (0..=second.events.len()).step_by(5) {
            let mut so_far = cut(&plan, first);
            so_far.take_run(&plan, &|_| true, &second.events[..then]);
            let before = so_far.observations();
            let (third, asked) = carry_on(&plan, so_far);
            assert_eq!(proofs(&third.borrow().events), proofs(&uncut.events));
            assert_eq!(asked + before, questions, "cut at {at}, then at {then}");
        }
    }
}

#[test]
fn the_first_throw_after_the_break_is_set_back_first() {
    let plan = plan(PLAN);
    let rig = Shared::default();
    sweep(&rig, &plan, only(&["A"]), false, healthy).unwrap();
    // Up to the first visit's observation.
    let so_far = cut(&plan, &rig.borrow().events[..5]);
    assert_eq!(
        (so_far.observations(), so_far.verdicts(), so_far.throws()),
        (2, 0, 2)
    );
    let rest = Shared::default();
    let options = Options {
        so_far,
        about: About {
            tester: "Ann".to_owned(),
            fingerprint: "ab".to_owned(),
            ..Options::default().about
        },
        continues: Some(7),
        ..only(&["A"])
    };
    let summary = sweep(&rest, &plan, options, false, healthy).unwrap();
    assert_eq!((summary.proved, summary.throws), (1, 2));
    // With what the part before has seen.
    let a = Subject::Turnout(Id::new("A"));
    let throws = summary.so_far.throws_of(&a);
    assert_eq!(throws.len(), 3, "{throws:?}");
    let rest = rest.borrow();
    assert_eq!(
        rest.told()[..6],
        [
            "1 seen Straight [], carried",
            "2 seen Diverging [], carried",
            "3 A Back diverging",
            "4 A Visit straight",
            "4 seen Straight []",
            "A proved",
        ]
    );
    assert!(matches!(
        &rest.events[0].kind,
        EventKind::RunStarted { tester, fingerprint, continues: Some(7), .. }
            if tester == "Ann" && fingerprint == "ab"
    ));
}

#[test]
fn what_was_changed_is_done_again_and_what_is_gone_is_left_out() {
    let both = plan(PLAN);
    let rig = Shared::default();
    sweep(&rig, &both, Options::default(), false, healthy).unwrap();
    let events = &rig.borrow().events;
    let mut so_far = SoFar::default();
    so_far.take_run(&both, &|subject| subject.id().as_str() == "B", events);
    assert_eq!((so_far.verdicts(), so_far.observations()), (1, 3));
    // Whatever an earlier part knew of it is no proof any more either.
    let mut so_far = cut(&both, events);
    so_far.take_run(&both, &|subject| subject.id().as_str() == "B", []);
    assert_eq!((so_far.verdicts(), so_far.throws()), (1, 6));
    let without_a = PLAN.replace("id = \"A\"", "id = \"C\"");
    assert_eq!(cut(&plan(&without_a), events).verdicts(), 1);
}

#[test]
fn a_skip_stands_and_an_answer_of_the_part_before_can_be_taken_back() {
    let plan = plan(PLAN);
    let rig = Shared::default();
    let answer = |question: &Question<'_>| match question.subject.id().as_str() {
        "A" => healthy(question),
        _ => Answer::Skip,
    };
    sweep(&rig, &plan, Options::default(), false, answer).unwrap();
    let (rest, asked) = carry_on(&plan, cut(&plan, &rig.borrow().events));
    assert_eq!(asked, 0);
    assert!(
        rest.borrow()
            .told()
            .iter()
            .any(|line| line.starts_with("B skipped"))
    );
    // Cut before B was skipped: its first question is answered with undo.
    let at = rig.borrow().events.iter().rposition(|event| {
        matches!(&event.kind, EventKind::ThrowSent { subject, .. } if subject.id().as_str() == "B")
    });
    let so_far = cut(&plan, &rig.borrow().events[..at.unwrap()]);
    let options = Options {
        so_far,
        ..Options::default()
    };
    let rest = Shared::default();
    let mut undo = Some(Answer::Undo);
    let answer = |question: &Question<'_>| undo.take().unwrap_or_else(|| healthy(question));
    let summary = sweep(&rest, &plan, options, false, answer).unwrap();
    assert_eq!(summary.proved, 2);
    let told = rest.borrow().told();
    assert_eq!(
        told[4..9],
        [
            "4 B Prime straight",
            "3 withdrawn A",
            "5 A Back diverging",
            "6 A Visit straight",
            "6 seen Straight []",
        ]
    );
}

#[test]
fn a_note_in_the_log_does_no_harm() {
    let plan = plan(PLAN);
    let rig = Shared::default();
    let mut note = Some(Answer::Note(Note::default()));
    let answer = |question: &Question<'_>| note.take().unwrap_or_else(|| healthy(question));
    sweep(&rig, &plan, Options::default(), false, answer).unwrap();
    let so_far = cut(&plan, &rig.borrow().events);
    assert_eq!((so_far.observations(), so_far.verdicts()), (6, 2));
}

/// Four turnouts at one place and two at another.
fn places() -> Plan {
    let mut text = String::from("[layout]\nname = \"Bench\"\n");
    for (id, address, place) in [
        ("A", 1, "Quay"),
        ("B", 2, "Quay"),
        ("C", 3, "Quay"),
        ("D", 4, "Quay"),
        ("E", 5, "Dairy"),
        ("F", 6, "Dairy"),
    ] {
        let _ = write!(
            text,
            "[[turnout]]\nid = \"{id}\"\naddress = {address}\nshape = \"left\"\nplace = \"{place}\"\n"
        );
    }
    plan(&text)
}

/// By place, where C never moves from straight; also how many looks and questions there were.
fn by_place(plan: &Plan, so_far: SoFar) -> (Shared, usize, usize) {
    let rig = Shared::default();
    let looks = Rc::new(std::cell::Cell::new(0));
    let count = Rc::clone(&looks);
    let mut asked = 0;
    let eyes = Eyes {
        survey: Some(Box::new(move |survey| {
            count.set(count.get() + 1);
            let far = |(subject, position): &&(Subject, _)| {
                subject.id().as_str() == "C"
                    && *position == throwproof_protocol::address::Position::Diverging
            };
            let differ = survey.sent.iter().filter(far);
            let differ = differ.map(|(subject, _)| (subject.id().clone(), Observed::Straight));
            Surveyed::Differ(differ.collect())
        })),
        ..Eyes::new(&rig, |question: &Question<'_>| {
            asked += 1;
            match question.subject.id().as_str() {
                "C" => seen(Observed::NoMovement),
                _ => healthy(question),
            }
        })
    };
    let options = Options {
        so_far,
        by_place: true,
        ..Options::default()
    };
    sweep_with(&rig, plan, options, eyes).unwrap();
    let looks = looks.get();
    (rig, looks, asked)
}

fn surveys(events: &[Event]) -> usize {
    let seen = |event: &&Event| matches!(event.kind, EventKind::Surveyed { .. });
    events.iter().filter(seen).count()
}

fn verdicts(events: &[Event]) -> BTreeMap<Subject, Option<Verdict>> {
    let proofs = proofs(events).into_iter();
    let judged = proofs.map(|(subject, (verdict, _))| (subject, verdict));
    judged.collect()
}

#[test]
fn by_place_it_can_be_cut_anywhere_too() {
    let plan = places();
    let (uncut, looks, asked) = by_place(&plan, SoFar::default());
    let uncut = uncut.borrow();
    // Four take six looks, two take four; C is swept alone.
    assert_eq!((looks, asked), (6 + 4, 3));
    for at in 0..=uncut.events.len() {
        let kept = &uncut.events[..at];
        let (rest, more_looks, more_asked) = by_place(&plan, cut(&plan, kept));
        let rest = rest.borrow();
        assert_eq!(
            verdicts(&rest.events),
            verdicts(&uncut.events),
            "cut at {at}"
        );
        assert_eq!(more_looks + surveys(kept), looks, "cut at {at}");
        let observed: usize = kept
            .iter()
            .filter(|event| {
                matches!(
                    &event.kind,
                    EventKind::Observation {
                        step: Step::Prime,
                        ..
                    }
                ) || matches!(&event.kind, EventKind::Observation { subject, throw, .. }
                        if subject.id().as_str() == "C" && alone(kept, *throw))
            })
            .count();
        assert_eq!(more_asked + observed, asked, "cut at {at}");
        // Whoever is proved by looks has an observation of each throw, wherever it was cut.
        let seen = proofs(&rest.events);
        for id in ["A", "B", "D"] {
            let own = &seen[&Subject::Turnout(Id::new(id))].1;
            assert_eq!(own.len(), 6, "{id}, cut at {at}");
        }
    }
}

/// Whether that throw of C comes after it was begun anew, and is no prime.
fn alone(events: &[Event], throw: u64) -> bool {
    let again = events
        .iter()
        .position(|event| matches!(event.kind, EventKind::SweptAgain { .. }));
    let after = again.map_or(&[][..], |at| &events[at..]);
    after.iter().any(|event| {
        matches!(&event.kind, EventKind::Observation { throw: own, step, .. }
            if *own == throw && *step != Step::Prime)
    })
}

#[test]
fn a_place_that_was_begun_and_is_carried_on_otherwise_is_begun_anew() {
    let plan = places();
    let (uncut, ..) = by_place(&plan, SoFar::default());
    let uncut = uncut.borrow();
    let at = uncut
        .events
        .iter()
        .position(|event| matches!(event.kind, EventKind::Surveyed { round: 2, .. }));
    let so_far = cut(&plan, &uncut.events[..at.unwrap()]);
    let rest = Shared::default();
    let options = Options {
        so_far,
        ..Options::default()
    };
    let summary = sweep(&rest, &plan, options, false, healthy).unwrap();
    assert_eq!(summary.proved, 6);
    let told = rest.borrow().told();
    for id in ["A", "B", "C", "D"] {
        assert!(told.contains(&format!("{id} again, alone")));
    }
    assert!(told.iter().all(|line| !line.ends_with("carried")));
}
