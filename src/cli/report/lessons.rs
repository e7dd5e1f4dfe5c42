//! What the record says of decoders that were given their address.

use std::io::Write as _;

use jiff::tz::TimeZone;

use super::super::{Exit, Failure, Format, stdout};
use super::cases;
use crate::record::taught::last_of_each;
use crate::record::{Record, RunLog};
use crate::report::{Moment, Nature};
use crate::view;

/// Runs of that nature that gave decoders their addresses, oldest first.
pub(super) fn of(record: &Record, nature: Nature) -> Result<Vec<RunLog>, Failure> {
    let mut runs = Vec::new();
    for run in record.lessons()? {
        if run.is_rehearsal == (nature == Nature::Rehearsal) {
            runs.push(record.log(run.id)?);
        }
    }
    Ok(runs)
}

/// Tells of them where there is nothing else to tell; `None` if there is nothing at all.
pub(super) fn alone(
    record: &Record,
    rehearsals: bool,
    format: Format,
) -> Result<Option<Exit>, Failure> {
    let natures = [Nature::Layout, Nature::Rehearsal];
    for nature in natures.into_iter().skip(usize::from(rehearsals)) {
        let runs = of(record, nature)?;
        let cases = cases::of(record, nature, None)?;
        if !runs.is_empty() || !cases.is_empty() {
            tell(&runs, format)?;
            cases::tell(&cases, format)?;
            return Ok(Some(Exit::Clean));
        }
    }
    Ok(None)
}

/// Tells of them, the last of each decoder for people and every one for programs.
pub(super) fn tell(runs: &[RunLog], format: Format) -> Result<(), Failure> {
    let mut out = stdout();
    match format {
        Format::Text => {
            let zone = TimeZone::system();
            let lessons = last_of_each(runs);
            if !lessons.is_empty() {
                writeln!(out, "\nDecoders that were given their address:")?;
            }
            for lesson in &lessons {
                let text = lesson.sentence(|at| Moment::new(at, &zone).to_string());
                writeln!(out, "  {text}")?;
            }
        }
        Format::Json => view::history::lessons_json(runs, &mut out)?,
    }
    out.flush()?;
    Ok(())
}
