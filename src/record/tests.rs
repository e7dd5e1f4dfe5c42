use std::io::ErrorKind;
use std::path::PathBuf;

use proptest::prelude::*;
use rusqlite::Connection;

use super::schema::{self, MIGRATIONS};
use super::*;
use crate::event::hub::Sink as _;
use crate::event::{Event, EventKind, FORMAT, StopReason, Subject};
use crate::plan::Plan;
use crate::verdict::Verdict;
use crate::witness::Observed;

const PLAN: &str = include_str!("../../fixtures/kestrel-bay/plan.toml");

fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plan.record");
    (folder, path)
}

fn plan() -> Plan {
    Plan::from_text("plan.toml", PLAN).unwrap()
}

fn about() -> Kept {
    Kept {
        plan_text: PLAN.to_owned(),
        fingerprint: fingerprint(PLAN.as_bytes()),
        marks: marks(&plan()),
        only: Vec::new(),
        is_rehearsal: false,
        kind: RunKind::Sweep,
    }
}

fn started(continues: Option<i64>) -> EventKind {
    EventKind::RunStarted {
        format: FORMAT,
        version: "0.0.1".to_owned(),
        layout: "Kestrel Bay".to_owned(),
        plan: "plan.toml".to_owned(),
        link: "a link".to_owned(),
        witness: "ask".to_owned(),
        seed: None,
        turnouts: 1,
        signals: 0,
        cycles: 2,
        tester: "Ada".to_owned(),
        fingerprint: String::new(),
        continues,
    }
}

fn seen(id: &str, throw: u64, observed: &Observed) -> EventKind {
    // From JSON, which defaults what it does not say.
    let observed = serde_json::to_value(observed).unwrap();
    serde_json::from_value(serde_json::json!({
        "event": "observation", "turnout": id, "throw": throw, "step": "visit",
        "commanded": "straight", "observed": observed,
    }))
    .unwrap()
}

fn verdict(id: &str, verdict: Verdict) -> EventKind {
    serde_json::from_value(serde_json::json!({
        "event": "verdict", "turnout": id, "verdict": verdict, "place": "Quay", "address": 9,
    }))
    .unwrap()
}

fn summary() -> EventKind {
    serde_json::from_value(serde_json::json!({
        "event": "summary", "proved": 1, "failed": 0, "skipped": 0, "unreached": 0, "throws": 1,
        "elapsed_us": 5,
    }))
    .unwrap()
}

fn stopped() -> EventKind {
    let reason = StopReason::Operator;
    EventKind::Stopped { reason }
}

fn event(seq: u64, kind: EventKind) -> Event {
    let at_us = seq * 1000;
    Event { kind, seq, at_us }
}

/// Writes a run and gives its number.
fn run(path: &Path, about: Kept, kinds: Vec<EventKind>) -> i64 {
    let mut sink = Sink::new(Record::open(path).unwrap(), about).unwrap();
    for (seq, kind) in kinds.into_iter().enumerate() {
        sink.take(&event(seq as u64, kind)).unwrap();
    }
    sink.run()
}

#[test]
fn what_was_kept_is_read_back() {
    let (_folder, path) = folder();
    let kinds = vec![
        started(None),
        seen("Q1", 1, &Observed::Straight),
        verdict("Q1", Verdict::Proved),
        summary(),
    ];
    let only = vec![Id::new("Q1")];
    let about = Kept {
        only: only.clone(),
        ..about()
    };
    assert_eq!(run(&path, about.clone(), kinds.clone()), 1);
    let record = Record::open_to_read(&path).unwrap();
    let [info] = &record.runs().unwrap()[..] else {
        panic!("one run")
    };
    assert!(info.is_complete && !info.is_rehearsal);
    assert_eq!((info.id, info.cycles, info.continues), (1, 2, None));
    assert_eq!(
        (&*info.tester, &*info.layout, &*info.version),
        ("Ada", "Kestrel Bay", "0.0.1")
    );
    assert_eq!(info.only, only);
    assert_eq!(info.fingerprint, about.fingerprint);
    assert!(info.started <= info.ended);
    let log = record.log(1).unwrap();
    assert_eq!(log.plan_text, PLAN);
    assert_eq!(log.marks, about.marks);
    let events: Vec<_> = log.events.into_iter().map(|logged| logged.event).collect();
    let wanted = (0_u64..).zip(kinds).map(|(seq, kind)| event(seq, kind));
    assert_eq!(events, wanted.collect::<Vec<_>>());
    let none = record.log(2).unwrap_err();
    assert!(matches!(none, RecordError::NoSuchRun { run: 2, .. }));
}

#[test]
fn a_plan_of_many_runs_is_kept_once() {
    let (_folder, path) = folder();
    for _ in 0..3 {
        run(&path, about(), vec![started(None), summary()]);
    }
    let plans: i64 = Connection::open(&path)
        .unwrap()
        .query_row("SELECT count(*) FROM plans", [], |row| row.get(0))
        .unwrap();
    assert_eq!(plans, 1);
}

/// FIPS 180-4, SHA-256: the examples published with it, of no bytes and of `abc`.
#[test]
fn the_fingerprint_is_sha_256() {
    assert_eq!(
        fingerprint(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    assert_eq!(
        fingerprint(b""),
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    );
}

#[test]
fn the_last_unfinished_run_is_the_one_to_carry_on() {
    let (_folder, path) = folder();
    let some = || vec![started(None), seen("Q1", 1, &Observed::Straight)];
    let latest = |rehearsal| {
        let record = Record::open_to_read(&path).unwrap();
        let found = record.latest_unfinished(rehearsal).unwrap();
        found.map(|run| run.id)
    };
    let with = |kind| [some(), vec![kind, summary()]].concat();
    run(&path, about(), vec![started(None)]);
    assert_eq!(latest(false), None, "nothing was seen in it");
    run(&path, about(), some());
    assert_eq!(latest(false), Some(2));
    assert_eq!(latest(true), None, "another nature");
    let part = Kept {
        only: vec![Id::new("Q1")],
        ..about()
    };
    run(&path, part, [some(), vec![summary()]].concat());
    assert_eq!(
        latest(false),
        Some(2),
        "a complete run of a part changes nothing"
    );
    run(&path, about(), vec![started(Some(2))]);
    assert_eq!(
        latest(false),
        Some(4),
        "it carries on one in which something was seen"
    );
    run(&path, about(), with(stopped()));
    assert_eq!(latest(false), Some(5), "stopped is unfinished");
    let rehearsal = Kept {
        is_rehearsal: true,
        kind: RunKind::Sweep,
        ..about()
    };
    run(&path, rehearsal, [some(), vec![summary()]].concat());
    assert_eq!(latest(false), Some(5));
    run(&path, about(), [some(), vec![summary()]].concat());
    assert_eq!(latest(false), None, "all was done anew");
}

#[test]
fn carrying_on_a_part_leaves_the_rest_to_be_carried_on() {
    let (_folder, path) = folder();
    let only = |ids: &[&str]| Kept {
        only: ids.iter().map(|id| Id::new(id)).collect(),
        ..about()
    };
    let seen = || seen("Q1", 1, &Observed::Straight);
    let latest = || {
        let record = Record::open_to_read(&path).unwrap();
        record.latest_unfinished(false).unwrap().map(|run| run.id)
    };
    run(&path, only(&["Q1", "Q2"]), vec![started(None), seen()]);
    run(
        &path,
        only(&["Q1"]),
        vec![started(Some(1)), seen(), summary()],
    );
    assert_eq!(latest(), Some(1));
    // Here Q2 is gone from the plan, so that Q1 is all there is.
    let mut gone = only(&["Q1"]);
    gone.marks.remove(&Subject::Turnout(Id::new("Q2"))).unwrap();
    run(&path, gone, vec![started(Some(1)), seen(), summary()]);
    assert_eq!(latest(), None);
}

#[test]
fn a_chain_is_read_oldest_first() {
    let (_folder, path) = folder();
    for continues in [None, Some(1), None, Some(2)] {
        run(&path, about(), vec![started(continues)]);
    }
    let record = Record::open_to_read(&path).unwrap();
    let chain = record.chain(4).unwrap();
    let ids: Vec<_> = chain.iter().map(|run| run.info.id).collect();
    assert_eq!(ids, [1, 2, 4]);
}

#[test]
fn an_event_that_could_not_be_kept_can_be_given_again() {
    let (_folder, path) = folder();
    let record = Record::open(&path).unwrap();
    let pages: i64 = record
        .connection
        .query_row("PRAGMA page_count", [], |row| row.get(0))
        .unwrap();
    // As a disk that is full: SQLite has the same error for it.
    let limit = |sink: &Sink, pages: i64| {
        let pragma = format!("PRAGMA max_page_count = {pages}");
        let set: i64 = sink
            .record
            .connection
            .query_row(&pragma, [], |row| row.get(0))
            .unwrap();
        assert_eq!(set, pages);
    };
    let mut sink = Sink::new(record, about()).unwrap();
    limit(&sink, pages);
    let error = sink.take(&event(0, started(None))).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::StorageFull, "{error}");
    assert!(error.to_string().contains("no room left for"), "{error}");
    limit(&sink, pages + 1000);
    for seq in 0..200 {
        let kind = if seq == 0 {
            started(None)
        } else {
            seen("Q1", seq, &Observed::Straight)
        };
        sink.take(&event(seq, kind)).unwrap();
    }
    let used: i64 = sink
        .record
        .connection
        .query_row("PRAGMA page_count", [], |row| row.get(0))
        .unwrap();
    limit(&sink, used);
    let mut seq = 200;
    let next = |seq| event(seq, seen("Q1", seq, &Observed::Straight));
    while sink.take(&next(seq)).is_ok() {
        seq += 1;
    }
    limit(&sink, used + 1000);
    sink.take(&next(seq)).unwrap();
    sink.take(&event(seq + 1, summary())).unwrap();
    let log = Record::open_to_read(&path).unwrap().log(1).unwrap();
    let numbers = log.events.iter().map(|logged| logged.event.seq);
    assert!(numbers.eq(0..seq + 2), "nothing lost, nothing doubled");
}

#[test]
fn a_reader_in_the_way_is_told_and_the_event_can_be_given_again() {
    let (_folder, path) = folder();
    let mut sink = Sink::new(Record::open(&path).unwrap(), about()).unwrap();
    sink.take(&event(0, started(None))).unwrap();
    let reader = Connection::open(&path).unwrap();
    reader
        .execute_batch("BEGIN; SELECT * FROM events;")
        .unwrap();
    let error = sink.take(&event(1, stopped())).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::ResourceBusy, "{error}");
    assert!(
        error.to_string().contains("held by another program"),
        "{error}"
    );
    reader.execute_batch("COMMIT").unwrap();
    sink.take(&event(1, stopped())).unwrap();
    assert_eq!(
        Record::open_to_read(&path)
            .unwrap()
            .log(1)
            .unwrap()
            .events
            .len(),
        2
    );
}

#[cfg(unix)]
#[test]
fn a_record_that_was_moved_is_not_written_on_unseen() {
    let (folder, path) = folder();
    let elsewhere = folder.path().join("elsewhere");
    let mut sink = Sink::new(Record::open(&path).unwrap(), about()).unwrap();
    sink.take(&event(0, started(None))).unwrap();
    std::fs::rename(&path, &elsewhere).unwrap();
    let error = sink.take(&event(1, stopped())).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::NotFound, "{error}");
    assert!(error.to_string().contains("put it back"), "{error}");
    std::fs::rename(&elsewhere, &path).unwrap();
    sink.take(&event(1, stopped())).unwrap();
    assert_eq!(
        Record::open_to_read(&path)
            .unwrap()
            .log(1)
            .unwrap()
            .events
            .len(),
        2
    );
}

#[test]
fn nothing_is_kept_of_a_run_that_did_not_begin() {
    let (_folder, path) = folder();
    let mut sink = Sink::new(Record::open(&path).unwrap(), about()).unwrap();
    let error = sink.take(&event(0, stopped())).unwrap_err();
    assert!(error.to_string().contains("before its run began"));
    drop(sink);
    assert_eq!(Record::open_to_read(&path).unwrap().runs().unwrap(), []);
}

#[test]
fn one_run_at_a_time_and_readers_as_they_like() {
    let (_folder, path) = folder();
    run(&path, about(), vec![started(None), summary()]);
    let first = Record::open(&path).unwrap();
    let second = Record::open(&path).unwrap_err();
    assert!(matches!(second, RecordError::InUse { since: Some(_), .. }));
    assert!(second.to_string().contains("in use by another run since"));
    assert_eq!(
        Record::open_to_read(&path).unwrap().runs().unwrap().len(),
        1
    );
    drop(first);
    Record::open(&path).unwrap();
}

#[test]
fn at_rest_there_is_one_file() {
    let (folder, path) = folder();
    run(&path, about(), vec![started(None), summary()]);
    let names: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .filter(|name| cfg!(target_os = "linux") || name != "plan.record.lock")
        .collect();
    assert_eq!(names, ["plan.record"]);
}

#[test]
fn an_event_of_a_newer_version_is_passed_over_and_counted() {
    let (_folder, path) = folder();
    run(&path, about(), vec![started(None), summary()]);
    Connection::open(&path)
        .unwrap()
        .execute_batch(
            r#"INSERT INTO events VALUES (1, 2, '2031-01-01T00:00:00.000Z', 0, 'levitated',
                'turnout', 'Q1', 7, '{"event":"levitated","turnout":"Q1","seq":2,"at_us":0}')"#,
        )
        .unwrap();
    let record = Record::open_to_read(&path).unwrap();
    assert_eq!(record.log(1).unwrap().events.len(), 2);
    assert_eq!(record.not_understood(), 1);
    assert!(record.runs().unwrap()[0].is_complete);
}

#[test]
fn an_older_record_is_brought_up_to_date() {
    const VERSION_2: &str = "ALTER TABLE runs ADD COLUMN weather TEXT NOT NULL DEFAULT 'dry'";
    let (_folder, path) = folder();
    run(&path, about(), vec![started(None), summary()]);
    let connection = Connection::open(&path).unwrap();
    let two = [MIGRATIONS, &[VERSION_2]].concat();
    schema::migrate(&connection, &two).unwrap();
    assert_eq!(schema::version(&connection).unwrap(), schema::last(&two));
    let (runs, weather): (i64, String) = connection
        .query_row("SELECT count(*), max(weather) FROM runs", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .unwrap();
    assert_eq!((runs, &*weather), (1, "dry"));
    // Once more does nothing, and one that fails leaves all as it was.
    schema::migrate(&connection, &two).unwrap();
    let broken = [&two[..], &["CREATE TABLE more (a); CREATE TABLE more (a)"]].concat();
    schema::migrate(&connection, &broken).unwrap_err();
    assert_eq!(schema::version(&connection).unwrap(), schema::last(&two));
    let more = connection.query_row("SELECT count(*) FROM more", [], |row| row.get::<_, i64>(0));
    more.unwrap_err();
    // To this program it is one of a newer version now.
    let before = std::fs::read(&path).unwrap();
    for error in [
        Record::open(&path).unwrap_err(),
        Record::open_to_read(&path).unwrap_err(),
    ] {
        assert!(matches!(error, RecordError::Newer { .. }), "{error}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

/// Every version that was released can be built anew, and is what this program reads.
#[test]
fn every_version_leads_to_the_last() {
    let whole = Connection::open_in_memory().unwrap();
    schema::migrate(&whole, MIGRATIONS).unwrap();
    let tables = |connection: &Connection| -> Vec<String> {
        let mut select = connection
            .prepare("SELECT coalesce(sql, name) FROM sqlite_schema ORDER BY name")
            .unwrap();
        let rows = select.query_map([], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    for released in 1..=MIGRATIONS.len() {
        let stepwise = Connection::open_in_memory().unwrap();
        schema::migrate(&stepwise, &MIGRATIONS[..released]).unwrap();
        schema::migrate(&stepwise, MIGRATIONS).unwrap();
        assert_eq!(tables(&stepwise), tables(&whole));
    }
    assert_eq!(
        schema::application(&whole).unwrap(),
        i64::from(schema::APPLICATION)
    );
}

#[test]
fn the_document_names_every_table_and_column() {
    const DOCUMENT: &str = include_str!("../../docs/record.md");
    let connection = Connection::open_in_memory().unwrap();
    schema::migrate(&connection, MIGRATIONS).unwrap();
    let mut select = connection
        .prepare(
            "SELECT m.name, c.name FROM sqlite_schema AS m, pragma_table_info(m.name) AS c
             WHERE m.type IN ('table', 'view')",
        )
        .unwrap();
    let rows = select.query_map([], |row| Ok([row.get(0)?, row.get(1)?]));
    let names: Vec<[String; 2]> = rows.unwrap().map(Result::unwrap).collect();
    assert!(names.len() > 40);
    for name in names.as_flattened() {
        // The text of a plan is told of in words.
        let is_named = DOCUMENT.contains(&format!("`{name}`")) || name == "text";
        assert!(is_named, "{name}");
    }
    for number in [i64::from(schema::APPLICATION), schema::last(MIGRATIONS)] {
        assert!(DOCUMENT.contains(&number.to_string()), "{number}");
    }
}

#[test]
fn the_views_say_what_was_kept() {
    let (_folder, path) = folder();
    let kinds = vec![
        started(None),
        serde_json::from_value(serde_json::json!({
            "event": "throw-sent", "turnout": "Q1", "throw": 1, "step": "visit",
            "commanded": "straight", "address": 9, "packet": "83 F9 7A",
        }))
        .unwrap(),
        seen("Q1", 1, &Observed::Between),
        serde_json::from_value(serde_json::json!({
            "event": "withdrawn", "turnout": "Q1", "throw": 1,
        }))
        .unwrap(),
        seen("Q1", 2, &Observed::Straight),
        serde_json::from_value(serde_json::json!({
            "event": "noted", "turnout": "Q1", "throw": 2, "text": "stiff", "photo": "7.jpg",
        }))
        .unwrap(),
        verdict("Q1", Verdict::Proved),
    ];
    run(&path, about(), kinds);
    let connection = Connection::open(&path).unwrap();
    let row = |query: &str| -> Vec<String> {
        let mut select = connection.prepare(query).unwrap();
        let rows = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let joined = "subject_kind || ' ' || subject || ' '";
    assert_eq!(
        row(&format!(
            "SELECT {joined} || address || ' ' || packet FROM throws"
        )),
        ["turnout Q1 9 83 F9 7A"]
    );
    assert_eq!(
        row(&format!(
            "SELECT {joined} || observed || ' ' || is_withdrawn FROM observations"
        )),
        ["turnout Q1 between 1", "turnout Q1 straight 0"]
    );
    assert_eq!(
        row("SELECT text || ' ' || photo FROM notes"),
        ["stiff 7.jpg"]
    );
    assert_eq!(
        row("SELECT subject || ' ' || verdict || ' ' || place FROM verdicts"),
        ["Q1 proved Quay"]
    );
}

/// What changes a mark, and what does not.
mod marks_change {
    use super::*;

    /// The marks that differ after an edit of the plan.
    fn changed(from: &str, to: &str) -> Vec<String> {
        assert!(PLAN.contains(from), "{from}");
        let edited = PLAN.replacen(from, to, 1);
        let edited = marks(&Plan::from_text("plan.toml", &edited).unwrap());
        let before = marks(&plan());
        let differ = before
            .iter()
            .filter(|(subject, mark)| edited.get(*subject) != Some(*mark));
        differ
            .map(|(subject, _)| subject.id().to_string())
            .collect()
    }

    #[test]
    fn comments_order_and_places_do_not() {
        assert!(changed("[layout]", "# a word\n\n[layout]").is_empty());
        let place = PLAN
            .lines()
            .find(|line| line.starts_with("place = "))
            .unwrap();
        assert!(changed(place, "place = \"Elsewhere\"").is_empty());
        let tables: Vec<_> = PLAN.split("[[turnout]]").collect();
        let (head, turnouts) = tables.split_first().unwrap();
        let signals = turnouts.last().unwrap().find("[[signal]]");
        let (last, rest) = turnouts.last().unwrap().split_at(signals.unwrap());
        let mut all: Vec<_> = turnouts[..turnouts.len() - 1].to_vec();
        all.push(last);
        all.reverse();
        let reversed = format!("{head}[[turnout]]{}\n{rest}", all.join("\n[[turnout]]"));
        let reversed = Plan::from_text("plan.toml", &reversed).unwrap();
        assert_ne!(reversed.turnouts[0].id, plan().turnouts[0].id);
        assert_eq!(marks(&reversed), marks(&plan()));
    }

    #[test]
    fn a_new_name_keeps_the_mark() {
        let renamed = PLAN.replace("\"Q1\"", "\"Q1-new\"");
        let renamed = marks(&Plan::from_text("plan.toml", &renamed).unwrap());
        let id = |id: &str| Subject::Turnout(Id::new(id));
        assert_eq!(renamed[&id("Q1-new")], marks(&plan())[&id("Q1")]);
    }

    #[test]
    fn what_the_proof_depends_on_does() {
        assert_eq!(
            changed("id = \"Q1\"", "id = \"Q1\"\nstraight_output = 0"),
            ["Q1"]
        );
        assert_eq!(
            changed("id = \"Q1\"", "id = \"Q1\"\nrest = \"diverging\""),
            ["Q1"]
        );
        let all = plan().turnouts.len() + plan().signals.len();
        let numbered = |word: &str| format!("[layout]\nnumbering = \"{word}\"");
        let other = PLAN.replacen(
            PLAN.lines()
                .find(|line| line.starts_with("numbering"))
                .unwrap(),
            "",
            1,
        );
        let of = |word: &str| {
            marks(&Plan::from_text("p", &other.replacen("[layout]", &numbered(word), 1)).unwrap())
        };
        let (linear, zero) = (of("linear"), of("from-zero"));
        let same = linear
            .iter()
            .filter(|(subject, mark)| zero.get(*subject) == Some(*mark));
        assert_eq!((same.count(), linear.len()), (0, all));
    }

    #[test]
    fn a_supply_changes_what_hangs_on_it() {
        let volts = PLAN
            .lines()
            .find(|line| line.starts_with("volts = "))
            .unwrap();
        let on_it = changed(volts, "volts = 15.5");
        assert!(
            !on_it.is_empty() && on_it.len() < marks(&plan()).len(),
            "{on_it:?}"
        );
    }

    /// Marks are compared with those of years ago: the way they are made must not change.
    #[test]
    fn they_are_as_they_were_made_before() {
        let text = "[layout]\nname = \"Pier\"\n[supply.s]\nkind = \"separate\"\nvolts = 16.0\n\
             amps = 2.5\n[decoder.D]\noutputs = 4\nfirst_address = 5\nsupply = \"s\"\n\
             output_kind = \"pulse\"\npulse_ms = 150\n[[turnout]]\nid = \"T\"\nshape = \"left\"\n\
             decoder = \"D\"\noutput = 1\n[[signal]]\nid = \"S\"\naddress = 60\n\
             kind = \"extended\"\naspects = { stop = 0, proceed = 1 }\n";
        let marks = marks(&Plan::from_text("p", text).unwrap());
        let found: Vec<_> = marks.values().map(|mark| &mark[..16]).collect();
        assert_eq!(found, ["ff307fbae3548dbf", "e58317f272e414a0"]);
    }
}

/// A record with something in it, as bytes.
fn sound() -> Vec<u8> {
    let (_folder, path) = folder();
    let observed = (1..60).map(|throw| seen("Q1", throw, &Observed::Straight));
    let kinds = std::iter::once(started(None)).chain(observed);
    run(&path, about(), kinds.collect());
    std::fs::read(&path).unwrap()
}

/// Reads all that can be read; what matters is that it comes back.
fn read_all(bytes: &[u8]) {
    let (_folder, path) = folder();
    std::fs::write(&path, bytes).unwrap();
    if let Ok(record) = Record::open_to_read(&path)
        && let Ok(runs) = record.runs()
    {
        for run in runs {
            let _log = record.log(run.id);
            let _chain = record.chain(run.id);
        }
        let _unfinished = record.latest_unfinished(false);
    }
    let _opened = Record::open(&path);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn garbage_is_an_error_and_left_alone(bytes in proptest::collection::vec(any::<u8>(), 1..4000)) {
        let (_folder, path) = folder();
        std::fs::write(&path, &bytes).unwrap();
        prop_assert!(Record::open(&path).is_err());
        prop_assert!(Record::open_to_read(&path).is_err());
        prop_assert_eq!(std::fs::read(&path).unwrap(), bytes);
    }

    #[test]
    fn damage_anywhere_is_no_panic(
        places in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..40),
        length in any::<prop::sample::Index>(),
        is_cut in any::<bool>(),
    ) {
        static SOUND: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();
        let mut bytes = SOUND.get_or_init(sound).clone();
        for (place, byte) in places {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        if is_cut {
            bytes.truncate(length.index(bytes.len()).max(1));
        }
        read_all(&bytes);
    }
}
