//! When no cause alone explains what was seen: draws of two at once.

use std::collections::HashMap;

use super::draws::seed_of;
use super::{Belief, Hypothesis, Particle, What};
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
            let log_prior = pair::TWO.ln() + couple.log_prior - self.faults;
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
            self.weigh(index, self.singles, HOPELESS, None);
        }
        self.weigh_others(self.singles, None);
    }
}

#[cfg(test)]
mod tests {
    use crate::diagnose::belief::Options;
    use crate::diagnose::sight::{Answer, Feel, Lamp, Light, Motion, Ohms, Other, Sound, Volts};
    use crate::diagnose::test::Test;
    use crate::diagnose::{Diagnosis, Kind, Swept};
    use crate::plan::Plan;
    use std::fmt::Write as _;

    /// The first of four turnouts never moved, the others did.
    fn still() -> Diagnosis {
        let mut text = String::from(
            "[layout]\nname = \"Slate quarry\"\n[supply.s]\nkind = \"separate\"\nvolts = 16.0\n\
             amps = 3.0\n[decoder.D]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\n\
             output_kind = \"pulse\"\npulse_ms = 150\n",
        );
        for output in 1..=4 {
            write!(
                text,
                "[[turnout]]\nid = \"T{output}\"\nshape = \"left\"\ndecoder = \"D\"\n\
                 output = {output}\ndrive = \"twin-coil\"\namps = 1.0\n"
            )
            .unwrap();
        }
        let plan = Plan::from_text("quarry.toml", &text).unwrap();
        let swept: Vec<Swept> = (0..4)
            .map(|turnout| Swept {
                turnout,
                motion: if turnout == 0 {
                    Motion::Still
                } else {
                    Motion::AsSent
                },
                other: Other::Nothing,
                others: Vec::new(),
            })
            .collect();
        Diagnosis::new(&plan, 0, &swept, &Options::default())
    }

    #[test]
    fn two_causes_that_each_explain_a_part_are_both_named() {
        let mut diagnosis = still();
        let told = [
            (Test::ByHand, Answer::Feel(Feel::Stiff)),
            (Test::Ohms, Answer::Ohms(Ohms::Open, Ohms::Right)),
            (Test::OhmsAtDrive, Answer::Ohms(Ohms::Open, Ohms::Right)),
            (Test::LampOnOutput, Answer::Lamp(Lamp::Both)),
            (Test::Listen, Answer::Sound(Sound::Buzz, Sound::Silent)),
        ];
        for (test, answer) in told {
            diagnosis.tell(test, answer);
        }
        let conclusion = diagnosis.conclusion();
        assert!(conclusion.of_two > 0.8, "{conclusion:?}");
        let share = |name| {
            let mut causes = conclusion.causes.iter();
            causes.find(|it| it.cause.name == name).unwrap().share
        };
        assert!(share("blades-stiff") > 0.7, "{conclusion:?}");
        assert!(share("straight-coil-open") > 0.7, "{conclusion:?}");
    }

    #[test]
    fn answers_that_contradict_every_cause_fit_none() {
        let mut diagnosis = still();
        let told = [
            (Test::ByHand, Answer::Feel(Feel::Snaps)),
            (Test::LampOnOutput, Answer::Lamp(Lamp::DivergingStays)),
            (
                Test::Volts,
                Answer::Volts(Volts::High, Volts::None, Volts::High),
            ),
            (Test::Listen, Answer::Sound(Sound::Throw, Sound::Silent)),
            (Test::DecoderLight, Answer::Light(Light::Dark)),
            (Test::Ohms, Answer::Ohms(Ohms::Low, Ohms::High)),
        ];
        for (test, answer) in told {
            diagnosis.tell(test, answer);
        }
        let conclusion = diagnosis.conclusion();
        assert_eq!(conclusion.kind, Kind::NoneFits, "{conclusion:?}");
    }

    /// Most of it is as a dead output shows it, but what was heard twice and a lamp speak against
    /// it: that is no output-dead, though it is much like one.
    #[test]
    fn what_is_much_like_a_cause_but_contradicts_it_is_not_named() {
        let told = [
            (Test::ByHand, Answer::Feel(Feel::Free)),
            (Test::Ohms, Answer::Ohms(Ohms::Right, Ohms::Right)),
            (Test::Rapid, Answer::Motion(Motion::Still, Other::Nothing)),
            (
                Test::Extended,
                Answer::Motion(Motion::Still, Other::Nothing),
            ),
        ];
        let share = |more: &[(Test, Answer)]| {
            let mut diagnosis = still();
            for (test, answer) in told.iter().chain(more) {
                diagnosis.tell(*test, *answer);
            }
            let conclusion = diagnosis.conclusion();
            let mut causes = conclusion.causes.iter();
            let dead = causes.find(|it| it.cause.name == "output-dead");
            (dead.map_or(0.0, |it| it.share), conclusion)
        };
        let (dead, _) = share(&[
            (Test::Listen, Answer::Sound(Sound::Silent, Sound::Silent)),
            (Test::LampOnOutput, Answer::Lamp(Lamp::Dark)),
        ]);
        assert!(dead > 0.9, "{dead}");
        let heard = (Test::Listen, Answer::Sound(Sound::Throw, Sound::Silent));
        let lamp = (Test::LampOnOutput, Answer::Lamp(Lamp::StraightStays));
        let (dead, conclusion) = share(&[heard, heard, lamp, lamp]);
        assert!(dead < 0.5, "{conclusion:?}");
        assert!(conclusion.kind != Kind::Named, "{conclusion:?}");
    }

    #[test]
    fn one_mistake_does_not_make_two_causes() {
        let mut diagnosis = still();
        let told = [
            (Test::ByHand, Answer::Feel(Feel::Loose)),
            (Test::LampOnOutput, Answer::Lamp(Lamp::Dim)),
            (Test::LampOnOutput, Answer::Lamp(Lamp::Both)),
            (Test::Unhook, Answer::Motion(Motion::AsSent, Other::Nothing)),
        ];
        for (test, answer) in told {
            diagnosis.tell(test, answer);
        }
        let conclusion = diagnosis.conclusion();
        assert_eq!(conclusion.causes[0].cause.name, "linkage-off");
        assert!(conclusion.causes[0].share > 0.8, "{conclusion:?}");
        assert!(conclusion.of_two < 0.3, "{conclusion:?}");
    }
}
