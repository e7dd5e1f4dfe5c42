//! Sheets of labels as one page of HTML, a printed page for each sheet.

use super::sheet::{Grid, Millimetres};
use super::{Piece, svg};

/// The page.
pub(super) fn page(layout: &str, pages: &[Vec<Piece>], grid: &Grid) -> String {
    let Millimetres {
        x: width,
        y: height,
    } = grid.paper();
    let mut title = String::new();
    svg::escape(&mut title, layout);
    let sheets: Vec<_> = pages.iter().map(|page| svg::sheet(page, grid)).collect();
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src \
         'unsafe-inline'\">\n<title>Labels: {title}</title>\n<style>\n\
         @page {{ size: {width}mm {height}mm; margin: 0; }}\n\
         html, body {{ margin: 0; padding: 0; }}\n\
         .sheet {{ display: block; break-after: page; background: #fff; }}\n\
         .sheet:last-child {{ break-after: auto; }}\n\
         @media screen {{ body {{ background: #ddd; font: 1rem sans-serif; }} \
         p {{ margin: 1rem; color: #000; }} .sheet {{ margin: 1rem; }} }}\n\
         @media print {{ p {{ display: none; }} }}\n</style>\n</head>\n<body>\n\
         <p>Print at 100 %, without fitting to the page, on {width} × {height} mm.</p>\n{}\n\
         </body>\n</html>\n",
        sheets.join("\n")
    )
}
