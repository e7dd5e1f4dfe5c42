//! What no offered test can part: by fresh draws of the model, whatever a diagnosis believed.
//!
//! Of every cause tracks are drawn anew, at the whole site, that show in the sweep and in every
//! test that was made what was seen. A cause of which hardly any draw does is parted by what was
//! seen. Else every offered test is made on those of it and on those of the true cause. If the
//! shares of its answers differ by more than what a person's errors and the chance of the draws
//! hide, that test parts the two. Causes that no test parts from the true one can't be parted.

use std::collections::{BTreeMap, BTreeSet};

use throwproof::diagnose::Swept;
use throwproof::diagnose::cause::{self, Cause, Draw};
use throwproof::diagnose::perform::{perform, swept};
use throwproof::diagnose::sight::{Answer, Other};
use throwproof::diagnose::test::Test;
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;

use super::hidden::Case;

/// How often each cause is drawn, how many draws are enough, and how few are none.
const DRAWS: u64 = 200;
const ENOUGH: usize = 30;
const FEW: usize = 4;

/// Total variation that one answer wrong in 25, on either side, and some thirty draws hide.
const HIDDEN: f64 = 0.25;

/// Seeds that no diagnosis uses.
const FRESH: u64 = 0x5eed_0000_0000;

/// The true causes, and those that no offered test parts from them.
pub(crate) fn not_parted(
    case: &Case,
    sweep: &[Swept],
    told: &[(Test, Answer)],
) -> BTreeSet<&'static str> {
    let mut names: BTreeSet<&'static str> = case.truth.iter().copied().collect();
    let [truth] = case.truth[..] else {
        return names;
    };
    let truth = cause::by_name(truth).unwrap();
    let mut own = consistent(case, truth, sweep, told);
    if own.len() < FEW {
        own = (0..12)
            .map(|at| (case.built[0].clone(), FRESH + at))
            .collect();
    }
    let offered: Vec<Test> = Test::ALL
        .into_iter()
        .filter(|test| test.is_ordinary() && test.is_offered(&case.site))
        .collect();
    for other in cause::all().filter(|it| it.name != truth.name) {
        let theirs = consistent(case, other, sweep, told);
        if theirs.len() < FEW {
            continue;
        }
        let parts = |test: &Test| {
            differ(&shares(case, &own, *test), &shares(case, &theirs, *test)) > HIDDEN
        };
        if !offered.iter().any(parts) {
            names.insert(other.name);
        }
    }
    names
}

/// Draws of a cause that show what was seen.
fn consistent(
    case: &Case,
    cause: &Cause,
    sweep: &[Swept],
    told: &[(Test, Answer)],
) -> Vec<(AsBuilt, u64)> {
    let site = &case.site;
    let seen = sweep.iter().find(|it| it.turnout == case.target);
    let moved = seen.map(|it| it.others.clone()).unwrap_or_default();
    let mut found = Vec::new();
    for number in 0..DRAWS {
        let seed = FRESH + case.seed * 1_000 + number;
        let Some(built) = (cause.state)(site, &mut Draw::new(seed, &moved)) else {
            continue;
        };
        let sweeps = |one: &Swept| {
            let mut track = Track::new(&case.plan, &built, seed);
            let (motion, others) = swept(site, &mut track, one.turnout);
            motion == one.motion && Other::of(&case.plan, one.turnout, others) == one.other
        };
        let shows = |(test, answer): &(Test, Answer)| {
            perform(site, &mut Track::new(&case.plan, &built, seed), *test) == *answer
        };
        if sweep.iter().all(sweeps) && told.iter().all(shows) {
            found.push((built, seed));
        }
        if found.len() >= ENOUGH {
            break;
        }
    }
    found
}

/// How often each answer is given.
fn shares(case: &Case, drawn: &[(AsBuilt, u64)], test: Test) -> BTreeMap<Answer, f64> {
    let mut shares = BTreeMap::new();
    #[expect(clippy::cast_precision_loss, reason = "some thirty draws")]
    let each = 1.0 / drawn.len() as f64;
    for (built, seed) in drawn {
        let answer = perform(&case.site, &mut Track::new(&case.plan, built, *seed), test);
        *shares.entry(answer).or_default() += each;
    }
    shares
}

/// Total variation between two distributions.
fn differ(one: &BTreeMap<Answer, f64>, other: &BTreeMap<Answer, f64>) -> f64 {
    let answers: BTreeSet<&Answer> = one.keys().chain(other.keys()).collect();
    let share = |of: &BTreeMap<Answer, f64>, answer| of.get(answer).copied().unwrap_or_default();
    let each = answers
        .into_iter()
        .map(|it| (share(one, it) - share(other, it)).abs());
    0.5 * each.sum::<f64>()
}
