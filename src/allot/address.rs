//! Which addresses are taken, which are better left alone, and where a new block begins.

use std::collections::HashMap;

use throwproof_protocol::address::{KeyedAddress, Numbering};

use crate::plan::draft::Draft;
use crate::plan::sound::Resolution;
use crate::plan::{BlockStart, Id};

/// The last address that stays free for a decoder on the bench: new ones answer to 1 to 4
/// (S-9.2.2 (July 2012), CV 1 and 9: 1 and 0 as they come; second-hand).
const BENCH: u16 = 4;

/// What is known of one address.
#[derive(Debug, Clone, Default)]
struct Number {
    /// Whether something of the plan has it.
    used: bool,
    /// The decoders that answer to it.
    decoders: Vec<usize>,
    /// The place that it belongs to.
    place: Option<u16>,
}

/// Every address.
#[derive(Debug)]
pub(super) struct Numbers {
    numbering: Numbering,
    list: Vec<Number>,
}

impl Numbers {
    /// `decoders` has the place of each decoder of the draft, `things` those of what has an id.
    pub(super) fn of(
        draft: &Draft,
        resolution: &Resolution,
        decoders: &[Option<u16>],
        things: &HashMap<&Id, u16>,
    ) -> Self {
        let mut list = vec![Number::default(); usize::from(KeyedAddress::MAX.get()) + 1];
        let fed = draft.decoders.iter().zip(&resolution.decoders);
        for (index, ((decoder, fed), place)) in fed.zip(decoders).enumerate() {
            for number in block(&mut list, fed.first, decoder.outputs) {
                number.decoders.push(index);
                number.place = number.place.or(*place);
            }
        }
        for (thing, reached) in draft.things().zip(&resolution.things) {
            for number in block(&mut list, reached.address, thing.addresses) {
                number.used = true;
                number.place = number.place.or(things.get(&thing.id.value).copied());
            }
        }
        Self {
            numbering: draft.layout.numbering,
            list,
        }
    }

    /// Whether an address reaches one thing only, whatever the station.
    fn is_plain(&self, address: KeyedAddress) -> bool {
        // A layout numbered from zero differs everywhere, and its owner knows that.
        let depends = self.numbering != Numbering::FromZero && address.depends_on_numbering();
        !depends && !address.binary(self.numbering).is_broadcast()
    }

    /// Whether an output of a decoder of the plan can be used for something new.
    pub(super) fn is_free_at(&self, address: KeyedAddress, decoder: usize) -> bool {
        let number = self.list.get(usize::from(address.get()));
        self.is_plain(address)
            && number.is_some_and(|number| !number.used && number.decoders == [decoder])
    }

    /// Whether a block of addresses is free for a new decoder.
    fn is_free(&self, first: u16, outputs: u8) -> bool {
        (first..first + u16::from(outputs)).all(|address| {
            let number = self.list.get(usize::from(address));
            KeyedAddress::new(address).is_ok_and(|address| self.is_plain(address))
                && number.is_some_and(|number| !number.used && number.decoders.is_empty())
        })
    }

    /// Whether all that is taken from `low` up to `high` belongs to a place.
    fn is_apart(&self, low: u16, high: u16, place: u16) -> bool {
        (low..high).all(|address| {
            let number = self.list.get(usize::from(address));
            number.is_none_or(|number| {
                (!number.used && number.decoders.is_empty()) || number.place == Some(place)
            })
        })
    }

    /// The highest address that belongs to a place, or to the nearest one before it.
    fn behind(&self, place: u16) -> u16 {
        let highest = (0..=place).rev().find_map(|place| {
            let found = self
                .list
                .iter()
                .rposition(|number| number.place == Some(place))?;
            u16::try_from(found).ok()
        });
        highest.unwrap_or(BENCH).max(BENCH)
    }

    /// Takes a free block for a decoder at a place: behind what the place has, or behind the places
    /// before it; with a free block between it and other places' where that can be.
    pub(super) fn take(
        &mut self,
        place: u16,
        outputs: u8,
        rule: BlockStart,
    ) -> Option<KeyedAddress> {
        let step = match rule {
            BlockStart::Any => 1,
            BlockStart::EveryFourth => 4,
            BlockStart::EveryEighth => 8,
        };
        let gap = u16::from(outputs);
        let behind = self.behind(place);
        let starts = (BENCH + 1..=KeyedAddress::MAX.get()).filter(|start| (start - 1) % step == 0);
        let free: Vec<u16> = starts
            .filter(|start| self.is_free(*start, outputs))
            .collect();
        let apart = |start: &u16| {
            let end = start + u16::from(outputs);
            self.is_apart(start.saturating_sub(gap), end + gap, place)
        };
        let after = |start: &&u16| **start > behind;
        let found = free.iter().find(|start| after(start) && apart(start));
        let found = found.or_else(|| free.iter().find(|start| apart(start)));
        let found = found.or_else(|| free.iter().find(after));
        let start = *found.or_else(|| free.first())?;
        let first = KeyedAddress::new(start).ok();
        for number in block(&mut self.list, first, outputs) {
            // No decoder of the draft has this number.
            number.decoders.push(usize::MAX);
            number.place = Some(place);
        }
        first
    }
}

fn block(list: &mut [Number], first: Option<KeyedAddress>, count: u8) -> &mut [Number] {
    let first = first.map_or(0, KeyedAddress::get);
    let range = usize::from(first)..usize::from(first) + usize::from(count);
    if first == 0 {
        return &mut [];
    }
    list.get_mut(range).unwrap_or_default()
}
