//! What is believed of each cause, and how a test or an observation changes it.
//!
//! Each cause is drawn several times over the spread of its figures. A draw is a track that is
//! built that way; what a test shows of it is found by making the test on that track. Belief is
//! a weight on each draw. Where no cause alone explains what was seen, two at once are drawn as
//! well (`doubt`).

mod beside;
mod doubt;
mod draws;
mod foresee;
mod renew;
mod unknown;
mod weigh;

use rayon::prelude::*;

use super::cause::{self, Cause, Suspects};
use super::layout::Layout;
use super::mistake::Parts;
use super::others::{Beside, FAULT_OF_ITS_OWN};
use super::sight::{Answer, Motion, Other};
use super::site::Site;
use super::test::Test;
pub(super) use draws::seed_of;
use draws::{Drawn, draw};

/// A draw this many nats below the best is no longer worked out at all.
const HOPELESS: f64 = 18.0;

/// How far draws of one cause stand in for figures between them.
const BETWEEN_DRAWS: f64 = 0.15;

/// How much less likely a cause is once it was mended; a choice of ours.
const MENDED: f64 = 0.001;

/// What is chosen for a diagnosis.
#[derive(Debug, Clone)]
pub struct Options {
    /// Seed of all draws.
    pub seed: u64,
    /// How often each cause is drawn.
    pub draws: u32,
    /// How often a person's answer is wrong, 0 to 1. A choice of ours: one in twenty-five.
    pub error_rate: f64,
    /// Causes that were mended in this turnout and so are hardly it again.
    pub mended: Vec<&'static str>,
    /// Other turnouts, by index in the plan, that fail for a cause which is known already: they
    /// tell nothing, and no test throws them where there are others.
    pub explained: Vec<usize>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            seed: 1,
            draws: 16,
            error_rate: 0.04,
            mended: Vec::new(),
            explained: Vec::new(),
        }
    }
}

/// One draw of a cause, or of two at once.
#[derive(Debug)]
struct Particle {
    /// Which [`Hypothesis`] it is a draw of.
    of: usize,
    layout: Layout,
    /// Log of its weight before anything was learnt.
    log_prior: f64,
    log_weight: f64,
    /// Log likelihood of all that was learnt, of this draw by itself.
    fit: f64,
    /// The same of an unknown fault that is much like this draw.
    nearly: f64,
    /// What a sweep shows of the failing turnout, where that was worked out.
    swept: Option<Answer>,
    shows: Vec<Option<Answer>>,
    /// What it shows of each thing that was learnt, where that was worked out.
    told: Vec<Option<Answer>>,
    /// How each other turnout that was swept fares with it, where that was worked out.
    fares: Vec<Option<Answer>>,
}

impl Particle {
    fn new(of: usize, layout: Layout, log_prior: f64) -> Self {
        Self {
            of,
            layout,
            log_prior,
            log_weight: log_prior,
            fit: 0.0,
            nearly: 0.0,
            swept: None,
            shows: vec![None; Test::ALL.len()],
            told: Vec::new(),
            fares: Vec::new(),
        }
    }
}

/// A cause, or two at once; indices of [`Belief::causes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Hypothesis {
    first: usize,
    second: Option<usize>,
}

impl Hypothesis {
    fn causes(self) -> impl Iterator<Item = usize> {
        [Some(self.first), self.second].into_iter().flatten()
    }
}

/// Something that was learnt, to be weighed.
#[derive(Debug)]
struct Told {
    what: What,
    answer: Answer,
    parts: Parts,
    error: f64,
}

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum What {
    /// The failing turnout was swept.
    Swept,
    /// The test was made, for so manieth time.
    Test(Test, u32),
}

/// What was learnt, and how likely each cause made it.
#[derive(Debug, Clone)]
pub struct Learnt {
    /// What was done.
    pub source: Source,
    /// What it showed.
    pub answer: Answer,
    /// How likely each cause made that answer, in the order of [`Belief::causes`].
    pub likelihoods: Vec<f64>,
}

/// Where an answer comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// From the sweep of the turnout of that index in the plan that is diagnosed.
    Swept(usize),
    /// From a test.
    Test(Test),
}

/// Belief over causes.
#[derive(Debug)]
pub struct Belief {
    site: Site,
    causes: Vec<&'static Cause>,
    /// Each cause, in the same order, then pairs of them.
    hypotheses: Vec<Hypothesis>,
    particles: Vec<Particle>,
    /// How many of these were drawn at the beginning, and how many are draws of one cause; draws
    /// of two come behind them.
    begun: usize,
    singles: usize,
    told: Vec<Told>,
    /// What a sweep saw of other turnouts, by their index of the site.
    beside: Vec<(usize, Beside)>,
    /// Causes that can't be one of two: they were mended.
    mended: Vec<&'static str>,
    /// Log of how likely each cause is beforehand, and of how likely all faults are.
    priors: Vec<f64>,
    faults: f64,
    /// Seed of all draws, turnouts that may have to do with it, and the number of the next draw
    /// of each cause.
    seed: u64,
    suspects: Suspects,
    next: Vec<u32>,
    /// Log weight of "none of these", and of the part of it that is like none of them either.
    none: f64,
    unlike: f64,
    error_rate: f64,
    learnt: Vec<Learnt>,
}

impl Belief {
    /// Belief before anything is known, at a site that is small enough to be worked out often.
    /// Where a sweep says that it `fails`, only draws count with which it does.
    pub fn new(site: Site, suspects: Suspects, fails: bool, options: &Options) -> Self {
        let mut belief = Self {
            site,
            causes: Vec::new(),
            hypotheses: Vec::new(),
            particles: Vec::new(),
            begun: 0,
            singles: 0,
            told: Vec::new(),
            beside: Vec::new(),
            mended: options.mended.clone(),
            priors: Vec::new(),
            faults: 0.0,
            seed: options.seed,
            suspects,
            next: Vec::new(),
            none: 0.0,
            unlike: 0.0,
            error_rate: options.error_rate.clamp(1e-4, 0.5),
            learnt: Vec::new(),
        };
        let all: Vec<&'static Cause> = cause::all().collect();
        let drawn: Vec<Drawn> = all
            .par_iter()
            .map(|cause| draw(&belief, cause, fails, options))
            .collect();
        for (cause, drawn) in all.into_iter().zip(drawn) {
            belief.add(cause, drawn, fails, options);
        }
        belief.begun = belief.particles.len();
        belief.singles = belief.begun;
        let faults = belief.causes.iter().zip(&belief.priors);
        let faults = faults.filter(|(it, _)| it.level != cause::Level::Nobody);
        belief.faults = faults.map(|(_, prior)| prior.exp()).sum::<f64>().ln();
        belief.unlike = belief.faults + unknown::UNLIKE.ln();
        belief.weigh_none();
        belief
    }

    fn add(&mut self, cause: &'static Cause, drawn: Drawn, fails: bool, options: &Options) {
        let index = self.causes.len();
        let Drawn { drawn, next } = drawn;
        if drawn.is_empty() {
            return;
        }
        self.causes.push(cause);
        self.next.push(next);
        self.hypotheses.push(Hypothesis {
            first: index,
            second: None,
        });
        let again = if options.mended.contains(&cause.name) {
            MENDED
        } else if cause.name == cause::NOTHING_WRONG && !fails {
            // That it fails is somebody's word, which is wrong as often as any.
            self.error_rate
        } else {
            1.0
        };
        #[expect(clippy::cast_precision_loss, reason = "a few dozen draws")]
        let each = (cause.weight * again / drawn.len() as f64).ln();
        self.priors.push((cause.weight * again).ln());
        for (layout, swept) in drawn {
            let mut particle = Particle::new(index, layout, each);
            particle.swept = swept;
            self.particles.push(particle);
        }
    }

    /// The causes that this site can have, in a fixed order.
    pub fn causes(&self) -> &[&'static Cause] {
        &self.causes
    }

    /// The site.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// What was learnt so far.
    pub fn learnt(&self) -> &[Learnt] {
        &self.learnt
    }

    /// How likely each hypothesis is, and last that none of them is it.
    fn spread(&self) -> Vec<f64> {
        let best = self.best().max(self.none);
        let mut shares = vec![0.0; self.hypotheses.len() + 1];
        for particle in &self.particles {
            shares[particle.of] += (particle.log_weight - best).exp();
        }
        if let Some(last) = shares.last_mut() {
            *last = (self.none - best).exp();
        }
        let total: f64 = shares.iter().sum();
        for share in &mut shares {
            *share /= total;
        }
        shares
    }

    /// How likely each cause is to be there, alone or with another, and last that none of them
    /// is. Where two are there at once the sum is more than 1.
    pub fn shares(&self) -> Vec<f64> {
        let spread = self.spread();
        let mut shares = vec![0.0; self.causes.len() + 1];
        for (hypothesis, share) in self.hypotheses.iter().zip(&spread) {
            for cause in hypothesis.causes() {
                shares[cause] += share;
            }
        }
        if let (Some(last), Some(none)) = (shares.last_mut(), spread.last()) {
            *last = *none;
        }
        shares
    }

    /// How likely it is that two causes are there at once.
    pub fn of_two(&self) -> f64 {
        let spread = self.spread();
        let each = self.hypotheses.iter().zip(&spread);
        let two = each.filter(|(it, _)| it.second.is_some());
        two.map(|(_, share)| share).sum()
    }

    fn best(&self) -> f64 {
        let weights = self.particles.iter().map(|it| it.log_weight);
        weights.fold(f64::NEG_INFINITY, f64::max)
    }

    /// Takes in what a sweep saw of the failing turnout; `planned` is its index in the whole
    /// plan.
    pub fn learn_swept(&mut self, planned: usize, seen: (Motion, Other)) {
        let error = self.error_rate;
        let (motion, other) = seen;
        let told = Told {
            what: What::Swept,
            answer: Answer::Motion(motion, other),
            // A sweep is answered as a throw is.
            parts: Parts::of(Test::Again),
            error,
        };
        self.take(Source::Swept(planned), told);
    }

    /// Takes in what a test showed.
    pub fn learn(&mut self, test: Test, answer: Answer) {
        let error = if test.is_of_another() {
            self.error_rate + FAULT_OF_ITS_OWN
        } else {
            self.error_rate
        };
        let told = Told {
            what: What::Test(test, self.times(test)),
            answer,
            parts: Parts::of(test),
            error,
        };
        self.take(Source::Test(test), told);
        // The next time chance takes another course.
        let place = place_of(test);
        for it in self.particles.iter_mut().filter(|it| it.layout.by_chance) {
            it.shows[place] = None;
        }
        if test == Test::Reteach {
            // From now on it has its address, whatever it had.
            for it in &mut self.particles {
                it.shows.fill(None);
            }
        }
        self.doubt();
    }

    /// How often a test was made.
    fn times(&self, test: Test) -> u32 {
        let made = |it: &&Told| matches!(it.what, What::Test(one, _) if one == test);
        let times = self.told.iter().filter(made).count();
        u32::try_from(times).unwrap_or(u32::MAX)
    }

    fn take(&mut self, source: Source, told: Told) {
        let answer = told.answer;
        self.told.push(told);
        let index = self.told.len() - 1;
        let usual = self.usual(index);
        let (by_cause, of_all) = self.weigh(index, 0, HOPELESS, Some(usual));
        self.unlike += usual.of_unlike(of_all).ln();
        self.weigh_none();
        let told = &self.told[index];
        let any = told.parts.any();
        let met = by_cause.iter().take(self.causes.len());
        let likelihoods = met
            .map(|met| (1.0 - told.error) * met + told.error * any)
            .collect();
        self.learnt.push(Learnt {
            source,
            answer,
            likelihoods,
        });
    }
}

/// The log of a sum, of the logs of what is summed.
fn log_sum(all: &[f64]) -> f64 {
    let best = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    best + all.iter().map(|it| (it - best).exp()).sum::<f64>().ln()
}

fn place_of(test: Test) -> usize {
    let place = Test::ALL.iter().position(|one| *one == test);
    place.unwrap_or_default()
}
