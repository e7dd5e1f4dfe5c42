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

/// What the file says, and the verdict of each turnout that is not proved.
const FAULTS: &[(&str, &str, &str)] = &[
    ("nothing wrong", "", ""),
    (
        "output leads swapped",
        "[turnout.A1]\nleads_swapped = true",
        "A1 reversed",
    ),
    (
        "wrong address",
        "[decoder.B]\nfirst_address = 101",
        "B1 still",
    ),
    (
        "still at its default block",
        "[decoder.B]\ntaught = false",
        "B1 still",
    ),
    (
        "four up",
        "[decoder.A]\naddress_offset = 4",
        "A1 still, A2 still, A3 still",
    ),
    (
        "four down",
        "[decoder.A]\naddress_offset = -4",
        "A1 still, A2 still, A3 still",
    ),
    (
        "coil for straight open",
        "[turnout.A1]\nstraight_coil = \"open\"",
        "A1 one-way",
    ),
    (
        "coil for diverging open",
        "[turnout.A1]\ndiverging_coil = \"open\"",
        "A1 one-way",
    ),
    ("output dead", "[turnout.A1]\noutput = \"dead\"", "A1 still"),
    (
        "half of an output dead",
        "[turnout.A1]\noutput = \"half-0-dead\"",
        "A1 one-way",
    ),
    (
        "decoder without feed",
        "[decoder.A]\nfeed = false",
        "A1 still, A2 still, A3 still",
    ),
    (
        "leads of two turnouts exchanged",
        "[turnout.A1]\nexchanged_with = \"A2\"",
        "A1 stray, A2 stray",
    ),
    (
        "two decoders at one address",
        "[decoder.B]\nfirst_address = 9",
        "A1 stray, B1 still",
    ),
    ("blades stiff", "[turnout.A1]\nfriction = 1.5", "A1 still"),
    (
        "blades stiff one way",
        "[turnout.A1]\nfriction_to_diverging = 1.5",
        "A1 one-way",
    ),
    (
        "blades stop short",
        "[turnout.A1]\nblades_stop_at = 0.8",
        "A1 partial",
    ),
    ("linkage off", "[turnout.A1]\nlinkage = \"off\"", "A1 still"),
    (
        "pulse too short",
        "[decoder.B]\npulse_ms = 4",
        "B1 partial|still",
    ),
    (
        "supply too weak for two at once",
        "[supply.bench]\ninternal_ohms = 6.5",
        "A3 still|partial",
    ),
    (
        "supply tripping",
        "[supply.bench]\ntrip_amps = 0.5\ntrip_ms = 5",
        "A1 still, A2 still, A3 still, B1 still",
    ),
    (
        "capacitor not recharged",
        "[supply.store]\ncapacitor_charge_ohms = 1500",
        "C1 partial|one-way|still",
    ),
    (
        "decoder in extended mode",
        "[decoder.B]\nformat = \"extended\"",
        "B1 still",
    ),
    (
        "decoder that needs the release",
        "[decoder.B]\npulse_ms = 0",
        "",
    ),
    (
        "output stuck active",
        "[turnout.A1]\noutput = \"half-1-stuck\"",
        "A1 one-way|still",
    ),
    (
        "position contact inverted",
        "[turnout.A1]\ncontact = \"inverted\"",
        "",
    ),
    (
        "position contact dead",
        "[turnout.A1]\ncontact = \"dead\"",
        "",
    ),
    (
        "noisy rails at one decoder",
        "[decoder.B]\npacket_loss = 0.97",
        "B1 still|partial|one-way",
    ),
];

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
