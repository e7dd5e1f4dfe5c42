//! What a plan says of wires.

use super::{Id, Table};
use crate::plan::draft::DraftRun;
use crate::plan::{Gauge, Wire};
use crate::toml_reader::{Fault, Problem};

/// The key.
const WIRE: &str = "wire";

/// Gauges that ASTM B258 has a diameter for and that can be put in a terminal.
const AWG: std::ops::RangeInclusive<u8> = 4..=40;

/// The leads of a turnout: `wire = { metres = 3, mm2 = 0.5 }`.
pub(super) fn leads(table: &Table<'_>) -> Option<Wire> {
    let wire = table.table(WIRE).optional()?.value;
    let leads = self::wire(&wire);
    wire.finish();
    leads
}

/// What brings power to a decoder: the same, and where it begins.
pub(super) fn run(table: &Table<'_>) -> Option<DraftRun> {
    let run = table.table(WIRE).optional()?.value;
    let wire = wire(&run);
    let from = run.string("from").optional();
    run.finish();
    Some(DraftRun {
        wire: wire?,
        from: from.map(|from| from.map(Id::new)),
    })
}

fn wire(table: &Table<'_>) -> Option<Wire> {
    let metres = table.float("metres", 0.0..=1000.0).required();
    let mm2 = table.float("mm2", 0.01..=100.0);
    let awg = table.integer("awg", AWG);
    let gauge = match (table.has("mm2"), table.has("awg")) {
        (true, true) => {
            let fault = Fault::Meaning {
                code: "two-gauges",
                what: "the wire has two gauges, `mm2` and `awg`".to_owned(),
                mend: "keep the one that is printed on the wire".to_owned(),
            };
            table.report(Problem::new(fault, table.key_span("awg")));
            None
        }
        (_, true) => awg.optional().map(|awg| Gauge::Awg(awg.value)),
        (true, false) => mm2
            .optional()
            .map(|area| Gauge::SquareMillimetres(area.value)),
        (false, false) => {
            mm2.required_or(", or `awg = …`");
            None
        }
    };
    Some(Wire {
        metres: metres?.value,
        gauge: gauge?,
    })
}
