//! A picture of how everything stood after each run.

use std::fmt::Write as _;

use super::model::{Counts, Run};
use super::words;

/// Runs shown at most: the last ones.
const SHOWN: usize = 24;

/// Width of the picture, and of what stands left and right of a bar, in its own units.
const WIDTH: usize = 680;
const LEFT: usize = 150;
const RIGHT: usize = 20;

/// Height of a row and of its bar.
const ROW: usize = 26;
const BAR: usize = 18;

/// Height of the key above the rows.
const KEY: usize = 34;

/// A bar for each run: proved, failed, skipped, open. Told apart by pattern and number, not by
/// colour alone; takes the text's colour.
pub(super) fn svg(runs: &[Run]) -> String {
    let from = runs.len().saturating_sub(SHOWN);
    let shown = runs.get(from..).unwrap_or_default();
    let height = KEY + ROW * shown.len();
    let mut out = String::new();
    // A `String` takes anything.
    let _infallible = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"progress\" \
         viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         aria-label=\"How everything stood after each run; the table of runs says the same\" \
         font-size=\"12\" fill=\"currentColor\">{PATTERNS}"
    )
    .and_then(|()| key(&mut out))
    .and_then(|()| {
        shown
            .iter()
            .enumerate()
            .try_for_each(|(at, run)| row(&mut out, KEY + ROW * at, run))
    });
    out.push_str("</svg>");
    out
}

const PATTERNS: &str = "<defs>\
<pattern id=\"stripes\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
patternTransform=\"rotate(45)\"><path d=\"M0 0V6\" stroke=\"currentColor\" \
stroke-width=\"5\"/></pattern>\
<pattern id=\"dots\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
<circle cx=\"2\" cy=\"2\" r=\"1.2\"/></pattern></defs>";

/// The parts of a bar: how many, the class, the fill.
fn parts(counts: &Counts) -> [(usize, &'static str, &'static str); 4] {
    [
        (counts.proved, "proved", "currentColor"),
        (counts.failed, "failed", "url(#stripes)"),
        (counts.skipped, "skipped", "url(#dots)"),
        (counts.open, "open", "none"),
    ]
}

fn key(out: &mut String) -> std::fmt::Result {
    for (at, (_, word, fill)) in parts(&Counts::default()).into_iter().enumerate() {
        let x = LEFT + at * 100;
        write!(
            out,
            "<rect class=\"{word}\" x=\"{x}\" y=\"4\" width=\"18\" height=\"12\" fill=\"{fill}\" \
             stroke=\"currentColor\"/><text x=\"{}\" y=\"14\">{word}</text>",
            x + 24
        )?;
    }
    Ok(())
}

fn row(out: &mut String, y: usize, run: &Run) -> std::fmt::Result {
    let baseline = y + 13;
    // Nothing of this needs escaping: a number and a date.
    write!(
        out,
        "<text x=\"0\" y=\"{baseline}\">run {} · {}</text><g><title>run {}: {}</title>",
        run.run,
        run.started.day(),
        run.run,
        words::counts(&run.standing)
    )?;
    let room = WIDTH - LEFT - RIGHT;
    let total = run.standing.total.max(1);
    let mut before = 0;
    for (count, word, fill) in parts(&run.standing) {
        if count == 0 {
            continue;
        }
        let x = LEFT + room * before / total;
        before += count;
        let end = LEFT + room * before / total;
        let width = end - x;
        write!(
            out,
            "<rect class=\"{word}\" x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{BAR}\" \
             fill=\"{fill}\" stroke=\"currentColor\"/>"
        )?;
        if width >= 26 {
            let middle = x + width / 2;
            write!(
                out,
                "<rect class=\"plate\" x=\"{}\" y=\"{}\" width=\"24\" height=\"14\" rx=\"3\"/>\
                 <text class=\"number\" x=\"{middle}\" y=\"{baseline}\" text-anchor=\"middle\">\
                 {count}</text>",
                middle - 12,
                y + 2
            )?;
        }
    }
    out.push_str("</g>");
    Ok(())
}
