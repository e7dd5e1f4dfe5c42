//! From a draft that is sound to the plan.

use throwproof_protocol::address::PairBit;

use crate::plan::draft::{Draft, DraftJoint, DraftSignal, DraftTurnout};
use crate::plan::{Decoder, Joint, JointDrive, Plan, Run, Signal, Turnout};
use crate::textfile::Span;

use super::{Reached, Resolution};

/// The plan of a draft without contradictions.
pub(crate) fn build(draft: Draft, resolution: &Resolution) -> Plan {
    let Draft {
        file,
        layout,
        supplies,
        decoders,
        turnouts,
        signals,
    } = draft;
    let line = |span: Span| file.line(span.start);
    let mut things = resolution.things.iter().copied();
    let mut further = things.clone().skip(turnouts.len() + signals.len());
    let decoders = decoders
        .into_iter()
        .zip(&resolution.decoders)
        .filter_map(|(decoder, fed)| {
            Some(Decoder {
                id: decoder.id.value,
                outputs: decoder.outputs,
                first_address: fed.first?,
                supply: fed.supply,
                output_kind: decoder.output_kind,
                pulse_ms: decoder.pulse_ms,
                max_output_amps: decoder.max_output_amps,
                learns: decoder.learns,
                format: decoder.format,
                place: decoder.place,
                block_start: decoder.block_start,
                idle_amps: decoder.idle_amps,
                max_total_amps: decoder.max_total_amps,
                wire: decoder.wire.map(|run| Run {
                    wire: run.wire,
                    from: fed.from,
                }),
                teaching: decoder.teaching,
                line: line(decoder.span),
            })
        });
    let decoders = decoders.collect();
    let turnouts = turnouts
        .into_iter()
        .zip(things.by_ref())
        .filter_map(|(one, reached)| {
            let at = line(one.span);
            turnout(one, reached, further.by_ref(), at)
        });
    let turnouts = turnouts.collect();
    let signals = signals.into_iter().zip(things);
    let signals = signals.filter_map(|(one, reached)| {
        let line = line(one.span);
        signal(one, reached, line)
    });
    let signals = signals.collect();
    let source = file.path().to_owned();
    Plan {
        source,
        layout,
        supplies,
        decoders,
        turnouts,
        signals,
    }
}

/// Takes how its further drives are reached from the front of `further`.
fn joint(
    several: DraftJoint,
    (first, first_bit): (Reached, PairBit),
    further: &mut dyn Iterator<Item = Reached>,
) -> Option<Joint> {
    let bits = several
        .further
        .iter()
        .map(|(_, straight_bit)| *straight_bit);
    let further: Vec<_> = further.take(several.further.len()).zip(bits).collect();
    let drives = std::iter::once((first, first_bit)).chain(further);
    let drives = drives.map(|(reached, straight_bit)| {
        Some(JointDrive {
            address: reached.address?,
            output: reached.output,
            straight_bit,
        })
    });
    Some(Joint {
        drives: drives.collect::<Option<_>>()?,
        positions: several.positions,
        rest: several.rest,
        free_passage: several.free_passage,
    })
}

/// Takes how its further drives are reached from the front of `further`.
fn turnout(
    turnout: DraftTurnout,
    reached: Reached,
    further: &mut dyn Iterator<Item = Reached>,
    line: u32,
) -> Option<Turnout> {
    let first = (reached, turnout.straight_bit);
    let several = turnout.joint;
    let joint = several.map(|several| joint(several, first, further));
    Some(Turnout {
        id: turnout.id.value,
        place: turnout.place,
        shape: turnout.shape,
        address: reached.address?,
        output: reached.output,
        drive: turnout.drive,
        drives: turnout.drives,
        straight_bit: turnout.straight_bit,
        amps: turnout.amps,
        position_reports: turnout.position_reports,
        rest: turnout.rest,
        shares_address: turnout.shares_address,
        accept: turnout.accept,
        joint: match joint {
            Some(joint) => Some(joint?),
            None => None,
        },
        part: None,
        format: turnout.format,
        on_ms: turnout.on_ms,
        wire: turnout.wire,
        needs_ms: turnout.needs_ms,
        line,
    })
}

/// A signal, if its address is known.
fn signal(signal: DraftSignal, reached: Reached, line: u32) -> Option<Signal> {
    Some(Signal {
        id: signal.id.value,
        place: signal.place,
        address: reached.address?,
        kind: signal.kind,
        output: reached.output,
        aspects: signal.aspects,
        sort: signal.sort,
        lamps: signal.lamps,
        restrictive: signal.restrictive,
        on_ms: signal.on_ms,
        line,
    })
}
