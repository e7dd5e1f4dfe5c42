//! Turnouts that are commanded by extended packets, and for how long.

use crate::plan::PacketFormat;
use crate::toml_reader::{Fault, Problem, Table};

/// One count of the switching time, milliseconds, and the most that a packet can say (RCN-213,
/// second-hand: `RZZZZZZZ`, Z = 1 to 126).
const STEP_MS: u32 = 100;
const LONGEST_MS: u32 = 126 * STEP_MS;

/// The format of a turnout, and how long its output is switched on: `format` and `on_ms`.
pub(super) fn read(table: &Table<'_>) -> (PacketFormat, Option<u32>) {
    let format = table.choice("format").or(PacketFormat::Basic);
    let on_ms = table.integer("on_ms", 0..=i64::MAX).optional();
    let Some(on_ms) = on_ms else {
        return (format, None);
    };
    let whole = u32::try_from(on_ms.value).ok();
    let fits = whole.filter(|ms| ms.is_multiple_of(STEP_MS) && (STEP_MS..=LONGEST_MS).contains(ms));
    let wrong = match (format, fits) {
        (PacketFormat::Basic, _) => Some((
            "a basic packet carries no switching time".to_owned(),
            "add format = \"extended\", or set pulse_ms at its decoder",
        )),
        (PacketFormat::Extended, None) => Some((
            format!("an extended packet can't say {} ms", on_ms.value),
            "it counts in steps of 100 ms, from 100 to 12600; leave on_ms away for \
             \"until the next command\"",
        )),
        (PacketFormat::Extended, Some(_)) => None,
    };
    if let Some((what, mend)) = wrong {
        let fault = Fault::Meaning {
            code: "switching-time",
            what,
            mend: mend.to_owned(),
        };
        table.report(Problem::new(fault, on_ms.span));
    }
    (format, fits)
}
