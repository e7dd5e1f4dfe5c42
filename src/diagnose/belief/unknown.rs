//! What is not known: that none of the causes is the right one.
//!
//! An unknown fault may be unlike any of them. Then it shows in each test what faults usually
//! show in it, and each test apart from the others: what binds the answers of one cause together
//! does not bind its own. So a cause has to foretell several answers, or one that is rare, before
//! it is likelier than that; and where answers contradict every cause, none fits.
//!
//! Or it is much like one of them, with figures that no draw of it has or with something else
//! beside it: then it shows in most tests what that one shows, and in some what faults usually
//! do. So a cause that explains most of the answers is not named where several others contradict
//! it: more than a person's mistakes would.
//!
//! Either stays what it is: asked the same again it shows the same.

use super::{Belief, Particle, Told, What, log_sum};
use crate::diagnose::cause::Level;
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;

/// How likely a fault is beforehand unlike any of the causes, and much like one of them but not
/// it; choices of ours.
pub(super) const UNLIKE: f64 = 0.03;
const ALIKE: f64 = 0.05;

/// How many answers of a fault that is much like a cause are not that cause's; a choice of ours.
pub(super) const ITS_OWN: f64 = 0.25;

/// How many of its answers are such as faults usually give; the others are any.
const USUAL: f64 = 0.6;

/// How likely it shows the same when asked the same again.
const SAME_AGAIN: f64 = 0.75;

/// How much of what is seen of another turnout is as foreseen.
const ELSEWHERE: f64 = 0.75;

/// So many draws of each cause say what faults usually show.
const OF_EACH: u32 = 3;

/// How an unknown fault shows something that was learnt.
#[derive(Debug, Clone, Copy)]
pub(super) struct Usual {
    /// What was seen is of another turnout.
    is_of_another: bool,
    /// Any answer at all.
    any: f64,
    /// How likely it is when the test is made but once.
    once: f64,
    /// Whether the answer is the one that was given before, if the test was made before.
    is_as_before: Option<bool>,
}

impl Usual {
    /// How likely a fault unlike any cause shows it; `foreseen` is how likely it was by all that
    /// was believed.
    pub(super) fn of_unlike(self, foreseen: f64) -> f64 {
        if self.is_of_another {
            ELSEWHERE * foreseen + (1.0 - ELSEWHERE) * self.any
        } else {
            again(self.once, self.is_as_before)
        }
    }

    /// How likely a fault shows it that is much like one which does so with likelihood `met`.
    pub(super) fn of_alike(self, met: f64) -> f64 {
        if self.is_of_another {
            ELSEWHERE * met + (1.0 - ELSEWHERE) * self.any
        } else {
            let once = (1.0 - ITS_OWN) * met + ITS_OWN * self.once;
            again(once, self.is_as_before)
        }
    }
}

/// How likely an answer is to a test that was made before, or not.
fn again(once: f64, is_as_before: Option<bool>) -> f64 {
    match is_as_before {
        None => once,
        Some(true) => SAME_AGAIN + (1.0 - SAME_AGAIN) * once,
        Some(false) => (1.0 - SAME_AGAIN) * once,
    }
}

impl Belief {
    /// How unknown faults show what was learnt, by its index.
    pub(super) fn usual(&mut self, index: usize) -> Usual {
        let Told { answer, what, .. } = self.told[index];
        let any = self.told[index].parts.any();
        let is_of_another = matches!(what, What::Test(test, _) if test.is_of_another());
        let usually = if is_of_another {
            0.0
        } else {
            self.usually(index)
        };
        let mut before = self.told[..index].iter();
        let before = before.rfind(|it| is_same(it.what, what));
        Usual {
            is_of_another,
            any,
            once: USUAL * usually + (1.0 - USUAL) * any,
            is_as_before: before.map(|it| it.answer == answer),
        }
    }

    /// Weighs anew that none of the causes is the right one.
    pub(super) fn weigh_none(&mut self) {
        let is_fault = |it: &&Particle| self.causes[it.of].level != Level::Nobody;
        let begun = self.particles[..self.begun].iter().filter(is_fault);
        // Draws that were chosen for what they explain say nothing of how usual that is.
        let alike = begun.map(|it| ALIKE.ln() + it.log_prior + it.nearly);
        let all: Vec<f64> = alike.chain([self.unlike]).collect();
        self.none = log_sum(&all);
    }

    /// How much of all faults shows what was learnt.
    fn usually(&mut self, index: usize) -> f64 {
        let answer = self.told[index].answer;
        let mut counted = vec![(0_u32, 0_u32); self.causes.len()];
        let mut some = Vec::new();
        for particle in 0..self.singles {
            let cause = self.particles[particle].of;
            let all = &mut counted[cause].0;
            if *all < OF_EACH && self.causes[cause].level != Level::Nobody {
                *all += 1;
                some.push(particle);
            }
        }
        for (particle, shown) in some.iter().zip(self.tell_all(&some, index)) {
            counted[self.particles[*particle].of].1 += u32::from(shown == answer);
        }
        let (mut sum, mut met) = (0.0, 0.0);
        for (cause, (all, showing)) in self.causes.iter().zip(counted) {
            if all > 0 {
                sum += cause.weight;
                met += cause.weight * f64::from(showing) / f64::from(all);
            }
        }
        if sum > 0.0 { met / sum } else { 0.0 }
    }

    /// How likely an unknown fault would show each of these answers of a test: all hypotheses
    /// that still stand say what is usual.
    pub(super) fn unknown_shows(
        &self,
        test: Test,
        joint: &[(Answer, Vec<f64>)],
        standing: &[f64],
    ) -> Vec<f64> {
        let count = standing.iter().filter(|it| **it > 0.0).count().max(1);
        #[expect(clippy::cast_precision_loss, reason = "a few dozen")]
        let (count, answers) = (count as f64, test.answers().len().max(1) as f64);
        let mut before = self.told.iter();
        let before = before.rfind(|it| is_same(it.what, What::Test(test, 0)));
        let each = joint.iter().map(|(answer, of_causes)| {
            let shares = of_causes.iter().zip(standing);
            let shares = shares.filter(|(_, all)| **all > 0.0);
            let usual: f64 = shares.map(|(met, all)| met / all).sum::<f64>() / count;
            let once = USUAL * usual + (1.0 - USUAL) / answers;
            again(once, before.map(|it| it.answer == *answer))
        });
        each.collect()
    }
}

/// Whether these do the same: a sweep throws there and back, as throwing again does.
fn is_same(one: What, other: What) -> bool {
    let throws = |what| matches!(what, What::Swept | What::Test(Test::Again, _));
    let test = |what| match what {
        What::Swept => None,
        What::Test(test, _) => Some(test),
    };
    test(one) == test(other) || throws(one) && throws(other)
}
