//! A plan, and an as-built file for a sound plan: any text is understood or refused in words.

#![no_main]

use libfuzzer_sys::fuzz_target;
use throwproof::plan::{Draft, Plan};
use throwproof::textfile::TextFile;
use throwproof::track::as_built::AsBuilt;
use throwproof::view::problems;

const PLAN: &str = include_str!("../../fixtures/faults/plan.toml");

fuzz_target!(|text: &str| {
    match Draft::parse(TextFile::from_text("plan.toml", text)) {
        Ok(draft) => drop(throwproof::check::findings(&draft)),
        Err(wrong) => drop(problems::render(&wrong, false)),
    }
    let plan = Plan::from_text("plan.toml", PLAN).expect("the fixture is sound");
    drop(AsBuilt::parse(TextFile::from_text("as-built.toml", text), &plan));
});
