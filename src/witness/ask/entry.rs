//! A line that is being typed.

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use super::key::Key;

/// What a key did to the line.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Typed {
    /// Show this.
    Show(String),
    /// Nothing.
    Nothing,
    /// It is finished.
    Done(String),
    /// It is given up.
    GivenUp,
}

/// No line is longer, in bytes: a key that is held down by something heavy ends here.
const LONGEST: usize = 2000;

/// A line that is being typed behind a prompt.
#[derive(Debug)]
pub(super) struct Entry {
    line: String,
    /// Cells between the prompt and the edge.
    room: usize,
    /// Cells between the prompt and the cursor.
    cursor: usize,
    /// Whether the cursor may be moved.
    moves: bool,
}

impl Entry {
    /// An empty line with that many cells to the edge.
    pub(super) fn new(room: usize, moves: bool) -> Self {
        Self {
            line: String::new(),
            room: room.max(2),
            cursor: 0,
            moves,
        }
    }

    pub(super) fn take(&mut self, key: Key) -> Typed {
        match key {
            Key::Char(letter) => self.push(letter),
            Key::Backspace => self.pop(),
            Key::Enter => Typed::Done(std::mem::take(&mut self.line).trim().to_owned()),
            Key::Esc => Typed::GivenUp,
            Key::Tab
            | Key::Left
            | Key::Right
            | Key::Up
            | Key::Down
            | Key::PageUp
            | Key::PageDown
            | Key::Home
            | Key::End
            | Key::Insert
            | Key::Delete
            | Key::F(_)
            | Key::Suspend
            | Key::Other => Typed::Nothing,
        }
    }

    fn push(&mut self, letter: char) -> Typed {
        // What is put on top of a letter needs one.
        let has_place = letter
            .width()
            .is_some_and(|cells| cells > 0 || !self.line.is_empty());
        if !has_place || self.line.len() + letter.len_utf8() > LONGEST {
            return Typed::Nothing;
        }
        self.line.push(letter);
        if self.moves && self.line.width() > self.room {
            return Typed::Show(self.window());
        }
        self.cursor += letter.width().unwrap_or(0);
        Typed::Show(letter.to_string())
    }

    /// Takes the last letter back, with all that was put on top of it.
    fn pop(&mut self) -> Typed {
        let before = self.line.width();
        let mut last = self.line.pop();
        while last.is_some_and(|letter| letter.width() == Some(0)) {
            last = self.line.pop();
        }
        let Some(letter) = last else {
            return Typed::Nothing;
        };
        if !self.moves {
            // Without moving the cursor, the line is told anew.
            return Typed::Show(format!("\n{}", self.line));
        }
        if before > self.room {
            return Typed::Show(self.window());
        }
        let cells = letter.width().unwrap_or(0);
        self.cursor -= cells;
        let back = "\u{8}".repeat(cells);
        Typed::Show(format!("{back}{:cells$}{back}", ""))
    }

    /// As much of the end of the line as there is room for, over what is shown.
    fn window(&mut self) -> String {
        let mut cells = 0;
        let mut start = self.line.len();
        for (at, letter) in self.line.char_indices().rev() {
            let own = letter.width().unwrap_or(0);
            cells += own;
            if cells > self.room {
                break;
            }
            if own > 0 {
                start = at;
            }
        }
        let end = self.line.get(start..).unwrap_or_default();
        let rest = self.room.saturating_sub(end.width());
        let back = "\u{8}".repeat(self.cursor);
        self.cursor = end.width();
        let short = "\u{8}".repeat(rest);
        format!("{back}{end}{:rest$}{short}", "")
    }

    /// The line as it is.
    pub(super) fn so_far(&self) -> &str {
        &self.line
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Put on top of the letter before it.
    const MARK: char = '\u{301}';

    /// What a row of a terminal shows, and where its cursor stands.
    #[derive(Default)]
    struct Row {
        cells: Vec<String>,
        cursor: usize,
    }

    impl Row {
        fn write(&mut self, text: &str) {
            for sign in text.chars() {
                match (sign, sign.width().unwrap_or(0)) {
                    ('\u{8}', _) => {
                        assert!(self.cursor > 0, "before the start of the line");
                        self.cursor -= 1;
                    }
                    (_, 0) => self.cells[self.cursor - 1].push(sign),
                    (_, width) => {
                        self.cells
                            .resize(self.cells.len().max(self.cursor + width), " ".into());
                        self.cells[self.cursor] = sign.to_string();
                        for cell in &mut self.cells[self.cursor + 1..self.cursor + width] {
                            cell.clear();
                        }
                        self.cursor += width;
                    }
                }
            }
        }

        fn text(&self) -> String {
            self.cells.concat().trim_end().to_owned()
        }
    }

    fn typed(room: usize, keys: &[Key]) -> (Row, Entry) {
        let mut row = Row::default();
        let mut entry = Entry::new(room, true);
        for key in keys {
            if let Typed::Show(text) = entry.take(*key) {
                row.write(&text);
            }
            assert!(row.cursor <= room, "beyond the edge");
        }
        (row, entry)
    }

    #[test]
    fn wide_and_composed_letters_are_taken_back_whole() {
        let keys = |text: &str| -> Vec<_> {
            text.chars()
                .map(|letter| match letter {
                    '<' => Key::Backspace,
                    letter => Key::Char(letter),
                })
                .collect()
        };
        for (text, left) in [
            ("ab<c", "ac"),
            ("<<a", "a"),
            ("岸壁<x", "岸x"),
            // An e with an accent put on top of it.
            ("ae\u{301}<z", "az"),
            ("岸<<", ""),
        ] {
            let (row, entry) = typed(20, &keys(text));
            assert_eq!(entry.so_far(), left);
            assert_eq!(row.text(), left);
            assert_eq!(row.cursor, left.width());
        }
    }

    #[test]
    fn a_line_is_finished_or_given_up() {
        let mut entry = Entry::new(10, true);
        entry.take(Key::Char(' '));
        entry.take(Key::Char('x'));
        assert_eq!(entry.take(Key::Left), Typed::Nothing);
        assert_eq!(entry.take(Key::Enter), Typed::Done("x".to_owned()));
        assert_eq!(entry.take(Key::Esc), Typed::GivenUp);
    }

    #[test]
    fn in_plain_manner_the_cursor_never_goes_back() {
        let mut entry = Entry::new(3, false);
        for letter in "stuck".chars() {
            assert_eq!(
                entry.take(Key::Char(letter)),
                Typed::Show(letter.to_string())
            );
        }
        assert_eq!(entry.take(Key::Backspace), Typed::Show("\nstuc".to_owned()));
    }

    proptest! {
        #[test]
        fn the_screen_shows_the_end_of_what_was_typed(
            letters in proptest::collection::vec(
                prop_oneof![
                    4 => proptest::char::range('a', 'z').prop_map(Key::Char),
                    2 => Just(Key::Char('岸')),
                    1 => Just(Key::Char(MARK)),
                    3 => Just(Key::Backspace),
                ],
                0..60,
            ),
            room in 4_usize..12,
        ) {
            let (row, entry) = typed(room, &letters);
            let line = entry.so_far();
            if line.width() <= room {
                prop_assert_eq!(row.cursor, line.width());
                prop_assert_eq!(row.text(), line);
            }
            prop_assert!(line.ends_with(&row.text()));
        }
    }
}
