//! How often something may fail, from how often it did.
//!
//! Throws either arrive or fail, so that a number of them is binomial; the bounds are the exact
//! ones of C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated
//! in the case of the binomial", Biometrika 26 (1934) 404-413, which are quantiles of the beta
//! distribution. They suppose that throws do not depend on each other, which warmth and stiction
//! make only nearly true.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, ContinuousCDF as _};

/// How sure the bounds are: 95 %.
const CONFIDENCE: f64 = 0.95;

/// Steps of halving until nothing is left to halve in a number between 0 and 1.
const HALVINGS: usize = 80;

/// Where the rate of failures lies, each at 95 % confidence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// It is not above this: the one-sided bound.
    pub at_most: f64,
    /// It lies between this…
    pub low: f64,
    /// … and this: the two-sided bounds.
    pub high: f64,
}

/// The bounds of the rate after `failures` in `trials`; `None` without a trial. More failures than
/// trials count as all of them.
pub fn bounds(failures: u32, trials: u32) -> Option<Bounds> {
    if trials == 0 {
        return None;
    }
    let failures = failures.min(trials);
    let tail = (1.0 - CONFIDENCE) / 2.0;
    Some(Bounds {
        at_most: upper(failures, trials, 1.0 - CONFIDENCE),
        low: lower(failures, trials, tail),
        high: upper(failures, trials, tail),
    })
}

/// The rate with which so few failures have a chance of only `tail`.
fn upper(failures: u32, trials: u32, tail: f64) -> f64 {
    if failures == trials {
        return 1.0;
    }
    if failures == 0 {
        // The exact bound in closed form: (1 - p)^n = tail.
        return 1.0 - tail.powf(1.0 / f64::from(trials));
    }
    quantile(
        f64::from(failures) + 1.0,
        f64::from(trials - failures),
        1.0 - tail,
    )
}

/// The rate with which so many failures have a chance of only `tail`.
fn lower(failures: u32, trials: u32, tail: f64) -> f64 {
    if failures == 0 {
        return 0.0;
    }
    if failures == trials {
        return tail.powf(1.0 / f64::from(trials));
    }
    quantile(
        f64::from(failures),
        f64::from(trials - failures) + 1.0,
        tail,
    )
}

/// Where the beta distribution has that much below it. By halving, to the last digit: the
/// library's own quantile stops earlier.
fn quantile(a: f64, b: f64, below: f64) -> f64 {
    let Ok(beta) = Beta::new(a, b) else {
        // Both are at least 1.
        return f64::NAN;
    };
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if beta.cdf(middle) < below {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests;
