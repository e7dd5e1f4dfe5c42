//! How fast the operator is.

use std::collections::VecDeque;
use std::time::Duration;

/// How many of the last answers count: enough that one with a coffee in it does not.
const REMEMBERED: usize = 15;

/// With fewer answers nothing is said: the first few are slow.
const ENOUGH: usize = 3;

/// How long the last observations took each, from one question to the next.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Pace(VecDeque<Duration>);

impl Pace {
    /// So many observations took so long together.
    pub(super) fn add(&mut self, took: Duration, observations: usize) {
        let Ok(number) = u32::try_from(observations) else {
            return;
        };
        let Some(each) = took.checked_div(number) else {
            return;
        };
        if self.0.len() == REMEMBERED {
            self.0.pop_front();
        }
        self.0.push_back(each);
    }

    /// How long so many observations more will take.
    pub(super) fn left(&self, observations: usize) -> Option<Duration> {
        if self.0.len() < ENOUGH {
            return None;
        }
        let mut sorted: Vec<_> = self.0.iter().collect();
        sorted.sort();
        let median = *sorted.get(sorted.len() / 2)?;
        Some(median.saturating_mul(u32::try_from(observations).unwrap_or(u32::MAX)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn the_median_of_the_last_answers_counts() {
        let mut pace = Pace::default();
        pace.add(SECOND * 9, 1);
        pace.add(SECOND * 4, 1);
        assert_eq!(pace.left(10), None, "too few to tell");
        pace.add(SECOND * 5, 1);
        assert_eq!(pace.left(10), Some(SECOND * 50));
        // Supper.
        pace.add(SECOND * 3600, 1);
        pace.add(SECOND * 4, 1);
        assert_eq!(pace.left(2), Some(SECOND * 10));
        for _ in 0..REMEMBERED {
            pace.add(SECOND * 12, 6);
        }
        assert_eq!(pace.left(10), Some(SECOND * 20), "only the last count");
        assert_eq!(pace.left(0), Some(Duration::ZERO));
    }

    #[test]
    fn no_observation_has_no_pace() {
        let mut pace = Pace::default();
        for _ in 0..9 {
            pace.add(SECOND, 0);
        }
        assert_eq!(pace.left(1), None);
    }
}
