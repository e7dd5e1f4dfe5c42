//! What a person at the layout brings about keeps to the schema of the JSON lines.

use super::rig::{Eyes, sweep_with};
use super::*;
use crate::event::Event;
use crate::witness::{Closer, Found, Note, Surveyed};

const SCHEMA: &str = include_str!("../../../docs/schema/events.schema.json");

/// Sweeps by place, with notes, a look taken back, a skip, and an acceptance list.
fn all_kinds(so_far: SoFar) -> Vec<Event> {
    let text = PLAN
        .replace("shape =", "place = \"Quay\"\nshape =")
        .replace(
            "name = \"Bench\"",
            "name = \"Bench\"\naccept = [\"blades-tight\", \"Does it hum?\"]",
        );
    let signals = SIGNALS
        .replace("address = 1\n", "address = 9\n")
        .replace("address = 4\n", "address = 10\n");
    let rig = Shared::default();
    let note = Note {
        text: "a note".to_owned(),
        photo: "q1.jpg".to_owned(),
    };
    let mut surveys = vec![
        Surveyed::Differ(vec![(Id::new("A"), Observed::Between)]),
        Surveyed::Undo,
    ]
    .into_iter();
    let mut looks = vec![Closer::Note(note.clone()), Closer::Found(Found::Bad)].into_iter();
    let mut answers = vec![Answer::Note(note), Answer::Undo].into_iter();
    let eyes = Eyes {
        survey: Some(Box::new(move |_| {
            surveys.next().unwrap_or(Surveyed::Differ(Vec::new()))
        })),
        look: Some(Box::new(move |_, _| {
            looks.next().unwrap_or(Closer::Found(Found::Good))
        })),
        ..Eyes::new(&rig, move |question: &Question<'_>| {
            answers.next().unwrap_or_else(|| healthy(question))
        })
    };
    let options = Options {
        by_place: true,
        so_far,
        about: About {
            tester: "Ann".to_owned(),
            fingerprint: "0".repeat(64),
            ..Options::default().about
        },
        continues: Some(1),
        ..Options::default()
    };
    sweep_with(&rig, &plan(&(text + &signals)), options, eyes).unwrap();
    rig.take().events
}

#[test]
fn every_event_keeps_to_the_schema_and_reads_back() {
    let schema: serde_json::Value = serde_json::from_str(SCHEMA).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let first = all_kinds(SoFar::default());
    let text = PLAN.replace("shape =", "place = \"Quay\"\nshape =");
    let mut so_far = SoFar::default();
    so_far.take_run(&plan(&text), &|_| true, &first);
    so_far.take_looks(&plan(&text), &|_| true, &first);
    let again = all_kinds(so_far);
    let carried = |event: &&Event| matches!(event.kind, EventKind::Surveyed { carried: true, .. });
    assert_eq!(again.iter().filter(carried).count(), 4);
    let mut kinds = BTreeSet::new();
    for event in first.iter().chain(&again) {
        let json = serde_json::to_value(event).unwrap();
        if let Err(error) = validator.validate(&json) {
            panic!("{json}\n{error}");
        }
        assert_eq!(
            serde_json::from_value::<Event>(json.clone()).unwrap(),
            *event
        );
        kinds.insert(json["event"].as_str().unwrap().to_owned());
    }
    for kind in [
        "withdrawn",
        "noted",
        "surveyed",
        "looked",
        "accepted",
        "observation",
    ] {
        assert!(kinds.contains(kind), "no {kind} in {kinds:?}");
    }
}
