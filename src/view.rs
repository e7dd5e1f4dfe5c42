//! Terminal and JSON, which show what engines tell.

pub mod findings;
pub mod problems;
pub mod profile;
