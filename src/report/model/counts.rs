//! How things stand, and how many of them.

use serde::Serialize;

use crate::verdict::Verdict;

/// How many came to what.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// All there are.
    pub total: usize,
    /// Proved.
    pub proved: usize,
    /// Failed.
    pub failed: usize,
    /// Skipped, and never tried in another run.
    pub skipped: usize,
    /// Never reached, or changed in the plan since.
    pub open: usize,
}

impl Counts {
    /// Counts one more.
    pub(in crate::report) fn add(&mut self, state: State) {
        self.total += 1;
        match state {
            State::Proved => self.proved += 1,
            State::Failed => self.failed += 1,
            State::Skipped => self.skipped += 1,
            State::Open | State::Changed => self.open += 1,
        }
    }

    /// Is everything proved?
    pub const fn is_clean(&self) -> bool {
        self.proved == self.total
    }
}

/// How far acceptance is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Acceptance {
    /// Turnouts that are proved and have passed their list.
    pub accepted: usize,
    /// Turnouts with a list.
    pub listed: usize,
}

/// How one of them stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Proved.
    Proved,
    /// Something is wrong with it.
    Failed,
    /// Left out of every run that came to it.
    Skipped,
    /// No run came to it.
    Open,
    /// The plan has changed it since; it has to be proved again.
    Changed,
}

impl State {
    /// That of a verdict.
    pub(in crate::report) const fn of(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Proved => Self::Proved,
            Verdict::Skipped => Self::Skipped,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => Self::Failed,
        }
    }
}
