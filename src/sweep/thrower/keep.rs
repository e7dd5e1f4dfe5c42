//! Saying what happens, and holding while it can't be kept.

use std::time::Duration;

use super::{Halt, Thrower};
use crate::event::EventKind;
use crate::event::hub::SinkError;

/// Between two tries to write what could not be written.
const BETWEEN_TRIES: Duration = Duration::from_secs(1);

impl Thrower<'_, '_> {
    /// Says that something happened. Where that can't be kept, the run holds until it can: nothing
    /// is sent meanwhile. A person is waited for as long as it takes, anything else as long as a
    /// lost link is.
    pub(crate) async fn say(&mut self, kind: EventKind) -> Result<(), Halt> {
        self.so_far.take(&kind);
        self.so_far.take_look(&kind);
        let mut outcome = self.hub.emit(self.elapsed(), kind);
        while let Err(error) = outcome {
            self.wait_for_sink(error).await?;
            outcome = self.hub.emit(self.elapsed(), EventKind::Resumed {});
        }
        Ok(())
    }

    /// Says that something happened, and leaves it to the next [`Thrower::say`] to wait until it is
    /// kept: what comes first must not wait.
    pub(super) fn mention(&mut self, kind: EventKind) {
        self.so_far.take(&kind);
        if let Err(error) = self.hub.emit(self.elapsed(), kind) {
            tracing::warn!(%error, cause = %error.source, "it is kept later");
        }
    }

    /// Waits until everything said so far is kept.
    async fn wait_for_sink(&mut self, mut error: SinkError) -> Result<(), Halt> {
        let patience = (!self.witness.is_person()).then_some(self.reconnect);
        if patience.is_some_and(|patience| patience.is_zero()) || self.stop.reason().is_some() {
            return Err(Halt::Sink(error));
        }
        let cause = &error.source;
        self.hub.tell_others(EventKind::Held {
            reason: format!("{error}: {cause}; make room, or mend what it says"),
        });
        let mut waited = Duration::ZERO;
        while patience.is_none_or(|patience| waited < patience) {
            let is_asked = tokio::select! {
                biased;
                _ = self.stop.asked() => true,
                () = tokio::time::sleep(BETWEEN_TRIES) => false,
            };
            waited += BETWEEN_TRIES;
            match self.hub.flush() {
                Ok(()) => return Ok(()),
                Err(still) => error = still,
            }
            if is_asked {
                break;
            }
        }
        Err(Halt::Sink(error))
    }
}
