//! The columns of the tables.

use std::io::{self, Write};

use unicode_width::UnicodeWidthStr;

use super::{BAD, GOOD, OPEN};
use crate::plan::Id;
use crate::verdict::Verdict;

#[derive(Debug)]
pub(super) struct Row {
    pub(super) id: Id,
    pub(super) place: String,
    pub(super) address: u16,
    pub(super) verdict: Verdict,
    pub(super) means: &'static str,
    pub(super) seen: String,
}

/// Widths of the columns, in terminal cells.
pub(super) struct Widths {
    place: usize,
    id: usize,
    address: usize,
    verdict: usize,
}

impl Widths {
    pub(super) fn of(rows: &[Row]) -> Self {
        let widest = |width: fn(&Row) -> usize| rows.iter().map(width).max().unwrap_or_default();
        Self {
            place: widest(|row| row.place.width()),
            id: widest(|row| row.id.as_str().width()),
            address: widest(|row| row.address.to_string().len()),
            verdict: widest(|row| row.verdict.as_str().len()),
        }
    }

    pub(super) fn place(&self, out: &mut impl Write, place: &str) -> io::Result<()> {
        let pad = self.place.saturating_sub(place.width());
        write!(out, "{place}{:pad$}", "")
    }

    pub(super) fn print(&self, out: &mut impl Write, row: &Row, what: &str) -> io::Result<()> {
        let style = match row.verdict {
            Verdict::Proved => GOOD,
            Verdict::Skipped => OPEN,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => BAD,
        };
        let pad = self.id.saturating_sub(row.id.as_str().width());
        let (address, verdict) = (self.address, self.verdict);
        writeln!(
            out,
            "  {}{:pad$}  {:>address$}  {style}{:verdict$}{style:#}  {what}",
            row.id, "", row.address, row.verdict
        )
    }
}
