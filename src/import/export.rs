//! From a plan to a list that gives the same plan back.

use csv::{Terminator, WriterBuilder};

use crate::plan::lamps::RAISE;
use crate::plan::{Joint, Look, PacketFormat, Plan, Signal, SignalKind, Sort, Turnout};
use crate::report::comma::{BYTE_ORDER_MARK, defused};
use crate::toml_reader::Choice;
use throwproof_protocol::address::{PairBit, Position};

/// The heading of the first column, which tells such a list from one that a person made.
pub(super) const MARK: &str = "plan_table";

/// What a key of a plan holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holds {
    Text,
    Whole,
    Decimal,
    Truth,
    /// A list of texts, as JSON.
    List,
    /// `stop=0 proceed=1`.
    Aspects,
    /// `11 25`, or a single number.
    Wholes,
    /// `left=diverging+straight right=straight+diverging`.
    Positions,
    /// `green upper-yellow red`.
    Lamps,
    /// `stop=red caution=upper-yellow:flashing+green dark=`.
    Shows,
}

/// Every key of a plan's tables but `id`, in the order of the columns.
pub(super) const KEYS: &[(&str, Holds)] = &[
    ("name", Holds::Text),
    ("place", Holds::Text),
    ("numbering", Holds::Text),
    ("address", Holds::Whole),
    ("decoder", Holds::Text),
    ("output", Holds::Whole),
    ("shape", Holds::Text),
    ("drive", Holds::Text),
    ("drives", Holds::Whole),
    ("straight_output", Holds::Whole),
    ("rest", Holds::Text),
    ("position_reports", Holds::Truth),
    ("shares_address", Holds::Truth),
    ("kind", Holds::Text),
    ("aspects", Holds::Aspects),
    ("lamps", Holds::Lamps),
    ("shows", Holds::Shows),
    ("restrictive", Holds::Text),
    ("on_ms", Holds::Whole),
    ("half", Holds::Whole),
    ("closed_output", Holds::Whole),
    ("on_output", Holds::Whole),
    ("volts", Holds::Decimal),
    ("amps", Holds::Decimal),
    ("internal_ohms", Holds::Decimal),
    ("capacitor_uf", Holds::Decimal),
    ("capacitor_charge_ohms", Holds::Decimal),
    ("trip_amps", Holds::Decimal),
    ("trip_ms", Holds::Whole),
    ("outputs", Holds::Wholes),
    ("first_address", Holds::Whole),
    ("supply", Holds::Text),
    ("output_kind", Holds::Text),
    ("pulse_ms", Holds::Whole),
    ("max_output_amps", Holds::Decimal),
    ("learns", Holds::Text),
    ("format", Holds::Text),
    ("block_start", Holds::Text),
    ("accept", Holds::List),
    ("addresses", Holds::Wholes),
    ("straight_outputs", Holds::Wholes),
    ("positions", Holds::Positions),
    ("free_passage", Holds::Truth),
];

/// Why a plan can't become a list.
#[derive(Debug, thiserror::Error)]
#[error("the list can't be made")]
pub struct ExportError(#[from] csv::Error);

/// The cells of one row.
struct Line(Vec<String>);

impl Line {
    fn new(table: &str, id: &str) -> Self {
        let mut cells = vec![String::new(); KEYS.len() + 2];
        for (cell, text) in cells.iter_mut().zip([table, id]) {
            text.clone_into(cell);
        }
        Self(cells)
    }

    #[expect(
        clippy::needless_pass_by_value,
        reason = "numbers and ids are handed over as they are"
    )]
    fn set(mut self, key: &str, value: impl ToString) -> Self {
        let column = KEYS.iter().position(|(known, _)| *known == key);
        if let Some(cell) = column.and_then(|column| self.0.get_mut(column + 2)) {
            *cell = value.to_string();
        }
        self
    }

    fn maybe(self, key: &str, value: Option<impl ToString>) -> Self {
        match value {
            Some(value) => self.set(key, value),
            None => self,
        }
    }
}

/// The list: UTF-8 with byte order mark, as RFC 4180 has it, no cell a formula. One row has the
/// layout; each supply, decoder, turnout and signal has one.
///
/// # Errors
/// Never in practice: every cell is text.
pub fn export(plan: &Plan) -> Result<Vec<u8>, ExportError> {
    let mut writer = WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .from_writer(BYTE_ORDER_MARK.to_vec());
    let heads = [MARK, "id"].into_iter();
    writer.write_record(heads.chain(KEYS.iter().map(|(key, _)| *key)))?;
    let lines = std::iter::once(layout(plan))
        .chain(supplies(plan))
        .chain(decoders(plan))
        .chain(turnouts(plan))
        .chain(signals(plan));
    for line in lines {
        writer.write_record(line.0.iter().map(|cell| shown(cell)))?;
    }
    let bytes = writer.into_inner();
    Ok(bytes.map_err(|error| csv::Error::from(error.into_error()))?)
}

/// The cell without formula; one that begins with the mark for that gets another, so that taking
/// one away gives the text back.
fn shown(cell: &str) -> String {
    if cell.starts_with('\'') {
        format!("'{cell}")
    } else {
        defused(cell).into_owned()
    }
}

fn accept(looks: &[Look]) -> Option<String> {
    let words: Vec<_> = looks.iter().map(Look::as_str).collect();
    let text = serde_json::to_string(&words).ok();
    text.filter(|_| !looks.is_empty())
}

fn layout(plan: &Plan) -> Line {
    let layout = &plan.layout;
    Line::new("layout", "")
        .set("name", &layout.name)
        .set("numbering", layout.numbering.name())
        .set("rest", layout.rest.name())
}

fn supplies(plan: &Plan) -> impl Iterator<Item = Line> {
    plan.supplies.iter().map(|supply| {
        Line::new("supply", supply.id.as_str())
            .set("kind", supply.kind.name())
            .set("volts", supply.volts)
            .set("amps", supply.amps)
            .maybe("internal_ohms", supply.internal_ohms)
            .maybe("capacitor_uf", supply.capacitor.map(|one| one.microfarads))
            .maybe(
                "capacitor_charge_ohms",
                supply.capacitor.map(|one| one.charge_ohms),
            )
            .maybe("trip_amps", supply.trip_amps)
            .maybe("trip_ms", supply.trip_ms)
    })
}

fn decoders(plan: &Plan) -> impl Iterator<Item = Line> {
    plan.decoders.iter().map(|decoder| {
        let supply = decoder.supply.and_then(|index| plan.supplies.get(index));
        Line::new("decoder", decoder.id.as_str())
            .set("place", &decoder.place)
            .set("outputs", decoder.outputs)
            .set("first_address", decoder.first_address)
            .maybe("supply", supply.map(|supply| &supply.id))
            .set("output_kind", decoder.output_kind.name())
            .set("pulse_ms", decoder.pulse_ms)
            .maybe("max_output_amps", decoder.max_output_amps)
            .set("learns", decoder.learns.name())
            .set("format", decoder.format.name())
            .set("block_start", decoder.block_start.name())
    })
}

fn turnouts(plan: &Plan) -> impl Iterator<Item = Line> {
    plan.turnouts.iter().map(|turnout| {
        let decoder = turnout
            .output
            .and_then(|one| plan.decoders.get(one.decoder));
        let straight = u8::from(turnout.pair_bit(Position::Straight) == PairBit::One);
        let line = Line::new("turnout", turnout.id.as_str());
        let line = match &turnout.joint {
            Some(joint) => several(line, joint),
            None => line
                .set("address", turnout.address)
                .maybe("decoder", decoder.map(|decoder| &decoder.id))
                .maybe("output", turnout.output.map(|output| output.number))
                .set("straight_output", straight),
        };
        line.set("place", &turnout.place)
            .set("shape", turnout.shape.name())
            .set("drive", turnout.drive.name())
            .set("drives", turnout.drives)
            .set("rest", turnout.rest_name())
            .set("position_reports", turnout.position_reports)
            .set("shares_address", turnout.shares_address)
            .maybe("amps", turnout.amps)
            .maybe("format", of_turnout(turnout))
            .maybe("on_ms", turnout.on_ms)
            .maybe("accept", accept(&turnout.accept))
    })
}

/// What one with several drives says of them.
fn several(line: Line, joint: &Joint) -> Line {
    let drives = joint.drives.iter();
    let addresses: Vec<_> = drives.clone().map(|one| one.address.to_string()).collect();
    let straights = drives.map(|one| u8::from(one.straight_bit == PairBit::One).to_string());
    let positions = joint.positions.iter().map(|one| {
        let drives: Vec<_> = one.drives.iter().map(|lies| lies.as_str()).collect();
        format!("{}={}", one.name, drives.join("+"))
    });
    line.set("addresses", addresses.join(" "))
        .set("straight_outputs", straights.collect::<Vec<_>>().join(" "))
        .set("positions", positions.collect::<Vec<_>>().join(" "))
        .set("free_passage", joint.free_passage)
}

/// The format of a turnout, where it is not the usual one.
fn of_turnout(turnout: &Turnout) -> Option<&'static str> {
    (turnout.format != PacketFormat::Basic).then(|| turnout.format.name())
}

fn signals(plan: &Plan) -> impl Iterator<Item = Line> {
    plan.signals.iter().map(|signal| {
        if signal.sort != Sort::Signal {
            return accessory(plan, signal);
        }
        let decoder = signal.output.and_then(|one| plan.decoders.get(one.decoder));
        let aspects = signal.aspects.iter();
        let aspects = aspects.map(|aspect| format!("{}={}", aspect.name, aspect.value));
        Line::new("signal", signal.id.as_str())
            .set("place", &signal.place)
            .set("address", signal.address)
            .maybe("decoder", decoder.map(|decoder| &decoder.id))
            .maybe("output", signal.output.map(|output| output.number))
            .set("kind", signal.kind.name())
            .set("aspects", aspects.collect::<Vec<_>>().join(" "))
            .maybe("lamps", lamps(signal))
            .maybe("shows", shows(signal))
            .maybe("restrictive", signal.restrictive.as_ref())
            .maybe("shares_address", shares(plan, signal).then_some(true))
    })
}

fn lamps(signal: &Signal) -> Option<String> {
    let names: Vec<_> = signal.lamps.iter().map(|lamp| lamp.name.as_str()).collect();
    (!names.is_empty()).then(|| names.join(" "))
}

fn shows(signal: &Signal) -> Option<String> {
    let described = signal.aspects.iter().filter_map(|aspect| {
        let lit = aspect.lit.as_ref()?.iter().filter_map(|lit| {
            let manner = if lit.flashing { ":flashing" } else { "" };
            let lamp = signal.lamps.get(lit.lamp)?;
            Some(format!("{}{manner}", lamp.name))
        });
        let lit: Vec<_> = lit.collect();
        Some(format!("{}={}", aspect.name, lit.join("+")))
    });
    let described: Vec<_> = described.collect();
    (!described.is_empty()).then(|| described.join(" "))
}

/// An uncoupler, gates or lights.
fn accessory(plan: &Plan, signal: &Signal) -> Line {
    let decoder = signal.output.and_then(|one| plan.decoders.get(one.decoder));
    let value_of = |name: &str| {
        let mut aspects = signal.aspects.iter();
        let aspect = aspects.find(|aspect| aspect.name.as_str() == name);
        aspect.map(|aspect| aspect.value)
    };
    Line::new("accessory", signal.id.as_str())
        .set("place", &signal.place)
        .set("address", signal.address)
        .maybe("decoder", decoder.map(|decoder| &decoder.id))
        .maybe("output", signal.output.map(|output| output.number))
        .set("kind", signal.sort.name())
        .maybe("rest", signal.restrictive.as_ref())
        .maybe("on_ms", signal.on_ms)
        .maybe("half", value_of(RAISE))
        .maybe("closed_output", value_of("closed"))
        .maybe("on_output", value_of("on"))
        .maybe("shares_address", shares(plan, signal).then_some(true))
}

/// Whether another thing has one of the signal's addresses: a plan that was taken has said so of
/// both, and does not keep that of signals.
fn shares(plan: &Plan, signal: &Signal) -> bool {
    let range = |one: &Signal| {
        let first = one.address.get();
        first..first + u16::from(one.addresses())
    };
    let own = range(signal);
    let meets = |other: &std::ops::Range<u16>| own.start < other.end && other.start < own.end;
    let others = plan
        .signals
        .iter()
        .filter(|other| other.id != signal.id && other.kind == signal.kind)
        .filter(|other| other.half().is_none() || other.half() == signal.half());
    let format = match signal.kind {
        SignalKind::Extended => PacketFormat::Extended,
        SignalKind::Pairs => PacketFormat::Basic,
    };
    let turnouts = plan.turnouts.iter().filter(|one| one.format == format);
    let turnouts = turnouts.flat_map(Turnout::addresses);
    let mut turnouts = turnouts.map(|address| address.get()..address.get() + 1);
    others.map(range).any(|other| meets(&other)) || turnouts.any(|other| meets(&other))
}
