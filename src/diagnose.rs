//! Why does this one fail? Asks for the test or the look that tells most, and names the cause.
//!
//! The simulated track is the likelihood model. A [`cause::Cause`] is a state of it. What a
//! [`test::Test`] would show for each cause is found by making the test on tracks that are built
//! that way ([`perform`]), over the spread of their figures. [`belief`] weighs causes by what was
//! seen, with room for a person's mistakes; a [`Diagnosis`] chooses what is asked next, and says
//! when enough is known. It asks nobody itself: whoever has the layout tells it answers.

pub mod belief;
pub mod cause;
pub mod common;
pub mod facts;
pub mod known;
mod layout;
pub mod mistake;
mod others;
mod pair;
mod parting;
pub mod perform;
pub mod run;
pub mod sight;
pub mod site;
pub mod steps;
pub mod test;
pub mod words;

use self::belief::{Belief, Options};
use self::cause::{Cause, Suspects};
pub use self::parting::Parting;
use self::sight::{Answer, Motion, Other};
use self::site::Site;
use self::test::Test;
use crate::plan::{Id, Plan};

/// A cause this likely is named.
pub const CONFIDENT: f64 = 0.95;

/// Causes less likely than this do not remain.
const REMAINING: f64 = 1.0 - CONFIDENT;

/// That none of the causes fits has to be surer before that is said: two at once may come into
/// question late.
const NONE_FITS: f64 = 0.99;

/// On fewer different tests nothing is named as long as any other tells something.
const FEWEST_TESTS: usize = 2;

/// A test that is expected to tell less than this is not worth asking for, nats.
const TELLS_NOTHING: f64 = 0.02;

/// Seconds that every question costs whatever it asks: reading it, looking up, answering. A
/// choice of ours.
const QUESTION_SECONDS: f64 = 60.0;

/// How many draws of each cause a test is judged by, at first and then closer, and how many
/// tests are looked at closer.
const ROUGHLY: usize = 2;
const CLOSELY: usize = 8;
const CLOSER: usize = 6;

/// A test that at first seems worth less than this share of the best is not looked at closer.
const COMES_CLOSE: f64 = 0.4;

/// How often one test is asked for: once more in case the first answer was a mistake.
const ASKED_AT_MOST: usize = 2;

/// No more questions than these; a person has lost faith before.
pub const MOST_QUESTIONS: usize = 14;

/// What a sweep saw of a turnout.
#[derive(Debug, Clone, PartialEq)]
pub struct Swept {
    /// Its index in the plan.
    pub turnout: usize,
    /// How it behaved.
    pub motion: Motion,
    /// What else moved.
    pub other: Other,
    /// Ids of what else moved.
    pub others: Vec<Id>,
}

impl Swept {
    /// Whether it did not do what it should, or something else moved.
    pub fn fails(&self) -> bool {
        self.motion.is_wrong() || self.other != Other::Nothing
    }
}

/// What comes next.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Make that test.
    Test(Test),
    /// Enough is known, or no more can be.
    Done(Conclusion),
}

/// What a diagnosis comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Conclusion {
    /// How it ended.
    pub kind: Kind,
    /// Causes by likelihood, the likeliest first, those that matter.
    pub causes: Vec<Likely>,
    /// How likely it is that none of the known causes fits.
    pub none_fits: f64,
    /// How likely it is that two causes are there at once.
    pub of_two: f64,
    /// Where several causes remain: the one measurement that would part them.
    pub parting: Option<Parting>,
}

impl Conclusion {
    /// The causes that are named: past [`CONFIDENT`] each, so that two of them are both there.
    pub fn named(&self) -> &[Likely] {
        let sure = self.causes.iter().take_while(|it| it.share >= CONFIDENT);
        match self.kind {
            Kind::Named => &self.causes[..sure.count()],
            Kind::Remain | Kind::NoneFits => &[],
        }
    }
}

/// How a diagnosis ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One cause is past [`CONFIDENT`].
    Named,
    /// Several remain that no test at hand tells apart.
    Remain,
    /// None of the known causes fits what was seen.
    NoneFits,
}

/// A cause and how likely it is.
#[derive(Debug, Clone, Copy)]
pub struct Likely {
    /// The cause.
    pub cause: &'static Cause,
    /// How likely, 0 to 1.
    pub share: f64,
}

impl PartialEq for Likely {
    fn eq(&self, other: &Self) -> bool {
        self.cause.name == other.cause.name && self.share.to_bits() == other.share.to_bits()
    }
}

/// The diagnosis of one turnout.
#[derive(Debug)]
pub struct Diagnosis {
    belief: Belief,
    asked: Vec<Test>,
    refused: Vec<Test>,
}

impl Diagnosis {
    /// Begins one for the turnout of that index in the plan, with what sweeps have seen.
    pub fn new(plan: &Plan, target: usize, swept: &[Swept], options: &Options) -> Self {
        let known = |turnout: usize| turnout != target && options.explained.contains(&turnout);
        let swept: Vec<Swept> = swept
            .iter()
            .filter(|one| !known(one.turnout))
            .cloned()
            .collect();
        let whole = Site::without(plan, target, &options.explained);
        let telling = whole.telling_of(&swept);
        // The failing one first, then the others as they are telling.
        let telling = telling.iter().flat_map(|turnout| {
            let of_it = swept.iter().filter(|one| one.turnout == *turnout);
            of_it.collect::<Vec<_>>()
        });
        let telling: Vec<&Swept> = telling.collect();
        let own = telling.iter().filter(|one| one.turnout == target);
        let all: Vec<Id> = telling.iter().flat_map(|one| one.others.clone()).collect();
        let fails = own.clone().any(|one| one.fails());
        let site = whole.near(&swept, &all);
        let suspects = Suspects::of(plan, target, &swept);
        let mut belief = Belief::new(site, suspects, fails, options);
        for one in own {
            belief.learn_swept(target, (one.motion, one.other));
        }
        let others = telling.iter().filter(|one| one.turnout != target);
        let near = &belief.site().plan.turnouts;
        let others = others.filter_map(|one| {
            let id = &plan.turnouts[one.turnout].id;
            let index = near.iter().position(|it| it.id == *id)?;
            Some((index, one.turnout, (one.motion, one.other)))
        });
        let others: Vec<_> = others.collect();
        belief.learn_others(&others);
        belief.renew();
        Self {
            belief,
            asked: Vec::new(),
            refused: Vec::new(),
        }
    }

    /// What is believed.
    pub fn belief(&self) -> &Belief {
        &self.belief
    }

    /// Tests made so far, in their order.
    pub fn asked(&self) -> &[Test] {
        &self.asked
    }

    /// Says what a test showed.
    pub fn tell(&mut self, test: Test, answer: Answer) {
        self.asked.push(test);
        self.belief.learn(test, answer);
        self.belief.renew();
    }

    /// Says that a test can't be made, or must not.
    pub fn refuse(&mut self, test: Test) {
        self.refused.push(test);
    }

    /// Tests that can be made and have not been asked for often enough to be done with.
    pub fn offered(&self) -> Vec<Test> {
        let offered = Test::ALL.into_iter().filter(|test| {
            let times = self.asked.iter().filter(|one| *one == test).count();
            let is_same = !test.is_of_the_address() || !self.asked.contains(&Test::Reteach);
            is_same && times < ASKED_AT_MOST && test.is_ordinary() && !self.refused.contains(test)
        });
        offered
            .filter(|test| {
                let site = self.belief.site();
                test.is_offered(site) && site.spares(*test)
            })
            .collect()
    }

    /// Whether one cause is past [`CONFIDENT`], or it is as good as certain that none fits.
    pub fn is_sure(&self) -> bool {
        let mut shares = self.belief.shares();
        let none_fits = shares.pop().unwrap_or_default();
        none_fits >= NONE_FITS || shares.iter().any(|it| *it >= CONFIDENT)
    }

    /// The test that tells most for what it costs, or the conclusion.
    pub fn choose(&mut self) -> Next {
        if self.is_sure() && self.asked.is_empty() && !self.refused.contains(&Test::Again) {
            // A sweep may have been noted wrong: nothing is named that was seen but once.
            return Next::Test(Test::Again);
        }
        let is_confirmed = || {
            let mut different = self.asked.clone();
            different.sort_unstable();
            different.dedup();
            different.len() >= FEWEST_TESTS
        };
        if self.is_sure() && is_confirmed() || self.asked.len() >= MOST_QUESTIONS {
            return Next::Done(self.conclude());
        }
        // A first look with few draws leaves few tests to look at closer.
        let offered = self.offered();
        self.belief.foresee(&offered, ROUGHLY);
        let mut rough: Vec<(f64, Test)> = offered
            .into_iter()
            .map(|test| (self.worth(test, ROUGHLY), test))
            .collect();
        rough.sort_by(|one, other| other.0.total_cmp(&one.0));
        let most = rough.first().map_or(0.0, |(worth, _)| *worth);
        let of_the_address = |(worth, test): &&(f64, Test)| {
            test.is_of_the_address() && *test != Test::Reteach && *worth > 0.0
        };
        let before_reteach = rough.iter().find(of_the_address).map(|(_, test)| *test);
        rough.truncate(CLOSER);
        rough.retain(|(worth, _)| *worth >= COMES_CLOSE * most);
        let closer: Vec<Test> = rough.iter().map(|(_, test)| *test).collect();
        self.belief.foresee(&closer, CLOSELY);
        let mut best: Option<(f64, Test)> = None;
        for test in closer {
            let worth = self.worth(test, CLOSELY);
            if worth > 0.0 && best.is_none_or(|(most, _)| worth > most) {
                best = Some((worth, test));
            }
        }
        match best {
            // Once it has its address again, nothing tells any more which it had.
            Some((_, Test::Reteach)) => Next::Test(before_reteach.unwrap_or(Test::Reteach)),
            Some((_, test)) => Next::Test(test),
            None => Next::Done(self.conclude()),
        }
    }

    /// What a test tells for a second of a person's time; nothing if it tells too little.
    fn worth(&mut self, test: Test, of_each: usize) -> f64 {
        let gain = self.belief.gain(test, of_each);
        if gain > TELLS_NOTHING {
            gain / (QUESTION_SECONDS + test.cost().seconds)
        } else {
            0.0
        }
    }

    /// What it comes to, and what would part the causes that remain.
    pub fn conclude(&mut self) -> Conclusion {
        let mut conclusion = self.conclusion();
        conclusion.parting = self.parting(&conclusion);
        conclusion
    }

    /// What it comes to as things stand; what would part the causes is left out.
    pub fn conclusion(&self) -> Conclusion {
        let mut shares = self.belief.shares();
        let none_fits = shares.pop().unwrap_or_default();
        let mut order: Vec<usize> = (0..shares.len()).collect();
        order.sort_by(|one, other| shares[*other].total_cmp(&shares[*one]));
        let first = order.first().map_or(0.0, |it| shares[*it]);
        let kind = if none_fits > first {
            Kind::NoneFits
        } else if first >= CONFIDENT {
            Kind::Named
        } else {
            Kind::Remain
        };
        let causes = order
            .iter()
            .enumerate()
            .filter(|(place, it)| *place == 0 || shares[**it] >= REMAINING);
        let causes = causes.map(|(_, it)| Likely {
            cause: self.belief.causes()[*it],
            share: shares[*it],
        });
        Conclusion {
            kind,
            causes: causes.collect(),
            none_fits,
            of_two: self.belief.of_two(),
            parting: None,
        }
    }
}
