//! The report as JSON; `docs/schema/report.schema.json` says what is in it.

use super::model::Report;

pub(super) fn bytes(report: &Report) -> Result<Vec<u8>, serde_json::Error> {
    let mut bytes = serde_json::to_vec_pretty(report)?;
    bytes.push(b'\n');
    Ok(bytes)
}
