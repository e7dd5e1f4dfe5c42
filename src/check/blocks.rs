//! Unused addresses amid a block, and three-way turnouts written as two.

use crate::plan::draft::{Draft, DraftTurnout};
use crate::plan::finding::{Code, Figure, Finding};
use crate::plan::sound::Resolution;
use crate::plan::{Id, Shape};
use crate::textfile::Span;
use crate::toml_reader::Mark;
use throwproof_protocol::address::Position;

/// One spare output on a board is good practice; common practice, no source.
const SPARE: usize = 1;

pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    gaps(draft, resolution, findings);
    three_ways(draft, findings);
}

fn finding(
    draft: &Draft,
    code: Code,
    subjects: Vec<Id>,
    at: Span,
    message: String,
    mend: &str,
) -> Finding {
    Finding {
        code,
        subjects,
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message,
        mend: mend.to_owned(),
        figures: Vec::new(),
    }
}

/// Finds decoders with outputs unused below one that is used.
fn gaps(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    let mut used = vec![Vec::new(); draft.decoders.len()];
    for (thing, reached) in draft.things().zip(&resolution.things) {
        if let Some(output) = reached.output
            && let Some(used) = used.get_mut(output.decoder)
        {
            used.extend(output.number..output.number.saturating_add(thing.addresses));
        }
    }
    for (index, decoder) in draft.decoders.iter().enumerate() {
        let (Some(used), Some(first)) = (
            used.get(index),
            resolution.decoders.get(index).and_then(|fed| fed.first),
        ) else {
            continue;
        };
        let last = used.iter().copied().max().unwrap_or_default();
        let from = used.iter().copied().min().unwrap_or_default();
        let unused: Vec<_> = (from..last)
            .filter(|output| !used.contains(output))
            .collect();
        if unused.len() <= SPARE {
            continue;
        }
        let id = &decoder.id.value;
        let addresses = unused
            .iter()
            .map(|output| (first.get() + u16::from(*output) - 1).to_string());
        let message = format!(
            "of the block of {id}, addresses {} are unused",
            crate::plan::sound::and_more(addresses)
        );
        let mend = "keep one spare output a board; use the rest, or note what it is kept for";
        let subjects = vec![id.clone()];
        let at = decoder.first_address.span;
        let mut gap = finding(draft, Code::AddressGap, subjects, at, message, mend);
        let spare = f64::from(u8::try_from(unused.len()).unwrap_or(u8::MAX));
        gap.figures = vec![Figure::of("unused amid the block", spare, "").at_most(1.0)];
        findings.push(gap);
    }
}

/// Finds three-way turnouts that are written as two and whose forbidden position is come to when
/// one half is thrown while the other rests.
fn three_ways(draft: &Draft, findings: &mut Vec<Finding>) {
    let halves = draft.turnouts.iter();
    let halves = halves.filter(|it| it.shape == Shape::ThreeWay && it.joint.is_none());
    let halves: Vec<&DraftTurnout> = halves.collect();
    for pair in halves.chunks(2) {
        let [one, other] = pair else { continue };
        let diverging = [one, other].map(|half| half.rest == Position::Diverging);
        if one.place != other.place || !diverging.contains(&true) {
            continue;
        }
        let (id, with) = (&one.id.value, &other.id.value);
        let resting = if diverging[0] { id } else { with };
        let message = format!(
            "{id} and {with} are the halves of a three-way turnout, and {resting} rests diverging: \
             throwing the other half then throws both ways at once"
        );
        let mend = "let both rest straight";
        let subjects = vec![id.clone(), with.clone()];
        let at = other.wiring.span;
        let mut found = finding(draft, Code::ForbiddenPair, subjects, at, message, mend);
        found.others = vec![Mark {
            at: one.wiring.span,
            label: format!("{id} is here"),
        }];
        findings.push(found);
    }
}
