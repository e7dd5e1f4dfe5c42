//! The fault matrix by place: looked at all together, every fault ends as it does one by one.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io;

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
struct Verdicts {
    given: BTreeMap<String, Verdict>,
    /// Looks at a place, and observations of throws that were looked at one by one.
    surveys: usize,
    asked: i64,
}

impl Sink for &mut Verdicts {
    fn name(&self) -> &'static str {
        "verdicts"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Verdict {
            subject, verdict, ..
        } = &event.kind
        {
            self.given.insert(subject.id().to_string(), *verdict);
        } else if let EventKind::Surveyed { members, .. } = &event.kind {
            self.surveys += 1;
            self.asked -= i64::try_from(members.len()).unwrap();
        } else if let EventKind::Observation { .. } = &event.kind {
            self.asked += 1;
        }
        Ok(())
    }
}

fn sweep(plan: &Plan, as_built: &AsBuilt, seed: u64) -> Verdicts {
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
        options: Options {
            by_place: true,
            ..Options::default()
        },
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    verdicts
}

/// The fault bench, all of it at one place.
fn plan() -> Plan {
    let text = std::fs::read_to_string("fixtures/faults/plan.toml").unwrap();
    let text = text.replace("[[turnout]]\n", "[[turnout]]\nplace = \"Bench\"\n");
    Plan::from_text("fixtures/faults/plan.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

fn as_built(plan: &Plan, text: &str) -> AsBuilt {
    AsBuilt::parse(TextFile::from_text("fault.toml", text), plan)
        .unwrap_or_else(|error| panic!("{error}"))
}

const SEEDS: std::ops::Range<u64> = 0..3;

#[test]
fn each_fault_alone_ends_as_it_does_one_by_one() {
    let plan = plan();
    let mut wrong = Vec::new();
    for (name, text, expected) in FAULTS {
        let as_built = as_built(&plan, text);
        for seed in SEEDS {
            let found = sweep(&plan, &as_built, seed);
            assert!(found.surveys > 0);
            let found = found.given;
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

/// A hundred turnouts in ten places.
fn hundred() -> Plan {
    let mut text = String::from("[layout]\nname = \"Hundred\"\n");
    for turnout in 0..100 {
        let (address, place) = (turnout + 1, turnout / 10);
        let _ = write!(
            text,
            "[[turnout]]\nid = \"t{turnout}\"\nshape = \"left\"\naddress = {address}\n\
             place = \"p{place}\"\n"
        );
    }
    Plan::from_text("hundred.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn a_hundred_turnouts_in_ten_places_take_sixty_looks() {
    let plan = hundred();
    let found = sweep(&plan, &AsBuilt::default(), 1);
    assert!(found.given.values().all(|one| *one == Verdict::Proved));
    assert_eq!((found.surveys, found.asked), (60, 0));
}

#[test]
fn two_that_move_each_other_are_found_at_one_place_and_across_two() {
    let plan = hundred();
    for other in ["t3", "t55"] {
        let text = format!("[turnout.t7]\nexchanged_with = \"{other}\"\n");
        let found = sweep(&plan, &as_built(&plan, &text), 1);
        let failed = found.given.iter().filter(|(_, one)| one.is_failure());
        let failed: Vec<_> = failed.map(|(id, one)| (id.as_str(), *one)).collect();
        let mut expected = [("t7", Verdict::Stray), (other, Verdict::Stray)];
        expected.sort_unstable();
        assert_eq!(failed, expected);
    }
}
