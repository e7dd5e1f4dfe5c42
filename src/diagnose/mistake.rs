//! How people are wrong: seldom about everything at once.
//!
//! An answer has parts: how it moved, and what moved beside it; one half, and the other. Who is
//! mistaken is mostly so in one part, and now and then clicks anything at all.

use super::sight::Answer;
use super::test::Test;

/// How many mistakes are in one part only; the others are any answer. A choice of ours.
const IN_ONE_PART: f64 = 0.5;

/// The answers a test can have, as the parts they are made of.
#[derive(Debug)]
pub struct Parts {
    answers: Vec<Answer>,
    sizes: Vec<usize>,
}

impl Parts {
    /// Those of a test.
    pub fn of(test: Test) -> Self {
        Self {
            answers: test.answers(),
            sizes: test.parts().iter().map(|it| it.choices.len()).collect(),
        }
    }

    /// How many parts there are.
    pub fn count(&self) -> usize {
        self.sizes.len()
    }

    /// How likely any one answer is when all are as likely.
    pub fn any(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few dozen answers")]
        let all = self.answers.len().max(1) as f64;
        1.0 / all
    }

    fn place(&self, answer: Answer) -> usize {
        let place = self.answers.iter().position(|it| *it == answer);
        place.unwrap_or_default()
    }

    /// In which parts two answers are the same: a bit for each.
    pub fn alike(&self, one: Answer, other: Answer) -> u128 {
        let (mut one, mut other) = (self.place(one), self.place(other));
        let mut alike = 0;
        for (index, size) in self.sizes.iter().enumerate().rev() {
            alike |= u128::from(one % size == other % size) << index;
            one /= size;
            other /= size;
        }
        alike
    }

    /// How likely who is mistaken says one thing where the other is right.
    pub fn by_mistake(&self, said: Answer, right: Answer) -> f64 {
        let any = (1.0 - IN_ONE_PART) * self.any();
        let parts = self.count();
        let alike = self.alike(said, right).count_ones();
        let beside: usize = self.sizes.iter().map(|size| size - 1).sum();
        if usize::try_from(alike).is_ok_and(|it| it + 1 == parts) && beside > 0 {
            #[expect(clippy::cast_precision_loss, reason = "a few dozen answers")]
            let beside = beside as f64;
            any + IN_ONE_PART / beside
        } else {
            any
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnose::sight::{Motion, Other};

    #[test]
    fn mistakes_in_one_part_are_likelier_and_none_is_counted_twice() {
        for test in Test::ALL {
            let parts = Parts::of(test);
            for right in test.answers() {
                let all = test.answers();
                let sum: f64 = all.iter().map(|it| parts.by_mistake(*it, right)).sum();
                assert!((sum - 1.0).abs() < 1e-9, "{test:?} {right:?} {sum}");
            }
        }
        let parts = Parts::of(Test::Again);
        let right = Answer::Motion(Motion::Still, Other::Nothing);
        let missed = Answer::Motion(Motion::Still, Other::Neighbour);
        let blind = Answer::Motion(Motion::AsSent, Other::Neighbour);
        assert!(parts.by_mistake(missed, right) > parts.by_mistake(blind, right));
        assert_eq!(parts.alike(missed, right), 0b01);
        assert_eq!(parts.alike(blind, missed), 0b10);
    }
}
