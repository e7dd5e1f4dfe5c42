//! From what is arranged to a proposal: names, supplies, and what to mind.

use throwproof_protocol::address::KeyedAddress;

use crate::plan::draft::{Draft, DraftTurnout};
use crate::plan::sound::and_more;
use crate::plan::{Drive, Id, Sort};

use super::super::supply::{self, Load};
use super::super::{Given, Left, NewDecoder, Proposal};
use super::{Arranger, Target};

impl Arranger<'_> {
    /// What is proposed.
    pub(super) fn finish(mut self) -> Proposal {
        let names = names(self.draft, self.added.len());
        let mut dropped = Vec::new();
        for (index, demand) in self.demands.iter().enumerate() {
            let decoder = match self.targets.get(index).copied().flatten() {
                Some(Target::Known(decoder, _)) => {
                    let decoder = self.draft.decoders.get(decoder);
                    decoder.map(|decoder| decoder.id.value.clone())
                }
                Some(Target::New(number)) => names.get(number).cloned(),
                None => continue,
            };
            let Some(((address, output), decoder)) = self.reached(index).zip(decoder) else {
                dropped.push(index);
                continue;
            };
            for member in &demand.members {
                let entries = self.line.entries.iter();
                let entry = entries.clone().find(|entry| entry.thing == member.thing);
                let address = KeyedAddress::new(address + u16::from(member.offset)).ok();
                let turnouts = self.draft.turnouts.len();
                self.proposal
                    .given
                    .extend(entry.zip(address).map(|(entry, address)| Given {
                        id: entry.id.clone(),
                        is_signal: member.thing >= turnouts,
                        place: entry.place.to_owned(),
                        decoder: decoder.clone(),
                        output: output + member.offset,
                        outputs: member.width,
                        address,
                        index: member.thing.checked_sub(turnouts).unwrap_or(member.thing),
                    }));
            }
        }
        for index in dropped {
            self.no_addresses(index);
        }
        self.proposal
            .given
            .sort_by_key(|given| (given.is_signal, given.index));
        self.name_added(&names);
        self.remark();
        self.proposal
    }

    fn no_addresses(&mut self, index: usize) {
        let members = self.of(index).map(|demand| demand.members.clone());
        for member in members.unwrap_or_default() {
            let mut entries = self.line.entries.iter();
            let entry = entries.find(|entry| entry.thing == member.thing);
            self.proposal.left.extend(entry.map(|entry| Left {
                id: entry.id.clone(),
                reason: "no block of addresses is left for a decoder to add".to_owned(),
                mend: "take fewer --outputs, or a smaller --spare".to_owned(),
            }));
        }
    }

    /// Says what decoders are to be added, and what feeds them.
    fn name_added(&mut self, names: &[Id]) {
        let places = self.rooms.places.clone();
        for (added, id) in self.added.iter().zip(names) {
            let Some(first_address) = added.first else {
                continue;
            };
            let demands = added
                .demands
                .iter()
                .filter_map(|one| self.demands.get(*one));
            let demands: Vec<_> = demands.collect();
            let mut served: Vec<u16> = demands.iter().map(|demand| demand.place).collect();
            served.sort_unstable();
            served.dedup();
            let used: u8 = demands.iter().map(|demand| demand.width).sum();
            let like = added.like.and_then(|like| {
                let decoder = self.draft.decoders.get(like)?;
                let fed = self.resolution.decoders.get(like)?;
                Some((decoder, fed.supply))
            });
            let load = Load {
                steady: demands.iter().map(|demand| demand.steady).sum(),
                peak: demands.iter().map(|demand| demand.peak).max().unwrap_or(0),
                kind: added.class.kind_to_add(),
                places: &served,
                idle: like.and_then(|(decoder, _)| decoder.idle_amps),
                wanted: like.and_then(|(_, supply)| supply),
            };
            let supply = supply::choose(
                self.draft,
                &self.resolution,
                &mut self.margins,
                load,
                &places,
            );
            if supply.is_none() && !self.draft.supplies.is_empty() {
                self.proposal.remarks.push(no_supply(id, load));
            }
            let places = served.iter();
            let places = places.filter_map(|place| self.line.places.get(usize::from(*place)));
            let places = places.filter(|place| !place.is_empty());
            self.proposal.decoders.push(NewDecoder {
                id: id.clone(),
                outputs: added.outputs,
                first_address,
                output_kind: load.kind,
                format: added.class.format,
                supply: supply
                    .and_then(|supply| self.draft.supplies.get(supply))
                    .map(|supply| supply.id.clone()),
                like: like.map(|(decoder, _)| decoder.id.value.clone()),
                places: places.map(|place| (*place).to_owned()).collect(),
                free: added.outputs - used,
            });
        }
    }

    fn remark(&mut self) {
        let given = &self.proposal.given;
        let turnouts = given.iter().filter(|given| !given.is_signal);
        let turnouts: Vec<_> = turnouts
            .filter_map(|given| self.draft.turnouts.get(given.index))
            .collect();
        let names = |of: &dyn Fn(&&&DraftTurnout) -> bool| {
            let ids = turnouts
                .iter()
                .filter(of)
                .map(|one| one.id.value.to_string());
            ids.collect::<Vec<_>>()
        };
        let warm = names(&|one| one.drive == Drive::MemoryWire);
        let unknown = names(&|one| one.amps.is_none());
        let mut remarks = Vec::new();
        if !warm.is_empty() {
            remarks.push(format!(
                "{}: a memory wire wants an output that limits its current",
                and_more(warm.into_iter())
            ));
        }
        if !unknown.is_empty() && !self.draft.supplies.is_empty() {
            remarks.push(format!(
                "{}: the plan does not say what it draws (`amps`), so that no supply limit holds \
                 for it",
                and_more(unknown.into_iter())
            ));
        }
        let signals = given.iter().filter(|given| given.is_signal);
        let signals = signals.filter_map(|given| self.draft.signals.get(given.index));
        let held = signals.filter(|signal| signal.sort == Sort::Uncoupler);
        let held: Vec<_> = held.map(|signal| signal.id.value.to_string()).collect();
        if !held.is_empty() {
            remarks.push(format!(
                "{}: an uncoupler must not stay on: look at what its decoder does",
                and_more(held.into_iter())
            ));
        }
        self.proposal.remarks.extend(remarks);
    }
}

fn no_supply(id: &Id, load: Load<'_>) -> String {
    let amperes = |milli: u32| f64::from(milli) / 1000.0;
    format!(
        "{id} needs a supply: none of the plan can give it {} A all the time and {} A for a throw \
         (80 % of what a supply is rated for is used all the time); write [supply.ID] and \
         supply = \"ID\"",
        amperes(load.steady + 30),
        amperes(load.peak)
    )
}

/// Ids for decoders to add: as those of the plan are counted on.
fn names(draft: &Draft, count: usize) -> Vec<Id> {
    let taken = |id: &str| {
        let mut decoders = draft.decoders.iter();
        decoders.any(|decoder| decoder.id.value.as_str() == id)
    };
    let mut counted: Vec<(&str, u32)> = Vec::new();
    for decoder in &draft.decoders {
        let id = decoder.id.value.as_str();
        let stem = id.trim_end_matches(|c: char| c.is_ascii_digit());
        let number = id.strip_prefix(stem).and_then(|digits| digits.parse().ok());
        counted.extend(number.map(|number| (stem, number)));
    }
    let stem = counted.last().map_or("D", |(stem, _)| *stem);
    let of_stem = counted.iter().filter(|(other, _)| *other == stem);
    let highest = of_stem.map(|(_, number)| *number).max().unwrap_or(0);
    let ids = (highest.saturating_add(1)..)
        .map(|number| format!("{stem}{number}"))
        .filter(|id| !taken(id));
    ids.take(count).map(|id| Id::new(&id)).collect()
}
