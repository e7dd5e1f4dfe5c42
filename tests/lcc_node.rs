//! The LCC node against the clauses of the standards, on a clock of the test's.
#![cfg(test)]

#[path = "lcc_node/access.rs"]
mod access;
#[path = "lcc_node/endurance.rs"]
mod endurance;
#[path = "lcc_node/events.rs"]
mod events;
#[path = "lcc_node/messages.rs"]
mod messages;
#[path = "lcc_node/segment.rs"]
mod segment;
