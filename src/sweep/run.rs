//! A run, one thing after another.

use std::collections::BTreeSet;

mod looks;
mod round;

use super::Options;
use super::carry_on::missing;
use super::place::{Place, Todo};
use super::prove::{self, Judged, Next, refused_reason, skip_reason};
use super::thrower::{Halt, Thrower, Told};
use crate::event::{EventKind, Step, Subject};
use crate::plan::{Id, Look, Signal, Turnout};
use crate::verdict::Verdict;

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
        let mut again = Vec::new();
        for item in &mut self.items {
            if let Item::Place(place) = item {
                place.is_set_up = false;
                again.extend(missing(place, self.thrower.so_far()));
            }
        }
        for event in again {
            self.thrower.say(event).await?;
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
