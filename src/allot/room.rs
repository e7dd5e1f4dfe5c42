//! What is free on the decoders that the plan has.

use throwproof_protocol::address::KeyedAddress;

use crate::plan::OutputKind;
use crate::plan::draft::{Draft, DraftDecoder};
use crate::plan::sound::Resolution;

use super::address::Numbers;
use super::demand::{Class, Line, milliamperes};
use super::pack::{Run, Shelf};
use super::supply;

/// The places that each decoder serves, the one with most of its things first: places of what is
/// on it, and its own if that is the name of one.
pub(super) fn places(draft: &Draft, resolution: &Resolution, line: &Line<'_>) -> Vec<Vec<u16>> {
    let decoders = draft.decoders.iter().enumerate();
    let places = decoders.map(|(index, decoder)| {
        let mut counts: Vec<(u16, usize)> = Vec::new();
        let own = Some(&decoder.place).filter(|place| !place.trim().is_empty());
        // Its own place outweighs those of what is on it.
        counts.extend(own.and_then(|own| line.place(own)).map(|own| (own, 1000)));
        for entry in &line.entries {
            let reached = resolution.things.get(entry.thing);
            let output = reached.and_then(|reached| reached.output);
            if output.is_some_and(|output| output.decoder == index)
                && let Some(place) = line.place(entry.place)
            {
                match counts.iter_mut().find(|(known, _)| *known == place) {
                    Some((_, count)) => *count += 1,
                    None => counts.push((place, 1)),
                }
            }
        }
        counts.sort_by_key(|(place, count)| (std::cmp::Reverse(*count), *place));
        counts.into_iter().map(|(place, _)| place).collect()
    });
    places.collect()
}

/// What is free, as things are given outputs.
#[derive(Debug)]
pub(super) struct Rooms {
    /// For each decoder, whether each output is free.
    free: Vec<Vec<bool>>,
    /// For each decoder, the places it serves.
    pub(super) places: Vec<Vec<u16>>,
    /// For each decoder, what it may still carry all the time, milliamperes.
    steady: Vec<u32>,
    /// For each decoder, the largest current of one output, milliamperes.
    peak: Vec<u32>,
}

impl Rooms {
    pub(super) fn of(
        draft: &Draft,
        resolution: &Resolution,
        line: &Line<'_>,
        numbers: &Numbers,
        places: Vec<Vec<u16>>,
    ) -> Self {
        let fed = draft.decoders.iter().zip(&resolution.decoders).enumerate();
        let free = fed.map(|(index, (decoder, fed))| {
            let first = fed.first.map(KeyedAddress::get);
            let outputs = (0..u16::from(decoder.outputs)).map(|output| {
                let address = first.and_then(|first| KeyedAddress::new(first + output).ok());
                address.is_some_and(|address| numbers.is_free_at(address, index))
            });
            outputs.collect()
        });
        let free = free.collect();
        let decoders = draft.decoders.iter().enumerate();
        let steady = decoders.map(|(index, decoder)| {
            let on_it = line.entries.iter().filter(|entry| {
                let reached = resolution.things.get(entry.thing);
                let output = reached.and_then(|reached| reached.output);
                output.is_some_and(|output| output.decoder == index)
            });
            let drawn: u32 = on_it.map(|entry| entry.steady).sum();
            decoder
                .max_total_amps
                .map_or(u32::MAX, |amps| milliamperes(amps).saturating_sub(drawn))
        });
        let steady = steady.collect();
        let fed = draft.decoders.iter().zip(&resolution.decoders);
        let peak = fed.map(|(decoder, fed)| {
            let supply = fed.supply.and_then(|supply| draft.supplies.get(supply));
            let limits = [decoder.max_output_amps, decoder.max_total_amps];
            let limits = limits.into_iter().flatten().map(milliamperes);
            limits
                .chain(supply.map(supply::one_throw))
                .min()
                .unwrap_or(u32::MAX)
        });
        let peak = peak.collect();
        Self {
            free,
            places,
            steady,
            peak,
        }
    }

    /// The shelves for things of a class, with the decoder of each.
    pub(super) fn shelves(
        &self,
        draft: &Draft,
        resolution: &Resolution,
        class: Class,
        spare: u8,
    ) -> Vec<(usize, Shelf)> {
        let mut shelves = Vec::new();
        for (index, (decoder, fed)) in draft.decoders.iter().zip(&resolution.decoders).enumerate() {
            let free = self.free.get(index).map(Vec::as_slice).unwrap_or_default();
            let runs = runs(free);
            let count: u8 = runs.iter().map(|run| run.length).sum();
            let quota = count.saturating_sub(spare);
            if quota == 0 || !suits(decoder, class) {
                continue;
            }
            let room = Shelf {
                runs,
                quota,
                served: self.places.get(index).cloned().unwrap_or_default(),
                steady: self.steady.get(index).copied().unwrap_or(0),
                peak: self.peak.get(index).copied().unwrap_or(0),
                supply: fed.supply,
            };
            shelves.push((index, room));
        }
        shelves
    }

    /// Takes outputs of a decoder.
    pub(super) fn take(&mut self, decoder: usize, first: u8, width: u8, place: u16, steady: u32) {
        let from = usize::from(first).saturating_sub(1);
        if let Some(free) = self.free.get_mut(decoder) {
            let taken = free.iter_mut().skip(from).take(usize::from(width));
            taken.for_each(|free| *free = false);
        }
        if let Some(places) = self.places.get_mut(decoder)
            && !places.contains(&place)
        {
            places.push(place);
        }
        if let Some(left) = self.steady.get_mut(decoder) {
            *left = left.saturating_sub(steady);
        }
    }
}

/// Whether a decoder's outputs are what a class wants.
fn suits(decoder: &DraftDecoder, class: Class) -> bool {
    // A coil on an output that does not switch off by itself burns out.
    let off = class.kind != Some(OutputKind::Pulse) || decoder.pulse_ms > 0;
    let kind = class.kind.is_none_or(|kind| kind == decoder.output_kind);
    decoder.format == class.format && kind && off
}

fn runs(free: &[bool]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for (output, free) in (1..=u8::MAX).zip(free) {
        if !*free {
            continue;
        }
        match runs
            .last_mut()
            .filter(|run| run.start + run.length == output)
        {
            Some(run) => run.length += 1,
            None => runs.push(Run {
                start: output,
                length: 1,
            }),
        }
    }
    runs
}
