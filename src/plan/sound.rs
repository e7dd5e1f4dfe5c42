//! Whether a plan can be right: who is reached how, and what contradicts itself.

use std::collections::HashMap;

use throwproof_protocol::address::KeyedAddress;

use crate::textfile::Span;
use crate::toml_reader::{Located, Mark, nearest};

use super::draft::{Draft, DraftDecoder, DraftSignal, DraftTurnout, Wiring};
use super::finding::{Code, Finding};
use super::{Decoder, Id, OutputRef, PacketFormat, Plan, Signal, SignalKind, Turnout};

/// Who is reached how, as far as that can be told.
#[derive(Debug)]
pub(crate) struct Resolution {
    /// For each decoder of the draft.
    pub(crate) decoders: Vec<Fed>,
    /// For each turnout of the draft, then for each signal.
    pub(crate) things: Vec<Reached>,
}

/// What a decoder has by looking it up.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fed {
    /// Address of its first output, if its whole block is in range.
    pub(crate) first: Option<KeyedAddress>,
    /// Index of its supply.
    pub(crate) supply: Option<usize>,
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
    pub(crate) shares_address: bool,
}

impl<'a> From<&'a DraftTurnout> for Thing<'a> {
    fn from(turnout: &'a DraftTurnout) -> Self {
        Self {
            id: &turnout.id,
            wiring: &turnout.wiring,
            format: PacketFormat::Basic,
            addresses: 1,
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
            shares_address: signal.shares_address,
        }
    }
}

impl Draft {
    /// Every turnout, then every signal.
    pub(crate) fn things(&self) -> impl Iterator<Item = Thing<'_>> {
        let turnouts = self.turnouts.iter().map(Thing::from);
        turnouts.chain(self.signals.iter().map(Thing::from))
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
    resolver.note_blocks();
    let things: Vec<_> = draft.things().map(|thing| resolver.reach(thing)).collect();
    resolver.find_doubles(&things);
    let Resolver {
        fed, mut findings, ..
    } = resolver;
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
        Fed { first, supply }
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

    /// Things that would be thrown by one command without saying that they mean it.
    fn find_doubles(&mut self, reached: &[Reached]) {
        let mut users: HashMap<(PacketFormat, u16), Vec<usize>> = HashMap::new();
        let things: Vec<_> = self.draft.things().collect();
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
            if owners.iter().all(|owner| owner.shares_address) || told.contains(&users) {
                continue;
            }
            let output = |user: &usize| reached.get(*user).and_then(|reached| reached.output);
            // Things of one address each have one output; of several, only the address tells.
            let single = owners.iter().all(|owner| owner.addresses == 1);
            let first = users.first().and_then(output);
            let same = single && first.is_some() && users.iter().all(|user| output(user) == first);
            let finding = self.double(address, &owners, first.filter(|_| same));
            self.findings.push(finding);
            told.push(users);
        }
    }

    fn double(&self, address: u16, owners: &[&Thing<'_>], output: Option<OutputRef>) -> Finding {
        let line = |span: Span| self.draft.file.line(span.start);
        let decoder = output.and_then(|output| {
            let decoder = self.draft.decoders.get(output.decoder)?;
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
        }
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

/// The plan of a draft without contradictions.
pub(super) fn build(draft: Draft, resolution: &Resolution) -> Plan {
    let Draft {
        file,
        layout,
        supplies,
        decoders,
        turnouts,
        signals,
    } = draft;
    let line = |span: Span| file.line(span.start);
    let mut things = resolution.things.iter().copied();
    let decoders = decoders
        .into_iter()
        .zip(&resolution.decoders)
        .filter_map(|(decoder, fed)| {
            Some(Decoder {
                id: decoder.id.value,
                outputs: decoder.outputs,
                first_address: fed.first?,
                supply: fed.supply,
                output_kind: decoder.output_kind,
                pulse_ms: decoder.pulse_ms,
                max_output_amps: decoder.max_output_amps,
                learns: decoder.learns,
                format: decoder.format,
                place: decoder.place,
                block_start: decoder.block_start,
                line: line(decoder.span),
            })
        });
    let decoders = decoders.collect();
    let turnouts = turnouts
        .into_iter()
        .zip(things.by_ref())
        .filter_map(|(turnout, reached)| {
            Some(Turnout {
                id: turnout.id.value,
                place: turnout.place,
                shape: turnout.shape,
                address: reached.address?,
                output: reached.output,
                drive: turnout.drive,
                drives: turnout.drives,
                straight_bit: turnout.straight_bit,
                amps: turnout.amps,
                position_reports: turnout.position_reports,
                rest: turnout.rest,
                shares_address: turnout.shares_address,
                line: line(turnout.span),
            })
        });
    let turnouts = turnouts.collect();
    let signals = signals
        .into_iter()
        .zip(things)
        .filter_map(|(signal, reached)| {
            Some(Signal {
                id: signal.id.value,
                place: signal.place,
                address: reached.address?,
                kind: signal.kind,
                output: reached.output,
                aspects: signal.aspects,
                line: line(signal.span),
            })
        });
    let signals = signals.collect();
    let source = file.path().to_owned();
    Plan {
        source,
        layout,
        supplies,
        decoders,
        turnouts,
        signals,
    }
}
