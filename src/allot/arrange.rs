//! From demands to a proposal: class by class onto decoders, then names and addresses.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashMap};

use throwproof_protocol::address::KeyedAddress;

use crate::plan::BlockStart;
use crate::plan::draft::{Draft, DraftDecoder};
use crate::plan::sound::Resolution;

use super::address::Numbers;
use super::demand::{Class, Demand, Line, milliamperes};
use super::pack::{Item, NewBox, Packing, Slot, Task};
use super::room::{self, Rooms};
use super::supply;
use super::{AllotError, Left, Options, Proposal, bound};

mod finish;

/// How many ways to arrange things are followed at a time; more where it is not known from fewer
/// that no decoder less can do.
const WAYS: [usize; 2] = [400, 8000];

/// Where a demand goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Target {
    /// A decoder of the plan, and the first output.
    Known(usize, u8),
    /// A decoder to add, by number.
    New(usize),
}

/// A decoder to add, before it has a name.
#[derive(Debug, Clone)]
struct Added {
    class: Class,
    /// The demands on it, by number, in the order of the file.
    demands: Vec<usize>,
    outputs: u8,
    like: Option<usize>,
    first: Option<KeyedAddress>,
}

/// What is worked on.
struct Arranger<'a> {
    draft: &'a Draft,
    options: &'a Options,
    resolution: Resolution,
    line: Line<'a>,
    like: Option<usize>,
    numbers: Numbers,
    rooms: Rooms,
    margins: Vec<u32>,
    demands: Vec<Demand>,
    targets: Vec<Option<Target>>,
    added: Vec<Added>,
    proposal: Proposal,
}

pub(super) fn propose(draft: &Draft, options: &Options) -> Result<Proposal, AllotError> {
    let mut arranger = Arranger::new(draft, options)?;
    let mut classes: Vec<Class> = Vec::new();
    for demand in &arranger.demands {
        if !classes.contains(&demand.class) {
            classes.push(demand.class);
        }
    }
    for class in classes {
        arranger.place(class)?;
    }
    arranger.settle_added();
    arranger.in_order();
    Ok(arranger.finish())
}

impl<'a> Arranger<'a> {
    fn new(draft: &'a Draft, options: &'a Options) -> Result<Self, AllotError> {
        let (resolution, _) = draft.resolve();
        let wanted = options.like.as_ref().map(|id| {
            let mut decoders = draft.decoders.iter();
            let found = decoders.position(|decoder| decoder.id.value == *id);
            found.ok_or_else(|| AllotError::NoSuchDecoder(id.clone()))
        });
        let wanted = wanted.transpose()?;
        let line = Line::of(draft);
        let (demands, left) = line.demands();
        let places = room::places(draft, &resolution, &line);
        let first_places: Vec<_> = places
            .iter()
            .map(|places| places.first().copied())
            .collect();
        let of_things = line.entries.iter();
        let of_things = of_things.filter_map(|entry| Some((entry.id, line.place(entry.place)?)));
        let of_things: HashMap<_, _> = of_things.collect();
        let numbers = Numbers::of(draft, &resolution, &first_places, &of_things);
        let rooms = Rooms::of(draft, &resolution, &line, &numbers, places);
        let margins = supply::margins(draft, &resolution, &line);
        Ok(Self {
            draft,
            options,
            like: wanted,
            numbers,
            rooms,
            margins,
            targets: vec![None; demands.len()],
            demands,
            added: Vec::new(),
            proposal: Proposal {
                left,
                ..Proposal::default()
            },
            resolution,
            line,
        })
    }

    /// The decoder that one added for a class is like.
    fn template(&self, class: Class) -> Option<(usize, &'a DraftDecoder)> {
        let index = self.like?;
        let decoder = self.draft.decoders.get(index)?;
        let fits = decoder.output_kind == class.kind_to_add() && decoder.format == class.format;
        fits.then_some((index, decoder))
    }

    /// Finds outputs for everything of a class.
    fn place(&mut self, class: Class) -> Result<(), AllotError> {
        let spare = self.options.spare;
        let template = self.template(class);
        let outputs = template.map_or(self.options.outputs, |(_, decoder)| decoder.outputs);
        if spare >= outputs {
            return Err(AllotError::AllSpare { outputs, spare });
        }
        let limit = |amps: Option<f64>| amps.map_or(u32::MAX, milliamperes);
        let (most, total) = template.map_or((None, None), |(_, decoder)| {
            (decoder.max_output_amps, decoder.max_total_amps)
        });
        let mut order: Vec<usize> = (0..self.demands.len()).collect();
        order.retain(|index| self.of(*index).is_some_and(|demand| demand.class == class));
        order.sort_by_key(|index| {
            let demand = self.of(*index);
            demand.map(|one| {
                (
                    one.place,
                    Reverse((one.width, one.steady, one.peak)),
                    one.order,
                )
            })
        });
        let items = order.iter().filter_map(|index| self.of(*index));
        let items = items.map(|demand| Item {
            place: demand.place,
            width: demand.width,
            steady: demand.steady,
            peak: demand.peak,
        });
        let (decoders, shelves): (Vec<_>, Vec<_>) = self
            .rooms
            .shelves(self.draft, &self.resolution, class, spare)
            .into_iter()
            .unzip();
        let task = Task {
            items: items.collect(),
            shelves,
            new: NewBox {
                capacity: outputs - spare,
                steady: limit(total),
                peak: limit(most).min(limit(total)),
            },
            reach: self.options.reach.max(1),
            supplies: self.margins.clone(),
        };
        let (packing, at_least) = solve(&task);
        self.proposal.at_least += at_least;
        self.take(class, outputs, &order, &decoders, &packing);
        Ok(())
    }

    fn of(&self, index: usize) -> Option<&Demand> {
        self.demands.get(index)
    }

    /// Takes what a packing says.
    fn take(
        &mut self,
        class: Class,
        outputs: u8,
        order: &[usize],
        decoders: &[usize],
        packing: &Packing,
    ) {
        let before = self.added.len();
        let like = self.template(class).map(|(index, _)| index);
        self.added.extend((0..packing.cost.new).map(|_| Added {
            class,
            demands: Vec::new(),
            outputs,
            like,
            first: None,
        }));
        for (index, slot) in order.iter().zip(&packing.slots) {
            let Some(demand) = self.demands.get(*index) else {
                continue;
            };
            let target = match *slot {
                Slot::Shelf(on, output) => decoders.get(on).map(|decoder| {
                    let (place, steady) = (demand.place, demand.steady);
                    self.rooms
                        .take(*decoder, output, demand.width, place, steady);
                    let fed = self.resolution.decoders.get(*decoder);
                    let margin = fed.and_then(|fed| fed.supply);
                    if let Some(margin) = margin.and_then(|one| self.margins.get_mut(one)) {
                        *margin = margin.saturating_sub(steady);
                    }
                    Target::Known(*decoder, output)
                }),
                Slot::New(number) => Some(Target::New(before + number)),
                Slot::None => None,
            };
            if target.is_none() {
                self.leave(*index);
            }
            if let Some(place) = self.targets.get_mut(*index) {
                *place = target;
            }
        }
    }

    /// Says why a demand gets nothing.
    fn leave(&mut self, index: usize) {
        let Some(demand) = self.demands.get(index) else {
            return;
        };
        let template = self.template(demand.class).map(|(_, decoder)| decoder);
        let outputs = template.map_or(self.options.outputs, |decoder| decoder.outputs);
        let most = template.and_then(|decoder| decoder.max_output_amps);
        let (reason, mend) = if demand.width > outputs.saturating_sub(self.options.spare) {
            (
                format!(
                    "it takes {} outputs side by side, and {outputs} with {} kept free are fewer",
                    demand.width, self.options.spare
                ),
                "take more --outputs, or a smaller --spare".to_owned(),
            )
        } else {
            let most = most.map_or_else(String::new, |amps| format!(" ({amps} A)"));
            (
                format!("it draws more than a decoder as --like says may carry{most}"),
                "name another decoder with --like, or leave --like away".to_owned(),
            )
        };
        for thing in demand.members.iter().map(|member| member.thing) {
            let entry = self.line.entries.iter().find(|entry| entry.thing == thing);
            self.proposal.left.extend(entry.map(|entry| Left {
                id: entry.id.clone(),
                reason: reason.clone(),
                mend: mend.clone(),
            }));
        }
    }

    /// Puts the decoders to add in the order of the layout, and gives each its addresses.
    fn settle_added(&mut self) {
        self.collect();
        let mut order: Vec<usize> = (0..self.added.len()).collect();
        let begin = |added: &Added| added.demands.first().and_then(|index| self.of(*index));
        order.sort_by_key(|index| {
            let first = self.added.get(*index).and_then(begin);
            first.map(|demand| (demand.place, demand.order))
        });
        let added: Vec<_> = order
            .iter()
            .filter_map(|index| self.added.get(*index).cloned())
            .collect();
        for target in self.targets.iter_mut().flatten() {
            if let Target::New(number) = target {
                *number = order
                    .iter()
                    .position(|old| *old == *number)
                    .unwrap_or(*number);
            }
        }
        self.added = added;
        for index in 0..self.added.len() {
            self.address(index);
        }
    }

    fn address(&mut self, index: usize) {
        let Some(added) = self.added.get(index) else {
            return;
        };
        let first = added.demands.first().and_then(|index| self.of(*index));
        let place = first.map_or(0, |demand| demand.place);
        let like = added.like.and_then(|like| self.draft.decoders.get(like));
        let rule = like.map_or(BlockStart::EveryFourth, |decoder| decoder.block_start);
        let first = self.numbers.take(place, added.outputs, rule);
        if let Some(added) = self.added.get_mut(index) {
            added.first = first;
        }
    }

    /// Notes for each decoder to add what is on it, in the order of the file.
    fn collect(&mut self) {
        for added in &mut self.added {
            added.demands.clear();
        }
        for (index, target) in self.targets.iter().enumerate() {
            if let Some(Target::New(number)) = target
                && let Some(added) = self.added.get_mut(*number)
            {
                added.demands.push(index);
            }
        }
        for added in &mut self.added {
            let order = |index: &usize| self.demands.get(*index).map(|demand| demand.order);
            added.demands.sort_by_key(order);
        }
    }

    /// The address of the first output of a demand, and the output.
    fn reached(&self, index: usize) -> Option<(u16, u8)> {
        match self.targets.get(index).copied().flatten()? {
            Target::Known(decoder, output) => {
                let first = self.resolution.decoders.get(decoder)?.first?;
                Some((first.get() + u16::from(output) - 1, output))
            }
            Target::New(number) => {
                let added = self.added.get(number)?;
                let before = added.demands.iter().take_while(|one| **one != index);
                let before = before.filter_map(|one| self.of(*one));
                let before: u8 = before.map(|demand| demand.width).sum();
                Some((added.first?.get() + u16::from(before), before + 1))
            }
        }
    }

    /// Lets addresses follow the order of the file among what is alike.
    fn in_order(&mut self) {
        let mut alike: BTreeMap<_, Vec<usize>> = BTreeMap::new();
        for (index, demand) in self.demands.iter().enumerate() {
            let class = (demand.class.kind_to_add() as u8, demand.class.format as u8);
            let load = (demand.width, demand.steady, demand.peak);
            if self.targets.get(index).is_some_and(Option::is_some) {
                let key = (class, demand.place, load);
                alike.entry(key).or_default().push(index);
            }
        }
        self.swap(alike.into_values());
        // On one decoder of the plan all of one width are alike.
        let mut alike: BTreeMap<_, Vec<usize>> = BTreeMap::new();
        for (index, (demand, target)) in self.demands.iter().zip(&self.targets).enumerate() {
            if let Some(Target::Known(decoder, _)) = target {
                let key = (*decoder, demand.width);
                alike.entry(key).or_default().push(index);
            }
        }
        self.swap(alike.into_values());
    }

    fn swap(&mut self, groups: impl Iterator<Item = Vec<usize>>) {
        for mut group in groups {
            let reached = |index: &usize| self.reached(*index);
            let mut slots = group.clone();
            slots.sort_by_cached_key(reached);
            let targets: Vec<_> = slots
                .iter()
                .map(|index| self.targets.get(*index).copied().flatten())
                .collect();
            group.sort_by_key(|index| self.of(*index).map(|demand| demand.order));
            for (index, target) in group.iter().zip(targets) {
                if let Some(place) = self.targets.get_mut(*index) {
                    *place = target;
                }
            }
            self.collect();
        }
    }
}

/// The best packing that is found, and how many decoders there must be in any.
fn solve(task: &Task) -> (Packing, usize) {
    let least = bound::at_least(task);
    let [few, many] = WAYS;
    let packing = task.pack(few);
    let known = |packing: &Packing| packing.exhaustive || usize::from(packing.cost.new) <= least;
    if known(&packing) {
        let least = if packing.exhaustive {
            usize::from(packing.cost.new)
        } else {
            least
        };
        return (packing, least);
    }
    let wider = task.pack(many);
    let least = if wider.exhaustive {
        usize::from(wider.cost.new)
    } else {
        least
    };
    let best = if wider.cost <= packing.cost {
        wider
    } else {
        packing
    };
    (best, least)
}
