//! `diagnose` over a link, through the program itself and through its engine.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real terminal takes real time")]

use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

use assert_cmd::Command;
use async_trait::async_trait;
use serde_json::Value;
use throwproof::diagnose::perform::perform;
use throwproof::diagnose::run::{Asked, Beyond, Done, Ended, Examination};
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::event::diagnosis::Unanswered;
use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Diagnosed, Event, EventKind, StopReason};
use throwproof::link::{Abilities, Link, LinkError, PositionReport, Taken};
use throwproof::plan::Plan;
use throwproof::record::Record;
use throwproof::sweep::About;
use throwproof::sweep::stop::{StopHandle, stop_pair};
use throwproof::track::as_built::AsBuilt;
use throwproof::track::{Track, TrackLink};
use throwproof::witness::diagnosis::{Query, Stage, Told};
use throwproof::witness::{Answer, Question, Witness, WitnessError};
use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

#[cfg(target_os = "linux")]
#[path = "terminal/session.rs"]
#[expect(dead_code, reason = "not all of it is needed here")]
mod session;

const PLAN: &str = include_str!("../fixtures/faults/plan.toml");

/// The failing turnout has address 9: a decoder that counts four on has it at 13.
const FOUR_ON: &str = "[decoder.A]\nfirst_address = 13\n";

const SWAPPED: &str = "[turnout.A1]\nleads_swapped = true\n";

fn folder(as_built: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    std::fs::write(folder.path().join("as-built.toml"), as_built).unwrap();
    folder
}

fn throwproof(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.env("THROWPROOF_CAUTIONS_READ", "1");
    command.env("XDG_CONFIG_HOME", folder);
    command.current_dir(folder);
    command.args(arguments);
    command
}

fn lines(stdout: &[u8]) -> Vec<Value> {
    let schema = include_str!("../docs/schema/events.schema.json");
    let schema: Value = serde_json::from_str(schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let text = String::from_utf8(stdout.to_vec()).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    for line in &lines {
        if let Err(error) = validator.validate(line) {
            panic!("{line}\n{error}");
        }
    }
    lines
}

fn kinds(lines: &[Value]) -> Vec<&str> {
    lines
        .iter()
        .map(|line| line["event"].as_str().unwrap())
        .collect()
}

#[test]
fn the_simulated_track_makes_its_tests_and_the_record_has_them() {
    let folder = folder(SWAPPED);
    let arguments = [
        "diagnose",
        "plan.toml",
        "A1",
        "--as-built",
        "as-built.toml",
        "--format",
        "json",
        "--report",
        "report.md",
    ];
    let output = throwproof(folder.path(), &arguments).output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{errors}");
    let lines = lines(&output.stdout);
    let kinds = kinds(&lines);
    assert_eq!(
        kinds[..3],
        ["run-started", "diagnosis-started", "diagnosis-test"]
    );
    assert_eq!(kinds.last(), Some(&"diagnosis"));
    for (seq, line) in lines.iter().enumerate() {
        assert_eq!(line["seq"], seq);
    }
    assert_eq!(lines[1]["known"][0]["turnout"], "A1");
    assert_eq!(lines.last().unwrap()["causes"][0]["cause"], "leads-swapped");

    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    let log = record.log(1).unwrap();
    assert_eq!(log.info.kind, throwproof::record::RunKind::Diagnose);
    assert!(log.info.is_rehearsal && log.info.is_complete);
    let kept = log
        .events
        .iter()
        .map(|logged| serde_json::to_value(&logged.event).unwrap());
    assert_eq!(kept.collect::<Vec<_>>(), lines);
    // It proves nothing: no run for a report or to be carried on.
    assert!(record.runs().unwrap().is_empty());
}

#[test]
fn position_reports_answer_without_anybody_there() {
    let folder = folder(SWAPPED);
    let arguments = [
        "diagnose",
        "plan.toml",
        "A1",
        "--as-built",
        "as-built.toml",
        "--witness",
        "reports",
        "--format",
        "json",
    ];
    let output = throwproof(folder.path(), &arguments).output().unwrap();
    let lines = lines(&output.stdout);
    let answers: Vec<_> = lines
        .iter()
        .filter(|line| line["event"] == "diagnosis-answer")
        .collect();
    assert_eq!(answers[0]["answer"], "it went the other way, each time");
    assert_eq!(answers[0]["throws"], 3);
    assert!(answers.iter().all(|line| line["unanswered"].is_null()));
    let last = lines.last().unwrap();
    assert_eq!(last["causes"][0]["cause"], "leads-swapped", "{last}");
}

/// A person who answers as careful eyes would, looking at a track of their own.
struct Oracle {
    site: Site,
    track: Track,
    /// What is said to addresses that the plan does not have.
    allows: bool,
    asked: Rc<RefCell<Vec<Query>>>,
}

#[async_trait(?Send)]
impl Witness for Oracle {
    fn name(&self) -> &'static str {
        "ask"
    }

    fn is_person(&self) -> bool {
        true
    }

    async fn attend(&mut self, _question: &Question<'_>) -> Result<(), WitnessError> {
        Ok(())
    }

    async fn observe(&mut self, _question: &Question<'_>) -> Result<Answer, WitnessError> {
        panic!("a person is not asked throw by throw")
    }

    async fn inquire(&mut self, query: &Query) -> Result<Told, WitnessError> {
        self.asked.borrow_mut().push(query.clone());
        let told = match query.stage {
            Stage::Allow => Told::Chosen(vec![usize::from(!self.allows)]),
            Stage::Prepare | Stage::PutBack => Told::Chosen(vec![0]),
            Stage::Showed => {
                let test = Test::ALL.into_iter().find(|it| it.name() == query.test);
                let test = test.unwrap();
                Told::Chosen(test.chosen(perform(&self.site, &mut self.track, test)))
            }
            Stage::Mended | Stage::Which => Told::Chosen(vec![1]),
        };
        assert!(query.fits(&told), "{query:?} {told:?}");
        Ok(told)
    }

    async fn lay_by_hand(
        &mut self,
        _question: &Question<'_>,
        _position: Position,
    ) -> Result<bool, WitnessError> {
        Ok(false)
    }
}

/// A link that keeps all that went out, and stops the run after so many packets.
struct Kept {
    inner: TrackLink,
    sent: Rc<RefCell<Vec<(Duration, Packet)>>>,
    stop_after: Option<(usize, StopHandle)>,
    /// Whether extended packets are carried.
    extended: bool,
}

#[async_trait(?Send)]
impl Link for Kept {
    fn name(&self) -> String {
        self.inner.name()
    }

    fn abilities(&self) -> Abilities {
        self.inner.abilities()
    }

    fn now(&self) -> Duration {
        self.inner.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        self.sent.borrow_mut().push((self.inner.now(), *packet));
        if let Some((after, stop)) = &self.stop_after
            && self.sent.borrow().len() == *after
        {
            stop.ask(StopReason::Interrupt);
        }
        if !self.extended && BasicAccessory::parse(packet).is_err() {
            return Ok(Taken::Refused("no such packets".to_owned()));
        }
        self.inner.send(packet).await
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        self.inner.pause(time).await
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        self.inner.reports().await
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        self.inner.close().await
    }
}

#[derive(Clone, Default)]
struct Events(Rc<RefCell<Vec<Event>>>);

impl Sink for Events {
    fn name(&self) -> &'static str {
        "the test"
    }

    fn take(&mut self, event: &Event) -> std::io::Result<()> {
        self.0.borrow_mut().push(event.clone());
        Ok(())
    }
}

/// What came of a diagnosis by the engine.
struct Came {
    ended: Ended,
    sent: Vec<(Duration, Packet)>,
    events: Vec<Event>,
    asked: Vec<Query>,
}

impl Came {
    fn done(&self) -> &Done {
        match &self.ended {
            Ended::With(done) => done,
            Ended::Stopped(reason) => panic!("{reason:?}"),
        }
    }

    fn named(&self) -> &'static str {
        let conclusion = self.done().conclusion.as_ref().unwrap();
        conclusion.causes[0].cause.name
    }

    /// The addresses that were commanded.
    fn addresses(&self, plan: &Plan) -> Vec<u16> {
        let keyed = |number: &u16| {
            let keyed = KeyedAddress::new(*number).unwrap();
            let binary = keyed.binary(plan.layout.numbering);
            self.sent.iter().any(|(_, packet)| {
                BasicAccessory::parse(packet).is_ok_and(|command| command.address == binary)
            })
        };
        (1..=2044).filter(keyed).collect()
    }
}

struct Case<'c> {
    as_built: &'c str,
    beyond: Beyond,
    allows: bool,
    stop_after: Option<usize>,
    extended: bool,
}

impl Default for Case<'_> {
    fn default() -> Self {
        Self {
            as_built: FOUR_ON,
            beyond: Beyond::Ask,
            allows: true,
            stop_after: None,
            extended: true,
        }
    }
}

fn plan() -> Plan {
    Plan::from_text("plan.toml", PLAN).unwrap()
}

fn diagnosed(case: &Case<'_>) -> Came {
    let plan = plan();
    let folder = folder(case.as_built);
    let as_built = AsBuilt::load(&folder.path().join("as-built.toml"), &plan).unwrap();
    let (stop, token) = stop_pair();
    let (inner, _) = throwproof::track::open(&plan, &as_built, 1);
    let sent = Rc::default();
    let mut link = Kept {
        inner,
        sent: Rc::clone(&sent),
        stop_after: case.stop_after.map(|after| (after, stop)),
        extended: case.extended,
    };
    let target = plan
        .turnouts
        .iter()
        .position(|it| it.id.as_str() == "A1")
        .unwrap();
    let asked = Rc::default();
    let mut witness = Oracle {
        site: Site::of(&plan, target),
        track: Track::new(&plan, &as_built, 1),
        allows: case.allows,
        asked: Rc::clone(&asked),
    };
    let events = Events::default();
    let mut hub = Hub::new();
    hub.add(events.clone());
    let examination = Examination {
        plan: &plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop: token,
        asked: Asked {
            target,
            known: Vec::new(),
            others: Vec::new(),
            explained: Vec::new(),
            mended: Vec::new(),
            seed: 1,
            beyond: case.beyond,
            by_hands: false,
            notes: Vec::new(),
            proof: None,
            about: About::default(),
        },
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let ended = runtime.block_on(examination.run()).unwrap();
    let events = events.0.take();
    Came {
        ended,
        sent: sent.take(),
        events,
        asked: asked.take(),
    }
}

fn outputs_left_on(sent: &[(Duration, Packet)]) -> Vec<(u16, PairBit)> {
    let mut active = Vec::new();
    for (_, packet) in sent {
        if let Ok(command) = BasicAccessory::parse(packet) {
            let output = (command.address.get(), command.pair_bit);
            active.retain(|one| *one != output);
            if command.activate {
                active.push(output);
            }
        }
    }
    active
}

#[test]
fn a_person_who_lets_the_program_throw_is_led_to_the_cause() {
    let came = diagnosed(&Case::default());
    assert_eq!(came.named(), "decoder-four-up", "{:?}", came.events.last());
    assert_eq!(outputs_left_on(&came.sent), []);
    // Every answer is told before anything goes out for the next test.
    let mut open = None;
    for event in &came.events {
        let EventKind::Diagnosis(fact) = &event.kind else {
            continue;
        };
        if let Diagnosed::DiagnosisTest { number, .. } = fact {
            assert_eq!(open.replace(*number), None);
        } else if let Diagnosed::DiagnosisAnswer { number, .. } = fact {
            assert!(open.take().is_none_or(|it| it == *number));
        }
    }
    // Nothing is thrown before whoever looks is ready.
    let first = came.asked.first().unwrap();
    assert_eq!((first.stage, first.number), (Stage::Prepare, 1));
    assert!(
        first.text.starts_with("A1 is brought to straight"),
        "{}",
        first.text
    );
}

#[test]
fn addresses_outside_the_plan_are_thrown_only_with_the_operators_say() {
    let plan = plan();
    let own: Vec<u16> = plan.turnouts.iter().map(|one| one.address.get()).collect();
    let outside = |came: &Came| {
        let addresses = came.addresses(&plan).into_iter();
        addresses.filter(|it| !own.contains(it)).collect::<Vec<_>>()
    };
    let asks = |came: &Came| {
        came.asked
            .iter()
            .filter(|query| query.stage == Stage::Allow)
            .count()
    };
    let allowed = diagnosed(&Case::default());
    assert!(!outside(&allowed).is_empty());
    assert_eq!(asks(&allowed), 1);
    let announced = allowed.events.iter().filter_map(|event| {
        if let EventKind::Diagnosis(Diagnosed::DiagnosisTest { beyond_plan, .. }) = &event.kind {
            Some(beyond_plan)
        } else {
            None
        }
    });
    let announced: Vec<u16> = announced.flatten().copied().collect();
    assert!(outside(&allowed).iter().all(|it| announced.contains(it)));

    for (beyond, allows, asked) in [(Beyond::Ask, false, 1), (Beyond::Never, true, 0)] {
        let came = diagnosed(&Case {
            beyond,
            allows,
            ..Case::default()
        });
        assert_eq!(outside(&came), [0_u16; 0]);
        assert_eq!(asks(&came), asked);
        let refused = came.events.iter().any(|event| {
            matches!(
                &event.kind,
                EventKind::Diagnosis(Diagnosed::DiagnosisAnswer {
                    unanswered: Some(Unanswered::NotAllowed),
                    ..
                })
            )
        });
        assert!(refused);
    }
}

#[test]
fn stopped_at_any_packet_everything_is_released_and_it_is_said() {
    for after in [1, 2, 3, 4, 5, 9, 14, 20, 27, 33] {
        let came = diagnosed(&Case {
            stop_after: Some(after),
            ..Case::default()
        });
        assert_eq!(came.ended, Ended::Stopped(StopReason::Interrupt), "{after}");
        assert_eq!(outputs_left_on(&came.sent), [], "{after}");
        let last = &came.events.last().unwrap().kind;
        let EventKind::Diagnosis(Diagnosed::Diagnosis { kind, .. }) = last else {
            panic!("{last:?}")
        };
        assert_eq!(*kind, throwproof::event::diagnosis::Came::BrokenOff);
    }
}

/// The throws of a burst, a test without release and all others keep to the limits of a pulse.
#[test]
fn no_output_is_on_for_longer_than_a_second() {
    for as_built in [FOUR_ON, SWAPPED, "[turnout.A1]\nfriction = 0.9\n"] {
        let came = diagnosed(&Case {
            as_built,
            ..Case::default()
        });
        let mut since: Vec<((u16, PairBit), Duration)> = Vec::new();
        for (at, packet) in &came.sent {
            let Ok(command) = BasicAccessory::parse(packet) else {
                continue;
            };
            let output = (command.address.get(), command.pair_bit);
            let began = since
                .iter()
                .find(|(it, _)| *it == output)
                .map(|(_, at)| *at);
            if let Some(began) = began {
                // The last packet itself takes time.
                assert!(*at <= began + Duration::from_millis(1_050), "{as_built}");
            }
            if command.activate && began.is_none() {
                since.push((output, *at));
            } else if !command.activate {
                since.retain(|(it, _)| *it != output);
            }
        }
        assert_eq!(since, []);
    }
}

#[test]
fn hands_alone_name_a_cause_by_lines_and_nothing_is_driven() {
    let folder = folder("");
    let arguments = ["diagnose", "plan.toml", "A1", "--hands", "--format", "json"];
    // It goes the other way, nothing else moves, whatever is tried; other tests are left out.
    let answers = "2\n1\n2\n1\n".to_owned() + &"s\n".repeat(30);
    let output = throwproof(folder.path(), &arguments)
        .write_stdin(answers)
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{errors}");
    let lines = lines(&output.stdout);
    assert_eq!(lines[0]["link"], "none, thrown by hand");
    for line in lines
        .iter()
        .filter(|line| line["event"] == "diagnosis-answer")
    {
        assert_eq!(line["throws"], 0);
    }
    let tests = lines
        .iter()
        .filter(|line| line["event"] == "diagnosis-test");
    assert!(tests.clone().count() > 0 && tests.into_iter().all(|line| line["by"] == "hands"));
    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    assert!(!record.log(1).unwrap().info.is_rehearsal);
}

#[test]
fn a_sweep_says_how_to_find_out_why_something_fails() {
    let folder = folder(SWAPPED);
    let arguments = ["sweep", "plan.toml", "--as-built", "as-built.toml"];
    let told = throwproof(folder.path(), &arguments).assert().code(1);
    let errors = String::from_utf8_lossy(&told.get_output().stderr).into_owned();
    let command = "throwproof diagnose plan.toml A1 --as-built as-built.toml";
    assert!(errors.contains(command), "{errors}");
}

/// A link over a socket to a track that the program itself serves, with its contacts.
#[cfg(target_os = "linux")]
#[test]
fn a_turnout_on_an_lcc_bus_is_diagnosed_by_its_reports() {
    use std::io::{BufRead as _, BufReader};
    use std::process::Stdio;

    let folder = folder(SWAPPED);
    let program = assert_cmd::cargo::cargo_bin("throwproof");
    let mut served = std::process::Command::new(&program)
        .current_dir(folder.path())
        .env("XDG_CONFIG_HOME", folder.path())
        .args(["track", "plan.toml", "--as-built", "as-built.toml"])
        .args(["--serve", "lcc", "--node-id", "0A.00.00.00.00.01"])
        .args(["--tcp", "127.0.0.1:0", "--format", "json"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut output = BufReader::new(served.stdout.take().unwrap());
    let mut line = String::new();
    output.read_line(&mut line).unwrap();
    let listening: Value = serde_json::from_str(&line).unwrap();
    let reached = format!("lcc:tcp:{}", listening["tcp"].as_str().unwrap());
    let arguments = [
        "diagnose",
        "plan.toml",
        "A1",
        "--link",
        &reached,
        "--witness",
        "reports",
        "--format",
        "json",
        "--node-id",
        "0A.00.00.00.00.02",
    ];
    let run = throwproof(folder.path(), &arguments).output().unwrap();
    served.kill().unwrap();
    served.wait().unwrap();
    let errors = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(1), "{errors}");
    let lines = lines(&run.stdout);
    let answer = lines
        .iter()
        .find(|line| line["event"] == "diagnosis-answer")
        .unwrap();
    assert_eq!(
        answer["answer"], "it went the other way, each time",
        "{errors}"
    );
    assert!(answer["took_us"].as_u64().unwrap() > 1_000_000);
    let record = Record::open_to_read(&folder.path().join("plan.record")).unwrap();
    assert!(!record.log(1).unwrap().info.is_rehearsal);
}

#[cfg(target_os = "linux")]
mod at_a_terminal {
    use std::path::Path;

    use super::session::{Session, Setting, events};
    use super::{SWAPPED, folder};

    fn start(folder: &Path, arguments: &[&str]) -> Session {
        Session::start(&Setting {
            folder,
            arguments,
            environment: &[],
            is_output_shown: false,
        })
    }

    /// Answers as if its two leads were exchanged, until `end` is shown.
    fn answer_until(session: &mut Session, end: &str) {
        for _ in 0..60 {
            let shown = session.wait_for("\n> ");
            let shown = anstream::adapter::strip_str(&shown).to_string();
            if shown.contains(end) {
                return;
            }
            let is_swapped = shown.contains("Exchange the two leads");
            let key = if shown.contains("Ready?") || shown.contains("Is it as it was?") {
                "\r"
            } else if shown.contains("May they be thrown?") {
                "2"
            } else if shown.contains("Did anything else move?") {
                "1"
            } else if shown.contains("What did it do?") {
                // Another one goes as it should.
                let own = shown.contains("A1 was brought");
                if own && !is_swapped { "2" } else { "1" }
            } else if shown.contains("Did the failing turnout move?") {
                "1"
            } else {
                "k"
            };
            session.press(key);
        }
        panic!("{end} does not come");
    }

    /// The whole of it: named, mended, proved, with the file of what is really there changed as a
    /// layout would be.
    #[test]
    fn what_is_named_is_mended_and_proved() {
        let folder = folder(SWAPPED);
        let arguments = [
            "diagnose",
            "plan.toml",
            "A1",
            "--witness",
            "ask",
            "--as-built",
            "as-built.toml",
            "--format",
            "json",
        ];
        let mut session = start(folder.path(), &arguments);
        answer_until(&mut session, "Is it mended?");
        // A mistake in the file is said, and asked again.
        std::fs::write(folder.path().join("as-built.toml"), "").unwrap();
        session.press("1");
        session.wait_for("The simulated track can't be built: as-built.toml");
        session.wait_for("the file is empty");
        session.wait_for("Correct the file");
        answer_until(&mut session, "Is it mended?");
        let mended = SWAPPED.replace("true", "false");
        std::fs::write(folder.path().join("as-built.toml"), mended).unwrap();
        session.press("1");
        for _ in 0..12 {
            let shown = session.wait_for("\n> ");
            let key = if shown.contains("diverging (throw") {
                "d"
            } else {
                "s"
            };
            session.press(key);
            if shown.contains("throw 5") {
                break;
            }
        }
        let (code, stdout, screen) = session.end();
        let lines = events(&stdout);
        let last = lines.last().unwrap();
        assert_eq!(last["event"], "diagnosis-proved", "{screen}");
        assert_eq!(last["proved"], true, "{last}");
        assert_eq!(code, Some(0), "{screen}");
        let runs = lines.iter().filter(|line| line["event"] == "run-started");
        assert_eq!(runs.count(), 3);
        let record = super::Record::open_to_read(&folder.path().join("plan.record")).unwrap();
        // The proof is a sweep like any other.
        let sweeps = record.runs().unwrap();
        assert_eq!(sweeps.len(), 1);
        assert_eq!(sweeps[0].id, 2);
    }

    #[test]
    fn whoever_stops_leaves_with_four_and_what_was_answered_is_kept() {
        let folder = folder("");
        let arguments = [
            "diagnose",
            "plan.toml",
            "A1",
            "--witness",
            "ask",
            "--format",
            "json",
        ];
        let mut session = start(folder.path(), &arguments);
        session.wait_for("Ready?");
        session.wait_for("\n> ");
        session.press("\r");
        session.wait_for("What did it do?");
        session.wait_for("\n> ");
        session.press("7");
        session.wait_for("\n> ");
        session.press("1");
        session.wait_for("Lay the blades of A1 to");
        session.wait_for("\n> ");
        session.press("qq");
        let (code, stdout, _) = session.end();
        assert_eq!(code, Some(4));
        let lines = events(&stdout);
        let last = lines.last().unwrap();
        assert_eq!(last["event"], "diagnosis");
        assert_eq!(last["kind"], "broken-off");
    }

    #[test]
    fn a_sweep_offers_to_find_out_why_something_fails() {
        let folder = folder("");
        let arguments = [
            "sweep",
            "plan.toml",
            "--only",
            "A1",
            "--witness",
            "ask",
            "--format",
            "json",
        ];
        let mut session = start(folder.path(), &arguments);
        for key in ["n", "s", "d"] {
            session.wait_for("What do you see?");
            session.wait_for("\n> ");
            session.press(key);
        }
        let shown = session.wait_for("\n> ");
        assert!(shown.contains("find out why A1 fails"), "{shown}");
        session.press("1");
        session.wait_for("Ready?");
        session.wait_for("\n> ");
        session.press("qq");
        let (code, stdout, screen) = session.end();
        assert_eq!(code, Some(1), "{screen}");
        let lines = events(&stdout);
        let started = lines
            .iter()
            .find(|line| line["event"] == "diagnosis-started")
            .unwrap();
        assert_eq!(started["known"][0]["from"], "this sweep");
    }
}
