//! How a run ends: everything is released, signals are left safe, and how it ended is said.

use std::time::Duration;

use super::{Halt, Thrower, Unwound, recover};
use crate::event::{EventKind, StopReason};
use crate::link::LinkError;
use crate::sweep::SweepError;
use crate::witness::WitnessError;

/// How long the releases may still take once the operator has asked twice to leave.
pub(super) const HURRY: Duration = Duration::from_secs(1);

/// How a run ended, if no error ended it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Ended<R> {
    /// At its end.
    Done(R),
    /// Before it.
    Stopped(StopReason),
}

impl Thrower<'_, '_> {
    /// Ends a run, whatever its outcome: releases every active output, leaves signals at their most
    /// restrictive aspect, says how it ended, and only then lets a panic go on.
    pub(crate) async fn end<R>(
        mut self,
        outcome: Unwound<R>,
        last_words: impl FnOnce(&Self) -> Option<EventKind>,
    ) -> Result<Ended<R>, SweepError> {
        self.witness.forget();
        let gave_up = matches!(outcome, Ok(Err(Halt::Link(LinkError::StaysLost { .. }))));
        let released = self.release_all(!gave_up).await;
        let released = match released {
            Ok(()) => self.restrict(&outcome).await,
            failed @ Err(_) => failed,
        };
        // Whatever broke off what came last.
        let released = if self.link.is_active() {
            released.and(self.release_all(!gave_up).await)
        } else {
            released
        };
        let said = self.say_the_end(&outcome, &released, last_words).await;
        let outcome = outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        let ended = match outcome {
            Ok(done) => Ended::Done(done),
            Err(Halt::Stop(reason)) => Ended::Stopped(reason),
            Err(Halt::Witness(WitnessError::Stop)) => Ended::Stopped(StopReason::Operator),
            Err(Halt::Witness(WitnessError::TerminalLost(source))) => {
                tracing::warn!(%source, "the terminal is gone");
                Ended::Stopped(StopReason::TerminalLost)
            }
            Err(Halt::Held(reason)) => return Err(SweepError::Link(LinkError::Lost(reason))),
            Err(Halt::Link(error)) => return Err(SweepError::Link(error)),
            Err(Halt::Witness(error)) => return Err(SweepError::Witness(error)),
            Err(Halt::Command(error)) => return Err(SweepError::Command(error)),
            Err(Halt::Sink(error)) => return Err(SweepError::Sink(error)),
        };
        released.map_err(SweepError::Link)?;
        match said {
            Err(Halt::Sink(error)) => Err(SweepError::Sink(error)),
            Ok(()) | Err(_) => Ok(ended),
        }
    }

    async fn say_the_end<R>(
        &mut self,
        outcome: &Unwound<R>,
        released: &Result<(), LinkError>,
        last_words: impl FnOnce(&Self) -> Option<EventKind>,
    ) -> Result<(), Halt> {
        let reason = match outcome {
            Ok(Ok(_)) => None,
            // What keeps events has failed: nothing more can be said.
            Ok(Err(Halt::Sink(_))) => return Ok(()),
            Ok(Err(Halt::Stop(reason))) => Some(*reason),
            Ok(Err(Halt::Link(_) | Halt::Held(_))) => Some(StopReason::Link),
            Ok(Err(Halt::Witness(WitnessError::Stop))) => Some(StopReason::Operator),
            Ok(Err(Halt::Witness(_))) => Some(StopReason::TerminalLost),
            Ok(Err(Halt::Command(_))) | Err(_) => Some(StopReason::Fault),
        };
        let failure = match (outcome, released) {
            (Ok(Err(Halt::Link(error))), _) | (_, Err(error)) => Some(error.to_string()),
            (_, Ok(())) => None,
        };
        let reason = reason.max(failure.is_some().then_some(StopReason::Link));
        if let Some(reason) = failure {
            self.say(EventKind::LinkFailed { reason }).await?;
        }
        if let Some(reason) = reason {
            self.say(EventKind::Stopped { reason }).await?;
        }
        match last_words(self) {
            Some(kind) => self.say(kind).await,
            None => Ok(()),
        }
    }

    /// Releases every active output, on a lost link when it is back if `wait` says so; an
    /// operator who asks a second time to leave waits no longer than [`HURRY`] for a station
    /// that does not answer.
    async fn release_all(&mut self, wait: bool) -> Result<(), LinkError> {
        let patience = if wait { self.reconnect } else { Duration::ZERO };
        let stop = self.stop.clone();
        let hurry = async {
            stop.asked_twice().await;
            tokio::time::sleep(HURRY).await;
        };
        tokio::select! {
            biased;
            outcome = recover::release_all(&mut self.link, patience) => outcome,
            () = hurry => Err(LinkError::Lost("it did not take the releases in time".to_owned())),
        }
    }
}
