//! How a run ends: everything is released, signals are left safe, and how it ended is said.

use std::time::Duration;

use super::{Halt, Thrower, Unwound, recover};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::link::{Link as _, LinkError, Taken};
use crate::plan::{Id, Sort};
use crate::sweep::SweepError;
use crate::sweep::command::Command;
use crate::witness::WitnessError;

/// How long the releases may still take once the operator has asked twice to leave.
const HURRY: Duration = Duration::from_secs(1);

/// How a run ended, if no error ended it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::sweep) enum Ended<R> {
    /// At its end.
    Done(R),
    /// Before it.
    Stopped(StopReason),
}

impl Thrower<'_, '_> {
    /// Ends a run, whatever its outcome: releases every active output, leaves signals at their most
    /// restrictive aspect, says how it ended, and only then lets a panic go on.
    pub(in crate::sweep) async fn end<R>(
        mut self,
        outcome: Unwound<R>,
        last_words: impl FnOnce(&Self) -> Option<EventKind>,
    ) -> Result<Ended<R>, SweepError> {
        let gave_up = matches!(outcome, Ok(Err(Halt::Link(LinkError::StaysLost { .. }))));
        let released = self.release_all(!gave_up).await;
        let restricted = match &released {
            Ok(()) => self.restrict(&outcome).await,
            Err(_) => Ok(()),
        };
        let released = released.and(restricted);
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

    /// Sends every signal that this run left at another aspect to its most restrictive one, and
    /// gates and lights to where they are left; nothing on a link that has failed or a layout that
    /// wants nothing sent.
    async fn restrict<R>(&mut self, outcome: &Unwound<R>) -> Result<(), LinkError> {
        let is_told = match outcome {
            Ok(Err(Halt::Link(_) | Halt::Held(_))) => return Ok(()),
            // What keeps events has failed: it is done, and not said.
            Ok(Err(Halt::Sink(_))) => false,
            Ok(Ok(_) | Err(Halt::Stop(_) | Halt::Witness(_) | Halt::Command(_))) | Err(_) => true,
        };
        for (id, aspect) in self.unrestricted() {
            let subject = Subject::Signal(id);
            let Ok(command) = Command::new(self.plan, &subject, &aspect) else {
                continue;
            };
            let stop = self.stop.clone();
            let hurry = async {
                stop.asked_twice().await;
                tokio::time::sleep(HURRY).await;
            };
            let sent = tokio::select! {
                biased;
                sent = self.send_last(&command) => sent?,
                () = hurry => {
                    let late = "it did not take the last aspects in time".to_owned();
                    return Err(LinkError::Lost(late));
                }
            };
            if !sent {
                tracing::warn!(id = %subject.id(), "the station refused its most restrictive aspect");
                continue;
            }
            self.throws += 1;
            if is_told {
                self.mention(EventKind::ThrowSent {
                    throw: self.throws,
                    subject,
                    step: Step::Rest,
                    commanded: aspect,
                    address: command.address.get(),
                    packet: command.packet.to_string(),
                });
            }
        }
        Ok(())
    }

    /// Activates and releases, whoever wants to stop; `false` if the station refuses.
    async fn send_last(&mut self, command: &Command) -> Result<bool, LinkError> {
        if let Taken::Refused(_) = self.link.send(&command.packet).await? {
            return Ok(false);
        }
        if let Some((hold, release)) = &command.release {
            self.link.pause(*hold).await?;
            self.link.send(release).await?;
            self.link.release_all().await?;
        }
        Ok(true)
    }

    /// Signals that were sent anything but the aspect they are left in, and that aspect. An
    /// uncoupler falls by itself.
    fn unrestricted(&self) -> Vec<(Id, Id)> {
        if !self.restricts {
            return Vec::new();
        }
        let signals = self.plan.signals.iter();
        let signals = signals.filter(|signal| signal.sort != Sort::Uncoupler);
        let left = signals.filter_map(|signal| {
            let last = &signal.most_restrictive()?.name;
            let sent = self.sent.get(&signal.id)?;
            (sent != last).then(|| (signal.id.clone(), last.clone()))
        });
        left.collect()
    }

    /// Notes the aspect that a signal was sent; gives the one before.
    pub(super) fn note_aspect(&mut self, subject: &Subject, aspect: Option<Id>) -> Option<Id> {
        match (subject, aspect) {
            (Subject::Turnout(_), _) => None,
            (Subject::Signal(id), Some(aspect)) => self.sent.insert(id.clone(), aspect),
            (Subject::Signal(id), None) => self.sent.remove(id),
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
