//! Turnouts with several drives that are one thing: three-way turnouts, slips, scissors
//! crossovers.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};

use super::{Id, OutputRef};

/// What a turnout with several drives has beyond one with a single drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Joint {
    /// Its drives, in the order of the plan; the first one's address and output are the
    /// turnout's own.
    pub drives: Vec<JointDrive>,
    /// The positions it may lie in, in the order of the plan. Any other combination of its
    /// drives is forbidden.
    pub positions: Vec<NamedPosition>,
    /// Name of the position it is left in.
    pub rest: Id,
    /// Whether a forbidden combination may be passed through, as by the two ends of a crossover;
    /// otherwise the drives are thrown in an order that never comes to one.
    pub free_passage: bool,
}

/// How one of several drives is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JointDrive {
    /// The number a person keys to throw it.
    pub address: KeyedAddress,
    /// The decoder output that drives it, as for a turnout.
    pub output: Option<OutputRef>,
    /// The pair bit that commands its own `straight`.
    pub straight_bit: PairBit,
}

/// A position of a turnout with several drives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedPosition {
    /// Its name in the plan: `left`.
    pub name: Id,
    /// How each drive lies then, in their order.
    pub drives: Vec<Position>,
}
