//! How something that was learnt changes the weights of draws.

use super::unknown::Usual;
use super::{BETWEEN_DRAWS, Belief, Told};

/// The same where chance decides what a test shows: a draw shows but one of its courses.
const BETWEEN_CHANCES: f64 = 0.8;

/// So many draws' worth of doubt about how often a cause shows an answer: what a few draws never
/// showed may still be.
const DOUBT: f64 = 0.25;

impl Belief {
    /// Weighs the draws from that one on by something that was learnt, and unknown faults that
    /// are much like them by what is `usual`; draws so far below the best are not worked out.
    /// Returns how much of each hypothesis, and of all, makes the answer.
    pub(super) fn weigh(
        &mut self,
        index: usize,
        from: usize,
        hopeless: f64,
        usual: Option<Usual>,
    ) -> (Vec<f64>, f64) {
        let best = self.best();
        let is_alive = |it: &usize| self.particles[*it].log_weight > best - hopeless;
        let alive: Vec<usize> = (from..self.particles.len()).filter(is_alive).collect();
        let mut shows = vec![None; self.particles.len() - from];
        let told = self.tell_all(&alive, index);
        for (particle, answer) in alive.into_iter().zip(told) {
            shows[particle - from] = Some(answer);
        }
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
                (count * share(*met, *all) + DOUBT * parts.any()) / (count + DOUBT)
            })
            .collect();
        for (it, shown) in self.particles[from..].iter_mut().zip(&shows) {
            let (fit, likelihood) = match shown {
                None => (error * parts.any(), error * parts.any()),
                Some(of_draw) => {
                    let own = f64::from(u8::from(*of_draw == answer));
                    let between = if it.layout.by_chance {
                        BETWEEN_CHANCES
                    } else {
                        BETWEEN_DRAWS
                    };
                    let by_mistake = error * parts.by_mistake(answer, *of_draw);
                    let met = (1.0 - between) * own + between * by_cause[it.of];
                    (
                        (1.0 - error) * own + by_mistake,
                        (1.0 - error) * met + by_mistake,
                    )
                }
            };
            it.fit += fit.ln();
            it.log_weight += likelihood.ln();
            if let Some(usual) = usual {
                it.nearly += usual.of_alike(likelihood).ln();
            }
        }
        (by_cause, of_all)
    }
}
