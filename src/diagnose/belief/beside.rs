//! What a sweep saw of turnouts beside the failing one.

use rayon::prelude::*;

use super::unknown::ITS_OWN;
use super::{BETWEEN_DRAWS, Belief, HOPELESS, Learnt, Source, log_sum};
use crate::diagnose::layout::Layout;
use crate::diagnose::others::{self, Beside};
use crate::diagnose::sight::{Answer, Motion, Other};

impl Belief {
    /// Takes in what a sweep saw of other turnouts, all together: the index of each in the site
    /// and in the whole plan, and what was seen.
    pub fn learn_others(&mut self, seen: &[(usize, usize, (Motion, Other))]) {
        if seen.is_empty() {
            return;
        }
        self.beside = seen
            .iter()
            .map(|(turnout, _, seen)| (*turnout, self.beside(*turnout, *seen)))
            .collect();
        let all: Vec<Beside> = self.beside.iter().map(|(_, one)| *one).collect();
        let none = others::of_none(&all, self.error_rate);
        let likelihoods = self.weigh_others(0, Some(none));
        self.unlike += none;
        self.weigh_none();
        for ((one, (_, planned, _)), mut likelihoods) in all.iter().zip(seen).zip(likelihoods) {
            let (motion, other) = one.seen;
            likelihoods.truncate(self.causes.len());
            self.learnt.push(Learnt {
                source: Source::Swept(*planned),
                answer: Answer::Motion(motion, other),
                likelihoods,
            });
        }
    }

    /// Weighs the draws from that one on by what was seen of other turnouts, and unknown faults that
    /// are much like them where it is said how likely `none` of the causes shows it, by its
    /// logarithm. Returns for each of these how likely each hypothesis made it.
    pub(super) fn weigh_others(&mut self, from: usize, none: Option<f64>) -> Vec<Vec<f64>> {
        let all: Vec<Beside> = self.beside.iter().map(|(_, one)| *one).collect();
        if all.is_empty() || from >= self.particles.len() {
            return Vec::new();
        }
        let error = self.error_rate;
        // One after the other, so that causes without hope need not be worked out to the end.
        let drawn = self.particles[from..].iter();
        let mut running: Vec<f64> = drawn.map(|it| it.log_weight).collect();
        let mut met: Vec<Vec<f64>> = vec![Vec::new(); running.len()];
        let mut owns = met.clone();
        let mut likelihoods = Vec::new();
        for (place, one) in all.iter().enumerate() {
            let least = running.iter().copied().fold(f64::NEG_INFINITY, f64::max) - HOPELESS;
            let (motion, other) = one.seen;
            let answer = Answer::Motion(motion, other);
            let alive = running.iter().enumerate().filter(|it| *it.1 > least);
            let alive: Vec<usize> = alive.map(|(it, _)| from + it).collect();
            let mut own = vec![false; running.len()];
            for (it, fares) in alive.iter().zip(self.fare(&alive, place)) {
                own[it - from] = fares == answer;
            }
            let by_cause = self.shares_of(from, &own, &running);
            for (index, it) in self.particles[from..].iter().enumerate() {
                let own = f64::from(u8::from(own[index]));
                let share = (1.0 - BETWEEN_DRAWS) * own + BETWEEN_DRAWS * by_cause[it.of];
                met[index].push(share);
                owns[index].push(own);
                running[index] += others::of_one(one, share, error).ln();
            }
            let likely = by_cause.iter().map(|met| others::of_one(one, *met, error));
            likelihoods.push(likely.collect::<Vec<f64>>());
        }
        for ((it, met), owns) in self.particles[from..].iter_mut().zip(&met).zip(&owns) {
            let likely = others::of_all(&all, met, error);
            it.log_weight += likely;
            if let Some(none) = none {
                it.nearly += log_sum(&[(1.0 - ITS_OWN).ln() + likely, ITS_OWN.ln() + none]);
            }
            it.fit += others::of_all(&all, owns, error);
        }
        likelihoods
    }

    /// How the other turnout of that place among those swept fares with these draws: worked out
    /// once, on all cores, and remembered.
    pub(super) fn fare(&mut self, particles: &[usize], place: usize) -> Vec<Answer> {
        let turnout = self.beside[place].0;
        let of_one = |it: &usize| {
            let it = &self.particles[*it];
            let known = it.fares.get(place).copied().flatten();
            known.unwrap_or_else(|| it.layout.sweep(&self.site, turnout))
        };
        let fares: Vec<Answer> = particles.par_iter().map(of_one).collect();
        for (it, answer) in particles.iter().zip(&fares) {
            let known = &mut self.particles[*it].fares;
            known.resize(known.len().max(place + 1), None);
            known[place] = Some(*answer);
        }
        fares
    }

    /// How well a draw by itself explains what was seen of other turnouts, by its logarithm.
    pub(super) fn fit_of_others(&self, layout: &Layout) -> f64 {
        let all: Vec<Beside> = self.beside.iter().map(|(_, one)| *one).collect();
        let met = self.beside.iter().map(|(turnout, one)| {
            let (motion, other) = one.seen;
            let shown = layout.sweep(&self.site, *turnout);
            f64::from(u8::from(shown == Answer::Motion(motion, other)))
        });
        let met: Vec<f64> = met.collect();
        others::of_all(&all, &met, self.error_rate)
    }

    fn beside(&self, turnout: usize, seen: (Motion, Other)) -> Beside {
        let decoder = self.site.plan.turnouts[turnout].output;
        let decoder = decoder.map(|it| it.decoder);
        let supply = decoder.and_then(|it| self.site.plan.decoders[it].supply);
        Beside {
            decoder: decoder.filter(|_| decoder != self.site.decoder()),
            supply: supply.filter(|_| supply != self.site.supply()),
            seen,
        }
    }

    /// The share of each hypothesis's draws from that one on, by those weights, of which that
    /// holds.
    fn shares_of(&self, from: usize, holds: &[bool], weights: &[f64]) -> Vec<f64> {
        let best = weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut total = vec![0.0; self.hypotheses.len()];
        let mut met = vec![0.0; self.hypotheses.len()];
        for ((it, holds), weight) in self.particles[from..].iter().zip(holds).zip(weights) {
            let weight = (weight - best).exp();
            total[it.of] += weight;
            if *holds {
                met[it.of] += weight;
            }
        }
        let each = met.iter().zip(&total);
        each.map(|(met, all)| if *all > 0.0 { met / all } else { 0.0 })
            .collect()
    }
}
