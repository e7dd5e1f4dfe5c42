//! What a signal looks like, and what else is switched like a signal.

use serde::{Deserialize, Serialize};

/// What is switched by the aspects of a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sort {
    /// A signal.
    #[default]
    Signal,
    /// An uncoupler: rises while its output is active, and falls by itself.
    Uncoupler,
    /// Crossing gates.
    Gates,
    /// Lights, or anything else that is on or off.
    Lights,
}

/// A lamp of a signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lamp {
    /// Its name in the plan: `green`, `lower-yellow`.
    pub name: String,
    /// Its colour, which its name ends with.
    pub colour: Colour,
}

/// The colour of a lamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Colour {
    /// Red.
    Red,
    /// Yellow.
    Yellow,
    /// Green.
    Green,
    /// White.
    White,
    /// Blue.
    Blue,
}

/// A lamp that an aspect lights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lit {
    /// Index in [`super::Signal::lamps`].
    pub lamp: usize,
    /// Whether it flashes.
    pub flashing: bool,
}
