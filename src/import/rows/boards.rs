//! Decoders that the rows speak of.

use std::collections::BTreeMap;

use super::id_text;
use crate::import::words::{key, quoted};
use crate::import::write::{Entry, Header};
use crate::plan::{Drive, OutputKind};
use crate::toml_reader::Choice;

/// One decoder.
#[derive(Debug, Default)]
struct Board {
    /// Its number, if the list calls it by one.
    number: Option<i64>,
    /// What the list calls it.
    label: String,
    /// The highest output that is used.
    highest: u32,
    /// The first addresses that rows with both address and output tell, with how many do.
    firsts: BTreeMap<i64, usize>,
    drives: Vec<Option<Drive>>,
    row: usize,
}

/// All of them, in the order of the list.
#[derive(Debug, Default)]
pub(super) struct Boards {
    list: Vec<(String, Board)>,
}

/// Outputs that decoders have (common practice, no source).
const SIZES: [u32; 5] = [4, 8, 16, 32, 64];

fn size(highest: u32) -> u32 {
    let fits = SIZES.into_iter().find(|size| *size >= highest);
    fits.unwrap_or(64)
}

impl Boards {
    /// Takes note of an output; gives the decoder's id.
    pub(super) fn note(
        &mut self,
        label: &str,
        output: u32,
        address: Option<i64>,
        drive: Option<Drive>,
        row: usize,
    ) -> String {
        let number = label.parse().ok();
        let id = match number {
            Some(number) => format!("D{number}"),
            None => id_text(label),
        };
        // A name without a letter that an id can have.
        let id = if id.is_empty() {
            format!("D-row-{row}")
        } else {
            id
        };
        let id: String = id.chars().take(32).collect();
        let at = self.list.iter().position(|(known, _)| *known == id);
        let at = at.unwrap_or_else(|| {
            let board = Board {
                number,
                label: label.to_owned(),
                row,
                ..Board::default()
            };
            self.list.push((id.clone(), board));
            self.list.len() - 1
        });
        if let Some((_, board)) = self.list.get_mut(at) {
            board.highest = board.highest.max(output);
            board.drives.push(drive);
            if let Some(address) = address {
                let first = address.saturating_sub(i64::from(output) - 1);
                *board.firsts.entry(first).or_default() += 1;
            }
        }
        id
    }

    /// The `[decoder.ID]` tables; `taken` is the highest address that a row has.
    pub(super) fn entries(&self, taken: i64, assumed: &mut Vec<String>) -> Vec<Entry> {
        let numbered = self.list.iter().filter(|(_, board)| board.number.is_some());
        let apart = size(numbered.map(|(_, board)| board.highest).max().unwrap_or(1));
        let mut next = self.list.iter().fold(taken, |next, (_, board)| {
            let last = board.known(apart).map_or(0, |(first, _)| {
                first.saturating_add(i64::from(size(board.highest)) - 1)
            });
            next.max(last)
        });
        let mut entries = Vec::new();
        for (id, board) in &self.list {
            let outputs = size(board.highest);
            let (first, why) = board.known(apart).unwrap_or_else(|| {
                // Blocks begin at 4k + 1 (S-9.2.2, July 2012, CV 1 and 9).
                let first = next.saturating_add(3) / 4 * 4 + 1;
                next = first.saturating_add(i64::from(outputs) - 1);
                (
                    first,
                    "the list gives no address; this one is free in it".to_owned(),
                )
            });
            if !why.is_empty() {
                assumed.push(format!("decoder {id} begins at address {first}: {why}"));
            }
            let mut entry = Entry::new(board.row, Header::Named("decoder", key(id)));
            if *id != board.label {
                entry
                    .remarks
                    .push(format!("The list calls it {}", board.label));
            }
            let used = format!("up to {} used in the list", board.highest);
            entry.set_because("outputs", outputs, used);
            entry.set_because("first_address", first, why);
            entry.set("output_kind", quoted(board.kind().name()));
            entries.push(entry);
        }
        entries
    }
}

impl Board {
    /// Its first address as rows tell it or as its number gives it, and what of that is assumed.
    fn known(&self, apart: u32) -> Option<(i64, String)> {
        // The one that most rows tell; the lowest of equals.
        let told = self.firsts.iter().rev().max_by_key(|(_, count)| **count);
        if let Some((first, _)) = told {
            return Some((*first, String::new()));
        }
        let number = self.number.filter(|number| *number > 0)?;
        // RCN-213: N = (board - 1) x 4 + output, both from 1 (second-hand).
        let first = number
            .checked_sub(1)?
            .checked_mul(i64::from(apart))?
            .checked_add(1)?;
        Some((
            first,
            format!("boards counted from 1, {apart} outputs each"),
        ))
    }

    /// What its outputs have to do for the drives on them.
    fn kind(&self) -> OutputKind {
        let all = |drive| self.drives.iter().all(|one| *one == Some(drive));
        if all(Drive::Servo) {
            OutputKind::Servo
        } else if all(Drive::StallMotor) {
            OutputKind::StallMotor
        } else if all(Drive::MemoryWire) {
            OutputKind::Steady
        } else {
            OutputKind::Pulse
        }
    }
}
