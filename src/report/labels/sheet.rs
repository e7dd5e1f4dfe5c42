//! Where labels lie on a sheet of paper. All lengths in millimetres.

use std::str::FromStr;

/// What printers commonly can't print on at an edge. Common practice, no source.
const EDGE: f64 = 4.0;

/// How much two sums of millimetres may differ by rounding.
const SLACK: f64 = 0.01;

/// Smallest and largest label and sheet.
const SMALLEST: (f64, f64) = (12.0, 6.0);
const LARGEST: f64 = 2000.0;

/// A4 (ISO 216), and the common sheet of 3 by 8 labels on it: 63.5 × 33.9 mm, 2.5 mm between
/// columns. The sheet of labels is common practice, no source.
const A4: (f64, f64) = (210.0, 297.0);
const ON_A4: (f64, f64) = (63.5, 33.9);
const GAP_A4: (f64, f64) = (2.5, 0.0);

/// Letter (8.5 × 11 in), and the common sheet of 3 by 10 labels on it: 2.625 × 1 in, 0.125 in
/// between columns. The sheet of labels is common practice, no source.
const LETTER: (f64, f64) = (215.9, 279.4);
const ON_LETTER: (f64, f64) = (66.675, 25.4);
const GAP_LETTER: (f64, f64) = (3.175, 0.0);

/// A width and a height, or a step across and a step down: `63.5x33.9`; one number is both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Millimetres {
    /// Across.
    pub x: f64,
    /// Down.
    pub y: f64,
}

impl From<(f64, f64)> for Millimetres {
    fn from((x, y): (f64, f64)) -> Self {
        Self { x, y }
    }
}

impl FromStr for Millimetres {
    type Err = SheetError;

    fn from_str(text: &str) -> Result<Self, SheetError> {
        let lower = text.to_ascii_lowercase();
        let (x, y) = lower
            .split_once(['x', '×'])
            .unwrap_or((lower.as_str(), lower.as_str()));
        let number = |text: &str| {
            let number: Option<f64> = text.trim().parse().ok();
            number.filter(|number| (0.0..=LARGEST).contains(number))
        };
        match (number(x), number(y)) {
            (Some(x), Some(y)) => Ok(Self { x, y }),
            _ => Err(SheetError::Size(text.to_owned())),
        }
    }
}

/// What is asked for of a sheet; what is not said follows from the paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The paper.
    pub paper: Millimetres,
    /// One label.
    pub label: Millimetres,
    /// Between labels.
    pub gap: Millimetres,
    /// From the paper's left upper corner to the first label; `None` centres all of them.
    pub margin: Option<Millimetres>,
    /// The place of the first label on the first sheet, from 1, row by row.
    pub first: usize,
    /// Whether the corners of labels are marked for cutting.
    pub marks: bool,
}

impl Default for Sheet {
    fn default() -> Self {
        Self::on(Paper::A4)
    }
}

/// The paper asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Paper {
    /// 210 × 297 mm.
    A4,
    /// 8.5 × 11 in.
    Letter,
    /// Any other.
    Other(Millimetres),
}

impl FromStr for Paper {
    type Err = SheetError;

    fn from_str(text: &str) -> Result<Self, SheetError> {
        match text.to_ascii_lowercase().as_str() {
            "a4" => Ok(Self::A4),
            "letter" => Ok(Self::Letter),
            _ => Ok(Self::Other(text.parse()?)),
        }
    }
}

impl Sheet {
    /// The common sheet of labels on that paper; on any other, the label of A4.
    pub fn on(paper: Paper) -> Self {
        let (paper, label, gap) = match paper {
            Paper::A4 => (A4.into(), ON_A4, GAP_A4),
            Paper::Letter => (LETTER.into(), ON_LETTER, GAP_LETTER),
            Paper::Other(size) => (size, ON_A4, GAP_A4),
        };
        Self {
            paper,
            label: label.into(),
            gap: gap.into(),
            margin: None,
            first: 1,
            marks: true,
        }
    }

    /// Lays the labels out.
    ///
    /// # Errors
    /// When not one label fits, or the first one is to lie beyond the last place.
    pub fn grid(&self) -> Result<Grid, SheetError> {
        let Self { paper, label, .. } = *self;
        if label.x < SMALLEST.0 || label.y < SMALLEST.1 {
            return Err(SheetError::Small);
        }
        let edge = self.margin.unwrap_or(Millimetres { x: EDGE, y: EDGE });
        // A margin that is given stands on the left and at the top; the rest is free.
        let twice = if self.margin.is_some() { 1.0 } else { 2.0 };
        let columns = how_many(paper.x - twice * edge.x, label.x, self.gap.x);
        let rows = how_many(paper.y - twice * edge.y, label.y, self.gap.y);
        if columns == 0 || rows == 0 {
            return Err(SheetError::Large);
        }
        let slots = columns * rows;
        if self.first == 0 || self.first > slots {
            return Err(SheetError::First {
                first: self.first,
                slots,
            });
        }
        let centred = |paper: f64, count: usize, label: f64, gap: f64| {
            let count = number(count);
            (paper - count * label - (count - 1.0) * gap) / 2.0
        };
        let margin = self.margin.unwrap_or_else(|| Millimetres {
            x: centred(paper.x, columns, label.x, self.gap.x),
            y: centred(paper.y, rows, label.y, self.gap.y),
        });
        Ok(Grid {
            sheet: self.clone(),
            margin,
            columns,
            slots,
        })
    }
}

/// How many labels lie side by side in that length.
fn how_many(length: f64, label: f64, gap: f64) -> usize {
    let mut count = 0;
    let mut needed = label;
    while needed <= length + SLACK {
        count += 1;
        needed += gap + label;
    }
    count
}

/// A small count as a number to reckon with.
fn number(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

/// The places of labels on a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    sheet: Sheet,
    margin: Millimetres,
    columns: usize,
    slots: usize,
}

impl Grid {
    /// The paper.
    pub fn paper(&self) -> Millimetres {
        self.sheet.paper
    }

    /// One label.
    pub fn label(&self) -> Millimetres {
        self.sheet.label
    }

    /// How many labels a sheet holds.
    pub fn slots(&self) -> usize {
        self.slots
    }

    /// The place of the first label, from 0.
    pub fn first(&self) -> usize {
        self.sheet.first - 1
    }

    /// Whether corners are marked.
    pub fn marks(&self) -> bool {
        self.sheet.marks
    }

    /// The left upper corner of a place, from 0, row by row.
    pub fn corner(&self, slot: usize) -> (f64, f64) {
        let Sheet { label, gap, .. } = self.sheet;
        let (column, row) = (slot % self.columns, slot / self.columns);
        (
            self.margin.x + number(column) * (label.x + gap.x),
            self.margin.y + number(row) * (label.y + gap.y),
        )
    }
}

/// Why labels can't be laid on a sheet.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SheetError {
    /// Not a size.
    #[error("`{0}` is no size in millimetres")]
    Size(String),
    /// A label is too small to hold anything.
    #[error("a label of less than {} by {} mm holds nothing that can be read", SMALLEST.0, SMALLEST.1)]
    Small,
    /// Not one label fits.
    #[error("not one label of that size fits on the sheet")]
    Large,
    /// There is no such place.
    #[error("there is no place {first} on a sheet: it holds {slots} labels")]
    First {
        /// The place asked for.
        first: usize,
        /// How many there are.
        slots: usize,
    },
}

impl SheetError {
    /// How to mend it.
    pub fn help(&self) -> &'static str {
        match self {
            Self::Size(_) => {
                "write width and height, as in 63.5x33.9, from 0 to 2000; a sheet may also be a4 \
                 or letter"
            }
            Self::Small => "give --label a larger size",
            Self::Large => "give --label a smaller size, or --sheet a larger one; look at --margin",
            Self::First { .. } => "count the places row by row, from 1",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: (f64, f64), b: (f64, f64)) -> bool {
        (a.0 - b.0).abs() < 0.005 && (a.1 - b.1).abs() < 0.005
    }

    #[test]
    fn the_common_sheets_have_their_places() {
        // derived: (210 − 3 × 63.5 − 2 × 2.5) / 2 and (297 − 8 × 33.9) / 2
        let grid = Sheet::on(Paper::A4).grid().unwrap();
        assert_eq!(grid.slots(), 24);
        assert!(near(grid.corner(0), (7.25, 12.9)));
        assert!(near(
            grid.corner(23),
            (7.25 + 2.0 * 66.0, 12.9 + 7.0 * 33.9)
        ));
        // derived: 3/16 in and 1/2 in
        let grid = Sheet::on(Paper::Letter).grid().unwrap();
        assert_eq!(grid.slots(), 30);
        assert!(near(grid.corner(0), (4.7625, 12.7)));
    }

    #[test]
    fn a_margin_that_is_given_holds() {
        let sheet = Sheet {
            margin: Some(Millimetres { x: 10.0, y: 20.0 }),
            ..Sheet::default()
        };
        let grid = sheet.grid().unwrap();
        assert!(near(grid.corner(1), (10.0 + 66.0, 20.0)));
        assert_eq!(grid.slots(), 3 * 8);
    }

    #[test]
    fn what_does_not_fit_is_told() {
        let with = |change: fn(&mut Sheet)| {
            let mut sheet = Sheet::default();
            change(&mut sheet);
            sheet.grid().unwrap_err()
        };
        assert_eq!(
            with(|sheet| sheet.label = (300.0, 20.0).into()),
            SheetError::Large
        );
        assert_eq!(
            with(|sheet| sheet.label = (5.0, 20.0).into()),
            SheetError::Small
        );
        let beyond = with(|sheet| sheet.first = 25);
        assert_eq!(
            beyond,
            SheetError::First {
                first: 25,
                slots: 24
            }
        );
        assert_eq!(
            with(|sheet| sheet.first = 0),
            SheetError::First {
                first: 0,
                slots: 24
            }
        );
    }

    #[test]
    fn sizes_are_read() {
        assert_eq!(
            "63.5x33.9".parse::<Millimetres>().unwrap(),
            (63.5, 33.9).into()
        );
        assert_eq!("2.5".parse::<Millimetres>().unwrap(), (2.5, 2.5).into());
        assert_eq!(
            "70 × 37".parse::<Millimetres>().unwrap(),
            (70.0, 37.0).into()
        );
        assert_eq!("Letter".parse::<Paper>().unwrap(), Paper::Letter);
        for bad in ["", "x", "1x", "-1x2", "NaNx1", "infx1", "1x2x3", "3000x1"] {
            assert!(bad.parse::<Millimetres>().is_err(), "{bad}");
        }
    }
}
