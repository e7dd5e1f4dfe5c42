//! What is not known: that none of the causes is the right one.
//!
//! An unknown fault shows in each test what faults usually show in it, and each test apart from
//! the others: what binds the answers of one cause together does not bind its own. So a cause
//! has to foretell several answers, or one that is rare, before it is likelier than that; and
//! where answers contradict every cause, none fits. A fault stays what it is, though: asked the
//! same again it shows the same.

use super::{Belief, What};
use crate::diagnose::cause::Level;
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;

/// How likely it is beforehand that none of the causes is the right one; a choice of ours.
const NONE_FITS: f64 = 0.03;

/// How many of its answers are such as faults usually give; the others are any.
const USUAL: f64 = 0.6;

/// How likely it shows the same when asked the same again.
const SAME_AGAIN: f64 = 0.85;

/// How much of what is seen of another turnout is as foreseen.
const ELSEWHERE: f64 = 0.75;

/// So many draws of each cause say what faults usually show.
const OF_EACH: u32 = 3;

pub(super) fn none_fits() -> f64 {
    super::tune("T_NONE", NONE_FITS)
}

impl Belief {
    /// How likely an unknown fault shows what was learnt, by its index; `foreseen` is how likely
    /// it was by all that was believed.
    pub(super) fn of_unknown(&mut self, index: usize, foreseen: f64) -> f64 {
        let answer = self.told[index].answer;
        let any = self.told[index].parts.any();
        let what = self.told[index].what;
        if matches!(what, What::Test(test, _) if test.is_of_another()) {
            return ELSEWHERE * foreseen + (1.0 - ELSEWHERE) * any;
        }
        let usual = super::tune("T_USUAL", USUAL);
        let once = usual * self.usually(index) + (1.0 - usual) * any;
        let mut before = self.told[..index].iter();
        let before = before.rfind(|it| is_same(it.what, what));
        match before.map(|it| it.answer == answer) {
            None => once,
            Some(true) => SAME_AGAIN + (1.0 - SAME_AGAIN) * once,
            Some(false) => (1.0 - SAME_AGAIN) * once,
        }
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
            match before.map(|it| it.answer == *answer) {
                None => once,
                Some(true) => SAME_AGAIN + (1.0 - SAME_AGAIN) * once,
                Some(false) => (1.0 - SAME_AGAIN) * once,
            }
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
