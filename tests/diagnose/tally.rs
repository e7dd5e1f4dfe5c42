//! What many diagnoses come to.

use std::collections::{BTreeMap, BTreeSet};
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
    /// The causes that are there, and those that no offered test can part from them.
    pub(crate) not_parted: BTreeSet<&'static str>,
    /// Whether the measurement that is said to part what remains is there.
    pub(crate) has_parting: bool,
    pub(crate) questions: usize,
    /// How long it took to begin.
    pub(crate) beginning: Duration,
    /// The longest time from an answer, or from the beginning, to the next question.
    pub(crate) slowest: Duration,
}

impl Outcome {
    /// The right one alone, or all of those that no offered test can part from it, and only they.
    pub(crate) fn is_right(&self) -> bool {
        match self.kind {
            Kind::Named => self.truth.contains(&self.named[0]),
            Kind::Remain => {
                let named: BTreeSet<&'static str> = self.named.iter().copied().collect();
                named == self.not_parted
            }
            Kind::NoneFits => false,
        }
    }

    fn first_is_true(&self) -> bool {
        let first = self.named.first();
        first.is_some_and(|it| self.truth.contains(it))
    }

    fn said(&self) -> String {
        match self.kind {
            Kind::NoneFits => "none fits".to_owned(),
            Kind::Named => self.named[0].to_owned(),
            Kind::Remain => self.named.join(" or "),
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
        let sure_right = sure.iter().filter(|it| it.first_is_true()).count();
        let remain = self.outcomes.iter().filter(|it| it.kind == Kind::Remain);
        let several = remain.filter(|it| it.named.len() > 1);
        let (several, parted): (Vec<_>, Vec<_>) = several.map(|it| (it, it.has_parting)).unzip();
        let parted = parted.into_iter().filter(|it| *it).count();
        let sorted = |of: fn(&Outcome) -> Duration| {
            let mut times: Vec<Duration> = self.outcomes.iter().map(of).collect();
            times.sort_unstable();
            [times.len() / 2, times.len() * 99 / 100].map(|at| times.get(at).copied())
        };
        let [beginning, beginning_p99] = sorted(|it| it.beginning);
        let [slowest, slowest_p99] = sorted(|it| it.slowest);
        let _ = writeln!(
            out,
            "{all} cases: right {:.3}; named {}, remain {} ({} of them several, {parted} with what \
             parts them), none fits {}; \
             questions median {}, p95 {}, most {}; at 0.9 or more {} of which right {:.3}; \
             begun in median {beginning:?}, p99 {beginning_p99:?}; \
             slowest choice median {slowest:?}, p99 {slowest_p99:?}",
            self.right(),
            count(Kind::Named),
            count(Kind::Remain),
            several.len(),
            count(Kind::NoneFits),
            self.questions(0.5),
            self.questions(0.95),
            self.questions(1.0),
            sure.len(),
            share(sure_right, sure.len()),
        );
        out.push_str(&self.reliability());
        out.push_str(&self.confusion());
        out
    }

    /// Of what is said with each confidence, how much is right.
    pub(crate) fn bins(&self) -> Vec<Bin> {
        let edges = [0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 1.0];
        let bins = edges.windows(2).map(|edge| {
            let is_last = edge[1] >= 1.0;
            let within = |it: &&Outcome| it.share >= edge[0] && (it.share < edge[1] || is_last);
            let own: Vec<&Outcome> = self.outcomes.iter().filter(within).collect();
            let right = own.iter().filter(|it| it.first_is_true()).count();
            let said: f64 = own.iter().map(|it| it.share).sum();
            Bin {
                from: edge[0],
                to: edge[1],
                count: own.len(),
                said: if own.is_empty() {
                    0.0
                } else {
                    said / length(own.len())
                },
                right: share(right, own.len()),
            }
        });
        bins.collect()
    }

    fn reliability(&self) -> String {
        let mut out = String::from("  confidence      cases  said   right\n");
        for bin in self.bins().iter().filter(|it| it.count > 0) {
            let Bin {
                from,
                to,
                count,
                said,
                right,
            } = bin;
            let _ = writeln!(
                out,
                "  {from:.2} to {to:.2}  {count:>5}  {said:.3}  {right:.3}"
            );
        }
        out
    }

    /// What each cause was taken for, where it was not named by itself.
    fn confusion(&self) -> String {
        let mut rows: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
        for it in &self.outcomes {
            let row = rows.entry(it.truth.join(" + ")).or_default();
            *row.entry(it.said()).or_default() += 1;
        }
        let mut out = String::new();
        for (truth, said) in rows {
            let said: Vec<String> = said.iter().map(|(it, n)| format!("{it} {n}")).collect();
            let _ = writeln!(out, "  {truth}: {}", said.join(", "));
        }
        out
    }

    /// A picture of [`Tally::bins`]: said against right, a circle as large as its cases are many.
    pub(crate) fn picture(&self, title: &str) -> String {
        let mut out = String::from(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 460 480\" \
             font-family=\"sans-serif\" font-size=\"13\">\n\
             <rect width=\"460\" height=\"480\" fill=\"white\"/>\n",
        );
        let place = |share: f64| (50.0 + 380.0 * share, 430.0 - 380.0 * share);
        for step in 0..=10_u8 {
            let (x, y) = place(f64::from(step) / 10.0);
            let percent = u32::from(step) * 10;
            let _ = writeln!(
                out,
                "<path d=\"M50 {y}H430M{x} 50V430\" stroke=\"#ddd\"/>\n\
                 <text x=\"44\" y=\"{}\" text-anchor=\"end\">{percent}</text>\n\
                 <text x=\"{x}\" y=\"446\" text-anchor=\"middle\">{percent}</text>",
                y + 4.0
            );
        }
        let _ = writeln!(
            out,
            "<path d=\"M50 430L430 50\" stroke=\"#888\" stroke-dasharray=\"5 4\"/>"
        );
        for bin in self.bins().iter().filter(|it| it.count > 0) {
            let (x, y) = (place(bin.said).0, place(bin.right).1);
            let radius = 3.0 + 12.0 * (length(bin.count) / length(self.outcomes.len())).sqrt();
            let _ = writeln!(
                out,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" fill=\"#1b6\" \
                 fill-opacity=\"0.7\"><title>{} cases</title></circle>",
                bin.count
            );
        }
        let _ = writeln!(
            out,
            "<text x=\"240\" y=\"24\" text-anchor=\"middle\">{title}</text>\n\
             <text x=\"240\" y=\"468\" text-anchor=\"middle\">said to be so likely, %</text>\n\
             <text transform=\"translate(14 240)rotate(-90)\" text-anchor=\"middle\">was so, \
             %</text>\n</svg>"
        );
        out
    }
}

/// Cases in which the likeliest cause was said to be so likely.
#[derive(Debug)]
pub(crate) struct Bin {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) count: usize,
    /// How likely it was said to be, on average.
    pub(crate) said: f64,
    /// How often it was so.
    pub(crate) right: f64,
}

fn length(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}
