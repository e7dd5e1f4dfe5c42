//! The clock of real links: the only place that looks at the time of the machine.

use std::time::Duration;

use tokio::time::Instant;

/// Time since it was made. Under test it is tokio's, which may be paused.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clock(Instant);

impl Clock {
    pub(super) fn start() -> Self {
        Self(Instant::now())
    }

    pub(super) fn now(self) -> Duration {
        self.0.elapsed()
    }

    /// The moment at which the clock shows this.
    pub(super) fn at(self, time: Duration) -> Instant {
        self.0 + time
    }
}
