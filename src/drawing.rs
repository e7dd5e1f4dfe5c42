//! Drawings of turnouts, seen from the toe, with the route that is set.

use throwproof_protocol::address::Position;

use crate::plan::Shape;

/// How a drawn turnout lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lies {
    /// All the way over.
    At(Position),
    /// Neither way.
    Between,
    /// Nobody knows: both routes are drawn alike.
    Unknown,
}
