//! One throw at a time, then several, with reports as layouts really send them.

use super::*;

const PLAN: &str = r#"
[layout]
name = "Signal box"

[decoder.D]
outputs = 4
first_address = 1

[[turnout]]
id = "A"
shape = "left"
decoder = "D"
output = 1
position_reports = true

[[turnout]]
id = "B"
shape = "left"
decoder = "D"
output = 2
position_reports = true

[[turnout]]
id = "C"
shape = "left"
decoder = "D"
output = 3
"#;

/// A witness, and questions for it.
struct Box {
    plan: Plan,
    witness: Reports,
}

fn at(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

impl Box {
    fn new() -> Self {
        let plan = Plan::from_text("box.toml", PLAN).unwrap();
        Self {
            plan,
            witness: Reports::new(None),
        }
    }

    fn report(&mut self, ms: u64, id: &str, pair_bit: PairBit, made: bool) {
        let numbering = self.plan.layout.numbering;
        let address = self.plan.turnout(id).unwrap().address.binary(numbering);
        self.witness.hear(&PositionReport {
            at: at(ms),
            address,
            pair_bit,
            made,
        });
    }

    /// Says that every contact of A and B is at straight.
    fn known(mut self) -> Self {
        for id in ["A", "B"] {
            self.report(0, id, PairBit::Zero, false);
            self.report(0, id, PairBit::One, true);
        }
        self
    }

    fn ask<T>(
        &mut self,
        throw: u64,
        id: &str,
        ms: u64,
        ask: impl Fn(&mut Reports, &Question<'_>) -> T,
    ) -> T {
        let subject = Subject::Turnout(Id::new(id));
        let commanded = Id::new("diverging");
        let question = Question {
            plan: &self.plan,
            throw,
            step: crate::event::Step::Visit,
            subject: &subject,
            commanded: &commanded,
            at: at(ms),
        };
        ask(&mut self.witness, &question)
    }

    fn begin(&mut self, throw: u64, id: &str, ms: u64) {
        self.ask(throw, id, ms, |witness, question| {
            futures_util::FutureExt::now_or_never(witness.attend(question))
                .unwrap()
                .unwrap();
        });
    }

    fn answer(&mut self, throw: u64, id: &str) -> Answer {
        self.ask(throw, id, 0, |witness, question| {
            futures_util::FutureExt::now_or_never(witness.observe(question))
                .unwrap()
                .unwrap()
        })
    }

    fn enough(&mut self, throw: u64, id: &str, ms: u64) -> bool {
        self.ask(throw, id, ms, |witness, question| {
            witness.has_seen_enough(question, at(ms))
        })
    }
}

fn seen(observed: Observed, others: &[&str]) -> Answer {
    Answer::Seen(Seen {
        observed,
        others: others.iter().map(|id| Id::new(id)).collect(),
    })
}

#[test]
fn a_contact_broken_and_the_other_made_is_a_movement() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, false);
    assert!(!room.enough(1, "A", 400), "between so far");
    room.report(150, "A", PairBit::Zero, true);
    assert!(!room.enough(1, "A", 200), "it may bounce");
    assert!(room.enough(1, "A", 250));
    assert_eq!(room.answer(1, "A"), seen(Observed::Diverging, &[]));
}

#[test]
fn a_bouncing_contact_counts_as_it_comes_to_rest() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, false);
    for ms in [150, 154, 158] {
        room.report(ms, "A", PairBit::Zero, true);
        room.report(ms + 2, "A", PairBit::Zero, false);
    }
    room.report(162, "A", PairBit::Zero, true);
    assert!(!room.enough(1, "A", 200));
    assert_eq!(room.answer(1, "A"), seen(Observed::Diverging, &[]));
}

#[test]
fn a_missing_report_is_no_movement() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    assert_eq!(room.answer(1, "A"), seen(Observed::NoMovement, &[]));
}

#[test]
fn a_report_of_what_is_known_is_stale() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, true);
    assert_eq!(room.answer(1, "A"), seen(Observed::NoMovement, &[]));
}

#[test]
fn a_report_from_before_the_command_is_not_of_it() {
    let mut room = Box::new().known();
    room.report(90, "A", PairBit::One, false);
    room.report(95, "A", PairBit::Zero, true);
    room.begin(1, "A", 100);
    assert_eq!(room.answer(1, "A"), seen(Observed::NoMovement, &[]));
}

#[test]
fn one_that_left_and_did_not_arrive_is_between() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, false);
    assert_eq!(room.answer(1, "A"), seen(Observed::Between, &[]));
}

#[test]
fn contacts_that_contradict_each_other_are_between() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(150, "A", PairBit::Zero, true);
    assert_eq!(room.answer(1, "A"), seen(Observed::Between, &[]));
}

#[test]
fn one_that_springs_back_has_not_moved() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, false);
    room.report(140, "A", PairBit::One, true);
    assert_eq!(room.answer(1, "A"), seen(Observed::NoMovement, &[]));
}

#[test]
fn another_that_moves_is_seen() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "B", PairBit::One, false);
    room.report(150, "B", PairBit::Zero, true);
    assert_eq!(room.answer(1, "A"), seen(Observed::Another, &["B"]));
}

#[test]
fn where_only_arrivals_are_reported_an_arrival_is_a_movement() {
    let mut room = Box::new();
    for (throw, ms, pair_bit, observed) in [
        (1, 100, PairBit::One, Observed::Straight),
        (2, 1_000, PairBit::Zero, Observed::Diverging),
        (3, 2_000, PairBit::One, Observed::Straight),
    ] {
        room.begin(throw, "A", ms);
        room.report(ms + 50, "A", pair_bit, true);
        assert_eq!(room.answer(throw, "A"), seen(observed, &[]));
    }
}

#[test]
fn without_reports_and_without_a_terminal_it_can_not_be_seen() {
    let mut room = Box::new().known();
    room.begin(1, "C", 100);
    assert!(matches!(room.answer(1, "C"), Answer::CantSee(_)));
}

#[test]
fn two_throws_one_behind_the_other_are_told_apart() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "A", PairBit::One, false);
    room.report(150, "A", PairBit::Zero, true);
    room.begin(2, "B", 350);
    room.report(380, "B", PairBit::One, false);
    // A's contact chatters once more; that is still its own.
    room.report(390, "A", PairBit::Zero, false);
    room.report(392, "A", PairBit::Zero, true);
    room.report(420, "B", PairBit::Zero, true);
    assert_eq!(room.answer(1, "A"), seen(Observed::Diverging, &[]));
    assert_eq!(room.answer(2, "B"), seen(Observed::Diverging, &[]));
}

#[test]
fn exchanged_turnouts_are_not_proved_by_each_others_throws() {
    let mut room = Box::new().known();
    room.begin(1, "A", 100);
    room.report(120, "B", PairBit::One, false);
    room.report(150, "B", PairBit::Zero, true);
    room.begin(2, "B", 350);
    room.report(380, "A", PairBit::One, false);
    room.report(410, "A", PairBit::Zero, true);
    assert_eq!(room.answer(1, "A"), Answer::Unclear);
    assert_eq!(room.answer(2, "B"), Answer::Unclear);
}
