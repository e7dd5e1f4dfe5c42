//! How the operator is asked: what the terminal can show, and what they want.

use std::env;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use super::cue::Cue;
use super::key::Key;
use super::keymap::KeyMap;

/// No line is longer, however wide the terminal is.
const WIDEST: usize = 80;

/// Shows again what invites phones, where it is no key of an answer.
pub(super) const INVITE: Key = Key::Char('#');

/// With fewer rows there is no room for a drawing.
const LOWEST: u16 = 22;

/// How the operator is asked.
#[derive(Debug)]
pub struct Manner {
    /// Which key means what.
    pub keys: KeyMap,
    /// One sentence a line and no drawing, for a screen reader.
    pub plain: bool,
    /// What was sent is hidden until the answer is in.
    pub blind: bool,
    /// What is heard.
    pub cue: Cue,
    /// What invites phones, once their page is served: questions scroll it away.
    pub invitation: Arc<OnceLock<String>>,
    /// Where photos are looked for; empty for the current folder.
    pub photos: PathBuf,
    /// Whether the terminal shows more than ASCII.
    pub unicode: bool,
    /// Columns and rows of the terminal; `None` where it does not say.
    pub size: fn() -> Option<(u16, u16)>,
}

impl Default for Manner {
    /// Silent, at a terminal of 80 columns and 24 rows that shows ASCII.
    fn default() -> Self {
        Self {
            keys: KeyMap::default(),
            plain: false,
            blind: false,
            cue: Cue::default(),
            invitation: Arc::default(),
            photos: PathBuf::new(),
            unicode: false,
            size: || None,
        }
    }
}

impl Manner {
    /// What the terminal that the program runs in can show, by the environment.
    #[must_use]
    pub fn of_terminal(self) -> Self {
        Self {
            plain: self.plain || env::var_os("TERM").is_some_and(|term| term == "dumb"),
            unicode: cfg!(windows) || has_unicode(|name| env::var(name).ok()),
            size: || crossterm::terminal::size().ok(),
            ..self
        }
    }

    /// How wide a line may be.
    pub(super) fn width(&self) -> usize {
        let (columns, _) = (self.size)().unwrap_or((80, 24));
        // One that says nothing sensible is taken for the usual one.
        match usize::from(columns) {
            0..20 => WIDEST,
            columns => columns.min(WIDEST),
        }
    }

    /// Whether there is room for a drawing.
    pub(super) fn draws(&self) -> bool {
        let (_, rows) = (self.size)().unwrap_or((80, 24));
        !self.plain && (rows == 0 || rows >= LOWEST) && self.width() >= 76
    }

    /// A sign for a list that goes on.
    pub(super) fn more(&self) -> &'static str {
        if self.unicode { "…" } else { "..." }
    }
}

/// Whether the locale's characters are Unicode. POSIX.1-2017, base definitions 8.2: `LC_ALL`
/// before `LC_CTYPE` before `LANG`; an empty one counts for nothing.
fn has_unicode(variable: impl Fn(&str) -> Option<String>) -> bool {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .into_iter()
        .find_map(|name| variable(name).filter(|value| !value.is_empty()));
    let locale = locale.unwrap_or_default().to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_locale_says_whether_there_is_unicode() {
        let says = |set: &[(&str, &str)]| {
            has_unicode(|name| {
                let found = set.iter().find(|(own, _)| *own == name);
                found.map(|(_, value)| (*value).to_owned())
            })
        };
        assert!(says(&[("LANG", "de_DE.UTF-8")]));
        assert!(says(&[("LC_CTYPE", "C.utf8"), ("LANG", "C")]));
        assert!(says(&[("LC_ALL", ""), ("LANG", "en_GB.UTF-8")]));
        assert!(!says(&[("LC_ALL", "C"), ("LANG", "en_GB.UTF-8")]));
        assert!(!says(&[("LANG", "de_DE.ISO-8859-1")]));
        assert!(!says(&[]));
    }

    #[test]
    fn a_small_terminal_gets_no_drawing() {
        let draws = |size: fn() -> Option<(u16, u16)>| {
            Manner {
                size,
                ..Manner::default()
            }
            .draws()
        };
        assert!(draws(|| None));
        assert!(draws(|| Some((80, 24))));
        assert!(draws(|| Some((200, 60))));
        assert!(draws(|| Some((0, 0))));
        assert!(!draws(|| Some((80, 15))));
        assert!(!draws(|| Some((40, 24))));
        let wide = Manner {
            size: || Some((200, 60)),
            ..Manner::default()
        };
        assert_eq!(wide.width(), 80);
    }
}
