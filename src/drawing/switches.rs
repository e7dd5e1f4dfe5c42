//! A row of switches as a board has them, and the same in words.
//!
//! The first one is at the left, and up is on. Which side of a real board is on is printed there;
//! the picture can't know.

use std::fmt::Write as _;

/// Between two switches, in units of the drawing.
const PITCH: usize = 30;

/// The most that stand in one row: on a phone their numbers can still be read.
const IN_A_ROW: usize = 12;

/// Height of a row, with the numbers above it.
const ROW: usize = 74;

/// The row in words: `1 and 4 on, all others off`.
pub fn words(on: &[bool]) -> String {
    let numbers = (1..).zip(on).filter(|(_, on)| **on);
    let numbers: Vec<_> = numbers
        .map(|(number, _): (usize, _)| number.to_string())
        .collect();
    match numbers.as_slice() {
        [] => "all off".to_owned(),
        numbers if numbers.len() == on.len() => "all on".to_owned(),
        [one] => format!("{one} on, all others off"),
        [first @ .., last] => format!("{} and {last} on, all others off", first.join(", ")),
    }
}

/// The row as an SVG element that can stand in a page of HTML. It takes the text's colour. It has
/// no words: those stand beside it.
pub fn svg(on: &[bool]) -> String {
    let rows = on.len().div_ceil(IN_A_ROW).max(1);
    let a_row = on.len().div_ceil(rows).max(1);
    let (width, height) = (PITCH * a_row, ROW * rows);
    let mut drawing = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"switches\" \
         viewBox=\"0 0 {width} {height}\" aria-hidden=\"true\" fill=\"none\" \
         stroke=\"currentColor\" stroke-width=\"2\">"
    );
    for (at, on) in on.iter().enumerate() {
        let (x, y) = (at % a_row * PITCH, at / a_row * ROW);
        let middle = x + PITCH / 2;
        // A `String` takes anything.
        let _infallible = write!(
            drawing,
            "<text x=\"{middle}\" y=\"{}\" text-anchor=\"middle\" font-size=\"15\" \
             font-weight=\"{}\" fill=\"currentColor\" stroke=\"none\">{}</text>\
             <rect x=\"{}\" y=\"{}\" width=\"20\" height=\"46\" rx=\"4\"/>\
             <rect class=\"{}\" x=\"{}\" y=\"{}\" width=\"14\" height=\"18\" rx=\"2\"{}/>",
            y + 16,
            if *on { 800 } else { 400 },
            at + 1,
            x + 5,
            y + 24,
            if *on { "on" } else { "off" },
            x + 8,
            if *on { y + 27 } else { y + 49 },
            if *on { " fill=\"currentColor\"" } else { "" },
        );
    }
    drawing.push_str("</svg>");
    drawing
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn row(text: &str) -> Vec<bool> {
        text.chars().map(|sign| sign == '1').collect()
    }

    #[test]
    fn words_name_those_that_are_on() {
        for (on, said) in [
            ("10010000", "1 and 4 on, all others off"),
            ("00100000", "3 on, all others off"),
            ("1101", "1, 2 and 4 on, all others off"),
            ("0000", "all off"),
            ("111", "all on"),
            ("1", "all on"),
            ("0", "all off"),
        ] {
            assert_eq!(words(&row(on)), said);
        }
    }

    #[test]
    fn on_is_filled_and_up_and_off_is_hollow_and_down() {
        let drawing = svg(&row("10"));
        assert!(drawing.contains("viewBox=\"0 0 60 74\""), "{drawing}");
        let on = "class=\"on\" x=\"8\" y=\"27\" width=\"14\" height=\"18\" rx=\"2\" fill=";
        assert!(drawing.contains(on), "{drawing}");
        let off = "class=\"off\" x=\"38\" y=\"49\" width=\"14\" height=\"18\" rx=\"2\"/>";
        assert!(drawing.contains(off), "{drawing}");
    }

    proptest! {
        #[test]
        fn every_switch_is_drawn_once_and_inside(
            on in prop::collection::vec(any::<bool>(), 1..40),
        ) {
            let drawing = svg(&on);
            let of = |class: &str| drawing.matches(&format!("class=\"{class}\"")).count();
            prop_assert_eq!(of("on"), on.iter().filter(|on| **on).count());
            prop_assert_eq!(of("on") + of("off"), on.len());
            for number in 1..=on.len() {
                prop_assert_eq!(drawing.matches(&format!(">{number}</text>")).count(), 1);
            }
            let rows = on.len().div_ceil(IN_A_ROW);
            let height = format!(" {}\"", rows * ROW);
            prop_assert!(drawing.contains(&height));
        }
    }
}
