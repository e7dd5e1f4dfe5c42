//! The lamps of a signal at each of its aspects, drawn in characters, and the same in words.

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr as _;

use super::text::styled;
use crate::plan::{Colour, Face, Glow, Id, Lamp};

/// No aspect's column is narrower, so that rows of them stand in line.
const NARROWEST: usize = 12;

/// Each aspect and its lamps as a sentence: `caution: upper-yellow flashing.`
pub(super) fn sentences(aspects: &[Id], faces: &[Option<Face>]) -> Vec<String> {
    let both = aspects.iter().zip(faces);
    let told = both.filter_map(|(name, face)| {
        let words = face.as_ref()?.words();
        Some(format!("{name}: {words}."))
    });
    told.collect()
}

/// The aspects side by side, as many as fit, each with its lamps below its name.
pub(super) fn drawn(
    aspects: &[Id],
    faces: &[Option<Face>],
    unicode: bool,
    width: usize,
) -> Vec<String> {
    let known = aspects.iter().zip(faces);
    let known: Vec<_> = known
        .filter_map(|(name, face)| Some((name, face.as_ref()?)))
        .collect();
    let widest = known.iter().map(|(name, _)| name.as_str().width()).max();
    let column = widest.unwrap_or_default().max(NARROWEST) + 2;
    let a_row = (width / column).max(1);
    let mut rows = Vec::new();
    for some in known.chunks(a_row) {
        let names = some.iter().map(|(name, _)| {
            let gap = column.saturating_sub(name.as_str().width());
            format!("{name}{}", " ".repeat(gap))
        });
        rows.push(names.collect::<String>());
        let lamps = some.iter().map(|(_, face)| face.0.len()).max();
        for at in 0..lamps.unwrap_or_default() {
            let cells = some.iter().map(|(_, face)| match face.0.get(at) {
                Some((lamp, glow)) => cell(lamp, *glow, unicode, column),
                None => " ".repeat(column),
            });
            rows.push(cells.collect());
        }
    }
    rows.iter().map(|row| row.trim_end().to_owned()).collect()
}

/// `○`, `● red`, `● red *` for one that flashes.
fn cell(lamp: &Lamp, glow: Glow, unicode: bool, column: usize) -> String {
    let (out, lit) = if unicode {
        ("○", "●")
    } else {
        ("( )", "(#)")
    };
    let word = lamp.colour.as_str();
    let (sign, rest) = match glow {
        Glow::Out => (out, String::new()),
        Glow::Lit => (lit, format!(" {word}")),
        Glow::Flashing => (lit, format!(" {word} *")),
    };
    let gap = column.saturating_sub(sign.width() + rest.width());
    let sign = if glow == Glow::Out {
        sign.to_owned()
    } else {
        styled(style(lamp.colour), sign)
    };
    format!("{sign}{rest}{}", " ".repeat(gap))
}

/// What the sign beside a lamp that flashes means; nothing where none does.
pub(super) fn legend(faces: &[Option<Face>]) -> Option<&'static str> {
    let mut lamps = faces.iter().flatten().flat_map(|face| &face.0);
    lamps
        .any(|(_, glow)| *glow == Glow::Flashing)
        .then_some("* flashes")
}

const fn style(colour: Colour) -> Style {
    match colour {
        Colour::Red => AnsiColor::BrightRed.on_default(),
        Colour::Yellow => AnsiColor::BrightYellow.on_default(),
        Colour::Green => AnsiColor::BrightGreen.on_default(),
        Colour::White => Style::new().bold(),
        Colour::Blue => AnsiColor::BrightBlue.on_default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faces() -> (Vec<Id>, Vec<Option<Face>>) {
        let lamp = |colour: Colour| Lamp {
            name: colour.as_str().to_owned(),
            colour,
        };
        let face = |green, red| {
            let lamps = [(lamp(Colour::Green), green), (lamp(Colour::Red), red)];
            Some(Face(lamps.into()))
        };
        let names = ["stop", "proceed", "caution", "dark", "test"];
        let faces = vec![
            face(Glow::Out, Glow::Lit),
            face(Glow::Lit, Glow::Out),
            face(Glow::Flashing, Glow::Out),
            face(Glow::Out, Glow::Out),
            None,
        ];
        (names.map(Id::new).into(), faces)
    }

    fn plain(rows: &[String]) -> Vec<String> {
        let plain = rows.iter().map(|row| anstream::adapter::strip_str(row));
        plain.map(|row| row.to_string()).collect()
    }

    #[test]
    fn lamps_stand_below_the_names_of_their_aspects() {
        let (names, faces) = faces();
        let rows = plain(&drawn(&names, &faces, false, 76));
        assert_eq!(
            rows,
            [
                "stop          proceed       caution       dark",
                "( )           (#) green     (#) green *   ( )",
                "(#) red       ( )           ( )           ( )",
            ]
        );
        assert_eq!(legend(&faces), Some("* flashes"));
        assert_eq!(legend(&faces[..2]), None);
        let rows = plain(&drawn(&names, &faces, true, 76));
        assert_eq!(rows[1], "○             ● green       ● green *     ○");
    }

    #[test]
    fn a_narrow_terminal_has_them_below_each_other() {
        let (names, faces) = faces();
        let rows = plain(&drawn(&names, &faces, true, 30));
        assert_eq!(rows.len(), 6);
        assert!(rows.iter().all(|row| row.width() <= 30));
    }

    #[test]
    fn words_say_the_same() {
        let (names, faces) = faces();
        let told = sentences(&names, &faces);
        let expected = ["stop: red.", "proceed: green.", "caution: green flashing."];
        assert_eq!(told[..3], expected);
        assert_eq!(told[3..], ["dark: no lamp."]);
    }
}
