//! Makes the text of a label fit into it: smaller, then shorter, never over the edge.

use super::content::{Label, Row};
use super::metrics;
use super::sheet::Millimetres;

/// Millimetres in a point (1/72 in).
pub(super) const POINT: f64 = 25.4 / 72.0;

/// The smallest size that can be read, points. Common practice, no source.
pub(super) const SMALLEST: f64 = 5.0;

/// How much larger than wished where there is room.
const LARGER: f64 = 1.2;

/// From baseline to baseline, and from the top of a row to its baseline, in sizes.
const LEADING: f64 = 1.22;
const RISE: f64 = 0.95;

/// Room between left and right text of a row, in sizes.
const BETWEEN: f64 = 0.8;

/// A text in its place on a label.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    /// Left end of its baseline, millimetres from the label's left upper corner.
    pub(super) x: f64,
    /// And down.
    pub(super) y: f64,
    /// Its width, millimetres.
    pub(super) width: f64,
    /// Size, points.
    pub(super) points: f64,
    /// Whether it is bold.
    pub(super) bold: bool,
    /// The text.
    pub(super) text: String,
}

/// Kept free inside the edge of a label.
fn padding(label: Millimetres) -> f64 {
    (label.x.min(label.y) * 0.08).clamp(0.8, 2.5)
}

/// The label's texts, all inside a label of that size.
pub(super) fn fit(label: &Label, size: Millimetres) -> Vec<Placed> {
    let padding = padding(size);
    let room = Millimetres {
        x: size.x - 2.0 * padding,
        y: size.y - 2.0 * padding,
    };
    let rows = that_fit(&label.rows, room.y);
    let scale = scale(&rows, room.y);
    let mut placed = Vec::new();
    let mut top = padding;
    for row in rows {
        let points = (row.points * scale).max(SMALLEST);
        let baseline = top + points * RISE * POINT;
        top += points * LEADING * POINT;
        place(row, points, padding, room.x, baseline, &mut placed);
    }
    placed
}

/// Height of rows at that scale, millimetres.
fn height(rows: &[&Row], scale: f64) -> f64 {
    let sizes = rows.iter().map(|row| (row.points * scale).max(SMALLEST));
    sizes.sum::<f64>() * LEADING * POINT
}

/// The rows that fit at the smallest size; those of the highest rank go, the last first.
fn that_fit(rows: &[Row], room: f64) -> Vec<&Row> {
    let mut rows: Vec<_> = rows.iter().collect();
    while rows.len() > 1 && height(&rows, 0.0) > room {
        let highest = rows.iter().map(|row| row.rank).max();
        let last = rows.iter().rposition(|row| Some(row.rank) == highest);
        if let Some(last) = last {
            rows.remove(last);
        }
    }
    rows
}

/// How much smaller or larger than wished, so that the rows fit and fill the label.
fn scale(rows: &[&Row], room: f64) -> f64 {
    let mut scale = LARGER;
    while scale > 0.05 && height(rows, scale) > room {
        scale -= 0.02;
    }
    scale
}

fn place(row: &Row, points: f64, x: f64, room: f64, y: f64, placed: &mut Vec<Placed>) {
    let width = |text: &str, points: f64| metrics::width(text, row.bold) / 1000.0 * points * POINT;
    let gap = |points: f64| {
        if row.right.is_empty() {
            0.0
        } else {
            BETWEEN * points * POINT
        }
    };
    let both = |points| width(&row.left, points) + gap(points) + width(&row.right, points);
    let mut points = points;
    while points > SMALLEST && both(points) > room {
        points = (points - 0.25).max(SMALLEST);
    }
    // At the smallest size the right text may take half, the left one gets the rest.
    let right = shortened(&row.right, |text| {
        width(text, points) <= room / 2.0 || both(points) <= room
    });
    let left_room = room - gap(points) - width(&right, points);
    let left = shortened(&row.left, |text| width(text, points) <= left_room);
    let right_x = x + room - width(&right, points);
    for (text, x) in [(left, x), (right, right_x)] {
        if !text.is_empty() {
            placed.push(Placed {
                x,
                y,
                width: width(&text, points),
                points,
                bold: row.bold,
                text,
            });
        }
    }
}

/// The text, or as much of it as fits with an ellipsis behind it.
fn shortened(text: &str, fits: impl Fn(&str) -> bool) -> String {
    if fits(text) {
        return text.to_owned();
    }
    let mut letters: Vec<_> = text.chars().collect();
    while letters.pop().is_some() {
        let kept: String = letters.iter().collect();
        let short = format!("{}…", kept.trim_end());
        if fits(&short) {
            return short;
        }
    }
    String::new()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn label(texts: &[(String, String, f64, u8)]) -> Label {
        let rows = texts.iter().map(|(left, right, points, rank)| Row {
            left: left.clone(),
            right: right.clone(),
            points: *points,
            bold: *rank == 0,
            rank: *rank,
        });
        Label {
            id: "Q1".to_owned(),
            rows: rows.collect(),
        }
    }

    proptest! {
        #[test]
        fn no_text_runs_over_the_edge(
            texts in prop::collection::vec((".{0,200}", ".{0,40}", 5.0..24.0f64, 0..6u8), 1..12),
            x in 12.0..120.0f64,
            y in 6.0..80.0f64,
        ) {
            let placed = fit(&label(&texts), Millimetres { x, y });
            for one in &placed {
                prop_assert!(one.points >= SMALLEST);
                prop_assert!(one.x >= 0.0 && one.x + one.width <= x + 1e-6, "{one:?}");
                // derived: no letter of the font reaches below a quarter of its size.
                let (top, bottom) = (one.y - one.points * POINT, one.y + 0.25 * one.points * POINT);
                prop_assert!(top >= -0.2 && bottom <= y + 0.2, "{one:?}");
            }
            for (a, b) in placed.iter().zip(placed.iter().skip(1)) {
                let apart = (a.y - b.y).abs() > 1e-6 || a.x + a.width <= b.x + 1e-6;
                prop_assert!(apart, "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn what_has_room_is_large_and_what_has_none_is_cut() {
        let texts = [("Q1".to_owned(), "9".to_owned(), 15.0, 0)];
        let roomy = fit(&label(&texts), Millimetres { x: 63.5, y: 33.9 });
        assert!((roomy[0].points - 15.0 * LARGER).abs() < 1e-9);
        assert_eq!(
            (roomy[0].text.as_str(), roomy[1].text.as_str()),
            ("Q1", "9")
        );
        let texts = [("W".repeat(200), String::new(), 9.0, 0)];
        let cut = fit(&label(&texts), Millimetres { x: 63.5, y: 33.9 });
        assert!((cut[0].points - SMALLEST).abs() < 1e-9);
        assert!(cut[0].text.ends_with('…'));
    }
}
