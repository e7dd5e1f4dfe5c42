//! What is asked of whoever stands at a decoder that is given its address: things done by hand,
//! one at a time, and what an output was seen to do.

use serde::Serialize;
use throwproof_protocol::address::Position;

use crate::plan::Id;

/// Something to be done by hand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Task {
    /// The decoder.
    pub decoder: Id,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Which step of the whole it is, from 1.
    pub step: u32,
    /// Of how many.
    pub steps: u32,
    /// What is to be done.
    pub job: Job,
    /// The same as one plain sentence.
    pub text: String,
    /// What to mind while doing it; may be empty.
    pub mind: String,
    /// What to do if it ends here, a sentence each.
    pub if_stopped: Vec<String>,
}

/// What is to be done by hand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "job", rename_all = "kebab-case")]
pub enum Job {
    /// Put its learn lead on, or press its button.
    LearnOn,
    /// Take the learn lead off, or press the button again.
    LearnOff,
    /// Take its power away.
    PowerOff,
    /// Give it power.
    PowerOn,
    /// Set the switches of its board, the first one first.
    Switches {
        /// Which of them are on.
        on: Vec<bool>,
    },
    /// Connect it, and it alone, to the programming track.
    OntoProgrammingTrack,
    /// Connect it to the layout again.
    BackToLayout,
}

/// What became of a task.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Did {
    /// It is done.
    Done,
    /// It can't be done.
    Cannot,
    /// The builder wants to stop.
    Stop,
}

/// An output that was commanded, to be looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Watch {
    /// The decoder.
    pub decoder: Id,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Which step of the whole it is, from 1.
    pub step: u32,
    /// Of how many.
    pub steps: u32,
    /// The output that should have acted, from 1; `None` where nothing of this decoder should.
    pub output: Option<u8>,
    /// How many outputs it has.
    pub outputs: u8,
    /// What the plan has on that output, if anything.
    pub wired: Option<Id>,
    /// The keyed address that was sent.
    pub address: u16,
    /// The position that was sent.
    #[serde(serialize_with = "word")]
    pub sent: Position,
    /// Whether the output goes off by itself, so that one that stays on is a fault.
    pub goes_off: bool,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "what serde hands over")]
fn word<S: serde::Serializer>(position: &Position, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(position.as_str())
}

/// What was seen of an output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Saw {
    /// That output acted: its half for straight or for diverging came on.
    Acted {
        /// Which half.
        position: Position,
        /// Whether it is on still.
        stays_on: bool,
    },
    /// Another output of the decoder acted.
    OtherOutput(u8),
    /// Something else on the layout did.
    Elsewhere,
    /// Nothing acted.
    Nothing,
    /// It is to be sent once more.
    Repeat,
    /// It can't be seen: nothing is connected there.
    CannotSee,
    /// The builder wants to stop.
    Stop,
}
