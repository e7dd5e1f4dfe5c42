//! `[[accessory]]`: uncouplers, crossing gates, lights. Each becomes a signal on one pair, so that
//! it is thrown, observed, judged and kept as one.

use std::collections::HashMap;

use super::{own_id, text, wiring};
use crate::plan::draft::DraftSignal;
use crate::plan::lamps::RAISE;
use crate::plan::{Aspect, Id, SignalKind, Sort};
use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Choice, Fault, Problem, Table};

/// The longest time that an uncoupler's output is on, milliseconds: no activation of this program
/// lasts longer, see [`crate::link::guard::LONGEST_ACTIVE`].
const LONGEST_ON_MS: u32 = 1000;

/// The shortest, milliseconds: a twin-coil drive wants 50 (common practice, no source).
const SHORTEST_ON_MS: u32 = 50;

/// How gates are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Gates {
    Open,
    Closed,
}

impl Choice for Gates {
    const NAMES: &'static [(&'static str, Self)] =
        &[("open", Self::Open), ("closed", Self::Closed)];
}

/// How lights are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lights {
    Off,
    On,
}

impl Choice for Lights {
    const NAMES: &'static [(&'static str, Self)] = &[("off", Self::Off), ("on", Self::On)];
}

/// What the table says of the kind of accessory that it is.
struct Particulars {
    aspects: Vec<Aspect>,
    rest: Option<Id>,
    on_ms: Option<u32>,
}

pub(super) fn read(
    file: &TextFile,
    table: Table<'_>,
    taken: &mut HashMap<Id, Span>,
) -> Option<DraftSignal> {
    let id = own_id(file, &table, taken);
    let place = table
        .string("place")
        .optional()
        .map(|place| text(&table, "place", place));
    let wiring = wiring(&table);
    let kind = table.choice::<Sort>("kind").required();
    let shares_address = table.boolean("shares_address").or(false);
    let particulars = match kind.map(|kind| kind.value) {
        Some(Sort::Uncoupler) => uncoupler(&table),
        Some(Sort::Gates) => gates(&table),
        Some(Sort::Lights) => lights(&table),
        Some(Sort::Signal) | None => {
            // Whichever it is meant to be, these are keys of one.
            uncoupler(&table);
            gates(&table);
            lights(&table)
        }
    };
    let span = table.span();
    table.finish();
    Some(DraftSignal {
        id: id?,
        place: place.unwrap_or_default(),
        wiring: wiring?,
        kind: SignalKind::Pairs,
        aspects: particulars.aspects,
        sort: kind?.value,
        lamps: Vec::new(),
        restrictive: particulars.rest,
        on_ms: particulars.on_ms,
        shares_address,
        span,
    })
}

fn aspect(name: &str, value: u8) -> Aspect {
    Aspect {
        name: Id::new(name),
        value,
        lit: None,
    }
}

fn uncoupler(table: &Table<'_>) -> Particulars {
    let half = table.integer("half", 0..=1_u8).or(1);
    let on_ms = table.integer("on_ms", i64::MIN..=i64::MAX).optional();
    let on_ms = on_ms.and_then(|on_ms| {
        let whole = u32::try_from(on_ms.value).ok();
        let fits = whole.filter(|ms| (SHORTEST_ON_MS..=LONGEST_ON_MS).contains(ms));
        if fits.is_none() {
            let fault = Fault::Meaning {
                code: "on-time",
                what: format!(
                    "on_ms = {}, and no output is kept active for longer than a second here, nor \
                     for less than 50 ms",
                    on_ms.value
                ),
                mend: "give it 50 to 1000; what has to stay up longer is no uncoupler".to_owned(),
            };
            table.report(Problem::new(fault, on_ms.span));
        }
        fits
    });
    Particulars {
        aspects: vec![aspect(RAISE, half)],
        rest: None,
        on_ms,
    }
}

fn gates(table: &Table<'_>) -> Particulars {
    let closed = table.integer("closed_output", 0..=1_u8).or(1);
    let rest = match table.choice("rest").or(Gates::Open) {
        Gates::Open => "open",
        Gates::Closed => "closed",
    };
    Particulars {
        aspects: vec![aspect("open", 1 - closed), aspect("closed", closed)],
        rest: Some(Id::new(rest)),
        on_ms: None,
    }
}

fn lights(table: &Table<'_>) -> Particulars {
    let on = table.integer("on_output", 0..=1_u8).or(1);
    let rest = match table.choice("rest").or(Lights::Off) {
        Lights::Off => "off",
        Lights::On => "on",
    };
    Particulars {
        aspects: vec![aspect("off", 1 - on), aspect("on", on)],
        rest: Some(Id::new(rest)),
        on_ms: None,
    }
}
