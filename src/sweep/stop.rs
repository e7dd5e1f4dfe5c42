//! How a run is asked to end.

use tokio::sync::watch;

use crate::event::StopReason;

/// What has been asked so far.
#[derive(Debug, Clone, Copy, Default)]
struct Asked {
    reason: Option<StopReason>,
    times: u32,
}

/// Asks a run to end.
#[derive(Debug, Clone)]
pub struct StopHandle(watch::Sender<Asked>);

/// Hears that a run is asked to end.
#[derive(Debug, Clone)]
pub struct StopToken(watch::Receiver<Asked>);

/// A handle that asks, and a token that hears it.
pub fn stop_pair() -> (StopHandle, StopToken) {
    let (sender, receiver) = watch::channel(Asked::default());
    (StopHandle(sender), StopToken(receiver))
}

impl StopHandle {
    /// Asks once more. The hardest reason so far stands.
    pub fn ask(&self, reason: StopReason) {
        self.0.send_modify(|asked| {
            asked.reason = asked.reason.max(Some(reason));
            asked.times = asked.times.saturating_add(1);
        });
    }
}

impl StopToken {
    /// A token that nobody can pull.
    pub fn never() -> Self {
        stop_pair().1
    }

    /// Why the run should end, if it should.
    pub fn reason(&self) -> Option<StopReason> {
        self.0.borrow().reason
    }

    /// Waits until the run is asked to end.
    pub async fn asked(&self) -> StopReason {
        self.wait(1).await
    }

    /// Waits until the run has been asked at least twice: the operator is in a hurry.
    pub async fn asked_twice(&self) -> StopReason {
        self.wait(2).await
    }

    async fn wait(&self, times: u32) -> StopReason {
        let mut receiver = self.0.clone();
        let reason = receiver
            .wait_for(|asked| asked.times >= times)
            .await
            .ok()
            .and_then(|asked| asked.reason);
        match reason {
            Some(reason) => reason,
            // The handle is gone: nobody can ask any more.
            None => std::future::pending().await,
        }
    }
}

#[cfg(test)]
mod tests {
    use futures_util::FutureExt;

    use super::*;

    #[test]
    fn a_token_hears_the_hardest_reason() {
        let (handle, token) = stop_pair();
        assert_eq!(token.reason(), None);
        assert_eq!(token.asked().now_or_never(), None);
        handle.ask(StopReason::TerminalLost);
        handle.ask(StopReason::Interrupt);
        assert_eq!(token.reason(), Some(StopReason::TerminalLost));
        assert_eq!(token.asked().now_or_never(), Some(StopReason::TerminalLost));
    }

    #[test]
    fn hurry_needs_two() {
        let (handle, token) = stop_pair();
        handle.ask(StopReason::Interrupt);
        assert_eq!(token.asked_twice().now_or_never(), None);
        handle.ask(StopReason::Interrupt);
        assert_eq!(
            token.asked_twice().now_or_never(),
            Some(StopReason::Interrupt)
        );
    }

    #[test]
    fn without_a_handle_nothing_stops() {
        assert_eq!(StopToken::never().asked().now_or_never(), None);
    }
}
