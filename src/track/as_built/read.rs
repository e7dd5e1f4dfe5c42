//! Reads an as-built file.

use std::collections::HashMap;

use throwproof_protocol::address::{PairBit, Position};

use super::{AsBuilt, Coil, Decoder, OutputState, Parts, Rails, Signal, Supply, Turnout};
use crate::plan::{self, Id, PacketFormat, Plan, Sort};
use crate::textfile::TextFile;
use crate::toml_reader::{Choice, Document, Fault, Located, Problem, Table, nearest};
use crate::track::drive::Contact;

/// The value of an optional key.
macro_rules! optional {
    ($field:expr) => {
        $field.optional().map(|located| located.value)
    };
}

/// The most outputs that a decoder has.
const MOST_OUTPUTS: u8 = 64;

/// The problems of a file, and how many were too many to keep.
type Wrong = (Vec<Problem>, usize);

pub(super) fn read(file: &TextFile, plan: &Plan) -> Result<AsBuilt, Wrong> {
    let document = Document::parse(file)?;
    let root = document.root();
    let supplies: Vec<_> = plan.supplies.iter().map(|supply| &supply.id).collect();
    let decoders: Vec<_> = plan.decoders.iter().map(|decoder| &decoder.id).collect();
    let turnouts: Vec<_> = plan.turnouts.iter().map(|turnout| &turnout.id).collect();
    let ids = |accessories: bool| {
        let all = plan.signals.iter();
        let these = all.filter(|signal| (signal.sort != Sort::Signal) == accessories);
        these.map(|signal| &signal.id).collect::<Vec<_>>()
    };
    let (signals, accessories) = (ids(false), ids(true));
    let mut as_built = AsBuilt {
        seed: optional!(root.integer("seed", 0..=i64::MAX)).map(i64::unsigned_abs),
        parts: root.choice("parts").or(Parts::Random),
        rails: optional!(root.table("rails"))
            .map(rails)
            .unwrap_or_default(),
        supplies: named(&root, "supply", &supplies, supply),
        decoders: named(&root, "decoder", &decoders, decoder),
        turnouts: named(&root, "turnout", &turnouts, |table| {
            turnout(table, &turnouts)
        }),
        signals: named(&root, "signal", &signals, signal),
    };
    let accessories = named(&root, "accessory", &accessories, accessory);
    as_built.signals.extend(accessories);
    no_such_drives(&root, plan);
    root.finish();
    if document.is_sound() {
        Ok(as_built)
    } else {
        Err(document.into_problems())
    }
}

/// Every `[key.ID]`, each of which the plan must have.
fn named<'d, T>(
    root: &Table<'d>,
    key: &'d str,
    known: &[&Id],
    read: impl Fn(Table<'d>) -> T,
) -> HashMap<Id, T> {
    let mut found = HashMap::new();
    for (name, table) in root.named_tables(key) {
        if known.iter().any(|id| id.as_str() == name.value) {
            found.insert(Id::new(name.value), read(table));
        } else {
            root.report(unknown(key, name, known));
        }
    }
    found
}

fn unknown(what: &str, name: Located<&str>, known: &[&Id]) -> Problem {
    let mend = match nearest(name.value, known.iter().map(|id| id.as_str())) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("name a {what} of the plan, or take this out"),
    };
    let what = format!("the plan has no {what} `{}`", name.value);
    Problem::new(
        Fault::Meaning {
            code: "not-in-plan",
            what,
            mend,
        },
        name.span,
    )
}

fn rails(table: Table<'_>) -> Rails {
    let rails = Rails {
        packet_loss: optional!(table.float("packet_loss", 0.0..=1.0)),
        jitter_us: optional!(table.float("jitter_us", 0.0..=20.0)),
        asymmetry_us: optional!(table.float("asymmetry_us", 0.0..=20.0)),
        repeats: optional!(table.integer("repeats", 1..=20_u32)),
    };
    table.finish();
    rails
}

fn supply(table: Table<'_>) -> Supply {
    let supply = Supply {
        volts: optional!(table.float("volts", 0.0..=60.0)),
        internal_ohms: optional!(table.float("internal_ohms", 0.0..=1_000.0)),
        trip_amps: optional!(table.float("trip_amps", 0.0..=100.0)),
        trip_ms: optional!(table.integer("trip_ms", 0..=60_000_u32)),
        capacitor_uf: optional!(table.float("capacitor_uf", 1.0..=1e6)),
        capacitor_charge_ohms: optional!(table.float("capacitor_charge_ohms", 0.1..=1e5)),
    };
    table.finish();
    supply
}

fn decoder(table: Table<'_>) -> Decoder {
    let decoder = Decoder {
        first_address: optional!(table.integer("first_address", 1..=2048_u16)),
        address_offset: optional!(table.integer("address_offset", -2047..=2047_i16)),
        taught: optional!(table.boolean("taught")),
        feed: optional!(table.boolean("feed")),
        wire_ohms: optional!(table.float("wire_ohms", 0.0..=1e6)),
        packet_loss: optional!(table.float("packet_loss", 0.0..=1.0)),
        format: optional!(table.choice::<PacketFormat>("format")),
        pulse_ms: optional!(table.integer("pulse_ms", 0..=25_500_u32)),
        busy_ms: optional!(table.integer("busy_ms", 0..=60_000_u32)),
        learn_mode: table.boolean("learn_mode").or(false),
        learn_lead_dead: optional!(table.choice::<LearnLead>("learn_lead"))
            == Some(LearnLead::Dead),
        teaching: table.table("learn").optional().map(|table| {
            let teaching = plan::teaching_keys(&table.value, MOST_OUTPUTS);
            table.value.finish();
            teaching
        }),
    };
    if decoder.first_address.is_some() && decoder.taught == Some(false) {
        let fault = Fault::Meaning {
            code: "taught-or-not",
            what: "a decoder that was never taught has no `first_address`".to_owned(),
            mend: "take out one of `taught` and `first_address`".to_owned(),
        };
        table.report(Problem::new(fault, table.key_span("taught")));
    }
    table.finish();
    decoder
}

fn turnout(table: Table<'_>, turnouts: &[&Id]) -> Turnout {
    let exchanged = table.string("exchanged_with").optional();
    let known = |with: &Located<&str>| turnouts.iter().any(|id| id.as_str() == with.value);
    if let Some(with) = exchanged.filter(|with| !known(with)) {
        table.report(unknown("turnout", with, turnouts));
    }
    let further = FURTHER.map(|word| table.table(word).optional());
    // One in between that is not named is as planned.
    let last = further.iter().rposition(Option::is_some);
    let further = further.into_iter().take(last.map_or(0, |last| last + 1));
    let further =
        further.map(|one| one.map_or_else(Turnout::default, |one| further_drive(one.value)));
    let turnout = Turnout {
        exchanged_with: exchanged.map(|with| Id::new(with.value)),
        drives_exchanged: table.boolean("drives_exchanged").or(false),
        further: further.collect(),
        ..drive(&table)
    };
    table.finish();
    turnout
}

/// What the tables of a turnout's further drives are called.
const FURTHER: [&str; 3] = ["second", "third", "fourth"];

fn further_drive(table: Table<'_>) -> Turnout {
    let drive = drive(&table);
    table.finish();
    drive
}

/// What differs from the output of one drive to its blades.
fn drive(table: &Table<'_>) -> Turnout {
    let friction = optional!(table.float("friction", 0.0..=100.0));
    Turnout {
        leads_swapped: table.boolean("leads_swapped").or(false),
        output: optional!(table.choice::<OutputState>("output")),
        straight_coil: coil(table, "straight_coil", "straight_coil_ohms"),
        diverging_coil: coil(table, "diverging_coil", "diverging_coil_ohms"),
        lead_ohms: optional!(table.float("lead_ohms", 0.0..=1_000.0)),
        friction_to_straight: optional!(table.float("friction_to_straight", 0.0..=100.0))
            .or(friction),
        friction_to_diverging: optional!(table.float("friction_to_diverging", 0.0..=100.0))
            .or(friction),
        spring: optional!(table.float("spring", 0.0..=10.0)),
        blades_stop_at: optional!(table.float("blades_stop_at", 0.0..=1.0)),
        linkage_off: optional!(table.choice::<Linkage>("linkage")) == Some(Linkage::Off),
        contact: optional!(table.choice::<Contact>("contact")),
        lies: optional!(table.choice::<Position>("lies")),
        ..Turnout::default()
    }
}

/// Reports what is said of drives that a turnout of the plan does not have.
fn no_such_drives(root: &Table<'_>, plan: &Plan) {
    for (name, table) in root.named_tables("turnout") {
        let Some(turnout) = plan.turnout(name.value) else {
            continue;
        };
        let drives = turnout.reached().len();
        let beyond = FURTHER.iter().skip(drives.saturating_sub(1));
        let exchanged = (drives < 2).then_some(&"drives_exchanged");
        for key in beyond.chain(exchanged).filter(|key| table.has(key)) {
            let id = name.value;
            let fault = Fault::Meaning {
                code: "not-in-plan",
                what: match drives {
                    1 => format!("`{id}` has one drive in the plan, and `{key}` is of several"),
                    drives => format!("`{id}` has {drives} drives in the plan, and no {key} one"),
                },
                mend: "take this out, or give the turnout that drive in the plan".to_owned(),
            };
            table.report(Problem::new(fault, table.key_span(key)));
        }
    }
}

fn coil<'d>(table: &Table<'d>, state: &'d str, ohms: &'d str) -> Option<Coil> {
    let open = optional!(table.choice::<OpenCoil>(state));
    let ohms = optional!(table.float(ohms, 0.1..=1e6));
    open.map(|OpenCoil| Coil::Open).or(ohms.map(Coil::Ohms))
}

fn signal(table: Table<'_>) -> Signal {
    let exchanged = table.strings("aspects_exchanged").optional();
    let pair = match exchanged.as_ref().map(|names| names.value.as_slice()) {
        None => None,
        Some([one, other]) => Some((Id::new(one.value), Id::new(other.value))),
        Some(_) => {
            let fault = Fault::Meaning {
                code: "two-aspects",
                what: "two aspects are exchanged, no more and no fewer".to_owned(),
                mend: "write it like aspects_exchanged = [\"stop\", \"proceed\"]".to_owned(),
            };
            table.report(Problem::new(fault, table.key_span("aspects_exchanged")));
            None
        }
    };
    let signal = Signal {
        dark: table.boolean("dark").or(false),
        exchanged: pair,
        output: optional!(table.choice::<OutputState>("output")),
        ..Signal::default()
    };
    table.finish();
    signal
}

fn accessory(table: Table<'_>) -> Signal {
    let accessory = Signal {
        output: optional!(table.choice::<OutputState>("output")),
        leads_swapped: table.boolean("leads_swapped").or(false),
        blocked: table.boolean("blocked").or(false),
        ..Signal::default()
    };
    table.finish();
    accessory
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Linkage {
    Off,
    On,
}

impl Choice for Parts {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("random", Self::Random),
        ("typical", Self::Typical),
        ("weak", Self::Weak),
        ("strong", Self::Strong),
    ];
}

impl Choice for Linkage {
    const NAMES: &'static [(&'static str, Self)] = &[("off", Self::Off), ("on", Self::On)];
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LearnLead {
    Dead,
    Works,
}

impl Choice for LearnLead {
    const NAMES: &'static [(&'static str, Self)] = &[("dead", Self::Dead), ("works", Self::Works)];
}

#[derive(Debug, Clone, Copy)]
struct OpenCoil;

impl Choice for OpenCoil {
    const NAMES: &'static [(&'static str, Self)] = &[("open", Self)];
}

impl Choice for OutputState {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("dead", Self::Dead),
        ("half-1-dead", Self::HalfDead(PairBit::One)),
        ("half-0-dead", Self::HalfDead(PairBit::Zero)),
        ("half-1-stuck", Self::Stuck(PairBit::One)),
        ("half-0-stuck", Self::Stuck(PairBit::Zero)),
    ];
}

impl Choice for Contact {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("works", Self::Works),
        ("inverted", Self::Inverted),
        ("dead", Self::Dead),
        ("none", Self::None),
    ];
}
