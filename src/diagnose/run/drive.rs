//! What is thrown for a test, and what reports say of it.

use std::time::Duration;

use throwproof_protocol::address::Position;
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::{Examiner, Trial};
use crate::diagnose::facts::Made;
use crate::diagnose::sight::{Answer, End, Motion, Other, Throw};
use crate::diagnose::steps::{self, Act, BOTH_HALVES, Manner, Steps};
use crate::event::diagnosis::Unanswered;
use crate::link::Taken;
use crate::plan::Id;
use crate::sweep::thrower::Halt;
use crate::witness::{Observed, Seen};

/// Between two throws that a person listens to or looks at, so that they can be told apart; a
/// choice of ours.
const APART: Duration = Duration::from_secs(1);

/// What is looked at while a throw is made: a turnout, and where it is sent.
type Looked<'t> = Option<(&'t Id, Position)>;

/// What became of throws that were to be made.
enum Driven<T> {
    Done(T),
    /// The station would not send it.
    Refused,
}

impl Examiner<'_, '_, '_> {
    /// Throws all that a test needs and lets reports say what came of it. What the link or the
    /// layout breaks off is thrown again.
    pub(super) async fn watched(&mut self, trial: &Trial) -> Result<Made, Halt> {
        loop {
            match self.watch_all(trial).await {
                Ok(made) => return Ok(made),
                Err(halt) => self.thrower.recover(halt).await?,
            }
        }
    }

    async fn watch_all(&mut self, trial: &Trial) -> Result<Made, Halt> {
        let refused = Made::Not(Unanswered::NotCarried);
        match &trial.steps {
            Steps::Turnout {
                turnout,
                manner,
                visits,
            } => {
                let mut others = Vec::new();
                let mut seen: Vec<Throw> = Vec::new();
                let to = Steps::visits(&self.site, *turnout, *visits);
                for (visit, to) in to.into_iter().enumerate() {
                    let saw = self.watch_one(*turnout, to, *manner).await?;
                    let Driven::Done(saw) = saw else {
                        return Ok(refused);
                    };
                    let Some(saw) = saw else {
                        return Ok(Made::Not(Unanswered::NotSure));
                    };
                    others.extend(self.moved_beside(&saw, *manner));
                    if visit > 0 {
                        seen.push((to, end_of(&saw)));
                    }
                }
                let other = Other::of(&self.site.plan, *turnout, others);
                Ok(Made::Answer(Answer::Motion(Motion::of(&seen, &[]), other)))
            }
            Steps::Addresses(addresses) => {
                let id = self.id.clone();
                let mut moved = false;
                for address in addresses {
                    for half in BOTH_HALVES {
                        let acts = steps::throw_address(&self.site, *address, half);
                        let acts = acts.unwrap_or_default();
                        let looked = Some((&id, Position::Straight));
                        match self.act(&acts, looked).await? {
                            Driven::Done(Some(saw)) => {
                                moved |= matches!(end_of(&saw), End::At(_) | End::Between);
                            }
                            Driven::Done(None) => {
                                return Ok(Made::Not(Unanswered::NotSure));
                            }
                            Driven::Refused => return Ok(refused),
                        }
                    }
                }
                Ok(Made::Answer(Answer::Moved(moved)))
            }
            Steps::Nothing | Steps::Plain { .. } => Ok(Made::Not(Unanswered::Nobody)),
        }
    }

    async fn watch_one(
        &mut self,
        turnout: usize,
        to: Position,
        manner: Manner,
    ) -> Result<Driven<Option<Seen>>, Halt> {
        let id = self.site.plan.turnouts[turnout].id.clone();
        let acts = steps::throw(&self.site.plan, turnout, to, manner).unwrap_or_default();
        self.act(&acts, Some((&id, to))).await
    }

    /// What moved beside it, but for what was thrown with it.
    fn moved_beside(&self, saw: &Seen, manner: Manner) -> Vec<usize> {
        let turnouts = &self.site.plan.turnouts;
        let index = |id: &Id| turnouts.iter().position(|one| one.id == *id);
        let moved = saw.others.iter().filter_map(index);
        moved
            .filter(|moved| manner != Manner::With(*moved))
            .collect()
    }

    /// Throws all that a test needs; `false` if the station would not send it. What the link or
    /// the layout breaks off is thrown again.
    pub(super) async fn drive(&mut self, steps: &Steps) -> Result<bool, Halt> {
        loop {
            match self.drive_all(steps).await {
                Ok(Driven::Done(())) => return Ok(true),
                Ok(Driven::Refused) => return Ok(false),
                Err(halt) => self.thrower.recover(halt).await?,
            }
        }
    }

    async fn drive_all(&mut self, steps: &Steps) -> Result<Driven<()>, Halt> {
        match steps {
            Steps::Nothing => {}
            Steps::Turnout {
                turnout,
                manner,
                visits,
            } => {
                for to in Steps::visits(&self.site, *turnout, *visits) {
                    if !self.throw(*turnout, to, *manner).await? {
                        return Ok(Driven::Refused);
                    }
                }
            }
            Steps::Addresses(addresses) => {
                for address in addresses {
                    for half in BOTH_HALVES {
                        let acts = steps::throw_address(&self.site, *address, half);
                        let acts = acts.unwrap_or_default();
                        if let Driven::Refused = self.act(&acts, None).await? {
                            return Ok(Driven::Refused);
                        }
                    }
                }
            }
            Steps::Plain {
                to,
                rest,
                rest_after,
            } => {
                self.thrower.rest(*rest).await?;
                for to in *to {
                    if !self.throw(self.site.target, *to, Manner::Usual).await? {
                        return Ok(Driven::Refused);
                    }
                    self.thrower.rest(APART).await?;
                }
                self.thrower.rest(*rest_after).await?;
            }
        }
        Ok(Driven::Done(()))
    }

    /// One throw, nobody asked; `false` if the station would not send it.
    pub(super) async fn throw(
        &mut self,
        turnout: usize,
        to: Position,
        manner: Manner,
    ) -> Result<bool, Halt> {
        let acts = steps::throw(&self.site.plan, turnout, to, manner).unwrap_or_default();
        Ok(matches!(self.act(&acts, None).await?, Driven::Done(_)))
    }

    /// Does what a throw needs, and gives what the witness saw of it if that is `looked` at.
    async fn act(
        &mut self,
        acts: &[Act],
        looked: Looked<'_>,
    ) -> Result<Driven<Option<Seen>>, Halt> {
        let mut began = self.thrower.clock();
        let mut flight = None;
        let mut saw = None;
        for act in acts {
            match act {
                Act::Wait(time) => self.thrower.rest(*time).await?,
                Act::Begin => {
                    if let Some((id, to)) = looked {
                        let to = Id::new(to.as_str());
                        flight = Some(self.thrower.attend_to(id, &to).await?);
                    }
                    began = self.thrower.clock();
                }
                Act::Send(packet) => {
                    let activates = activates(packet);
                    let throws = &self.tally.throws;
                    throws.set(throws.get() + u64::from(activates));
                    // A release that was refused the guard of the link makes again.
                    if let Taken::Refused(reason) = self.thrower.put(packet).await?
                        && activates
                    {
                        tracing::info!(%packet, reason, "the station refused it");
                        return Ok(Driven::Refused);
                    }
                }
                Act::Look => {
                    if let Some(flight) = flight.take() {
                        saw = self.thrower.saw(flight).await?;
                    }
                }
                Act::Until(time) => {
                    let left = (began + *time).saturating_sub(self.thrower.clock());
                    self.thrower.rest(left).await?;
                }
            }
        }
        Ok(Driven::Done(saw))
    }
}

/// Whether a packet switches something on.
fn activates(packet: &Packet) -> bool {
    BasicAccessory::parse(packet).map_or(true, |command| command.activate)
}

fn end_of(saw: &Seen) -> End {
    match &saw.observed {
        Observed::Straight => End::At(Position::Straight),
        Observed::Diverging => End::At(Position::Diverging),
        Observed::Between => End::Between,
        Observed::NoMovement | Observed::Another | Observed::Aspect(_) => End::Nothing,
    }
}
