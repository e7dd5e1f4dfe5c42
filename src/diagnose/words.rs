//! What a diagnosis says to people: its questions, their answers, and its reasons.

mod question;
mod task;

use std::fmt::Write as _;

pub use self::question::Part;
use super::belief::{Belief, Learnt, Source};
use super::site::Site;
use super::test::Test;
use crate::plan::{Plan, Turnout};

fn named(plan: &Plan, index: Option<usize>) -> String {
    let turnout = index.and_then(|index| plan.turnouts.get(index));
    turnout.map_or_else(String::new, |it: &Turnout| it.id.to_string())
}

/// What speaks for a cause and against it, the most telling first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reasons {
    /// What it explains and others do not.
    pub speaks_for: Vec<String>,
    /// What it does not explain.
    pub speaks_against: Vec<String>,
}

/// An answer is explained by a cause that makes it at least this likely, and speaks against one
/// that makes it less likely than [`DENIED`].
const EXPLAINED: f64 = 0.3;
const DENIED: f64 = 0.05;

/// The reasons for and against the cause of that name.
pub fn reasons(plan: &Plan, belief: &Belief, name: &str) -> Reasons {
    let Some(cause) = belief.causes().iter().position(|it| it.name == name) else {
        return Reasons::default();
    };
    let mut speaks_for: Vec<(f64, String)> = Vec::new();
    let mut speaks_against = Vec::new();
    for learnt in belief.learnt() {
        let own = learnt.likelihoods[cause];
        let all: f64 = learnt.likelihoods.iter().sum();
        #[expect(clippy::cast_precision_loss, reason = "a few dozen causes")]
        let mean = all / learnt.likelihoods.len() as f64;
        let text = said(plan, belief.site(), learnt);
        if own >= EXPLAINED {
            speaks_for.push((own / mean, text));
        } else if own < DENIED {
            speaks_against.push(text);
        }
    }
    speaks_for.sort_by(|one, other| other.0.total_cmp(&one.0));
    let speaks_for: Vec<String> = speaks_for.into_iter().map(|(_, text)| text).collect();
    Reasons {
        speaks_for,
        speaks_against,
    }
}

/// One thing that was learnt, in a line.
fn said(plan: &Plan, site: &Site, learnt: &Learnt) -> String {
    let mut line = String::new();
    match learnt.source {
        Source::Swept(turnout) => {
            let told = Test::Again.told(learnt.answer);
            let _ = write!(line, "in the sweep, {}: {told}", plan.turnouts[turnout].id);
        }
        Source::Test(test) => {
            let other = if test == Test::Mate {
                site.mate
            } else if test == Test::SupplyMate {
                site.supply_mate
            } else {
                site.elsewhere
            };
            let about = if test.is_of_another() {
                other
            } else {
                Some(site.target)
            };
            let whom = named(&site.plan, about);
            let _ = write!(
                line,
                "{} ({whom}): {}",
                test.name(),
                test.told(learnt.answer)
            );
        }
    }
    line
}
