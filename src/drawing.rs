//! Drawings of turnouts, seen from the toe, with the route that is set.
//!
//! The toe is at the bottom: whoever looks at the drawing stands before the blades and looks
//! along the turnout. The route that is set is bold, the other one pale. A wye has no straight
//! route: the left one counts as straight here. A curved turnout is drawn to the left whichever
//! way it goes; its outer route is the straight one.

use std::fmt::Write as _;

use throwproof_protocol::address::Position;

use crate::plan::Shape;

mod route;
pub mod signal;
pub mod switches;

pub use route::{Route, routes};

/// How a drawn turnout lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lies {
    /// All the way over.
    At(Position),
    /// One with several drives, set for that route.
    On(Route),
    /// Neither way.
    Between,
    /// Nobody knows: both routes are drawn alike.
    Unknown,
}

/// What belongs to a turnout, as paths of an SVG in a square of [`SIDE`].
struct Paths {
    /// Where a train runs when it lies straight.
    straight: &'static str,
    /// And when it lies diverging.
    diverging: &'static str,
    /// Rails that belong to neither.
    besides: &'static str,
}

/// Side of the square that is drawn in.
const SIDE: u32 = 100;

const fn paths(shape: Shape) -> Paths {
    let (straight, diverging, besides) = match shape {
        Shape::Left => ("M50 96V4", "M50 96V74C50 48 40 34 16 10", ""),
        Shape::Right => ("M50 96V4", "M50 96V74C50 48 60 34 84 10", ""),
        Shape::Wye => (
            "M50 96V74C50 50 42 32 24 6",
            "M50 96V74C50 50 58 32 76 6",
            "",
        ),
        Shape::Curved => ("M66 96C66 62 62 34 48 5", "M66 96V88C66 58 50 34 16 16", ""),
        Shape::ThreeWay => (
            "M50 96V4",
            "M50 96V74C50 48 40 34 16 10",
            "M50 74C50 48 60 34 84 10",
        ),
        Shape::SingleSlip => (
            "M22 95L78 5M78 95L22 5",
            "M22 95L36 72C46 56 46 44 36 28L22 5",
            "",
        ),
        Shape::DoubleSlip => (
            "M22 95L78 5M78 95L22 5",
            "M22 95L36 72C46 56 46 44 36 28L22 5M78 95L64 72C54 56 54 44 64 28L78 5",
            "",
        ),
        Shape::Crossover => ("M24 96V4M76 96V4", "M24 96V84C24 62 76 40 76 16V4", ""),
        Shape::Scissors => (
            "M24 96V4M76 96V4",
            "M24 96V84C24 62 76 40 76 16V4M76 96V84C76 62 24 40 24 16V4",
            "",
        ),
    };
    Paths {
        straight,
        diverging,
        besides,
    }
}

/// The drawing in words, for who can't see it: `left-hand turnout, set straight`.
pub fn words(shape: Shape, lies: Lies) -> String {
    let what = match shape {
        Shape::Left => "left-hand turnout",
        Shape::Right => "right-hand turnout",
        Shape::Wye => "wye turnout",
        Shape::Curved => "curved turnout",
        Shape::ThreeWay => "three-way turnout",
        Shape::SingleSlip => "single slip",
        Shape::DoubleSlip => "double slip",
        Shape::Crossover => "crossover",
        Shape::Scissors => "scissors crossover",
    };
    let how = match (lies, shape) {
        (Lies::At(Position::Straight), Shape::Wye) => ", set straight, to the left",
        (Lies::At(Position::Straight), Shape::Curved) => ", set straight, the outer route",
        (Lies::At(Position::Diverging), Shape::Curved) => ", set diverging, the inner route",
        (Lies::At(Position::Straight), Shape::SingleSlip | Shape::DoubleSlip) => {
            ", set straight, crossing"
        }
        (Lies::At(Position::Diverging), Shape::SingleSlip | Shape::DoubleSlip) => {
            ", set diverging, by the slip roads"
        }
        (Lies::At(Position::Straight), Shape::Crossover | Shape::Scissors) => {
            ", set straight, both tracks through"
        }
        (Lies::At(Position::Diverging), Shape::Crossover) => ", set diverging, from track to track",
        (Lies::At(Position::Straight), _) => ", set straight",
        (Lies::At(Position::Diverging), Shape::Left) => ", set diverging, to the left",
        (Lies::At(Position::Diverging), Shape::Right | Shape::Wye) => {
            ", set diverging, to the right"
        }
        (Lies::At(Position::Diverging), Shape::ThreeWay) => ", set diverging",
        (Lies::At(Position::Diverging), Shape::Scissors) => ", set diverging, over both diagonals",
        (Lies::On(route), _) => route.words(shape),
        (Lies::Between, _) => ", between, not closed",
        (Lies::Unknown, _) => "",
    };
    format!("{what}{how}")
}

/// The drawing as an SVG element that can stand in a page of HTML. It takes the text's colour;
/// the classes `set`, `other` and `besides` leave the rest to a style sheet.
pub fn svg(shape: Shape, lies: Lies) -> String {
    let Paths {
        straight,
        diverging,
        besides,
    } = paths(shape);
    let mut drawing = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"turnout\" viewBox=\"0 0 {SIDE} {SIDE}\" \
         role=\"img\" aria-label=\"{}\" fill=\"none\" stroke=\"currentColor\" \
         stroke-linejoin=\"round\">",
        words(shape, lies)
    );
    if let Lies::On(set) = lies {
        // The one that is set comes last, over the others.
        for (_, line) in routes(shape).iter().filter(|(route, _)| *route != set) {
            path(&mut drawing, line, Stroke::Pale);
        }
        for (_, line) in routes(shape).iter().filter(|(route, _)| *route == set) {
            path(&mut drawing, line, Stroke::Bold);
        }
        drawing.push_str("</svg>");
        return drawing;
    }
    if !besides.is_empty() {
        path(&mut drawing, besides, Stroke::Pale);
    }
    match lies {
        Lies::At(Position::Straight) => {
            path(&mut drawing, diverging, Stroke::Pale);
            path(&mut drawing, straight, Stroke::Bold);
        }
        Lies::At(Position::Diverging) => {
            path(&mut drawing, straight, Stroke::Pale);
            path(&mut drawing, diverging, Stroke::Bold);
        }
        Lies::On(_) | Lies::Between => {
            path(&mut drawing, straight, Stroke::Broken);
            path(&mut drawing, diverging, Stroke::Broken);
        }
        Lies::Unknown => {
            path(&mut drawing, straight, Stroke::Even);
            path(&mut drawing, diverging, Stroke::Even);
        }
    }
    drawing.push_str("</svg>");
    drawing
}

/// How a route is drawn.
#[derive(Debug, Clone, Copy)]
enum Stroke {
    Bold,
    Pale,
    Broken,
    Even,
}

fn path(drawing: &mut String, path: &str, stroke: Stroke) {
    let how = match stroke {
        Stroke::Bold => "class=\"set\" stroke-width=\"12\"",
        Stroke::Pale => "class=\"other\" stroke-width=\"5\" stroke-opacity=\"0.35\"",
        Stroke::Broken => "class=\"broken\" stroke-width=\"6\" stroke-dasharray=\"9 7\"",
        Stroke::Even => "class=\"even\" stroke-width=\"6\"",
    };
    // A `String` takes anything.
    let _infallible = write!(drawing, "<path {how} d=\"{path}\"/>");
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPES: [Shape; 9] = [
        Shape::Left,
        Shape::Right,
        Shape::Wye,
        Shape::Curved,
        Shape::ThreeWay,
        Shape::SingleSlip,
        Shape::DoubleSlip,
        Shape::Crossover,
        Shape::Scissors,
    ];

    const LIES: [Lies; 4] = [
        Lies::At(Position::Straight),
        Lies::At(Position::Diverging),
        Lies::Between,
        Lies::Unknown,
    ];

    #[test]
    fn every_shape_looks_different_each_way() {
        for shape in SHAPES {
            let mut drawings: Vec<_> = LIES.map(|lies| svg(shape, lies)).into();
            drawings.sort_unstable();
            drawings.dedup();
            assert_eq!(drawings.len(), LIES.len(), "{shape:?}");
        }
    }

    #[test]
    fn the_bold_route_is_the_one_that_is_set() {
        for shape in SHAPES {
            for (position, route) in [
                (Position::Straight, paths(shape).straight),
                (Position::Diverging, paths(shape).diverging),
            ] {
                let drawing = svg(shape, Lies::At(position));
                let set = format!("<path class=\"set\" stroke-width=\"12\" d=\"{route}\"/>");
                assert!(drawing.contains(&set), "{shape:?} {position}");
            }
        }
    }

    #[test]
    fn left_goes_left_and_right_goes_right() {
        let ends_at = |shape| {
            let diverging = paths(shape).diverging;
            let numbers = diverging.rsplit(' ').nth(1);
            numbers.and_then(|x| x.parse::<u32>().ok()).unwrap()
        };
        assert!(ends_at(Shape::Left) < SIDE / 2);
        assert!(ends_at(Shape::Right) > SIDE / 2);
        assert!(words(Shape::Left, Lies::At(Position::Diverging)).ends_with("to the left"));
        assert!(words(Shape::Right, Lies::At(Position::Diverging)).ends_with("to the right"));
    }
}
