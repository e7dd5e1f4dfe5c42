//! Proves the turnouts and signals of a DCC model railway: every address throws the right
//! turnout, both ways, the way the command says.
//!
//! # Layout
//!
//! - [`plan`]: the file that says what should be there; [`check`]: findings in it, found
//!   without touching the layout.
//! - [`electric`]: what its wires, supplies and drives come to.
//! - [`link`]: how packets leave the computer; [`witness`]: who says what was seen.
//! - [`profile`]: a station's serial protocol as its user describes it, into bytes and back.
//! - [`phone`]: the page on which phones answer.
//! - [`sweep`]: the engine that throws every turnout and takes an observation of each throw;
//!   [`verdict`]: what those observations mean.
//! - [`teach`]: the engine that gives a decoder its address.
//! - [`event`]: what an engine tells the world; [`view`]: terminal and JSON, which show it.
//! - [`track`]: the simulated track, which is a link and a witness; nothing else knows that it
//!   is simulated.
//! - [`serve`]: the simulated track at the other end of a wire, a pseudo-terminal or TCP.
//! - [`report`]: what the record says, for keeping: documents and labels; [`cautions`]: what to mind.
//! - [`allot`]: outputs and addresses for what has none.
//! - [`import`]: a list kept in a spreadsheet into a plan, and back.
//! - [`cli`]: arguments, exit codes and the commands that join the above.
//!
//! Packets themselves are the business of [`throwproof_protocol`].

pub mod allot;
pub mod cautions;
pub mod check;
pub mod cli;
pub mod diagnose;
pub mod drawing;
pub mod electric;
pub mod event;
pub mod hunt;
pub mod import;
pub mod lcc;
pub mod link;
pub mod phone;
pub mod plan;
pub mod profile;
pub mod record;
pub mod report;
pub mod serve;
pub mod settings;
pub mod starter;
pub mod statistics;
pub mod sweep;
pub mod teach;
pub mod textfile;
pub mod toml_reader;
pub mod track;
pub mod verdict;
pub mod view;
pub mod witness;
