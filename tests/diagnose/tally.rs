//! What many diagnoses come to.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use throwproof::diagnose::Kind;

/// One diagnosis.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub(crate) truth: Vec<&'static str>,
    pub(crate) kind: Kind,
    pub(crate) named: Vec<&'static str>,
    pub(crate) share: f64,
    pub(crate) questions: usize,
    pub(crate) slowest: Duration,
}

impl Outcome {
    /// The right one alone, or among those that no test parts.
    pub(crate) fn is_right(&self) -> bool {
        match self.kind {
            Kind::Named => self.truth.contains(&self.named[0]),
            Kind::Remain => {
                self.named.len() <= 4 && self.named.iter().any(|it| self.truth.contains(it))
            }
            Kind::NoneFits => false,
        }
    }
}

/// Many diagnoses.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) outcomes: Vec<Outcome>,
}

fn share(of: usize, all: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "some thousand cases")]
    let (of, all) = (of as f64, all as f64);
    if all > 0.0 { of / all } else { 0.0 }
}

impl Tally {
    pub(crate) fn right(&self) -> f64 {
        let right = self.outcomes.iter().filter(|it| it.is_right()).count();
        share(right, self.outcomes.len())
    }

    /// The share that names, with confidence, what is not there.
    pub(crate) fn confidently_wrong(&self) -> f64 {
        let is_wrong = |it: &&Outcome| it.kind == Kind::Named && !it.is_right();
        share(
            self.outcomes.iter().filter(is_wrong).count(),
            self.outcomes.len(),
        )
    }

    /// So many questions or fewer were enough for that share of cases.
    pub(crate) fn questions(&self, quantile: f64) -> usize {
        let mut all: Vec<usize> = self.outcomes.iter().map(|it| it.questions).collect();
        all.sort_unstable();
        #[expect(
            clippy::cast_precision_loss,
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of some thousand cases"
        )]
        let at = (all.len() as f64 * quantile) as usize;
        all.get(at.min(all.len().saturating_sub(1)))
            .copied()
            .unwrap_or_default()
    }

    pub(crate) fn mean_questions(&self) -> f64 {
        let sum = self.outcomes.iter().map(|it| it.questions).sum();
        share(sum, self.outcomes.len())
    }

    pub(crate) fn table(&self) -> String {
        let mut out = String::new();
        let all = self.outcomes.len();
        let count = |kind| self.outcomes.iter().filter(|it| it.kind == kind).count();
        let sure: Vec<_> = self.outcomes.iter().filter(|it| it.share >= 0.9).collect();
        let sure_right = sure.iter().filter(|it| it.truth.contains(&it.named[0]));
        let sure_right = sure_right.count();
        let mut times: Vec<Duration> = self.outcomes.iter().map(|it| it.slowest).collect();
        times.sort_unstable();
        let _ = writeln!(
            out,
            "{all} cases: right {:.3}; named {}, remain {}, none fits {}; \
             questions median {}, p95 {}, most {}; at 0.9 or more {} of which right {:.3}; \
             slowest choice median {:?}, p99 {:?}",
            self.right(),
            count(Kind::Named),
            count(Kind::Remain),
            count(Kind::NoneFits),
            self.questions(0.5),
            self.questions(0.95),
            self.questions(1.0),
            sure.len(),
            share(sure_right, sure.len()),
            times.get(times.len() / 2),
            times.get(times.len() * 99 / 100),
        );
        let mut rows: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
        for it in &self.outcomes {
            let said = match it.kind {
                Kind::NoneFits => "none fits".to_owned(),
                Kind::Named => it.named[0].to_owned(),
                Kind::Remain => it.named.join(" or "),
            };
            *rows
                .entry(it.truth.join(" + "))
                .or_default()
                .entry(said)
                .or_default() += 1;
        }
        for (truth, said) in rows {
            let said: Vec<String> = said.iter().map(|(it, n)| format!("{it} {n}")).collect();
            let _ = writeln!(out, "  {truth}: {}", said.join(", "));
        }
        out
    }
}
