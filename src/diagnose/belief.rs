//! What is believed of each cause, and how a test or an observation changes it.
//!
//! Each cause is drawn several times over the spread of its figures. A draw is a track that is
//! built that way; what a test shows of it is found by making the test on that track. Belief is
//! a weight on each draw. Where no cause alone explains what was seen, two at once are drawn as
//! well ([`doubt`]).

mod beside;
mod doubt;
mod renew;

use super::cause::{self, Cause, Draw};
use super::mistake::Parts;
use super::others::{Beside, FAULT_OF_ITS_OWN};
use super::perform::{perform, swept};
use super::sight::{Answer, Motion, Other};
use super::site::Site;
use super::test::Test;
use crate::plan::Id;
use crate::track::Track;
use crate::track::as_built::AsBuilt;

/// A draw this many nats below the best is no longer worked out when the next test is chosen.
const UNLIKELY: f64 = 7.0;

/// And this many below it no longer at all.
const HOPELESS: f64 = 18.0;

/// How far draws of one cause stand in for figures between them.
const BETWEEN_DRAWS: f64 = 0.15;

/// The same where chance decides what a test shows: a draw shows but one of its courses.
const BETWEEN_CHANCES: f64 = 0.8;

/// So many draws' worth of doubt about how often a cause shows an answer: what a few draws never
/// showed may still be.
const DOUBT: f64 = 0.4;

/// As many draws of a cause say what a test would show of it.
const FORESEEN: usize = 8;

/// How likely it is beforehand that none of the causes is the right one.
const NONE_FITS: f64 = 0.01;

/// How often a cause is drawn at the most for each draw with which the turnout fails.
const ATTEMPTS: u32 = 4;

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
    built: AsBuilt,
    seed: u64,
    /// Log of its weight before anything was learnt.
    log_prior: f64,
    log_weight: f64,
    /// What of that comes from other turnouts in the sweep.
    beside: f64,
    /// Whether chance decides what it shows, so that the next time may be another.
    by_chance: bool,
    /// What a sweep shows of the failing turnout, where that was worked out.
    swept: Option<Answer>,
    shows: Vec<Option<Answer>>,
    /// What it shows of each thing that was learnt, where that was worked out.
    told: Vec<Option<Answer>>,
}

impl Particle {
    /// How far draws of its cause stand in for it.
    fn between(&self) -> f64 {
        if self.by_chance {
            BETWEEN_CHANCES
        } else {
            BETWEEN_DRAWS
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
    Test(Test),
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
    /// How many of these are draws of one cause; draws of two come behind them.
    singles: usize,
    told: Vec<Told>,
    /// What a sweep saw of other turnouts, by their index of the site.
    beside: Vec<(usize, Beside)>,
    /// Causes that can't be one of two: they were mended.
    mended: Vec<&'static str>,
    seed: u64,
    /// Turnouts that were seen to move beside the failing one.
    seen: Vec<Id>,
    /// The number of the next draw of each cause.
    next: Vec<u32>,
    /// Log weight of "none of these".
    none: f64,
    error_rate: f64,
    learnt: Vec<Learnt>,
}

impl Belief {
    /// Belief before anything is known, at a site that is small enough to be worked out often.
    /// `seen` are turnouts that were seen to move beside the failing one. Where a sweep says that
    /// it `fails`, only draws count with which it does.
    pub fn new(site: Site, seen: &[Id], fails: bool, options: &Options) -> Self {
        let mut belief = Self {
            site,
            causes: Vec::new(),
            hypotheses: Vec::new(),
            particles: Vec::new(),
            singles: 0,
            told: Vec::new(),
            beside: Vec::new(),
            mended: options.mended.clone(),
            seed: options.seed,
            seen: seen.to_vec(),
            next: Vec::new(),
            none: 0.0,
            error_rate: options.error_rate.clamp(1e-4, 0.5),
            learnt: Vec::new(),
        };
        for cause in cause::all() {
            belief.draw(cause, seen, fails, options);
        }
        belief.singles = belief.particles.len();
        belief.none = belief.prior_of_faults() + NONE_FITS.ln();
        belief
    }

    /// Log of how likely all faults are beforehand.
    fn prior_of_faults(&self) -> f64 {
        let singles = self.particles[..self.singles].iter();
        let faults = singles.filter(|it| self.causes[it.of].level != cause::Level::Nobody);
        faults.map(|it| it.log_prior.exp()).sum::<f64>().ln()
    }

    fn draw(&mut self, cause: &'static Cause, seen: &[Id], fails: bool, options: &Options) {
        let index = self.causes.len();
        let wanted = options.draws.max(1);
        let must_fail = fails && cause.name != cause::NOTHING_WRONG;
        let mut drawn = Vec::new();
        let mut next = 0;
        for number in 0..ATTEMPTS * wanted {
            next = number + 1;
            let own = seed_of(options.seed, cause.name, number);
            let Some(built) = (cause.state)(&self.site, &mut Draw::new(own, seen)) else {
                break;
            };
            let swept = must_fail.then(|| self.swept(&built, own, self.site.target));
            if swept != Some(Answer::Motion(Motion::AsSent, Other::Nothing)) {
                drawn.push((own, built, swept));
            }
            // A cause that hardly ever makes it fail is not looked for any longer.
            if drawn.len() >= wanted as usize || number >= wanted && drawn.is_empty() {
                break;
            }
        }
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
        self.particles
            .extend(drawn.into_iter().map(|(seed, built, swept)| Particle {
                of: index,
                by_chance: is_by_chance(&built),
                built,
                seed,
                log_prior: each,
                log_weight: each,
                beside: 0.0,
                swept,
                shows: vec![None; PLACES],
                told: Vec::new(),
            }));
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

    /// How likely it is that something is there, and none of these causes, of that order.
    pub fn left_by(&self, causes: &[usize]) -> f64 {
        let spread = self.spread();
        let each = self.hypotheses.iter().zip(&spread);
        let left = each.filter(|(it, _)| it.causes().all(|cause| !causes.contains(&cause)));
        left.map(|(_, share)| share).sum()
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

    /// What a sweep shows of a turnout on a track that is built that way.
    fn swept(&self, built: &AsBuilt, seed: u64, turnout: usize) -> Answer {
        let mut track = Track::new(&self.site.plan, built, seed);
        track.stir(seed_of(
            seed,
            "sweep",
            u32::try_from(turnout).unwrap_or_default(),
        ));
        let (motion, others) = swept(&self.site, &mut track, turnout);
        Answer::Motion(motion, Other::of(&self.site.plan, turnout, others))
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
            what: What::Test(test),
            answer,
            parts: Parts::of(test),
            error,
        };
        self.take(Source::Test(test), told);
        // The next time chance takes another course.
        let (_, retaught) = self.before(test, self.told.len() - 1);
        let place = place_of(test, retaught);
        for it in self.particles.iter_mut().filter(|it| it.by_chance) {
            it.shows[place] = None;
        }
        self.doubt();
    }

    fn take(&mut self, source: Source, told: Told) {
        let answer = told.answer;
        self.told.push(told);
        let (by_cause, of_all) = self.weigh(self.told.len() - 1, 0, HOPELESS);
        let told = &self.told[self.told.len() - 1];
        let any = told.parts.any();
        self.none += (0.5 * of_all + 0.5 * any).ln();
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

    /// What a draw shows of something that was learnt: worked out once, and remembered.
    fn tell(&mut self, particle: usize, index: usize) -> Answer {
        let it = &self.particles[particle];
        if let Some(Some(answer)) = it.told.get(index) {
            return *answer;
        }
        let answer = match self.told[index].what {
            What::Test(test) => self.show_after(particle, test, index),
            What::Swept => it
                .swept
                .unwrap_or_else(|| self.swept(&it.built, it.seed, self.site.target)),
        };
        let told = &mut self.particles[particle].told;
        told.resize(told.len().max(index + 1), None);
        told[index] = Some(answer);
        answer
    }

    /// What a test shows of a draw: made on its track once, and remembered.
    fn show(&mut self, particle: usize, test: Test) -> Answer {
        self.show_after(particle, test, self.told.len())
    }

    /// The same after so many things were learnt.
    fn show_after(&mut self, particle: usize, test: Test, past: usize) -> Answer {
        let (times, retaught) = self.before(test, past);
        let it = &mut self.particles[particle];
        let place = place_of(test, retaught);
        if let Some(answer) = it.shows[place] {
            return answer;
        }
        let answer = made(&self.site, &it.built, it.seed, (test, times), retaught);
        it.shows[place] = Some(answer);
        answer
    }

    /// How often a test was made among the first things that were learnt, and whether the decoder
    /// was given its address anew among them: that stays.
    fn before(&self, test: Test, past: usize) -> (u32, bool) {
        let past = &self.told[..past];
        let times = past.iter().filter(|it| it.what == What::Test(test));
        let retaught = past.iter().any(|it| it.what == What::Test(Test::Reteach));
        (u32::try_from(times.count()).unwrap_or(u32::MAX), retaught)
    }

    /// Weighs the draws from that one on by something that was learnt; those so far below the
    /// best are not worked out. Returns how much of each hypothesis, and of all, makes the answer.
    fn weigh(&mut self, index: usize, from: usize, hopeless: f64) -> (Vec<f64>, f64) {
        let best = self.best();
        let shows: Vec<Option<Answer>> = (from..self.particles.len())
            .map(|particle| {
                let is_alive = self.particles[particle].log_weight > best - hopeless;
                is_alive.then(|| self.tell(particle, index))
            })
            .collect();
        let Told {
            answer,
            ref parts,
            error,
            ..
        } = self.told[index];
        let mut total = vec![0.0; self.hypotheses.len()];
        let mut meets = vec![0.0; self.hypotheses.len()];
        let mut squares = vec![0.0; self.hypotheses.len()];
        for (it, shown) in self.particles[from..].iter().zip(&shows) {
            if let Some(shown) = shown {
                let weight = (it.log_weight - best).exp();
                total[it.of] += weight;
                squares[it.of] += weight * weight;
                if *shown == answer {
                    meets[it.of] += weight;
                }
            }
        }
        let share = |met: f64, all: f64| if all > 0.0 { met / all } else { 0.0 };
        let of_all = share(meets.iter().sum(), total.iter().sum());
        let by_cause: Vec<f64> = meets
            .iter()
            .zip(total.iter().zip(&squares))
            .map(|(met, (all, squares))| {
                // As many draws as count, and the doubt that they leave.
                let count = share(all * all, *squares);
                (count * share(*met, *all) + DOUBT * of_all) / (count + DOUBT)
            })
            .collect();
        for (it, shown) in self.particles[from..].iter_mut().zip(&shows) {
            let likelihood = match shown {
                None => error * parts.any(),
                Some(of_draw) => {
                    let own = f64::from(u8::from(*of_draw == answer));
                    let between = it.between();
                    let met = (1.0 - between) * own + between * by_cause[it.of];
                    (1.0 - error) * met + error * parts.by_mistake(answer, *of_draw)
                }
            };
            it.log_weight += likelihood.ln();
        }
        (by_cause, of_all)
    }

    /// What a test would most likely show of the cause of that name.
    pub fn foreseen(&mut self, test: Test, name: &str) -> Option<Answer> {
        let cause = self.causes.iter().position(|it| it.name == name)?;
        let mut shown: Vec<(Answer, f64)> = Vec::new();
        for (index, weight) in self.standing(FORESEEN) {
            let of = self.hypotheses[self.particles[index].of];
            if !of.causes().any(|it| it == cause) {
                continue;
            }
            let answer = self.show(index, test);
            match shown.iter_mut().find(|(one, _)| *one == answer) {
                Some((_, all)) => *all += weight,
                None => shown.push((answer, weight)),
            }
        }
        let most = shown
            .into_iter()
            .max_by(|one, other| one.1.total_cmp(&other.1));
        most.map(|(answer, _)| answer)
    }

    /// The draws that stand for the causes still likely: the best few of each.
    fn standing(&self, of_each: usize) -> Vec<(usize, f64)> {
        let best = self.best();
        let mut by_cause: Vec<Vec<(usize, f64)>> = vec![Vec::new(); self.hypotheses.len()];
        for (index, it) in self.particles.iter().enumerate() {
            if it.log_weight > best - UNLIKELY {
                by_cause[it.of].push((index, (it.log_weight - best).exp()));
            }
        }
        for drawn in &mut by_cause {
            let all: f64 = drawn.iter().map(|(_, weight)| weight).sum();
            drawn.sort_by(|one, other| other.1.total_cmp(&one.1));
            drawn.truncate(of_each);
            let kept: f64 = drawn.iter().map(|(_, weight)| weight).sum();
            for (_, weight) in drawn {
                *weight *= all / kept;
            }
        }
        by_cause.into_iter().flatten().collect()
    }

    /// How much a test is expected to tell, nats: by how much it would lower the uncertainty
    /// about the cause, over all its answers. Each cause is stood for by its best few draws.
    pub fn gain(&mut self, test: Test, of_each: usize) -> f64 {
        let mut prior = vec![0.0; self.hypotheses.len()];
        let mut joint: Vec<(Answer, Vec<f64>)> = Vec::new();
        for (index, weight) in self.standing(of_each) {
            let answer = self.show(index, test);
            let cause = self.particles[index].of;
            prior[cause] += weight;
            let place = joint.iter().position(|(one, _)| *one == answer);
            let place = place.unwrap_or_else(|| {
                joint.push((answer, vec![0.0; self.hypotheses.len()]));
                joint.len() - 1
            });
            joint[place].1[cause] += weight;
        }
        let total: f64 = prior.iter().sum();
        let error = self.error_rate;
        let before = entropy(prior.iter().map(|it| it / total));
        // Answers that no draw gives come only by mistake, and tell nothing.
        #[expect(clippy::cast_precision_loss, reason = "a few dozen answers")]
        let by_mistake = error / test.answers().len().max(1) as f64;
        let mut told = 0.0;
        let mut after = 0.0;
        for (_, of_causes) in &joint {
            let each = of_causes.iter().zip(&prior);
            let likely: Vec<f64> = each
                .map(|(met, all)| ((1.0 - error) * met + by_mistake * all) / total)
                .collect();
            let share: f64 = likely.iter().sum();
            told += share;
            after += share * entropy(likely.iter().map(|it| it / share));
        }
        (before - after - (1.0 - told).max(0.0) * before).max(0.0)
    }
}

fn entropy(shares: impl Iterator<Item = f64>) -> f64 {
    shares
        .filter(|share| *share > 0.0)
        .map(|share| -share * share.ln())
        .sum()
}

/// Places for what each test shows, before and after the decoder was given its address anew.
const PLACES: usize = 2 * Test::ALL.len();

fn place_of(test: Test, retaught: bool) -> usize {
    let place = Test::ALL.iter().position(|one| *one == test);
    place.unwrap_or_default() + if retaught { Test::ALL.len() } else { 0 }
}

/// Whether chance decides what is heard on a track that is built that way: packets that get lost,
/// or a moment sooner or later at a decoder that is deaf for a while.
fn is_by_chance(built: &AsBuilt) -> bool {
    let losses = built.decoders.values().map(|it| it.packet_loss);
    let some = |loss: Option<f64>| loss.is_some_and(|it| it > 0.0 && it < 1.0);
    losses.chain([built.rails.packet_loss]).any(some)
        || built
            .decoders
            .values()
            .any(|it| it.busy_ms.is_some_and(|it| it > 0))
}

/// What a test shows on a track that is built that way: for so manieth time, and whether the
/// decoder was given its address anew before.
fn made(
    site: &Site,
    built: &AsBuilt,
    seed: u64,
    (test, times): (Test, u32),
    retaught: bool,
) -> Answer {
    let mut track = Track::new(&site.plan, built, seed);
    track.stir(seed_of(seed, test.name(), times));
    if retaught {
        perform(site, &mut track, Test::Reteach);
    }
    perform(site, &mut track, test)
}

/// A seed for each draw of each cause.
pub(super) fn seed_of(seed: u64, name: &str, number: u32) -> u64 {
    // FNV-1a, 64 bits.
    let bytes = name.bytes().chain(number.to_le_bytes());
    bytes.fold(seed ^ 0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
