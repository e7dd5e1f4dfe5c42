//! What the tables and keys of a plan mean.

use std::collections::HashMap;

use throwproof_protocol::address::{Numbering, Position};

use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Document, Fault, Located, Problem, Table};

use super::draft::{DraftDecoder, DraftSignal, DraftTurnout, Wiring};
use super::{
    Aspect, BlockStart, Capacitor, Drive, Id, Layout, Learns, Look, OutputKind, PacketFormat,
    Shape, SignalKind, Sort, Supply,
};

mod accept;
mod accessory;
mod joint;
mod lamps;
mod name;
mod switching;
pub(crate) mod teaching;
mod wire;

use name::{bad_name, id_rule, named, own_id, text};
use teaching::Board;

/// Pulse of an output that the plan does not give one for, milliseconds (common practice, no
/// source: a twin-coil wants 50 to 250 ms).
const PULSE_MS: u32 = 150;

/// What a plan's tables hold.
pub(super) struct Parts {
    pub(super) layout: Layout,
    pub(super) supplies: Vec<Supply>,
    pub(super) decoders: Vec<DraftDecoder>,
    pub(super) turnouts: Vec<DraftTurnout>,
    pub(super) signals: Vec<DraftSignal>,
}

/// Reads the whole document; what is wrong with it is reported there. `None` without a layout.
/// `assumed` is the numbering of a plan that gives none.
pub(super) fn parts(file: &TextFile, document: &Document<'_>, assumed: Numbering) -> Option<Parts> {
    let root = document.root();
    let layout = root
        .table("layout")
        .required()
        .and_then(|table| layout(table.value, assumed));
    let (layout, accept) = layout.unzip();
    let rest = layout
        .as_ref()
        .map_or(Position::Straight, |layout: &Layout| layout.rest);
    let supplies = root.named_tables("supply");
    let supplies = supplies
        .into_iter()
        .filter_map(|(id, table)| supply(file, id, table));
    let supplies = supplies.collect();
    let decoders = root.named_tables("decoder");
    let decoders = decoders
        .into_iter()
        .filter_map(|(id, table)| decoder(id, table))
        .collect();
    let mut taken = HashMap::new();
    let mut turnouts = Vec::new();
    for table in root.tables("turnout") {
        turnouts.extend(turnout(file, table, rest, &mut taken));
    }
    accept::give(&root, accept.flatten(), &mut turnouts);
    let mut signals = Vec::new();
    for table in root.tables("signal") {
        signals.extend(signal(file, table, &mut taken));
    }
    for table in root.tables("accessory") {
        signals.extend(accessory::read(file, table, &mut taken));
    }
    root.finish();
    Some(Parts {
        layout: layout?,
        supplies,
        decoders,
        turnouts,
        signals,
    })
}

/// The layout, and its acceptance list.
fn layout(table: Table<'_>, assumed: Numbering) -> Option<(Layout, Option<Vec<Look>>)> {
    let name = table
        .string("name")
        .required()
        .map(|name| text(&table, "name", name));
    let numbering = table.choice("numbering").or(assumed);
    let rest = table.choice("rest").or(Position::Straight);
    let throw_gap = table.integer("throw_gap_ms", 1..=600_000_u32).optional();
    let accept = accept::list(&table);
    table.finish();
    let layout = Layout {
        name: name?,
        numbering,
        rest,
        throw_gap_ms: throw_gap.map(|gap| gap.value),
    };
    Some((layout, accept))
}

fn supply(file: &TextFile, id: Located<&str>, table: Table<'_>) -> Option<Supply> {
    let id = named(&table, id);
    let kind = table.choice("kind").required();
    let volts = table.float("volts", 1.0..=60.0).required();
    let amps = table.float("amps", 0.01..=100.0).required();
    let internal_ohms = table.float("internal_ohms", 0.0..=1000.0).optional();
    let microfarads = table.float("capacitor_uf", 1.0..=1_000_000.0);
    let charge_ohms = table.float("capacitor_charge_ohms", 0.1..=100_000.0);
    // One of the two says nothing without the other.
    let capacitor = if table.has("capacitor_uf") || table.has("capacitor_charge_ohms") {
        match (microfarads.required(), charge_ohms.required()) {
            (Some(microfarads), Some(charge_ohms)) => Some(Capacitor {
                microfarads: microfarads.value,
                charge_ohms: charge_ohms.value,
            }),
            _ => None,
        }
    } else {
        None
    };
    let trip_amps = table.float("trip_amps", 0.01..=100.0);
    let trip_ms = table.integer("trip_ms", 0..=60_000_u32).optional();
    let trip_amps = if table.has("trip_ms") {
        trip_amps.required()
    } else {
        trip_amps.optional()
    };
    let line = file.line(table.span().start);
    table.finish();
    Some(Supply {
        id: id?.value,
        kind: kind?.value,
        volts: volts?.value,
        amps: amps?.value,
        internal_ohms: internal_ohms.map(|ohms| ohms.value),
        capacitor,
        trip_amps: trip_amps.map(|amps| amps.value),
        trip_ms: trip_ms.map(|time| time.value),
        line,
    })
}

fn decoder(id: Located<&str>, table: Table<'_>) -> Option<DraftDecoder> {
    let id = named(&table, id);
    let outputs = table.integer("outputs", 1..=64_u8).required();
    let first_address = table
        .integer("first_address", i64::MIN..=i64::MAX)
        .required();
    let supply = table.string("supply").optional();
    let output_kind = table.choice("output_kind").or(OutputKind::Pulse);
    let default_pulse = if output_kind == OutputKind::Pulse {
        PULSE_MS
    } else {
        0
    };
    let pulse_ms = table.integer("pulse_ms", 0..=60_000_u32).or(default_pulse);
    let max_output_amps = table.float("max_output_amps", 0.001..=100.0).optional();
    let learns = table.choice("learns").or(Learns::FirstCommand);
    let format = table.choice("format").or(PacketFormat::Basic);
    let place = table
        .string("place")
        .optional()
        .map(|place| text(&table, "place", place));
    let default_start = match learns {
        Learns::CvOutput => BlockStart::Any,
        Learns::FirstCommand | Learns::CvDecoder | Learns::Switches => BlockStart::EveryFourth,
    };
    let block_start = table.choice("block_start").or(default_start);
    let board = Board {
        learns,
        outputs: outputs.as_ref().map_or(64, |outputs| outputs.value),
        output_kind,
        pulse_ms,
    };
    let teaching = teaching::teaching(&table, board);
    let idle_amps = table.float("idle_amps", 0.0..=10.0).optional();
    let max_total_amps = table.float("max_total_amps", 0.001..=100.0).optional();
    let wire = wire::run(&table);
    let span = table.span();
    table.finish();
    Some(DraftDecoder {
        id: id?,
        outputs: outputs?.value,
        first_address: first_address?,
        supply: supply.map(|supply| supply.map(Id::new)),
        output_kind,
        pulse_ms,
        max_output_amps: max_output_amps.map(|amps| amps.value),
        learns,
        format,
        place: place.unwrap_or_default(),
        block_start,
        idle_amps: idle_amps.map(|amps| amps.value),
        max_total_amps: max_total_amps.map(|amps| amps.value),
        wire,
        teaching,
        span,
    })
}

fn turnout(
    file: &TextFile,
    table: Table<'_>,
    rest: Position,
    taken: &mut HashMap<Id, Span>,
) -> Option<DraftTurnout> {
    let id = own_id(file, &table, taken);
    let place = table
        .string("place")
        .optional()
        .map(|place| text(&table, "place", place));
    let shape = table.choice("shape").required();
    let several = joint::is_there(&table);
    let reached = if several {
        joint::read(&table, shape.map(|shape| shape.value), rest)
    } else {
        joint::none(&table, rest)
    };
    let drive = table.choice("drive").or(Drive::TwinCoil);
    let scissors = several && shape.map(|shape| shape.value) == Some(Shape::Scissors);
    let drives = table.integer("drives", 1..=4_u8);
    let drives = drives.or(if scissors { 2 } else { 1 });
    let amps = table.float("amps", 0.001..=50.0).optional();
    let position_reports = table.boolean("position_reports").or(false);
    let shares_address = table.boolean("shares_address").or(false);
    let leads = wire::leads(&table);
    let needs_ms = table.integer("needs_ms", 1..=60_000_u32).optional();
    let (format, on_ms) = switching::read(&table);
    let span = table.span();
    table.finish();
    let reached = reached?;
    Some(DraftTurnout {
        id: id?,
        place: place.unwrap_or_default(),
        shape: shape?.value,
        wiring: reached.wiring,
        drive,
        drives,
        straight_bit: reached.straight_bit,
        amps: amps.map(|amps| amps.value),
        position_reports,
        rest: reached.rest,
        shares_address,
        accept: Vec::new(),
        joint: reached.joint,
        format,
        on_ms,
        wire: leads,
        needs_ms: needs_ms.map(|time| time.value),
        span,
    })
}

fn signal(file: &TextFile, table: Table<'_>, taken: &mut HashMap<Id, Span>) -> Option<DraftSignal> {
    let id = own_id(file, &table, taken);
    let place = table
        .string("place")
        .optional()
        .map(|place| text(&table, "place", place));
    let wiring = wiring(&table);
    let kind = table.choice("kind").required();
    let shares_address = table.boolean("shares_address").or(false);
    let aspects = table.table("aspects").required();
    let mut aspects =
        aspects.map(|aspects| self::aspects(aspects.value, kind.map(|kind| kind.value)));
    let lamps = lamps::read(&table, aspects.as_deref_mut());
    let restrictive = lamps::restrictive(&table, aspects.as_deref());
    let span = table.span();
    table.finish();
    Some(DraftSignal {
        id: id?,
        place: place.unwrap_or_default(),
        wiring: wiring?,
        kind: kind?.value,
        aspects: aspects?,
        sort: Sort::Signal,
        lamps,
        restrictive,
        on_ms: None,
        shares_address,
        span,
    })
}

/// Most addresses that a signal driven by pairs may take.
const PAIRS_ADDRESSES: u8 = 8;

/// What a witness may say of any turnout or signal, which no aspect can be called.
const SEEN: [&str; 5] = ["straight", "diverging", "no-movement", "between", "another"];

fn aspects(table: Table<'_>, kind: Option<SignalKind>) -> Vec<Aspect> {
    let highest = match kind {
        Some(SignalKind::Pairs) => 2 * PAIRS_ADDRESSES - 1,
        Some(SignalKind::Extended) | None => u8::MAX,
    };
    let mut aspects = Vec::new();
    for name in table.keys() {
        let value = table.integer(name.value, 0..=highest).optional();
        if let Err(what) = id_rule(name.value, true) {
            table.report(bad_name(name.value, what, name.span));
        } else if SEEN.contains(&name.value) {
            let what = "is what a witness may say of any turnout or signal";
            table.report(bad_name(name.value, what, name.span));
        }
        aspects.extend(value.map(|value| Aspect {
            name: Id::new(name.value),
            value: value.value,
            lit: None,
        }));
    }
    if table.keys().is_empty() {
        let fault = Fault::Meaning {
            code: "no-aspects",
            what: "the signal has no aspects".to_owned(),
            mend: "name each with its value: aspects = { stop = 0, proceed = 1 }".to_owned(),
        };
        table.report(Problem::new(fault, table.span()));
    }
    table.finish();
    aspects
}

fn wiring(table: &Table<'_>) -> Option<Wiring> {
    let any = i64::MIN..=i64::MAX;
    let address = table.integer("address", any.clone());
    let decoder = table.string("decoder");
    let output = table.integer("output", any);
    let (has_address, has_output) = (
        table.has("address"),
        table.has("decoder") || table.has("output"),
    );
    if !has_address && !has_output {
        // Forgiven where `allot` is to find an output for it.
        address.required_or(
            ", or `decoder = …` and `output = …`; `throwproof allot` finds an output for it",
        );
        return Some(Wiring {
            address: None,
            output: None,
            span: table.span(),
        });
    }
    let address = address.optional();
    let output = if has_output {
        let (decoder, output) = (decoder.required(), output.required());
        Some((decoder?.map(Id::new), output?))
    } else {
        None
    };
    if has_address && address.is_none() {
        return None;
    }
    let span = output.as_ref().map(|(_, output)| output.span);
    let span = address
        .map(|address| address.span)
        .or(span)
        .unwrap_or(table.span());
    Some(Wiring {
        address,
        output,
        span,
    })
}
