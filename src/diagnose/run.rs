//! Carries a diagnosis out: throws, asks, tells.

use std::cell::{Cell, RefCell};
use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;

pub use self::asked::{Asked, Beyond, Done, Ended, Evidence, Proof};
use self::reach::Reached;
use super::belief::Options;
use super::facts::{self, Effort, Made};
use super::sight::Answer;
use super::site::Site;
use super::steps::Steps;
use super::test::Test;
use super::{Conclusion, Diagnosis, MOST_QUESTIONS, Next, Swept, cause, common};
use crate::event::diagnosis::{By, Came, Known, Unanswered};
use crate::event::hub::Hub;
use crate::event::{Diagnosed, EventKind};
use crate::link::Link;
use crate::plan::{Id, Plan};
use crate::sweep::SweepError;
use crate::sweep::stop::StopToken;
use crate::sweep::thrower::{self, Extent, Halt, Thrower, unwound};
use crate::witness::Witness;

mod asked;
mod drive;
mod hands;
mod reach;
pub mod words;

/// A diagnosis that is carried out.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness"
)]
pub struct Examination<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who says what is seen.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// What is asked for.
    pub asked: Asked,
}

/// What is counted, to be told however it ends.
#[derive(Debug, Default)]
struct Tally {
    throws: Cell<u64>,
    tests: Cell<u32>,
    explains: RefCell<Vec<usize>>,
    is_done: Cell<bool>,
}

fn count(many: usize) -> u32 {
    u32::try_from(many).unwrap_or(u32::MAX)
}

fn micros(time: Duration) -> u64 {
    u64::try_from(time.as_micros()).unwrap_or(u64::MAX)
}

impl Examination<'_, '_> {
    /// Carries it out.
    ///
    /// # Errors
    /// When the link, an essential sink or the witness fails. Outputs are released all the same.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Ended, SweepError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            asked,
        } = self;
        let site = Site::without(plan, asked.target, &asked.explained);
        let began = link.now();
        let uncarried = reach::uncarried(&site, link);
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(asked.about.reconnect);
        let id = plan.turnouts[asked.target].id.clone();
        let tally = Tally::default();
        let mut diagnosis: Option<Diagnosis> = None;
        let mut beyond = asked.beyond;
        let mut examiner = Examiner {
            thrower: &mut thrower,
            plan,
            asked: &asked,
            tally: &tally,
            id: &id,
            site,
            uncarried,
            beyond: &mut beyond,
        };
        let outcome = unwound(examiner.go(&mut diagnosis)).await;
        let ended = thrower.end(outcome, |thrower| {
            let effort = (tally.throws.get(), micros(thrower.lasted()));
            let broken_off = || broken_off(plan, &id, diagnosis.as_ref(), effort);
            (!tally.is_done.get()).then(|| EventKind::Diagnosis(broken_off()))
        });
        Ok(match ended.await? {
            thrower::Ended::Done(conclusion) => Ended::With(Box::new(Done {
                conclusion,
                beyond,
                explains: tally.explains.take(),
                began,
            })),
            thrower::Ended::Stopped(reason) => Ended::Stopped(reason),
        })
    }
}

/// What a diagnosis is told to have come to that ends before its end.
fn broken_off(
    plan: &Plan,
    id: &Id,
    diagnosis: Option<&Diagnosis>,
    effort: (u64, u64),
) -> Diagnosed {
    let mut fact = match diagnosis {
        Some(diagnosis) => facts::came(plan, id, diagnosis, &diagnosis.conclusion(), effort),
        None => Diagnosed::Diagnosis {
            turnout: id.clone(),
            kind: Came::BrokenOff,
            tests: 0,
            none_fits: 0.0,
            causes: Vec::new(),
            parting: None,
            explains: Vec::new(),
            throws: effort.0,
            elapsed_us: effort.1,
        },
    };
    if let Diagnosed::Diagnosis { kind, .. } = &mut fact {
        *kind = Came::BrokenOff;
    }
    fact
}

/// A diagnosis that is carried out.
struct Examiner<'r, 'a, 'h> {
    thrower: &'r mut Thrower<'a, 'h>,
    plan: &'a Plan,
    asked: &'r Asked,
    tally: &'r Tally,
    id: &'r Id,
    /// Where the tests are made; the plan of it may be smaller.
    site: Site,
    /// Tests that the link can't carry.
    uncarried: Vec<Test>,
    beyond: &'r mut Beyond,
}

/// A test with all that has to be known to make it.
#[derive(Debug, Clone)]
struct Trial {
    test: Test,
    number: u32,
    steps: Steps,
    /// What is done, in words.
    action: String,
}

impl Examiner<'_, '_, '_> {
    async fn go(&mut self, diagnosis: &mut Option<Diagnosis>) -> Result<Option<Conclusion>, Halt> {
        self.begin().await?;
        if self.tell_proof().await? {
            self.tally.is_done.set(true);
            return Ok(None);
        }
        self.start().await?;
        let mut swept: Vec<Swept> = self.asked.known.iter().map(|it| it.swept.clone()).collect();
        let target = self.asked.target;
        if !swept.iter().any(|one| one.turnout == target) {
            swept.extend(self.first_look().await?);
        }
        let options = Options {
            seed: self.asked.seed,
            mended: self.asked.mended.clone(),
            explained: self.asked.explained.clone(),
            ..Options::default()
        };
        let diagnosis = diagnosis.insert(Diagnosis::new(self.plan, target, &swept, &options));
        self.site = diagnosis.belief().site().clone();
        for test in &self.uncarried {
            if !self.asked.by_hands {
                diagnosis.refuse(*test);
            }
        }
        let conclusion = loop {
            let test = match diagnosis.choose() {
                Next::Done(conclusion) => break conclusion,
                Next::Test(test) => test,
            };
            let steps = Steps::of(&self.site, test);
            if !self.asked.by_hands && reach::must_not_be_thrown(self.plan, &steps) {
                diagnosis.refuse(test);
                continue;
            }
            let trial = self.trial(test, steps);
            let began = self.thrower.clock();
            let throws = self.tally.throws.get();
            let made = self.make(&trial).await?;
            match made {
                Made::Answer(answer) => diagnosis.tell(test, answer),
                Made::Not(_) => diagnosis.refuse(test),
            }
            let took = self.thrower.clock().saturating_sub(began);
            let effort = Effort {
                throws: u32::try_from(self.tally.throws.get() - throws).unwrap_or(u32::MAX),
                took_us: micros(took),
            };
            let fact = facts::answered(self.id, trial.number, test, made, effort, Some(diagnosis));
            self.say(fact).await?;
        };
        let effort = (self.tally.throws.get(), micros(self.thrower.lasted()));
        let others = &self.asked.others;
        let (plan, seed) = (self.plan, self.asked.seed);
        let explained = common::explains(plan, target, &conclusion, &swept, others, seed);
        let mut fact = facts::came(plan, self.id, diagnosis, &conclusion, effort);
        if let Diagnosed::Diagnosis { explains, .. } = &mut fact {
            let ids = explained.iter().map(|it| plan.turnouts[*it].id.clone());
            explains.extend(ids);
        }
        self.tally.explains.replace(explained);
        self.say(fact).await?;
        self.tally.is_done.set(true);
        Ok(Some(conclusion))
    }

    async fn say(&mut self, fact: Diagnosed) -> Result<(), Halt> {
        self.thrower.say(EventKind::Diagnosis(fact)).await
    }

    async fn begin(&mut self) -> Result<(), Halt> {
        let about = &self.asked.about;
        self.thrower.begin_run(about, Extent::NO_SWEEP).await
    }

    /// Says what came of a proof that goes before; whether that leaves nothing to be looked for.
    async fn tell_proof(&mut self) -> Result<bool, Halt> {
        let Some(proof) = self.asked.proof.clone() else {
            return Ok(false);
        };
        self.say(Diagnosed::DiagnosisProved {
            turnout: self.id.clone(),
            cause: proof.cause.to_owned(),
            proved: proof.proved,
            words: proof.words,
            still_fail: proof.still_fail,
        })
        .await?;
        Ok(proof.proved)
    }

    async fn start(&mut self) -> Result<(), Halt> {
        let swept: Vec<Swept> = self.asked.known.iter().map(|it| it.swept.clone()).collect();
        let telling = self.site.telling_of(&swept);
        let known = telling.iter().flat_map(|turnout| {
            let of_it = self.asked.known.iter();
            of_it.filter(|one| one.swept.turnout == *turnout)
        });
        let known = known.map(|one| Known {
            turnout: self.plan.turnouts[one.swept.turnout].id.clone(),
            saw: Test::Again.told(Answer::Motion(one.swept.motion, one.swept.other)),
            from: one.from.clone(),
        });
        let mut notes = self.asked.notes.clone();
        if !self.uncarried.is_empty() && !self.asked.by_hands {
            let names: Vec<_> = self.uncarried.iter().map(|test| test.name()).collect();
            notes.push(format!("the link does not carry: {}", names.join(", ")));
        }
        self.say(Diagnosed::DiagnosisStarted {
            turnout: self.id.clone(),
            place: self.plan.turnouts[self.asked.target].place.clone(),
            known: known.collect(),
            mended: self.asked.mended.iter().map(|&it| it.to_owned()).collect(),
            causes: count(cause::all().count()),
            at_most: count(MOST_QUESTIONS),
            notes,
        })
        .await
    }

    /// Nothing is known of the failing turnout: it is thrown and looked at as a sweep does, before
    /// anything is made of it.
    async fn first_look(&mut self) -> Result<Option<Swept>, Halt> {
        let steps = Steps::swept(self.site.target);
        let mut trial = self.trial(Test::Again, steps);
        if self.asked.by_hands {
            trial.action = words::what_was_seen(self.id);
        }
        let began = self.thrower.clock();
        let made = self.make(&trial).await?;
        let effort = Effort {
            throws: u32::try_from(self.tally.throws.get()).unwrap_or(u32::MAX),
            took_us: micros(self.thrower.clock().saturating_sub(began)),
        };
        let fact = facts::answered(self.id, trial.number, trial.test, made, effort, None);
        self.say(fact).await?;
        let Made::Answer(Answer::Motion(motion, other)) = made else {
            return Ok(None);
        };
        Ok(Some(Swept {
            turnout: self.asked.target,
            motion,
            other,
            others: Vec::new(),
        }))
    }

    fn trial(&self, test: Test, steps: Steps) -> Trial {
        self.tally.tests.set(self.tally.tests.get() + 1);
        let is_driven = !self.asked.by_hands;
        Trial {
            test,
            number: self.tally.tests.get(),
            action: words::action(&self.site, test, is_driven.then_some(&steps)),
            steps,
        }
    }

    /// Makes a test, or says why not.
    async fn make(&mut self, trial: &Trial) -> Result<Made, Halt> {
        let Reached { known, beyond } = reach::of(self.plan, &self.site, &trial.steps);
        let makes_itself = self.thrower.tests_itself();
        if !beyond.is_empty()
            && !self.asked.by_hands
            && !makes_itself
            && !self.may_go_beyond(trial, &beyond).await?
        {
            return Ok(Made::Not(Unanswered::NotAllowed));
        }
        let is_seen = self.is_reported(trial) && !self.asked.by_hands;
        if !makes_itself && !is_seen && !self.thrower.can_ask() {
            return Ok(Made::Not(Unanswered::Nobody));
        }
        let hands = self.asked.by_hands && !makes_itself;
        self.say(Diagnosed::DiagnosisTest {
            turnout: self.id.clone(),
            number: trial.number,
            test: trial.test.name().to_owned(),
            action: trial.action.clone(),
            caution: trial.test.caution().map(|it| it.code.to_owned()),
            by: if hands {
                By::Hands
            } else {
                facts::by(trial.test)
            },
            will_move: known,
            beyond_plan: beyond.into_iter().map(KeyedAddress::get).collect(),
        })
        .await?;
        if makes_itself || self.asked.by_hands {
            let made = self.asks(trial, false).await?;
            return Ok(made.unwrap_or(Made::Not(Unanswered::NotSure)));
        }
        if is_seen {
            return self.watched(trial).await;
        }
        self.with_person(trial).await
    }

    /// Whether position reports answer it, without anybody looking.
    fn is_reported(&self, trial: &Trial) -> bool {
        let turnout = match &trial.steps {
            Steps::Turnout { turnout, .. } => *turnout,
            Steps::Addresses(_) => self.site.target,
            Steps::Nothing | Steps::Plain { .. } => return false,
        };
        self.thrower.has_reports()
            && !trial.test.cost().hands
            && self.site.plan.turnouts[turnout].position_reports
    }
}
