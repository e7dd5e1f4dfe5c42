//! Whether a plan can be right: who is reached how, and what contradicts itself.

use std::collections::HashMap;

use throwproof_protocol::address::{KeyedAddress, PairBit};

use crate::textfile::Span;
use crate::toml_reader::{Located, nearest};

use super::draft::{Draft, DraftDecoder, DraftSignal, DraftTurnout, Wiring};
use super::finding::{Code, Finding};
use super::lamps::half_of;
use super::{Id, OutputRef, PacketFormat, SignalKind};

mod build;
mod doubles;
mod runs;

pub(crate) use build::build;
pub(crate) use doubles::and_more;

/// Who is reached how, as far as that can be told.
#[derive(Debug)]
pub(crate) struct Resolution {
    /// For each decoder of the draft.
    pub(crate) decoders: Vec<Fed>,
    /// For each turnout of the draft, then for each signal, then for each further drive of the
    /// turnouts that have several.
    pub(crate) things: Vec<Reached>,
}

/// What a decoder has by looking it up.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fed {
    /// Address of its first output, if its whole block is in range.
    pub(crate) first: Option<KeyedAddress>,
    /// Index of its supply.
    pub(crate) supply: Option<usize>,
    /// Index of the decoder at which its wire begins.
    pub(crate) from: Option<usize>,
}

/// How a turnout or signal is reached.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Reached {
    /// Its address, or the first of them.
    pub(crate) address: Option<KeyedAddress>,
    /// Its output, or the first of them.
    pub(crate) output: Option<OutputRef>,
}

/// A turnout or a signal, as far as addresses go.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Thing<'a> {
    pub(crate) id: &'a Located<Id>,
    pub(crate) wiring: &'a Wiring,
    pub(crate) format: PacketFormat,
    pub(crate) addresses: u8,
    /// The one half of its pair that it uses; `None` for what uses both.
    pub(crate) half: Option<PairBit>,
    pub(crate) shares_address: bool,
}

impl<'a> From<&'a DraftTurnout> for Thing<'a> {
    fn from(turnout: &'a DraftTurnout) -> Self {
        Self {
            id: &turnout.id,
            wiring: &turnout.wiring,
            format: turnout.format,
            addresses: 1,
            half: None,
            shares_address: turnout.shares_address,
        }
    }
}

impl<'a> From<&'a DraftSignal> for Thing<'a> {
    fn from(signal: &'a DraftSignal) -> Self {
        Self {
            id: &signal.id,
            wiring: &signal.wiring,
            format: match signal.kind {
                SignalKind::Extended => PacketFormat::Extended,
                SignalKind::Pairs => PacketFormat::Basic,
            },
            addresses: signal.addresses(),
            half: half_of(signal.sort, &signal.aspects),
            shares_address: signal.shares_address,
        }
    }
}

impl Draft {
    /// Every turnout, then every signal, then every further drive of the turnouts that have
    /// several.
    pub(crate) fn things(&self) -> impl Iterator<Item = Thing<'_>> {
        let turnouts = self.turnouts.iter().map(Thing::from);
        let signals = self.signals.iter().map(Thing::from);
        turnouts
            .chain(signals)
            .chain(self.further().map(|(_, thing)| thing))
    }

    /// Every further drive of the turnouts that have several, with its turnout.
    pub(crate) fn further(&self) -> impl Iterator<Item = (&DraftTurnout, Thing<'_>)> {
        self.turnouts.iter().flat_map(|turnout| {
            let further = turnout.joint.iter().flat_map(|joint| &joint.further);
            further.map(move |(wiring, _)| {
                let thing = Thing {
                    wiring,
                    ..Thing::from(turnout)
                };
                (turnout, thing)
            })
        })
    }

    /// The same drives, each with how it is reached.
    pub(crate) fn further_reached<'a>(
        &'a self,
        resolution: &'a Resolution,
    ) -> impl Iterator<Item = (&'a DraftTurnout, Thing<'a>, Reached)> {
        let before = self.turnouts.len() + self.signals.len();
        let reached = resolution.things.iter().skip(before);
        self.further()
            .zip(reached)
            .map(|((turnout, thing), reached)| (turnout, thing, *reached))
    }
}

/// Looks up every name and address; also every contradiction found, in the order of the file.
pub(super) fn resolve(draft: &Draft) -> (Resolution, Vec<Finding>) {
    let mut resolver = Resolver::new(draft);
    let decoders = draft
        .decoders
        .iter()
        .map(|decoder| resolver.feed(decoder))
        .collect();
    resolver.fed = decoders;
    resolver.wire_up();
    resolver.note_blocks();
    let things: Vec<_> = draft.things().map(|thing| resolver.reach(thing)).collect();
    let Resolver {
        fed, mut findings, ..
    } = resolver;
    doubles::find(draft, &things, &mut findings);
    findings.sort_by_key(|finding| finding.at.start);
    (
        Resolution {
            decoders: fed,
            things,
        },
        findings,
    )
}

struct Resolver<'a> {
    draft: &'a Draft,
    supplies: HashMap<&'a Id, usize>,
    decoders: HashMap<&'a Id, usize>,
    fed: Vec<Fed>,
    /// Which decoder answers to an address, by format; the first one, where several do.
    owners: HashMap<(PacketFormat, u16), usize>,
    findings: Vec<Finding>,
}

impl<'a> Resolver<'a> {
    fn new(draft: &'a Draft) -> Self {
        let supplies = draft.supplies.iter().enumerate();
        let decoders = draft.decoders.iter().enumerate();
        Self {
            draft,
            supplies: supplies
                .map(|(index, supply)| (&supply.id, index))
                .collect(),
            decoders: decoders
                .map(|(index, decoder)| (&decoder.id.value, index))
                .collect(),
            fed: Vec::new(),
            owners: HashMap::new(),
            findings: Vec::new(),
        }
    }

    fn find(&mut self, code: Code, id: &Id, at: Span, message: String, mend: String) {
        self.findings.push(Finding {
            code,
            subjects: vec![id.clone()],
            at,
            line: self.draft.file.line(at.start),
            others: Vec::new(),
            message,
            mend,
            figures: Vec::new(),
        });
    }

    fn feed(&mut self, decoder: &'a DraftDecoder) -> Fed {
        let id = &decoder.id.value;
        let supply = decoder.supply.as_ref().and_then(|name| {
            let index = self.supplies.get(&name.value).copied();
            if index.is_none() {
                let known = self.draft.supplies.iter().map(|supply| supply.id.as_str());
                let near = nearest(name.value.as_str(), known).map(str::to_owned);
                let mend = near.map_or_else(
                    || format!("add [supply.{}], or leave `supply` away", name.value),
                    |near| format!("did you mean \"{near}\"? Or add [supply.{}]", name.value),
                );
                let message = format!("{id} is fed from {}, which is not in the plan", name.value);
                self.find(Code::UnknownSupply, id, name.span, message, mend);
            }
            index
        });
        let Located {
            value: number,
            span,
        } = decoder.first_address;
        let first = in_range(number, decoder.outputs);
        if first.is_none() {
            let last = number.saturating_add(i64::from(decoder.outputs) - 1);
            let message = format!(
                "{id} would have the addresses {number} to {last}, and they run from 1 to 2048"
            );
            let highest = 2049 - u16::from(decoder.outputs);
            let mend = format!("give it a first address from 1 to {highest}");
            self.find(Code::AddressOutOfRange, id, span, message, mend);
        }
        Fed {
            first,
            supply,
            from: None,
        }
    }

    fn note_blocks(&mut self) {
        for (index, (decoder, fed)) in self.draft.decoders.iter().zip(&self.fed).enumerate() {
            let Some(first) = fed.first.map(KeyedAddress::get) else {
                continue;
            };
            for address in first..first + u16::from(decoder.outputs) {
                self.owners
                    .entry((decoder.format, address))
                    .or_insert(index);
            }
        }
    }

    fn reach(&mut self, thing: Thing<'a>) -> Reached {
        let id = &thing.id.value;
        let given = thing.wiring.address.and_then(|address| {
            let keyed = in_range(address.value, thing.addresses);
            if keyed.is_none() {
                let message = match thing.addresses {
                    1 => format!("{id} has the address {}", address.value),
                    count => format!("{id} takes {count} addresses from {}", address.value),
                };
                let message = message + ", and addresses run from 1 to 2048";
                let mend = "use an address from 1 to 2048";
                let mend = mend.to_owned();
                self.find(Code::AddressOutOfRange, id, address.span, message, mend);
            }
            keyed
        });
        let Some((decoder, number)) = &thing.wiring.output else {
            return self.reach_by_address(thing, given);
        };
        let Some(output) = self.output(thing, decoder, *number) else {
            return Reached::default();
        };
        let first = self.fed.get(output.decoder).and_then(|fed| fed.first);
        let address = first
            .map(KeyedAddress::get)
            .map(|first| first + u16::from(output.number) - 1);
        let address = address.and_then(|address| KeyedAddress::new(address).ok());
        if let (Some(given), Some(address), Some(at)) = (given, address, thing.wiring.address)
            && given != address
        {
            let message = format!(
                "{id} has the address {given}, and output {} of {} has {address}",
                output.number, decoder.value
            );
            let mend = format!("write address = {address}, or leave `address` away");
            self.find(Code::AddressDisagrees, id, at.span, message, mend);
            return Reached::default();
        }
        Reached {
            address,
            output: Some(output),
        }
    }

    fn reach_by_address(&self, thing: Thing<'_>, address: Option<KeyedAddress>) -> Reached {
        let output = address.and_then(|address| {
            let decoder = *self.owners.get(&(thing.format, address.get()))?;
            let first = self.fed.get(decoder)?.first?;
            let number = u8::try_from(address.get() - first.get() + 1).ok()?;
            Some(OutputRef { decoder, number })
        });
        Reached { address, output }
    }

    fn output(
        &mut self,
        thing: Thing<'_>,
        name: &Located<Id>,
        number: Located<i64>,
    ) -> Option<OutputRef> {
        let id = &thing.id.value;
        let Some(index) = self.decoders.get(&name.value).copied() else {
            let known = self
                .draft
                .decoders
                .iter()
                .map(|decoder| decoder.id.value.as_str());
            let near = nearest(name.value.as_str(), known).map(str::to_owned);
            let mend = near.map_or_else(
                || format!("add [decoder.{}], or give `address` alone", name.value),
                |near| format!("did you mean \"{near}\"? Or add [decoder.{}]", name.value),
            );
            let message = format!(
                "{id} is on decoder {}, which is not in the plan",
                name.value
            );
            self.find(Code::UnknownDecoder, id, name.span, message, mend);
            return None;
        };
        let decoder = self.draft.decoders.get(index)?;
        let last = number.value.saturating_add(i64::from(thing.addresses) - 1);
        if number.value < 1 || last > i64::from(decoder.outputs) {
            let which = match thing.addresses {
                1 => format!("output {}", number.value),
                _ => format!("outputs {} to {last}", number.value),
            };
            let message = format!(
                "{id} is on {which} of {}, which has {}",
                name.value,
                outputs(decoder.outputs)
            );
            let mend = format!("use an output it has, or mend `outputs` of {}", name.value);
            self.find(Code::NoSuchOutput, id, number.span, message, mend);
            return None;
        }
        if decoder.format != thing.format {
            let (needs, obeys) = (format_name(thing.format), format_name(decoder.format));
            let message = format!(
                "{id} needs {needs} packets, and {} obeys {obeys} ones only",
                name.value
            );
            let mend = format!(
                "put it on a decoder with format = \"{needs}\", or mend `format` of {}",
                name.value
            );
            self.find(Code::WrongFormat, id, name.span, message, mend);
            return None;
        }
        let number = u8::try_from(number.value).ok()?;
        Some(OutputRef {
            decoder: index,
            number,
        })
    }
}

/// The first address of a block, if the whole block is in range.
fn in_range(first: i64, count: u8) -> Option<KeyedAddress> {
    let first = u16::try_from(first).ok()?;
    let last = first.checked_add(u16::from(count).saturating_sub(1))?;
    KeyedAddress::new(last).ok()?;
    KeyedAddress::new(first).ok()
}

fn outputs(count: u8) -> String {
    match count {
        1 => "one output".to_owned(),
        count => format!("outputs 1 to {count}"),
    }
}

fn format_name(format: PacketFormat) -> &'static str {
    match format {
        PacketFormat::Basic => "basic",
        PacketFormat::Extended => "extended",
    }
}
