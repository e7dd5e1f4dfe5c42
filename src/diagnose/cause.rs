//! Causes: states of the simulated track, each with words for people.
//!
//! A cause is one row of a table: how often it is met, what it is, how to mend it, and the one
//! function that builds it into the track. What any test shows of it follows from the model.

mod both;
mod decoder;
mod healthy;
mod supply;
mod turnout;
mod wire;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub use self::both::both;
use super::Swept;
use super::site::Site;
use crate::cautions::Caution;
use crate::plan::{Id, Plan};
use crate::track::as_built::AsBuilt;

/// What part of the layout a cause is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Level {
    /// Nothing is wrong.
    Nobody,
    /// An output and its leads.
    Output,
    /// A drive and its blades.
    Drive,
    /// A decoder.
    Decoder,
    /// A supply.
    Supply,
    /// The wires that carry the signal.
    Bus,
    /// The command station, and how it counts.
    Station,
    /// The plan, or what was written down.
    Plan,
}

impl Level {
    /// The word for it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Nobody => "nothing",
            Self::Output => "output",
            Self::Drive => "drive",
            Self::Decoder => "decoder",
            Self::Supply => "supply",
            Self::Bus => "bus",
            Self::Station => "station",
            Self::Plan => "plan",
        }
    }
}

/// One cause.
#[derive(Debug)]
pub struct Cause {
    /// Its stable name.
    pub name: &'static str,
    /// Where it is.
    pub level: Level,
    /// How often it is met beside the others; any scale. Common practice, no source: rows of
    /// fault lists name the likelier first, and give no numbers.
    pub weight: f64,
    /// What it is, in plain words.
    pub says: &'static str,
    /// How to mend it.
    pub mend: &'static str,
    /// What to mind while mending it.
    pub caution: Option<&'static Caution>,
    /// How to prove it mended.
    pub prove: Proof,
    /// Builds it into what is there; `None` where the site has no such thing. What it draws is
    /// the spread of its figures.
    pub state: fn(&Site, &mut Draw) -> Option<AsBuilt>,
}

/// How a cause is proved mended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proof {
    /// In words.
    pub words: &'static str,
    /// What is swept.
    pub scope: Scope,
    /// How often each position is visited, where nobody has to be asked about each.
    pub cycles: u32,
}

/// What a proof has to sweep.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scope {
    /// The turnout that failed.
    Turnout,
    /// That and those that were seen to move with it.
    WithOthers,
    /// Every turnout of its decoder, and of those of the ones that were seen to move with it.
    Decoder,
    /// Every turnout of its supply.
    Supply,
    /// All.
    Plan,
}

impl Proof {
    const fn new(scope: Scope, cycles: u32, words: &'static str) -> Self {
        Self {
            words,
            scope,
            cycles,
        }
    }

    /// The turnouts that are swept for it, where `target` failed and `others` were seen to move
    /// with it; in the order of the plan, indices there.
    pub fn turnouts(&self, plan: &Plan, target: usize, others: &[Id]) -> Vec<usize> {
        let is_other = |index: usize| others.contains(&plan.turnouts[index].id);
        let decoder = |index: usize| plan.turnouts[index].output.map(|it| it.decoder);
        let supply = |index: usize| decoder(index).and_then(|it| plan.decoders[it].supply);
        let all = 0..plan.turnouts.len();
        let shares = |index: usize, of: &dyn Fn(usize) -> Option<usize>| {
            of(index).is_some() && of(index) == of(target)
        };
        let is_of = |index: usize| match self.scope {
            Scope::Turnout => false,
            Scope::WithOthers => is_other(index),
            Scope::Decoder => {
                let mut partners = all.clone().filter(|it| is_other(*it));
                shares(index, &decoder)
                    || is_other(index)
                    || partners.any(|it| decoder(it).is_some() && decoder(it) == decoder(index))
            }
            Scope::Supply => shares(index, &supply),
            Scope::Plan => true,
        };
        let chosen = all
            .clone()
            .filter(|index| *index == target || is_of(*index));
        chosen.collect()
    }
}

/// The name of the cause that is none: who looked was mistaken.
pub const NOTHING_WRONG: &str = "nothing-wrong";

const PROVE_ONE: Proof = Proof::new(
    Scope::Turnout,
    10,
    "Sweep this turnout with 10 cycles: both ways each time, nothing else moving.",
);
const PROVE_DECODER: Proof = Proof::new(
    Scope::Decoder,
    1,
    "Sweep every turnout of this decoder, both ways.",
);
const PROVE_SUPPLY: Proof = Proof::new(
    Scope::Supply,
    1,
    "Sweep every turnout of this supply, then throw several of them as a route would.",
);
const PROVE_ALL: Proof = Proof::new(Scope::Plan, 1, "Sweep the whole plan.");

/// Every cause, in a fixed order.
pub fn all() -> impl Iterator<Item = &'static Cause> {
    let tables = [
        turnout::OUTPUTS,
        turnout::DRIVES,
        decoder::DECODERS,
        decoder::NUMBERS,
        supply::SUPPLIES,
        supply::SIGNALS,
        wire::WIRES,
    ];
    tables.into_iter().flatten()
}

/// The cause of that name.
pub fn by_name(name: &str) -> Option<&'static Cause> {
    all().find(|cause| cause.name == name)
}

/// Turnouts that may have to do with the failing one.
#[derive(Debug, Clone, Default)]
pub struct Suspects {
    /// They were seen to move beside it.
    pub moved: Vec<Id>,
    /// They fail as well.
    pub failing: Vec<Id>,
}

impl Suspects {
    /// Those that sweeps tell of beside the failing turnout of that index in the plan.
    pub fn of(plan: &Plan, target: usize, swept: &[Swept]) -> Self {
        let own = swept.iter().filter(|one| one.turnout == target);
        let failing = swept
            .iter()
            .filter(|one| one.turnout != target && one.motion.is_wrong());
        Self {
            moved: own.flat_map(|one| one.others.clone()).collect(),
            failing: failing
                .map(|one| plan.turnouts[one.turnout].id.clone())
                .collect(),
        }
    }
}

/// Random figures for a cause, and the turnouts that may have to do with the failing one.
#[derive(Debug)]
pub struct Draw {
    rng: ChaCha8Rng,
    suspects: Suspects,
}

impl Draw {
    /// A draw of its own for each seed.
    pub fn new(seed: u64, suspects: &Suspects) -> Self {
        Self {
            rng: ChaCha8Rng::seed_from_u64(seed),
            suspects: suspects.clone(),
        }
    }

    /// A share of 0 to 1.
    pub fn share(&mut self) -> f64 {
        f64::from(self.rng.next_u32()) / f64::from(u32::MAX)
    }

    /// A figure between these, each as likely.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// A positive figure between these, each order of magnitude as likely.
    pub fn scaled(&mut self, low: f64, high: f64) -> f64 {
        libm::exp(self.between(libm::log(low), libm::log(high)))
    }

    /// A whole figure between these, both included.
    pub fn whole(&mut self, low: u32, high: u32) -> u32 {
        low + self.rng.next_u32() % (high.max(low) - low + 1)
    }

    /// One of these, if there is any.
    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> Option<T> {
        let count = u32::try_from(all.len()).ok().filter(|count| *count > 0)?;
        let index = usize::try_from(self.rng.next_u32() % count).ok()?;
        all.get(index).copied()
    }

    /// One of these turnouts: one that was seen to move before any other, or half of the time one
    /// that fails as well.
    fn partner(&mut self, site: &Site, fits: &[usize]) -> Option<usize> {
        let of = |suspects: &[Id]| -> Vec<usize> {
            let is_one = |index: &usize| suspects.contains(&site.plan.turnouts[*index].id);
            fits.iter().copied().filter(is_one).collect()
        };
        let moved = of(&self.suspects.moved);
        let failing = of(&self.suspects.failing);
        if !moved.is_empty() {
            self.one_of(&moved)
        } else if !failing.is_empty() && self.share() < 0.5 {
            self.one_of(&failing)
        } else {
            self.one_of(fits)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn causes_are_told_apart_by_name_and_have_all_their_words() {
        let names: BTreeSet<_> = all().map(|cause| cause.name).collect();
        assert_eq!(names.len(), all().count());
        assert!(names.len() >= 45, "{}", names.len());
        for cause in all() {
            assert!(cause.weight > 0.0, "{}", cause.name);
            for words in [cause.says, cause.mend, cause.prove.words] {
                assert!(words.ends_with('.'), "{}: {words}", cause.name);
            }
        }
    }
}
