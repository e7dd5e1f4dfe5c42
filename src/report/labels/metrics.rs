//! Widths of the letters of the built-in fonts Helvetica and Helvetica-Bold, and their encoding.
//!
//! Encoding: ISO 32000-1 (2008), annex D.2, `WinAnsiEncoding`. Widths: the Adobe Font Metrics of
//! the core 14 fonts (AFM 4.1), Helvetica and Helvetica-Bold; second-hand, from the metrics of a
//! font that has the same widths by design.

use unicode_width::UnicodeWidthChar as _;

/// Stands for a letter that the encoding lacks.
pub(super) const REPLACEMENT: char = '?';

/// What is taken for the width of a letter that is not in the tables, in thousandths of the
/// size: one column wide, and two.
const OTHER: u16 = 850;
const WIDE: u16 = 1300;

/// Letters of the codes 0x80 to 0x9f; a space where the encoding has none.
const HIGH: [char; 32] = [
    '€', ' ', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', ' ', 'Ž', ' ', ' ', '‘', '’',
    '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', ' ', 'ž', 'Ÿ',
];

/// The letter's code, if the encoding has it.
pub(super) fn code(letter: char) -> Option<u8> {
    match letter {
        ' '..='~' | '\u{a0}'..='ÿ' => u8::try_from(u32::from(letter)).ok(),
        _ => {
            let at = HIGH.iter().position(|one| *one == letter)?;
            u8::try_from(0x80 + at).ok()
        }
    }
}

/// The letter, or what stands for it where the encoding lacks it.
pub(super) fn printable(letter: char) -> char {
    if code(letter).is_some() {
        letter
    } else {
        REPLACEMENT
    }
}

/// Text in that encoding.
pub(super) fn encode(text: &str) -> Vec<u8> {
    let letters = text.chars().map(printable);
    letters.filter_map(code).collect()
}

/// Are all of its letters in the tables?
pub(super) fn is_known(text: &str) -> bool {
    text.chars().all(|letter| code(letter).is_some())
}

/// Width of a text in thousandths of its size.
pub(super) fn width(text: &str, bold: bool) -> f64 {
    let table = if bold { &BOLD } else { &REGULAR };
    let widths = text.chars().map(|letter| {
        let known = code(letter).and_then(|code| table.get(usize::from(code) - 32));
        f64::from(*known.unwrap_or(match letter.width() {
            Some(2) => &WIDE,
            _ => &OTHER,
        }))
    });
    widths.sum()
}

#[rustfmt::skip]
const REGULAR: [u16; 224] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333,
    278, 278, 556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278,
    584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278,
    500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944,
    667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556,
    278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500,
    278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584, 0, 556, 0,
    222, 556, 333, 1000, 556, 556, 333, 1000, 667, 333, 1000, 0, 611, 0,
    0, 222, 222, 333, 333, 350, 556, 1000, 333, 1000, 500, 333, 944, 0,
    500, 667, 278, 333, 556, 556, 556, 556, 260, 556, 333, 737, 370, 556,
    584, 333, 737, 333, 400, 584, 333, 333, 333, 556, 537, 278, 333, 333,
    365, 556, 834, 834, 834, 611, 667, 667, 667, 667, 667, 667, 1000, 722,
    667, 667, 667, 667, 278, 278, 278, 278, 722, 722, 778, 778, 778, 778,
    778, 584, 778, 722, 722, 722, 722, 667, 667, 611, 556, 556, 556, 556,
    556, 556, 889, 500, 556, 556, 556, 556, 278, 278, 278, 278, 556, 556,
    556, 556, 556, 556, 556, 584, 611, 556, 556, 556, 556, 500, 556, 500,
];

#[rustfmt::skip]
const BOLD: [u16; 224] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333,
    278, 278, 556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 333, 333,
    584, 584, 584, 611, 975, 722, 722, 722, 722, 667, 611, 778, 722, 278,
    556, 722, 611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944,
    667, 667, 611, 333, 278, 333, 584, 556, 333, 556, 611, 556, 611, 556,
    333, 611, 611, 278, 278, 556, 278, 889, 611, 611, 611, 611, 389, 556,
    333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584, 0, 556, 0,
    278, 556, 500, 1000, 556, 556, 333, 1000, 667, 333, 1000, 0, 611, 0,
    0, 278, 278, 500, 500, 350, 556, 1000, 333, 1000, 556, 333, 944, 0,
    500, 667, 278, 333, 556, 556, 556, 556, 280, 556, 333, 737, 370, 556,
    584, 333, 737, 333, 400, 584, 333, 333, 333, 611, 556, 278, 333, 333,
    365, 556, 834, 834, 834, 611, 722, 722, 722, 722, 722, 722, 1000, 722,
    667, 667, 667, 667, 278, 278, 278, 278, 722, 722, 778, 778, 778, 778,
    778, 584, 778, 722, 722, 722, 722, 667, 667, 611, 556, 556, 556, 556,
    556, 556, 889, 556, 556, 556, 556, 556, 278, 278, 278, 278, 611, 611,
    611, 611, 611, 611, 611, 584, 611, 611, 611, 611, 611, 556, 611, 556,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn some_widths_are_as_published() {
        // Adobe core 14 AFM, Helvetica and Helvetica-Bold, from memory: WX of space, A, W, i, m.
        let same = |letter: char, bold, published: u16| {
            let found = width(&letter.to_string(), bold);
            assert!(
                (found - f64::from(published)).abs() < 1e-9,
                "{letter}: {found}"
            );
        };
        let published = [
            (' ', 278, 278),
            ('A', 667, 722),
            ('W', 944, 944),
            ('i', 222, 278),
            ('m', 833, 889),
        ];
        for (letter, regular, bold) in published {
            same(letter, false, regular);
            same(letter, true, bold);
        }
    }

    #[test]
    fn codes_are_as_published_and_the_rest_is_replaced() {
        // ISO 32000-1 (2008), annex D.2: octal 204, 205, 337, 200 and 240.
        let expected = [('„', 0o204), ('…', 0o205), ('ß', 0o337), ('€', 0o200)];
        for (letter, published) in expected {
            assert_eq!(code(letter), Some(published), "{letter}");
        }
        assert_eq!(code('\u{80}'), None);
        assert_eq!(code('\n'), None);
        assert_eq!(encode("Ö→🚂a"), [0xd6, b'?', b'?', b'a']);
    }

    #[test]
    fn every_code_has_a_width() {
        for (at, letter) in HIGH.iter().enumerate() {
            if *letter != ' ' {
                assert!(
                    REGULAR[0x80 - 32 + at] > 0 && BOLD[0x80 - 32 + at] > 0,
                    "{letter}"
                );
            }
        }
        for code in (0x20..0x7f).chain(0xa0..0x100) {
            assert!(REGULAR[code - 32] > 0 && BOLD[code - 32] > 0, "{code:x}");
        }
    }
}
