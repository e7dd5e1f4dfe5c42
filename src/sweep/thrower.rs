//! One throw at a time: command, release, settle, look. A sweep is made of these.

use std::any::Any;
use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::time::Duration;

use futures_util::FutureExt;
use throwproof_protocol::packet::Packet;

mod ask;
mod begin;
mod bench;
mod burst;
mod diagnose;
mod end;
mod hunt;
mod keep;
mod place;
mod recover;
mod restrict;
mod see;

pub use begin::About;
pub(crate) use begin::Extent;
pub(crate) use end::Ended;

use super::command::{self, Coils, Command, CommandError, Further};
use super::route;
use super::so_far::SoFar;
use super::stop::StopToken;
use crate::event::hub::{Hub, SinkError};
use crate::event::{EventKind, FurtherSent, Step, StopReason, Subject};
use crate::link::guard::Guard;
use crate::link::{Link, LinkError, Taken};
use crate::plan::{Id, Plan};
use crate::witness::{Question, Seen, Witness, WitnessError};

/// What one throw came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Told {
    /// This was seen.
    Seen(Seen),
    /// The witness wants this turnout or signal left out.
    Skip,
    /// The same, and all of its place still to come.
    SkipPlace,
    /// The witness takes the answer before back; there is one.
    Undo,
    /// The witness can't see it, and why.
    Unseen(String),
    /// The station would not send it.
    Refused(String),
}

/// A throw that was sent and has not been looked at.
#[derive(Debug)]
pub(crate) struct Flight {
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
#[derive(Debug)]
pub(super) enum Begun {
    Flies(Flight),
    /// The station would not send it.
    Refused(String),
}

/// Why a run does not go on.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Halt {
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
pub(crate) type Unwound<R> = Result<Result<R, Halt>, Box<dyn Any + Send>>;

/// Runs to the end or to a panic. The panic is kept for [`Thrower::end`], which lets it go on
/// once the outputs are released.
pub(crate) async fn unwound<R>(body: impl Future<Output = Result<R, Halt>>) -> Unwound<R> {
    AssertUnwindSafe(body).catch_unwind().await
}

/// Sends throws over a guarded link and has each observed.
pub(crate) struct Thrower<'a, 'h> {
    pub(super) plan: &'a Plan,
    link: Guard<&'a mut dyn Link>,
    witness: &'a mut dyn Witness,
    hub: &'a mut Hub<'h>,
    stop: StopToken,
    began: Duration,
    /// Number of the last throw, and of the last one before this run.
    throws: u64,
    throws_before: u64,
    /// What the run has come to.
    so_far: SoFar,
    /// How long a lost link, or a record that can't be written, is waited for.
    reconnect: Duration,
    /// When each supply has recovered from its last throw, on the link's clock.
    recovered: BTreeMap<Option<usize>, Duration>,
    /// Signals that were sent anything but their most restrictive aspect.
    open: BTreeSet<Id>,
    /// Whether signals are left at their most restrictive aspect.
    restricts: bool,
}

impl<'a, 'h> Thrower<'a, 'h> {
    pub(crate) fn new(
        plan: &'a Plan,
        link: &'a mut dyn Link,
        witness: &'a mut dyn Witness,
        hub: &'a mut Hub<'h>,
        stop: StopToken,
    ) -> Self {
        let began = link.now();
        let link = Guard::new(link).minding(command::coil_addresses(plan));
        Self {
            plan,
            link,
            witness,
            hub,
            stop,
            began,
            throws: 0,
            throws_before: 0,
            so_far: SoFar::default(),
            reconnect: Duration::ZERO,
            recovered: BTreeMap::new(),
            open: BTreeSet::new(),
            restricts: false,
        }
    }

    /// Leaves every signal that it commands at its most restrictive aspect, however it ends.
    pub(super) fn restricting(mut self) -> Self {
        self.restricts = true;
        self
    }

    /// Waits that long for a lost link.
    pub(crate) fn waiting_for_link(mut self, reconnect: Duration) -> Self {
        self.reconnect = reconnect;
        self
    }

    pub(crate) fn link_name(&self) -> String {
        self.link.name()
    }

    pub(crate) fn witness_name(&self) -> &'static str {
        self.witness.name()
    }

    /// Carries on what earlier parts of the run came to.
    pub(super) fn carrying_on(mut self, so_far: SoFar) -> Self {
        self.throws = so_far.throws();
        self.throws_before = self.throws;
        self.so_far = so_far;
        self
    }

    /// What the run has come to.
    pub(super) fn so_far(&self) -> &SoFar {
        &self.so_far
    }

    /// The same, for what no event says.
    pub(super) fn so_far_mut(&mut self) -> &mut SoFar {
        &mut self.so_far
    }

    /// Number of the last throw.
    pub(super) fn last_throw(&self) -> u64 {
        self.throws
    }

    /// How many throws this run made.
    pub(super) fn throws(&self) -> u64 {
        self.throws - self.throws_before
    }

    /// Time on the link's clock since the run began.
    pub(super) fn elapsed(&self) -> Duration {
        self.link.now().saturating_sub(self.began)
    }

    /// Waits for the supply, has the witness attend, activates and releases.
    pub(super) async fn begin(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
    ) -> Result<Begun, Halt> {
        let command = Command::new(self.plan, subject, commanded)?;
        self.wait_for_supply(command.coils).await?;
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
        let coils = command.all_coils();
        let recovered = coils.filter_map(|coils| self.recovered.get(&coils.supply).copied());
        Ok(recovered.max().unwrap_or_default())
    }

    /// Lets time pass, to that moment on the link's clock.
    pub(super) async fn wait_until(&mut self, moment: Duration) -> Result<(), Halt> {
        self.pause(moment.saturating_sub(self.link.now())).await
    }

    /// Time on the link's clock.
    pub(super) fn now(&self) -> Duration {
        self.link.now()
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
        self.wait_for_supply(command.coils).await?;
        self.send(subject, Step::Back, &elsewhere, &command).await?;
        self.pause(command.settle).await
    }

    /// Waits until the supply that the throw draws from has recovered from the one before.
    async fn wait_for_supply(&mut self, coils: Option<Coils>) -> Result<(), Halt> {
        let recovered = coils.and_then(|coils| self.recovered.get(&coils.supply).copied());
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
        let mut unanswered = Vec::new();
        let first = (&command.packet, command.release.as_ref());
        let before = self.aspect_leaves(subject, commanded);
        if let Some(reason) = self.activate(first, command.coils, &mut unanswered).await? {
            self.aspect_stays(subject, before);
            return Ok(Some(reason));
        }
        self.aspect_arrived(subject, commanded);
        for one in &command.further {
            self.pause(one.after).await?;
            self.wait_for_supply(one.coils).await?;
            let next = (&one.packet, one.release.as_ref());
            if let Some(reason) = self.activate(next, one.coils, &mut unanswered).await? {
                return Ok(Some(reason));
            }
        }
        // Only now: a sink that has to write to a slow disk must not lengthen the pulse.
        self.say(EventKind::ThrowSent {
            subject: subject.clone(),
            throw: self.throws,
            step,
            commanded: commanded.clone(),
            address: command.address.get(),
            packet: command.packet.to_string(),
            further: command.further.iter().map(FurtherSent::from).collect(),
        })
        .await?;
        self.say_unanswered(subject, unanswered).await?;
        Ok(None)
    }

    /// Activates one output and releases it. Gives the station's reason if it refuses.
    async fn activate(
        &mut self,
        (packet, release): (&Packet, Option<&(Duration, Packet)>),
        coils: Option<Coils>,
        unanswered: &mut Vec<Packet>,
    ) -> Result<Option<String>, Halt> {
        if let Some(coils) = coils {
            self.recovered
                .insert(coils.supply, self.link.now() + coils.recovery);
        }
        let taken = self.link.send(packet).await?;
        if let Taken::Refused(reason) = taken {
            return Ok(Some(reason));
        }
        unanswered.extend((taken == Taken::Unanswered).then_some(*packet));
        if let Some((hold, release)) = release {
            self.pause(*hold).await?;
            let answered = self.release(release).await?;
            unanswered.extend((!answered).then_some(*release));
        }
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
}

impl From<&Further> for FurtherSent {
    fn from(further: &Further) -> Self {
        Self {
            address: further.address.get(),
            packet: further.packet.to_string(),
        }
    }
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
