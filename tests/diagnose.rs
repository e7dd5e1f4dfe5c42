//! How often a diagnosis is right: random layouts with a hidden fault on the simulated track,
//! diagnosed by asking.
//!
//! `THROWPROOF_DIAGNOSES=2000` for how many cases (few by default), `THROWPROOF_SEED` for others
//! than the usual ones, `THROWPROOF_ONLY=cause` for one cause. Every case prints its seed with
//! `THROWPROOF_TELL=1`.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of tests fail by panic, an evaluation prints its table"
)]

#[path = "diagnose/hidden.rs"]
mod hidden;
#[path = "diagnose/tally.rs"]
mod tally;

use hidden::{Case, Errs};
use tally::{Outcome, Tally};
use throwproof::diagnose::belief::Options;
use throwproof::diagnose::{Diagnosis, Next};

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap())
}

/// The time, for how long a choice takes.
#[expect(
    clippy::disallowed_methods,
    reason = "what is measured is the program itself"
)]
fn moment() -> std::time::Instant {
    std::time::Instant::now()
}

/// Diagnoses a case to its end.
fn diagnose(case: &mut Case) -> Outcome {
    let swept = case.sweep();
    let mut diagnosis = Diagnosis::new(&case.plan, case.target, &swept, &Options::default());
    let mut slowest = std::time::Duration::ZERO;
    let conclusion = loop {
        let began = moment();
        let next = diagnosis.choose();
        slowest = slowest.max(began.elapsed());
        match next {
            Next::Done(conclusion) => break conclusion,
            Next::Test(test) => {
                let answer = case.answer(test);
                diagnosis.tell(test, answer);
            }
        }
    };
    let named: Vec<&'static str> = conclusion.causes.iter().map(|it| it.cause.name).collect();
    let share = conclusion.causes.first().map_or(0.0, |it| it.share);
    if std::env::var("THROWPROOF_TELL").is_ok() {
        println!(
            "seed {} {}: {:?} {named:?} {share:.3}, none {:.3}; swept {:?}; asked {:?}",
            case.seed,
            case.truth,
            conclusion.kind,
            conclusion.none_fits,
            swept
                .iter()
                .map(|it| (it.motion, it.other))
                .collect::<Vec<_>>(),
            diagnosis
                .belief()
                .learnt()
                .iter()
                .skip(swept.len())
                .map(|it| (it.source, it.answer))
                .collect::<Vec<_>>(),
        );
    }
    Outcome {
        truth: case.truth,
        kind: conclusion.kind,
        named,
        share,
        questions: diagnosis.asked().len(),
        slowest,
    }
}

fn run(cases: u64, errs: Errs) -> Tally {
    let seed = number("THROWPROOF_SEED", 1);
    let only = std::env::var("THROWPROOF_ONLY").ok();
    let mut tally = Tally::default();
    let mut next = seed * 1_000_000;
    while tally.outcomes.len() < usize::try_from(cases).unwrap() {
        next += 1;
        let Some(mut case) = Case::new(next, errs) else {
            continue;
        };
        if only.as_ref().is_some_and(|only| only != case.truth) {
            continue;
        }
        tally.outcomes.push(diagnose(&mut case));
    }
    tally
}

#[test]
fn one_fault_is_named() {
    let cases = number("THROWPROOF_DIAGNOSES", 6);
    let tally = run(cases, Errs::Never);
    println!("{}", tally.table());
    assert!(tally.right() >= 0.65, "{}", tally.table());
    assert!(tally.questions(0.5) <= 4);
}

#[test]
fn a_person_may_be_wrong() {
    let cases = number("THROWPROOF_DIAGNOSES", 4);
    let tally = run(cases, Errs::OneInTwenty);
    println!("{}", tally.table());
    assert!(tally.right() >= 0.5, "{}", tally.table());
}
