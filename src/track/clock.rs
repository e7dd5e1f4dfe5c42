//! Time on the simulated track: whole nanoseconds since it was switched on.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};
use std::time::Duration;

/// A point in time, or a span of it, in whole nanoseconds.
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanos(pub u64);

impl Nanos {
    /// The moment the track is switched on.
    pub const ZERO: Self = Self(0);

    /// Later than anything happens.
    pub const NEVER: Self = Self(u64::MAX);

    /// A span of whole microseconds.
    pub const fn from_micros(micros: u64) -> Self {
        Self(micros * 1_000)
    }

    /// A span of whole milliseconds.
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis * 1_000_000)
    }

    /// The span in seconds, for the physics.
    #[expect(
        clippy::cast_precision_loss,
        reason = "a run of 100 days still has microseconds"
    )]
    #[inline]
    pub fn seconds(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// The time since `earlier`, or nothing if that is later.
    #[must_use]
    #[inline]
    pub fn since(self, earlier: Self) -> Self {
        Self(self.0.saturating_sub(earlier.0))
    }
}

impl From<Duration> for Nanos {
    /// Durations beyond 584 years end there.
    fn from(duration: Duration) -> Self {
        Self(u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX))
    }
}

impl From<Nanos> for Duration {
    fn from(nanos: Nanos) -> Self {
        Self::from_nanos(nanos.0)
    }
}

impl Add for Nanos {
    type Output = Self;

    #[inline]
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl AddAssign for Nanos {
    #[inline]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Nanos {
    type Output = Self;

    #[inline]
    fn sub(self, other: Self) -> Self {
        self.since(other)
    }
}

impl fmt::Debug for Nanos {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", Duration::from(*self))
    }
}
