//! A key and its name.

use std::fmt;
use std::str::FromStr;

/// A key, as far as questions care.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Key {
    /// A letter, digit or sign.
    Char(char),
    /// Enter.
    Enter,
    /// Backspace.
    Backspace,
    /// Escape.
    Esc,
    /// Tab.
    Tab,
    /// Left arrow.
    Left,
    /// Right arrow.
    Right,
    /// Up arrow.
    Up,
    /// Down arrow.
    Down,
    /// Page up.
    PageUp,
    /// Page down.
    PageDown,
    /// Home.
    Home,
    /// End.
    End,
    /// Insert.
    Insert,
    /// Delete.
    Delete,
    /// A function key, from 1.
    F(u8),
    /// Ctrl-Z: let the shell have the terminal.
    Suspend,
    /// Any other.
    Other,
}

/// Keys that a person names by a word, in the settings and on the screen.
const NAMED: [(&str, Key); 15] = [
    ("space", Key::Char(' ')),
    ("enter", Key::Enter),
    ("esc", Key::Esc),
    ("tab", Key::Tab),
    ("backspace", Key::Backspace),
    ("left", Key::Left),
    ("right", Key::Right),
    ("up", Key::Up),
    ("down", Key::Down),
    ("pageup", Key::PageUp),
    ("pagedown", Key::PageDown),
    ("home", Key::Home),
    ("end", Key::End),
    ("insert", Key::Insert),
    ("delete", Key::Delete),
];

/// How many function keys have a name.
const FUNCTION_KEYS: u8 = 12;

/// There is no key of that name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "write one letter, digit or sign, or space, enter, esc, tab, backspace, left, right, up, down, \
     pageup, pagedown, home, end, insert, delete, or f1 to f12"
)]
pub struct NoSuchKey;

impl Key {
    /// Capitals mean the same as small letters.
    #[must_use]
    pub fn small(self) -> Self {
        let Self::Char(letter) = self else {
            return self;
        };
        let mut small = letter.to_lowercase();
        match (small.next(), small.next()) {
            (Some(one), None) => Self::Char(one),
            _ => self,
        }
    }
}

impl FromStr for Key {
    type Err = NoSuchKey;

    fn from_str(text: &str) -> Result<Self, NoSuchKey> {
        let mut letters = text.chars();
        if let (Some(letter), None) = (letters.next(), letters.next())
            && !letter.is_control()
        {
            return Ok(Self::Char(letter).small());
        }
        let word = text.to_ascii_lowercase();
        if let Some((_, key)) = NAMED.iter().find(|(name, _)| *name == word) {
            return Ok(*key);
        }
        word.strip_prefix('f')
            .filter(|number| !number.starts_with(['0', '+']))
            .and_then(|number| number.parse().ok())
            .filter(|number| (1..=FUNCTION_KEYS).contains(number))
            .map(Self::F)
            .ok_or(NoSuchKey)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((name, _)) = NAMED.iter().find(|(_, key)| key == self) {
            return f.pad(name);
        }
        match self {
            Self::Char(letter) => f.pad(letter.encode_utf8(&mut [0; 4])),
            Self::F(number) => f.pad(&format!("f{number}")),
            Self::Suspend => f.pad("ctrl-z"),
            // All that are left have no name.
            Self::Other
            | Self::Enter
            | Self::Backspace
            | Self::Esc
            | Self::Tab
            | Self::Left
            | Self::Right
            | Self::Up
            | Self::Down
            | Self::PageUp
            | Self::PageDown
            | Self::Home
            | Self::End
            | Self::Insert
            | Self::Delete => f.pad("that"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_keys_and_keys_are_inverses() {
        for name in [
            "s",
            "1",
            "#",
            "ö",
            "space",
            "enter",
            "esc",
            "tab",
            "backspace",
            "left",
            "right",
            "up",
            "down",
            "pageup",
            "pagedown",
            "home",
            "end",
            "insert",
            "delete",
            "f1",
            "f9",
            "f12",
        ] {
            assert_eq!(name.parse::<Key>().unwrap().to_string(), name);
        }
        assert_eq!("S".parse(), Ok(Key::Char('s')));
        assert_eq!("PageDown".parse(), Ok(Key::PageDown));
        assert_eq!(" ".parse(), Ok(Key::Char(' ')));
    }

    #[test]
    fn what_is_no_key_is_refused() {
        for name in [
            "", "ss", "f0", "f13", "f01", "f+1", "fx", "ctrl-z", "\n", "\u{7}",
        ] {
            assert_eq!(name.parse::<Key>(), Err(NoSuchKey), "{name:?}");
        }
    }
}
