//! Addresses that may reach more, or something else, than the plan says.

use std::collections::BTreeMap;

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering};

use crate::plan::PacketFormat;
use crate::plan::draft::Draft;
use crate::plan::finding::{Code, Finding};
use crate::plan::sound::{Resolution, Thing, and_more};
use crate::toml_reader::Mark;

/// An address that something of the plan has.
struct Use<'a> {
    thing: Thing<'a>,
    address: KeyedAddress,
}

pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    let uses = uses(draft, resolution);
    reserved(draft, &uses, findings);
    numbering(draft, &uses, findings);
    both_formats(draft, &uses, findings);
    unshared(draft, &uses, findings);
}

fn uses<'a>(draft: &'a Draft, resolution: &Resolution) -> Vec<Use<'a>> {
    let reached = draft.things().zip(&resolution.things);
    let uses = reached.flat_map(|(thing, reached)| {
        let first = reached.address.map(KeyedAddress::get);
        let addresses = first.map(|first| first..first + u16::from(thing.addresses));
        let addresses = addresses.into_iter().flatten();
        addresses.filter_map(move |address| {
            Some(Use {
                thing,
                address: KeyedAddress::new(address).ok()?,
            })
        })
    });
    uses.collect()
}

/// Finds addresses whose packets are obeyed by every decoder.
fn reserved(draft: &Draft, uses: &[Use<'_>], findings: &mut Vec<Finding>) {
    for found in uses {
        let binary = found.address.binary(draft.layout.numbering);
        // clause: S-9.2.1 (July 2012): the basic broadcast is decoder address 511 with any
        // output, the extended one is the last of its four alone.
        let broadcast = match found.thing.format {
            PacketFormat::Basic => binary.is_broadcast(),
            PacketFormat::Extended => binary == BinaryAddress::MAX,
        };
        if !broadcast {
            continue;
        }
        let id = &found.thing.id.value;
        let keyed = found.address;
        let (code, what) = if binary == BinaryAddress::MAX {
            (
                Code::EmergencyStopAddress,
                "the emergency stop of accessories",
            )
        } else {
            (
                Code::BroadcastAddress,
                "a broadcast to all accessory decoders",
            )
        };
        let message = format!("address {keyed} of {id} is {what}");
        let mend = "move it to another address; until then it is thrown only when you say so";
        findings.push(one(draft, code, &found.thing, message, mend.to_owned()));
    }
}

/// Finds addresses that linear and non-linear stations send differently.
fn numbering(draft: &Draft, uses: &[Use<'_>], findings: &mut Vec<Finding>) {
    // A layout numbered from zero differs everywhere, and its owner knows that.
    if draft.layout.numbering == Numbering::FromZero {
        return;
    }
    let mut groups: BTreeMap<u16, Vec<&Use<'_>>> = BTreeMap::new();
    for found in uses
        .iter()
        .filter(|found| found.address.depends_on_numbering())
    {
        groups
            .entry((found.address.get() - 1) / 4)
            .or_default()
            .push(found);
    }
    for group in groups.into_values() {
        let Some(first) = group.first() else {
            continue;
        };
        let named: Vec<_> = group
            .iter()
            .map(|found| format!("{} ({})", found.address, found.thing.id.value))
            .collect();
        let plural = if named.len() == 1 {
            "address"
        } else {
            "addresses"
        };
        let message = format!(
            "{plural} {}: what is on the rails depends on how the station numbers",
            and_more(named.into_iter())
        );
        let mend = format!(
            "use other addresses, or make sure that the station's numbering is {}, as the plan says",
            draft.layout.numbering
        );
        let mut finding = one(draft, Code::NumberingDependent, &first.thing, message, mend);
        finding.subjects = group
            .iter()
            .map(|found| found.thing.id.value.clone())
            .collect();
        finding.subjects.dedup();
        findings.push(finding);
    }
}

/// Finds addresses at which there is both a basic and an extended thing.
fn both_formats(draft: &Draft, uses: &[Use<'_>], findings: &mut Vec<Finding>) {
    let by_format = |format| {
        let uses = uses
            .iter()
            .filter(move |found| found.thing.format == format);
        uses.map(|found| (found.address, found))
            .collect::<BTreeMap<_, _>>()
    };
    let extended = by_format(PacketFormat::Extended);
    for (address, basic) in by_format(PacketFormat::Basic) {
        let Some(other) = extended.get(&address) else {
            continue;
        };
        let (basic, other) = (&basic.thing, &other.thing);
        let message = format!(
            "address {address} is both {} by basic packets and {} by extended ones",
            basic.id.value, other.id.value
        );
        let mend = "give one of them an address of its own".to_owned();
        let mut finding = one(draft, Code::BothFormats, other, message, mend);
        finding.subjects.insert(0, basic.id.value.clone());
        finding.others.push(Mark {
            at: basic.wiring.span,
            label: format!("{} has it here", basic.id.value),
        });
        findings.push(finding);
    }
}

/// Finds things that say they share their address and are alone at it.
fn unshared(draft: &Draft, uses: &[Use<'_>], findings: &mut Vec<Finding>) {
    let mut counts: BTreeMap<(bool, KeyedAddress), usize> = BTreeMap::new();
    let place = |found: &Use<'_>| (found.thing.format == PacketFormat::Basic, found.address);
    for found in uses {
        *counts.entry(place(found)).or_default() += 1;
    }
    for found in uses.iter().filter(|found| found.thing.shares_address) {
        if counts.get(&place(found)).is_some_and(|count| *count < 2) {
            let id = &found.thing.id.value;
            let message = format!("{id} says that it shares address {}, alone", found.address);
            let mend = "add the other end, or remove shares_address".to_owned();
            findings.push(one(draft, Code::NothingShared, &found.thing, message, mend));
        }
    }
}

fn one(draft: &Draft, code: Code, thing: &Thing<'_>, message: String, mend: String) -> Finding {
    let at = thing.wiring.span;
    Finding {
        code,
        subjects: vec![thing.id.value.clone()],
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message,
        mend,
        figures: Vec::new(),
    }
}
