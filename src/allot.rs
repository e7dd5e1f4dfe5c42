//! Turnouts and signals without an output: which decoder, which output, which address.
//!
//! Pure: a [`Draft`] goes in, a [`Proposal`] comes out, and [`text::written`] makes the new text of
//! the plan from the two. What has an address or an output keeps it.
//!
//! - An output fits by its kind, its packets, and by what it, its decoder and its supply may
//!   carry.
//! - A decoder serves one place, or some that follow one another in the file: [`Options::reach`].
//! - [`Options::spare`] outputs of each decoder stay free.
//! - As few decoders are added as can be: [`Proposal::at_least`] is a number that no arrangement is
//!   below, found without looking at the arrangement. Of those with as few, the one in which
//!   decoders serve the fewest places, then the one that fills decoders of the plan first.

use std::collections::BTreeMap;

use throwproof_protocol::address::KeyedAddress;

use crate::plan::draft::Draft;
use crate::plan::{Id, OutputKind, PacketFormat};

mod address;
mod arrange;
mod bound;
mod demand;
mod pack;
mod room;
mod supply;
pub mod text;

/// What the person wants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// How many outputs a decoder to add has, 1 to 64.
    pub outputs: u8,
    /// How many outputs of each decoder stay free.
    pub spare: u8,
    /// How many places that follow one another in the file one decoder may serve, from 1.
    pub reach: u16,
    /// A decoder of the plan that decoders to add of its kind are like.
    pub like: Option<Id>,
}

impl Default for Options {
    /// Eight outputs, one of them spare, two places (common practice, no source).
    fn default() -> Self {
        Self {
            outputs: 8,
            spare: 1,
            reach: 2,
            like: None,
        }
    }
}

/// Why nothing can be proposed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AllotError {
    /// No decoder is called that.
    #[error("the plan has no decoder {0}")]
    NoSuchDecoder(Id),
    /// Nothing would be left to use.
    #[error("a decoder with outputs {outputs} can't keep {spare} of them free and be used")]
    AllSpare {
        /// How many it has.
        outputs: u8,
        /// How many were to stay free.
        spare: u8,
    },
    /// The plan's text has a form that lines can't be added to.
    #[error("the plan's text can't be added to: {0}")]
    Text(String),
}

impl AllotError {
    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::NoSuchDecoder(_) => "name one that the plan has with --like".to_owned(),
            Self::AllSpare { .. } => "take a smaller --spare, or more --outputs".to_owned(),
            Self::Text(_) => "write each decoder as [decoder.ID], and each turnout and signal as \
                              [[turnout]] or [[signal]], with their keys on lines of their own"
                .to_owned(),
        }
    }
}

/// Where something is to be wired.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Given {
    /// Its id.
    pub id: Id,
    /// Whether it is a signal.
    pub is_signal: bool,
    /// Its place; empty where the plan does not say.
    pub place: String,
    /// The decoder.
    pub decoder: Id,
    /// Its output, or the first of several side by side.
    pub output: u8,
    /// How many outputs it takes.
    pub outputs: u8,
    /// The address that a person keys, or the first of several.
    pub address: KeyedAddress,
    /// Its number among the turnouts, or among the signals.
    index: usize,
}

/// A decoder to add.
#[derive(Debug, Clone, PartialEq)]
pub struct NewDecoder {
    /// Its id.
    pub id: Id,
    /// How many outputs it has.
    pub outputs: u8,
    /// Address of the first.
    pub first_address: KeyedAddress,
    /// What its outputs do.
    pub output_kind: OutputKind,
    /// The packets it obeys.
    pub format: PacketFormat,
    /// What can feed it; `None` where nothing of the plan can, which [`Proposal::remarks`] tells.
    pub supply: Option<Id>,
    /// The decoder that it is like.
    pub like: Option<Id>,
    /// The places it serves, along the layout.
    pub places: Vec<String>,
    /// How many outputs stay free.
    pub free: u8,
}

/// Something that got no output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Left {
    /// Its id.
    pub id: Id,
    /// Why.
    pub reason: String,
    /// How to mend it.
    pub mend: String,
}

/// What is proposed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Proposal {
    /// Where things go, in the order of the file, signals after turnouts.
    pub given: Vec<Given>,
    /// The decoders to add, along the layout.
    pub decoders: Vec<NewDecoder>,
    /// What got nothing.
    pub left: Vec<Left>,
    /// How many decoders have to be added at least. Where it is less than are added, it is not
    /// known whether fewer can do.
    pub at_least: usize,
    /// What the person should know of.
    pub remarks: Vec<String>,
}

impl Proposal {
    /// Whether there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.given.is_empty()
    }

    /// How many are given at each place, in the order of the file.
    pub fn by_place(&self) -> Vec<(&str, Vec<&Given>)> {
        let mut order: Vec<&str> = Vec::new();
        let mut places: BTreeMap<&str, Vec<&Given>> = BTreeMap::new();
        for given in &self.given {
            if !order.contains(&given.place.as_str()) {
                order.push(&given.place);
            }
            places.entry(&given.place).or_default().push(given);
        }
        let named = order
            .into_iter()
            .map(|place| (place, places.remove(place).unwrap_or_default()));
        named.collect()
    }
}

/// Finds outputs for what has none. The draft has no errors: [`Draft::errors`].
///
/// # Errors
/// When the options can't be.
pub fn propose(draft: &Draft, options: &Options) -> Result<Proposal, AllotError> {
    arrange::propose(draft, options)
}

#[cfg(test)]
mod tests;
