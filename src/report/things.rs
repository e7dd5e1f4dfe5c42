//! What the plan and the runs say of each turnout and signal.

use super::fold::{Basis, Told};
use super::model::{
    AspectLine, DriveLine, Kind, LookLine, Moment, NoteLine, Place, PositionLine, State, Thing,
    Throw,
};
use super::standing::standing;
use super::story::Story;
use super::{advice, diagnosis};
use crate::drawing::Route;
use crate::event::{Step, Subject};
use crate::plan::{Id, Joint, OutputRef, Plan, Signal, Turnout};
use crate::verdict::Evidence;
use crate::view::words;
use crate::witness::Found;

/// Everything of the plan, place by place.
pub(super) fn places(basis: &Basis<'_>, told: &[Told<'_>]) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    let plan = basis.plan;
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| (one.place.as_str(), turnout(basis, told, one)));
    let signals = plan
        .signals
        .iter()
        .map(|one| (one.place.as_str(), signal(basis, told, one)));
    for (name, thing) in turnouts.chain(signals) {
        match places.iter_mut().find(|place| place.name == name) {
            Some(place) => place.things.push(thing),
            None => places.push(Place {
                name: name.to_owned(),
                things: vec![thing],
            }),
        }
    }
    places
}

fn turnout(basis: &Basis<'_>, told: &[Told<'_>], turnout: &Turnout) -> Thing {
    let subject = Subject::Turnout(turnout.id.clone());
    let kind = Kind::Turnout {
        shape: turnout.shape,
        drive: turnout.drive,
        drives: turnout.drives,
        straight_terminal: turnout.straight_bit.as_u8(),
    };
    let (address, output) = (turnout.address, turnout.output);
    let numbering = basis.plan.layout.numbering;
    let mut thing = bare(basis.plan, &turnout.id, kind, output);
    thing.address = address.get();
    thing.last_address = address.get();
    thing.binary_address = address.binary(numbering).get();
    if let Some(joint) = &turnout.joint {
        several(&mut thing, basis.plan, turnout, joint);
    }
    fill(&mut thing, basis, told, &subject);
    looks(&mut thing, turnout, told, &subject, basis);
    thing.diagnosis = diagnosis::of(basis, &turnout.id, &standing(&subject, told, basis.marks));
    if thing.state == State::Failed
        && let Some(verdict) = thing.verdict
    {
        thing.advice = advice::of_turnout(verdict, turnout.drive);
        if turnout.joint.is_some() {
            advice::of_several(verdict, &mut thing.advice);
        }
        if let Some(line) = thing.diagnosis.as_ref().filter(|line| line.holds) {
            advice::of_diagnosis(line, &mut thing.advice);
        }
    }
    thing
}

/// What the plan says of each of several drives.
fn several(thing: &mut Thing, plan: &Plan, turnout: &Turnout, joint: &Joint) {
    let drives = joint.drives.iter().map(|drive| {
        let output = drive.output;
        let decoder = output.and_then(|output| plan.decoders.get(output.decoder));
        DriveLine {
            address: drive.address.get(),
            binary_address: drive.address.binary(plan.layout.numbering).get(),
            decoder: decoder.map(|one| one.id.to_string()),
            output: output.map(|one| one.number),
            straight_terminal: drive.straight_bit.as_u8(),
        }
    });
    thing.each_drive = drives.collect();
    let positions = joint.positions.iter().map(|one| PositionLine {
        name: one.name.to_string(),
        drives: one.drives.iter().map(|lies| lies.as_str()).collect(),
        route: Route::of(turnout.shape, one),
    });
    thing.positions = positions.collect();
}

fn signal(basis: &Basis<'_>, told: &[Told<'_>], signal: &Signal) -> Thing {
    let subject = Subject::Signal(signal.id.clone());
    let aspects = signal.aspects.iter().map(|aspect| AspectLine {
        name: aspect.name.to_string(),
        value: aspect.value,
        shows: signal
            .face(aspect)
            .map(|face| face.words())
            .unwrap_or_default(),
        face: signal.face(aspect),
    });
    let kind = Kind::Signal {
        commanded_by: signal.kind,
        aspects: aspects.collect(),
        sort: signal.sort,
    };
    let numbering = basis.plan.layout.numbering;
    let mut thing = bare(basis.plan, &signal.id, kind, signal.output);
    thing.address = signal.address.get();
    let more = u16::from(signal.addresses()).saturating_sub(1);
    thing.last_address = signal.address.get().saturating_add(more);
    thing.binary_address = signal.address.binary(numbering).get();
    fill(&mut thing, basis, told, &subject);
    thing.accepted = thing.state == State::Proved;
    if thing.state == State::Failed
        && let Some(verdict) = thing.verdict
    {
        thing.advice = advice::of_signal(verdict, signal.kind, signal.sort);
    }
    thing
}

/// What the plan says of it, and nothing else yet.
fn bare(plan: &Plan, id: &Id, kind: Kind, output: Option<OutputRef>) -> Thing {
    let decoder = output.and_then(|output| plan.decoders.get(output.decoder));
    let supply = decoder.and_then(|decoder| plan.supplies.get(decoder.supply?));
    Thing {
        id: id.to_string(),
        kind,
        address: 0,
        last_address: 0,
        binary_address: 0,
        decoder: decoder.map(|one| one.id.to_string()),
        output: output.map(|one| one.number),
        supply: supply.map(|one| one.id.to_string()),
        each_drive: Vec::new(),
        positions: Vec::new(),
        state: State::Open,
        verdict: None,
        detail: String::new(),
        run: None,
        since: None,
        left_out: None,
        looks: Vec::new(),
        accepted: false,
        notes: Vec::new(),
        throws: Vec::new(),
        diagnosis: None,
        advice: Vec::new(),
    }
}

/// What the runs say of it.
fn fill(thing: &mut Thing, basis: &Basis<'_>, told: &[Told<'_>], subject: &Subject) {
    let standing = standing(subject, told, basis.marks);
    thing.state = standing.state();
    thing.left_out = standing.left_out;
    if let Some(given) = standing.given {
        thing.verdict = Some(given.verdict);
        thing.detail.clone_from(&given.detail);
        thing.run = standing.run;
        thing.since = standing.first.map(|one| Moment::new(one.at, basis.zone));
    }
    for (log, story) in told {
        for (_, at, note) in story.notes.iter().filter(|(of, ..)| of == subject) {
            let line = NoteLine {
                at: Moment::new(*at, basis.zone),
                text: note.text.clone(),
                photo: note.photo.clone(),
            };
            // A run that carries on another has its notes again.
            let known = |one: &NoteLine| one.text == line.text && one.photo == line.photo;
            if !thing.notes.iter().any(known) {
                thing.notes.push(line);
            }
        }
        if Some(log.info.id) == thing.run {
            thing.throws = throws(basis.plan, story, subject);
        }
    }
}

fn throws(plan: &Plan, story: &Story, subject: &Subject) -> Vec<Throw> {
    let observed = story.throws.get(subject).into_iter().flatten();
    let throws = observed.map(|one| {
        let evidence = Evidence::new(
            plan,
            subject,
            one.step,
            one.commanded.clone(),
            one.seen.clone(),
        );
        // The first throw need not move anything; nor one that repeats where it lies.
        let may_rest = matches!(one.step, Step::Prime | Step::Keep) && !evidence.moved();
        Throw {
            throw: one.throw,
            step: one.step,
            commanded: one.commanded.to_string(),
            words: words::seen_of(plan, subject, &evidence.seen),
            as_sent: (evidence.arrived() || may_rest) && !evidence.is_stray(),
            others: evidence.seen.others.iter().map(Id::to_string).collect(),
            observed: evidence.seen.observed,
            unanswered: story.unanswered.contains(&(subject.clone(), one.throw)),
        }
    });
    throws.collect()
}

/// How far its acceptance list is.
fn looks(
    thing: &mut Thing,
    turnout: &Turnout,
    told: &[Told<'_>],
    subject: &Subject,
    basis: &Basis<'_>,
) {
    let from = standing(subject, told, basis.marks).from;
    let counts = told.get(from..).unwrap_or_default();
    let lines = turnout.accept.iter().map(|look| {
        let found = counts.iter().flat_map(|(_, story)| &story.looks);
        let last = found
            .filter(|(of, at, _)| of == subject && at == look)
            .map(|(.., found)| *found)
            .next_back();
        LookLine {
            look: look.as_str().to_owned(),
            found: last.filter(|_| thing.state != State::Changed),
        }
    });
    thing.looks = lines.collect();
    let is_passed = |line: &LookLine| line.found == Some(Found::Good);
    thing.accepted = thing.state == State::Proved && thing.looks.iter().all(is_passed);
}
