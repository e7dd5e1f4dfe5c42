//! What happens while a decoder is given its address. What was sent and what was seen are two
//! facts, each with an event of its own.

use serde::{Deserialize, Serialize};
use throwproof_protocol::address::Position;

use crate::plan::Id;

/// One fact of teaching a decoder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(
    tag = "event",
    rename_all = "kebab-case",
    rename_all_fields = "snake_case"
)]
pub enum Taught {
    /// A decoder is to be given its address.
    TeachStarted {
        /// The decoder.
        decoder: Id,
        /// Where it is; empty where the plan does not say.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        place: String,
        /// How it takes its address.
        method: Method,
        /// Keyed address that its first output is to have.
        first_address: u16,
        /// How many outputs follow, this one counted.
        outputs: u8,
        /// Keyed address that it had, as far as is known.
        from: u16,
        /// How many steps there are.
        steps: u32,
        /// What has to be known before it begins.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        notes: Vec<String>,
    },
    /// Something was to be done by hand.
    ByHand {
        /// The decoder.
        decoder: Id,
        /// Number of the step, from 1.
        step: u32,
        /// What was to be done, in a word.
        job: String,
        /// The same as a sentence.
        text: String,
        /// Whether it was done.
        done: bool,
    },
    /// Something was sent.
    TaughtSent {
        /// The decoder.
        decoder: Id,
        /// Number of the step, from 1.
        step: u32,
        /// What for.
        purpose: Purpose,
        /// What it says, in words.
        text: String,
        /// Keyed address that it was sent to; none on the programming track.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        address: Option<u16>,
        /// The CV that it writes, by its lower number.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        cv: Option<u16>,
        /// The packet, as hexadecimal bytes.
        packet: String,
        /// Whether the decoder acknowledged it, where that can be heard.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        acknowledged: Option<bool>,
    },
    /// The witness said what was seen of an output.
    TaughtSeen {
        /// The decoder.
        decoder: Id,
        /// Number of the step, from 1.
        step: u32,
        /// Keyed address that was sent.
        address: u16,
        /// The position that was sent.
        #[serde(with = "position")]
        sent: Position,
        /// The output that should act; none where nothing of the decoder should.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        output: Option<u8>,
        /// What was seen.
        #[serde(flatten)]
        saw: Sight,
        /// Whether that is as it should be.
        as_expected: bool,
        /// Whether it was after the power had been away.
        #[serde(skip_serializing_if = "std::ops::Not::not", default)]
        after_power: bool,
    },
    /// A CV was read on the programming track.
    CvRead {
        /// The decoder.
        decoder: Id,
        /// Number of the step, from 1.
        step: u32,
        /// The CV, by its lower number.
        cv: u16,
        /// What it holds; none where the decoder gave no answer that holds together.
        value: Option<u8>,
        /// What it is for.
        text: String,
        /// Whether it was before anything was written.
        before: bool,
    },
    /// Teaching is over; always the last event of it.
    TeachDone {
        /// The decoder.
        decoder: Id,
        /// What it came to.
        outcome: Outcome,
        /// Keyed address that its first output was to have.
        first_address: u16,
        /// What was not as it should be, or could not be seen.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        amiss: Vec<String>,
        /// Keyed addresses at which its first output may be.
        may_be_at: Vec<u16>,
        /// What to do next; empty when nothing is left to do.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        next: Vec<String>,
    },
}

/// How a decoder is given its address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// In learn mode, the first accessory command gives it.
    FirstCommand,
    /// CVs, written on the layout.
    Main,
    /// CVs, written on a programming track.
    ProgrammingTrack,
    /// Switches on its board.
    Switches,
}

impl Method {
    /// Its name, as the command line has it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::FirstCommand => "first-command",
            Self::Main => "main",
            Self::ProgrammingTrack => "programming-track",
            Self::Switches => "switches",
        }
    }
}

/// What something was sent for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// To give the decoder its address in learn mode.
    Teach,
    /// To write a CV.
    Write,
    /// To verify what a CV holds.
    Verify,
    /// To see which output acts.
    Prove,
}

/// What was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(
    tag = "saw",
    rename_all = "kebab-case",
    rename_all_fields = "snake_case"
)]
pub enum Sight {
    /// The output acted.
    Acted {
        /// Which half came on.
        #[serde(with = "position")]
        position: Position,
        /// Whether it stayed on.
        stays_on: bool,
    },
    /// Another output of the decoder acted.
    OtherOutput {
        /// Which.
        other: u8,
    },
    /// Something else on the layout did.
    Elsewhere,
    /// Nothing acted.
    Nothing,
    /// It could not be seen.
    CannotSee,
}

/// What teaching came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Taught, and every output was seen to answer as it should.
    Proved,
    /// Something was not as it should be, or could not be seen.
    NotProved,
    /// It ended before its end.
    BrokenOff,
}

mod position {
    use serde::{Deserialize, Deserializer, Serializer, de};
    use throwproof_protocol::address::Position;

    #[expect(clippy::trivially_copy_pass_by_ref, reason = "what serde hands over")]
    pub(super) fn serialize<S: Serializer>(
        position: &Position,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(position.as_str())
    }

    pub(super) fn deserialize<'d, D: Deserializer<'d>>(
        deserializer: D,
    ) -> Result<Position, D::Error> {
        let word = String::deserialize(deserializer)?;
        word.parse().map_err(de::Error::custom)
    }
}
