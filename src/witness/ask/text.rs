//! Lines that fit.

use anstyle::{AnsiColor, Style};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

pub(super) const BOLD: Style = Style::new().bold();
pub(super) const FAINT: Style = Style::new().dimmed();
pub(super) const GOOD: Style = AnsiColor::Green.on_default();
pub(super) const BAD: Style = AnsiColor::Red.on_default().bold();
pub(super) const OPEN: Style = AnsiColor::Yellow.on_default();

/// Styled; the stream takes styles out where they do not belong.
pub(super) fn styled(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}

pub(super) fn bold(text: &str) -> String {
    styled(BOLD, text)
}

/// Cut to that many cells; styles take none.
pub(super) fn fit(text: &str, width: usize) -> String {
    let mut fitted = String::new();
    let mut cells = 0;
    let mut escape = false;
    for sign in text.chars() {
        // Styles here all end with an `m`.
        if escape || sign == '\u{1b}' {
            escape = sign != 'm';
            fitted.push(sign);
            continue;
        }
        let wide = sign.width().unwrap_or(0);
        if cells + wide <= width {
            cells += wide;
            fitted.push(sign);
        } else {
            // Nothing narrower may follow, only what ends a style.
            cells = width;
        }
    }
    fitted
}

/// Broken between words into lines of that many cells.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let space = usize::from(!line.is_empty());
        if !line.is_empty() && line.width() + space + word.width() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// With a full stop, unless it has an end.
pub(super) fn sentence(text: &str) -> String {
    let stop = if text.ends_with(['.', '?', '!']) {
        ""
    } else {
        "."
    };
    format!("{text}{stop}")
}

/// `1 minute`, `3 minutes`.
pub(super) fn count(number: u64, noun: &str) -> String {
    let ending = if number == 1 { "" } else { "s" };
    format!("{number} {noun}{ending}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_by_cells_and_styles_are_ended() {
        assert_eq!(fit("abc", 5), "abc");
        assert_eq!(fit("abcdef", 3), "abc");
        assert_eq!(fit("岸壁x", 3), "岸");
        let fitted = fit(&format!("{}rest", bold("abcdef")), 3);
        assert_eq!(fitted, bold("abc"));
    }

    #[test]
    fn sentences_have_one_end() {
        assert_eq!(sentence("Give D1 power"), "Give D1 power.");
        assert_eq!(sentence("Is it on?"), "Is it on?");
    }

    #[test]
    fn words_stay_whole() {
        assert_eq!(
            wrap("Press lightly on the tie bar", 12),
            ["Press", "lightly on", "the tie bar"]
        );
        assert_eq!(wrap("unbreakable x", 4), ["unbreakable", "x"]);
        assert_eq!(wrap("  ", 4), Vec::<String>::new());
    }
}
