//! What the record says of diagnoses.

use std::io::Write as _;

use jiff::tz::TimeZone;

use super::super::{Failure, Format, stdout};
use crate::record::Record;
use crate::record::cases::{self, Case};
use crate::record::history::History;
use crate::report::{Moment, Nature};
use crate::view;

/// What diagnoses of that nature came to, oldest first, up to that run.
pub(super) fn of(
    record: &Record,
    nature: Nature,
    up_to: Option<i64>,
) -> Result<Vec<Case>, Failure> {
    let mut infos = record.diagnoses()?;
    infos.retain(|run| run.is_rehearsal == (nature == Nature::Rehearsal));
    infos.retain(|run| up_to.is_none_or(|last| run.id <= last));
    let runs = infos.iter().map(|run| record.log(run.id));
    Ok(cases::of(&runs.collect::<Result<Vec<_>, _>>()?))
}

/// Tells of them where there is nothing else to tell.
pub(super) fn tell(cases: &[Case], format: Format) -> Result<(), Failure> {
    let mut out = stdout();
    match format {
        Format::Text if cases.is_empty() => {}
        Format::Text => {
            let zone = TimeZone::system();
            writeln!(out, "\nDiagnoses:")?;
            for case in cases {
                let (turnout, run, sentence) = (&case.turnout, case.run, case.sentence());
                let at = Moment::new(case.at, &zone);
                writeln!(out, "  {turnout}: {at}, run {run}: {sentence}")?;
                let outcome = case.outcome(|at| Moment::new(at, &zone).to_string());
                if !outcome.is_empty() {
                    writeln!(out, "    {outcome}")?;
                }
            }
        }
        Format::Json => view::history::json(&History::default().with_cases(cases), &mut out)?,
    }
    out.flush()?;
    Ok(())
}
