//! How often a diagnosis is right: random layouts with something hidden on the simulated track,
//! diagnosed by asking.
//!
//! `THROWPROOF_DIAGNOSES=2000` for how many cases (few by default), `THROWPROOF_SEED` for others
//! than the usual ones, `THROWPROOF_ONLY=cause` for one cause. Every case prints its seed with
//! `THROWPROOF_TELL=1`. Cases are worked out on all cores; with `THROWPROOF_CORES=1` one after
//! the other, so that none of them waits for another and times are what an operator sees.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of tests fail by panic, an evaluation prints its table"
)]

#[path = "diagnose/hidden.rs"]
mod hidden;
#[path = "diagnose/other.rs"]
mod other;
#[path = "diagnose/parted.rs"]
mod parted;
#[path = "diagnose/tally.rs"]
mod tally;

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use hidden::{Case, Errs, Hidden, World};
use parted::not_parted;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tally::{Outcome, Tally};
use throwproof::diagnose::belief::Options;
use throwproof::diagnose::cause::{self, Cause};
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::diagnose::{Diagnosis, Kind, Next};

/// Tests in the order of a checklist: one or all of a decoder, one way or both, by hand, lamp on
/// the output, the drive by itself, addresses beside and four away, alone and with others, rested
/// and rapid. Common practice, no source.
const CHECKLIST: [Test; 27] = [
    Test::Mate,
    Test::SupplyMate,
    Test::Elsewhere,
    Test::Again,
    Test::ByHand,
    Test::LampOnOutput,
    Test::Unhook,
    Test::Ohms,
    Test::Nearby,
    Test::FourUp,
    Test::FourDown,
    Test::Together,
    Test::Rested,
    Test::Rapid,
    Test::Volts,
    Test::DecoderLight,
    Test::SwapLeads,
    Test::Default,
    Test::Extended,
    Test::Burst,
    Test::Unreleased,
    Test::Listen,
    Test::Touch,
    Test::OhmsAtDrive,
    Test::VoltsAtSupply,
    Test::Cycle,
    Test::Reteach,
];

/// How the next test is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Chooser {
    Most,
    Checklist,
    Random,
}

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap())
}

/// The time, for how long a choice takes.
#[expect(
    clippy::disallowed_methods,
    reason = "what is measured is the program itself"
)]
fn moment() -> Instant {
    Instant::now()
}

/// The next test by a list instead of by what it tells.
fn from_list(diagnosis: &Diagnosis, list: &[Test]) -> Next {
    let offered = diagnosis.offered();
    let asked = diagnosis.asked();
    let mut left = list.iter().filter(|it| offered.contains(it));
    match left.find(|it| !asked.contains(it)) {
        Some(test) if !diagnosis.is_sure() => Next::Test(*test),
        _ => Next::Done(diagnosis.conclusion()),
    }
}

/// Diagnoses a case to its end, once.
fn diagnose(case: &mut Case, chooser: Chooser, mended: &[&'static str]) -> Outcome {
    let swept = case.sweep();
    let options = Options {
        mended: mended.to_vec(),
        ..Options::default()
    };
    let began = moment();
    let mut diagnosis = Diagnosis::new(&case.plan, case.target, &swept, &options);
    let beginning = began.elapsed();
    // From an answer to the next question: what is learnt from the answer, and the choice.
    let (mut slowest, mut learning) = (Duration::ZERO, Duration::ZERO);
    let mut told = Vec::new();
    let mut list = CHECKLIST;
    if chooser == Chooser::Random {
        let mut rng = ChaCha8Rng::seed_from_u64(case.seed);
        for at in (1..list.len()).rev() {
            list.swap(at, usize::try_from(rng.next_u32()).unwrap() % (at + 1));
        }
    }
    let conclusion = loop {
        let began = moment();
        let next = match chooser {
            Chooser::Most => diagnosis.choose(),
            Chooser::Checklist | Chooser::Random => from_list(&diagnosis, &list),
        };
        slowest = slowest.max(learning + began.elapsed());
        match next {
            Next::Done(conclusion) => break conclusion,
            Next::Test(test) => {
                let answer = case.answer(test);
                let began = moment();
                diagnosis.tell(test, answer);
                learning = began.elapsed();
                told.push((test, answer));
            }
        }
    };
    let not_parted = if conclusion.kind == Kind::Remain && case.is_told_truly() {
        not_parted(case, &swept, &told)
    } else {
        case.truth.iter().copied().collect()
    };
    let said = match conclusion.kind {
        Kind::Named => conclusion.named(),
        Kind::Remain | Kind::NoneFits => &conclusion.causes,
    };
    let named: Vec<&'static str> = said.iter().map(|it| it.cause.name).collect();
    let share = conclusion.causes.first().map_or(0.0, |it| it.share);
    if std::env::var("THROWPROOF_TELL").is_ok() {
        println!(
            "seed {} {} {:?}: {:?} {named:?} {share:.3}, none {:.3}, two {:.3}; not parted \
             {not_parted:?}, by {:?}; {:?}",
            case.seed,
            case.label,
            case.truth,
            conclusion.kind,
            conclusion.none_fits,
            conclusion.of_two,
            conclusion.parting.as_ref().map(|it| it.test),
            diagnosis
                .belief()
                .learnt()
                .iter()
                .map(|it| (it.source, it.answer))
                .collect::<Vec<_>>(),
        );
    }
    Outcome {
        truth: case.truth.clone(),
        kind: conclusion.kind,
        named,
        share,
        not_parted,
        has_parting: conclusion.parting.is_some(),
        questions: diagnosis.asked().len(),
        beginning,
        slowest,
    }
}

/// Cases of that kind, from seeds of their own, and what is made of each, in the order of seeds.
fn cases<T: Send>(
    count: u64,
    (hidden, errs, world): (Hidden, Errs, World),
    make: impl Fn(&mut Case) -> T + Sync,
) -> Vec<T> {
    let only = std::env::var("THROWPROOF_ONLY").ok();
    let next = AtomicU64::new(number("THROWPROOF_SEED", 1) * 1_000_000 + 1);
    let gathered: Mutex<BTreeMap<u64, T>> = Mutex::default();
    // Every seed that somebody began is worked out, so that the first ones are always the same.
    let work = || {
        while (gathered.lock().unwrap().len() as u64) < count {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            let case = Case::new(seed, hidden, errs, world);
            let fits = |case: &Case| {
                let only = only.as_ref();
                only.is_none_or(|only| case.truth.contains(&only.as_str()))
            };
            if let Some(mut case) = case.filter(fits) {
                let one = make(&mut case);
                gathered.lock().unwrap().insert(seed, one);
            }
        }
    };
    let all = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let cores = number("THROWPROOF_CORES", all.try_into().unwrap());
    std::thread::scope(|scope| {
        for _ in 0..cores.min(count) {
            scope.spawn(work);
        }
    });
    let in_order = gathered.into_inner().unwrap().into_values();
    in_order.take(usize::try_from(count).unwrap()).collect()
}

fn run(count: u64, hidden: Hidden, errs: Errs, chooser: Chooser) -> Tally {
    run_in(World::Usual, count, hidden, errs, chooser)
}

fn run_in(world: World, count: u64, hidden: Hidden, errs: Errs, chooser: Chooser) -> Tally {
    let outcomes = cases(count, (hidden, errs, world), |case| {
        let outcome = diagnose(case, chooser, &[]);
        let is_outside = matches!(hidden, Hidden::FarOutside | Hidden::Unlike);
        if is_outside && outcome.kind == Kind::Named && !outcome.is_right() {
            let Outcome { truth, named, .. } = &outcome;
            println!(
                "seed {}, {}: {named:?} instead of {truth:?}",
                case.seed, case.label
            );
        }
        outcome
    });
    let tally = Tally { outcomes };
    println!("{world:?}, {hidden:?}, wrong answers {errs:?}, {chooser:?}:");
    println!("{}", tally.table());
    tally
}

#[test]
fn one_fault_is_named() {
    let count = number("THROWPROOF_DIAGNOSES", 4);
    let one = Hidden::Causes(1);
    let tally = run(count, one, Errs::Never, Chooser::Most);
    draw(&tally, "diagnose-reliability.svg", "One fault");
    assert!(tally.right() >= at_least(count, 0.95), "{}", tally.table());
    assert!(count < MANY || tally.questions(0.5) <= 4);
    assert!(count < MANY || tally.questions(0.95) <= 8);
}

#[test]
fn one_fault_is_named_elsewhere_too() {
    let count = number("THROWPROOF_DIAGNOSES", 4);
    let one = Hidden::Causes(1);
    let tally = run_in(World::Other, count, one, Errs::Never, Chooser::Most);
    draw(
        &tally,
        "diagnose-reliability-elsewhere.svg",
        "One fault, other layouts and figures",
    );
    assert!(tally.right() >= at_least(count, 0.92), "{}", tally.table());
    assert!(count < MANY || tally.questions(0.5) <= 5);
}

/// So many cases say something about a share.
const MANY: u64 = 200;

/// What a share has to be: of a few cases one may be the odd one out.
fn at_least(count: u64, share: f64) -> f64 {
    if count < MANY { 0.65 } else { share }
}

/// Draws how far confidence can be relied on, into the build's directory.
fn draw(tally: &Tally, file: &str, title: &str) {
    let directory = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
    let path = directory.parent().unwrap_or(directory).join(file);
    std::fs::write(path, tally.picture(title)).unwrap();
}

/// Every row of the tables is a state that these layouts can have, so that it is hidden now and
/// then.
#[test]
fn every_cause_can_be_hidden() {
    let mut left: Vec<&Cause> = cause::all().collect();
    for seed in 0..600 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let world = [World::Usual, World::Other][usize::from(seed % 2 == 1)];
        let plan = world.plan(&mut rng);
        let target = usize::try_from(rng.next_u32()).unwrap() % plan.turnouts.len();
        let site = Site::of(&plan, target);
        left.retain(|it| world.state(it, &site, &mut rng).is_none());
    }
    let left: Vec<&str> = left.iter().map(|it| it.name).collect();
    assert!(left.is_empty(), "never hidden: {left:?}");
}

#[test]
fn a_person_may_be_wrong() {
    let count = number("THROWPROOF_DIAGNOSES", 2);
    let one = Hidden::Causes(1);
    let tally = run(count, one, Errs::OneInTwenty, Chooser::Most);
    assert!(tally.right() >= 0.5, "{}", tally.table());
}

#[test]
fn nothing_wrong_is_said_so() {
    let count = number("THROWPROOF_DIAGNOSES", 2).min(500);
    let tally = run(count, Hidden::Nothing, Errs::Never, Chooser::Most);
    assert!(tally.right() >= 0.75, "{}", tally.table());
}

#[test]
fn what_no_cause_explains_is_not_named_with_confidence() {
    let count = number("THROWPROOF_DIAGNOSES", 2).min(200);
    let tally = run(count, Hidden::FarOutside, Errs::Never, Chooser::Most);
    assert!(tally.confidently_wrong() <= 0.25, "{}", tally.table());
}

/// Nothing that a person answers contradicts many of these: they are told how often, and kept from
/// getting worse.
#[test]
fn what_is_unlike_the_model_is_seldom_named_with_confidence() {
    let count = number("THROWPROOF_DIAGNOSES", 2).min(200);
    let tally = run(count, Hidden::Unlike, Errs::Never, Chooser::Most);
    let most = if count < MANY { 1.0 } else { 0.4 };
    assert!(tally.confidently_wrong() <= most, "{}", tally.table());
}

#[test]
fn lists_need_more_questions() {
    let count = number("THROWPROOF_DIAGNOSES", 2).min(500);
    let one = Hidden::Causes(1);
    let [most, checklist, random] = [Chooser::Most, Chooser::Checklist, Chooser::Random]
        .map(|chooser| run(count, one, Errs::Never, chooser).mean_questions());
    assert!(most < checklist && most < random);
}

/// One after the other: what is named is mended, and what still fails diagnosed anew.
#[test]
fn two_faults_are_both_named() {
    let count = number("THROWPROOF_DIAGNOSES", 2).min(500);
    let two = (Hidden::Causes(2), Errs::Never, World::Usual);
    let ends = cases(count, two, |case| {
        let truth = case.truth.clone();
        let mut mended: Vec<&'static str> = Vec::new();
        let mut rounds = Vec::new();
        for _ in 0..4 {
            if case.truth.is_empty() {
                break;
            }
            let outcome = diagnose(case, Chooser::Most, &mended);
            let named: &[&'static str] = match outcome.kind {
                Kind::Named => &outcome.named,
                Kind::Remain if outcome.named.len() <= 4 => &outcome.named,
                Kind::Remain | Kind::NoneFits => &[],
            };
            for name in named {
                case.mend(name);
                mended.push(name);
            }
            rounds.push(outcome);
        }
        if !case.truth.is_empty() {
            println!(
                "seed {}: of {truth:?} left {:?}, mended {mended:?}",
                case.seed, case.truth
            );
        }
        (case.truth.is_empty(), rounds)
    });
    let (both, rounds): (Vec<bool>, Vec<Vec<Outcome>>) = ends.into_iter().unzip();
    let outcomes = rounds.into_iter().flatten().collect();
    println!("{}", Tally { outcomes }.table());
    let (all, both) = (both.len(), both.into_iter().filter(|it| *it).count());
    println!("two faults: both named in {both} of {all}");
    assert!(10 * both >= 6 * all);
}

fn command(args: &[&str]) -> assert_cmd::Command {
    let mut command = assert_cmd::Command::cargo_bin("throwproof").unwrap();
    command
        .env("THROWPROOF_RECORD", "none")
        .arg("diagnose")
        .arg("fixtures/faults/plan.toml")
        .args(args);
    command
}

fn as_built(text: &str) -> tempfile::NamedTempFile {
    let file = tempfile::NamedTempFile::with_suffix(".toml").unwrap();
    std::fs::write(file.path(), text).unwrap();
    file
}

/// The last line of JSON, and how the program ended.
fn concluded(id: &str, fault: &str) -> (serde_json::Value, i32) {
    let file = as_built(fault);
    let path = file.path().to_str().unwrap();
    let output = command(&[id, "--as-built", path, "--format", "json"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let schema = include_str!("../docs/schema/events.schema.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    for line in text.lines() {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(validator.is_valid(&line), "{line}");
    }
    let last = text.lines().last().unwrap();
    (
        serde_json::from_str(last).unwrap(),
        output.status.code().unwrap(),
    )
}

#[test]
fn the_program_names_a_cause_on_the_simulated_track() {
    let (last, code) = concluded("A1", "[turnout.A1]\nleads_swapped = true\n");
    assert_eq!(code, 1);
    assert_eq!(last["event"], "diagnosis");
    assert_eq!(last["kind"], "named");
    assert_eq!(last["causes"][0]["cause"], "leads-swapped");
    assert!(
        !last["causes"][0]["speaks_for"]
            .as_array()
            .unwrap()
            .is_empty()
    );
}

#[test]
fn the_program_asks_the_operator_and_takes_no_nonsense() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("plan.record");
    let told = command(&["A1", "--hands", "--record", record.to_str().unwrap()])
        .write_stdin("9\nx\n7\n1\nq\n")
        .assert()
        .code(4);
    let text = String::from_utf8(told.get_output().stderr.clone()).unwrap();
    assert!(text.contains("`9` is none of the answers"), "{text}");
    assert!(text.contains("1. "), "{text}");
    command(&["A11"]).assert().code(2);
    command(&["A1", "--hands", "--as-built", "nowhere.toml"])
        .assert()
        .code(2);
}

#[test]
fn turnouts_with_several_drives_stand_in_nobodys_way() {
    let run = |id: &str| {
        let output = assert_cmd::Command::cargo_bin("throwproof")
            .unwrap()
            .env("THROWPROOF_RECORD", "none")
            .args(["diagnose", "fixtures/shapes/plan.toml", id])
            .output()
            .unwrap();
        let told = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        (output.status.code(), told)
    };
    let (code, told) = run("T1");
    assert_eq!(code, Some(0));
    assert!(told.contains("sees nothing fail"), "{told}");
    // A motor pair on one output, amid boards with several drives.
    let (_, told) = run("X2");
    let first = told
        .lines()
        .find(|line| line.starts_with("X2: ") && line.contains('%'));
    assert!(
        first.is_some_and(|it| it.contains("nothing-wrong")),
        "{told}"
    );
}
