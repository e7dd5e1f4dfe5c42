//! Packings against every arrangement there is.

use proptest::prelude::*;

use super::bound::at_least;
use super::pack::{Cost, Item, NewBox, Run, Shelf, Slot, Task};

/// Where an item goes, for trying everything: a run of a shelf, a box, or nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum To {
    Run(usize, usize),
    Box(usize),
    Nowhere,
}

/// Whether everything is where the rules allow it, and what it costs.
fn cost(task: &Task, targets: &[To]) -> Option<Cost> {
    let mut cost = Cost::default();
    let on = |wanted: &dyn Fn(To) -> bool| {
        let items = task.items.iter().zip(targets);
        let items: Vec<&Item> = items
            .filter(|(_, to)| wanted(**to))
            .map(|(item, _)| item)
            .collect();
        items
    };
    let width = |items: &[&Item]| items.iter().map(|item| u32::from(item.width)).sum::<u32>();
    let steady = |items: &[&Item]| items.iter().map(|item| item.steady).sum::<u32>();
    let span = |places: &[u16]| {
        let (low, high) = (places.iter().min()?, places.iter().max()?);
        Some(high - low + 1)
    };
    let mut supplies = task.supplies.clone();
    for (index, shelf) in task.shelves.iter().enumerate() {
        for (number, run) in shelf.runs.iter().enumerate() {
            let items = on(&|to| to == To::Run(index, number));
            if width(&items) > u32::from(run.length) {
                return None;
            }
        }
        let items = on(&|to| matches!(to, To::Run(one, _) if one == index));
        if width(&items) > u32::from(shelf.quota)
            || steady(&items) > shelf.steady
            || items.iter().any(|item| item.peak > shelf.peak)
        {
            return None;
        }
        if let Some(supply) = shelf.supply {
            supplies[supply] = supplies[supply].checked_sub(steady(&items))?;
        }
        let mut places = shelf.served.clone();
        for item in items {
            if !places.contains(&item.place) {
                places.push(item.place);
                cost.services += 1;
            }
        }
        if span(&places) != span(&shelf.served) && span(&places) > Some(task.reach) {
            return None;
        }
    }
    for number in 0..task.items.len() {
        let items = on(&|to| to == To::Box(number));
        if items.is_empty() {
            continue;
        }
        let mut places: Vec<u16> = items.iter().map(|item| item.place).collect();
        places.dedup();
        if width(&items) > u32::from(task.new.capacity)
            || steady(&items) > task.new.steady
            || items.iter().any(|item| item.peak > task.new.peak)
            || span(&places) > Some(task.reach)
        {
            return None;
        }
        cost.new += 1;
        cost.services += u16::try_from(places.len()).unwrap();
        cost.away += u16::try_from(width(&items)).unwrap();
    }
    cost.left = u16::try_from(on(&|to| to == To::Nowhere).len()).unwrap();
    Some(cost)
}

/// The least cost of all arrangements.
fn least(task: &Task, targets: &mut Vec<To>) -> Cost {
    let Some(item) = task.items.get(targets.len()) else {
        let worst = Cost {
            left: u16::MAX,
            ..Cost::default()
        };
        return cost(task, targets).unwrap_or(worst);
    };
    let shelves = task.shelves.iter().enumerate();
    let mut ways: Vec<To> = shelves
        .flat_map(|(index, shelf)| (0..shelf.runs.len()).map(move |run| To::Run(index, run)))
        .collect();
    if task.fits_new(item) {
        let boxes = targets.iter().filter_map(|to| match to {
            To::Box(number) => Some(*number),
            To::Run(..) | To::Nowhere => None,
        });
        let next = boxes.max().map_or(0, |highest| highest + 1);
        ways.extend((0..=next).map(To::Box));
    } else {
        ways.push(To::Nowhere);
    }
    let costs = ways.into_iter().map(|to| {
        targets.push(to);
        let cost = least(task, targets);
        targets.pop();
        cost
    });
    costs.min().unwrap()
}

/// The packing's slots as targets, held to the runs of the shelves: no output twice.
fn targets(task: &Task, slots: &[Slot]) -> Vec<To> {
    let mut used: Vec<(usize, u8)> = Vec::new();
    let slots = task.items.iter().zip(slots);
    let targets = slots.map(|(item, slot)| match *slot {
        Slot::Shelf(shelf, first) => {
            for output in first..first + item.width {
                assert!(!used.contains(&(shelf, output)), "output {output} twice");
                used.push((shelf, output));
            }
            let holds =
                |run: &Run| run.start <= first && first + item.width <= run.start + run.length;
            let runs = &task.shelves[shelf].runs;
            To::Run(shelf, runs.iter().position(holds).unwrap())
        }
        Slot::New(number) => To::Box(number),
        Slot::None => To::Nowhere,
    });
    targets.collect()
}

fn shelf() -> impl Strategy<Value = Shelf> {
    let runs = prop::collection::vec((1..3_u8, 1..4_u8), 1..3);
    let served = prop::collection::vec(0..4_u16, 0..3);
    (runs, 0..3_u8, served, 0..60_u32, 0..2_u32, any::<bool>()).prop_map(
        |(lengths, spare, served, steady, peak, fed)| {
            let mut start = 1;
            let mut runs = Vec::new();
            for (gap, length) in lengths {
                start += gap;
                runs.push(Run { start, length });
                start += length;
            }
            let free: u8 = runs.iter().map(|run| run.length).sum();
            Shelf {
                quota: free.saturating_sub(spare),
                runs,
                served,
                steady,
                peak: peak * 1000,
                supply: fed.then_some(0),
            }
        },
    )
}

fn task(items: usize) -> impl Strategy<Value = Task> {
    let item = (0..4_u16, 1..4_u8, 0..20_u32, 0..1500_u32);
    let items = prop::collection::vec(item, 0..items);
    let new = (
        1..5_u8,
        20..80_u32,
        prop::sample::select(vec![1000, u32::MAX]),
    );
    let shelves = prop::collection::vec(shelf(), 0..3);
    (items, shelves, new, 1..4_u16, 0..60_u32).prop_map(
        |(mut items, shelves, (capacity, steady, peak), reach, supply)| {
            items.sort_by_key(|(place, width, steady, peak)| {
                (*place, std::cmp::Reverse((*width, *steady, *peak)))
            });
            let items = items.into_iter().map(|(place, width, steady, peak)| Item {
                place,
                width,
                steady,
                peak,
            });
            Task {
                items: items.collect(),
                shelves,
                new: NewBox {
                    capacity,
                    steady,
                    peak,
                },
                reach,
                supplies: vec![supply],
            }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn nothing_costs_less_than_a_packing_that_followed_every_way(task in task(6)) {
        let packing = task.pack(100_000);
        prop_assert!(packing.exhaustive);
        prop_assert_eq!(packing.slots.len(), task.items.len());
        let found = cost(&task, &targets(&task, &packing.slots));
        prop_assert_eq!(found, Some(packing.cost), "{:?}", packing);
        prop_assert_eq!(packing.cost, least(&task, &mut Vec::new()));
    }

    #[test]
    fn no_packing_is_below_the_bound_or_breaks_a_rule(task in task(30), keep in 1..40_usize) {
        let packing = task.pack(keep);
        let found = cost(&task, &targets(&task, &packing.slots));
        prop_assert_eq!(found, Some(packing.cost), "{:?}", packing);
        prop_assert!(usize::from(packing.cost.new) >= at_least(&task));
    }
}

#[test]
fn the_bound_is_met_where_pairs_do_not_fit_an_odd_number_of_outputs() {
    let pair = Item {
        place: 0,
        width: 2,
        steady: 0,
        peak: 0,
    };
    let task = Task {
        items: vec![pair; 7],
        shelves: Vec::new(),
        new: NewBox {
            capacity: 7,
            steady: u32::MAX,
            peak: u32::MAX,
        },
        reach: 1,
        supplies: Vec::new(),
    };
    // 14 outputs would fit two decoders of seven; three pairs go on each.
    assert_eq!(at_least(&task), 3);
    assert_eq!(task.pack(100).cost.new, 3);
}

#[test]
fn two_hundred_turnouts_are_packed_down_to_the_bound() {
    // Thirty places of six or seven, every tenth a three-way, some decoders with a few outputs free.
    let mut items: Vec<Item> = (0..200_u16)
        .map(|number| Item {
            place: number / 7,
            width: if number % 10 == 3 { 2 } else { 1 },
            steady: 0,
            peak: 800,
        })
        .collect();
    items.sort_by_key(|item| (item.place, std::cmp::Reverse(item.width)));
    let shelves = (0..6_u16).map(|number| Shelf {
        runs: vec![
            Run {
                start: 2,
                length: 1,
            },
            Run {
                start: 5,
                length: 3,
            },
        ],
        quota: 3,
        served: vec![number * 5],
        steady: u32::MAX,
        peak: 1000,
        supply: None,
    });
    let task = Task {
        items,
        shelves: shelves.collect(),
        new: NewBox {
            capacity: 7,
            steady: u32::MAX,
            peak: 2000,
        },
        reach: 2,
        supplies: Vec::new(),
    };
    let packing = task.pack(400);
    let bound = at_least(&task);
    assert_eq!(usize::from(packing.cost.new), bound, "{:?}", packing.cost);
}
