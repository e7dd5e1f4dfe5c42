//! What several failures together point at. Common practice, no source.

use super::model::{Pattern, Report, State, Thing};
use crate::plan::Plan;
use crate::verdict::Verdict;

/// Failures that have more to say together than one by one.
pub(super) fn find(report: &Report, plan: &Plan) -> Vec<Pattern> {
    let mut patterns = Vec::new();
    for decoder in &plan.decoders {
        patterns.extend(whole_decoder(report, decoder.id.as_str()));
    }
    for thing in report.things() {
        if let Some(pattern) = moved_instead(report, thing) {
            // Two that move each other are one finding.
            let known = |one: &Pattern| pattern.ids.iter().all(|id| one.ids.contains(id));
            if !patterns.iter().any(known) {
                patterns.push(pattern);
            }
        }
    }
    patterns
}

/// Everything tried on a decoder fails alike.
fn whole_decoder(report: &Report, decoder: &str) -> Option<Pattern> {
    let tried: Vec<_> = report
        .things()
        .filter(|thing| thing.decoder.as_deref() == Some(decoder))
        .filter(|thing| matches!(thing.state, State::Proved | State::Failed))
        .collect();
    let verdict = tried.first()?.verdict?;
    if tried.len() < 2 || tried.iter().any(|thing| thing.verdict != Some(verdict)) {
        return None;
    }
    let text = match verdict {
        Verdict::Still => format!(
            "Nothing moves on decoder {decoder}: look at the decoder before its drives. Has it \
             its supply and its address, does its fuse hold, does it hear commands at all?"
        ),
        Verdict::Reversed => format!(
            "All on decoder {decoder} go the wrong way: it takes the other sense for straight. \
             Mend it in one place, the decoder's setting or the plan, not at each drive."
        ),
        Verdict::Proved
        | Verdict::OneWay
        | Verdict::Partial
        | Verdict::Stray
        | Verdict::Skipped => return None,
    };
    Some(Pattern {
        ids: tried.iter().map(|thing| thing.id.clone()).collect(),
        text,
    })
}

/// Another one moved, at an address that tells why.
fn moved_instead(report: &Report, thing: &Thing) -> Option<Pattern> {
    if thing.verdict != Some(Verdict::Stray) || thing.state != State::Failed {
        return None;
    }
    let other = thing.throws.iter().find_map(|throw| throw.others.first())?;
    let moved = report.things().find(|one| one.id == *other)?;
    let (own, of_other) = (&thing.id, &moved.id);
    let text = match thing.address.abs_diff(moved.address) {
        4 => format!(
            "{own} moves {of_other}, four addresses away: the station or the decoder counts \
             boards of four from another number. Look for that option before you renumber."
        ),
        1..=3 => format!(
            "{own} moves {of_other}, a few addresses away: leads on each other's outputs, or a \
             first address that the decoder rounds to the start of its block."
        ),
        far if far > 0 && far % 64 == 0 => format!(
            "{own} moves {of_other}, {far} addresses away: the high part of the address is not \
             written. Write both parts, CV 1 and CV 9, again."
        ),
        _ => return None,
    };
    Some(Pattern {
        ids: vec![own.clone(), of_other.clone()],
        text,
    })
}
