//! The fault matrix by place: looked at all together, every fault ends as it does one by one.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::fmt::Write as _;

use throwproof::plan::Plan;
use throwproof::track::as_built::AsBuilt;
use throwproof::verdict::Verdict;

#[path = "support/faults.rs"]
mod faults;

/// The fault bench, all of it at one place.
fn plan() -> Plan {
    let text = std::fs::read_to_string("fixtures/faults/plan.toml").unwrap();
    let text = text.replace("[[turnout]]\n", "[[turnout]]\nplace = \"Bench\"\n");
    Plan::from_text("fixtures/faults/plan.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn each_fault_alone_ends_as_it_does_one_by_one() {
    faults::each_gives_its_verdicts(&plan(), &(0..3), true);
}

/// A hundred turnouts in ten places.
fn hundred() -> Plan {
    let mut text = String::from("[layout]\nname = \"Hundred\"\n");
    for turnout in 0..100 {
        let (address, place) = (turnout + 1, turnout / 10);
        let _ = write!(
            text,
            "[[turnout]]\nid = \"t{turnout}\"\nshape = \"left\"\naddress = {address}\n\
             place = \"p{place}\"\n"
        );
    }
    Plan::from_text("hundred.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn a_hundred_turnouts_in_ten_places_take_sixty_looks() {
    let plan = hundred();
    let found = faults::sweep(&plan, &AsBuilt::default(), 1, true);
    assert!(found.given.values().all(|one| *one == Verdict::Proved));
    assert_eq!((found.surveys, found.asked), (60, 0));
}

#[test]
fn two_that_move_each_other_are_found_at_one_place_and_across_two() {
    let plan = hundred();
    for other in ["t3", "t55"] {
        let text = format!("[turnout.t7]\nexchanged_with = \"{other}\"\n");
        let found = faults::sweep(&plan, &faults::as_built(&plan, &text), 1, true);
        let failed = found.given.iter().filter(|(_, one)| one.is_failure());
        let failed: Vec<_> = failed.map(|(id, one)| (id.as_str(), *one)).collect();
        let mut expected = [("t7", Verdict::Stray), (other, Verdict::Stray)];
        expected.sort_unstable();
        assert_eq!(failed, expected);
    }
}
