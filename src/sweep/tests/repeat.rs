//! Throws that are made again and again.

use std::time::Duration;

use super::rig::{Eyes, Keep, Wire, block_on, stop_for, sweep_with};
use super::*;
use crate::witness::Note;

/// Sweeps A, with another answer than what is seen to the second question.
fn second(rig: &Shared, other: Answer) -> Summary {
    let mut asked = 0;
    let mut other = Some(other);
    let answer = move |question: &Question<'_>| {
        asked += 1;
        match other.take_if(|_| asked == 2) {
            Some(other) => other,
            None => healthy(question),
        }
    };
    sweep(rig, &plan(PLAN), only(&["A"]), false, answer).unwrap()
}

#[test]
fn back_and_forth_is_three_times_and_then_the_same_question() {
    let rig = Shared::default();
    assert_eq!(second(&rig, Answer::BackAndForth).proved, 1);
    assert_eq!(
        rig.borrow().told()[2..10],
        [
            "2 A Visit diverging",
            "3 A Back straight",
            "4 A Visit diverging",
            "5 A Back straight",
            "6 A Visit diverging",
            "7 A Back straight",
            "8 A Visit diverging",
            "8 seen Diverging []",
        ]
    );
    // The supply recovers between all of them: one second from start to start.
    let rig = rig.borrow();
    let starts: Vec<_> = rig.sent.iter().step_by(2).map(|(at, _)| *at).collect();
    assert!(
        starts.windows(2).all(|pair| pair[1] - pair[0] >= 1000),
        "{starts:?}"
    );
}

#[test]
fn a_note_is_kept_and_the_same_asked_without_a_throw() {
    let rig = Shared::default();
    let note = Note {
        text: "stiff".to_owned(),
        photo: String::new(),
    };
    assert_eq!(second(&rig, Answer::Note(note)).throws, 3);
    assert_eq!(
        rig.borrow().told()[2..5],
        [
            "2 A Visit diverging",
            "2 noted A stiff",
            "2 seen Diverging []"
        ]
    );
}

#[test]
fn it_keeps_throwing_until_that_is_enough_and_ends_where_it_was_sent() {
    for enough_after in 1..8 {
        let rig = Shared::default();
        rig.borrow_mut().enough_after = enough_after;
        assert_eq!(second(&rig, Answer::KeepThrowing).proved, 1);
        let rig = rig.borrow();
        let told = rig.told();
        let asked = told
            .iter()
            .position(|line| line.ends_with("seen Diverging []"));
        let asked = asked.unwrap();
        let times = (enough_after - 1) / 2 + 1;
        assert_eq!(asked, 3 + 2 * times);
        assert!(told[asked - 1].ends_with("A Visit diverging"), "{told:?}");
        assert_eq!(
            told[asked - 2],
            format!("{} A Back straight", 2 * times + 1)
        );
        assert_eq!(rig.repeats, enough_after);
    }
}

#[test]
fn a_coil_rests_after_ten_throws() {
    let rig = Shared::default();
    rig.borrow_mut().enough_after = 24;
    second(&rig, Answer::KeepThrowing);
    let rig = rig.borrow();
    let starts: Vec<_> = rig.sent.iter().step_by(2).map(|(at, _)| *at).collect();
    let longest = starts.windows(2).map(|pair| pair[1] - pair[0]);
    let rests: Vec<_> = longest.filter(|pause| *pause > 10_000).collect();
    assert_eq!(rests.len(), 2, "{starts:?}");
    assert!(rests.iter().all(|pause| *pause >= 30_000));
}

fn once(rig: &Shared, repeat: Repeat, trouble: Option<(usize, Trouble)>) -> Outcome {
    rig.borrow_mut().trouble = trouble;
    let plan = plan(PLAN);
    let stop = stop_for(rig);
    let mut link = Wire(Rc::clone(rig));
    let mut witness = Eyes::new(rig, |_: &Question<'_>| -> Answer { unreachable!() });
    let mut hub = Hub::new();
    hub.add_essential(Keep(Rc::clone(rig)));
    let once = Once {
        plan: &plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop,
        subject: Subject::Turnout(Id::new("A")),
        commanded: Id::new("diverging"),
        reconnect: Duration::ZERO,
        repeat: Some(repeat),
    };
    block_on(once.run()).unwrap()
}

#[test]
fn a_single_throw_repeats_as_often_as_is_said() {
    for count in 1..6 {
        let rig = Shared::default();
        rig.borrow_mut().enough_after = usize::MAX;
        let repeat = Repeat {
            every: Duration::from_secs(5),
            count: Some(count),
        };
        let throws = u64::from(2 * count - 1);
        assert_eq!(once(&rig, repeat, None), Outcome::Repeated(throws));
        let rig = rig.borrow();
        assert_eq!(
            rig.told().last(),
            Some(&format!("{throws} A Single diverging"))
        );
        let starts: Vec<_> = rig.sent.iter().step_by(2).map(|(at, _)| *at).collect();
        assert!(
            starts.windows(2).all(|pair| pair[1] - pair[0] == 5000),
            "{starts:?}"
        );
        assert_eq!(rig.active(), [""; 0]);
    }
}

#[test]
fn a_single_throw_repeats_until_that_is_enough_or_it_is_stopped() {
    let rig = Shared::default();
    rig.borrow_mut().enough_after = 4;
    let repeat = Repeat {
        every: Duration::ZERO,
        count: None,
    };
    assert_eq!(once(&rig, repeat, None), Outcome::Repeated(5));
    for at in 1..60 {
        let rig = Shared::default();
        rig.borrow_mut().enough_after = usize::MAX;
        let stopped = once(&rig, repeat, Some((at, Trouble::Stop)));
        assert_eq!(stopped, Outcome::Stopped(StopReason::Interrupt));
        assert_eq!(rig.borrow().active(), [""; 0], "stopped at call {at}");
    }
}

#[test]
fn nothing_is_left_active_wherever_a_repeat_fails() {
    for at in 1..80 {
        for trouble in [Trouble::Stop, Trouble::LinkFails, Trouble::TerminalLost] {
            let rig = Shared::default();
            rig.borrow_mut().enough_after = 6;
            rig.borrow_mut().trouble = Some((at, trouble));
            let answer = |question: &Question<'_>| match question.throw {
                2 => Answer::KeepThrowing,
                9 => Answer::BackAndForth,
                _ => healthy(question),
            };
            let eyes = Eyes::new(&rig, answer);
            let _outcome = sweep_with(&rig, &plan(PLAN), Options::default(), eyes);
            assert_eq!(rig.borrow().active(), [""; 0], "{trouble:?} at call {at}");
        }
    }
}
