//! Drives and aspects that can come to harm, or say nothing.

use crate::plan::draft::{Draft, DraftDecoder, DraftTurnout, Wiring};
use crate::plan::finding::{Code, Finding};
use crate::plan::sound::Resolution;
use crate::plan::{Drive, OutputKind, PacketFormat};
use crate::toml_reader::Choice as _;

mod signals;

pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    for (turnout, reached) in draft.turnouts.iter().zip(&resolution.things) {
        let decoder = reached
            .output
            .and_then(|output| draft.decoders.get(output.decoder));
        if turnout.format == PacketFormat::Extended {
            findings.extend(switched_on(draft, turnout));
        } else if let Some(decoder) = decoder {
            findings.extend(coil_left_on(draft, turnout, &turnout.wiring, decoder));
        }
    }
    for (turnout, drive, reached) in draft.further_reached(resolution) {
        let decoder = reached
            .output
            .and_then(|output| draft.decoders.get(output.decoder));
        if let Some(decoder) = decoder
            && turnout.format == PacketFormat::Basic
        {
            findings.extend(coil_left_on(draft, turnout, drive.wiring, decoder));
        }
    }
    signals::find(draft, resolution, findings);
    aspects_alike(draft, findings);
}

/// The longest that a coil may be switched on by its packet, milliseconds: commonly 100 to 500 are
/// set (common practice, no source), and no output is kept active for longer than this here.
const LONGEST_COIL_MS: u32 = 1000;

/// A twin-coil that an extended packet switches on for too long.
fn switched_on(draft: &Draft, turnout: &DraftTurnout) -> Option<Finding> {
    if turnout.drive != Drive::TwinCoil {
        return None;
    }
    let how_long = match turnout.on_ms {
        None => "until the next command".to_owned(),
        Some(ms) if ms > LONGEST_COIL_MS => format!("for {ms} ms"),
        Some(_) => return None,
    };
    let id = &turnout.id.value;
    let at = turnout.wiring.span;
    Some(Finding {
        code: Code::CoilLeftOn,
        subjects: vec![id.clone()],
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message: format!("{id} is a twin-coil that its extended packet switches on {how_long}"),
        mend: "give it an on_ms from 100 to 500".to_owned(),
        figures: Vec::new(),
    })
}

/// A twin-coil on an output that does not switch off by itself.
fn coil_left_on(
    draft: &Draft,
    turnout: &DraftTurnout,
    wiring: &Wiring,
    decoder: &DraftDecoder,
) -> Option<Finding> {
    if turnout.drive != Drive::TwinCoil {
        return None;
    }
    let (id, decoder_id) = (&turnout.id.value, &decoder.id.value);
    let (message, mend) = match decoder.output_kind {
        OutputKind::Steady => (
            format!(
                "{id} is a twin-coil on {decoder_id}, whose outputs ({}) stay on",
                decoder.output_kind.name()
            ),
            format!("set {decoder_id} to pulse before it is wired, or use another drive"),
        ),
        // clause: S-9.2.2 (July 2012), CV 515 to 518: 0 is continuous.
        OutputKind::Pulse if decoder.pulse_ms == 0 => (
            format!("{id} is a twin-coil on {decoder_id}, whose pulse_ms = 0 means until released"),
            format!("give {decoder_id} a pulse_ms from 50 to 250"),
        ),
        OutputKind::Pulse | OutputKind::Servo | OutputKind::StallMotor => return None,
    };
    let at = wiring.span;
    Some(Finding {
        code: Code::CoilLeftOn,
        subjects: vec![id.clone(), decoder_id.clone()],
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message,
        mend,
        figures: Vec::new(),
    })
}

fn aspects_alike(draft: &Draft, findings: &mut Vec<Finding>) {
    for signal in &draft.signals {
        let mut names: Vec<Option<&str>> = vec![None; 256];
        for aspect in &signal.aspects {
            let Some(place) = names.get_mut(usize::from(aspect.value)) else {
                continue;
            };
            let Some(first) = place.replace(aspect.name.as_str()) else {
                continue;
            };
            let id = &signal.id.value;
            let (second, value) = (&aspect.name, aspect.value);
            findings.push(Finding {
                code: Code::AspectsAlike,
                subjects: vec![id.clone()],
                at: signal.span,
                line: draft.file.line(signal.span.start),
                others: Vec::new(),
                message: format!("aspects {first} and {second} of {id} both have value {value}"),
                mend: "look up the values that the signal's decoder gives to its aspects"
                    .to_owned(),
                figures: Vec::new(),
            });
        }
    }
}
