//! What people and programs are shown of events, packets and findings.
//!
//! A view takes events and writes; no engine knows of any view. Text is for people and may
//! change; JSON is a contract, described in `docs/json.md`.

pub mod allot;
pub mod diagnosis;
pub mod explained;
pub mod findings;
pub mod group;
pub mod history;
pub mod hunt;
pub mod json;
pub mod lcc;
mod line;
pub mod map;
pub mod packet;
pub mod ports;
pub mod problems;
pub mod profile;
pub mod sarif;
pub mod single;
pub mod teach;
pub mod terminal;
pub(crate) mod unkept;
pub mod wire_log;
pub(crate) mod words;
