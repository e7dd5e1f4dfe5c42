//! More draws of likely causes of which few draws are left that explain what was seen.

use super::{Belief, Particle, What, is_by_chance, made, place_of, seed_of};
use crate::diagnose::cause::Draw;
use crate::diagnose::test::Test;

/// A cause less likely than this is left alone.
const WORTH_IT: f64 = 0.02;

/// As many draws of a cause should count.
const ENOUGH: f64 = 6.0;

/// How often one is drawn anew at a time.
const ATTEMPTS: u32 = 32;

/// A new draw that explains what was seen by this many nats worse than the best of its cause is
/// given up.
const WORSE: f64 = 4.0;

impl Belief {
    /// Draws causes anew that are likely and have too few draws left. New draws have to explain
    /// all that was seen so far. How likely each cause is stays as it is.
    pub fn renew(&mut self) {
        let shares = self.shares();
        for (cause, share) in shares.into_iter().enumerate().take(self.causes.len()) {
            if share >= WORTH_IT && self.counting(cause) < ENOUGH {
                self.draw_anew(cause);
            }
        }
    }

    /// How many draws of a cause count, by how even their weights are.
    fn counting(&self, cause: usize) -> f64 {
        let own = || self.singles().filter(|it| it.of == cause);
        if own().any(|it| it.by_chance) {
            return f64::INFINITY;
        }
        let best = own().map(|it| it.log_weight);
        let best = best.fold(f64::NEG_INFINITY, f64::max);
        let weights = own().map(|it| (it.log_weight - best).exp());
        let (sum, squares) = weights.fold((0.0, 0.0), |(sum, squares), it| {
            (sum + it, squares + it * it)
        });
        sum * sum / squares
    }

    fn draw_anew(&mut self, cause: usize) {
        let own = self.singles().filter(|it| it.of == cause);
        let (weights, fits): (Vec<f64>, Vec<f64>) = own.map(|it| (it.log_weight, it.fit)).unzip();
        let all = log_sum(&weights);
        let mut best = fits.into_iter().fold(f64::NEG_INFINITY, f64::max);
        let mut good: f64 = 0.0;
        for _ in 0..ATTEMPTS {
            if good >= ENOUGH {
                break;
            }
            let number = self.next[cause];
            self.next[cause] += 1;
            let seed = seed_of(self.seed, self.causes[cause].name, number);
            let Some(built) =
                (self.causes[cause].state)(&self.site, &mut Draw::new(seed, &self.seen))
            else {
                continue;
            };
            let mut drawn = Particle {
                of: cause,
                by_chance: is_by_chance(&built),
                built,
                seed,
                log_prior: self.priors[cause],
                log_weight: f64::NEG_INFINITY,
                fit: 0.0,
                swept: None,
                shows: vec![None; Test::ALL.len()],
                told: Vec::new(),
            };
            if self.go_through(&mut drawn, best - WORSE) {
                best = best.max(drawn.fit);
                good += 1.0;
                // Draws of two come behind those of one.
                self.particles.insert(self.singles, drawn);
                self.singles += 1;
            }
        }
        if good == 0.0 {
            return;
        }
        let own = self.singles().filter(|it| it.of == cause);
        let fits: Vec<f64> = own.map(|it| it.fit).collect();
        let sum = log_sum(&fits);
        for it in self.particles.iter_mut().filter(|it| it.of == cause) {
            it.log_weight = all + it.fit - sum;
        }
    }

    /// Goes through all that was learnt with a new draw; whether it explains it well enough.
    fn go_through(&self, drawn: &mut Particle, least: f64) -> bool {
        for told in &self.told {
            let shown = match told.what {
                What::Swept => {
                    let shown = self.swept(&drawn.built, drawn.seed, self.site.target);
                    drawn.swept = Some(shown);
                    shown
                }
                What::Test(test, times) => {
                    let shown = made(&self.site, &drawn.built, drawn.seed, (test, times));
                    if !drawn.by_chance {
                        drawn.shows[place_of(test)] = Some(shown);
                    }
                    shown
                }
            };
            drawn.told.push(Some(shown));
            let own = f64::from(u8::from(shown == told.answer));
            let by_mistake = told.error * told.parts.by_mistake(told.answer, shown);
            drawn.fit += ((1.0 - told.error) * own + by_mistake).ln();
            if drawn.fit < least {
                return false;
            }
        }
        drawn.fit += self.fit_of_others(&drawn.built, drawn.seed);
        drawn.fit >= least
    }

    fn singles(&self) -> impl Iterator<Item = &Particle> {
        self.particles[..self.singles].iter()
    }
}

fn log_sum(all: &[f64]) -> f64 {
    let best = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    best + all.iter().map(|it| (it - best).exp()).sum::<f64>().ln()
}
