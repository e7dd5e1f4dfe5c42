//! What the record says of diagnoses.

use super::super::Failure;
use crate::record::Record;
use crate::record::cases::{self, Case};
use crate::report::Nature;

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
