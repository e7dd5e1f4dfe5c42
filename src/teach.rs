//! Gives a decoder its address, with the builder at its side, and proves that it has it.
//!
//! What it takes is worked out first, without touching anything: a [`Lesson`] of steps, each of
//! which says how the decoder may be when it is done. [`Teach`] carries them out, one at a time,
//! over the same guarded link as a sweep. So it is known at any moment what to do if the lesson
//! is broken off.
//!
//! What was sent and what was seen are two facts; that something was sent proves nothing.

use throwproof_protocol::address::KeyedAddress;
use throwproof_protocol::cv::AddressMethod;

pub mod course;
mod lesson;
mod run;

pub use crate::event::teach::{Method, Outcome};
pub use lesson::{Act, Expect, Lesson, Proof, State, Step, whereabouts};
pub use run::{Ended, Teach};

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a yes or no of its own on the command line"
)]
pub struct Options {
    /// How it takes its address, where that is not as the plan says.
    pub method: Option<Method>,
    /// The address that its first output is to have, where that is not as the plan says.
    pub to: Option<KeyedAddress>,
    /// The address that it has; without it, the one that its maker set.
    pub from: Option<KeyedAddress>,
    /// How it holds that address in its CVs, where that is known.
    pub held_by: Option<AddressMethod>,
    /// Whether the planned pulse is written into its on-time CVs.
    pub set_pulse: bool,
    /// Whether more CVs are read than those that are written.
    pub read: bool,
    /// Whether its power is taken away for a proof that it keeps its address.
    pub power_cycle: bool,
    /// Whether it may get addresses that another has.
    pub allow_overlap: bool,
    /// Whether it may get the addresses that also are broadcast and emergency stop.
    pub allow_reserved: bool,
    /// Whether no other decoder has power.
    pub alone: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            method: None,
            to: None,
            from: None,
            held_by: None,
            set_pulse: false,
            read: false,
            power_cycle: true,
            allow_overlap: false,
            allow_reserved: false,
            alone: false,
        }
    }
}

/// Why a lesson is not begun.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}")]
pub struct Refusal {
    /// What stands against it.
    pub what: String,
    /// How to mend that.
    pub mend: String,
}

impl Refusal {
    fn new(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Self {
            what: what.into(),
            mend: mend.into(),
        }
    }
}
