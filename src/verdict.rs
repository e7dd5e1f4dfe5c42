//! What observations mean.

use serde::{Deserialize, Serialize};

/// The verdict on one turnout or signal, from its observations alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Every throw was seen to move it where the command said, and nothing else moved.
    Proved,
    /// Every throw moved it, to the other position.
    Reversed,
    /// No throw was seen to move it.
    Still,
    /// It moves to one position only.
    OneWay,
    /// It moves, but not every time or not all the way.
    Partial,
    /// Something else moved.
    Stray,
    /// It was not tried.
    Skipped,
}
