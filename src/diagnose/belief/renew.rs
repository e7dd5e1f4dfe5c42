//! More draws of likely causes of which few draws are left that explain what was seen.

use super::{
    BETWEEN_DRAWS, Belief, PLACES, Particle, Told, What, is_by_chance, made, place_of, seed_of,
};
use crate::diagnose::cause::Draw;
use crate::diagnose::others::{self, Beside};
use crate::diagnose::sight::Answer;

/// A cause less likely than this is left alone.
const WORTH_IT: f64 = 0.02;

/// As many draws of a cause should count.
const ENOUGH: f64 = 6.0;

/// How often one is drawn anew at a time.
const ATTEMPTS: u32 = 24;

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
        let own = || {
            let singles = self.particles[..self.singles].iter();
            singles.filter(|it| it.of == cause)
        };
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
        let own = self.particles[..self.singles].iter();
        let own: Vec<&Particle> = own.filter(|it| it.of == cause).collect();
        let all = log_sum(own.iter().map(|it| it.log_weight));
        let prior = log_sum(own.iter().map(|it| it.log_prior));
        let mut best = own.iter().map(|it| self.fit(it));
        let mut best = best.by_ref().fold(f64::NEG_INFINITY, f64::max);
        let mut drawn = Vec::new();
        let mut good: f64 = 0.0;
        for _ in 0..ATTEMPTS {
            if good >= ENOUGH {
                break;
            }
            if let Some((one, fit)) = self.new_draw(cause, best - WORSE) {
                best = best.max(fit);
                good += 1.0;
                drawn.push(one);
            }
        }
        if drawn.is_empty() {
            return;
        }
        let more = drawn.len();
        self.particles.splice(self.singles..self.singles, drawn);
        self.singles += more;
        let places: Vec<usize> = (0..self.singles)
            .filter(|place| self.particles[*place].of == cause)
            .collect();
        let fits: Vec<f64> = places
            .iter()
            .map(|place| self.fit(&self.particles[*place]))
            .collect();
        let sum = log_sum(fits.iter().copied());
        #[expect(clippy::cast_precision_loss, reason = "a few dozen draws")]
        let each = prior - (places.len() as f64).ln();
        for (place, fit) in places.into_iter().zip(fits) {
            let it = &mut self.particles[place];
            it.log_weight = all + fit - sum;
            it.log_prior = each;
        }
    }

    /// How well a draw explains by itself all that was seen, nats.
    fn fit(&self, it: &Particle) -> f64 {
        let each = self.told.iter().enumerate().map(|(index, told)| {
            let shown = it.told.get(index).copied().flatten();
            shown.map_or(f64::NEG_INFINITY, |shown| likeliness(told, shown))
        });
        it.beside + each.sum::<f64>()
    }

    /// Draws a cause anew; nothing if that does not explain what was seen well enough.
    fn new_draw(&mut self, cause: usize, least: f64) -> Option<(Particle, f64)> {
        let number = self.next[cause];
        self.next[cause] += 1;
        let seed = seed_of(self.seed, self.causes[cause].name, number);
        let built = (self.causes[cause].state)(&self.site, &mut Draw::new(seed, &self.seen))?;
        let mut drawn = Particle {
            of: cause,
            by_chance: is_by_chance(&built),
            built,
            seed,
            log_prior: 0.0,
            log_weight: f64::NEG_INFINITY,
            beside: 0.0,
            swept: None,
            shows: vec![None; PLACES],
            told: Vec::new(),
        };
        let mut fit = 0.0;
        for (index, told) in self.told.iter().enumerate() {
            let shown = match told.what {
                What::Swept => self.swept(&drawn.built, seed, self.site.target),
                What::Test(test) => {
                    let (times, retaught) = self.before(test, index);
                    let place = place_of(test, retaught);
                    *drawn.shows[place].get_or_insert_with(|| {
                        made(&self.site, &drawn.built, seed, (test, times), retaught)
                    })
                }
            };
            drawn.told.push(Some(shown));
            fit += likeliness(told, shown);
            if fit < least {
                return None;
            }
        }
        drawn.beside = self.fit_beside(&drawn);
        fit += drawn.beside;
        (fit >= least).then_some((drawn, fit))
    }

    /// How well it explains what a sweep saw of other turnouts.
    fn fit_beside(&self, drawn: &Particle) -> f64 {
        let all: Vec<Beside> = self.beside.iter().map(|(_, one)| *one).collect();
        let met: Vec<f64> = self
            .beside
            .iter()
            .map(|(turnout, one)| {
                let (motion, other) = one.seen;
                let shown = self.swept(&drawn.built, drawn.seed, *turnout);
                let own = f64::from(u8::from(shown == Answer::Motion(motion, other)));
                (1.0 - BETWEEN_DRAWS) * own + BETWEEN_DRAWS * 0.5
            })
            .collect();
        if all.is_empty() {
            0.0
        } else {
            others::of_all(&all, &met, self.error_rate)
        }
    }
}

/// How likely a draw that shows one thing made what was seen, nats.
fn likeliness(told: &Told, shown: Answer) -> f64 {
    let own = f64::from(u8::from(shown == told.answer));
    let by_mistake = told.parts.by_mistake(told.answer, shown);
    ((1.0 - told.error) * own + told.error * by_mistake).ln()
}

fn log_sum(all: impl Iterator<Item = f64> + Clone) -> f64 {
    let best = all.clone().fold(f64::NEG_INFINITY, f64::max);
    best + all.map(|it| (it - best).exp()).sum::<f64>().ln()
}
