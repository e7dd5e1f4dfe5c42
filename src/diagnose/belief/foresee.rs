//! What draws would show, worked out on all cores and remembered; and what a test tells by that.
//!
//! Which draw shows what does not depend on how many cores there are: each is tried on a track
//! of its own, and results are taken in the order of the draws.

use rayon::prelude::*;

use super::{Belief, Particle, What, place_of};
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;

/// A draw this many nats below the best is no longer worked out when the next test is chosen.
const UNLIKELY: f64 = 7.0;

/// The likeliest causes that together are this likely stand for all when the next test is chosen.
const COVERED: f64 = 0.985;

/// As many draws of a cause say what a test would show of it.
const FORESEEN: usize = 8;

/// What was learnt, or would be.
#[derive(Debug, Clone, Copy)]
enum Wanted {
    /// What the test shows.
    Test(Test),
    /// What the thing of that index shows that was learnt.
    Told(usize),
}

impl Belief {
    /// Works out what draws show, on all cores, and remembers it.
    fn work_out(&mut self, mut wanted: Vec<(usize, Wanted)>) {
        wanted.retain(|(index, wanted)| self.known(*index, *wanted).is_none());
        let of_one = |(index, wanted): &(usize, Wanted)| {
            let layout = &self.particles[*index].layout;
            match *wanted {
                Wanted::Test(test) => {
                    let retaught = self.is_retaught(self.told.len());
                    layout.make(&self.site, (test, self.times(test)), retaught)
                }
                Wanted::Told(told) => match self.told[told].what {
                    What::Test(test, times) => {
                        layout.make(&self.site, (test, times), self.is_retaught(told))
                    }
                    What::Swept => layout.sweep(&self.site, self.site.target),
                },
            }
        };
        let shown: Vec<Answer> = wanted.par_iter().map(of_one).collect();
        for ((index, wanted), answer) in wanted.into_iter().zip(shown) {
            self.remember(index, wanted, answer);
        }
    }

    /// What is known already of what a draw shows.
    fn known(&self, particle: usize, wanted: Wanted) -> Option<Answer> {
        let it = &self.particles[particle];
        match wanted {
            Wanted::Test(test) => it.shows[place_of(test)],
            Wanted::Told(told) => {
                it.told
                    .get(told)
                    .copied()
                    .flatten()
                    .or(match self.told[told].what {
                        What::Test(test, _) if self.is_as_now(it, told) => it.shows[place_of(test)],
                        What::Test(..) => None,
                        What::Swept => it.swept,
                    })
            }
        }
    }

    /// Whether a draw showed then what it would show now.
    fn is_as_now(&self, it: &Particle, told: usize) -> bool {
        !it.layout.by_chance && self.is_retaught(told) == self.is_retaught(self.told.len())
    }

    /// Whether the decoder was given its address anew among the first so many things that were
    /// learnt: that stays.
    pub(super) fn is_retaught(&self, past: usize) -> bool {
        let mut past = self.told[..past].iter();
        past.any(|it| matches!(it.what, What::Test(Test::Reteach, _)))
    }

    fn remember(&mut self, particle: usize, wanted: Wanted, answer: Answer) {
        let is_as_now = match wanted {
            Wanted::Test(_) => true,
            Wanted::Told(told) => self.is_as_now(&self.particles[particle], told),
        };
        let it = &mut self.particles[particle];
        match wanted {
            Wanted::Test(test) => it.shows[place_of(test)] = Some(answer),
            Wanted::Told(told) => {
                it.told.resize(it.told.len().max(told + 1), None);
                it.told[told] = Some(answer);
                if let What::Test(test, _) = self.told[told].what
                    && is_as_now
                {
                    it.shows[place_of(test)] = Some(answer);
                }
            }
        }
    }

    /// What draws show of something that was learnt.
    pub(super) fn tell_all(&mut self, particles: &[usize], told: usize) -> Vec<Answer> {
        let wanted = Wanted::Told(told);
        self.work_out(particles.iter().map(|it| (*it, wanted)).collect());
        let mut shown = Vec::with_capacity(particles.len());
        for particle in particles {
            if let Some(answer) = self.known(*particle, wanted) {
                self.remember(*particle, wanted, answer);
                shown.push(answer);
            }
        }
        shown
    }

    /// Works out what tests would show of the draws that [`Belief::gain`] goes by.
    pub fn foresee(&mut self, tests: &[Test], of_each: usize) {
        let standing = self.standing(of_each);
        let of_one = |test: &Test| {
            let wanted = Wanted::Test(*test);
            standing.iter().map(move |(index, _)| (*index, wanted))
        };
        self.work_out(tests.iter().flat_map(of_one).collect());
    }

    /// What a test shows of those draws.
    fn show_all(&mut self, particles: &[(usize, f64)], test: Test) -> Vec<Answer> {
        let wanted = Wanted::Test(test);
        self.work_out(particles.iter().map(|(it, _)| (*it, wanted)).collect());
        let known = particles.iter().map(|(it, _)| self.known(*it, wanted));
        known.flatten().collect()
    }

    /// What a test would most likely show of the cause of that name.
    pub fn foreseen(&mut self, test: Test, name: &str) -> Option<Answer> {
        let cause = self.causes.iter().position(|it| it.name == name)?;
        let mut own = self.standing(FORESEEN);
        own.retain(|(index, _)| self.particles[*index].of == cause);
        let answers = self.show_all(&own, test);
        let mut shown: Vec<(Answer, f64)> = Vec::new();
        for ((_, weight), answer) in own.into_iter().zip(answers) {
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
        let sum = |drawn: &[(usize, f64)]| drawn.iter().map(|(_, weight)| weight).sum::<f64>();
        let masses: Vec<f64> = by_cause.iter().map(|drawn| sum(drawn)).collect();
        let mut order: Vec<usize> = (0..by_cause.len()).collect();
        order.sort_by(|one, other| masses[*other].total_cmp(&masses[*one]));
        let mut left = masses.iter().sum::<f64>() * COVERED;
        for cause in order {
            let drawn = &mut by_cause[cause];
            if left <= 0.0 {
                drawn.clear();
            }
            left -= masses[cause];
            drawn.sort_by(|one, other| other.1.total_cmp(&one.1));
            drawn.truncate(of_each);
            let kept = sum(drawn);
            for (_, weight) in drawn {
                *weight *= masses[cause] / kept;
            }
        }
        by_cause.into_iter().flatten().collect()
    }

    /// How much a test is expected to tell, nats: by how much it would lower the uncertainty
    /// about the cause, over all its answers. Each cause is stood for by its best few draws.
    pub fn gain(&mut self, test: Test, of_each: usize) -> f64 {
        let standing = self.standing(of_each);
        let answers = self.show_all(&standing, test);
        let all = self.hypotheses.len();
        let mut prior = vec![0.0; all + 1];
        let mut joint: Vec<(Answer, Vec<f64>)> = Vec::new();
        for ((index, weight), answer) in standing.into_iter().zip(answers) {
            let cause = self.particles[index].of;
            prior[cause] += weight;
            let place = joint.iter().position(|(one, _)| *one == answer);
            let place = place.unwrap_or_else(|| {
                joint.push((answer, vec![0.0; all]));
                joint.len() - 1
            });
            joint[place].1[cause] += weight;
        }
        prior[all] = (self.none - self.best()).exp();
        let total: f64 = prior.iter().sum();
        let error = self.error_rate;
        #[expect(clippy::cast_precision_loss, reason = "a few dozen answers")]
        let by_mistake = error / test.answers().len().max(1) as f64;
        let unknown = self.unknown_shows(test, &joint, &prior[..all]);
        // What is left to answers that no draw gives.
        let mut left = prior.clone();
        let mut after = 0.0;
        for ((_, of_causes), of_none) in joint.iter().zip(&unknown) {
            let each = of_causes.iter().zip(&prior);
            let mut likely: Vec<f64> = each
                .map(|(met, all)| (1.0 - error) * met + by_mistake * all)
                .collect();
            likely.push(prior[all] * of_none);
            for (left, told) in left.iter_mut().zip(&likely) {
                *left = (*left - told).max(0.0);
            }
            after += uncertain(&likely);
        }
        ((uncertain(&prior) - after - uncertain(&left)) / total).max(0.0)
    }
}

/// How uncertain these weights of all hypotheses leave which it is, times all of them.
fn uncertain(weights: &[f64]) -> f64 {
    let all: f64 = weights.iter().sum();
    if all > 0.0 {
        all * entropy(weights.iter().map(|it| it / all))
    } else {
        0.0
    }
}

fn entropy(shares: impl Iterator<Item = f64>) -> f64 {
    shares
        .filter(|share| *share > 0.0)
        .map(|share| -share * share.ln())
        .sum()
}
