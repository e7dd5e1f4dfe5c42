//! An LCC node, without input, output or a clock of its own.
//!
//! [`Node`] is fed frames and the time, and gives frames to send, the time at which it wants to be
//! looked at again, and [`Happening`]s: what its owner should know. The same node serves both ends
//! of a link:
//!
//! - as a *tester* it produces accessory commands and hears position reports and emergencies;
//! - as a *gateway* it is the command station: it hears accessory commands and produces position
//!   reports.
//!
//! ```text
//! frames in -> access    aliases: who may send (CAN Frame Transfer)
//!           -> answers   questions and their replies (Message Network, Node Information)
//!           -> duties    events produced and consumed, and their state (Event Transport)
//! frames out <- aliases, then events, then replies
//! ```
//!
//! clause: NMRA S-9.7.x; each clause is named where it is kept.

mod access;
mod answers;
pub mod codec;
mod duties;
mod happening;
mod node;
mod outbox;
mod owner;

pub use duties::{Side, Validity};
pub use happening::{Ask, Happening};
pub use node::{Node, NodeOptions, SendError};
pub use outbox::NodeTally;
