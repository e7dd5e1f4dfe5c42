//! Several failing turnouts, and what they have in common.
//!
//! A [`Round`] goes through all that a sweep saw fail: it says which one to diagnose first, and
//! after each conclusion which others the same cause explains. That is found by the model: the
//! cause is built into the whole layout over the spread of its figures, and each failing turnout
//! swept there. One is explained where that shows what was seen, so often that a fault of its own
//! is clearly less likely.

use super::belief::Options;
use super::cause::{Draw, Suspects};
use super::others::{self, Beside, FAULT_OF_ITS_OWN};
use super::perform;
use super::sight::{Motion, Other};
use super::site::Site;
use super::{Conclusion, Diagnosis, Kind, Swept};
use crate::plan::Plan;
use crate::track::Track;

/// How often each cause is drawn.
const DRAWS: u32 = 16;

/// Causes less likely than this explain nothing.
const MATTERS: f64 = 0.05;

/// How much likelier what was seen must be by the cause than by a fault of its own; a choice of
/// ours.
const CLEARLY: f64 = 6.0;

/// Draws that do not show what was seen of the failing turnout itself count this much.
const DENIED: f64 = 0.01;

/// So many turnouts that did not fail are held against each draw as well.
const WORKING: usize = 4;

/// All that fail in a plan, one diagnosis after the other.
#[derive(Debug)]
pub struct Round<'a> {
    plan: &'a Plan,
    swept: Vec<Swept>,
    open: Vec<usize>,
    explained: Vec<usize>,
}

impl<'a> Round<'a> {
    /// From what sweeps saw; of a turnout that was seen more than once the last counts.
    pub fn new(plan: &'a Plan, swept: &[Swept]) -> Self {
        let mut last: Vec<Swept> = Vec::new();
        for one in swept {
            last.retain(|it| it.turnout != one.turnout);
            last.push(one.clone());
        }
        last.sort_by_key(|it| it.turnout);
        let open = last.iter().filter(|it| it.fails()).map(|it| it.turnout);
        Self {
            plan,
            open: open.collect(),
            explained: Vec::new(),
            swept: last,
        }
    }

    /// Turnouts that fail for a reason which is not known yet, as indices in the plan.
    pub fn open(&self) -> &[usize] {
        &self.open
    }

    /// Turnouts that fail for a reason which is known by now.
    pub fn explained(&self) -> &[usize] {
        &self.explained
    }

    /// The failing turnout to diagnose next: one that has most others failing like it on its
    /// decoder, then on its supply, then anywhere. `None` when all are explained.
    pub fn next(&self) -> Option<usize> {
        let rank = |turnout: &usize| {
            let own = self.seen(*turnout);
            let [decoder, supply] = self.place(*turnout);
            let mut alike = [0_usize; 3];
            for other in self.open.iter().filter(|it| *it != turnout) {
                if self.seen(*other) != own {
                    continue;
                }
                let [its_decoder, its_supply] = self.place(*other);
                alike[0] += usize::from(decoder.is_some() && its_decoder == decoder);
                alike[1] += usize::from(supply.is_some() && its_supply == supply);
                alike[2] += 1;
            }
            alike
        };
        // Of several the first.
        self.open.iter().rev().copied().max_by_key(rank)
    }

    fn seen(&self, turnout: usize) -> Option<Motion> {
        let found = self.swept.iter().find(|it| it.turnout == turnout);
        found.map(|it| it.motion)
    }

    /// Its decoder and its supply.
    fn place(&self, turnout: usize) -> [Option<usize>; 2] {
        let output = self.plan.turnouts[turnout].output;
        let decoder = output.map(|it| it.decoder);
        [
            decoder,
            decoder.and_then(|it| self.plan.decoders[it].supply),
        ]
    }

    /// The site of a failing turnout, as its diagnosis sees it: what tests throw beside it does
    /// not fail for a known reason, if that can be.
    pub fn site(&self, target: usize) -> Site {
        Site::without(self.plan, target, &self.explained)
    }

    /// The diagnosis of one of them, with all that was seen.
    pub fn diagnosis(&self, target: usize, options: &Options) -> Diagnosis {
        let options = Options {
            explained: self.explained.clone(),
            ..options.clone()
        };
        Diagnosis::new(self.plan, target, &self.swept, &options)
    }

    /// The others that fail for the reason that the diagnosis of one came to, as indices in the
    /// plan.
    pub fn explained_by(&self, target: usize, conclusion: &Conclusion, seed: u64) -> Vec<usize> {
        let of = self.open.iter().copied().filter(|it| *it != target);
        let of: Vec<usize> = of.collect();
        explains(self.plan, target, conclusion, &self.swept, &of, seed)
    }

    /// Takes in what the diagnosis of one came to, and gives [`Round::explained_by`]; these, and
    /// the one itself, are open no longer.
    pub fn conclude(&mut self, target: usize, conclusion: &Conclusion, seed: u64) -> Vec<usize> {
        let explained = self.explained_by(target, conclusion, seed);
        self.close(target, &explained);
        explained
    }

    /// Takes in that one of them has been diagnosed, and which others its cause explains.
    pub fn close(&mut self, target: usize, explained: &[usize]) {
        self.open
            .retain(|it| *it != target && !explained.contains(it));
        self.explained.push(target);
        self.explained.extend(explained);
    }
}

/// Which of those failing turnouts the causes of a conclusion explain.
pub fn explains(
    plan: &Plan,
    target: usize,
    conclusion: &Conclusion,
    swept: &[Swept],
    of: &[usize],
    seed: u64,
) -> Vec<usize> {
    if conclusion.kind == Kind::NoneFits || of.is_empty() {
        return Vec::new();
    }
    let site = Site::of(plan, target);
    let look_at = |turnout: usize| swept.iter().find(|it| it.turnout == turnout);
    let own = look_at(target);
    let suspects = Suspects::of(plan, target, swept);
    let mut held: Vec<&Swept> = of.iter().filter_map(|it| look_at(*it)).collect();
    let failing = held.len();
    held.extend(working(&site, swept));
    let mut draws: Vec<Drawn> = Vec::new();
    for likely in &conclusion.causes {
        if likely.share < MATTERS {
            continue;
        }
        for number in 0..DRAWS {
            let seed = super::belief::seed_of(seed, likely.cause.name, number);
            let Some(built) = (likely.cause.state)(&site, &mut Draw::new(seed, &suspects)) else {
                break;
            };
            let mut track = Track::new(plan, &built, seed);
            let mut shows = |one: &Swept| {
                let (motion, others) = perform::swept(&site, &mut track, one.turnout);
                let other = Other::of(plan, one.turnout, others);
                (motion, other) == (one.motion, one.other)
            };
            let fits = own.is_none_or(&mut shows);
            draws.push(Drawn {
                weight: likely.share * if fits { 1.0 } else { DENIED },
                // What fails in another way is not worked out.
                shows: held.iter().map(|one| fits && shows(one)).collect(),
            });
        }
    }
    let explained = (0..failing).filter(|index| {
        let one = held[*index];
        let own_fault = others::of_one(&beside(one), 0.0, 0.0);
        likelihood(&draws, &held, *index) > CLEARLY * own_fault
    });
    explained.map(|index| held[index].turnout).collect()
}

/// One draw of a cause on the whole layout.
struct Drawn {
    weight: f64,
    /// Whether it shows what was seen of each.
    shows: Vec<bool>,
}

fn beside(one: &Swept) -> Beside {
    Beside {
        decoder: None,
        supply: None,
        seen: (one.motion, one.other),
    }
}

/// How likely what was seen of one turnout is by the draws: by those that explain the others
/// best, or by all of them, where what is seen is chance.
fn likelihood(draws: &[Drawn], held: &[&Swept], index: usize) -> f64 {
    let share = |weight: &dyn Fn(&Drawn) -> f64| {
        let all: f64 = draws.iter().map(weight).sum();
        let met = draws.iter().filter(|it| it.shows[index]);
        let met: f64 = met.map(weight).sum();
        if all > 0.0 { met / all } else { 0.0 }
    };
    let posterior = |draw: &Drawn| {
        let others = (0..held.len()).filter(|it| *it != index);
        let each = others.map(|it| {
            let met = f64::from(u8::from(draw.shows[it]));
            others::of_one(&beside(held[it]), met, FAULT_OF_ITS_OWN)
        });
        draw.weight * each.product::<f64>()
    };
    share(&posterior).max(0.5 * share(&|draw| draw.weight))
}

/// Some that do not fail, those that would tell most of a common cause first.
fn working<'a>(site: &Site, swept: &'a [Swept]) -> Vec<&'a Swept> {
    let of = |one: &Swept| site.plan.turnouts[one.turnout].output.map(|it| it.decoder);
    let supply = |one: &Swept| of(one).and_then(|it| site.plan.decoders[it].supply);
    let mut fine: Vec<&Swept> = swept
        .iter()
        .filter(|one| !one.fails() && one.turnout != site.target)
        .collect();
    fine.sort_by_key(|one| (of(one) != site.decoder(), supply(one) != site.supply()));
    fine.truncate(WORKING);
    fine
}

/// What a sweep sees of every turnout with one drive on a track, in the order of the plan.
pub fn sweep(plan: &Plan, track: &mut Track) -> Vec<Swept> {
    let single =
        (0..plan.turnouts.len()).filter(|it| super::site::can_be_thrown(&plan.turnouts[*it]));
    let single: Vec<usize> = single.collect();
    let Some(first) = single.first() else {
        return Vec::new();
    };
    let site = Site::of(plan, *first);
    let each = single.into_iter().map(|turnout| {
        let (motion, others) = perform::swept(&site, track, turnout);
        Swept {
            turnout,
            motion,
            other: Other::of(plan, turnout, others.iter().copied()),
            others: others
                .into_iter()
                .map(|it| plan.turnouts[it].id.clone())
                .collect(),
        }
    });
    each.collect()
}
