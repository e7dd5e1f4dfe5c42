//! Decoders that answer to each other's addresses, or can't be given their own.

use throwproof_protocol::address::KeyedAddress;

use crate::plan::BlockStart;
use crate::plan::draft::{Draft, DraftDecoder};
use crate::plan::finding::{Code, Finding};
use crate::plan::sound::Resolution;
use crate::toml_reader::Mark;

pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    let firsts = resolution.decoders.iter().map(|fed| fed.first);
    let mut blocks: Vec<_> = draft
        .decoders
        .iter()
        .zip(firsts)
        .filter_map(|(decoder, first)| Some((first.map(KeyedAddress::get)?, decoder)))
        .collect();
    findings.extend(
        blocks
            .iter()
            .filter_map(|(first, decoder)| start(draft, *first, decoder)),
    );
    blocks.sort_by_key(|(first, _)| *first);
    for (index, block) in blocks.iter().enumerate() {
        let (first, decoder) = *block;
        let end = first + u16::from(decoder.outputs);
        // Blocks are in order, so no later one can overlap once one begins behind the end.
        let behind = blocks
            .iter()
            .skip(index + 1)
            .take_while(|(other, _)| *other < end);
        let same = behind.filter(|(_, other)| other.format == decoder.format);
        findings.extend(same.map(|other| overlap(draft, *block, *other)));
    }
}

/// A decoder at a first address that it can't be given.
fn start(draft: &Draft, first: u16, decoder: &DraftDecoder) -> Option<Finding> {
    let (step, starts) = match decoder.block_start {
        BlockStart::Any => return None,
        BlockStart::EveryFourth => (4, "1, 5, 9, 13, …"),
        BlockStart::EveryEighth => (8, "1, 9, 17, 25, …"),
    };
    let off = (first - 1) % step;
    if off == 0 {
        return None;
    }
    let id = &decoder.id.value;
    let (below, above) = (first - off, first - off + step);
    let above = KeyedAddress::new(above)
        .map(|above| format!(" or {above}"))
        .unwrap_or_default();
    let at = decoder.first_address.span;
    Some(Finding {
        code: Code::BlockStart,
        subjects: vec![id.clone()],
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message: format!("{id} starts at address {first}, and can start at {starts} only"),
        mend: format!(
            "start it at {below}{above}; if this one can start anywhere, write block_start = \
             \"any\""
        ),
        figures: Vec::new(),
    })
}

fn overlap(
    draft: &Draft,
    (first, decoder): (u16, &DraftDecoder),
    (other_first, other): (u16, &DraftDecoder),
) -> Finding {
    let last = first + u16::from(decoder.outputs) - 1;
    let last = last.min(other_first + u16::from(other.outputs) - 1);
    let (id, other_id) = (&decoder.id.value, &other.id.value);
    let shared = if other_first == last {
        format!("address {last}")
    } else {
        format!("addresses {other_first} to {last}")
    };
    let at = other.first_address.span;
    Finding {
        code: Code::BlocksOverlap,
        subjects: vec![id.clone(), other_id.clone()],
        at,
        line: draft.file.line(at.start),
        others: vec![Mark {
            at: decoder.first_address.span,
            label: format!("{id} starts here and has {} outputs", decoder.outputs),
        }],
        message: format!("{id} and {other_id} both answer to {shared}"),
        mend: format!(
            "move one of them, such as {other_id} to {} or behind",
            first + u16::from(decoder.outputs)
        ),
        figures: Vec::new(),
    }
}
