//! The fault matrix: each fault alone on a small plan, and the verdicts that a sweep comes to.
//!
//! What each fault is physically stands in DEVELOPERS.md; which verdict it must give follows
//! from what such a fault shows in practice (fault catalogues are common practice, no source).
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::path::Path;

use throwproof::plan::Plan;

#[path = "support/faults.rs"]
mod faults;

fn plan() -> Plan {
    Plan::load(Path::new("fixtures/faults/plan.toml")).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn each_fault_alone_gives_its_verdicts() {
    faults::each_gives_its_verdicts(&plan(), &(0..8), false);
}
