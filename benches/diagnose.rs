//! How long a diagnosis takes to begin and to choose its first question, on 64 turnouts.
#![expect(clippy::panic, reason = "a benchmark fails by panic")]

use std::fmt::Write as _;

use divan::Bencher;
use throwproof::diagnose::belief::Options;
use throwproof::diagnose::sight::{Motion, Other};
use throwproof::diagnose::{Diagnosis, Swept};
use throwproof::plan::Plan;

fn main() {
    divan::main();
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
