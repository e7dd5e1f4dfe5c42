//! The map of addresses that `check` shows.

use std::fs;
use std::io;
use std::path::Path;

use super::{Failure, Format, remark};
use crate::plan::draft::Draft;
use crate::view::map::{Map, svg, text};

/// What stands for the terminal.
pub(super) const HERE: &str = "-";

/// Draws the map into a file; for the terminal gives it as text.
pub(super) fn draw(draft: &Draft, target: &Path, format: Format) -> Result<String, Failure> {
    let map = Map::of(draft);
    if target == Path::new(HERE) {
        return match format {
            Format::Text => Ok(format!("\n{}", text(&map))),
            Format::Json => Err(Failure::usage(
                "a map in characters has no place in what programs read",
                "name a file: --map addresses.svg",
            )),
        };
    }
    let is_svg = target.extension().is_some_and(|ending| ending == "svg");
    if !is_svg {
        return Err(Failure::usage(
            format!("{} is no name for a picture of the map", target.display()),
            "let it end with .svg; for the terminal, write the plan first, or --map -",
        ));
    }
    fs::write(target, svg(&map)).map_err(|error: io::Error| {
        Failure::usage(
            format!("{} can't be written: {error}", target.display()),
            "name a file in a folder that you may write to",
        )
    })?;
    remark(&format!("the map is in {}", target.display()));
    Ok(String::new())
}
