//! The order in which the drives of a turnout are thrown.
//!
//! Nobody knows how a turnout lies before it is thrown, so an order has to be right from
//! everywhere. What can be known after some throws is which drives were thrown and where to; the
//! others may lie either way. That is a set of combinations, and the search goes over such sets,
//! breadth first: at most 3 for each drive multiplied, 81 for four drives.
//!
//! A throw may be made if no allowed combination of the set becomes a forbidden one by it. A
//! turnout that was found in a forbidden combination may lie in one until a throw leads out of
//! it, and then never again. Of the shortest orders the one is taken in which fewest forbidden
//! combinations are left in the sets on the way, so that it leaves them as soon as it can; of
//! those, the one that comes first by the order of the drives.
//!
//! That the drive which is in the way is returned to normal first is common practice, no source.

use std::collections::{BTreeMap, BTreeSet};

use throwproof_protocol::address::Position;

/// What is known: for each drive where it was thrown to last.
type Known = Vec<Option<Position>>;

/// How a set was first come to.
struct Found {
    way: Vec<(usize, Position)>,
    /// Forbidden combinations in the sets on the way, each as often as it was in one.
    forbidden: usize,
}

/// The shortest order of throws of single drives, by index, that ends in `goal` from every
/// combination and comes to no combination that is not `allowed`; `None` if there is none.
pub fn find(allowed: &[&[Position]], goal: &[Position]) -> Option<Vec<(usize, Position)>> {
    let wanted: Known = goal.iter().copied().map(Some).collect();
    let is_allowed = |combination: &[Position]| allowed.contains(&combination);
    if !is_allowed(goal) {
        return None;
    }
    let nothing = Found {
        way: Vec::new(),
        forbidden: 0,
    };
    let mut done: BTreeSet<Known> = BTreeSet::new();
    let mut layer: BTreeMap<Known, Found> = BTreeMap::from([(vec![None; goal.len()], nothing)]);
    while !layer.is_empty() {
        if let Some(found) = layer.remove(&wanted) {
            return Some(found.way);
        }
        done.extend(layer.keys().cloned());
        let mut next: BTreeMap<Known, Found> = BTreeMap::new();
        for (known, found) in &layer {
            for (after, throw) in throws(known, &is_allowed) {
                if done.contains(&after) {
                    continue;
                }
                let left = combinations(&after);
                let left = left.iter().filter(|one| !is_allowed(one)).count();
                let mut way = found.way.clone();
                way.push(throw);
                let new = Found {
                    way,
                    forbidden: found.forbidden + left,
                };
                let order = |found: &Found| (found.forbidden, found.way.clone());
                let is_better = next.get(&after).is_none_or(|old| order(&new) < order(old));
                if is_better {
                    next.insert(after, new);
                }
            }
        }
        layer = next;
    }
    None
}

/// What may be thrown from there, and what is known then.
fn throws(
    known: &Known,
    is_allowed: &dyn Fn(&[Position]) -> bool,
) -> Vec<(Known, (usize, Position))> {
    let from = combinations(known);
    let mut throws = Vec::new();
    for drive in 0..known.len() {
        for position in [Position::Straight, Position::Diverging] {
            let leads = |combination: &[Position]| {
                let mut after = combination.to_vec();
                if let Some(thrown) = after.get_mut(drive) {
                    *thrown = position;
                }
                after
            };
            let stays = |one: &Vec<Position>| !is_allowed(one) || is_allowed(&leads(one));
            if from.iter().all(stays) {
                let mut after = known.clone();
                if let Some(thrown) = after.get_mut(drive) {
                    *thrown = Some(position);
                }
                throws.push((after, (drive, position)));
            }
        }
    }
    throws
}

/// Every combination that agrees with what is known.
fn combinations(known: &Known) -> Vec<Vec<Position>> {
    let mut all = vec![Vec::new()];
    for drive in known {
        let choices = match drive {
            Some(position) => vec![*position],
            None => vec![Position::Straight, Position::Diverging],
        };
        all = all
            .iter()
            .flat_map(|begun| {
                choices.iter().map(|position| {
                    let mut longer = begun.clone();
                    longer.push(*position);
                    longer
                })
            })
            .collect();
    }
    all
}

#[cfg(test)]
mod tests;
