//! Routes of turnouts with several drives.
//!
//! Seen from the toe, which is the bottom. Of a slip and of crossovers that is the end of the
//! first drive, or of the first diagonal's left track.

use serde::Serialize;
use throwproof_protocol::address::Position;

use crate::plan::{NamedPosition, Shape};

/// Where a train runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Route {
    /// Straight ahead, or each on its own track.
    Straight,
    /// The other way of two.
    Diverging,
    /// To the left; of a slip, by the slip road on the left.
    Left,
    /// To the right, likewise.
    Right,
    /// Of a slip: straight along the other track.
    Across,
    /// Of a scissors crossover: from the left track to the right one.
    FirstDiagonal,
    /// And from the right track to the left one.
    SecondDiagonal,
}

const PLAIN_LEFT: &str = "M50 96V74C50 48 40 34 16 10";
const PLAIN_RIGHT: &str = "M50 96V74C50 48 60 34 84 10";
const MIDDLE: &str = "M50 96V4";
const BOTH: &str = "M24 96V4M76 96V4";
const FIRST: &str = "M24 96V84C24 62 76 40 76 16V4";
const SECOND: &str = "M76 96V84C76 62 24 40 24 16V4";
const CROSSING: &str = "M22 95L78 5";
const OTHER_CROSSING: &str = "M78 95L22 5";
const LEFT_ROAD: &str = "M22 95L36 72C46 56 46 44 36 28L22 5";
const RIGHT_ROAD: &str = "M78 95L64 72C54 56 54 44 64 28L78 5";

/// The routes that a shape with several drives can have, each with its path.
pub const fn routes(shape: Shape) -> &'static [(Route, &'static str)] {
    match shape {
        Shape::Left => &[(Route::Straight, MIDDLE), (Route::Diverging, PLAIN_LEFT)],
        Shape::Right => &[(Route::Straight, MIDDLE), (Route::Diverging, PLAIN_RIGHT)],
        Shape::Wye => &[
            (Route::Straight, "M50 96V74C50 50 42 32 24 6"),
            (Route::Diverging, "M50 96V74C50 50 58 32 76 6"),
        ],
        Shape::Curved => &[
            (Route::Straight, "M66 96C66 62 62 34 48 5"),
            (Route::Diverging, "M66 96V88C66 58 50 34 16 16"),
        ],
        Shape::ThreeWay => &[
            (Route::Straight, MIDDLE),
            (Route::Left, PLAIN_LEFT),
            (Route::Right, PLAIN_RIGHT),
        ],
        Shape::SingleSlip => &[
            (Route::Straight, CROSSING),
            (Route::Across, OTHER_CROSSING),
            (Route::Left, LEFT_ROAD),
        ],
        Shape::DoubleSlip => &[
            (Route::Straight, CROSSING),
            (Route::Across, OTHER_CROSSING),
            (Route::Left, LEFT_ROAD),
            (Route::Right, RIGHT_ROAD),
        ],
        Shape::Crossover => &[(Route::Straight, BOTH), (Route::Diverging, FIRST)],
        Shape::Scissors => &[
            (Route::Straight, BOTH),
            (Route::FirstDiagonal, FIRST),
            (Route::SecondDiagonal, SECOND),
        ],
    }
}

impl Route {
    /// Every route.
    pub const ALL: [Self; 7] = [
        Self::Straight,
        Self::Diverging,
        Self::Left,
        Self::Right,
        Self::Across,
        Self::FirstDiagonal,
        Self::SecondDiagonal,
    ];

    /// Its word, which is also what a position with it is usually called.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Diverging => "diverging",
            Self::Left => "left",
            Self::Right => "right",
            Self::Across => "across",
            Self::FirstDiagonal => "first-diagonal",
            Self::SecondDiagonal => "second-diagonal",
        }
    }

    /// The route of a position: by its name where that says it, else by how its drives lie;
    /// `None` where neither tells, and it can't be drawn.
    pub fn of(shape: Shape, position: &NamedPosition) -> Option<Self> {
        use Position::{Diverging, Straight};
        let has = |route: &Self| routes(shape).iter().any(|(known, _)| known == route);
        let name = position.name.as_str();
        let by_name = Self::ALL.into_iter().find(|route| route.as_str() == name);
        let by_drives: &[Self] = match position.drives.as_slice() {
            drives if drives.iter().all(|one| *one == Straight) => &[Self::Straight],
            drives if drives.iter().all(|one| *one == Diverging) => {
                &[Self::Across, Self::Diverging]
            }
            [Diverging, Straight] => &[Self::Left, Self::FirstDiagonal],
            // A single slip is drawn with its road on the left.
            [Straight, Diverging] if shape == Shape::SingleSlip => &[Self::Left],
            [Straight, Diverging] => &[Self::Right, Self::SecondDiagonal],
            _ => &[],
        };
        by_name
            .filter(has)
            .or_else(|| by_drives.iter().copied().find(has))
    }

    /// What a drawing of it says after the name of the shape.
    pub(super) const fn words(self, shape: Shape) -> &'static str {
        match (self, shape) {
            (Self::Straight, Shape::SingleSlip | Shape::DoubleSlip) => {
                ", set straight, along one track"
            }
            (Self::Straight, Shape::Crossover | Shape::Scissors) => {
                ", set straight, both tracks through"
            }
            (Self::Straight, _) => ", set straight",
            (Self::Diverging, Shape::Left) => ", set diverging, to the left",
            (Self::Diverging, Shape::Right | Shape::Wye) => ", set diverging, to the right",
            (Self::Diverging, Shape::Crossover) => ", set diverging, from track to track",
            (Self::Diverging, _) => ", set diverging",
            (Self::Left, Shape::SingleSlip | Shape::DoubleSlip) => {
                ", set left, by the slip road on the left"
            }
            (Self::Right, Shape::SingleSlip | Shape::DoubleSlip) => {
                ", set right, by the slip road on the right"
            }
            (Self::Left, _) => ", set left",
            (Self::Right, _) => ", set right",
            (Self::Across, _) => ", set across, along the other track",
            (Self::FirstDiagonal, _) => ", set on the first diagonal, from left to right",
            (Self::SecondDiagonal, _) => ", set on the second diagonal, from right to left",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawing::{Lies, svg, words};
    use crate::plan::Id;

    const S: Position = Position::Straight;
    const D: Position = Position::Diverging;

    fn route(shape: Shape, name: &str, drives: [Position; 2]) -> Option<Route> {
        let (name, drives) = (Id::new(name), drives.into());
        Route::of(shape, &NamedPosition { name, drives })
    }

    #[test]
    fn each_route_is_drawn_bold_over_the_others_and_told_in_words() {
        for shape in [
            Shape::ThreeWay,
            Shape::SingleSlip,
            Shape::DoubleSlip,
            Shape::Crossover,
            Shape::Scissors,
        ] {
            let all = routes(shape);
            for (set, line) in all {
                let drawing = svg(shape, Lies::On(*set));
                let bold = format!("<path class=\"set\" stroke-width=\"12\" d=\"{line}\"/></svg>");
                assert!(drawing.ends_with(&bold), "{shape:?} {set:?}");
                assert_eq!(drawing.matches("<path").count(), all.len());
                assert!(words(shape, Lies::On(*set)).contains(", set "));
            }
            let mut told: Vec<_> = all
                .iter()
                .map(|(set, _)| words(shape, Lies::On(*set)))
                .collect();
            told.sort_unstable();
            told.dedup();
            assert_eq!(told.len(), all.len(), "{shape:?}");
        }
    }

    #[test]
    fn a_position_is_drawn_by_its_name_and_else_by_its_drives() {
        assert_eq!(route(Shape::ThreeWay, "left", [D, S]), Some(Route::Left));
        // The plan has its drives the other way round.
        assert_eq!(route(Shape::ThreeWay, "left", [S, D]), Some(Route::Left));
        assert_eq!(route(Shape::ThreeWay, "quay", [S, D]), Some(Route::Right));
        assert_eq!(route(Shape::ThreeWay, "quay", [D, D]), None);
        assert_eq!(route(Shape::SingleSlip, "slip", [S, D]), Some(Route::Left));
        assert_eq!(
            route(Shape::Scissors, "one", [D, S]),
            Some(Route::FirstDiagonal)
        );
        // The name is another shape's.
        assert_eq!(
            route(Shape::Crossover, "left", [D, D]),
            Some(Route::Diverging)
        );
    }
}
