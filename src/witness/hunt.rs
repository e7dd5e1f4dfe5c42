//! What is asked of whoever stands before a thing whose address is looked for: did it move, how
//! does it lie.

use std::time::Duration;

use serde::Serialize;
use throwproof_protocol::address::Position;

use crate::plan::Id;

/// What was thrown, and what is watched.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Inquiry {
    /// Number of the question in the hunt, from 1: one that is asked again keeps it.
    #[serde(rename = "question")]
    pub number: u32,
    /// What is watched, in words: `it`, `Q3, Dairy siding`.
    pub thing: String,
    /// The same as the plan has it, for those who watch without eyes.
    pub target: Option<Id>,
    /// How many addresses were thrown.
    pub addresses: u16,
    /// Which: `1-512, 600`.
    pub runs: String,
    /// Where a single one was sent alone, taking it for wired the standard's way; `None` where all
    /// were thrown there and back.
    #[serde(serialize_with = "word")]
    pub sent: Option<Position>,
}

#[expect(
    clippy::ref_option,
    clippy::trivially_copy_pass_by_ref,
    reason = "what serde hands over"
)]
fn word<S: serde::Serializer>(
    position: &Option<Position>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    match position {
        Some(position) => serializer.serialize_str(position.as_str()),
        None => serializer.serialize_none(),
    }
}

/// A thing that may move one way only, to be laid back by hand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Back {
    /// What is watched, in words.
    pub thing: String,
    /// The same as the plan has it.
    pub target: Option<Id>,
    /// Why that is asked for.
    pub why: Why,
}

/// Why a thing is to be laid back by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// It moves one way only, and has moved.
    Moved,
    /// It moved, and now the answers do not fit each other: it may move one way only.
    Doubted,
    /// Nothing moved it: it may move one way only, and lie there already.
    Never,
}

/// What was noticed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noticed {
    /// It moved, at that time on the link's clock where that is known.
    Moved(Option<Duration>),
    /// It moved and lies so; only after a single one.
    Lies(Position),
    /// It did not move.
    Still,
    /// Whoever watched can't say.
    NotSure,
    /// They are to be thrown once more: nobody looked.
    Again,
    /// The operator wants to stop.
    Stop,
}

impl Inquiry {
    /// Whether that can be noticed, at the end or, `while_thrown`, before it.
    pub fn fits(&self, noticed: Noticed, while_thrown: bool) -> bool {
        match noticed {
            // What comes yet may move it.
            Noticed::Still | Noticed::NotSure if while_thrown => false,
            Noticed::Moved(_) => self.sent.is_none(),
            Noticed::Lies(_) => self.sent.is_some(),
            Noticed::Still | Noticed::NotSure | Noticed::Again | Noticed::Stop => true,
        }
    }
}

impl Noticed {
    /// A word for it.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Moved(_) => "moved",
            Self::Lies(position) => position.as_str(),
            Self::Still => "did-not-move",
            Self::NotSure => "not-sure",
            Self::Again => "again",
            Self::Stop => "stop-here",
        }
    }
}
