//! More draws of likely causes of which few draws are left that explain what was seen.

use rayon::prelude::*;

use super::draws::seed_of;
use super::{Belief, Particle, What, log_sum, place_of};
use crate::diagnose::cause::{Draw, Level};
use crate::diagnose::layout::Layout;

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
        let is_wanted = |it: &usize| {
            // That nothing is wrong is not proved by one more layout that nearly fails.
            self.causes[*it].level != Level::Nobody
                && shares[*it] >= WORTH_IT
                && self.counting(*it) < ENOUGH
        };
        let causes: Vec<usize> = (0..self.causes.len()).filter(is_wanted).collect();
        let drawn: Vec<(Vec<Particle>, u32)> =
            causes.par_iter().map(|it| self.draw_anew(*it)).collect();
        for (cause, (drawn, next)) in causes.into_iter().zip(drawn) {
            self.next[cause] = next;
            self.take_in(cause, drawn);
        }
    }

    /// How many draws of a cause count, by how even their weights are.
    fn counting(&self, cause: usize) -> f64 {
        let own = || self.singles().filter(|it| it.of == cause);
        if own().any(|it| it.layout.by_chance) {
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

    /// New draws of a cause that explain what was learnt, and the number of the next.
    fn draw_anew(&self, cause: usize) -> (Vec<Particle>, u32) {
        let fits = self.singles().filter(|it| it.of == cause).map(|it| it.fit);
        let mut best = fits.fold(f64::NEG_INFINITY, f64::max);
        let mut good: f64 = 0.0;
        let mut next = self.next[cause];
        let mut all = Vec::new();
        for _ in 0..ATTEMPTS {
            if good >= ENOUGH {
                break;
            }
            let seed = seed_of(self.seed, self.causes[cause].name, next);
            next += 1;
            let draw = &mut Draw::new(seed, &self.suspects);
            let Some(built) = (self.causes[cause].state)(&self.site, draw) else {
                continue;
            };
            let layout = Layout::new(&self.site, built, seed);
            let mut drawn = Particle::new(cause, layout, self.priors[cause]);
            if self.go_through(&mut drawn, best - WORSE) {
                best = best.max(drawn.fit);
                good += 1.0;
                all.push(drawn);
            }
        }
        (all, next)
    }

    /// Takes new draws of a cause in, and weighs all of its draws by how well they explain what
    /// was learnt.
    fn take_in(&mut self, cause: usize, drawn: Vec<Particle>) {
        if drawn.is_empty() {
            return;
        }
        let own = self.singles().filter(|it| it.of == cause);
        let all = log_sum(&own.map(|it| it.log_weight).collect::<Vec<f64>>());
        for one in drawn {
            // Draws of two come behind those of one.
            self.particles.insert(self.singles, one);
            self.singles += 1;
        }
        let own = self.singles().filter(|it| it.of == cause);
        let sum = log_sum(&own.map(|it| it.fit).collect::<Vec<f64>>());
        for it in self.particles.iter_mut().filter(|it| it.of == cause) {
            it.log_weight = all + it.fit - sum;
        }
    }

    /// Goes through all that was learnt with a new draw; whether it explains it well enough.
    fn go_through(&self, drawn: &mut Particle, least: f64) -> bool {
        let now = self.is_retaught(self.told.len());
        for (index, told) in self.told.iter().enumerate() {
            let shown = match told.what {
                What::Swept => {
                    let shown = drawn.layout.sweep(&self.site, self.site.target);
                    drawn.swept = Some(shown);
                    shown
                }
                What::Test(test, times) => {
                    let retaught = self.is_retaught(index);
                    let shown = drawn.layout.make(&self.site, (test, times), retaught);
                    if !drawn.layout.by_chance && retaught == now {
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
        drawn.fit += self.fit_of_others(&drawn.layout);
        drawn.fit >= least
    }

    fn singles(&self) -> impl Iterator<Item = &Particle> {
        self.particles[..self.singles].iter()
    }
}
