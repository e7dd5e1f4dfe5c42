//! Items onto shelves: which output each thing gets, with as few decoders to add as can be.
//!
//! A shelf is what is free on a decoder that the plan has; a box is a decoder to add. Items are
//! taken in the order of their places, one after another, and all ways to place the next one are
//! followed. Two ways that leave the same room are one: the dearer is dropped. Where more are left
//! than [`Task::pack`] may keep, the least promising are dropped, and the answer says so.

use std::collections::HashMap;

/// Something that wants neighbouring outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Item {
    /// Its place, by number along the layout.
    pub(super) place: u16,
    /// How many outputs side by side.
    pub(super) width: u8,
    /// What it draws all the time, milliamperes.
    pub(super) steady: u32,
    /// What one of its outputs carries, milliamperes.
    pub(super) peak: u32,
}

/// Free outputs side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    /// The first, from 1.
    pub(super) start: u8,
    /// How many.
    pub(super) length: u8,
}

/// What is free on a decoder of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shelf {
    /// The free outputs.
    pub(super) runs: Vec<Run>,
    /// How many of them may be used; the rest is kept for growth.
    pub(super) quota: u8,
    /// The places it serves already.
    pub(super) served: Vec<u16>,
    /// What it may still carry all the time, milliamperes.
    pub(super) steady: u32,
    /// What one output may carry, milliamperes.
    pub(super) peak: u32,
    /// Index in [`Task::supplies`].
    pub(super) supply: Option<usize>,
}

/// A decoder to add.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NewBox {
    /// How many of its outputs are used.
    pub(super) capacity: u8,
    /// What it may carry all the time, milliamperes.
    pub(super) steady: u32,
    /// What one output may carry, milliamperes.
    pub(super) peak: u32,
}

/// What is to be packed, and where it can go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Task {
    /// In the order of their places.
    pub(super) items: Vec<Item>,
    pub(super) shelves: Vec<Shelf>,
    pub(super) new: NewBox,
    /// How many places that follow one another one decoder may serve.
    pub(super) reach: u16,
    /// What each supply may still give all the time, milliamperes.
    pub(super) supplies: Vec<u32>,
}

/// Where an item goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Slot {
    /// To outputs of a decoder of the plan: the shelf, and the first output.
    Shelf(usize, u8),
    /// To a decoder to add, by its number.
    New(usize),
    /// Nowhere: no decoder can take it.
    None,
}

/// What an arrangement costs; the first that differs decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Cost {
    /// Items that went nowhere.
    pub(super) left: u16,
    /// Decoders to add.
    pub(super) new: u16,
    /// How often a decoder begins to serve another place.
    pub(super) services: u16,
    /// Outputs of decoders to add, where one of the plan could do.
    pub(super) away: u16,
}

/// An arrangement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Packing {
    /// Where each item goes.
    pub(super) slots: Vec<Slot>,
    pub(super) cost: Cost,
    /// Whether no way was dropped: then no other costs less.
    pub(super) exhaustive: bool,
}

impl Task {
    /// Whether a decoder to add can take an item at all.
    pub(super) fn fits_new(&self, item: &Item) -> bool {
        item.width <= self.new.capacity
            && item.steady <= self.new.steady
            && item.peak <= self.new.peak
    }

    /// The cheapest arrangement, following at most `keep` ways at a time.
    pub(super) fn pack(&self, keep: usize) -> Packing {
        let mut nodes: Vec<(usize, Slot)> = Vec::new();
        let mut ways = vec![Way::start(self)];
        let mut exhaustive = true;
        let mut rest: u32 = self.items.iter().map(|item| u32::from(item.width)).sum();
        for item in &self.items {
            rest = rest.saturating_sub(u32::from(item.width));
            let mut next: HashMap<Box<[u16]>, Way> = HashMap::new();
            for way in &ways {
                for way in way.children(self, item, &mut nodes) {
                    let known = next.entry(way.key()).or_insert_with(|| way.clone());
                    if way.cost < known.cost {
                        *known = way;
                    }
                }
            }
            ways = next.into_values().collect();
            // The key makes the order the same in every run.
            ways.sort_by_cached_key(|way| (way.promise(self, rest), way.key()));
            if ways.len() > keep {
                ways.truncate(keep);
                exhaustive = false;
            }
        }
        let best = ways.iter().min_by_key(|way| way.cost);
        let mut slots = Vec::new();
        let mut at = best.map_or(ROOT, |way| way.node);
        while let Some((parent, slot)) = nodes.get(at) {
            slots.push(*slot);
            at = *parent;
        }
        slots.reverse();
        Packing {
            slots,
            cost: best.map(|way| way.cost).unwrap_or_default(),
            exhaustive,
        }
    }
}

/// The parent of the first node.
const ROOT: usize = usize::MAX;

/// No place yet.
const NOWHERE: u16 = u16::MAX;

/// What is left on a shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Left {
    low: u16,
    high: u16,
    /// The place it served last.
    last: u16,
    quota: u8,
    steady: u32,
    /// How much is left of each run.
    runs: Vec<u8>,
}

/// What is left in a box.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Open {
    first: u16,
    last: u16,
    capacity: u8,
    steady: u32,
    /// Its number.
    number: usize,
}

/// One way to place the items so far.
#[derive(Debug, Clone)]
struct Way {
    shelves: Vec<Left>,
    open: Vec<Open>,
    supplies: Vec<u32>,
    cost: Cost,
    node: usize,
}

impl Way {
    fn start(task: &Task) -> Self {
        let shelves = task.shelves.iter().map(|shelf| Left {
            low: shelf.served.iter().copied().min().unwrap_or(NOWHERE),
            high: shelf.served.iter().copied().max().unwrap_or(NOWHERE),
            last: NOWHERE,
            quota: shelf.quota,
            steady: shelf.steady,
            runs: shelf.runs.iter().map(|run| run.length).collect(),
        });
        Self {
            shelves: shelves.collect(),
            open: Vec::new(),
            supplies: task.supplies.clone(),
            cost: Cost::default(),
            node: ROOT,
        }
    }

    /// What tells two ways apart: the room that is left.
    fn key(&self) -> Box<[u16]> {
        let halves = |number: u32| {
            let bytes = number.to_be_bytes();
            [
                u16::from_be_bytes([bytes[0], bytes[1]]),
                u16::from_be_bytes([bytes[2], bytes[3]]),
            ]
        };
        let mut key = Vec::new();
        for shelf in &self.shelves {
            key.extend([shelf.low, shelf.high, shelf.last, u16::from(shelf.quota)]);
            key.extend(halves(shelf.steady));
            key.extend(shelf.runs.iter().copied().map(u16::from));
        }
        for open in &self.open {
            key.extend([open.first, open.last, u16::from(open.capacity)]);
            key.extend(halves(open.steady));
        }
        key.extend(self.supplies.iter().copied().flat_map(halves));
        key.into_boxed_slice()
    }

    /// What it costs at least when `rest` more outputs are placed.
    fn promise(&self, task: &Task, rest: u32) -> Cost {
        let shelves: u32 = self.shelves.iter().map(|left| u32::from(left.quota)).sum();
        let open: u32 = self.open.iter().map(|open| u32::from(open.capacity)).sum();
        let rest = rest.saturating_sub(shelves + open);
        let more = rest.div_ceil(u32::from(task.new.capacity.max(1)));
        Cost {
            new: self
                .cost
                .new
                .saturating_add(u16::try_from(more).unwrap_or(u16::MAX)),
            ..self.cost
        }
    }

    /// Every way to place one more item.
    fn children(&self, task: &Task, item: &Item, nodes: &mut Vec<(usize, Slot)>) -> Vec<Self> {
        let mut children = Vec::new();
        for (index, shelf) in task.shelves.iter().enumerate() {
            children.extend(self.on_shelf(task, item, index, shelf));
        }
        let here = self.reaching(task, item.place);
        if task.fits_new(item) {
            for index in 0..here.open.len() {
                children.extend(here.in_box(item, index));
            }
            children.extend(here.in_new(task, item));
        } else {
            let mut way = here;
            way.cost.left += 1;
            children.push((way, Slot::None));
        }
        let parent = self.node;
        let children = children.into_iter().map(|(mut way, slot)| {
            way.node = nodes.len();
            nodes.push((parent, slot));
            way.open.sort_unstable();
            way
        });
        children.collect()
    }

    /// The same, without the boxes and shelves that can't serve a place so far along, or that
    /// are full: what is left of them makes no difference any more.
    fn reaching(&self, task: &Task, place: u16) -> Self {
        let mut way = self.clone();
        for left in &mut way.shelves {
            let behind = left.low != NOWHERE && place > left.high && place - left.low >= task.reach;
            if behind || left.quota == 0 {
                (left.low, left.high, left.last) = (0, 0, NOWHERE);
                (left.quota, left.steady) = (0, 0);
                left.runs.fill(0);
            }
        }
        way.open
            .retain(|open| open.capacity > 0 && place - open.first < task.reach);
        way
    }

    fn on_shelf(&self, task: &Task, item: &Item, index: usize, known: &Shelf) -> Vec<(Self, Slot)> {
        let Some(left) = self.shelves.get(index) else {
            return Vec::new();
        };
        let (low, high, allowed) = if left.low == NOWHERE {
            (item.place, item.place, true)
        } else {
            let (low, high) = (left.low.min(item.place), left.high.max(item.place));
            let within = low == left.low && high == left.high;
            (low, high, within || high - low < task.reach)
        };
        let supplied = known.supply.is_none_or(|supply| {
            let left = self.supplies.get(supply).copied();
            left.is_none_or(|left| item.steady <= left)
        });
        if !allowed
            || !supplied
            || item.width > left.quota
            || item.steady > left.steady
            || item.peak > known.peak
        {
            return Vec::new();
        }
        let is_served = left.last == item.place || known.served.contains(&item.place);
        let mut ways: Vec<(Self, Slot)> = Vec::new();
        let mut seen = Vec::new();
        for (run, (length, whole)) in left.runs.iter().zip(&known.runs).enumerate() {
            // Of runs that are alike the first will do.
            if *length < item.width || seen.contains(length) {
                continue;
            }
            seen.push(*length);
            let mut way = self.reaching(task, item.place);
            if let Some(left) = way.shelves.get_mut(index) {
                (left.low, left.high, left.last) = (low, high, item.place);
                left.quota -= item.width;
                left.steady -= item.steady;
                if let Some(length) = left.runs.get_mut(run) {
                    *length -= item.width;
                }
            }
            if let Some(left) = known.supply.and_then(|one| way.supplies.get_mut(one)) {
                *left = left.saturating_sub(item.steady);
            }
            way.cost.services += u16::from(!is_served);
            let output = whole.start + (whole.length - length);
            ways.push((way, Slot::Shelf(index, output)));
        }
        ways
    }

    fn in_box(&self, item: &Item, index: usize) -> Option<(Self, Slot)> {
        let open = self.open.get(index)?;
        if open.capacity < item.width || open.steady < item.steady {
            return None;
        }
        let number = open.number;
        let mut way = self.clone();
        way.cost.services += u16::from(open.last != item.place);
        way.cost.away += u16::from(item.width);
        let open = way.open.get_mut(index)?;
        open.capacity -= item.width;
        open.steady -= item.steady;
        open.last = item.place;
        Some((way, Slot::New(number)))
    }

    fn in_new(&self, task: &Task, item: &Item) -> Option<(Self, Slot)> {
        let number = usize::from(self.cost.new);
        let mut way = self.clone();
        way.cost.new = way.cost.new.checked_add(1)?;
        way.cost.services += 1;
        way.cost.away += u16::from(item.width);
        way.open.push(Open {
            first: item.place,
            last: item.place,
            capacity: task.new.capacity - item.width,
            steady: task.new.steady - item.steady,
            number,
        });
        Some((way, Slot::New(number)))
    }
}
