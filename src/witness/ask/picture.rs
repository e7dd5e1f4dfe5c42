//! Small drawings of turnouts in characters, seen from the toe, and the same in words.

use crate::plan::Shape;

/// A shape, drawn and told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Picture {
    /// Row by row, the toe at the bottom.
    pub(super) rows: &'static [&'static str],
    /// Where its routes go, as sentences.
    pub(super) words: [&'static str; 2],
}

const LEFT: Picture = Picture {
    rows: &[
        r"diverging \   | straight",
        r"           \  |",
        r"            \ |",
        r"             \|",
        r"              |",
        r"             toe",
    ],
    words: [
        "Seen from the toe, straight goes ahead.",
        "Diverging goes to the left.",
    ],
};

const RIGHT: Picture = Picture {
    rows: &[
        r" straight |   / diverging",
        r"          |  /",
        r"          | /",
        r"          |/",
        r"          |",
        r"         toe",
    ],
    words: [
        "Seen from the toe, straight goes ahead.",
        "Diverging goes to the right.",
    ],
};

// A wye has no straight route: which one counts as straight is agreed (common practice, no
// source).
const WYE: Picture = Picture {
    rows: &[
        r"one route \   / the other",
        r"           \ /",
        r"            |",
        r"            |",
        r"           toe     straight is the one that you agreed on",
    ],
    words: [
        "Seen from the toe, one route goes to the left and one to the right.",
        "Straight is the one that you agreed on.",
    ],
};

// The outer route counts as straight (common practice, no source).
const CURVED: Picture = Picture {
    rows: &[
        r"diverging _     \ straight",
        r"  (inner)  `.    \ (outer)",
        r"             \   |",
        r"              \  |",
        r"               \ |",
        r"                \|",
        r"                toe     or both to the right",
    ],
    words: [
        "Both routes curve the same way, and straight is the outer one.",
        "Diverging is the inner one.",
    ],
};

const THREE_WAY: Picture = Picture {
    rows: &[
        r"            straight",
        r"diverging  \    |    /  diverging",
        r"             \  |  /",
        r"               \|/",
        r"                |",
        r"               toe     diverging is this half's own side",
    ],
    words: [
        "This is one half of a three-way turnout, and straight is the middle route.",
        "Diverging is this half's own side.",
    ],
};

const SINGLE_SLIP: Picture = Picture {
    rows: &[
        r" straight \     / diverging",
        r"           \   /|",
        r"            \ / |",
        r"             X  | slip road",
        r"            / \ |",
        r"           /   \|",
        r"               toe     or the slip road on the left",
    ],
    words: [
        "Straight crosses the other track.",
        "Diverging goes by the slip road.",
    ],
};

const DOUBLE_SLIP: Picture = Picture {
    rows: &[
        r" straight \     / diverging",
        r"          |\   /|",
        r"          | \ / |",
        r"          |  X  | slip roads",
        r"          | / \ |",
        r"          |/   \|",
        r"         toe   toe",
    ],
    words: [
        "Straight crosses the other track.",
        "Diverging goes by a slip road.",
    ],
};

const CROSSOVER: Picture = Picture {
    rows: &[
        r" straight |    | straight",
        r"          |   /|",
        r"          |  / | diverging: over to the other track",
        r"          | /  |",
        r"          |/   |",
        r"         toe         or the other way over",
    ],
    words: [
        "Straight stays on its track, at both ends.",
        "Diverging goes over to the other track.",
    ],
};

const SCISSORS: Picture = Picture {
    rows: &[
        r" straight |     | straight",
        r"          |\   /|",
        r"          | \ / | diverging: both diagonals",
        r"          |  X  |",
        r"          | / \ |",
        r"          |/   \|",
        r"         toe   toe",
    ],
    words: [
        "Straight stays on its track, at both ends.",
        "Diverging goes over to the other track, both ways.",
    ],
};

const WHOLE_THREE_WAY: Picture = Picture {
    rows: &[
        r"          straight",
        r"     left \   |   / right",
        r"           \  |  /",
        r"            \ | /",
        r"             \|/",
        r"              |",
        r"             toe",
    ],
    words: [
        "Seen from the toe, straight goes ahead.",
        "Left and right go to their sides.",
    ],
};

const WHOLE_SINGLE_SLIP: Picture = Picture {
    rows: &[
        r"           \     /",
        r"           |\   /    straight is this track: /",
        r"           | \ /     across is that one: \",
        r"      left |  X      left goes by the slip road",
        r"           | / \",
        r"           |/   \",
        r"          toe   toe",
    ],
    words: [
        "Straight runs along one track and across along the other.",
        "Left goes by the slip road.",
    ],
};

const WHOLE_DOUBLE_SLIP: Picture = Picture {
    rows: &[
        r"           \     /",
        r"           |\   /|        straight is this track: /",
        r"           | \ / |        across is that one: \",
        r"      left |  X  | right  left and right go by the slip roads",
        r"           | / \ |",
        r"           |/   \|",
        r"          toe   toe",
    ],
    words: [
        "Straight runs along one track and across along the other.",
        "Left and right go by the slip roads.",
    ],
};

const WHOLE_SCISSORS: Picture = Picture {
    rows: &[
        r" straight |     | straight",
        r"          |\   /|",
        r"          | \ / |  first-diagonal is this one: /",
        r"          |  X  |  second-diagonal is that one: \",
        r"          | / \ |",
        r"          |/   \|",
        r"         toe   toe",
    ],
    words: [
        "Straight stays on its track, at both ends.",
        "The first diagonal goes from left to right and the second from right to left.",
    ],
};

impl Picture {
    /// That shape, with several drives that are one thing.
    pub(super) const fn of_several(shape: Shape) -> Self {
        match shape {
            Shape::ThreeWay => WHOLE_THREE_WAY,
            Shape::SingleSlip => WHOLE_SINGLE_SLIP,
            Shape::DoubleSlip => WHOLE_DOUBLE_SLIP,
            Shape::Scissors => WHOLE_SCISSORS,
            Shape::Left | Shape::Right | Shape::Wye | Shape::Curved | Shape::Crossover => {
                Self::of(shape)
            }
        }
    }

    /// That shape.
    pub(super) const fn of(shape: Shape) -> Self {
        match shape {
            Shape::Left => LEFT,
            Shape::Right => RIGHT,
            Shape::Wye => WYE,
            Shape::Curved => CURVED,
            Shape::ThreeWay => THREE_WAY,
            Shape::SingleSlip => SINGLE_SLIP,
            Shape::DoubleSlip => DOUBLE_SLIP,
            Shape::Crossover => CROSSOVER,
            Shape::Scissors => SCISSORS,
        }
    }

    /// Its rows, with lines that join where the terminal can show them.
    pub(super) fn drawn(self, unicode: bool) -> impl Iterator<Item = String> {
        let joined = move |sign| match sign {
            '|' if unicode => '│',
            '/' if unicode => '╱',
            '\\' if unicode => '╲',
            'X' if unicode => '╳',
            sign => sign,
        };
        let rows = self.rows.iter();
        rows.map(move |row| row.chars().map(joined).collect())
    }
}

/// What it is, in words.
pub(super) const fn name(shape: Shape) -> &'static str {
    match shape {
        Shape::Left => "left-hand turnout",
        Shape::Right => "right-hand turnout",
        Shape::Wye => "wye turnout",
        Shape::Curved => "curved turnout",
        Shape::ThreeWay => "three-way turnout",
        Shape::SingleSlip => "single slip",
        Shape::DoubleSlip => "double slip",
        Shape::Crossover => "crossover",
        Shape::Scissors => "scissors crossover",
    }
}

#[cfg(test)]
mod tests {
    use unicode_width::UnicodeWidthStr;

    use super::*;

    const ALL: [Shape; 9] = [
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

    #[test]
    fn every_drawing_is_small_and_names_its_routes_and_its_toe() {
        for shape in ALL {
            let picture = Picture::of(shape);
            assert!(picture.rows.len() <= 7, "{shape:?}");
            let several = Picture::of_several(shape);
            assert!(several.rows.len() <= 7, "{shape:?}");
            assert!(
                several.drawn(true).all(|row| row.width() <= 70),
                "{shape:?}"
            );
            // Every route of it has its name in the drawing.
            for (route, _) in crate::drawing::routes(shape) {
                let drawn: Vec<_> = several.drawn(false).collect();
                assert!(
                    drawn.join("\n").contains(route.as_str()) || shape == Shape::Wye,
                    "{shape:?}"
                );
            }
            for unicode in [false, true] {
                let drawn: Vec<_> = picture.drawn(unicode).collect();
                assert!(drawn.iter().all(|row| row.width() <= 70), "{shape:?}");
                assert_eq!(drawn.iter().all(|row| row.is_ascii()), !unicode);
                let all = drawn.join("\n");
                assert!(all.contains("straight"), "{shape:?}");
                assert!(all.contains("diverging") || shape == Shape::Wye);
                assert!(drawn[drawn.len() - 1].contains("toe"), "{shape:?}");
            }
        }
    }

    #[test]
    fn left_and_right_are_where_the_plan_says() {
        // docs/plan.md: seen from the toe. Left of the straight rail, and right of it.
        for row in &LEFT.rows[1..4] {
            assert!(row.find('\\') < row.find('|'), "{row}");
        }
        for row in &RIGHT.rows[1..4] {
            assert!(row.find('/') > row.find('|'), "{row}");
        }
        assert!(Picture::of(Shape::Left).words[1].contains("left"));
        assert!(Picture::of(Shape::Right).words[1].contains("right"));
    }

    #[test]
    fn words_are_whole_sentences() {
        for shape in ALL {
            let all = [Picture::of(shape), Picture::of_several(shape)];
            for words in all.into_iter().flat_map(|picture| picture.words) {
                assert!(words.ends_with('.') && words.matches(". ").count() == 0);
            }
        }
    }
}
