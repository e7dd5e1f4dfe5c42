//! What is shown so that a phone finds the page: its links, and a QR code of one.

use std::fmt::Write as _;
use std::net::SocketAddr;

use qrcode::{Color, EcLevel, QrCode};

use super::listen::link;

/// Light modules around the code. clause: ISO/IEC 18004:2015, 5.3.8 (from memory): four wide.
const QUIET: usize = 4;

/// Black on white, whatever the terminal's own colours are: not every phone reads the inverse.
const BLACK_ON_WHITE: &str = "\x1b[38;5;16m\x1b[48;5;231m";
const PLAIN: &str = "\x1b[0m";

/// The text that invites: links, and for a terminal the first one as a QR code.
pub(super) fn text(at: &[SocketAddr], key: &str, is_terminal: bool) -> String {
    let mut text = String::from("The phone page is at\n");
    for address in at {
        // A `String` takes anything.
        let _infallible = writeln!(text, "  {}", link(*address, key));
    }
    let for_phones = at.iter().find(|address| !address.ip().is_loopback());
    match for_phones {
        Some(address) if is_terminal => match code(&link(*address, key)) {
            Some(code) => {
                text.push_str(&code);
                text.push_str("Scan it with the phone. Whoever has this link can answer.\n");
            }
            None => text.push_str("Whoever has this link can answer.\n"),
        },
        Some(_) => text.push_str("Whoever has this link can answer.\n"),
        None => text.push_str(
            "Only this computer can open it. For a phone, start again with --listen 0.0.0.0\n",
        ),
    }
    text
}

/// A QR code in half blocks, two rows of modules to a line.
fn code(link: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(link, EcLevel::L).ok()?;
    let (width, colors) = (code.width(), code.to_colors());
    let is_dark = |row: usize, column: usize| {
        let inside =
            (QUIET..QUIET + width).contains(&row) && (QUIET..QUIET + width).contains(&column);
        inside && colors[(row - QUIET) * width + column - QUIET] == Color::Dark
    };
    let mut text = String::new();
    for row in (0..width + 2 * QUIET).step_by(2) {
        text.push_str(BLACK_ON_WHITE);
        for column in 0..width + 2 * QUIET {
            text.push(match (is_dark(row, column), is_dark(row + 1, column)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            });
        }
        text.push_str(PLAIN);
        text.push('\n');
    }
    Some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str = "AAAAAAAAAAAAAAAAAAAAAA";

    #[test]
    fn the_code_is_the_link_in_black_on_white_with_its_quiet_zone() {
        let link = format!("http://192.168.178.123:17845/#{KEY}");
        let text = code(&link).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let modules = |line: &str| -> Vec<char> {
            line.strip_prefix(BLACK_ON_WHITE)
                .and_then(|rest| rest.strip_suffix(PLAIN))
                .unwrap()
                .chars()
                .collect()
        };
        let width = modules(lines[0]).len();
        assert!(
            width <= 80 && lines.len() <= 21,
            "{width} by {}",
            lines.len()
        );
        assert!(
            modules(lines[0]).iter().all(|one| *one == ' '),
            "two rows of quiet"
        );
        assert!(
            modules(lines[1]).iter().all(|one| *one == ' '),
            "and two more"
        );
        // A finder pattern begins with seven dark modules at the upper left (ISO/IEC 18004).
        let first = modules(lines[2]);
        assert_eq!(first[..12].iter().collect::<String>(), "    █▀▀▀▀▀█ ");
        assert!(
            lines
                .iter()
                .all(|line| modules(line)[..QUIET].iter().all(|one| *one == ' '))
        );
        assert!(
            lines
                .iter()
                .all(|line| modules(line)[width - QUIET..].iter().all(|one| *one == ' '))
        );
    }

    #[test]
    fn the_code_is_read_as_the_link() {
        // A decoder of others, of ISO/IEC 18004 codes; each module as 4 by 4 dots.
        const DOTS: usize = 4;
        for at in [
            "192.168.178.123:17845",
            "10.0.0.2:8",
            "[fd12:3456:789a:bcde:f012:3456:789a:bcde]:17845",
        ] {
            let link = link(at.parse().unwrap(), KEY);
            let text = code(&link).unwrap();
            let lines: Vec<Vec<char>> = text
                .lines()
                .map(|line| {
                    line.trim_start_matches(BLACK_ON_WHITE)
                        .trim_end_matches(PLAIN)
                })
                .map(|line| line.chars().collect())
                .collect();
            let is_dark = |x: usize, y: usize| match lines[y / DOTS / 2][x / DOTS] {
                '█' => true,
                '▀' => (y / DOTS).is_multiple_of(2),
                '▄' => !(y / DOTS).is_multiple_of(2),
                _ => false,
            };
            let (width, height) = (lines[0].len() * DOTS, lines.len() * 2 * DOTS);
            let mut image = rqrr::PreparedImage::prepare_from_bitmap(width, height, is_dark);
            let found = image.detect_grids();
            assert_eq!(found.len(), 1, "{text}");
            assert_eq!(found[0].decode().unwrap().1, link);
        }
    }

    #[test]
    fn only_a_link_that_a_phone_can_open_is_drawn() {
        let home: SocketAddr = "192.168.1.20:17845".parse().unwrap();
        let here: SocketAddr = "127.0.0.1:17845".parse().unwrap();
        let both = text(&[home, here], KEY, true);
        assert!(
            both.contains(&format!("  http://192.168.1.20:17845/#{KEY}\n")),
            "{both}"
        );
        assert!(both.contains('█') && both.contains("Scan it"), "{both}");
        let alone = text(&[here], KEY, true);
        assert!(
            !alone.contains('█') && alone.contains("--listen 0.0.0.0"),
            "{alone}"
        );
        assert!(!text(&[home], KEY, false).contains('█'));
    }
}
