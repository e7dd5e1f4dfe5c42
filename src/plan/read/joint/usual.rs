//! What is usual for a shape with several drives.

use throwproof_protocol::address::Position;

use super::report;
use crate::plan::{Id, NamedPosition, Shape};
use crate::toml_reader::Table;

/// Whether a shape's combinations do no harm in passing: both ends of a crossover, or blades and
/// a movable crossing that go with them.
pub(super) const fn passes_freely(shape: Shape) -> bool {
    match shape {
        Shape::Left | Shape::Right | Shape::Wye | Shape::Curved | Shape::Crossover => true,
        Shape::ThreeWay | Shape::SingleSlip | Shape::DoubleSlip | Shape::Scissors => false,
    }
}

/// The positions that a shape usually has, where that can be told.
pub(super) fn usual(shape: Shape, count: usize) -> Option<Vec<NamedPosition>> {
    const S: Position = Position::Straight;
    const D: Position = Position::Diverging;
    let two: &[(&str, [Position; 2])] = match shape {
        Shape::Left | Shape::Right | Shape::Wye | Shape::Curved | Shape::Crossover => {
            let all = |name, position| NamedPosition {
                name: Id::new(name),
                drives: vec![position; count],
            };
            return Some(vec![all("straight", S), all("diverging", D)]);
        }
        // common practice, no source: both thrown is forbidden, the blades foul.
        Shape::ThreeWay => &[("straight", [S, S]), ("left", [D, S]), ("right", [S, D])],
        Shape::Scissors => &[
            ("straight", [S, S]),
            ("first-diagonal", [D, S]),
            ("second-diagonal", [S, D]),
        ],
        // common practice, no source: all four are routes.
        Shape::DoubleSlip => &[
            ("straight", [S, S]),
            ("across", [D, D]),
            ("left", [D, S]),
            ("right", [S, D]),
        ],
        Shape::SingleSlip => return None,
    };
    let named = two.iter().map(|(name, drives)| NamedPosition {
        name: Id::new(name),
        drives: drives.to_vec(),
    });
    (count == 2).then(|| named.collect())
}

/// Says that the positions have to be given, and why.
pub(super) fn not_given(table: &Table<'_>, shape: Option<Shape>, count: usize) {
    let (what, example) = if shape == Some(Shape::SingleSlip) {
        (
            "which combinations of a single slip's two drives are routes depends on how it is \
             built, and the plan does not say"
                .to_owned(),
            "positions = { straight = [\"straight\", \"straight\"], across = [\"diverging\", \
             \"diverging\"], slip = [\"diverging\", \"straight\"] }",
        )
    } else {
        (
            format!(
                "nothing is usual for {count} drives of this shape, and the plan does not say \
                     which positions there are"
            ),
            "positions = { straight = [\"straight\", \"straight\", \"straight\"], left = \
             [\"diverging\", \"straight\", \"straight\"] }, and so on",
        )
    };
    let mend = format!("name each with how its drives lie: {example}");
    report(table, "no-positions", what, mend, table.span());
}
