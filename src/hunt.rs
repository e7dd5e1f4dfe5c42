//! Finds the address that moves the thing in front of the operator, how the station numbers, or
//! everything that moves.
//!
//! Which addresses are thrown next is worked out by a [`search`], which touches nothing; [`pace`]
//! says in which order and how far apart they are thrown. [`Hunt`] carries it out over the same
//! guarded link as a sweep: one output is on at a time, and whatever ends it releases that.

use throwproof_protocol::address::KeyedAddress;

use crate::plan::{Id, Plan};
use crate::sweep::About;

pub mod among;
mod forecast;
pub mod pace;
mod run;
pub mod search;

pub use crate::event::hunt::{Goal, Outcome, Thing};
pub use run::numbering::{telling, thrown_for};
pub use run::{Came, Ended, Hunt};

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// What is looked for.
    pub goal: Goal,
    /// The addresses that it may be, in ascending order.
    pub among: Vec<KeyedAddress>,
    /// What is watched, where the plan has it.
    pub target: Option<Id>,
    /// The turnouts that tell how the station numbers, where that is looked for.
    pub known: Vec<Id>,
    /// Whether pulses are short for what is not in the plan.
    pub quick: bool,
    /// The share of answers that are taken to be wrong, 0 to less than 0.5.
    pub doubt: f64,
    /// So many questions are asked at the most.
    pub most: u32,
    /// What has to be known before it begins.
    pub notes: Vec<String>,
    /// What else is known of the run before it begins.
    pub about: About,
}

impl Asked {
    /// How likely each address is beside the others. Where it is known what is watched, half of
    /// all goes to where it should be and where it is when the usual mistakes were made: four off,
    /// which is a board counted from another number, its neighbours, and the first eight, where
    /// boards are that were never given an address (common practice, no source).
    fn likely(&self, plan: &Plan) -> Vec<(KeyedAddress, f64)> {
        let planned = self
            .target
            .as_ref()
            .and_then(|id| plan.turnout(id.as_str()));
        let Some(planned) = planned.map(|turnout| turnout.address.get()) else {
            return self.among.iter().map(|one| (*one, 1.0)).collect();
        };
        let is_likely = |one: &KeyedAddress| one.get() <= 8 || one.get().abs_diff(planned) <= 4;
        let likely = self.among.iter().filter(|one| is_likely(one)).count();
        let others = self.among.len() - likely;
        let weight = if likely == 0 || others < likely {
            1.0
        } else {
            f64::from(u32::try_from(others).unwrap_or(u32::MAX))
                / f64::from(u32::try_from(likely).unwrap_or(u32::MAX))
        };
        let among = self.among.iter();
        among
            .map(|one| (*one, if is_likely(one) { weight } else { 1.0 }))
            .collect()
    }
}
