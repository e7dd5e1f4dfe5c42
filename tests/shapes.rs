//! Turnouts with several drives that are one thing: three-way, slips, scissors, crossovers.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::rc::Rc;
use std::time::Duration;

use assert_cmd::Command;
use async_trait::async_trait;
use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Event, EventKind};
use throwproof::link::{Abilities, Link, LinkError, PositionReport, Taken};
use throwproof::plan::{Id, Plan};
use throwproof::sweep::stop::StopToken;
use throwproof::sweep::{Options, Sweep};
use throwproof::textfile::TextFile;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::{self, Track, TrackLink};
use throwproof::witness::Witness;
use throwproof::witness::reports::Reports;
use throwproof_protocol::address::Position;
use throwproof_protocol::packet::Packet;

const FILE: &str = "fixtures/shapes/plan.toml";
const PLAN: &str = include_str!("../fixtures/shapes/plan.toml");

fn plan() -> Plan {
    Plan::from_text(FILE, PLAN).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The same, with position reports of everything.
fn reporting() -> Plan {
    let text = PLAN.replace("[[turnout]]\n", "[[turnout]]\nposition_reports = true\n");
    Plan::from_text(FILE, &text).unwrap_or_else(|problems| panic!("{problems}"))
}

/// How often the blades are looked at.
const LOOK: Duration = Duration::from_millis(4);

/// A simulated track at whose blades somebody looks all the time.
struct Watched {
    link: TrackLink,
    watch: Rc<RefCell<Watch>>,
}

/// What was seen of the blades.
struct Watch {
    plan: Plan,
    /// Turnouts that lay in an allowed combination at some time.
    was_right: BTreeSet<usize>,
    /// And then in one that could be a forbidden one.
    wrong: Vec<String>,
}

/// Every combination in which drives may lie of which some are on their way.
fn possible(lies: &[Option<Position>]) -> Vec<Vec<Position>> {
    lies.iter().fold(vec![Vec::new()], |begun, one| {
        let both = [Position::Straight, Position::Diverging];
        let each = one.map_or(both.to_vec(), |one| vec![one]);
        let longer = begun.iter().flat_map(|begun| {
            let each = each.iter();
            each.map(|one| [begun.as_slice(), &[*one]].concat())
        });
        longer.collect()
    })
}

impl Watch {
    fn look(&mut self, track: &Track) {
        for (at, turnout) in self.plan.turnouts.iter().enumerate() {
            let Some(joint) = turnout.joint.as_ref().filter(|joint| !joint.free_passage) else {
                continue;
            };
            let lies = track.drives_lie(at);
            let possible = possible(&lies);
            if possible.iter().all(|one| joint.name_of(one).is_some()) {
                self.was_right.insert(at);
            } else if self.was_right.contains(&at) {
                let now = track.now();
                self.wrong
                    .push(format!("{} at {now:?}: {lies:?}", turnout.id));
            }
        }
    }
}

#[async_trait(?Send)]
impl Link for Watched {
    fn name(&self) -> String {
        self.link.name()
    }

    fn abilities(&self) -> Abilities {
        self.link.abilities()
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        let taken = self.link.send(packet).await;
        self.watch.borrow_mut().look(&self.link.track().borrow());
        taken
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        let end = self.now() + time;
        while self.now() < end {
            self.link
                .pause(LOOK.min(end.saturating_sub(self.now())))
                .await?;
            self.watch.borrow_mut().look(&self.link.track().borrow());
        }
        Ok(())
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        self.link.reports().await
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        self.link.close().await
    }
}

/// Verdicts with their details.
#[derive(Default)]
struct Given(BTreeMap<String, (String, String)>);

impl Sink for &mut Given {
    fn name(&self) -> &'static str {
        "verdicts"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Verdict {
            subject,
            verdict,
            detail,
            ..
        } = &event.kind
        {
            let told = (verdict.to_string(), detail.clone());
            self.0.insert(subject.id().to_string(), told);
        }
        Ok(())
    }
}

/// Who looks.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Eyes {
    Track,
    Reports,
}

/// Sweeps the yard; verdicts, and forbidden combinations that were come to.
fn sweep(plan: &Plan, as_built: &str, seed: u64, eyes: Eyes) -> (Given, Vec<String>) {
    sweep_only(&[], plan, as_built, seed, eyes)
}

/// The same of those alone.
fn sweep_only(
    only: &[&str],
    plan: &Plan,
    as_built: &str,
    seed: u64,
    eyes: Eyes,
) -> (Given, Vec<String>) {
    let as_built = AsBuilt::parse(TextFile::from_text("as-built.toml", as_built), plan)
        .unwrap_or_else(|error| panic!("{error}"));
    let (link, mut seeing) = track::open(plan, &as_built, seed);
    let watch = Rc::new(RefCell::new(Watch {
        plan: plan.clone(),
        was_right: BTreeSet::new(),
        wrong: Vec::new(),
    }));
    let mut link = Watched {
        link,
        watch: Rc::clone(&watch),
    };
    let mut reports = Reports::new(None);
    let witness: &mut dyn Witness = match eyes {
        Eyes::Track => &mut seeing,
        Eyes::Reports => &mut reports,
    };
    let mut given = Given::default();
    let mut hub = Hub::new();
    hub.add_essential(&mut given);
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness,
        hub: &mut hub,
        stop: StopToken::never(),
        options: Options {
            only: only.iter().map(|id| Id::new(id)).collect(),
            ..Options::default()
        },
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    let wrong = watch.borrow().wrong.clone();
    (given, wrong)
}

#[test]
fn a_healthy_yard_is_proved_and_never_in_a_forbidden_combination() {
    let plan = plan();
    let mut found_forbidden = 0;
    for seed in 0..8 {
        let (given, wrong) = sweep(&plan, "", seed, Eyes::Track);
        assert_eq!(given.0.len(), plan.turnouts.len());
        for (id, told) in &given.0 {
            let proved = ("proved".to_owned(), String::new());
            assert_eq!(told, &proved, "{id}, seed {seed}");
        }
        assert_eq!(wrong, Vec::<String>::new(), "seed {seed}");
        let track = Track::new(&plan, &AsBuilt::default(), seed);
        found_forbidden += usize::from(track.lies_as(0).is_none());
    }
    assert!(
        found_forbidden > 0,
        "a forbidden combination is found now and then"
    );
}

#[test]
fn a_forbidden_combination_as_found_is_left_and_does_not_come_back() {
    let both = "[turnout.ID]\nlies = \"diverging\"\n[turnout.ID.second]\nlies = \"diverging\"\n";
    let plan = plan();
    for id in ["T1", "T2", "SC"] {
        let as_built = both.replace("ID", id);
        let (given, wrong) = sweep_only(&[id], &plan, &as_built, 1, Eyes::Track);
        assert_eq!(given.0[id].0, "proved");
        assert_eq!(wrong, Vec::<String>::new());
    }
}

/// What the file says, and each that is not proved: its verdict, and what the detail must say.
const FAULTS: &[(&str, &str, &str, &str, &str)] = &[
    (
        "a coil open in the second drive",
        "[turnout.T1.second]\ndiverging_coil = \"open\"\nlies = \"straight\"",
        "T1",
        "partial",
        "its second drive went to straight only",
    ),
    (
        "the other coil",
        "[turnout.T1.second]\nstraight_coil = \"open\"\nlies = \"straight\"",
        "T1",
        "partial",
        "as if its second drive went to diverging only",
    ),
    (
        "drives exchanged",
        "[turnout.T1]\ndrives_exchanged = true",
        "T1",
        "partial",
        "left and right are exchanged: as if its first and second drives were exchanged",
    ),
    (
        "second drive reversed",
        "[turnout.T1.second]\nleads_swapped = true",
        "T1",
        "partial",
        "as if its second drive were reversed",
    ),
    (
        "first drive of a slip reversed",
        "[turnout.DS]\nleads_swapped = true",
        "DS",
        "reversed",
        "as if its first drive were reversed",
    ),
    (
        "both ends of a crossover reversed",
        "[turnout.X1]\nleads_swapped = true\n[turnout.X1.second]\nleads_swapped = true",
        "X1",
        "reversed",
        "straight and diverging are exchanged",
    ),
    (
        "one end of a crossover dead",
        "[turnout.X1.second]\noutput = \"dead\"\nlies = \"straight\"",
        "X1",
        "partial",
        // Blades that lie between do not tell which end is dead.
        "",
    ),
    (
        "a diagonal dead",
        "[turnout.SC.second]\noutput = \"dead\"\nlies = \"straight\"",
        "SC",
        "partial",
        "its second drive did not move",
    ),
    (
        "both drives dead",
        "[turnout.SS]\noutput = \"dead\"\n[turnout.SS.second]\noutput = \"dead\"",
        "SS",
        "still",
        "",
    ),
    (
        "blades of the second drive stop short",
        "[turnout.T2.second]\nblades_stop_at = 0.7",
        "T2",
        "partial",
        "",
    ),
];

#[test]
fn each_fault_of_one_drive_gets_its_verdict_and_is_named() {
    let plan = plan();
    for (name, as_built, id, verdict, detail) in FAULTS {
        for seed in 0..2 {
            // The others are looked at once.
            let only = [*id];
            let only = if seed == 0 { &[][..] } else { &only[..] };
            let (given, _) = sweep_only(only, &plan, as_built, seed, Eyes::Track);
            for (other, (told, said)) in &given.0 {
                if other == id {
                    assert_eq!(told, verdict, "{name}, seed {seed}: {said}");
                    assert!(said.contains(detail), "{name}, seed {seed}: {said}");
                    assert_eq!(said.is_empty(), detail.is_empty(), "{name}: {said}");
                } else {
                    assert_eq!(told, "proved", "{name}, seed {seed}: {other}");
                }
            }
        }
    }
}

#[test]
fn position_reports_of_all_drives_together_tell_where_it_lies() {
    let plan = reporting();
    for seed in 0..3 {
        let (given, wrong) = sweep(&plan, "", seed, Eyes::Reports);
        for (id, (verdict, detail)) in &given.0 {
            assert_eq!(verdict, "proved", "{id}, seed {seed}: {detail}");
        }
        assert_eq!(wrong, Vec::<String>::new(), "seed {seed}");
    }
    for (name, as_built, id, _, _) in FAULTS {
        for seed in 0..2 {
            let (given, _) = sweep_only(&[id], &plan, as_built, seed, Eyes::Reports);
            // Its contact follows the drive and not the blades.
            if !as_built.contains("blades_stop_at") {
                assert_ne!(given.0[*id].0, "proved", "{name}, seed {seed}");
            }
        }
    }
    // A dead drive that lay where it was first sent, or did not, gives itself away.
    for lies in ["straight", "diverging"] {
        let dead = format!("[turnout.T1.second]\noutput = \"dead\"\nlies = \"{lies}\"");
        let (given, _) = sweep_only(&["T1"], &plan, &dead, 1, Eyes::Reports);
        assert_eq!(given.0["T1"].0, "partial", "{lies}");
    }
    let mute = "[turnout.DS.second]\ncontact = \"dead\"";
    let (given, _) = sweep_only(&["DS"], &plan, mute, 1, Eyes::Reports);
    assert_ne!(given.0["DS"].0, "proved");
}

fn throwproof(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("throwproof")
        .unwrap()
        .args(arguments)
        .env("THROWPROOF_RECORD", "none")
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn one_is_thrown_by_the_name_of_its_position() {
    let (code, out, _) = throwproof(&["throw", "T1", "left", "--plan", FILE]);
    assert_eq!(code, 0);
    assert!(out.contains("turnout T1 to left, address 102"), "{out}");
    assert!(out.contains("and its drive at address 101"), "{out}");
    assert!(out.contains("seen  left"), "{out}");

    let (code, _, told) = throwproof(&["throw", "T1", "leftt", "--plan", FILE]);
    assert_eq!(code, 2);
    assert!(told.contains("did you mean `left`?"), "{told}");
    assert!(
        told.contains("write `straight`, `left` or `right`"),
        "{told}"
    );

    // One drive alone could bring it into a forbidden combination.
    let (code, _, told) = throwproof(&["throw", "102", "diverging", "--plan", FILE]);
    assert_eq!(code, 2);
    assert!(told.contains("one drive of T1"), "{told}");
    assert!(told.contains("throwproof throw T1 straight"), "{told}");

    let (code, _, told) = throwproof(&["throw", "X2", "left", "--plan", FILE]);
    assert_eq!(code, 2);
    assert!(told.contains("`straight` or `diverging`"), "{told}");
}

#[test]
fn what_a_sweep_prints_keeps_to_the_schema() {
    let schema = include_str!("../docs/schema/events.schema.json");
    let schema = serde_json::from_str(schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let (code, out, _) = throwproof(&["sweep", FILE, "--seed", "3", "--format", "json"]);
    assert_eq!(code, 0);
    let mut further = 0;
    for line in out.lines() {
        let event: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(validator.is_valid(&event), "{line}");
        if event["further"].is_array() {
            further += 1;
            assert_ne!(event["address"], event["further"][0]["address"]);
        }
    }
    assert!(further >= 24, "{further}");
}

#[test]
fn a_reserved_address_of_any_drive_is_not_driven() {
    let plan = PLAN.replacen(
        "decoder = \"Y1\"\noutputs = [1, 2]",
        "addresses = [101, 2042]",
        1,
    );
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("plan.toml");
    std::fs::write(&file, plan).unwrap();
    let file = file.to_str().unwrap();
    let (_, out, _) = throwproof(&["sweep", file, "--only", "T1"]);
    assert!(out.contains("skipped") && out.contains("2042"), "{out}");
    let (code, _, told) = throwproof(&["throw", "T1", "left", "--plan", file]);
    assert_eq!(code, 2);
    assert!(told.contains("2042"), "{told}");
}

/// A file that a command wrote.
fn written(folder: &std::path::Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).unwrap()
}

#[test]
fn every_kind_of_report_and_the_labels_know_all_drives_and_positions() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(
        folder.path().join("as-built.toml"),
        "[turnout.T1]\ndrives_exchanged = true\n[turnout.SC.second]\noutput = \"dead\"\n",
    )
    .unwrap();
    std::fs::copy(FILE, folder.path().join("plan.toml")).unwrap();
    let output = Command::cargo_bin("throwproof")
        .unwrap()
        .args([
            "sweep",
            &path("plan.toml"),
            "--as-built",
            &path("as-built.toml"),
        ])
        .args(["--seed", "2", "--record", &path("plan.record")])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let mut arguments = vec![
        "report".to_owned(),
        path("plan.toml"),
        "--rehearsals".to_owned(),
    ];
    for name in ["r.html", "r.md", "r.csv", "r.json", "r.xml"] {
        arguments.extend(["--report".to_owned(), path(name)]);
    }
    arguments.extend(["--labels".to_owned(), path("labels.svg")]);
    let arguments: Vec<_> = arguments.iter().map(String::as_str).collect();
    let (code, _, told) =
        throwproof(&[&arguments[..], &["--record", &path("plan.record")]].concat());
    assert_eq!(code, 1, "{told}");
    let told = "left and right are exchanged: as if its first and second drives were exchanged";
    for name in ["r.html", "r.md", "r.csv", "r.json", "r.xml"] {
        let text = written(folder.path(), name).replace('\\', "");
        assert!(text.contains(told), "{name}");
    }
    let html = written(folder.path(), "r.html");
    assert!(
        html.contains("101, 102 (104, 105)") || html.contains("101, 102 ("),
        "{html}"
    );
    assert!(html.contains("Y1 outputs 1, 2"));
    assert!(
        html.contains("three-way turnout, set "),
        "it is drawn as it was seen last"
    );
    let csv = written(folder.path(), "r.csv");
    let row = csv.lines().find(|line| line.starts_with("T1,")).unwrap();
    // Then come those of a diagnosis.
    assert!(row.ends_with(",102,,,"), "{row}");
    let json: serde_json::Value = serde_json::from_str(&written(folder.path(), "r.json")).unwrap();
    let schema = include_str!("../docs/schema/report.schema.json");
    let schema = serde_json::from_str(schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    if let Err(error) = validator.validate(&json) {
        panic!("{error}");
    }
    let t2 = json["places"][0]["things"]
        .as_array()
        .unwrap()
        .iter()
        .find(|thing| thing["id"] == "T2")
        .unwrap();
    assert_eq!(t2["each_drive"][1]["straight_terminal"], 0);
    assert_eq!(t2["positions"][1]["name"], "left");
    let labels = written(folder.path(), "labels.svg");
    assert!(
        labels.contains("addresses 101, 102"),
        "labels show all addresses"
    );
    assert!(labels.contains("left d+s"));
}

#[test]
fn an_export_comes_back_the_same() {
    let list = throwproof::import::export(&plan()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(folder.path().join("list.csv"), list).unwrap();
    let (code, _, told) = throwproof(&["import", &path("list.csv"), "--to", &path("back.toml")]);
    assert_eq!(code, 0, "{told}");
    let mut back = Plan::load(&folder.path().join("back.toml")).unwrap();
    let mut plan = plan();
    back.source.clone_from(&plan.source);
    for (one, other) in back.turnouts.iter_mut().zip(&mut plan.turnouts) {
        (one.line, other.line) = (0, 0);
        assert_eq!(one, other);
    }
    assert_eq!(back.turnouts.len(), plan.turnouts.len());
}

#[test]
fn an_as_built_file_can_only_speak_of_drives_that_there_are() {
    let plan = plan();
    let wrong = |text: &str| {
        let file = TextFile::from_text("as-built.toml", text);
        AsBuilt::parse(file, &plan).unwrap_err().to_string()
    };
    let told = wrong("[turnout.X2.second]\nlies = \"straight\"");
    assert!(told.contains("`X2` has one drive in the plan"), "{told}");
    let told = wrong("[turnout.T1.third]\nlies = \"straight\"");
    assert!(
        told.contains("`T1` has 2 drives in the plan, and no third one"),
        "{told}"
    );
    let told = wrong("[turnout.X2]\ndrives_exchanged = true");
    assert!(told.contains("`drives_exchanged` is of several"), "{told}");
    let told = wrong("[turnout.T1.second]\nexchanged_with = \"DS\"");
    assert!(told.contains("unknown key `exchanged_with`"), "{told}");
}
