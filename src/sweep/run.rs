//! A run, one thing after another.

use std::collections::BTreeSet;

use super::place::{Place, Todo};
use super::prove::{self, Judged, Next, refused_reason, skip_reason};
use super::thrower::{Halt, Thrower, Told};
use super::{Options, route};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::plan::{Id, Look, Signal, Turnout};
use crate::verdict::Verdict;
use crate::witness::{Closer, Found, Observed, Seen, Survey, Surveyed};

/// Something to do.
pub(super) enum Item<'p> {
    /// Come to a verdict on a turnout.
    Turnout(&'p Turnout),
    /// On a signal.
    Signal(&'p Signal),
    /// On all turnouts of a place.
    Place(Place<'p>),
    /// Go through the acceptance list of a turnout.
    Looks(&'p Turnout),
}

impl<'p> Item<'p> {
    pub(super) fn place(&self) -> Option<&Place<'p>> {
        match self {
            Self::Place(place) => Some(place),
            Self::Turnout(_) | Self::Signal(_) | Self::Looks(_) => None,
        }
    }
}

/// A turnout or a signal.
#[derive(Clone, Copy)]
enum Thing<'p> {
    Turnout(&'p Turnout),
    Signal(&'p Signal),
}

/// The run itself.
pub(super) struct Run<'r, 'a, 'h> {
    thrower: &'r mut Thrower<'a, 'h>,
    options: &'r Options,
    items: Vec<Item<'a>>,
    /// The first of the items that may not be over.
    at: usize,
    /// Those whose next throw must be set back first: nobody knows how they lie.
    stale: BTreeSet<Subject>,
    /// Those that can't be laid by hand.
    no_hands: BTreeSet<Subject>,
    /// Looks that are left for another run.
    later: BTreeSet<(Subject, Look)>,
    /// Those whose looks of earlier runs were said.
    told: BTreeSet<Subject>,
}

impl<'r, 'a, 'h> Run<'r, 'a, 'h> {
    pub(super) fn new(
        thrower: &'r mut Thrower<'a, 'h>,
        options: &'r Options,
        items: Vec<Item<'a>>,
        stale: BTreeSet<Subject>,
    ) -> Self {
        Self {
            thrower,
            options,
            items,
            at: 0,
            stale,
            no_hands: BTreeSet::new(),
            later: BTreeSet::new(),
            told: BTreeSet::new(),
        }
    }

    /// Goes on until everything is over.
    pub(super) async fn go(mut self) -> Result<(), Halt> {
        loop {
            let is_over = match self.items.get(self.at) {
                None => return Ok(()),
                Some(Item::Turnout(turnout)) => {
                    let thing = Thing::Turnout(turnout);
                    self.thing(thing).await?
                }
                Some(Item::Signal(signal)) => {
                    let thing = Thing::Signal(signal);
                    self.thing(thing).await?
                }
                Some(Item::Looks(turnout)) => {
                    let turnout = *turnout;
                    self.looks(turnout).await?
                }
                Some(Item::Place(place)) => match place.todo(self.thrower.so_far()) {
                    None => true,
                    Some(todo) => {
                        self.place(todo).await?;
                        false
                    }
                },
            };
            self.at += usize::from(is_over);
        }
    }

    /// Does the next thing for a turnout or signal; `true` if there is none.
    async fn thing(&mut self, thing: Thing<'a>) -> Result<bool, Halt> {
        let subject = thing.subject();
        let plan = self.thrower.plan;
        let so_far = self.thrower.so_far();
        if so_far.verdict(&subject).is_some() {
            return Ok(true);
        }
        let next = match thing {
            Thing::Turnout(turnout) => {
                let no_hands = self.no_hands.contains(&subject);
                prove::turnout(plan, turnout, self.options, so_far, no_hands)
            }
            Thing::Signal(signal) => prove::signal(plan, signal, self.options, so_far),
        };
        match next {
            Next::Judged(judged) => self.thrower.say(judged.event()).await?,
            Next::Lay(position) => {
                if self.thrower.lay_by_hand(&subject, position).await? {
                    self.stale.remove(&subject);
                } else {
                    self.no_hands.insert(subject);
                }
            }
            Next::Throw(step, commanded) => self.throw(thing, step, commanded).await?,
        }
        Ok(false)
    }

    async fn throw(&mut self, thing: Thing<'a>, step: Step, commanded: Id) -> Result<(), Halt> {
        let subject = thing.subject();
        let is_stale = self.stale.contains(&subject);
        let told = self.thrower.throw(&subject, step, &commanded, is_stale);
        match told.await? {
            Told::Seen(_) => {
                self.stale.remove(&subject);
            }
            Told::Skip => self.skip(vec![thing], &skip_reason(&commanded)).await?,
            Told::SkipPlace => {
                let place = thing.place();
                let reason = skip_place_reason(place);
                // Those without a place have no place in common.
                let skipped = if place.is_empty() {
                    vec![thing]
                } else {
                    self.still_open_at(place)
                };
                self.skip(skipped, &reason).await?;
            }
            Told::Undo => {
                self.undo().await?;
                self.stale.insert(subject);
            }
            Told::Unseen(reason) => self.leave_out(thing, reason).await?,
            Told::Refused(reason) => self.leave_out(thing, refused_reason(&reason)).await?,
        }
        Ok(())
    }

    async fn leave_out(&mut self, thing: Thing<'a>, reason: String) -> Result<(), Halt> {
        self.stale.insert(thing.subject());
        let judged = thing.judged(Verdict::Skipped, reason);
        self.thrower.say(judged.event()).await
    }

    /// One answer skips them all.
    async fn skip(&mut self, things: Vec<Thing<'a>>, reason: &str) -> Result<(), Halt> {
        let throw = self.thrower.last_throw();
        let subjects = things.iter().map(|thing| thing.subject()).collect();
        for thing in things {
            self.leave_out(thing, reason.to_owned()).await?;
        }
        self.thrower.so_far_mut().skipped(subjects, throw);
        Ok(())
    }

    /// What has no verdict yet at a place.
    fn still_open_at(&self, place: &str) -> Vec<Thing<'a>> {
        let things = self.items.iter().filter_map(|item| match item {
            Item::Turnout(turnout) => Some(Thing::Turnout(turnout)),
            Item::Signal(signal) => Some(Thing::Signal(signal)),
            Item::Place(_) | Item::Looks(_) => None,
        });
        let so_far = self.thrower.so_far();
        let open = |thing: &Thing<'_>| {
            thing.place() == place && so_far.verdict(&thing.subject()).is_none()
        };
        things.filter(open).collect()
    }

    /// Takes the last answer back.
    async fn undo(&mut self) -> Result<(), Halt> {
        for (subject, throw) in self.thrower.so_far().last_answer().unwrap_or_default() {
            self.stale.insert(subject.clone());
            self.no_hands.remove(&subject);
            let gone = EventKind::Withdrawn { subject, throw };
            self.thrower.say(gone).await?;
        }
        for item in &mut self.items {
            if let Item::Place(place) = item {
                place.is_set_up = false;
            }
        }
        self.at = 0;
        Ok(())
    }

    async fn place(&mut self, todo: Todo<'a>) -> Result<(), Halt> {
        match todo {
            Todo::Round => loop {
                match self.round().await {
                    Ok(()) => return Ok(()),
                    // What was under way is set up again.
                    Err(halt) => self.thrower.recover(halt).await?,
                }
                self.unset();
            },
            Todo::Again(turnouts) => {
                for turnout in turnouts {
                    let subject = Subject::Turnout(turnout.id.clone());
                    self.stale.remove(&subject);
                    self.thrower.say(EventKind::SweptAgain { subject }).await?;
                }
            }
            Todo::Alone(turnout) => {
                self.thing(Thing::Turnout(turnout)).await?;
            }
            Todo::Proved(turnout) => {
                let judged = Judged::turnout(turnout, Verdict::Proved, String::new());
                self.thrower.say(judged.event()).await?;
            }
        }
        Ok(())
    }

    fn unset(&mut self) {
        if let Some(Item::Place(place)) = self.items.get_mut(self.at) {
            place.is_set_up = false;
        }
    }

    /// Throws all turnouts of the place that is its turn, and has them looked at.
    async fn round(&mut self) -> Result<(), Halt> {
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

    /// Does the next thing for the acceptance list of a turnout; `true` if there is none.
    async fn looks(&mut self, turnout: &Turnout) -> Result<bool, Halt> {
        let subject = Subject::Turnout(turnout.id.clone());
        let so_far = self.thrower.so_far();
        let is_proved = so_far.verdict(&subject) == Some(Verdict::Proved);
        if turnout.accept.is_empty() || !is_proved || so_far.is_accepted(&subject) {
            return Ok(true);
        }
        let found = |look: &&Look| so_far.look(&subject, look);
        let is_good = |look: &&Look| found(look) == Some(Found::Good);
        if self.told.insert(subject.clone()) {
            let known = turnout.accept.iter().filter(is_good);
            for look in known.cloned().collect::<Vec<_>>() {
                let subject = subject.clone();
                self.say_looked(subject, look, Found::Good, true).await?;
            }
            return Ok(false);
        }
        if turnout.accept.iter().all(|look| is_good(&look)) {
            self.thrower.say(EventKind::Accepted { subject }).await?;
            return Ok(true);
        }
        let is_open = |look: &&Look| {
            let left = (subject.clone(), (*look).clone());
            found(look).is_none() && !self.later.contains(&left)
        };
        let next = turnout.accept.iter().find(is_open).cloned();
        let Some(look) = next.filter(|_| self.thrower.looks_closer()) else {
            return Ok(true);
        };
        match self.thrower.look_closer(&subject, &look).await? {
            Closer::Found(found) => self.say_looked(subject, look, found, false).await?,
            Closer::Later => {
                self.later.insert((subject, look));
            }
            Closer::Note(note) => {
                let throw = self.thrower.last_throw();
                let noted = EventKind::Noted {
                    subject,
                    throw,
                    note,
                };
                self.thrower.say(noted).await?;
            }
            Closer::Stop => return Err(Halt::Stop(StopReason::Operator)),
        }
        Ok(false)
    }

    async fn say_looked(
        &mut self,
        subject: Subject,
        look: Look,
        found: Found,
        carried: bool,
    ) -> Result<(), Halt> {
        self.thrower
            .say(EventKind::Looked {
                subject,
                look,
                found,
                carried,
            })
            .await
    }
}

impl Thing<'_> {
    fn subject(self) -> Subject {
        match self {
            Self::Turnout(turnout) => Subject::Turnout(turnout.id.clone()),
            Self::Signal(signal) => Subject::Signal(signal.id.clone()),
        }
    }

    fn judged(self, verdict: Verdict, detail: String) -> Judged {
        match self {
            Self::Turnout(turnout) => Judged::turnout(turnout, verdict, detail),
            Self::Signal(signal) => Judged::signal(signal, verdict, detail),
        }
    }
}

impl<'p> Thing<'p> {
    fn place(self) -> &'p str {
        match self {
            Self::Turnout(turnout) => &turnout.place,
            Self::Signal(signal) => &signal.place,
        }
    }
}

fn skip_place_reason(place: &str) -> String {
    if place.is_empty() {
        "skipped by the operator, with its place".to_owned()
    } else {
        format!("skipped by the operator, with all of {place}")
    }
}
