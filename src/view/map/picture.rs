//! The map as a drawing, in millimetres: eight addresses to a row, decoders as frames.
//!
//! It is read on paper and without colours: what an address is, its words and its border say.

use std::fmt::Write as _;

use super::{Apart, Block, Cell, Map};

/// Addresses of a row.
const ROW: usize = 8;
const WIDTH: f64 = 202.0;
const MARGIN: f64 = 8.0;
const CELL_WIDTH: f64 = 23.0;
const CELL_HEIGHT: f64 = 14.0;
/// Between the fours of a row.
const MIDDLE: f64 = 2.0;
/// Above a row: the names of frames.
const ABOVE: f64 = 6.0;
/// A line for addresses that are not drawn.
const GAP: f64 = 6.0;
const HEAD: f64 = 31.0;

const STYLE: &str = "\
text{font-family:Helvetica,Arial,'Liberation Sans',sans-serif;fill:#000}\
.head{font-size:6px;font-weight:bold}\
.note{font-size:2.9px}\
.number{font-size:3.1px}\
.number,.id,.place,.free{paint-order:stroke;stroke:#fff;stroke-width:.7px}\
.used .number{font-weight:bold}\
.id{font-size:3.7px;font-weight:bold;text-anchor:middle}\
.place{font-size:2.5px;text-anchor:middle}\
.output{font-size:2.5px;text-anchor:end}\
.free{font-size:2.9px;font-style:italic;text-anchor:middle}\
.frame{font-size:3.1px;font-weight:bold}\
.cell{fill:#fff;stroke:#999;stroke-width:.15}\
.used .cell{fill:#e4eef6;stroke:#333;stroke-width:.3}\
.none .cell{stroke-dasharray:.6 .8}\
.none text{fill:#555}\
.double .cell{fill:#fbe3e0;stroke:#000;stroke-width:.9}\
.border{fill:none;stroke:#000;stroke-width:.6}";

/// The map as an SVG document.
pub fn svg(map: &Map) -> String {
    let mut body = String::new();
    let mut y = HEAD;
    let mut from = 1;
    for cells in map.cells.chunks(ROW) {
        let (Some(first), Some(last)) = (cells.first(), cells.last()) else {
            continue;
        };
        if cells.iter().all(Cell::is_empty) {
            continue;
        }
        y += gap(&mut body, map, from, first.address, y);
        from = last.address + 1;
        y += ABOVE;
        for (column, cell) in cells.iter().enumerate() {
            draw(&mut body, map, cell, left(column), y);
        }
        for (index, block) in map.blocks.iter().enumerate() {
            frame(&mut body, map, (index, block), first.address, y);
        }
        y += CELL_HEIGHT;
    }
    let end = map.cells.last().map_or(1, |cell| cell.address + 1);
    y += gap(&mut body, map, from, end, y) + MARGIN;
    let name = escaped(&map.layout);
    let mut out = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}mm\" height=\"{y}mm\" \
         viewBox=\"0 0 {WIDTH} {y}\" role=\"img\">\n\
         <title>{name}: addresses in use</title>\n<style>{STYLE}</style>\n{HATCH}\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         <text class=\"head\" x=\"{MARGIN}\" y=\"13\">{name}: addresses in use</text>\n"
    );
    legend(&mut out);
    out.push_str(&body);
    out.push_str("</svg>\n");
    out
}

/// Wide and narrow lines for the two reasons to leave an address alone.
const HATCH: &str = "<defs>\
<pattern id=\"numbering\" width=\"2.4\" height=\"2.4\" patternUnits=\"userSpaceOnUse\" \
patternTransform=\"rotate(45)\"><path d=\"M0 0V2.4\" stroke=\"#999\" stroke-width=\".4\"/></pattern>\
<pattern id=\"reserved\" width=\"1.2\" height=\"1.2\" patternUnits=\"userSpaceOnUse\" \
patternTransform=\"rotate(-45)\"><path d=\"M0 0V1.2\" stroke=\"#888\" stroke-width=\".4\"/></pattern>\
</defs>\n";

fn legend(out: &mut String) {
    let samples = [
        ("used", "", "in use"),
        ("on", "", "free on a decoder"),
        ("none", "", "free, no decoder"),
        ("double", "", "several at once"),
        ("none", "numbering", "depends on the numbering"),
        ("none", "reserved", "obeyed by all"),
    ];
    let mut x = MARGIN;
    for (class, pattern, words) in samples {
        // A `String` takes anything.
        let _infallible = write!(
            out,
            "<g class=\"{class}\"><rect class=\"cell\" x=\"{x}\" y=\"18\" width=\"5\" height=\"4\"/>"
        );
        if !pattern.is_empty() {
            let _infallible = write!(
                out,
                "<rect x=\"{x}\" y=\"18\" width=\"5\" height=\"4\" fill=\"url(#{pattern})\"/>"
            );
        }
        let at = x + 6.2;
        let _infallible = writeln!(
            out,
            "</g><text class=\"note\" x=\"{at:.1}\" y=\"21\">{words}</text>"
        );
        let letters = u32::try_from(words.len()).unwrap_or(0);
        x += 10.0 + 1.42 * f64::from(letters);
    }
    let _infallible = writeln!(
        out,
        "<text class=\"note\" x=\"{MARGIN}\" y=\"27\">A thick frame is a decoder; the number at the \
         right of an address is its output.</text>"
    );
}

fn left(column: usize) -> f64 {
    let column = u32::try_from(column).unwrap_or(0);
    let middle = if column >= 4 { MIDDLE } else { 0.0 };
    MARGIN + f64::from(column) * CELL_WIDTH + middle
}

/// A line for the addresses that are not drawn; gives its height.
fn gap(out: &mut String, map: &Map, from: u16, to: u16, y: f64) -> f64 {
    if from >= to {
        return 0.0;
    }
    let cells = map.cells.iter().skip(usize::from(from) - 1);
    let cells = cells.take(usize::from(to - from));
    let mut numbering = 0;
    let mut reserved = 0;
    for cell in cells {
        match cell.apart {
            Some(Apart::Numbering) => numbering += 1,
            Some(Apart::Reserved) => reserved += 1,
            None => {}
        }
    }
    let mut words = format!("{from} to {}: nothing", to - 1);
    if numbering > 0 {
        let _infallible = write!(words, "; {numbering} of them depend on the numbering");
    }
    if reserved > 0 {
        let _infallible = write!(words, "; {reserved} are obeyed by all decoders");
    }
    let at = y + GAP - 1.0;
    let _infallible = writeln!(
        out,
        "<text class=\"note\" x=\"{MARGIN}\" y=\"{at}\">{words}</text>"
    );
    GAP
}

fn draw(out: &mut String, map: &Map, cell: &Cell, x: f64, y: f64) {
    let class = match cell.users.len() {
        _ if cell.is_double => "used double",
        0 if cell.blocks.is_empty() => "none",
        0 => "on",
        1.. => "used",
    };
    // A thick border keeps to its own cell.
    let inset = if cell.is_double { 0.5 } else { 0.0 };
    let _infallible = write!(
        out,
        "<g class=\"{class}\"><title>{}</title><rect class=\"cell\" x=\"{}\" y=\"{}\" \
         width=\"{}\" height=\"{}\"/>",
        escaped(&title(map, cell)),
        x + inset,
        y + inset,
        CELL_WIDTH - 2.0 * inset,
        CELL_HEIGHT - 2.0 * inset
    );
    if let Some(apart) = cell.apart {
        let pattern = match apart {
            Apart::Reserved => "reserved",
            Apart::Numbering => "numbering",
        };
        let _infallible = write!(
            out,
            "<rect x=\"{x}\" y=\"{y}\" width=\"{CELL_WIDTH}\" height=\"{CELL_HEIGHT}\" \
             fill=\"url(#{pattern})\"/>"
        );
    }
    let (number_x, number_y) = (x + 1.6, y + 4.4);
    let _infallible = write!(
        out,
        "<text class=\"number\" x=\"{number_x}\" y=\"{number_y}\">{}</text>",
        cell.address
    );
    let outputs: Vec<_> = map.outputs(cell);
    if !outputs.is_empty() {
        let numbers: Vec<_> = outputs
            .iter()
            .map(|(_, output)| output.to_string())
            .collect();
        let at = x + CELL_WIDTH - 1.6;
        let _infallible = write!(
            out,
            "<text class=\"output\" x=\"{at}\" y=\"{number_y}\">{}</text>",
            numbers.join("+")
        );
    }
    words(out, cell, x + CELL_WIDTH / 2.0, y);
    out.push_str("</g>\n");
}

/// What is in the middle of a cell.
fn words(out: &mut String, cell: &Cell, middle: f64, y: f64) {
    let mut text = |class: &str, below: f64, words: &str| {
        let at = y + below;
        let _infallible = write!(
            out,
            "<text class=\"{class}\" x=\"{middle}\" y=\"{at:.1}\">{}</text>",
            escaped(words)
        );
    };
    match cell.users.as_slice() {
        [] if cell.is_double => text("free", 9.2, "! two decoders"),
        [] if !cell.blocks.is_empty() => text("free", 9.2, "free"),
        [] => {}
        [one] => {
            text("id", 8.8, &fit(one.id.as_str(), 9));
            text("place", 12.2, &fit(&one.place, 15));
        }
        several => {
            let ids: Vec<_> = several.iter().map(|user| user.id.as_str()).collect();
            let mark = if cell.is_double { "! " } else { "" };
            text("id", 8.8, &fit(&format!("{mark}{}", ids.join(" ")), 9));
            let how = if cell.is_double { "twice" } else { "shared" };
            text("place", 12.2, how);
        }
    }
}

/// Everything that is known of an address.
fn title(map: &Map, cell: &Cell) -> String {
    let mut title = format!("address {}", cell.address);
    for user in &cell.users {
        let _infallible = write!(title, "; {}", user.id);
        if !user.place.is_empty() {
            let _infallible = write!(title, " at {}", user.place);
        }
    }
    for (block, output) in map.outputs(cell) {
        let _infallible = write!(title, "; output {output} of {}", block.decoder);
    }
    if cell.users.is_empty() {
        title.push_str("; free");
    }
    if cell.is_double {
        title.push_str("; in use by several, or on several decoders");
    }
    match cell.apart {
        Some(Apart::Reserved) => title.push_str("; every decoder may obey it"),
        Some(Apart::Numbering) => {
            title.push_str("; what is sent for it depends on the station's numbering");
        }
        None => {}
    }
    title
}

/// The part of a decoder's frame that is in the row that begins with an address.
fn frame(out: &mut String, map: &Map, (index, block): (usize, &Block), row: u16, y: f64) {
    let end = row + u16::try_from(ROW).unwrap_or(u16::MAX) - 1;
    let (first, last) = (block.first.max(row), block.last.min(end));
    if first > last {
        return;
    }
    // Of frames that lie over each other the later ones are smaller.
    let under = map.blocks.iter().take(index);
    let under = under.filter(|other| other.last >= block.first).count();
    let inset = 0.9 * f64::from(u32::try_from(under.min(4)).unwrap_or(0));
    let column = |address: u16| left(usize::from(address - row));
    let (x1, x2) = (column(first) + inset, column(last) + CELL_WIDTH - inset);
    let (y1, y2) = (y + inset, y + CELL_HEIGHT - inset);
    let (begins, ends) = (first == block.first, last == block.last);
    let mut path = if begins {
        format!("M{x1} {y2}V{y1}H{x2}")
    } else {
        format!("M{x1} {y1}H{x2}")
    };
    let _infallible = if ends {
        write!(path, "V{y2}")
    } else {
        write!(path, "M{x2} {y2}")
    };
    let _infallible = write!(path, "H{x1}");
    let _infallible = writeln!(out, "<path class=\"border\" d=\"{path}\"/>");
    let room = usize::from(last - first + 1) * 13;
    let mut name = format!("{} {}-{}", block.decoder, block.first, block.last);
    if !begins {
        name.insert_str(0, "… ");
    } else if !block.place.is_empty() {
        let _infallible = write!(name, ", {}", block.place);
    }
    let (x, y) = (x1 + 0.3, y - 1.2);
    let _infallible = writeln!(
        out,
        "<text class=\"frame\" x=\"{x}\" y=\"{y}\">{}</text>",
        escaped(&fit(&name, room))
    );
}

/// As much of a text as there is room for.
fn fit(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.to_owned();
    }
    let short: String = text.chars().take(letters.saturating_sub(1)).collect();
    short + "…"
}

/// A text as XML has it.
fn escaped(text: &str) -> String {
    let mut safe = String::new();
    for letter in text.chars() {
        match letter {
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '&' => safe.push_str("&amp;"),
            '"' => safe.push_str("&quot;"),
            letter => safe.push(letter),
        }
    }
    safe
}
