//! A group thrown as a route would.

use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::rig::{Eyes, Keep, Wire, block_on, stop_for};
use super::*;
use crate::sweep::together::{Asked, LADDER, Outcome, Together, TogetherError};
use crate::witness::{Survey, Surveyed};

fn asked(members: &[&str]) -> Asked {
    Asked {
        members: members.iter().map(|id| Id::new(id)).collect(),
        name: "Quay".to_owned(),
        proofs: NonZeroU32::new(3).unwrap(),
        expected: Some((Duration::from_millis(660), "the capacitor".to_owned())),
        allow_reserved: false,
        about: About {
            fingerprint: "0".repeat(64),
            ..About::default()
        },
    }
}

fn run(
    rig: &Shared,
    asked: Asked,
    survey: Option<impl FnMut(&Survey<'_>) -> Surveyed + 'static>,
) -> Result<Outcome, TogetherError> {
    let plan = plan(PLAN);
    let stop = stop_for(rig);
    let mut link = Wire(Rc::clone(rig));
    let mut witness = Eyes {
        survey: survey.map(|survey| Box::new(survey) as rig::OnSurvey),
        ..Eyes::new(rig, healthy)
    };
    let mut hub = Hub::new();
    hub.add_essential(Keep(Rc::clone(rig)));
    let together = Together {
        plan: &plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop,
        asked,
    };
    block_on(together.run())
}

/// Arrives if the gap of the last two activations was at least that long, milliseconds.
fn needs(rig: &Shared, shortest: u128) -> impl FnMut(&Survey<'_>) -> Surveyed + use<> {
    let rig = Rc::clone(rig);
    move |_: &Survey<'_>| {
        let rig = rig.borrow();
        let starts: Vec<_> = rig
            .sent
            .iter()
            .filter(|(_, packet)| {
                let packet = Packet::parse_hex(packet).unwrap();
                BasicAccessory::parse(&packet).is_ok_and(|basic| basic.activate)
            })
            .map(|(at, _)| *at)
            .collect();
        let [.., one, other] = starts.as_slice() else {
            panic!("two are thrown");
        };
        Surveyed::Differ(if other - one >= shortest {
            Vec::new()
        } else {
            vec![(Id::new("B"), Observed::Between)]
        })
    }
}

#[test]
fn the_shortest_gap_that_holds_is_found_wherever_it_lies() {
    for shortest in [5000, 3000, 2999, 1200, 700, 350, 90, 20, 0] {
        let rig = Shared::default();
        let outcome = run(&rig, asked(&["A", "B"]), Some(needs(&rig, shortest))).unwrap();
        let expected = LADDER
            .iter()
            .rev()
            .find(|gap| u128::from(**gap) >= shortest);
        let expected = expected.map_or(Outcome::None, |gap| Outcome::Reliable(*gap));
        assert_eq!(outcome, expected, "{shortest}");
        assert!(rig.borrow().active().is_empty());
    }
}

#[test]
fn a_gap_that_holds_once_only_gives_way_to_a_wider_one() {
    let rig = Shared::default();
    let mut real = needs(&rig, 400);
    let mut looks = 0;
    let survey = move |survey: &Survey<'_>| {
        looks += 1;
        // The third proof of the first gap that was found fails.
        if looks == 13 {
            return Surveyed::Differ(vec![(Id::new("A"), Observed::Between)]);
        }
        real(survey)
    };
    let outcome = run(&rig, asked(&["A", "B"]), Some(survey)).unwrap();
    assert_eq!(outcome, Outcome::Reliable(750));
}

#[test]
fn shorter_than_a_pulse_both_are_active_at_once_and_both_released() {
    let rig = Shared::default();
    run(&rig, asked(&["A", "B"]), Some(needs(&rig, 0))).unwrap();
    let rig = rig.borrow();
    // Two activations in a row: the pulse of 150 ms is released 200 ms after it began.
    let lasts: Vec<_> = rig.sent.iter().rev().take(4).rev().collect();
    let at: Vec<_> = lasts.iter().map(|(at, _)| at - lasts[0].0).collect();
    assert_eq!(at, [0, 50, 200, 250]);
    assert!(rig.active().is_empty());
}

#[test]
fn whatever_breaks_in_everything_is_released() {
    for trouble in [Trouble::Stop, Trouble::LinkFails, Trouble::TerminalLost] {
        for at in 1..60 {
            let rig = Shared::default();
            rig.borrow_mut().trouble = Some((at, trouble));
            let _outcome = run(&rig, asked(&["A", "B"]), Some(needs(&rig, 0)));
            assert!(rig.borrow().active().is_empty(), "{trouble:?} at call {at}");
        }
    }
}

#[test]
fn another_that_moves_ends_it() {
    let rig = Shared::default();
    let survey = |_: &Survey<'_>| Surveyed::Differ(vec![(Id::new("Z"), Observed::Another)]);
    let outcome = run(&rig, asked(&["A", "B"]), Some(survey)).unwrap();
    assert!(matches!(outcome, Outcome::Disturbed(what) if what.starts_with("Z ")));
}

#[test]
fn one_alone_or_a_blind_witness_is_refused_before_anything_moves() {
    let rig = Shared::default();
    let survey = |_: &Survey<'_>| Surveyed::Differ(Vec::new());
    let error = run(&rig, asked(&["A"]), Some(survey)).unwrap_err();
    assert!(matches!(error, TogetherError::TooFew(_)), "{error}");
    let none: Option<fn(&Survey<'_>) -> Surveyed> = None;
    let error = run(&rig, asked(&["A", "B"]), none).unwrap_err();
    assert!(
        matches!(error, TogetherError::CannotSurvey("eyes")),
        "{error}"
    );
    assert!(rig.borrow().sent.is_empty());
}

#[test]
fn its_events_keep_to_the_schema_and_read_back() {
    let schema: serde_json::Value =
        serde_json::from_str(include_str!("../../../docs/schema/events.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let rig = Shared::default();
    run(&rig, asked(&["A", "B"]), Some(needs(&rig, 400))).unwrap();
    let mut found = 0;
    for event in &rig.borrow().events {
        let json = serde_json::to_value(event).unwrap();
        if let Err(error) = validator.validate(&json) {
            panic!("{json}\n{error}");
        }
        let back: crate::event::Event = serde_json::from_value(json).unwrap();
        assert_eq!(back, *event);
        found += usize::from(matches!(event.kind, EventKind::GapFound { .. }));
    }
    assert_eq!(found, 1);
}
