//! How long a diagnosis takes to begin and to choose its questions.
//!
//! First a table over random diagnoses of large plans (`THROWPROOF_DIAGNOSES` for how many): how
//! long the beginning took, the first choice, and each later one together with what was learnt
//! from the answer before it, against the limits. Then one plan of 64 turnouts again and again.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    dead_code,
    reason = "a benchmark fails by panic and prints its table, and needs but some of its helpers"
)]

#[path = "../tests/diagnose/hidden.rs"]
mod hidden;
#[path = "../tests/diagnose/other.rs"]
mod other;

use std::fmt::Write as _;
use std::time::{Duration, Instant};

use divan::Bencher;
use throwproof::diagnose::belief::Options;
use throwproof::diagnose::sight::{Motion, Other};
use throwproof::diagnose::{Diagnosis, Next, Swept};
use throwproof::plan::Plan;

use hidden::{Case, Errs, Hidden, World};

/// No choice should take longer, nor a beginning.
const CHOICE: Duration = Duration::from_millis(100);
const BEGINNING: Duration = Duration::from_millis(500);

/// Plans of fewer turnouts are not in the table.
const LARGE: usize = 48;

fn main() {
    let is_test = std::env::args().any(|it| it == "--test");
    if !is_test {
        table();
    }
    divan::main();
}

#[expect(
    clippy::disallowed_methods,
    reason = "what is measured is the program itself"
)]
fn moment() -> Instant {
    Instant::now()
}

/// Random diagnoses of large plans, one after the other.
fn table() {
    let count = std::env::var("THROWPROOF_DIAGNOSES").map_or(60, |it| it.parse().unwrap());
    let [mut begun, mut first, mut later] = [Vec::new(), Vec::new(), Vec::new()];
    let seeds = 5_000_000..;
    let cases = seeds.filter_map(|seed| {
        Case::new(seed, Hidden::Causes(1), Errs::OneInTwenty, World::Usual)
            .filter(|case| case.plan.turnouts.len() >= LARGE)
    });
    for mut case in cases.take(count) {
        let swept = case.sweep();
        let start = moment();
        let mut diagnosis = Diagnosis::new(&case.plan, case.target, &swept, &Options::default());
        begun.push(start.elapsed());
        let start = moment();
        let mut next = diagnosis.choose();
        first.push(start.elapsed());
        while let Next::Test(test) = next {
            let answer = case.answer(test);
            let start = moment();
            diagnosis.tell(test, answer);
            next = diagnosis.choose();
            later.push(start.elapsed());
        }
    }
    for (what, mut times, limit) in [
        ("beginning", begun, BEGINNING),
        ("first choice", first, CHOICE),
        ("later choice", later, CHOICE),
    ] {
        times.sort_unstable();
        let at = |of_100: usize| times[(times.len() - 1) * of_100 / 100];
        println!(
            "{what}: {} times, median {:?}, p99 {:?}, which is {:.2} of the limit of {limit:?}",
            times.len(),
            at(50),
            at(99),
            at(99).as_secs_f64() / limit.as_secs_f64(),
        );
    }
}

/// 64 turnouts on eight decoders and two supplies.
fn plan() -> Plan {
    let mut text = String::from("[layout]\nname = \"Bench\"\n");
    for supply in 0..2 {
        let _ = write!(
            text,
            "[supply.s{supply}]\nkind = \"separate\"\nvolts = 16.0\namps = 4.0\n"
        );
    }
    for decoder in 0..8 {
        let _ = write!(
            text,
            "[decoder.d{decoder}]\noutputs = 8\nfirst_address = {}\nsupply = \"s{}\"\n\
             output_kind = \"pulse\"\npulse_ms = 150\n",
            decoder * 8 + 9,
            decoder % 2
        );
    }
    for turnout in 0..64 {
        let _ = write!(
            text,
            "[[turnout]]\nid = \"T{turnout}\"\nshape = \"left\"\ndecoder = \"d{}\"\noutput = {}\n\
             drive = \"twin-coil\"\n",
            turnout / 8,
            turnout % 8 + 1
        );
    }
    Plan::from_text("bench.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

/// A turnout that never moved.
fn still() -> [Swept; 1] {
    [Swept {
        turnout: 20,
        motion: Motion::Still,
        other: Other::Nothing,
        others: Vec::new(),
    }]
}

#[divan::bench(sample_count = 10)]
fn begin(bencher: Bencher) {
    let plan = plan();
    bencher.bench_local(|| Diagnosis::new(&plan, 20, &still(), &Options::default()));
}

#[divan::bench(sample_count = 20)]
fn choose_first(bencher: Bencher) {
    let plan = plan();
    bencher
        .with_inputs(|| Diagnosis::new(&plan, 20, &still(), &Options::default()))
        .bench_local_values(|mut diagnosis| diagnosis.choose());
}

#[divan::bench(sample_count = 20)]
fn learn_and_choose_next(bencher: Bencher) {
    let plan = plan();
    bencher
        .with_inputs(|| {
            let mut diagnosis = Diagnosis::new(&plan, 20, &still(), &Options::default());
            let next = diagnosis.choose();
            (diagnosis, next)
        })
        .bench_local_values(|(mut diagnosis, next)| {
            if let Next::Test(test) = next {
                diagnosis.tell(test, test.answers()[0]);
            }
            diagnosis.choose()
        });
}
