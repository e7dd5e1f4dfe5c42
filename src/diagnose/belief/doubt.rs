//! When no cause alone explains what was seen: draws of two at once.

use std::collections::HashMap;

use super::{Belief, Hypothesis, Particle, What, seed_of};
use crate::diagnose::cause::{self, Level};
use crate::diagnose::layout::Layout;
use crate::diagnose::mistake::Parts;
use crate::diagnose::pair::{self, Couple, Seen, Single};
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;

/// While at least so much of all belief is in draws that explain everything that was seen of the
/// failing turnout, nothing else is looked for.
const EXPLAINED: f64 = 0.8;

/// So many draws of each cause are worked out in full when pairs are looked for.
const OF_EACH: usize = 4;

/// A draw of two this many nats below the best is not worked out further when it is new.
const HOPELESS: f64 = 11.0;

/// Bits there are for parts of what was learnt.
const BITS: usize = 128;

impl Belief {
    /// Draws pairs of causes if nothing else explains what was seen, or draws them anew if these
    /// no longer do.
    pub(super) fn doubt(&mut self) {
        if self.explained() < EXPLAINED {
            let couples = self.promising();
            self.pair_up(&couples);
        }
    }

    /// How much of all belief is in draws that show all that was seen of the failing turnout.
    fn explained(&self) -> f64 {
        let is_own = |what: What| match what {
            What::Swept => true,
            What::Test(test, _) => !test.is_of_another(),
        };
        let best = self.best().max(self.none);
        let mut all = (self.none - best).exp();
        let mut explained = 0.0;
        for it in &self.particles {
            let weight = (it.log_weight - best).exp();
            all += weight;
            let mut each = self.told.iter().zip(&it.told);
            let explains = it.told.len() == self.told.len()
                && each.all(|(told, shown)| !is_own(told.what) || *shown == Some(told.answer));
            // Of what chance decides no draw shows everything.
            if explains || it.layout.by_chance {
                explained += weight;
            }
        }
        explained / all
    }

    /// The pairs worth building.
    fn promising(&mut self) -> Vec<Couple> {
        let mut of_each = vec![Vec::new(); self.causes.len()];
        for particle in 0..self.singles {
            of_each[self.particles[particle].of].push(particle);
        }
        let mut chosen = Vec::new();
        for mut drawn in of_each {
            let weight = |it: &usize| self.particles[*it].log_weight;
            drawn.sort_by(|one, other| weight(other).total_cmp(&weight(one)));
            // Those that were worked out so far cost nothing.
            let (told, beside) = (self.told.len(), self.beside.len());
            let is_known = |it: &usize| {
                let it = &self.particles[*it];
                let is_whole = |known: &[Option<Answer>], all| {
                    known.len() == all && known.iter().all(Option::is_some)
                };
                is_whole(&it.told, told) && is_whole(&it.fares, beside)
            };
            let known = drawn.iter().filter(|it| is_known(it)).count();
            drawn.truncate(known.max(OF_EACH));
            chosen.push(drawn);
        }
        let all: Vec<usize> = chosen.iter().flatten().copied().collect();
        for index in 0..self.told.len() {
            self.tell_all(&all, index);
        }
        for place in 0..self.beside.len() {
            self.fare(&all, place);
        }
        let mut sound = 0;
        let mut singles = Vec::new();
        for (index, drawn) in chosen.into_iter().enumerate() {
            let cause = self.causes[index];
            #[expect(clippy::cast_precision_loss, reason = "a few dozen draws")]
            let each = self.priors[index] - (drawn.len() as f64).ln();
            for particle in drawn {
                let shows = self.parts_shown(particle);
                if cause.level == Level::Nobody {
                    sound = shows;
                } else if !self.mended.contains(&cause.name) {
                    singles.push(Single {
                        particle,
                        cause: index,
                        log_prior: each,
                        shows,
                    });
                }
            }
        }
        let own: usize = self.told.iter().map(|it| it.parts.count()).sum();
        let bits = own + self.beside.len() * Parts::of(Test::Again).count();
        let all = if bits >= BITS {
            u128::MAX
        } else {
            (1 << bits) - 1
        };
        pair::promising(&singles, Seen { all, sound }, self.causes.len())
    }

    /// Which parts of what was learnt a draw shows, a bit for each.
    fn parts_shown(&self, particle: usize) -> u128 {
        let mut shows = 0;
        let mut bit = 0;
        let of_draw = &self.particles[particle].told;
        for (one, shown) in self.told.iter().zip(of_draw) {
            let count = one.parts.count();
            if bit + count > BITS {
                break;
            }
            if let Some(shown) = *shown {
                shows |= one.parts.alike(one.answer, shown) << bit;
            }
            bit += count;
        }
        let parts = Parts::of(Test::Again);
        let fares = &self.particles[particle].fares;
        for ((_, one), fares) in self.beside.iter().zip(fares) {
            if bit + parts.count() > BITS {
                break;
            }
            let (motion, other) = one.seen;
            if let Some(fares) = *fares {
                shows |= parts.alike(Answer::Motion(motion, other), fares) << bit;
            }
            bit += parts.count();
        }
        shows
    }

    /// Builds those pairs instead of the ones there are, and weighs them by all that was learnt.
    fn pair_up(&mut self, couples: &[Couple]) {
        let mut before: HashMap<u64, Particle> = HashMap::new();
        for particle in self.particles.drain(self.singles..) {
            before.insert(particle.layout.seed, particle);
        }
        self.hypotheses.truncate(self.causes.len());
        for couple in couples {
            let [first, second] = couple.causes;
            let hypothesis = Hypothesis {
                first,
                second: Some(second),
            };
            let of = self.hypotheses.iter().position(|it| *it == hypothesis);
            let of = of.unwrap_or_else(|| {
                self.hypotheses.push(hypothesis);
                self.hypotheses.len() - 1
            });
            let [one, other] = couple.particles.map(|it| &self.particles[it]);
            let names = [first, second].map(|it| self.causes[it].name).join("+");
            let number = u32::try_from(couple.particles[0] << 16 | couple.particles[1]);
            let seed = seed_of(self.seed, &names, number.unwrap_or_default());
            let log_prior = pair::two().ln() + couple.log_prior - self.faults;
            let mut particle = before.remove(&seed).unwrap_or_else(|| {
                let built = cause::both(&one.layout.built, &other.layout.built);
                Particle::new(of, Layout::new(&self.site, built, seed), log_prior)
            });
            particle.of = of;
            particle.log_prior = log_prior;
            particle.log_weight = log_prior;
            particle.fit = 0.0;
            self.particles.push(particle);
        }
        for index in 0..self.told.len() {
            self.weigh(index, self.singles, HOPELESS);
        }
        self.weigh_others(self.singles);
    }
}
