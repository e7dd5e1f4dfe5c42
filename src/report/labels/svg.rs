//! A sheet of labels as SVG, in millimetres.

use std::fmt::Write as _;

use super::fit::{POINT, Placed};
use super::sheet::{Grid, Millimetres};
use super::{Piece, metrics};

/// Length and width of a cut mark, millimetres.
pub(super) const MARK: f64 = 2.0;
pub(super) const MARK_WIDTH: f64 = 0.1;

/// The sheet as a document of its own.
pub(super) fn document(page: &[Piece], grid: &Grid) -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
        sheet(page, grid)
    )
}

/// The sheet as an element.
pub(super) fn sheet(page: &[Piece], grid: &Grid) -> String {
    let Millimetres {
        x: width,
        y: height,
    } = grid.paper();
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"sheet\" width=\"{width}mm\" \
         height=\"{height}mm\" viewBox=\"0 0 {width} {height}\" \
         font-family=\"Helvetica, Arial, 'Liberation Sans', 'Nimbus Sans', sans-serif\" \
         fill=\"#000\">\n"
    );
    for piece in page {
        // A `String` takes anything.
        let _infallible = label(&mut out, piece, grid);
    }
    out.push_str("</svg>");
    out
}

fn label(out: &mut String, piece: &Piece, grid: &Grid) -> std::fmt::Result {
    let Millimetres {
        x: width,
        y: height,
    } = grid.label();
    let (x, y) = (round(piece.x), round(piece.y));
    if grid.marks() {
        write!(
            out,
            "<path fill=\"none\" stroke=\"#000\" stroke-width=\"{MARK_WIDTH}\" d=\""
        )?;
        for [from, corner, to] in marks(piece, grid) {
            for (letter, (x, y)) in [('M', from), ('L', corner), ('L', to)] {
                write!(out, "{letter}{} {}", round(x), round(y))?;
            }
        }
        writeln!(out, "\"/>")?;
    }
    // An inner element cuts off whatever a strange font would draw over the edge.
    writeln!(
        out,
        "<svg x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" overflow=\"hidden\">"
    )?;
    for placed in &piece.texts {
        text(out, placed)?;
    }
    writeln!(out, "</svg>")
}

fn text(out: &mut String, placed: &Placed) -> std::fmt::Result {
    let (x, y) = (round(placed.x), round(placed.y));
    let size = round(placed.points * POINT);
    write!(out, "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"")?;
    if placed.bold {
        out.push_str(" font-weight=\"bold\"");
    }
    // Where the widths are known, a font with other widths is held to them.
    if metrics::is_known(&placed.text) && placed.text.chars().count() > 1 {
        write!(
            out,
            " textLength=\"{}\" lengthAdjust=\"spacingAndGlyphs\"",
            round(placed.width)
        )?;
    }
    out.push_str(" xml:space=\"preserve\">");
    escape(out, &placed.text);
    writeln!(out, "</text>")
}

/// The corners of a label, each as three points: along one edge, the corner, along the other.
pub(super) fn marks(piece: &Piece, grid: &Grid) -> [[(f64, f64); 3]; 4] {
    let Millimetres {
        x: width,
        y: height,
    } = grid.label();
    let (left, top) = (piece.x, piece.y);
    let (right, bottom) = (left + width, top + height);
    let corner = |x: f64, y: f64, across: f64, down: f64| {
        [(x + across * MARK, y), (x, y), (x, y + down * MARK)]
    };
    [
        corner(left, top, 1.0, 1.0),
        corner(right, top, -1.0, 1.0),
        corner(right, bottom, -1.0, -1.0),
        corner(left, bottom, 1.0, -1.0),
    ]
}

/// To a thousandth of a millimetre.
fn round(number: f64) -> f64 {
    (number * 1000.0).round() / 1000.0
}

/// Text as text; letters that XML can't hold are replaced.
pub(super) fn escape(out: &mut String, text: &str) {
    for letter in text.chars() {
        match letter {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            control if control.is_control() => out.push(' '),
            other => out.push(other),
        }
    }
}
