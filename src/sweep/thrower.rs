//! One throw at a time: command, release, settle, look. A sweep is made of these.

use std::any::Any;
use std::collections::BTreeMap;
use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::time::Duration;

use futures_util::FutureExt;
use throwproof_protocol::address::Position;
use throwproof_protocol::packet::Packet;

mod recover;

use super::SweepError;
use super::command::{Command, CommandError};
use super::route;
use super::stop::StopToken;
use crate::event::hub::{Hub, SinkError};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::link::guard::Guard;
use crate::link::{Link, LinkError, Taken};
use crate::plan::{Id, Plan};
use crate::witness::{Answer, Question, Seen, Witness, WitnessError};

/// How long the releases may still take once the operator has asked twice to leave.
const HURRY: Duration = Duration::from_secs(1);

/// How long a position report is waited for after the usual time to settle.
const LATE_REPORT: Duration = Duration::from_millis(500);

/// How often reports are looked for while a throw settles.
const BETWEEN_REPORTS: Duration = Duration::from_millis(20);

/// What one throw came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Told {
    /// This was seen.
    Seen(Seen),
    /// The witness wants this turnout or signal left out.
    Skip,
    /// The witness can't see it, and why.
    Unseen(String),
    /// The station would not send it.
    Refused(String),
}

/// A throw that was sent and has not been looked at.
#[derive(Debug)]
pub(super) struct Flight {
    pub(super) subject: Subject,
    pub(super) step: Step,
    pub(super) commanded: Id,
    pub(super) throw: u64,
    begun: Duration,
    /// When it has settled, on the link's clock.
    pub(super) due: Duration,
    /// When another throw may start and still be told apart from it.
    pub(super) clear: Duration,
}

impl Flight {
    fn question<'q>(&'q self, plan: &'q Plan) -> Question<'q> {
        Question {
            plan,
            throw: self.throw,
            step: self.step,
            subject: &self.subject,
            commanded: &self.commanded,
            at: self.begun,
        }
    }
}

/// What became of a throw that was to be sent.
pub(super) enum Begun {
    Flies(Flight),
    /// The station would not send it.
    Refused(String),
}

/// Why a run does not go on.
#[derive(Debug, thiserror::Error)]
pub(super) enum Halt {
    #[error("asked to stop")]
    Stop(StopReason),
    /// Nothing may be sent until the layout says otherwise.
    #[error("held: {0}")]
    Held(String),
    #[error(transparent)]
    Link(#[from] LinkError),
    #[error(transparent)]
    Sink(#[from] SinkError),
    #[error(transparent)]
    Witness(#[from] WitnessError),
    #[error(transparent)]
    Command(#[from] CommandError),
}

/// What a run's body came to, a panic included.
pub(super) type Unwound<R> = Result<Result<R, Halt>, Box<dyn Any + Send>>;

/// Runs to the end or to a panic. The panic is kept for [`Thrower::end`], which lets it go on
/// once the outputs are released.
pub(super) async fn unwound<R>(body: impl Future<Output = Result<R, Halt>>) -> Unwound<R> {
    AssertUnwindSafe(body).catch_unwind().await
}

/// Sends throws over a guarded link and has each observed.
pub(super) struct Thrower<'a, 'h> {
    pub(super) plan: &'a Plan,
    link: Guard<&'a mut dyn Link>,
    witness: &'a mut dyn Witness,
    hub: &'a mut Hub<'h>,
    stop: StopToken,
    began: Duration,
    throws: u64,
    /// How long a lost link is waited for.
    reconnect: Duration,
    /// When each supply has recovered from its last throw, on the link's clock.
    recovered: BTreeMap<Option<usize>, Duration>,
}

impl<'a, 'h> Thrower<'a, 'h> {
    pub(super) fn new(
        plan: &'a Plan,
        link: &'a mut dyn Link,
        witness: &'a mut dyn Witness,
        hub: &'a mut Hub<'h>,
        stop: StopToken,
    ) -> Self {
        let began = link.now();
        let link = Guard::new(link);
        Self {
            plan,
            link,
            witness,
            hub,
            stop,
            began,
            throws: 0,
            reconnect: Duration::ZERO,
            recovered: BTreeMap::new(),
        }
    }

    /// Waits that long for a lost link.
    pub(super) fn waiting_for_link(mut self, reconnect: Duration) -> Self {
        self.reconnect = reconnect;
        self
    }

    pub(super) fn link_name(&self) -> String {
        self.link.name()
    }

    pub(super) fn witness_name(&self) -> &'static str {
        self.witness.name()
    }

    /// How many throws were made.
    pub(super) fn throws(&self) -> u64 {
        self.throws
    }

    /// Time on the link's clock since the run began.
    pub(super) fn elapsed(&self) -> Duration {
        self.link.now().saturating_sub(self.began)
    }

    pub(super) fn say(&mut self, kind: EventKind) -> Result<(), SinkError> {
        self.hub.emit(self.elapsed(), kind)
    }

    /// Throws `subject` to `commanded`, as often as the witness wants it repeated, and says what
    /// was seen of it.
    async fn attempt(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
    ) -> Result<Told, Halt> {
        loop {
            let flight = match self.begin(subject, step, commanded).await? {
                Begun::Flies(flight) => flight,
                Begun::Refused(reason) => return Ok(Told::Refused(reason)),
            };
            self.settle(&flight).await?;
            match self.look(&flight).await? {
                Answer::Seen(seen) => {
                    self.say_seen(&flight, &seen)?;
                    return Ok(Told::Seen(seen));
                }
                Answer::Repeat
                | Answer::BackAndForth
                | Answer::KeepThrowing
                | Answer::Undo
                | Answer::Note(_) => self.throw_back(subject, commanded).await?,
                Answer::Skip | Answer::SkipPlace => return Ok(Told::Skip),
                Answer::CantSee(reason) => return Ok(Told::Unseen(reason)),
                Answer::Unclear => {
                    let reason = "it can't be told what moved it";
                    return Ok(Told::Unseen(reason.to_owned()));
                }
                Answer::Stop => return Err(Halt::Stop(StopReason::Operator)),
            }
        }
    }

    /// Waits for the supply, has the witness attend, activates and releases.
    pub(super) async fn begin(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
    ) -> Result<Begun, Halt> {
        let command = Command::new(self.plan, subject, commanded)?;
        self.wait_for_supply(&command).await?;
        self.bring_reports().await?;
        let begun = self.link.now();
        let mut flight = Flight {
            subject: subject.clone(),
            step,
            commanded: commanded.clone(),
            throw: self.throws + 1,
            begun,
            due: begun,
            clear: begun,
        };
        let question = flight.question(self.plan);
        cancellable(&self.stop, self.witness.attend(&question)).await?;
        if let Some(reason) = self.send(subject, step, commanded, &command).await? {
            return Ok(Begun::Refused(reason));
        }
        let apart = self.witness.overlap(&flight.question(self.plan));
        flight.due = self.link.now() + command.settle;
        flight.clear = apart.map_or(flight.due, |apart| begun + apart);
        Ok(Begun::Flies(flight))
    }

    /// When the supply of a throw has recovered, on the link's clock.
    pub(super) fn supply_ready(&self, subject: &Subject, commanded: &Id) -> Result<Duration, Halt> {
        let command = Command::new(self.plan, subject, commanded)?;
        let coils = command.coils;
        let recovered = coils.and_then(|coils| self.recovered.get(&coils.supply).copied());
        Ok(recovered.unwrap_or_default())
    }

    /// Waits until there is something to see.
    async fn settle(&mut self, flight: &Flight) -> Result<(), Halt> {
        if !self.witness.goes_by_reports() {
            return self.pause(flight.due.saturating_sub(self.link.now())).await;
        }
        // A report that is late is still a report: it is waited for, but not for long.
        let last = flight.due + LATE_REPORT;
        loop {
            self.bring_reports().await?;
            let now = self.link.now();
            let enough = self
                .witness
                .has_seen_enough(&flight.question(self.plan), now);
            if enough || now >= last {
                return Ok(());
            }
            self.pause(BETWEEN_REPORTS.min(last.saturating_sub(now)))
                .await?;
        }
    }

    /// Lets time pass, to that moment on the link's clock.
    pub(super) async fn wait_until(&mut self, moment: Duration) -> Result<(), Halt> {
        self.pause(moment.saturating_sub(self.link.now())).await
    }

    /// Time on the link's clock.
    pub(super) fn now(&self) -> Duration {
        self.link.now()
    }

    /// Whether the witness can tell that throw from others that are under way.
    pub(super) fn tells_apart(&self, subject: &Subject, commanded: &Id) -> bool {
        let question = Question {
            plan: self.plan,
            throw: self.throws + 1,
            step: Step::Visit,
            subject,
            commanded,
            at: self.link.now(),
        };
        self.witness.overlap(&question).is_some()
    }

    /// Asks the witness what was seen of a throw.
    pub(super) async fn look(&mut self, flight: &Flight) -> Result<Answer, Halt> {
        self.bring_reports().await?;
        let question = flight.question(self.plan);
        cancellable(&self.stop, self.witness.observe(&question)).await
    }

    pub(super) fn say_seen(&mut self, flight: &Flight, seen: &Seen) -> Result<(), Halt> {
        self.say(EventKind::Observation {
            subject: flight.subject.clone(),
            throw: flight.throw,
            step: flight.step,
            commanded: flight.commanded.clone(),
            seen: seen.clone(),
        })?;
        Ok(())
    }

    /// Brings the witness the position reports that came.
    async fn bring_reports(&mut self) -> Result<(), Halt> {
        if self.witness.goes_by_reports() {
            for report in self.link.reports().await? {
                self.witness.hear(&report);
            }
        }
        Ok(())
    }

    /// Has the turnout laid by hand; `false` if that can't be done.
    pub(super) async fn lay_by_hand(
        &mut self,
        subject: &Subject,
        position: Position,
    ) -> Result<bool, Halt> {
        let commanded = route::id_of(position);
        let plan = self.plan;
        let question = Question {
            plan,
            throw: self.throws + 1,
            step: Step::AfterHand,
            subject,
            commanded: &commanded,
            at: self.link.now(),
        };
        let laid = self.witness.lay_by_hand(&question, position);
        let laid = cancellable(&self.stop, laid).await?;
        if laid {
            self.say(EventKind::LaidByHand {
                subject: subject.clone(),
                position: commanded,
            })?;
        }
        Ok(laid)
    }

    /// Sends it elsewhere, unobserved, so that the same throw can be seen to move it again.
    pub(super) async fn throw_back(
        &mut self,
        subject: &Subject,
        commanded: &Id,
    ) -> Result<(), Halt> {
        let Some(elsewhere) = route::other_than(self.plan, subject, commanded) else {
            return Ok(());
        };
        let command = Command::new(self.plan, subject, &elsewhere)?;
        self.wait_for_supply(&command).await?;
        self.send(subject, Step::Back, &elsewhere, &command).await?;
        self.pause(command.settle).await
    }

    /// Waits until the supply that the throw draws from has recovered from the one before.
    async fn wait_for_supply(&mut self, command: &Command) -> Result<(), Halt> {
        let recovered = command
            .coils
            .and_then(|coils| self.recovered.get(&coils.supply).copied());
        let wait = recovered
            .unwrap_or_default()
            .saturating_sub(self.link.now());
        self.pause(wait).await
    }

    /// Activates, releases and says so. Gives the station's reason if it refuses.
    async fn send(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
        command: &Command,
    ) -> Result<Option<String>, Halt> {
        if let Some(reason) = self.stop.reason() {
            return Err(Halt::Stop(reason));
        }
        self.throws += 1;
        if let Some(coils) = command.coils {
            self.recovered
                .insert(coils.supply, self.link.now() + coils.recovery);
        }
        let taken = self.link.send(&command.packet).await?;
        if let Taken::Refused(reason) = taken {
            return Ok(Some(reason));
        }
        let mut unanswered = Vec::new();
        unanswered.extend((taken == Taken::Unanswered).then_some(command.packet));
        if let Some((hold, release)) = &command.release {
            self.pause(*hold).await?;
            let answered = self.release(release).await?;
            unanswered.extend((!answered).then_some(*release));
        }
        // Only now: a sink that has to write to a slow disk must not lengthen the pulse.
        self.say(EventKind::ThrowSent {
            subject: subject.clone(),
            throw: self.throws,
            step,
            commanded: commanded.clone(),
            address: command.address.get(),
            packet: command.packet.to_string(),
        })?;
        self.say_unanswered(subject, unanswered)?;
        Ok(None)
    }

    /// Releases; `false` if the station did not answer.
    async fn release(&mut self, release: &Packet) -> Result<bool, Halt> {
        let taken = self.link.send(release).await?;
        if let Taken::Refused(reason) = &taken {
            tracing::warn!(reason, "the station refused a release, trying once more");
            self.link.release_all().await?;
        }
        Ok(taken != Taken::Unanswered)
    }

    /// Lets time pass, and looks whether the layout wants nothing sent.
    async fn pause(&mut self, time: Duration) -> Result<(), Halt> {
        cancellable(&self.stop, self.link.pause(time)).await?;
        self.link.held().map_or(Ok(()), |why| Err(Halt::Held(why)))
    }

    /// Ends a run, whatever its outcome: releases every active output, says how it ended, and
    /// only then lets a panic go on.
    pub(super) async fn end<R>(
        mut self,
        outcome: Unwound<R>,
        last_words: impl FnOnce(&Self) -> Option<EventKind>,
    ) -> Result<Ended<R>, SweepError> {
        let gave_up = matches!(outcome, Ok(Err(Halt::Link(LinkError::StaysLost { .. }))));
        let released = self.release_all(!gave_up).await;
        let said = self.say_the_end(&outcome, &released, last_words);
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
        said?;
        Ok(ended)
    }

    fn say_the_end<R>(
        &mut self,
        outcome: &Unwound<R>,
        released: &Result<(), LinkError>,
        last_words: impl FnOnce(&Self) -> Option<EventKind>,
    ) -> Result<(), SinkError> {
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
            self.say(EventKind::LinkFailed { reason })?;
        }
        if let Some(reason) = reason {
            self.say(EventKind::Stopped { reason })?;
        }
        match last_words(self) {
            Some(kind) => self.say(kind),
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

/// How a run ended, if no error ended it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ended<R> {
    /// At its end.
    Done(R),
    /// Before it.
    Stopped(StopReason),
}

/// Waits for `work`, or until the run is asked to stop.
async fn cancellable<T, E: Into<Halt>>(
    stop: &StopToken,
    work: impl Future<Output = Result<T, E>>,
) -> Result<T, Halt> {
    tokio::select! {
        biased;
        reason = stop.asked() => Err(Halt::Stop(reason)),
        outcome = work => outcome.map_err(Into::into),
    }
}
