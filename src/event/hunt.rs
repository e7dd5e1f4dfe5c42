//! What happens while the address of a thing is looked for.

use serde::{Deserialize, Serialize};

use crate::plan::Id;

/// One fact of a hunt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(
    tag = "event",
    rename_all = "kebab-case",
    rename_all_fields = "snake_case"
)]
pub enum Hunted {
    /// A hunt began; nothing was thrown yet.
    HuntStarted {
        /// What is looked for.
        goal: Goal,
        /// What is watched, in words.
        thing: String,
        /// How many addresses it may be.
        addresses: u16,
        /// Which: `1-512, 600`.
        runs: String,
        /// What the plan has at those addresses: all of it will move too.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        will_move: Vec<Bystander>,
        /// The most questions it takes while no answer is wrong, those of the proof counted.
        at_most: u32,
        /// About how long it takes, throws and answers, seconds.
        about_s: u64,
        /// And how long at the worst while no answer is wrong.
        longest_s: u64,
        /// What else has to be known.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        notes: Vec<String>,
    },
    /// Addresses are about to be thrown: now is the time to look.
    HuntThrows {
        /// Number of the question, from 1.
        question: u32,
        /// How many addresses.
        addresses: u16,
        /// Which.
        runs: String,
        /// Where a single one is sent alone; none where all are thrown there and back.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        sent: Option<Id>,
        /// What the plan has there.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        will_move: Vec<Id>,
        /// About how long it takes, seconds.
        about_s: u64,
    },
    /// They were thrown, and the answer is in.
    HuntAnswer {
        /// Number of the question.
        question: u32,
        /// How many addresses were thrown.
        addresses: u16,
        /// Which.
        runs: String,
        /// Where a single one was sent alone.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        sent: Option<Id>,
        /// How many commands went out.
        throws: u32,
        /// How long that took on the link's clock, microseconds.
        took_us: u64,
        /// The answer: `moved`, `did-not-move`, `straight`, `diverging`, `not-sure`, `again`.
        answer: String,
        /// How many addresses fit the answers best.
        left: u16,
        /// The likeliest address.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        leader: Option<u16>,
        /// How likely it is, per cent, rounded down.
        likely_percent: u8,
    },
    /// Something that moves was found, and seen to lie both ways.
    HuntFound {
        /// What was found.
        #[serde(flatten)]
        thing: Thing,
    },
    /// The hunt is over; always its last event.
    HuntDone {
        /// What was looked for.
        goal: Goal,
        /// What came of it.
        outcome: Outcome,
        /// What was found.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        found: Vec<Thing>,
        /// How the station numbers, where that was looked for: each way that fits what was seen.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        numberings: Vec<String>,
        /// How many questions were asked, those of proofs counted.
        questions: u32,
        /// How many commands went out.
        throws: u64,
        /// How long it took on the link's clock, microseconds.
        elapsed_us: u64,
        /// What it means, and what to do next.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        advice: Vec<String>,
    },
}

/// What is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Goal {
    /// The address of one thing.
    Address,
    /// How the station numbers.
    Numbering,
    /// Everything that moves.
    All,
}

/// What the plan has at an address that is thrown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bystander {
    /// Its id.
    pub id: Id,
    /// Where it is; empty where the plan does not say.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub place: String,
    /// Keyed address.
    pub address: u16,
}

/// Something that an address moves.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Thing {
    /// Keyed address, by the plan's numbering.
    pub address: u16,
    /// Binary address.
    pub binary_address: u16,
    /// The half of the pair that lays it straight, 1 (the standard's sense) or 0; none where it was not seen to lie both ways.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub straight_output: Option<u8>,
    /// What the plan has at that address.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub planned: Vec<Id>,
}

/// What came of a hunt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Found, and seen to lie both ways.
    Proved,
    /// Found, but it was seen to move one way only.
    OneWay,
    /// None of the addresses moves it.
    Nobody,
    /// Not found in as many questions as were allowed, or what was seen does not hold together.
    Unclear,
    /// It ended before its end.
    BrokenOff,
}
