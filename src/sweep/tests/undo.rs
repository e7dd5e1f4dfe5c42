//! Answers that are taken back.

use proptest::prelude::*;

use super::*;
use crate::event::{Step, Subject};
use crate::verdict::{Evidence, judge};
use crate::witness::Seen;

/// Sweeps with those answers in turn; `None` is what is seen on a healthy layout, and so is what
/// comes after the last.
fn in_turn(rig: &Shared, plan: &Plan, answers: &[Option<Answer>]) -> Summary {
    let mut answers = answers.iter();
    let answer = |question: &Question<'_>| match answers.next() {
        Some(Some(answer)) => answer.clone(),
        Some(None) | None => healthy(question),
    };
    sweep(rig, plan, Options::default(), false, answer).unwrap()
}

#[test]
fn the_throw_before_is_made_again_from_the_other_side() {
    let rig = Shared::default();
    let undo = [None, None, Some(Answer::Undo)];
    assert_eq!(in_turn(&rig, &plan(PLAN), &undo).proved, 2);
    assert_eq!(
        rig.borrow().told()[2..10],
        [
            "2 A Visit diverging",
            "2 seen Diverging []",
            "3 A Visit straight",
            "2 withdrawn A",
            "4 A Back straight",
            "5 A Visit diverging",
            "5 seen Diverging []",
            "6 A Visit straight",
        ]
    );
}

#[test]
fn it_goes_back_across_a_verdict() {
    let rig = Shared::default();
    let wrong = Some(seen(Observed::NoMovement));
    let undo = [None, None, wrong, Some(Answer::Undo)];
    let summary = in_turn(&rig, &plan(PLAN), &undo);
    assert_eq!((summary.proved, summary.failed), (2, 0));
    let told = rig.borrow().told();
    let lines = [
        "A partial",
        "4 B Prime straight",
        "3 withdrawn A",
        "5 A Back diverging",
        "6 A Visit straight",
        "6 seen Straight []",
        "A proved",
        "7 B Prime straight",
    ];
    assert_eq!(told[6..14], lines);
    // What the run came to is what counts, without what was taken back.
    let a = Subject::Turnout(Id::new("A"));
    assert_eq!(summary.so_far.throws_of(&a), [1, 2, 6]);
    assert_eq!(summary.so_far.verdict(&a), Some(Verdict::Proved));
    let plan = plan(PLAN);
    let evidence = summary.so_far.evidence(&plan, &a);
    let saw = |one: &Evidence| one.seen.observed.clone();
    let observed: Vec<_> = evidence.iter().map(saw).collect();
    let (straight, diverging) = (Observed::Straight, Observed::Diverging);
    assert_eq!(observed, [straight.clone(), diverging, straight]);
}

#[test]
fn with_nothing_to_take_back_the_same_is_asked_without_a_throw() {
    let rig = Shared::default();
    let undo = [Some(Answer::Undo), Some(Answer::Undo)];
    assert_eq!(in_turn(&rig, &plan(PLAN), &undo).throws, 6);
    assert_eq!(
        rig.borrow().told()[..2],
        ["1 A Prime straight", "1 seen Straight []"]
    );
}

#[test]
fn a_skip_is_taken_back_too() {
    let rig = Shared::default();
    let undo = [None, Some(Answer::Skip), Some(Answer::Undo)];
    let summary = in_turn(&rig, &plan(PLAN), &undo);
    assert_eq!((summary.proved, summary.skipped), (2, 0));
    assert!(rig.borrow().told().contains(&"2 withdrawn A".to_owned()));
}

#[test]
fn a_place_is_skipped_with_all_that_is_still_to_come() {
    let text = PLAN.replace("shape =", "place = \"Quay\"\nshape =");
    let signals = SIGNALS.replacen("address = 1\n", "address = 9\nplace = \"Quay\"\n", 1);
    let signals = signals.replace("address = 4\n", "address = 10\n");
    let plan = plan(&(text + &signals));
    let rig = Shared::default();
    let summary = in_turn(&rig, &plan, &[None, Some(Answer::SkipPlace)]);
    assert_eq!((summary.proved, summary.skipped), (1, 3));
    let told = rig.borrow().told();
    for id in ["A", "B", "S"] {
        let line = format!("{id} skipped skipped by the operator, with all of Quay");
        assert!(told.contains(&line), "{told:?}");
    }
    let rig = Shared::default();
    let undo = [None, Some(Answer::SkipPlace), Some(Answer::Undo)];
    let summary = in_turn(&rig, &plan, &undo);
    assert_eq!((summary.proved, summary.skipped), (4, 0));
}

/// What is answered, at random.
fn an_answer() -> impl Strategy<Value = Option<Answer>> {
    let observed = prop_oneof![
        Just(Observed::Straight),
        Just(Observed::Diverging),
        Just(Observed::NoMovement),
    ];
    prop_oneof![
        6 => Just(None),
        3 => observed.prop_map(|observed| Some(seen(observed))),
        3 => Just(Some(Answer::Undo)),
        1 => Just(Some(Answer::Repeat)),
        1 => Just(Some(Answer::BackAndForth)),
        1 => Just(Some(Answer::Note(crate::witness::Note::default()))),
        1 => Just(Some(Answer::Skip)),
        1 => Just(Some(Answer::SkipPlace)),
    ]
}

/// The answers that count, by the rules alone: a stack.
#[derive(Debug, Clone)]
enum Counts {
    Seen(Subject, Step, Id, Seen),
    Skip,
}

proptest! {
    #[test]
    fn no_observation_is_lost_or_doubled(
        answers in proptest::collection::vec(an_answer(), 0..60),
    ) {
        let text = format!("{PLAN}{}", SIGNALS.replace("address = 1\n", "address = 9\n")
            .replace("address = 4\n", "address = 10\n"));
        let plan = plan(&text);
        let rig = Shared::default();
        let mut stack: Vec<Counts> = Vec::new();
        let mut answers = answers.into_iter();
        let answer = |question: &Question<'_>| {
            let answer = answers.next().flatten().unwrap_or_else(|| healthy(question));
            if let Answer::Seen(seen) = &answer {
                stack.push(Counts::Seen(
                    question.subject.clone(),
                    question.step,
                    question.commanded.clone(),
                    seen.clone(),
                ));
            } else if answer == Answer::Undo {
                stack.pop();
            } else if matches!(answer, Answer::Skip | Answer::SkipPlace) {
                stack.push(Counts::Skip);
            }
            answer
        };
        sweep(&rig, &plan, Options::default(), false, answer).unwrap();

        // The observations and verdicts that count, by the events alone.
        let mut kept: Vec<(Subject, u64, Step, Id, Seen)> = Vec::new();
        let mut verdicts = std::collections::BTreeMap::new();
        for event in &rig.borrow().events {
            let kind = event.kind.clone();
            if let EventKind::Observation { subject, throw, step, commanded, seen, .. } = kind {
                prop_assert!(kept.iter().all(|(_, number, ..)| *number < throw));
                kept.push((subject, throw, step, commanded, seen));
            } else if let EventKind::Withdrawn { subject, throw } = kind {
                kept.retain(|(own, number, ..)| *own != subject || *number != throw);
                verdicts.remove(&subject);
            } else if let EventKind::Verdict { subject, verdict, .. } = kind {
                prop_assert_eq!(verdicts.insert(subject, verdict), None);
            }
        }
        let counts = stack.iter().filter_map(|counts| match counts.clone() {
            Counts::Seen(subject, step, commanded, seen) => Some((subject, step, commanded, seen)),
            Counts::Skip => None,
        });
        let by_events = kept.iter().cloned();
        let by_events = by_events.map(|(subject, _, step, commanded, seen)| {
            (subject, step, commanded, seen)
        });
        prop_assert_eq!(counts.collect::<Vec<_>>(), by_events.collect::<Vec<_>>());
        prop_assert_eq!(verdicts.len(), 4);
        for (subject, verdict) in verdicts {
            let own = kept.iter().filter(|(other, ..)| *other == subject);
            let evidence: Vec<_> = own.map(|(subject, _, step, commanded, seen)| {
                Evidence::new(&plan, subject, *step, commanded.clone(), seen.clone())
            }).collect();
            if verdict != Verdict::Skipped {
                prop_assert_eq!(judge(&evidence), Some(verdict));
            }
        }
    }

    #[test]
    fn whatever_was_answered_a_cut_loses_and_doubles_nothing(
        answers in proptest::collection::vec(an_answer(), 0..40),
        cut in any::<prop::sample::Index>(),
    ) {
        let plan = plan(PLAN);
        let rig = Shared::default();
        in_turn(&rig, &plan, &answers);
        let rig = rig.borrow();
        let kept = &rig.events[..cut.index(rig.events.len() + 1)];
        let mut so_far = SoFar::default();
        so_far.take_run(&plan, &|_| true, kept);
        let mut before: Vec<(u64, Subject)> = Vec::new();
        for event in kept {
            if let EventKind::Observation { subject, throw, .. } = event.kind.clone() {
                before.push((throw, subject));
            } else if let EventKind::Withdrawn { throw, .. } = event.kind {
                before.retain(|(own, _)| *own != throw);
            }
        }
        prop_assert_eq!(so_far.observations(), before.len());
        let rest = Shared::default();
        let mut asked = 0;
        let answer = |question: &Question<'_>| {
            asked += 1;
            healthy(question)
        };
        let options = Options { so_far, ..Options::default() };
        let summary = sweep(&rest, &plan, options, false, answer).unwrap();
        prop_assert_eq!(summary.unreached, 0);
        // All of it once more, in order, and then exactly what was asked.
        let mut seen: Vec<(u64, Subject)> = Vec::new();
        for event in &rest.borrow().events {
            if let EventKind::Observation { subject, throw, .. } = event.kind.clone() {
                seen.push((throw, subject));
            }
        }
        prop_assert_eq!(&seen[..before.len()], &before[..]);
        prop_assert_eq!(seen.len(), before.len() + asked);
    }
}
