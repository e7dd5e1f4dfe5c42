//! One look at all turnouts of a place.

use super::{Item, Run, skip_place_reason};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::plan::Id;
use crate::sweep::prove::refused_reason;
use crate::sweep::route;
use crate::sweep::thrower::Halt;
use crate::witness::{Observed, Seen, Survey, Surveyed};

impl Run<'_, '_, '_> {
    /// Throws all turnouts of the place that is its turn, and has them looked at.
    pub(super) async fn round(&mut self) -> Result<(), Halt> {
        let Some(Item::Place(place)) = self.items.get_mut(self.at) else {
            return Ok(());
        };
        let done = self.thrower.so_far().rounds(place.name).len();
        let round = done + 1;
        let throws = |members: Vec<usize>, round: usize, step: &dyn Fn(usize) -> Step| {
            let throws = members.into_iter().filter_map(|at| {
                let subject = Subject::Turnout(place.members.get(at)?.id.clone());
                let commanded = route::id_of(place.position(at, round)?);
                Some((subject, step(at), commanded))
            });
            throws.collect::<Vec<_>>()
        };
        if !place.is_set_up {
            let step = if done == 0 { Step::Prime } else { Step::Back };
            let all = (0..place.members.len()).collect();
            let refused = self
                .thrower
                .throw_all(&throws(all, done, &|_| step))
                .await?;
            if let Some(reason) = refused {
                return self.one_by_one(&refused_reason(&reason)).await;
            }
        }
        let step = |at| {
            if place.position(at, done) == place.position(at, round) {
                Step::Keep
            } else {
                Step::Visit
            }
        };
        let order = place.rounds.order(round);
        let refused = self.thrower.throw_all(&throws(order, round, &step)).await?;
        if let Some(reason) = refused {
            return self.one_by_one(&refused_reason(&reason)).await;
        }
        let sent: Vec<_> = (0..place.members.len())
            .filter_map(|at| {
                let subject = Subject::Turnout(place.members.get(at)?.id.clone());
                Some((subject, place.position(at, round)?))
            })
            .collect();
        place.is_set_up = true;
        let (name, count) = (place.name, place.rounds.count());
        let survey = Survey {
            plan: self.thrower.plan,
            place: name,
            round: u32::try_from(round).unwrap_or(u32::MAX),
            rounds: u32::try_from(count).unwrap_or(u32::MAX),
            sent: &sent,
        };
        match self.thrower.survey(&survey).await? {
            Surveyed::Differ(differ) => self.keep_round(&survey, differ).await,
            Surveyed::Repeat => {
                self.unset();
                Ok(())
            }
            Surveyed::Undo => self.undo().await,
            Surveyed::OneByOne => self.one_by_one("asked for").await,
            Surveyed::SkipPlace => {
                let reason = skip_place_reason(name);
                let skipped = self.still_open_at(name);
                self.skip(skipped, &reason).await
            }
            Surveyed::Stop => Err(Halt::Stop(StopReason::Operator)),
        }
    }

    /// Says what was found in a look at a place: the look first, which tells all that counts, then
    /// the observation of each throw.
    async fn keep_round(
        &mut self,
        survey: &Survey<'_>,
        mut differ: Vec<(Id, Observed)>,
    ) -> Result<(), Halt> {
        let member = |id: &Id| survey.sent.iter().find(|(subject, _)| subject.id() == id);
        if differ.iter().any(|(id, _)| member(id).is_none()) {
            return self.one_by_one("another than those shown moved").await;
        }
        differ.retain(|(id, observed)| {
            member(id).is_some_and(|(_, position)| Observed::of(*position) != *observed)
        });
        let members = survey.sent.iter();
        let members: Vec<_> = members.map(|(subject, _)| subject.id().clone()).collect();
        let differs = |id: &Id| differ.iter().find(|(own, _)| own == id);
        let in_order = members.iter().filter(|id| differs(id).is_some());
        self.thrower
            .say(EventKind::Surveyed {
                place: survey.place.to_owned(),
                round: survey.round,
                rounds: survey.rounds,
                differ: in_order.cloned().collect(),
                members,
                carried: false,
            })
            .await?;
        let last = self.thrower.so_far().rounds(survey.place).last();
        let sent = last.map(|round| round.sent.clone()).unwrap_or_default();
        for (subject, sent) in sent {
            let lies = member(subject.id()).map(|(_, position)| Observed::of(*position));
            let observed = differs(subject.id()).map(|(_, observed)| observed.clone());
            let Some(observed) = observed.or(lies) else {
                continue;
            };
            let seen = Seen {
                observed,
                others: Vec::new(),
            };
            self.thrower
                .say(EventKind::Observation {
                    subject,
                    throw: sent.throw,
                    step: sent.step,
                    commanded: sent.commanded,
                    seen,
                    carried: false,
                })
                .await?;
        }
        Ok(())
    }

    /// Has each turnout of the place that is its turn swept alone.
    async fn one_by_one(&mut self, why: &str) -> Result<(), Halt> {
        let Some(Item::Place(place)) = self.items.get_mut(self.at) else {
            return Ok(());
        };
        tracing::info!(place = place.name, why, "one by one");
        place.is_set_up = false;
        let so_far = self.thrower.so_far();
        let subjects = place.members.iter();
        let subjects = subjects.map(|turnout| Subject::Turnout(turnout.id.clone()));
        let open = |subject: &Subject| so_far.verdict(subject).is_none();
        let subjects: Vec<_> = subjects.filter(open).collect();
        for subject in subjects {
            self.thrower.say(EventKind::SweptAgain { subject }).await?;
        }
        Ok(())
    }
}
