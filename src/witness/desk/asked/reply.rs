//! An answer, and the word for it.

use crate::witness::bench::{Did, Saw};
use crate::witness::desk::bench;
use crate::witness::diagnosis::Told;
use crate::witness::hunt::Noticed;
use crate::witness::{Answer, Closer, Found, Observed, Surveyed};

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// To [`AskedKind::Throw`](super::AskedKind::Throw).
    Answer(Answer),
    /// To [`AskedKind::Hand`](super::AskedKind::Hand): whether it was done.
    Laid(bool),
    /// To [`AskedKind::Survey`](super::AskedKind::Survey).
    Survey(Surveyed),
    /// To [`AskedKind::Look`](super::AskedKind::Look).
    Look(Closer),
    /// To [`AskedKind::Repeating`](super::AskedKind::Repeating).
    Enough,
    /// To [`AskedKind::Task`](super::AskedKind::Task) and
    /// [`AskedKind::LayBack`](super::AskedKind::LayBack).
    Did(Did),
    /// To [`AskedKind::Watch`](super::AskedKind::Watch).
    Saw(Saw),
    /// To [`AskedKind::Hunt`](super::AskedKind::Hunt).
    Noticed(Noticed),
    /// To [`AskedKind::Diagnosis`](super::AskedKind::Diagnosis).
    Told(Told),
    /// To any: end the run.
    Stop,
}

impl Reply {
    /// Whether it ends the run.
    pub fn ends(&self) -> bool {
        matches!(
            self,
            Self::Stop
                | Self::Answer(Answer::Stop)
                | Self::Survey(Surveyed::Stop)
                | Self::Look(Closer::Stop)
                | Self::Did(Did::Stop)
                | Self::Saw(Saw::Stop)
                | Self::Noticed(Noticed::Stop)
                | Self::Told(Told::Stop)
        )
    }

    /// A word for it: `straight`, `no-movement`, `repeat`, `confirmed`; `aspect NAME` for what a
    /// signal shows, `output NUMBER` for another output of a decoder.
    pub fn code(&self) -> String {
        let word = match self {
            Self::Answer(answer) => return answer_code(answer),
            Self::Laid(true) => "laid",
            Self::Laid(false) => "not-laid",
            Self::Survey(surveyed) => match surveyed {
                Surveyed::Differ(differ) if differ.is_empty() => "confirmed",
                Surveyed::Differ(_) => "differ",
                Surveyed::Repeat => "repeat",
                Surveyed::Undo => "undo",
                Surveyed::OneByOne => "one-by-one",
                Surveyed::SkipPlace => "skip-place",
                Surveyed::Stop => "stop",
            },
            Self::Look(closer) => match closer {
                Closer::Found(Found::Good) => "good",
                Closer::Found(Found::Bad) => "bad",
                Closer::KeepThrowing => "keep-throwing",
                Closer::Later => "later",
                Closer::Note(_) => "note",
                Closer::Stop => "stop",
            },
            Self::Enough => "enough",
            Self::Did(did) => bench::did_code(*did),
            Self::Saw(saw) => return bench::saw_code(*saw),
            Self::Noticed(noticed) => noticed.code(),
            Self::Told(told) => return told.code(),
            Self::Stop => "stop",
        };
        word.to_owned()
    }
}

fn answer_code(answer: &Answer) -> String {
    let word = match answer {
        Answer::Seen(seen) => match &seen.observed {
            Observed::Straight => "straight",
            Observed::Diverging => "diverging",
            Observed::NoMovement => "no-movement",
            Observed::Between => "between",
            Observed::Another => "another",
            // A signal may have an aspect called `stop`, which is another answer.
            Observed::Aspect(name) => return format!("aspect {name}"),
        },
        Answer::Repeat => "repeat",
        Answer::BackAndForth => "back-and-forth",
        Answer::KeepThrowing => "keep-throwing",
        Answer::Undo => "undo",
        Answer::Note(_) => "note",
        Answer::Skip => "skip",
        Answer::SkipPlace => "skip-place",
        Answer::CantSee(_) => "cant-see",
        Answer::Unclear => "unclear",
        Answer::Stop => "stop",
    };
    word.to_owned()
}
