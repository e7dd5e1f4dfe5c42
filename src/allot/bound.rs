//! How few decoders there can be: a number that no arrangement is below, whatever [`super::pack`]
//! finds.
//!
//! All counts leave away rules, so that what they allow is more than what is allowed; the number
//! that they need is then at most the one that is needed.

use super::pack::{Run, Shelf, Task};

/// A number of decoders to add that no arrangement of all items is below.
///
/// Of the items from one place to another, neither a decoder to add nor a free output of the plan
/// takes more than it has room for, not even if every free output were in reach. Two stretches
/// that are so far apart that no decoder can serve both need decoders of their own; their numbers
/// add up. Items that no decoder to add can take are left out.
pub(super) fn at_least(task: &Task) -> usize {
    let mut places: Vec<u16> = task.items.iter().map(|item| item.place).collect();
    places.dedup();
    // The best sum for stretches that end before a place of the list, or at it.
    let mut best = vec![0; places.len() + 1];
    for (end, last) in places.iter().enumerate() {
        let mut most = best.get(end).copied().unwrap_or(0);
        for (start, first) in places.iter().enumerate().take(end + 1) {
            let stretch = stretch(task, *first, *last);
            // The places so far before the first that nothing serves both.
            let before = places
                .iter()
                .take(start)
                .take_while(|place| first - **place >= task.reach);
            let apart = best.get(before.count()).copied().unwrap_or(0);
            most = most.max(stretch + apart);
        }
        if let Some(best) = best.get_mut(end + 1) {
            *best = most;
        }
    }
    best.last().copied().unwrap_or(0)
}

/// The same of the items from one place to another.
fn stretch(task: &Task, first: u16, last: u16) -> usize {
    let items = task.items.iter();
    let items: Vec<_> = items
        .filter(|item| (first..=last).contains(&item.place) && task.fits_new(item))
        .collect();
    let shelves = task.shelves.iter();
    let shelves: Vec<_> = shelves
        .filter(|shelf| touches(shelf, first, last, task.reach))
        .collect();
    let capacity = usize::from(task.new.capacity);
    if items.is_empty() || capacity == 0 {
        return 0;
    }
    let outputs: usize = items.iter().map(|item| usize::from(item.width)).sum();
    let quotas = shelves.iter().map(|shelf| usize::from(shelf.quota));
    let by_outputs = outputs.saturating_sub(quotas.sum()).div_ceil(capacity);
    let widest = items.iter().map(|item| item.width).max().unwrap_or(1);
    // Of the items at least so wide: nothing takes more of them than it has room for.
    let by_width = (2..=widest).map(|width| {
        let count = items.iter().filter(|item| item.width >= width).count();
        let free = shelves.iter().map(|shelf| {
            let runs = shelf.runs.iter().map(|run: &Run| run.length / width);
            let runs: usize = runs.map(usize::from).sum();
            runs.min(usize::from(shelf.quota / width))
        });
        let new = (capacity / usize::from(width)).max(1);
        count.saturating_sub(free.sum()).div_ceil(new)
    });
    by_width.fold(by_outputs, usize::max)
}

/// Whether a shelf may come to serve any of these places.
fn touches(shelf: &Shelf, first: u16, last: u16, reach: u16) -> bool {
    let (Some(low), Some(high)) = (shelf.served.iter().min(), shelf.served.iter().max()) else {
        return true;
    };
    let beyond = reach.saturating_sub(1);
    first <= high.saturating_add(beyond) && last >= low.saturating_sub(beyond)
}
