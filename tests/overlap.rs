//! Several throws at a time with position reports: as quick as the supplies allow, and no fault
//! that a sweep one by one finds is missed.
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
use throwproof::sweep::{Options, Summary, Sweep};
use throwproof::textfile::TextFile;
use throwproof::track;
use throwproof::track::as_built::AsBuilt;
use throwproof::verdict::Verdict;
use throwproof::witness::Witness;
use throwproof::witness::reports::Reports;

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
            let before = self.0.insert(subject.id().to_string(), *verdict);
            assert_eq!(before, None, "two verdicts on one turnout");
        }
        Ok(())
    }
}

/// That many turnouts with position reports on that many supplies, eight outputs a decoder.
fn plan(turnouts: usize, supplies: usize) -> Plan {
    let mut text = String::from("[layout]\nname = \"Together\"\n");
    for supply in 0..supplies {
        let _ = write!(
            text,
            "[supply.s{supply}]\nkind = \"separate\"\nvolts = 16.0\namps = 4.0\n"
        );
    }
    for decoder in 0..turnouts.div_ceil(8) {
        let (first, supply) = (decoder * 8 + 1, decoder * supplies / turnouts.div_ceil(8));
        let _ = write!(
            text,
            "[decoder.d{decoder}]\noutputs = 8\nfirst_address = {first}\nsupply = \"s{supply}\"\n"
        );
    }
    for turnout in 0..turnouts {
        let (decoder, output) = (turnout / 8, turnout % 8 + 1);
        let _ = write!(
            text,
            "[[turnout]]\nid = \"t{turnout}\"\nshape = \"left\"\ndecoder = \"d{decoder}\"\n\
             output = {output}\nposition_reports = true\n"
        );
    }
    Plan::from_text("together.toml", &text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn sweep(
    plan: &Plan,
    as_built: &str,
    by_reports: bool,
    seed: u64,
) -> (BTreeMap<String, Verdict>, Summary) {
    let as_built = TextFile::from_text("as-built.toml", as_built);
    let as_built = AsBuilt::parse(as_built, plan).unwrap_or_else(|error| panic!("{error}"));
    let (mut link, mut eyes) = track::open(plan, &as_built, seed);
    let mut reports = Reports::new(None);
    let witness: &mut dyn Witness = if by_reports { &mut reports } else { &mut eyes };
    let mut verdicts = Verdicts::default();
    let mut hub = Hub::new();
    hub.add_essential(&mut verdicts);
    let options = Options::default();
    let stop = StopToken::never();
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness,
        hub: &mut hub,
        stop,
        options,
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let summary = runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    (verdicts.0, summary)
}

#[test]
fn sixty_four_turnouts_on_four_supplies_take_little_more_than_they_must() {
    let plan = plan(64, 4);
    let (verdicts, summary) = sweep(&plan, "", true, 1);
    assert_eq!(verdicts.len(), 64);
    assert_eq!(summary.proved, 64, "{verdicts:?}");
    let (took, bound) = summary.together.unwrap();
    let ratio = took.as_secs_f64() / bound.as_secs_f64();
    assert!(
        (1.0..=1.10).contains(&ratio),
        "{took:?} for {bound:?}: {ratio:.3}"
    );
    let (_, one_by_one) = sweep(&plan, "", false, 1);
    assert!(
        summary.elapsed < one_by_one.elapsed / 3,
        "{:?}",
        one_by_one.elapsed
    );
}

/// Faults that a witness of position reports can see, each alone; the two witnesses must agree.
const FAULTS: &[&str] = &[
    "",
    "[turnout.t3]\nleads_swapped = true",
    "[turnout.t3]\noutput = \"dead\"",
    "[turnout.t3]\nblades_stop_at = 0.8",
    "[turnout.t3]\nfriction = 1.5",
    "[turnout.t3]\nexchanged_with = \"t4\"",
    "[turnout.t3]\nexchanged_with = \"t12\"",
    "[turnout.t0]\nexchanged_with = \"t8\"",
    "[decoder.d1]\nfirst_address = 1",
    "[decoder.d1]\nfirst_address = 101",
    "[decoder.d1]\nfeed = false",
    "[decoder.d0]\naddress_offset = 4",
    "[decoder.d0]\nformat = \"extended\"",
];

#[test]
fn what_is_thrown_together_is_found_as_one_by_one() {
    let plan = plan(16, 2);
    for fault in FAULTS {
        for seed in 0..4 {
            let (together, _) = sweep(&plan, fault, true, seed);
            let (one_by_one, _) = sweep(&plan, fault, false, seed);
            assert_eq!(together, one_by_one, "{fault}, seed {seed}");
        }
    }
}

/// Keeps all events.
#[derive(Default)]
struct Log(Vec<Event>);

impl Sink for &mut Log {
    fn name(&self) -> &'static str {
        "log"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        self.0.push(event.clone());
        Ok(())
    }
}

/// Carries on by reports what those events came to; all events, and how many verdicts of each kind
/// there are in the end.
fn carry_on(plan: &Plan, kept: &[Event]) -> (Vec<Event>, BTreeMap<String, Verdict>) {
    let fault = TextFile::from_text("as-built.toml", "[turnout.t3]\noutput = \"dead\"\n");
    let as_built = AsBuilt::parse(fault, plan).unwrap_or_else(|error| panic!("{error}"));
    let (mut link, _) = track::open(plan, &as_built, 1);
    let mut witness = Reports::new(None);
    let mut log = Log::default();
    let mut verdicts = Verdicts::default();
    let mut hub = Hub::new();
    hub.add_essential(&mut log);
    hub.add_essential(&mut verdicts);
    let mut options = Options::default();
    options.so_far.take_run(plan, &|_| true, kept);
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop: StopToken::never(),
        options,
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    (log.0, verdicts.0)
}

#[test]
fn cut_anywhere_it_comes_to_the_same() {
    let plan = plan(6, 2);
    let (uncut, verdicts) = carry_on(&plan, &[]);
    assert_eq!(verdicts["t3"], Verdict::Still);
    for at in 0..uncut.len() {
        let (_, carried_on) = carry_on(&plan, &uncut[..at]);
        assert_eq!(carried_on, verdicts, "cut at {at}");
    }
}

/// What only the reports get wrong: the blades are right.
#[test]
fn a_wrong_contact_is_found_by_reports_alone() {
    let plan = plan(16, 2);
    for (contact, verdict) in [("inverted", Verdict::Reversed), ("dead", Verdict::Still)] {
        let fault = format!("[turnout.t5]\ncontact = \"{contact}\"");
        let (verdicts, _) = sweep(&plan, &fault, true, 1);
        for (id, found) in verdicts {
            let expected = if id == "t5" { verdict } else { Verdict::Proved };
            assert_eq!(found, expected, "{contact}: {id}");
        }
    }
}
