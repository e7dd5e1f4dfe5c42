//! The one measurement that parts the causes that remain.

use super::cause::Cause;
use super::sight::Answer;
use super::test::Test;
use super::{ASKED_AT_MOST, CLOSELY, Conclusion, Diagnosis, Kind};

/// A measurement that is expected to tell less than this does not part anything, nats: a third of
/// what parts two causes that are as likely as each other.
const PARTS: f64 = 0.23;

/// One that tells this share of what the most telling one does will do, if it costs less.
const WILL_DO: f64 = 0.8;

/// A measurement that parts what remains, and what it would show of each cause.
#[derive(Debug, Clone)]
pub struct Parting {
    /// The measurement: a test that was refused, or one that is asked of nobody in the ordinary
    /// course.
    pub test: Test,
    /// What it would most likely show of each cause that remains, in the order of the
    /// conclusion.
    pub shows: Vec<(&'static Cause, Answer)>,
}

impl PartialEq for Parting {
    fn eq(&self, other: &Self) -> bool {
        let names = |one: &Self| -> Vec<(&str, Answer)> {
            let each = one.shows.iter();
            each.map(|(cause, answer)| (cause.name, *answer)).collect()
        };
        self.test == other.test && names(self) == names(other)
    }
}

impl Diagnosis {
    /// The measurement that parts the causes of a conclusion, if several remain and there is one.
    pub(super) fn parting(&mut self, conclusion: &Conclusion) -> Option<Parting> {
        if conclusion.kind != Kind::Remain || conclusion.causes.len() < 2 {
            return None;
        }
        let site = self.belief.site();
        let candidates: Vec<Test> = Test::ALL
            .into_iter()
            .filter(|test| {
                let times = self.asked.iter().filter(|one| *one == test).count();
                let is_refused = self.refused.contains(test);
                times < ASKED_AT_MOST
                    && (is_refused || !test.is_ordinary())
                    && test.is_offered(site)
            })
            .collect();
        self.belief.foresee(&candidates, CLOSELY);
        let gains: Vec<(f64, Test)> = candidates
            .into_iter()
            .map(|test| (self.belief.gain(test, CLOSELY), test))
            .collect();
        let most = gains.iter().map(|(gain, _)| *gain).fold(0.0, f64::max);
        let enough = |(gain, _): &&(f64, Test)| *gain >= PARTS && *gain >= WILL_DO * most;
        let cheapest = gains
            .iter()
            .filter(enough)
            .min_by(|one, other| one.1.cost().seconds.total_cmp(&other.1.cost().seconds));
        let test = cheapest.map(|(_, test)| *test)?;
        let shows = conclusion.causes.iter().filter_map(|likely| {
            let answer = self.belief.foreseen(test, likely.cause.name)?;
            Some((likely.cause, answer))
        });
        let shows = shows.collect();
        Some(Parting { test, shows })
    }
}
