//! The map in characters: a line for twenty addresses, in fours.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthChar as _;

use super::{Apart, Block, Cell, Map};

/// Widest line, terminal cells.
const WIDTH: usize = 80;

/// How many addresses a line has: five fours, so that a hundred is five lines.
const LINE: usize = 20;

const LEGEND: &str = "\
#  in use              =  in use by several that mean to
+  free on a decoder   .  free, and on no decoder
!  in use by several, or on several decoders
~  left alone: what is sent for it depends on the station's numbering
x  left alone: every decoder may obey it
?  in use, though it had better be left alone
";

/// The map as a person reads it at a terminal: the hundreds of which something is in use.
pub fn text(map: &Map) -> String {
    let mut text = format!("{}: addresses in use\n", map.layout);
    let mut from_before = 1;
    for hundred in map.cells.chunks(5 * LINE) {
        let (Some(first), Some(last)) = (hundred.first(), hundred.last()) else {
            continue;
        };
        if hundred.iter().all(Cell::is_empty) {
            continue;
        }
        skipped(&mut text, from_before, first.address);
        from_before = last.address + 1;
        text.push('\n');
        for cells in hundred.chunks(LINE) {
            line(&mut text, map, cells);
        }
    }
    let end = map.cells.last().map_or(1, |cell| cell.address + 1);
    skipped(&mut text, from_before, end);
    text.push('\n');
    text.push_str(LEGEND);
    text
}

/// Says what is not shown.
fn skipped(text: &mut String, from: u16, to: u16) {
    if from < to {
        // A `String` takes anything.
        let _infallible = writeln!(text, "\n{from} to {}: nothing", to - 1);
    }
}

fn line(text: &mut String, map: &Map, cells: &[Cell]) {
    let first = cells.first().map_or(0, |cell| cell.address);
    let last = cells.last().map_or(0, |cell| cell.address);
    let mut line = format!("{first:>4}  ");
    for four in cells.chunks(4) {
        line.extend(four.iter().map(sign));
        line.push(' ');
    }
    let begin = map
        .blocks
        .iter()
        .filter(|block| (first..=last).contains(&block.first));
    let begin = begin.map(|block| decoder(map, block));
    let bare = cells.iter().filter(|cell| cell.blocks.is_empty());
    let bare = bare
        .flat_map(|cell| &cell.users)
        .map(|user| user.id.to_string());
    let bare: Vec<String> = bare.collect();
    let more = (!bare.is_empty()).then(|| format!("no decoder: {}", bare.join(" ")));
    let said: Vec<String> = begin.chain(more).collect();
    let said = said.join("; ");
    if !said.is_empty() {
        line.push(' ');
        line.push_str(&said);
    }
    text.push_str(fit(line.trim_end(), WIDTH).trim_end());
    text.push('\n');
}

/// A decoder with its addresses, and what is on it.
fn decoder(map: &Map, block: &Block) -> String {
    let mut ids: Vec<&str> = Vec::new();
    let cells = map.cells.iter().skip(usize::from(block.first) - 1);
    for cell in cells.take(usize::from(block.last - block.first) + 1) {
        let new = cell.users.iter().map(|user| user.id.as_str());
        for id in new {
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
    }
    let range = format!("{} {}-{}", block.decoder, block.first, block.last);
    if ids.is_empty() {
        range
    } else {
        format!("{range}: {}", ids.join(" "))
    }
}

fn sign(cell: &Cell) -> char {
    match (cell.users.len(), cell.apart) {
        _ if cell.is_double => '!',
        (1.., Some(_)) => '?',
        (1, None) => '#',
        (2.., None) => '=',
        (0, Some(Apart::Reserved)) => 'x',
        (0, Some(Apart::Numbering)) => '~',
        (0, None) if cell.blocks.is_empty() => '.',
        (0, None) => '+',
    }
}

/// As much of a text as a line takes.
fn fit(text: &str, width: usize) -> String {
    let wide = |c: char| c.width().unwrap_or(0);
    if text.chars().map(wide).sum::<usize>() <= width {
        return text.to_owned();
    }
    let mut used = 1;
    let mut short: String = text
        .chars()
        .take_while(|c| {
            used += wide(*c);
            used <= width
        })
        .collect();
    short.push('…');
    short
}
