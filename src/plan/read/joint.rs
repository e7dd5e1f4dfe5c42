//! Turnouts with several drives that are one thing.

use throwproof_protocol::address::{PairBit, Position};

use super::{bad_name, id_rule, wiring};
use crate::plan::choices::pair_bit;
use crate::plan::draft::{DraftJoint, Wiring};
use crate::plan::joint::passage;
use crate::plan::{Id, NamedPosition, Shape};
use crate::textfile::Span;
use crate::toml_reader::{Choice as _, Fault, Located, Problem, Table, nearest};

mod usual;

use usual::{not_given, passes_freely, usual};

/// The keys that say that a turnout has several drives.
const KEYS: [&str; 2] = ["outputs", "addresses"];

/// What a witness may say of any turnout, which no position can be called.
const SEEN: [&str; 3] = ["no-movement", "between", "another"];

/// Most drives of one turnout: a scissors crossover has four.
const MOST: usize = 4;

/// How a turnout is reached, whether by one drive or by several.
pub(super) struct Reached {
    pub(super) wiring: Wiring,
    pub(super) straight_bit: PairBit,
    pub(super) rest: Position,
    pub(super) joint: Option<DraftJoint>,
}

/// Whether the turnout has several drives.
pub(super) fn is_there(table: &Table<'_>) -> bool {
    KEYS.iter().any(|key| table.has(key))
}

/// A turnout with one drive; `rest` is the layout's.
pub(super) fn none(table: &Table<'_>, rest: Position) -> Option<Reached> {
    let wiring = wiring(table);
    let straight_bit = pair_bit(table.integer("straight_output", 0..=1_u8).or(1));
    let rest = table.choice("rest").or(rest);
    Some(Reached {
        wiring: wiring?,
        straight_bit,
        rest,
        joint: None,
    })
}

/// One with several; `rest` is the layout's.
pub(super) fn read(table: &Table<'_>, shape: Option<Shape>, rest: Position) -> Option<Reached> {
    let wirings = wirings(table);
    let straights = table.integers("straight_outputs").optional();
    let given = table.table("positions").optional();
    let rest_name = table.string("rest").optional();
    let is_free = table.boolean("free_passage").optional();
    for single in ["address", "output", "straight_output"] {
        if table.has(single) {
            // Asked for, so that it is told once and by its reason.
            table.integer(single, i64::MIN..=i64::MAX).optional();
            let what = format!("`{single}` is for one drive, and this turnout has several");
            let mend = format!("take `{single}` out, or the list");
            report(
                table,
                "one-drive-or-several",
                what,
                mend,
                table.key_span(single),
            );
        }
    }
    let wirings = wirings?;
    let count = wirings.len();
    let bits = straight_bits(table, straights, count)?;
    let is_default = given.is_none();
    let at = given.as_ref().map_or(table.span(), |given| given.span);
    let positions = match given {
        Some(given) => positions(given.value, count)?,
        None => usual(shape?, count).or_else(|| {
            not_given(table, shape, count);
            None
        })?,
    };
    if !is_default && !are_sound(table, &positions, at) {
        return None;
    }
    let shape = shape?;
    let free_passage = is_free.map_or_else(|| passes_freely(shape), |free| free.value);
    if !free_passage && !has_ways(table, &positions, at) {
        return None;
    }
    let rest = rest_of(table, &positions, rest_name, rest)?;
    let mut reached = wirings.into_iter().zip(bits);
    let (wiring, straight_bit) = reached.next()?;
    Some(Reached {
        wiring,
        straight_bit,
        rest: rest.drives.first().copied()?,
        joint: Some(DraftJoint {
            further: reached.collect(),
            rest: rest.name.clone(),
            positions,
            free_passage,
        }),
    })
}

fn report(table: &Table<'_>, code: &'static str, what: String, mend: impl Into<String>, at: Span) {
    let mend = mend.into();
    table.report(Problem::new(Fault::Meaning { code, what, mend }, at));
}

/// Its drives in order.
fn wirings(table: &Table<'_>) -> Option<Vec<Wiring>> {
    let addresses = table.integers("addresses");
    let outputs = table.integers("outputs");
    let decoder = table.string("decoder");
    let (has_addresses, has_outputs) = (table.has("addresses"), table.has("outputs"));
    let addresses = addresses.optional();
    let outputs = outputs.optional();
    let decoder = if has_outputs {
        decoder.required()
    } else {
        decoder.optional()
    };
    if has_addresses && addresses.is_none()
        || has_outputs && (outputs.is_none() || decoder.is_none())
    {
        return None;
    }
    let lists = [("addresses", &addresses), ("outputs", &outputs)];
    let mut is_sound = true;
    for (key, list) in lists {
        if let Some(list) = list {
            is_sound &= is_number_of_drives(table, key, list.value.len(), list.span);
            is_sound &= differ(table, key, &list.value);
        }
    }
    if let (Some(addresses), Some(outputs)) = (&addresses, &outputs)
        && addresses.value.len() != outputs.value.len()
    {
        let what = "`addresses` and `outputs` are not the same number of drives".to_owned();
        let mend = "give one of each for every drive, or leave `addresses` away";
        report(table, "number-of-drives", what, mend, addresses.span);
        is_sound = false;
    }
    if !is_sound {
        return None;
    }
    let list = addresses.as_ref().or(outputs.as_ref())?;
    let one = |at: usize| {
        let address = addresses.as_ref().and_then(|list| list.value.get(at));
        let output = outputs.as_ref().and_then(|list| list.value.get(at));
        let span = address.or(output).map_or(list.span, |number| number.span);
        let output = output.zip(decoder);
        Wiring {
            address: address.copied(),
            output: output.map(|(number, decoder)| (decoder.map(Id::new), *number)),
            span,
        }
    };
    Some((0..list.value.len()).map(one).collect())
}

fn is_number_of_drives(table: &Table<'_>, key: &str, count: usize, at: Span) -> bool {
    let is_right = (2..=MOST).contains(&count);
    if !is_right {
        let what = format!("`{key}` has {count}, and a turnout has 2 to {MOST} drives");
        let single = if key == "outputs" {
            "output"
        } else {
            "address"
        };
        let mend = format!("list one for each drive in order; for a single drive write `{single}`");
        report(table, "number-of-drives", what, mend, at);
    }
    is_right
}

fn differ(table: &Table<'_>, key: &str, list: &[Located<i64>]) -> bool {
    let again = list.iter().enumerate().find(|(at, one)| {
        let mut before = list.iter().take(*at);
        before.any(|other| other.value == one.value)
    });
    let Some((_, again)) = again else {
        return true;
    };
    let what = format!(
        "`{key}` has {} twice: one command would throw both drives",
        again.value
    );
    let mend = "motors that always move together are one drive: write it once, with `drives = 2`; \
                two decoders at one address are two turnouts with shares_address = true";
    report(table, "drives-alike", what, mend, again.span);
    false
}

fn straight_bits(
    table: &Table<'_>,
    given: Option<Located<Vec<Located<i64>>>>,
    count: usize,
) -> Option<Vec<PairBit>> {
    let Some(given) = given else {
        let is_wrong = table.has("straight_outputs");
        return (!is_wrong).then(|| vec![PairBit::One; count]);
    };
    if given.value.len() != count {
        let found = given.value.len();
        let what = format!("`straight_outputs` has {found}, and the turnout has {count} drives");
        let mend = "give 0 or 1 for each drive, in their order";
        report(table, "number-of-drives", what, mend, given.span);
        return None;
    }
    let bits = given.value.iter().map(|one| match one.value {
        0 => Some(PairBit::Zero),
        1 => Some(PairBit::One),
        other => {
            let what = format!("`straight_outputs` must be 0 or 1 each, and this is {other}");
            let mend = "1 is the standard's sense";
            report(table, "out-of-range", what, mend, one.span);
            None
        }
    });
    let bits: Vec<_> = bits.collect();
    bits.into_iter().collect()
}

/// The positions that the plan gives.
fn positions(table: Table<'_>, count: usize) -> Option<Vec<NamedPosition>> {
    let mut found = Vec::new();
    let mut is_sound = true;
    for name in table.keys() {
        let words = table.strings(name.value).optional();
        if let Err(what) = id_rule(name.value, true) {
            table.report(bad_name(name.value, what, name.span));
            is_sound = false;
        } else if SEEN.contains(&name.value) {
            let what = "is what a witness may say of any turnout";
            table.report(bad_name(name.value, what, name.span));
            is_sound = false;
        }
        let Some(words) = words else {
            is_sound = false;
            continue;
        };
        if words.value.len() != count {
            let (id, len) = (name.value, words.value.len());
            let what = format!("position `{id}` says how {len} drives lie, and there are {count}");
            let mend = "give \"straight\" or \"diverging\" for each drive, in their order";
            report(&table, "number-of-drives", what, mend, words.span);
            is_sound = false;
        }
        let drives = words.value.iter().map(|word| side(&table, *word));
        let drives: Vec<_> = drives.collect();
        match drives.into_iter().collect::<Option<Vec<_>>>() {
            Some(drives) => found.push(NamedPosition {
                name: Id::new(name.value),
                drives,
            }),
            None => is_sound = false,
        }
    }
    table.finish();
    is_sound.then_some(found)
}

fn side(table: &Table<'_>, word: Located<&str>) -> Option<Position> {
    let known = Position::NAMES.iter();
    let found = known.clone().find(|(name, _)| *name == word.value);
    if found.is_none() {
        let names = known.map(|(name, _)| *name);
        let mend = match nearest(word.value, names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => "a drive lies \"straight\" or \"diverging\"".to_owned(),
        };
        let shown: String = word.value.chars().flat_map(char::escape_debug).collect();
        let what = format!("\"{shown}\" is not how a drive can lie");
        report(table, "unknown-choice", what, mend, word.span);
    }
    found.map(|(_, position)| *position)
}

/// Whether the positions can be told apart and all drives are needed.
fn are_sound(table: &Table<'_>, positions: &[NamedPosition], at: Span) -> bool {
    if positions.len() < 2 {
        let what = format!(
            "`positions` has {}, and a turnout lies in two at least",
            positions.len()
        );
        let mend = "name each with how its drives lie: left = [\"diverging\", \"straight\"]";
        report(table, "too-few-positions", what, mend, at);
        return false;
    }
    for (index, one) in positions.iter().enumerate() {
        let mut before = positions.iter().take(index);
        if let Some(other) = before.find(|other| other.drives == one.drives) {
            let (name, other) = (&one.name, &other.name);
            let what = format!("positions `{other}` and `{name}` are the same: drives lie alike");
            report(
                table,
                "positions-alike",
                what,
                "mend one of them, or take it out",
                at,
            );
            return false;
        }
    }
    let count = positions.first().map_or(0, |one| one.drives.len());
    for drive in 0..count {
        let mut lies = positions.iter().filter_map(|one| one.drives.get(drive));
        let first = lies.next();
        if lies.all(|other| Some(other) == first) {
            let number = drive + 1;
            let what = format!("drive {number} lies the same way in all positions: it never moves");
            let mend = "add the position in which it lies the other way, or leave that drive out";
            report(table, "drive-never-moves", what, mend, at);
            return false;
        }
    }
    true
}

/// Whether each can be thrown to.
fn has_ways(table: &Table<'_>, positions: &[NamedPosition], at: Span) -> bool {
    let allowed: Vec<_> = positions.iter().map(|one| &*one.drives).collect();
    let mut stuck = positions
        .iter()
        .filter(|one| passage::find(&allowed, &one.drives).is_none());
    let Some(one) = stuck.next() else {
        return true;
    };
    let what = format!(
        "there is no way to position `{}`, throwing one drive after another, that never passes a \
         combination which is no position",
        one.name
    );
    let mend = "name the combinations in between as positions; or, where passing through them does \
                no harm, write free_passage = true";
    report(table, "no-way-between", what, mend, at);
    false
}

fn rest_of<'p>(
    table: &Table<'_>,
    positions: &'p [NamedPosition],
    given: Option<Located<&str>>,
    of_layout: Position,
) -> Option<&'p NamedPosition> {
    let named = |name: &str| positions.iter().find(|one| one.name.as_str() == name);
    let Some(given) = given else {
        let is_wrong = table.has("rest");
        let usual = named(of_layout.as_str()).or_else(|| positions.first());
        return usual.filter(|_| !is_wrong);
    };
    let found = named(given.value);
    if found.is_none() {
        let known = positions.iter().map(|one| one.name.as_str());
        let mend = match nearest(given.value, known.clone()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("it can be {}", known.collect::<Vec<_>>().join(", ")),
        };
        let shown: String = given.value.chars().flat_map(char::escape_debug).collect();
        let what = format!("`rest` can't be \"{shown}\": it is none of this turnout's positions");
        report(table, "unknown-choice", what, mend, given.span);
    }
    found
}

#[cfg(test)]
mod tests;
