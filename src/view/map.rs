//! Addresses in use: which thing has which, which decoder answers to it, and what is free.
//!
//! [`svg`] draws it, [`text`] shows it in characters.

use throwproof_protocol::address::{KeyedAddress, Numbering};

use crate::plan::draft::Draft;
use crate::plan::{Id, PacketFormat};

mod characters;
mod picture;

pub use characters::text;
pub use picture::svg;

/// Every address of a layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Map {
    /// The layout's name.
    pub layout: String,
    /// The decoders, in the order of their first addresses.
    pub blocks: Vec<Block>,
    /// All addresses, from 1.
    pub cells: Vec<Cell>,
}

/// The addresses of a decoder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// The decoder.
    pub decoder: Id,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Its first address.
    pub first: u16,
    /// Its last.
    pub last: u16,
    /// The packets it obeys.
    pub format: PacketFormat,
}

/// One address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cell {
    /// The number that a person keys.
    pub address: u16,
    /// What has it.
    pub users: Vec<User>,
    /// The decoders that answer to it, by number in [`Map::blocks`].
    pub blocks: Vec<usize>,
    /// Whether it had better be left alone, and why.
    pub apart: Option<Apart>,
    /// Whether several things have it that do not all mean to, or several decoders.
    pub is_double: bool,
}

/// Something that has an address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// Its id.
    pub id: Id,
    /// Where it is; empty where the plan does not say.
    pub place: String,
}

/// Why an address had better be left alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Apart {
    /// Every decoder may obey it (S-9.2.1 (July 2012), broadcast and emergency stop).
    Reserved,
    /// Stations differ in what they send for it.
    Numbering,
}

impl Map {
    /// The map of a plan, whether or not it has errors.
    pub fn of(draft: &Draft) -> Self {
        let (resolution, _) = draft.resolve();
        let mut blocks: Vec<Block> = Vec::new();
        for (decoder, fed) in draft.decoders.iter().zip(&resolution.decoders) {
            blocks.extend(fed.first.map(|first| Block {
                decoder: decoder.id.value.clone(),
                place: decoder.place.clone(),
                first: first.get(),
                last: first.get() + u16::from(decoder.outputs) - 1,
                format: decoder.format,
            }));
        }
        blocks.sort_by_key(|block| block.first);
        let numbering = draft.layout.numbering;
        let mut cells: Vec<Cell> = KeyedAddress::all()
            .map(|address| cell(address, numbering, &blocks))
            .collect();
        let turnouts = draft.turnouts.iter();
        let places = turnouts.map(|one| (&one.id.value, &one.place));
        let signals = draft.signals.iter();
        let places = places.chain(signals.map(|one| (&one.id.value, &one.place)));
        let places: std::collections::HashMap<&Id, &String> = places.collect();
        let mut silent = vec![false; cells.len()];
        for (thing, reached) in draft.things().zip(&resolution.things) {
            let Some(first) = reached.address.map(|first| usize::from(first.get())) else {
                continue;
            };
            let range = first - 1..first - 1 + usize::from(thing.addresses);
            for index in range {
                if let (Some(cell), Some(silent)) = (cells.get_mut(index), silent.get_mut(index)) {
                    let id = thing.id.value.clone();
                    let place = places
                        .get(&id)
                        .map_or_else(String::new, |one| (*one).clone());
                    cell.users.push(User { id, place });
                    *silent |= !thing.shares_address;
                }
            }
        }
        for (cell, silent) in cells.iter_mut().zip(silent) {
            cell.is_double |= cell.users.len() > 1 && silent;
        }
        Self {
            layout: draft.layout.name.clone(),
            blocks,
            cells,
        }
    }

    /// The decoders of a cell, with the output of each, from 1.
    pub fn outputs(&self, cell: &Cell) -> Vec<(&Block, u16)> {
        let blocks = cell
            .blocks
            .iter()
            .filter_map(|index| self.blocks.get(*index));
        blocks
            .map(|block| (block, cell.address - block.first + 1))
            .collect()
    }
}

impl Cell {
    /// Whether nothing has it and no decoder answers to it.
    pub fn is_empty(&self) -> bool {
        self.users.is_empty() && self.blocks.is_empty()
    }
}

fn cell(address: KeyedAddress, numbering: Numbering, blocks: &[Block]) -> Cell {
    let number = address.get();
    let over = blocks.iter().enumerate();
    let over = over.filter(|(_, block)| (block.first..=block.last).contains(&number));
    let blocks: Vec<usize> = over.map(|(index, _)| index).collect();
    let apart = if address.binary(numbering).is_broadcast() {
        Some(Apart::Reserved)
    } else if numbering != Numbering::FromZero && address.depends_on_numbering() {
        Some(Apart::Numbering)
    } else {
        None
    };
    Cell {
        address: number,
        users: Vec::new(),
        is_double: blocks.len() > 1,
        blocks,
        apart,
    }
}
