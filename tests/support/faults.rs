//! Each fault alone on the fault bench, for every way to sweep it.

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;

use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Event, EventKind};
use throwproof::plan::Plan;
use throwproof::sweep::stop::StopToken;
use throwproof::sweep::{Options, Sweep};
use throwproof::textfile::TextFile;
use throwproof::track;
use throwproof::track::as_built::AsBuilt;
use throwproof::verdict::Verdict;

/// What the file says, and the verdict of each turnout that is not proved.
pub(crate) const FAULTS: &[(&str, &str, &str)] = &[
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

/// Keeps the verdicts.
#[derive(Default)]
pub(crate) struct Verdicts {
    pub(crate) given: BTreeMap<String, Verdict>,
    /// Looks at a place, and observations of throws that were looked at one by one.
    pub(crate) surveys: usize,
    pub(crate) asked: i64,
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

/// Sweeps that track, by place or one by one.
pub(crate) fn sweep(plan: &Plan, as_built: &AsBuilt, seed: u64, by_place: bool) -> Verdicts {
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
            by_place,
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

/// What is really there.
pub(crate) fn as_built(plan: &Plan, text: &str) -> AsBuilt {
    AsBuilt::parse(TextFile::from_text("fault.toml", text), plan)
        .unwrap_or_else(|error| panic!("{error}"))
}

/// Holds each fault alone, for every seed, to its verdicts.
pub(crate) fn each_gives_its_verdicts(plan: &Plan, seeds: &Range<u64>, by_place: bool) {
    let mut wrong = Vec::new();
    for (name, text, expected) in FAULTS {
        let as_built = as_built(plan, text);
        for seed in seeds.clone() {
            let found = sweep(plan, &as_built, seed, by_place);
            assert_eq!(found.surveys > 0, by_place);
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
