//! What supplies may still give.
//!
//! A small estimate: what flows all the time stays within 80 % of what a supply is rated for, and
//! one throw within all of it (both common practice, no source). A capacitor discharge unit brings
//! the current of a throw itself.

use crate::plan::draft::Draft;
use crate::plan::sound::Resolution;
use crate::plan::{OutputKind, Supply, SupplyKind};

use super::demand::{Line, milliamperes};

/// How much of its rated current a supply gives all the time.
const ALL_THE_TIME: f64 = 0.8;

/// What a decoder draws itself, amperes, where the plan does not say (common practice, no source:
/// 10 to 50 mA).
const BOARD: f64 = 0.03;

/// What each supply may still give all the time, milliamperes.
pub(super) fn margins(draft: &Draft, resolution: &Resolution, line: &Line<'_>) -> Vec<u32> {
    let rated = draft.supplies.iter();
    let mut margins: Vec<u32> = rated
        .map(|supply| milliamperes(supply.amps * ALL_THE_TIME))
        .collect();
    for (decoder, fed) in draft.decoders.iter().zip(&resolution.decoders) {
        let drawn = milliamperes(decoder.idle_amps.unwrap_or(BOARD));
        take(&mut margins, fed.supply, drawn);
    }
    for entry in &line.entries {
        let reached = resolution.things.get(entry.thing);
        let output = reached.and_then(|reached| reached.output);
        let fed = output.and_then(|output| resolution.decoders.get(output.decoder));
        take(&mut margins, fed.and_then(|fed| fed.supply), entry.steady);
    }
    margins
}

fn take(margins: &mut [u32], supply: Option<usize>, milliamperes: u32) {
    if let Some(margin) = supply.and_then(|supply| margins.get_mut(supply)) {
        *margin = margin.saturating_sub(milliamperes);
    }
}

/// The largest current of one throw, milliamperes.
pub(super) fn one_throw(supply: &Supply) -> u32 {
    if supply.capacitor.is_some() {
        u32::MAX
    } else {
        milliamperes(supply.amps)
    }
}

/// What a decoder to add asks of a supply.
#[derive(Debug, Clone, Copy)]
pub(super) struct Load<'a> {
    /// What its drives draw all the time, milliamperes.
    pub(super) steady: u32,
    /// What one throw takes, milliamperes.
    pub(super) peak: u32,
    pub(super) kind: OutputKind,
    /// The places it serves.
    pub(super) places: &'a [u16],
    /// What it draws itself, amperes.
    pub(super) idle: Option<f64>,
    /// The supply of the decoder that it is like.
    pub(super) wanted: Option<usize>,
}

/// The supply that fits a decoder to add best, which then gives so much less: the one of the
/// decoder it is like; else one that feeds decoders of its kind, then of its places; one that is
/// not the track; the one with most to give.
pub(super) fn choose(
    draft: &Draft,
    resolution: &Resolution,
    margins: &mut [u32],
    load: Load<'_>,
    places: &[Vec<u16>],
) -> Option<usize> {
    let wants = load.steady + milliamperes(load.idle.unwrap_or(BOARD));
    let able = draft.supplies.iter().enumerate().filter(|(index, supply)| {
        let margin = margins.get(*index).copied().unwrap_or(0);
        margin >= wants && one_throw(supply) >= load.peak
    });
    let best = able.max_by_key(|(index, supply)| {
        let fed = draft.decoders.iter().zip(&resolution.decoders).zip(places);
        let fed = fed.filter(|((_, fed), _)| fed.supply == Some(*index));
        let (mut of_kind, mut near) = (false, false);
        for ((decoder, _), places) in fed {
            of_kind |= decoder.output_kind == load.kind;
            near |= places.iter().any(|place| load.places.contains(place));
        }
        (
            load.wanted == Some(*index),
            of_kind,
            near,
            supply.kind == SupplyKind::Separate,
            margins.get(*index).copied(),
            std::cmp::Reverse(*index),
        )
    });
    let chosen = best.map(|(index, _)| index);
    take(margins, chosen, wants);
    chosen
}
