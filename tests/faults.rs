//! The fault matrix: each fault alone on a small plan, and the verdicts that a sweep comes to.
//!
//! What each fault is physically stands in DEVELOPERS.md; which verdict it must give follows
//! from what such a fault shows in practice (fault catalogues are common practice, no source).
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Event, EventKind};
use throwproof::plan::Plan;
use throwproof::sweep::stop::StopToken;
use throwproof::sweep::{Options, Sweep};
use throwproof::textfile::TextFile;
use throwproof::track;
use throwproof::track::as_built::AsBuilt;
use throwproof::verdict::Verdict;

#[path = "support/faults.rs"]
mod faults;

use faults::FAULTS;

/// Keeps the verdicts.
#[derive(Default)]
struct Verdicts(BTreeMap<String, Verdict>);

impl Sink for &mut Verdicts {
    fn name(&self) -> &'static str {
        "verdicts"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Verdict {
            subject, verdict, ..
        } = &event.kind
        {
            self.0.insert(subject.id().to_string(), *verdict);
        }
        Ok(())
    }
}

fn sweep(plan: &Plan, as_built: &AsBuilt, seed: u64) -> BTreeMap<String, Verdict> {
    let (mut link, mut witness) = track::open(plan, as_built, seed);
    let mut verdicts = Verdicts::default();
    let mut hub = Hub::new();
    hub.add_essential(&mut verdicts);
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop: StopToken::never(),
        options: Options::default(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    verdicts.0
}

fn plan() -> Plan {
    Plan::load(Path::new("fixtures/faults/plan.toml")).unwrap_or_else(|error| panic!("{error}"))
}

fn as_built(plan: &Plan, text: &str) -> AsBuilt {
    AsBuilt::parse(TextFile::from_text("fault.toml", text), plan)
        .unwrap_or_else(|error| panic!("{error}"))
}

const SEEDS: std::ops::Range<u64> = 0..8;

#[test]
fn each_fault_alone_gives_its_verdicts() {
    let plan = plan();
    let mut wrong = Vec::new();
    for (name, text, expected) in FAULTS {
        let as_built = as_built(&plan, text);
        for seed in SEEDS {
            let found = sweep(&plan, &as_built, seed);
            assert_eq!(found.len(), plan.turnouts.len() + plan.signals.len());
            let expected: BTreeMap<_, _> = expected
                .split(", ")
                .filter_map(|one| one.split_once(' '))
                .collect();
            for (id, verdict) in &found {
                let allowed = expected.get(id.as_str()).copied().unwrap_or("proved");
                if !allowed.split('|').any(|word| word == verdict.as_str()) {
                    wrong.push(format!(
                        "{name}, seed {seed}: {id} is {verdict}, not {allowed}"
                    ));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
