//! Terminal and JSON, which show what engines tell.

pub mod problems;
