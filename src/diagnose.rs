//! Why does this one fail? Asks for the test or the look that tells most, and names the cause.
//!
//! The simulated track is the likelihood model. A [`cause::Cause`] is a state of it. What a
//! [`test::Test`] would show for each cause is found by making the test on tracks that are built
//! that way ([`perform`]), over the spread of their figures. [`belief`] weighs causes by what was
//! seen, with room for a person's mistakes; a [`Diagnosis`] chooses what is asked next, and says
//! when enough is known. It asks nobody itself: whoever has the layout tells it answers.

pub mod belief;
pub mod cause;
pub mod facts;
pub mod known;
pub mod perform;
pub mod run;
pub mod sight;
pub mod site;
pub mod steps;
pub mod test;
pub mod words;

use self::belief::{Belief, Options};
use self::cause::Cause;
use self::sight::{Answer, Motion, Other};
use self::site::Site;
use self::test::Test;
use crate::plan::{Id, Plan};

/// A cause this likely is named.
pub const CONFIDENT: f64 = 0.95;

/// Causes that together are this likely are those that remain.
const REMAINING: f64 = 0.97;

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
        let whole = Site::of(plan, target);
        let own = swept.iter().filter(|one| one.turnout == target);
        let seen: Vec<Id> = own.flat_map(|one| one.others.clone()).collect();
        let all: Vec<Id> = swept.iter().flat_map(|one| one.others.clone()).collect();
        let site = whole.near(&all);
        let is_bad = |one: &Swept| one.motion.is_wrong() || one.other != Other::Nothing;
        let fails = swept.iter().any(|one| one.turnout == target && is_bad(one));
        let mut belief = Belief::new(site, &seen, fails, options);
        let is_target = |one: &&Swept| one.turnout == target;
        let others = swept.iter().filter(|one| one.turnout != target);
        for one in swept.iter().filter(is_target).chain(others) {
            let id = &plan.turnouts[one.turnout].id;
            let near = &belief.site().plan.turnouts;
            if let Some(index) = near.iter().position(|it| it.id == *id) {
                belief.learn_swept(index, one.turnout, (one.motion, one.other));
            }
        }
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
    }

    /// Says that a test can't be made, or must not.
    pub fn refuse(&mut self, test: Test) {
        self.refused.push(test);
    }

    /// Tests that can be made and have not been asked for often enough to be done with.
    pub fn offered(&self) -> Vec<Test> {
        let offered = Test::ALL.into_iter().filter(|test| {
            let times = self.asked.iter().filter(|one| *one == test).count();
            times < ASKED_AT_MOST && !self.refused.contains(test)
        });
        offered
            .filter(|test| test.is_offered(self.belief.site()))
            .collect()
    }

    /// Whether one cause, or that none fits, is past [`CONFIDENT`].
    pub fn is_sure(&self) -> bool {
        self.belief.shares().iter().any(|it| *it >= CONFIDENT)
    }

    /// The test that tells most for what it costs, or the conclusion.
    pub fn choose(&mut self) -> Next {
        if self.is_sure() && self.asked.is_empty() && !self.refused.contains(&Test::Again) {
            // A sweep may have been noted wrong: nothing is named that was seen but once.
            return Next::Test(Test::Again);
        }
        if self.is_sure() || self.asked.len() >= MOST_QUESTIONS {
            return Next::Done(self.conclusion());
        }
        // A first look with few draws leaves few tests to look at closer.
        let mut rough: Vec<(f64, Test)> = self
            .offered()
            .into_iter()
            .map(|test| (self.worth(test, ROUGHLY), test))
            .collect();
        rough.sort_by(|one, other| other.0.total_cmp(&one.0));
        rough.truncate(CLOSER);
        let mut best: Option<(f64, Test)> = None;
        for (_, test) in rough {
            let worth = self.worth(test, CLOSELY);
            if worth > 0.0 && best.is_none_or(|(most, _)| worth > most) {
                best = Some((worth, test));
            }
        }
        match best {
            Some((_, test)) => Next::Test(test),
            None => Next::Done(self.conclusion()),
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

    /// What it comes to as things stand.
    pub fn conclusion(&self) -> Conclusion {
        let mut shares = self.belief.shares();
        let none_fits = shares.pop().unwrap_or_default();
        let mut causes: Vec<Likely> = self
            .belief
            .causes()
            .iter()
            .zip(shares)
            .map(|(cause, share)| Likely { cause, share })
            .collect();
        causes.sort_by(|one, other| other.share.total_cmp(&one.share));
        let first = causes.first().map_or(0.0, |it| it.share);
        let kind = if none_fits > first {
            Kind::NoneFits
        } else if first >= CONFIDENT {
            Kind::Named
        } else {
            Kind::Remain
        };
        let mut sum = 0.0;
        let known = 1.0 - none_fits;
        causes.retain(|it| {
            let is_needed = sum < REMAINING * known;
            sum += it.share;
            is_needed
        });
        Conclusion {
            kind,
            causes,
            none_fits,
        }
    }
}
