//! What no offered test can part: by fresh draws of the model, whatever a diagnosis believed.
//!
//! Of every cause tracks are drawn anew, at the whole site, that show in the sweep and in every
//! test that was made what was seen. How often a cause is met, times the share of its draws that
//! do, is how likely it is: a cause that has less than a twentieth of that of all causes is parted
//! by what was seen. Else every offered test is made on those of it and on those of the true cause. If the
//! shares of its answers differ by more than what a person's errors and the chance of the draws
//! hide, that test parts the two. Causes that no test parts from the true one can't be parted.

use std::collections::{BTreeMap, BTreeSet};

use throwproof::diagnose::Swept;
use throwproof::diagnose::cause::{self, Cause, Draw, Suspects};
use throwproof::diagnose::perform::{perform, swept};
use throwproof::diagnose::sight::{Answer, Motion, Other};
use throwproof::diagnose::test::Test;
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;

use super::hidden::Case;

/// How often each cause is drawn, how many draws are enough, and how few are none.
const DRAWS: u64 = 200;
const ENOUGH: usize = 30;
const FEW: usize = 4;

/// A cause that has less than this share of all likelihood is parted by what was seen.
const LIKELY: f64 = 0.05;

/// Total variation that one answer wrong in 25, on either side, and some thirty draws hide.
const HIDDEN: f64 = 0.25;

/// Tracks, and the seed of each.
type Drawn = Vec<(AsBuilt, u64)>;

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
    let drawn: Vec<(&Cause, Drawn, f64)> = cause::all()
        .map(|cause| {
            let (found, share) = consistent(case, cause, sweep, told);
            (cause, found, cause.weight * share)
        })
        .collect();
    let all: f64 = drawn.iter().map(|(_, _, weight)| weight).sum();
    let own = drawn.iter().find(|(cause, ..)| cause.name == truth.name);
    let mut own = own.map(|(_, found, _)| found.clone()).unwrap_or_default();
    if own.len() < FEW {
        let courses = (0..12).map(|at| (case.built[0].clone(), FRESH + at));
        own = courses.collect();
    }
    let offered: Vec<Test> = Test::ALL
        .into_iter()
        .filter(|test| test.is_ordinary() && test.is_offered(&case.site))
        .collect();
    for (other, theirs, weight) in &drawn {
        if other.name == truth.name || theirs.is_empty() || *weight < LIKELY * all {
            continue;
        }
        let parts =
            |test: &Test| differ(&shares(case, &own, *test), &shares(case, theirs, *test)) > HIDDEN;
        if !offered.iter().any(parts) {
            names.insert(other.name);
        }
    }
    names
}

/// Draws of a cause that show what was seen, and what share of those that make it fail they are.
fn consistent(case: &Case, of: &Cause, sweep: &[Swept], told: &[(Test, Answer)]) -> (Drawn, f64) {
    let site = &case.site;
    let suspects = Suspects::of(&case.plan, case.target, sweep);
    let telling = site.telling_of(sweep);
    let sweep: Vec<&Swept> = sweep
        .iter()
        .filter(|it| telling.contains(&it.turnout))
        .collect();
    let mut found = Vec::new();
    let mut drawn = 0_u32;
    for number in 0..DRAWS {
        let seed = FRESH + case.seed * 1_000 + number;
        let Some(built) = (of.state)(site, &mut Draw::new(seed, &suspects)) else {
            continue;
        };
        let sweep_of = |turnout: usize| {
            let mut track = Track::new(&case.plan, &built, seed);
            let (motion, others) = swept(site, &mut track, turnout);
            (motion, Other::of(&case.plan, turnout, others))
        };
        // A draw with which the turnout does not fail is none of a cause that makes it fail.
        if sweep_of(case.target) == (Motion::AsSent, Other::Nothing) {
            continue;
        }
        drawn += 1;
        let shows = |(index, (test, answer)): (usize, &(Test, Answer))| {
            let mut track = Track::new(&case.plan, &built, seed);
            // Other packets get lost each time.
            track.stir(seed + index as u64);
            if told[..index].iter().any(|(it, _)| *it == Test::Reteach) {
                perform(site, &mut track, Test::Reteach);
            }
            perform(site, &mut track, *test) == *answer
        };
        let mut sweeps = sweep.iter();
        if sweeps.all(|one| sweep_of(one.turnout) == (one.motion, one.other))
            && told.iter().enumerate().all(shows)
        {
            found.push((built, seed));
        }
        if found.len() >= ENOUGH {
            break;
        }
    }
    #[expect(clippy::cast_precision_loss, reason = "some hundred draws")]
    let share = found.len() as f64 / f64::from(drawn.max(1));
    (found, share)
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
