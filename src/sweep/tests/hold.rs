//! What must be kept can't be: the run holds.

use super::rig::{Eyes, STOPS_AT, sweep_with};
use super::*;

/// Sweeps with a sink that is full at so many events, and has no room so often.
fn sweep_full(holds: usize, fails: u32, person: bool) -> (Shared, Result<Summary, SweepError>) {
    let rig = Shared::default();
    rig.borrow_mut().full = Some((holds, fails));
    let eyes = Eyes {
        person,
        ..Eyes::new(&rig, healthy)
    };
    let outcome = sweep_with(&rig, &plan(PLAN), Options::default(), eyes);
    (rig, outcome)
}

#[test]
fn it_goes_on_where_it_held_and_nothing_is_lost() {
    let (unbroken, outcome) = sweep_full(0, 0, true);
    outcome.unwrap();
    let unbroken = unbroken.borrow();
    for holds in 0..unbroken.events.len() {
        let (rig, outcome) = sweep_full(holds, 20, true);
        assert_eq!(outcome.unwrap().proved, 2, "full at {holds}");
        let rig = rig.borrow();
        assert_eq!(rig.sent, unbroken.sent);
        for (index, event) in rig.events.iter().enumerate() {
            assert_eq!(event.seq, index as u64);
        }
        let mut told = rig.told();
        let held = told
            .iter()
            .position(|line| line.starts_with("held: the test can't"));
        told.remove(held.unwrap());
        let resumed = told.iter().position(|line| line == "resumed").unwrap();
        told.remove(resumed);
        assert_eq!(told, unbroken.told());
    }
}

#[test]
fn without_a_person_it_is_waited_for_like_a_link() {
    let (_, outcome) = sweep_full(4, 30, false);
    outcome.unwrap();
    let (rig, outcome) = sweep_full(4, 4000, false);
    let error = outcome.unwrap_err();
    assert!(matches!(error, SweepError::Sink(_)), "{error:?}");
    let rig = rig.borrow();
    assert_eq!((rig.active().len(), rig.events.len()), (0, 4));
    // A minute of tries, one a second, and the first.
    assert_eq!(rig.full, Some((4, 4000 - 61)));
}

#[test]
fn a_person_is_waited_for_until_the_run_is_asked_to_stop() {
    let (rig, outcome) = sweep_full(4, STOPS_AT + 1000, true);
    let error = outcome.unwrap_err();
    assert!(matches!(error, SweepError::Sink(_)), "{error:?}");
    assert_eq!(rig.borrow().active(), [""; 0]);
    assert_eq!(rig.borrow().full, Some((4, STOPS_AT - 2)));
}
