use std::num::NonZeroU32;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;

use super::*;
use crate::witness::{Answer, Observed, Question};

mod folds;
mod hold;
mod joint;
mod looks;
mod place;
mod repeat;
mod restrict;
mod resume;
mod rig;
mod schema;
mod together;
mod undo;

use rig::{PLAN, Rig, Shared, Trouble, healthy, plan, seen, sweep};

/// Only these of the plan.
fn only(ids: &[&str]) -> Options {
    Options {
        only: ids.iter().map(|id| Id::new(id)).collect(),
        ..Options::default()
    }
}

#[test]
fn a_turnout_is_primed_and_visits_both_positions_at_the_right_times() {
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(PLAN), only(&["A"]), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.failed, summary.throws), (1, 0, 3));
    // clause: S-9.2.1 (January 2025), table, second-hand: keyed 1 is 81 F., R = 1 straight.
    // A pulse of 150 ms and its margin of 50 from the end of the activate packet to the release;
    // one second from start to start.
    let expected = [
        (0, "81 F9 78"),
        (210, "81 F1 70"),
        (1000, "81 F8 79"),
        (1210, "81 F0 71"),
        (2000, "81 F9 78"),
        (2210, "81 F1 70"),
    ];
    let expected: Vec<_> = expected.map(|(at, packet)| (at, packet.to_owned())).into();
    assert_eq!(rig.borrow().sent, expected);
    assert_eq!(
        rig.borrow().told(),
        [
            "1 A Prime straight",
            "1 seen Straight []",
            "2 A Visit diverging",
            "2 seen Diverging []",
            "3 A Visit straight",
            "3 seen Straight []",
            "A proved",
            "1 proved 0 failed 0 skipped 0 unreached",
        ]
    );
}

#[test]
fn events_are_numbered_and_dated_in_order() {
    let rig = Shared::default();
    sweep(&rig, &plan(PLAN), Options::default(), false, healthy).unwrap();
    let rig = rig.borrow();
    for (index, event) in rig.events.iter().enumerate() {
        assert_eq!(event.seq, index as u64);
    }
    assert!(rig.events.is_sorted_by_key(|event| event.at_us));
    assert!(matches!(
        rig.events[0].kind,
        EventKind::RunStarted {
            turnouts: 2,
            signals: 0,
            ..
        }
    ));
}

#[test]
fn cycles_repeat_the_visits_and_end_at_rest() {
    let rig = Shared::default();
    let options = Options {
        cycles: NonZeroU32::new(3).unwrap(),
        ..only(&["B"])
    };
    let summary = sweep(&rig, &plan(PLAN), options, false, healthy).unwrap();
    assert_eq!(summary.throws, 7);
    assert_eq!(rig.borrow().packets().last(), Some(&"81 F3 72"));
}

#[test]
fn a_turnout_at_rest_on_the_branch_is_left_there() {
    let rig = Shared::default();
    let text = PLAN.replace("name = \"Bench\"", "name = \"Bench\"\nrest = \"diverging\"");
    sweep(&rig, &plan(&text), only(&["A"]), false, healthy).unwrap();
    let steps = [
        "1 A Prime diverging",
        "2 A Visit straight",
        "3 A Visit diverging",
    ];
    let told = rig.borrow().told();
    assert!(
        steps
            .iter()
            .all(|step| told.iter().any(|line| line == step)),
        "{told:?}"
    );
}

#[test]
fn the_sense_of_the_plan_decides_the_pair_bit() {
    let rig = Shared::default();
    let text = PLAN.replacen("output = 1\n", "output = 1\nstraight_output = 0\n", 1);
    sweep(&rig, &plan(&text), only(&["A"]), false, healthy).unwrap();
    assert_eq!(rig.borrow().packets()[0], "81 F8 79");
}

const SIGNALS: &str = r#"
[[signal]]
id = "S"
address = 1
kind = "extended"
aspects = { proceed = 1, stop = 0, caution = 5 }

[[signal]]
id = "P"
address = 4
kind = "pairs"
aspects = { stop = 0, proceed = 1, caution = 2 }
"#;

#[test]
fn signals_show_every_aspect_and_end_at_stop() {
    let rig = Shared::default();
    let text = format!("[layout]\nname = \"Bench\"\n{SIGNALS}");
    let summary = sweep(&rig, &plan(&text), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.throws), (2, 8));
    let expected = [
        // derived: extended packets to keyed address 1; no release belongs to them.
        "81 71 00 F0",
        "81 71 01 F1",
        "81 71 05 F5",
        "81 71 00 F0",
        // Keyed 4 with R = 0; then R = 1; then keyed 5 with R = 0: value div 2 and mod 2.
        "81 FE 7F",
        "81 F6 77",
        "81 FF 7E",
        "81 F7 76",
        "82 F8 7A",
        "82 F0 72",
        "81 FE 7F",
        "81 F6 77",
    ];
    assert_eq!(rig.borrow().packets(), expected);
}

#[test]
fn one_aspect_alone_has_no_prime() {
    let rig = Shared::default();
    let text = "[layout]\nname = \"Bench\"\n[[signal]]\nid = \"S\"\naddress = 1\n\
                kind = \"extended\"\naspects = { lit = 3 }\n";
    let summary = sweep(&rig, &plan(text), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.throws), (1, 1));
}

/// A turnout with one good coil, and where it lies.
struct OneCoil {
    moves_to: &'static str,
    lies: &'static str,
}

impl OneCoil {
    fn look(&mut self, rig: &Shared, commanded: &Id) -> Answer {
        if let Some(hand) = rig.borrow_mut().laid.pop() {
            self.lies = if hand.ends_with("straight") {
                "straight"
            } else {
                "diverging"
            };
        }
        if commanded.as_str() != self.moves_to || self.lies == self.moves_to {
            return seen(Observed::NoMovement);
        }
        self.lies = self.moves_to;
        seen(match self.moves_to {
            "straight" => Observed::Straight,
            _ => Observed::Diverging,
        })
    }
}

fn sweep_one_coil(mut coil: OneCoil, hands: bool) -> Vec<String> {
    let rig = Shared::default();
    let eyes = Rc::clone(&rig);
    let answer = move |question: &Question<'_>| coil.look(&eyes, question.commanded);
    sweep(&rig, &plan(PLAN), only(&["A"]), hands, answer).unwrap();
    let told = rig.borrow().told();
    told.into_iter()
        .skip_while(|line| !line.contains("laid") && !line.contains(" one-way"))
        .collect()
}

#[test]
fn one_way_is_told_from_still_by_hand() {
    let found_at_its_end = OneCoil {
        moves_to: "straight",
        lies: "straight",
    };
    assert_eq!(
        sweep_one_coil(found_at_its_end, true),
        [
            "A laid diverging",
            "4 A AfterHand straight",
            "4 seen Straight []",
            "A one-way",
            "0 proved 1 failed 0 skipped 0 unreached",
        ]
    );
    let the_other_coil = OneCoil {
        moves_to: "diverging",
        lies: "diverging",
    };
    assert_eq!(
        sweep_one_coil(the_other_coil, true),
        [
            "A laid diverging",
            "4 A AfterHand straight",
            "4 seen NoMovement []",
            "A laid straight",
            "5 A AfterHand diverging",
            "5 seen Diverging []",
            // It can't be thrown back, so it is laid at rest by hand.
            "6 A Rest straight",
            "6 seen NoMovement []",
            "A laid straight",
            "A one-way",
            "0 proved 1 failed 0 skipped 0 unreached",
        ]
    );
}

#[test]
fn a_dead_turnout_is_still_and_left_at_rest() {
    let rig = Shared::default();
    let nothing = |_: &Question<'_>| seen(Observed::NoMovement);
    sweep(&rig, &plan(PLAN), only(&["A"]), true, nothing).unwrap();
    assert_eq!(rig.borrow().laid, ["A diverging", "A straight"]);
    assert!(rig.borrow().told().contains(&"A still".to_owned()));
}

#[test]
fn without_hands_it_is_still() {
    let rig = Shared::default();
    let nothing = |_: &Question<'_>| seen(Observed::NoMovement);
    let summary = sweep(&rig, &plan(PLAN), only(&["A"]), false, nothing).unwrap();
    assert_eq!((summary.failed, summary.throws), (1, 3));
}

#[test]
fn no_hand_is_laid_on_a_servo() {
    let rig = Shared::default();
    let text = PLAN
        .replace(
            "output_kind = \"pulse\"\npulse_ms = 150",
            "output_kind = \"servo\"",
        )
        .replace("twin-coil", "servo");
    let nothing = |_: &Question<'_>| seen(Observed::NoMovement);
    sweep(&rig, &plan(&text), only(&["A"]), true, nothing).unwrap();
    assert!(rig.borrow().laid.is_empty());
    assert!(rig.borrow().told().contains(&"A still".to_owned()));
}

#[test]
fn what_shares_the_address_is_no_stray() {
    let text = PLAN.replace("output = 2", "output = 1").replace(
        "drive = \"twin-coil\"",
        "drive = \"twin-coil\"\nshares_address = true",
    );
    let both = |question: &Question<'_>| {
        let Answer::Seen(mut seen) = healthy(question) else {
            return Answer::Stop;
        };
        let other = if question.subject.id().as_str() == "A" {
            "B"
        } else {
            "A"
        };
        seen.others.push(Id::new(other));
        Answer::Seen(seen)
    };
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(&text), Options::default(), false, both).unwrap();
    assert_eq!(summary.proved, 2);
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(PLAN), Options::default(), false, both).unwrap();
    assert_eq!(summary.failed, 2);
    assert!(rig.borrow().told().contains(&"A stray B".to_owned()));
}

#[test]
fn a_throw_that_nobody_saw_is_repeated_from_the_other_side() {
    let rig = Shared::default();
    let mut looked = 0;
    let once_distracted = |question: &Question<'_>| {
        looked += 1;
        if looked == 2 {
            Answer::Repeat
        } else {
            healthy(question)
        }
    };
    let summary = sweep(&rig, &plan(PLAN), only(&["A"]), false, once_distracted).unwrap();
    assert_eq!(summary.proved, 1);
    assert_eq!(
        rig.borrow().told()[2..6],
        [
            "2 A Visit diverging",
            "3 A Back straight",
            "4 A Visit diverging",
            "4 seen Diverging []"
        ]
    );
}

#[test]
fn a_skipped_turnout_is_not_thrown_again() {
    let rig = Shared::default();
    let skip_a = |question: &Question<'_>| match question.subject.id().as_str() {
        "A" => Answer::Skip,
        _ => healthy(question),
    };
    let summary = sweep(&rig, &plan(PLAN), Options::default(), false, skip_a).unwrap();
    assert_eq!((summary.proved, summary.skipped), (1, 1));
    let told = rig.borrow().told();
    assert!(told.contains(&"A skipped skipped by the operator; last sent to straight".to_owned()));
    assert_eq!(told.iter().filter(|line| line.contains(" A ")).count(), 1);
}

#[test]
fn stop_is_an_answer() {
    let rig = Shared::default();
    let stop = |_: &Question<'_>| Answer::Stop;
    let summary = sweep(&rig, &plan(PLAN), Options::default(), false, stop).unwrap();
    assert_eq!(
        (summary.unreached, summary.stopped),
        (2, Some(StopReason::Operator))
    );
    assert_eq!(rig.borrow().active(), [""; 0]);
}

#[test]
fn a_refused_throw_is_no_verdict_on_the_turnout() {
    let rig = Shared::default();
    rig.borrow_mut().refuses.push("81 F8 79".to_owned());
    let summary = sweep(&rig, &plan(PLAN), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.skipped), (1, 1));
    assert!(
        rig.borrow()
            .told()
            .contains(&"A skipped the station refused it: busy".to_owned())
    );
}

#[test]
fn a_release_that_is_refused_for_good_ends_the_run() {
    let rig = Shared::default();
    rig.borrow_mut().refuses.push("81 F1 70".to_owned());
    let error = sweep(&rig, &plan(PLAN), Options::default(), false, healthy).unwrap_err();
    assert!(
        matches!(error, SweepError::Link(LinkError::NotReleased { .. })),
        "{error:?}"
    );
    let told = rig.borrow().told();
    assert_eq!(
        told[told.len() - 2..],
        ["stopped: Link", "0 proved 0 failed 0 skipped 2 unreached",]
    );
}

#[test]
fn reserved_addresses_are_not_driven_unasked() {
    let text = PLAN.replace("first_address = 1", "first_address = 2041");
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(&text), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.skipped, summary.throws), (2, 0));
    assert!(rig.borrow().sent.is_empty());
    let allowed = Options {
        allow_reserved: true,
        ..Options::default()
    };
    let summary = sweep(&rig, &plan(&text), allowed, false, healthy).unwrap();
    assert_eq!(summary.proved, 2);
}

/// Sweeps with trouble at one call, on a layout where hands are laid on a turnout as well.
fn sweep_in_trouble(at: usize, trouble: Trouble) -> (Shared, Option<Result<Summary, SweepError>>) {
    let rig = Shared::default();
    rig.borrow_mut().trouble = Some((at, trouble));
    let text = format!(
        "{PLAN}{}",
        SIGNALS
            .replace("address = 1\n", "address = 9\n")
            .replace("address = 4\n", "address = 10\n")
    );
    let answer = |question: &Question<'_>| match question.subject.id().as_str() {
        "A" => seen(Observed::NoMovement),
        _ => healthy(question),
    };
    let run = || sweep(&rig, &plan(&text), Options::default(), true, answer);
    let outcome = catch_unwind(AssertUnwindSafe(run)).ok();
    (rig, outcome)
}

/// How many calls the engine makes when nothing goes wrong.
fn calls() -> usize {
    let (rig, outcome) = sweep_in_trouble(0, Trouble::Stop);
    assert!(matches!(outcome, Some(Ok(Summary { stopped: None, .. }))));
    let rig = rig.borrow();
    assert_eq!(rig.active(), [""; 0]);
    rig.calls
}

#[test]
fn nothing_is_left_active_wherever_a_stop_comes() {
    let calls = calls();
    assert!(calls > 100, "{calls} calls are no test");
    for at in 1..=calls {
        let (rig, outcome) = sweep_in_trouble(at, Trouble::Stop);
        let rig: &Rig = &rig.borrow();
        assert_eq!(rig.active(), [""; 0], "stopped at call {at}");
        let summary = outcome.unwrap().unwrap();
        let told = rig.told();
        assert!(told[told.len() - 1].contains("proved"), "{told:?}");
        // A stop at the last look comes too late to stop anything.
        if summary.stopped.is_some() {
            assert_eq!(summary.stopped, Some(StopReason::Interrupt));
            assert_eq!(told[told.len() - 2], "stopped: Interrupt");
            assert_eq!(
                summary.proved + summary.failed + summary.skipped + summary.unreached,
                4
            );
        } else {
            assert!(at + 1 >= calls, "the stop at call {at} went unheard");
        }
    }
}

#[test]
fn nothing_is_left_active_wherever_the_link_fails() {
    for at in 1..=calls() {
        let (rig, outcome) = sweep_in_trouble(at, Trouble::LinkFails);
        let rig: &Rig = &rig.borrow();
        assert_eq!(rig.active(), [""; 0], "failed at call {at}");
        if let Some(Err(error)) = outcome {
            assert!(matches!(error, SweepError::Link(_)), "{error:?}");
            let told = rig.told();
            assert_eq!(
                told[told.len() - 3..told.len() - 1],
                ["link failed: the link is gone: unplugged", "stopped: Link",]
            );
        }
    }
}

#[test]
fn nothing_is_left_active_wherever_the_terminal_goes() {
    for at in 1..=calls() {
        let (rig, outcome) = sweep_in_trouble(at, Trouble::TerminalLost);
        assert_eq!(rig.borrow().active(), [""; 0], "lost at call {at}");
        let stopped = outcome.unwrap().unwrap().stopped;
        assert!(
            matches!(stopped, None | Some(StopReason::TerminalLost)),
            "{stopped:?}"
        );
    }
}

#[test]
fn nothing_is_left_active_wherever_something_panics() {
    // Hundreds of panics, all of them wanted, tell nothing.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let calls = calls();
    let mut active = Vec::new();
    let mut last = Vec::new();
    for at in 1..=calls {
        let (rig, outcome) = sweep_in_trouble(at, Trouble::Panic);
        let rig: &Rig = &rig.borrow();
        active.push((at, rig.active()));
        last.push((outcome.is_none(), rig.told().iter().rev().nth(1).cloned()));
    }
    std::panic::set_hook(hook);
    for (at, active) in active {
        assert_eq!(active, [""; 0], "panic at call {at}");
    }
    for (panicked, told) in last {
        assert!(panicked);
        assert_eq!(told.as_deref(), Some("stopped: Fault"));
    }
}
