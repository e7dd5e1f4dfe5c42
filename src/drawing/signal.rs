//! Drawings of signals: a column of lamps on a plate, as the plan lists them.
//!
//! A lamp that is out is a ring; one that is lit is filled and holds the letter of its colour, so
//! that it can be told without seeing colours; one that flashes has a broken ring around it too.

use std::fmt::Write as _;

use serde::ser::SerializeSeq as _;
use serde::{Serialize, Serializer};

use crate::plan::{Colour, Face, Glow, Lamp};

/// Width of the plate, from lamp to lamp, and radius of a lamp, in units of the drawing.
const WIDTH: usize = 40;
const STEP: usize = 34;
const RADIUS: usize = 11;

/// What a lamp is filled with, and its letter: 5 to 1 in contrast at the least.
const fn fills(colour: Colour) -> (&'static str, &'static str) {
    match colour {
        Colour::Red => ("#c0201c", "#fff"),
        Colour::Yellow => ("#ffc61a", "#111"),
        Colour::Green => ("#0a7a3c", "#fff"),
        Colour::White => ("#fff", "#111"),
        Colour::Blue => ("#1f5fc4", "#fff"),
    }
}

/// The drawing in words, for who can't see it: `red`, `upper-yellow flashing`, `no lamp`.
pub fn words(face: &Face) -> String {
    face.words()
}

/// The drawing as an SVG element that can stand in a page of HTML. Rings take the text's colour.
pub fn svg(face: &Face) -> String {
    let Face(lamps) = face;
    let height = STEP * lamps.len().max(1) + 6;
    let mut drawing = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"lamps\" viewBox=\"0 0 {WIDTH} {height}\" \
         role=\"img\" aria-label=\"{}\" fill=\"none\" stroke=\"currentColor\">\
         <rect x=\"2\" y=\"2\" width=\"{}\" height=\"{}\" rx=\"10\" stroke-width=\"2\"/>",
        words(face),
        WIDTH - 4,
        height - 4
    );
    for (index, (lamp, glow)) in lamps.iter().enumerate() {
        let middle = STEP * index + STEP / 2 + 3;
        // A `String` takes anything.
        let _infallible = self::lamp(&mut drawing, lamp, *glow, middle);
    }
    drawing.push_str("</svg>");
    drawing
}

fn lamp(drawing: &mut String, lamp: &Lamp, glow: Glow, y: usize) -> std::fmt::Result {
    let x = WIDTH / 2;
    if glow == Glow::Out {
        return write!(
            drawing,
            "<circle class=\"out\" cx=\"{x}\" cy=\"{y}\" r=\"{RADIUS}\" stroke-width=\"1.5\" \
             stroke-opacity=\"0.6\"/>"
        );
    }
    let (fill, ink) = fills(lamp.colour);
    let class = match glow {
        Glow::Flashing => "flashing",
        Glow::Out | Glow::Lit => "lit",
    };
    write!(
        drawing,
        "<g class=\"{class}\"><circle cx=\"{x}\" cy=\"{y}\" r=\"{RADIUS}\" fill=\"{fill}\" \
         stroke-width=\"2\"/><text x=\"{x}\" y=\"{}\" font-size=\"14\" font-weight=\"700\" \
         text-anchor=\"middle\" fill=\"{ink}\" stroke=\"none\">{}</text></g>",
        y + 5,
        lamp.colour.letter()
    )?;
    if glow == Glow::Flashing {
        write!(
            drawing,
            "<circle class=\"ring\" cx=\"{x}\" cy=\"{y}\" r=\"{}\" stroke-width=\"2\" \
             stroke-dasharray=\"4 3\"/>",
            RADIUS + 4
        )?;
    }
    Ok(())
}

/// A drawing and its words, as pages get them.
#[derive(Debug, Serialize)]
struct Drawn {
    svg: String,
    words: String,
}

/// Each face as its drawing and words, or nothing where there is none.
///
/// # Errors
/// When the serialiser fails.
pub fn serialize<S: Serializer>(faces: &[Option<Face>], serializer: S) -> Result<S::Ok, S::Error> {
    let mut list = serializer.serialize_seq(Some(faces.len()))?;
    for face in faces {
        let drawn = face.as_ref().map(|face| Drawn {
            svg: svg(face),
            words: words(face),
        });
        list.serialize_element(&drawn)?;
    }
    list.end()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn face(glows: [Glow; 3]) -> Face {
        let lamps = [
            ("green", Colour::Green),
            ("upper-yellow", Colour::Yellow),
            ("red", Colour::Red),
        ];
        let lamps = lamps.map(|(name, colour)| Lamp {
            name: name.to_owned(),
            colour,
        });
        Face(lamps.into_iter().zip(glows).collect())
    }

    #[test]
    fn a_lamp_is_told_by_letter_and_ring_not_by_colour_alone() {
        use Glow::{Flashing, Lit, Out};
        let drawing = svg(&face([Out, Flashing, Lit]));
        assert!(drawing.contains("aria-label=\"upper-yellow flashing and red\""));
        assert_eq!(drawing.matches("class=\"out\"").count(), 1);
        assert_eq!(drawing.matches("class=\"ring\"").count(), 1);
        for letter in [">Y<", ">R<"] {
            assert_eq!(drawing.matches(letter).count(), 1, "{letter}");
        }
        assert!(!drawing.contains(">G<"), "a lamp that is out says nothing");
        assert!(svg(&face([Out; 3])).contains("aria-label=\"no lamp\""));
    }

    #[test]
    fn every_face_looks_different() {
        let glows = [Glow::Out, Glow::Lit, Glow::Flashing];
        let mut all = Vec::new();
        for one in glows {
            for two in glows {
                all.extend(glows.map(|three| svg(&face([one, two, three]))));
            }
        }
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), 27);
    }
}
