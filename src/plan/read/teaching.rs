//! How a decoder takes its address: its `learn` table.

use std::ops::RangeInclusive;

use throwproof_protocol::address::Position;

use crate::plan::teaching::{Choice, CountOf, Switches};
use crate::plan::{Learns, OutputKind, Teaching};
use crate::textfile::Span;
use crate::toml_reader::{self, Fault, Problem, Table};

/// What puts a decoder into learn mode where the plan does not say.
pub(crate) const LEARN_LEAD: &str = "the learn lead";

/// Keys of each way to take an address.
const OF_FIRST_COMMAND: &[&str] = &["by", "power", "each_output", "forgets", "chooses"];
const OF_CVS: &[&str] = &["on_time_unit_ms", "older_numbers"];
const OF_SWITCHES: &[&str] = &["switches"];

/// Counts of on-time that a CV holds (S-9.2.2, CV 3 to 6: eight bits).
const MOST_COUNTS: u32 = 255;

/// What the table of a decoder says beside its `learn` table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Board {
    pub(crate) learns: Learns,
    pub(crate) outputs: u8,
    pub(crate) output_kind: OutputKind,
    pub(crate) pulse_ms: u32,
}

/// Reads `learn = { … }` of a decoder; what is wrong with it is reported there.
pub(crate) fn teaching(decoder: &Table<'_>, board: Board) -> Teaching {
    let Some(table) = decoder.table("learn").optional() else {
        return Teaching {
            by: LEARN_LEAD.to_owned(),
            ..Teaching::default()
        };
    };
    let table = table.value;
    refuse_unfit(&table, board.learns);
    let teaching = keys(&table, board.outputs);
    check_pulse(&table, board, &teaching);
    table.finish();
    teaching
}

/// The keys alone, whatever the decoder learns by.
pub(crate) fn keys(table: &Table<'_>, outputs: u8) -> Teaching {
    let by = table.string("by").or(LEARN_LEAD);
    if by.trim().is_empty() {
        let what = "`by` says nothing".to_owned();
        let mend = "write what puts it into learn mode: by = \"the learn lead\"".to_owned();
        report(table, "empty-text", what, mend, table.key_span("by"));
    }
    let choices = table.tables("chooses");
    let chooses: Vec<_> = choices
        .into_iter()
        .filter_map(|one| choice(one, outputs))
        .collect();
    twice(table, &chooses);
    let switches = table.table("switches").optional();
    Teaching {
        by: by.to_owned(),
        power_off: table.choice::<LearnPower>("power").or(LearnPower::On) == LearnPower::Off,
        each_output: table.boolean("each_output").or(false),
        forgets: table.boolean("forgets").or(false),
        chooses,
        on_time_unit_ms: value(table, "on_time_unit_ms", 1..=10_000_u32),
        older_numbers: table.boolean("older_numbers").or(false),
        switches: switches.and_then(|switches| self::switches(switches.value)),
    }
}

fn value(table: &Table<'_>, key: &'static str, range: RangeInclusive<u32>) -> Option<u32> {
    table
        .integer(key, range)
        .optional()
        .map(|found| found.value)
}

fn choice(table: Table<'_>, outputs: u8) -> Option<Choice> {
    let output = table.integer("output", 1..=outputs).required();
    let position = table.choice::<Position>("position").required();
    let pulse_ms = table.integer("pulse_ms", 0..=60_000_u32).required();
    table.finish();
    Some(Choice {
        output: output?.value,
        position: position?.value,
        pulse_ms: pulse_ms?.value,
    })
}

fn switches(table: Table<'_>) -> Option<Switches> {
    let count = table.integer("count", 1..=12_u8).required();
    let count_of = table.choice("of").or(CountOf::Decoders);
    let highest_first = table.boolean("highest_first").or(false);
    table.finish();
    Some(Switches {
        count: count?.value,
        count_of,
        highest_first,
    })
}

/// Keys that say nothing of a decoder that takes its address in another way.
fn refuse_unfit(table: &Table<'_>, learns: Learns) {
    let (fit, way) = match learns {
        Learns::FirstCommand => (OF_FIRST_COMMAND, "first-command"),
        Learns::CvOutput => (OF_CVS, "cv-output"),
        Learns::CvDecoder => (OF_CVS, "cv-decoder"),
        Learns::Switches => (OF_SWITCHES, "switches"),
    };
    let all = [OF_FIRST_COMMAND, OF_CVS, OF_SWITCHES];
    for key in table.keys() {
        if all.iter().any(|keys| keys.contains(&key.value)) && !fit.contains(&key.value) {
            let what = format!(
                "`{}` says nothing of a decoder that learns by {way}",
                key.value
            );
            let mend = format!("take it out, or set `learns`; here fit: {}", fit.join(", "));
            report(table, "unfit-key", what, mend, key.span);
        }
    }
}

fn twice(table: &Table<'_>, chooses: &[Choice]) {
    for (at, one) in chooses.iter().enumerate() {
        let same = |other: &Choice| (other.output, other.position) == (one.output, one.position);
        if chooses.iter().take(at).any(same) {
            let what = format!(
                "output {} {} chooses twice",
                one.output,
                one.position.as_str()
            );
            let mend = "give each output and position one pulse time".to_owned();
            report(
                table,
                "chooses-twice",
                what,
                mend,
                table.key_span("chooses"),
            );
        }
    }
}

/// The pulse that the decoder is to have must be one that can be chosen.
fn check_pulse(table: &Table<'_>, board: Board, teaching: &Teaching) {
    let has = |one: &Choice| one.pulse_ms == board.pulse_ms;
    let pulse = board.pulse_ms;
    if board.output_kind == OutputKind::Pulse
        && !teaching.chooses.is_empty()
        && !teaching.chooses.iter().any(has)
    {
        let mut times: Vec<_> = teaching.chooses.iter().map(|one| one.pulse_ms).collect();
        times.sort_unstable();
        times.dedup();
        let times: Vec<_> = times.iter().map(u32::to_string).collect();
        let what = format!("no first command chooses the pulse of {pulse} ms that it is to have");
        let mend = format!(
            "set `pulse_ms` to one of {}, or add it here",
            times.join(", ")
        );
        report(
            table,
            "pulse-not-chosen",
            what,
            mend,
            table.key_span("chooses"),
        );
    }
    if let Some(unit) = teaching.on_time_unit_ms
        && (!pulse.is_multiple_of(unit) || pulse / unit > MOST_COUNTS)
    {
        let what = format!("a pulse of {pulse} ms is no count of 0 to {MOST_COUNTS} of {unit} ms");
        let mend = format!(
            "set `pulse_ms` to a multiple of {unit}, up to {}",
            unit * MOST_COUNTS
        );
        report(
            table,
            "pulse-no-count",
            what,
            mend,
            table.key_span("on_time_unit_ms"),
        );
    }
}

fn report(table: &Table<'_>, code: &'static str, what: String, mend: String, span: Span) {
    table.report(Problem::new(Fault::Meaning { code, what, mend }, span));
}

/// Whether a decoder has power when it is put into learn mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LearnPower {
    On,
    Off,
}

impl toml_reader::Choice for LearnPower {
    const NAMES: &'static [(&'static str, Self)] = &[("on", Self::On), ("off", Self::Off)];
}

impl toml_reader::Choice for CountOf {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("decoders", Self::Decoders),
        ("decoders-from-zero", Self::DecodersFromZero),
        ("addresses", Self::Addresses),
    ];
}
