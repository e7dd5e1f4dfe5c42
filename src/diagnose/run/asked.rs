//! What a diagnosis over a link is asked for, and what comes of it.

use std::time::Duration;

use crate::diagnose::{Conclusion, Swept};
use crate::event::StopReason;
use crate::plan::Id;
use crate::sweep::About;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct Asked {
    /// The turnout that fails, as index in the plan.
    pub target: usize,
    /// What is known before.
    pub known: Vec<Evidence>,
    /// Other turnouts that fail, for a reason that is not known yet, as indices in the plan.
    pub others: Vec<usize>,
    /// Those that fail for a reason that is known.
    pub explained: Vec<usize>,
    /// Causes that were mended already.
    pub mended: Vec<&'static str>,
    /// Seed of all draws.
    pub seed: u64,
    /// Whether addresses that the plan does not have may be thrown.
    pub beyond: Beyond,
    /// Nothing is thrown: whoever is asked makes every test by their own controls.
    pub by_hands: bool,
    /// What else has to be known.
    pub notes: Vec<String>,
    /// What came of a proof that goes before; where that has proved it, nothing is looked for.
    pub proof: Option<Proof>,
    /// What else is known of the run before it begins.
    pub about: About,
}

/// Something that was seen before, as evidence and in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What was seen of which turnout.
    pub swept: Swept,
    /// Where that is from: `this run`, `seen on 3 May 2026 in run 12`.
    pub from: String,
}

/// Whether addresses that the plan does not have may be thrown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beyond {
    /// Ask, once, when it would tell something.
    Ask,
    /// They may.
    Allowed,
    /// Never.
    Never,
}

/// What came of the proof of a cause that was mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    /// The cause.
    pub cause: &'static str,
    /// In words.
    pub words: String,
    /// The turnouts that still fail.
    pub still_fail: Vec<Id>,
    /// Whether all of it was proved.
    pub proved: bool,
}

/// How it ended, if no error ended it.
#[derive(Debug, Clone, PartialEq)]
pub enum Ended {
    /// At its end.
    With(Box<Done>),
    /// Before it.
    Stopped(StopReason),
}

/// What came of a diagnosis.
#[derive(Debug, Clone, PartialEq)]
pub struct Done {
    /// What it came to; nothing where a proof went before and left nothing to be looked for.
    pub conclusion: Option<Conclusion>,
    /// The operator's say about addresses that the plan does not have.
    pub beyond: Beyond,
    /// Others of [`Asked::others`] that the same cause explains.
    pub explains: Vec<usize>,
    /// When it began, on the link's clock.
    pub began: Duration,
}
