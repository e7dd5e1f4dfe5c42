//! What a key holds, and what it means that it holds nothing.

use super::{Fault, Located, Problem, Table};

/// What a key of a table holds.
#[derive(Debug)]
#[must_use = "say what an absent key means: `required`, `optional` or `or`"]
pub struct Field<'t, 'd, T> {
    pub(super) table: &'t Table<'d>,
    pub(super) key: &'d str,
    pub(super) state: State<T>,
}

#[derive(Debug)]
pub(super) enum State<T> {
    Absent,
    /// Reported already.
    Wrong,
    Is(Located<T>),
}

impl<T> Field<'_, '_, T> {
    /// The value; where the key is absent, that is a problem.
    pub fn required(self) -> Option<Located<T>> {
        self.required_or("")
    }

    /// The same, where there is another way to say it: `, or …`, which the mend ends with.
    pub fn required_or(self, instead: &'static str) -> Option<Located<T>> {
        if matches!(self.state, State::Absent) {
            let (key, table) = (self.key.to_owned(), self.table.name());
            let fault = Fault::MissingKey {
                key,
                table,
                instead,
            };
            self.table.report(Problem::new(fault, self.table.span()));
        }
        self.optional()
    }

    /// The value, if the key is there and right.
    pub fn optional(self) -> Option<Located<T>> {
        match self.state {
            State::Is(located) => Some(located),
            State::Absent | State::Wrong => None,
        }
    }

    /// The value, or `default` where the key is absent (or wrong, which fails the file anyway).
    pub fn or(self, default: T) -> T {
        self.optional().map_or(default, |located| located.value)
    }
}

impl<T> State<T> {
    pub(super) fn map<U>(self, change: impl FnOnce(Located<T>) -> U) -> State<U> {
        match self {
            Self::Absent => State::Absent,
            Self::Wrong => State::Wrong,
            Self::Is(located) => {
                let span = located.span;
                State::Is(Located {
                    value: change(located),
                    span,
                })
            }
        }
    }
}
