//! Things at one address or on one output.

use std::collections::{BTreeSet, HashMap};

use throwproof_protocol::address::KeyedAddress;

use crate::plan::draft::Draft;
use crate::plan::finding::{Code, Finding};
use crate::plan::{OutputRef, PacketFormat};
use crate::textfile::Span;
use crate::toml_reader::Mark;

use super::{Reached, Thing};

/// Finds things that would be thrown by one command without saying that they mean it.
pub(super) fn find(draft: &Draft, reached: &[Reached], findings: &mut Vec<Finding>) {
    let mut users: HashMap<(PacketFormat, u16), Vec<usize>> = HashMap::new();
    let things: Vec<_> = draft.things().collect();
    for (index, (thing, reached)) in things.iter().zip(reached).enumerate() {
        let Some(first) = reached.address.map(KeyedAddress::get) else {
            continue;
        };
        for address in first..first + u16::from(thing.addresses) {
            users
                .entry((thing.format, address))
                .or_default()
                .push(index);
        }
    }
    let mut doubles: Vec<_> = users
        .into_iter()
        .filter(|(_, users)| users.len() > 1)
        .collect();
    doubles.sort_by_key(|((_, address), _)| *address);
    let mut told: Vec<Vec<usize>> = Vec::new();
    for ((_, address), users) in doubles {
        let owners: Vec<_> = users.iter().filter_map(|user| things.get(*user)).collect();
        let mean_it = owners.iter().all(|owner| owner.shares_address);
        if mean_it || use_other_halves(&owners) || told.contains(&users) {
            continue;
        }
        let output = |user: &usize| reached.get(*user).and_then(|reached| reached.output);
        // Things of one address each have one output; of several, only the address tells.
        let single = owners.iter().all(|owner| owner.addresses == 1);
        let first = users.first().and_then(output);
        let same = single && first.is_some() && users.iter().all(|user| output(user) == first);
        let finding = double(draft, address, &owners, first.filter(|_| same));
        findings.push(finding);
        told.push(users);
    }
}

/// Whether no two of them use the same half of the pair: no command throws both.
fn use_other_halves(owners: &[&Thing<'_>]) -> bool {
    let halves: BTreeSet<_> = owners.iter().filter_map(|owner| owner.half).collect();
    halves.len() == owners.len()
}

fn double(
    draft: &Draft,
    address: u16,
    owners: &[&Thing<'_>],
    output: Option<OutputRef>,
) -> Finding {
    let line = |span: Span| draft.file.line(span.start);
    let decoder = output.and_then(|output| {
        let decoder = draft.decoders.get(output.decoder)?;
        Some(format!(
            "output {} of {} (address {address})",
            output.number, decoder.id.value
        ))
    });
    let code = match decoder {
        Some(_) => Code::OutputUsedTwice,
        None => Code::AddressUsedTwice,
    };
    let named = owners
        .iter()
        .map(|owner| format!("{} (line {})", owner.id.value, line(owner.wiring.span)));
    let subjects: Vec<_> = owners.iter().map(|owner| owner.id.value.clone()).collect();
    let what = decoder.unwrap_or_else(|| format!("address {address}"));
    let message = format!("{what} is used by {}", and_more(named));
    let silent: Vec<_> = owners
        .iter()
        .filter(|owner| !owner.shares_address)
        .collect();
    let mend = if silent.len() < owners.len() {
        let ids = and_more(silent.iter().map(|owner| owner.id.value.to_string()));
        format!("write shares_address = true for {ids} too, or use another address")
    } else {
        "give each its own address; if they are meant to move together, as the ends of a \
         crossover, write shares_address = true for each"
            .to_owned()
    };
    let mut spans = owners
        .iter()
        .map(|owner| (owner.wiring.span, &owner.id.value));
    let first = spans.next();
    let at = spans
        .next()
        .or(first)
        .map_or(Span { start: 0, end: 0 }, |(span, _)| span);
    let others = first.map(|(at, id)| Mark {
        at,
        label: format!("{id} has it here"),
    });
    Finding {
        code,
        subjects,
        at,
        line: line(at),
        others: others.into_iter().collect(),
        message,
        mend,
        figures: Vec::new(),
    }
}

/// How many of a list are named.
const NAMED: usize = 4;

/// `a, b and c`, and the number of the rest where there are many.
pub(crate) fn and_more(items: impl ExactSizeIterator<Item = String>) -> String {
    let count = items.len();
    let shown = if count > NAMED { NAMED - 1 } else { count };
    let mut text = String::new();
    for (index, item) in items.take(shown).enumerate() {
        if index > 0 {
            text.push_str(if index + 1 == count { " and " } else { ", " });
        }
        text.push_str(&item);
    }
    if count > shown {
        text.push_str(" and ");
        text.push_str(&(count - shown).to_string());
        text.push_str(" more");
    }
    text
}
