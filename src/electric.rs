//! What a plan's wires, supplies and drives come to: resistance of copper, voltage at each
//! drive, current of each supply, the time a capacitor and a coil need. Pure arithmetic: it
//! opens nothing and prints nothing.
//!
//! The figures that it takes where a plan is silent stand in [`figures`], which the simulated
//! track takes too. The laws are worked out here once more, in closed form where there is one,
//! so that the two can be held against each other.
//!
//! For other commands there are [`loads`], what each supply carries, and [`shortest_gap`], how
//! soon after each other turnouts can be thrown.

pub mod copper;
pub mod feed;
pub mod figures;
pub mod gap;
pub mod heat;
pub mod load;
pub mod power;
pub mod throw;
pub mod tree;

pub use gap::{Gap, Reason, shortest_gap};
pub use load::{Load, loads};
pub use power::{Power, Pull};
