//! What signals show, and what else is switched like them.

use crate::plan::draft::{Draft, DraftDecoder, DraftSignal};
use crate::plan::finding::{Code, Finding};
use crate::plan::sound::Resolution;
use crate::plan::{OutputKind, Sort};
use crate::toml_reader::Choice as _;

pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    let reached = resolution.things.iter().skip(draft.turnouts.len());
    for (signal, reached) in draft.signals.iter().zip(reached) {
        look_alike(draft, signal, findings);
        findings.extend(not_described(draft, signal));
        let decoder = reached
            .output
            .and_then(|output| draft.decoders.get(output.decoder));
        if let Some(decoder) = decoder {
            findings.extend(wrong_output(draft, signal, decoder));
        }
    }
}

/// Aspects that nobody can tell apart by their lamps.
fn look_alike(draft: &Draft, signal: &DraftSignal, findings: &mut Vec<Finding>) {
    let id = &signal.id.value;
    for (index, aspect) in signal.aspects.iter().enumerate() {
        let Some(lit) = &aspect.lit else { continue };
        let mut before = signal.aspects.iter().take(index);
        let first = before.find(|other| other.lit.as_ref() == Some(lit));
        if let Some(first) = first {
            let (first, second) = (&first.name, &aspect.name);
            let message = format!("aspects {first} and {second} of {id} light the same lamps");
            let mend = "mend what one of them shows; a lamp can be \"NAME flashing\"";
            findings.push(one(
                draft,
                Code::AspectsLookAlike,
                signal,
                message,
                mend.to_owned(),
            ));
        }
    }
}

/// Aspects without lamps where others have theirs, or none where there are lamps.
fn not_described(draft: &Draft, signal: &DraftSignal) -> Option<Finding> {
    let without = signal.aspects.iter().filter(|one| one.lit.is_none());
    let without: Vec<_> = without.map(|one| one.name.as_str()).collect();
    if signal.lamps.is_empty() || without.is_empty() {
        return None;
    }
    let id = &signal.id.value;
    let message = format!("`shows` of {id} says nothing of {}", without.join(", "));
    let mend = "name the lamps of each there; [] is dark".to_owned();
    Some(one(draft, Code::AspectNotDescribed, signal, message, mend))
}

/// An uncoupler on an output that stays on, lights on one that does not.
fn wrong_output(draft: &Draft, signal: &DraftSignal, decoder: &DraftDecoder) -> Option<Finding> {
    let (id, decoder_id) = (&signal.id.value, &decoder.id.value);
    let (kind, pulse) = (decoder.output_kind, decoder.pulse_ms);
    let stays = kind != OutputKind::Pulse || pulse == 0;
    let (code, message, mend) = match (signal.sort, stays) {
        (Sort::Uncoupler, true) => (
            Code::CoilLeftOn,
            format!(
                "{id} is an uncoupler on {decoder_id}, whose outputs ({}) stay on",
                kind.name()
            ),
            format!("give {decoder_id} pulse outputs with a pulse_ms of its own"),
        ),
        (Sort::Lights, false) => (
            Code::LightsOnPulse,
            format!("{id} are lights on {decoder_id}, whose outputs go off after {pulse} ms"),
            format!("set {decoder_id} to steady, or put them on another"),
        ),
        _ => return None,
    };
    let mut finding = one(draft, code, signal, message, mend);
    finding.subjects.push(decoder_id.clone());
    Some(finding)
}

fn one(draft: &Draft, code: Code, signal: &DraftSignal, message: String, mend: String) -> Finding {
    let at = signal.span;
    Finding {
        code,
        subjects: vec![signal.id.value.clone()],
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message,
        mend,
        figures: Vec::new(),
    }
}
