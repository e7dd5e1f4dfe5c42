//! How long it takes to load and to check a plan of every address.

#[path = "../tests/support/big_plan.rs"]
mod big_plan;

use divan::Bencher;
use divan::counter::BytesCount;
use throwproof::check;
use throwproof::plan::{Draft, Plan};
use throwproof::textfile::TextFile;

fn main() {
    divan::main();
}

/// From text to a plan that can be driven: 2,048 turnouts on 256 decoders.
#[divan::bench]
fn load_2048_turnouts(bencher: Bencher<'_, '_>) {
    let text = big_plan::big_plan("linear");
    bencher
        .counter(BytesCount::of_str(&text))
        .bench(|| Plan::from_text("big.toml", &text).map(|plan| plan.turnouts.len()));
}

/// Every finding of that plan.
#[divan::bench]
fn check_2048_turnouts(bencher: Bencher<'_, '_>) {
    let file = TextFile::from_text("big.toml", big_plan::big_plan("linear"));
    let draft = Draft::parse(file).expect("the plan is sound");
    bencher.bench(|| check::findings(&draft).len());
}
