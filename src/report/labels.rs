//! Labels to print, cut and stick at each drive and each decoder, in real millimetres.
//!
//! What is on a label comes from a [`Report`]; [`sheet`] says where labels lie on the paper; the
//! text is made to fit and then drawn as PDF, SVG or HTML.

use std::path::{Path, PathBuf};

use super::model::Report;
use super::target::{self, TargetError};

mod content;
mod fit;
mod html;
mod metrics;
mod pdf;
pub mod sheet;
mod svg;

use content::Label;
use fit::Placed;
pub use sheet::{Grid, Millimetres, Sheet, SheetError};

/// The kinds of file that labels are drawn as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Drawn {
    Pdf,
    Svg,
    Html,
}

/// Labels on their way to the printer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Labels {
    /// The files: one, or of SVG one for each sheet.
    pub files: Vec<(PathBuf, Vec<u8>)>,
    /// How many labels there are.
    pub labels: usize,
    /// How many sheets they take.
    pub sheets: usize,
    /// Ids of labels with letters that the file's font does not have; a `?` stands for each.
    pub replaced: Vec<String>,
}

/// Why there are no labels.
#[derive(Debug, thiserror::Error)]
pub enum LabelError {
    /// The ending names no kind.
    #[error("{} ends in nothing that says what kind of labels they are to be", .0.display())]
    Kind(PathBuf),
    /// Nothing can be written there.
    #[error(transparent)]
    Target(#[from] TargetError),
    /// The labels don't fit on the sheet.
    #[error(transparent)]
    Sheet(#[from] SheetError),
    /// Nothing has that id.
    #[error("the plan has no turnout, signal or decoder `{0}`")]
    NoSuchId(String),
    /// The plan has nothing to label.
    #[error("there is nothing to label: the plan has no turnout, signal or decoder")]
    Nothing,
}

impl LabelError {
    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::Kind(_) => {
                "end it in one of .pdf, .svg, .html; all have real millimetres".to_owned()
            }
            Self::Target(error) => error.help(),
            Self::Sheet(error) => error.help().to_owned(),
            Self::NoSuchId(_) => "look at the ids of the plan".to_owned(),
            Self::Nothing => "write turnouts into the plan first".to_owned(),
        }
    }
}

fn drawn_as(path: &Path) -> Result<Drawn, LabelError> {
    let ending = path.extension().and_then(|ending| ending.to_str());
    match ending.map(str::to_ascii_lowercase).as_deref() {
        Some("pdf") => Ok(Drawn::Pdf),
        Some("svg") => Ok(Drawn::Svg),
        Some("html" | "htm") => Ok(Drawn::Html),
        _ => Err(LabelError::Kind(path.to_owned())),
    }
}

/// Looks at the file and the sheet before anything is done.
///
/// # Errors
/// When the ending names no kind, nothing can be written there, or no label fits on the sheet.
pub fn prepare(path: &Path, sheet: &Sheet) -> Result<(), LabelError> {
    drawn_as(path)?;
    target::check_place(path)?;
    sheet.grid()?;
    Ok(())
}

/// The labels of a report; of those ids alone, if any are given.
///
/// # Errors
/// When there is nothing to label, or it can't be laid on the sheet.
pub fn draw(
    report: &Report,
    only: &[String],
    sheet: &Sheet,
    path: &Path,
) -> Result<Labels, LabelError> {
    let drawn = drawn_as(path)?;
    let grid = sheet.grid()?;
    let mut labels = content::of(report, only)?;
    let mut replaced = Vec::new();
    if drawn == Drawn::Pdf {
        for label in &mut labels {
            if label.keep_to(metrics::printable) {
                replaced.push(label.id.clone());
            }
        }
    }
    let pages = pages(&labels, &grid);
    let files = match drawn {
        Drawn::Pdf => vec![(path.to_owned(), pdf::bytes(&report.layout, &pages, &grid))],
        Drawn::Html => vec![(
            path.to_owned(),
            html::page(&report.layout, &pages, &grid).into_bytes(),
        )],
        Drawn::Svg => {
            let numbered = (1..).zip(&pages);
            let files = numbered.map(|(number, page)| {
                let svg = svg::document(page, &grid).into_bytes();
                (numbered_path(path, number), svg)
            });
            files.collect()
        }
    };
    Ok(Labels {
        files,
        labels: labels.len(),
        sheets: pages.len(),
        replaced,
    })
}

/// The first sheet has the name that was given, the others a number in it.
fn numbered_path(path: &Path, number: usize) -> PathBuf {
    if number == 1 {
        return path.to_owned();
    }
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{stem}-{number}.svg"))
}

/// One label in its place on the sheet.
#[derive(Debug)]
struct Piece {
    /// Its left upper corner on the sheet, millimetres.
    x: f64,
    y: f64,
    /// Its texts, from that corner.
    texts: Vec<Placed>,
}

fn pages(labels: &[Label], grid: &Grid) -> Vec<Vec<Piece>> {
    let mut pages: Vec<Vec<Piece>> = Vec::new();
    for (at, label) in labels.iter().enumerate() {
        let slot = grid.first() + at;
        let (page, slot) = (slot / grid.slots(), slot % grid.slots());
        if pages.len() <= page {
            pages.push(Vec::new());
        }
        let (x, y) = grid.corner(slot);
        let texts = fit::fit(label, grid.label());
        if let Some(page) = pages.last_mut() {
            page.push(Piece { x, y, texts });
        }
    }
    pages
}
