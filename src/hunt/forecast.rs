//! How many questions and how long it may take, before anything is thrown.

use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;

use super::pace::Pace;
use super::search::{Next, Search};

/// So many hunts are gone through for the forecast.
const SAMPLES: usize = 8;

/// What may be expected while no answer is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Forecast {
    /// The most questions, those of the proof counted.
    pub(super) at_most: u32,
    /// On average.
    pub(super) about: Duration,
    /// The longest of those that were gone through.
    pub(super) longest: Duration,
}

impl Forecast {
    /// For a search that has asked nothing yet; `answer` is what an answer takes.
    pub(super) fn of(search: &Search, pace: &Pace<'_>, answer: Duration) -> Self {
        let addresses = search.addresses();
        let step = addresses.len().div_ceil(SAMPLES).max(1);
        // The last one too: it is what nothing moves until the end.
        let truths = addresses.iter().step_by(step).chain(addresses.last());
        let times: Vec<_> = truths
            .map(|truth| time(search, pace, *truth, answer))
            .collect();
        let count = u32::try_from(times.len()).unwrap_or(u32::MAX).max(1);
        Self {
            at_most: search.at_most(),
            about: times.iter().sum::<Duration>() / count,
            longest: times.into_iter().max().unwrap_or_default(),
        }
    }
}

/// How long it takes to find that one.
fn time(search: &Search, pace: &Pace<'_>, truth: KeyedAddress, answer: Duration) -> Duration {
    let mut search = search.clone();
    let mut time = Duration::ZERO;
    // No hunt without wrong answers is longer; the end is for what nobody thought of.
    for _ in 0..64 {
        match search.next() {
            Next::Nobody => break,
            Next::Ask(group) => {
                time += pace.estimate(&group, 2) + answer;
                let moved = group.binary_search(&truth).is_ok();
                search.answered(&group, moved);
            }
            Next::Prove(alone) => {
                // It is laid the other way first.
                time += pace.estimate(&[alone], 2) + answer;
                search.answered(&[alone], alone == truth);
                if alone == truth {
                    time += pace.estimate(&[alone], 1) + answer;
                    break;
                }
            }
        }
    }
    time
}
