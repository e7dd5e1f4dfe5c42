//! Sheets of labels as PDF, with the built-in fonts (ISO 32000-1, 2008, section 9.6.2.2).

use pdf_writer::{Content, Finish as _, Name, Pdf, Rect, Ref, Str, TextStr};

use super::fit::POINT;
use super::sheet::Grid;
use super::svg::{MARK_WIDTH, marks};
use super::{Piece, metrics};

const REGULAR: Name<'_> = Name(b"F1");
const BOLD: Name<'_> = Name(b"F2");

/// The document.
pub(super) fn bytes(layout: &str, pages: &[Vec<Piece>], grid: &Grid) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let mut next = Ref::new(1);
    let (catalog, tree, info) = (next.bump(), next.bump(), next.bump());
    let fonts = [next.bump(), next.bump()];
    let ids: Vec<_> = pages.iter().map(|_| (next.bump(), next.bump())).collect();

    pdf.catalog(catalog).pages(tree).lang(TextStr("en"));
    let title = format!("Labels: {layout}");
    pdf.document_info(info)
        .title(TextStr(&title))
        .creator(TextStr(concat!("throwproof ", env!("CARGO_PKG_VERSION"))));
    let count = i32::try_from(ids.len()).unwrap_or(i32::MAX);
    pdf.pages(tree)
        .kids(ids.iter().map(|(page, _)| *page))
        .count(count);
    for (font, name) in fonts
        .into_iter()
        .zip([&b"Helvetica"[..], b"Helvetica-Bold"])
    {
        pdf.type1_font(font)
            .base_font(Name(name))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    let paper = grid.paper();
    let media = Rect::new(0.0, 0.0, points(paper.x), points(paper.y));
    for (pieces, (page_id, content_id)) in pages.iter().zip(ids) {
        let mut page = pdf.page(page_id);
        page.media_box(media).parent(tree).contents(content_id);
        let mut resources = page.resources();
        let mut names = resources.fonts();
        for (name, font) in [REGULAR, BOLD].into_iter().zip(fonts) {
            names.pair(name, font);
        }
        names.finish();
        resources.finish();
        page.finish();
        pdf.stream(content_id, &content(pieces, grid));
    }
    pdf.finish()
}

fn content(pieces: &[Piece], grid: &Grid) -> Vec<u8> {
    let height = grid.paper().y;
    let mut content = Content::new();
    content.set_line_width(points(MARK_WIDTH));
    for piece in pieces {
        if grid.marks() {
            for [from, corner, to] in marks(piece, grid) {
                content.move_to(points(from.0), points(height - from.1));
                content.line_to(points(corner.0), points(height - corner.1));
                content.line_to(points(to.0), points(height - to.1));
                content.stroke();
            }
        }
        for text in &piece.texts {
            content.begin_text();
            content.set_font(if text.bold { BOLD } else { REGULAR }, single(text.points));
            content.next_line(points(piece.x + text.x), points(height - piece.y - text.y));
            content.show(Str(&metrics::encode(&text.text)));
            content.end_text();
        }
    }
    content.finish().to_vec()
}

/// Millimetres as points.
fn points(millimetres: f64) -> f32 {
    single(millimetres / POINT)
}

/// As PDF has numbers.
#[expect(
    clippy::cast_possible_truncation,
    reason = "lengths on paper are far within what single precision holds"
)]
fn single(number: f64) -> f32 {
    number as f32
}
