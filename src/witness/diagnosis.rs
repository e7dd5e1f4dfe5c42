//! What is asked of whoever stands at a turnout that fails: what to do there, what a test showed,
//! whether it is mended.

use serde::Serialize;

use crate::plan::Id;

/// A question of a diagnosis.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Query {
    /// Number of the test that it belongs to, from 1; 0 outside of any.
    #[serde(rename = "test_number")]
    pub number: u32,
    /// What it is about.
    pub stage: Stage,
    /// The turnout that fails.
    pub turnout: Id,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Stable name of the test; empty outside of any.
    pub test: String,
    /// What is done, or to be done, as plain sentences.
    pub text: String,
    /// What to mind; may be empty.
    pub mind: String,
    /// Why what was answered before could not be gone on with, and how to mend that; empty where
    /// nothing stood against it.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub amiss: String,
    /// What is asked, part by part.
    pub parts: Vec<Part>,
    /// Whether the program threw something for it, and can throw it again.
    pub repeats: bool,
}

/// What a question is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Whether addresses that the plan does not have may be thrown.
    Allow,
    /// Something is to be prepared by hand; the program throws when it is ready.
    Prepare,
    /// What a test showed.
    Showed,
    /// What was prepared is to be put back.
    PutBack,
    /// What it came to is told; whether it is mended.
    Mended,
    /// Which of several turnouts is to be looked into.
    Which,
}

/// One part of a question, with the answers to choose from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Part {
    /// What is asked.
    pub ask: String,
    /// The answers, one at the least.
    pub choices: Vec<String>,
}

/// What is answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// One choice of each part, counted from 0.
    Chosen(Vec<usize>),
    /// Whoever looked can't say.
    NotSure,
    /// It is to be thrown once more: nobody looked.
    Again,
    /// Leave this test out.
    Skip,
    /// Nobody is there to ask.
    Nobody,
    /// The operator wants to stop.
    Stop,
}

impl Query {
    /// Whether that is an answer to it.
    pub fn fits(&self, told: &Told) -> bool {
        match told {
            Told::Chosen(chosen) => {
                let mut both = self.parts.iter().zip(chosen);
                chosen.len() == self.parts.len()
                    && both.all(|(part, choice)| *choice < part.choices.len())
            }
            Told::NotSure => self.stage == Stage::Showed,
            Told::Again => self.stage == Stage::Showed && self.repeats,
            Told::Skip => matches!(self.stage, Stage::Prepare | Stage::Showed),
            Told::Nobody => false,
            Told::Stop => true,
        }
    }
}

impl Told {
    /// A word for it; the choices as numbers from 1: `2 1`.
    pub fn code(&self) -> String {
        let word = match self {
            Self::Chosen(chosen) => {
                let numbers: Vec<_> = chosen.iter().map(|it| (it + 1).to_string()).collect();
                return numbers.join(" ");
            }
            Self::NotSure => "not-sure",
            Self::Again => "again",
            Self::Skip => "skip",
            Self::Nobody => "nobody",
            Self::Stop => "stop-here",
        };
        word.to_owned()
    }
}
