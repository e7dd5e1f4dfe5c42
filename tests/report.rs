//! Reports: what they say, in each kind of file, and that they are written whole or not at all.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "of a parser's events only some are of interest"
)]

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use jiff::SignedDuration;
use proptest::prelude::*;
use quick_xml::events::Event as XmlEvent;
use scraper::{Html, Selector};
use serde_json::Value;
use throwproof::event::EventKind;
use throwproof::record::RunLog;
use throwproof::report::{
    After, Document, Nature, Report, State, Turn, prepare, write, write_files,
};
use throwproof::verdict::Verdict;

mod support {
    pub(crate) mod report;
}

use support::report as fixed;

const KINDS: [(&str, Document); 5] = [
    ("html", Document::Html),
    ("xml", Document::Junit),
    ("csv", Document::Csv),
    ("json", Document::Json),
    ("md", Document::Markdown),
];

/// Without the version, which changes with every release.
fn report(nature: Nature) -> Report {
    let mut report = fixed::fixed(nature);
    "0.0.0".clone_into(&mut report.version);
    report
}

fn text(report: &Report, kind: Document) -> String {
    String::from_utf8(kind.bytes(report).unwrap()).unwrap()
}

#[test]
fn each_kind_is_as_it_was() {
    for (ending, kind) in KINDS {
        let path = Path::new("fixtures/report").join(format!("expected.{ending}"));
        let made = kind.bytes(&report(Nature::Layout)).unwrap();
        if std::env::var_os("THROWPROOF_BLESS").is_some() {
            fs::write(&path, &made).unwrap();
        }
        let expected = fs::read(&path).unwrap();
        assert!(
            made == expected,
            "{} differs; look at it, and if it is right run the test with THROWPROOF_BLESS=1",
            path.display()
        );
    }
}

#[test]
fn it_says_how_everything_stands() {
    let report = report(Nature::Layout);
    let of = |id: &str| report.things().find(|thing| thing.id == id).unwrap();
    // Fixed in the last run; proved since then.
    assert_eq!((of("Q1").state, of("Q1").run), (State::Proved, Some(4)));
    assert_eq!(of("Q1").since.as_ref().unwrap().day(), "2026-10-03");
    assert!(of("Q1").accepted);
    // Left out of the last run: what was seen before still holds, since the run that saw it first.
    let q2 = of("Q2");
    assert_eq!(
        (q2.state, q2.run, q2.left_out),
        (State::Proved, Some(3), Some(4))
    );
    assert_eq!(q2.since.as_ref().unwrap().to_string(), "2026-09-12 08:30");
    assert!(!q2.accepted, "its frog has the wrong polarity");
    assert_eq!(of("Q3").verdict, Some(Verdict::OneWay));
    assert_eq!(
        (of("M2").state, of("S1").state),
        (State::Skipped, State::Failed)
    );
    let counts = report.counts;
    let numbers = [
        counts.total,
        counts.proved,
        counts.failed,
        counts.skipped,
        counts.open,
    ];
    assert_eq!(numbers, [8, 3, 4, 1, 0]);
    let acceptance = report.acceptance.unwrap();
    assert_eq!((acceptance.accepted, acceptance.listed), (1, 2));
    // clause: S-9.2.1 (January 2025), second-hand: 253 is binary 256 in linear numbering.
    assert_eq!((of("M1").address, of("M1").binary_address), (253, 256));
}

#[test]
fn what_was_withdrawn_is_not_told() {
    let report = report(Nature::Layout);
    let q1 = report.things().find(|thing| thing.id == "Q1").unwrap();
    assert_eq!(q1.throws.len(), 3);
    assert!(
        q1.throws.iter().all(|throw| throw.as_sent),
        "{:?}",
        q1.throws
    );
}

#[test]
fn the_worst_comes_first_and_has_advice_and_throws() {
    let report = report(Nature::Layout);
    let failures = report.failures();
    let ids: Vec<_> = failures
        .iter()
        .map(|(_, thing)| thing.id.as_str())
        .collect();
    assert_eq!(ids, ["F2", "M1", "S1", "Q3"]);
    for (_, thing) in failures {
        assert!(
            !thing.advice.is_empty() && !thing.throws.is_empty(),
            "{}",
            thing.id
        );
        assert!(
            thing.throws.iter().any(|throw| !throw.as_sent),
            "{}",
            thing.id
        );
    }
}

#[test]
fn a_diagnosis_stands_in_place_of_what_the_verdict_suggests() {
    let report = report(Nature::Layout);
    let of = |id: &str| report.things().find(|thing| thing.id == id).unwrap();
    let line = |id: &str| of(id).diagnosis.as_ref().unwrap();
    let q3 = line("Q3");
    assert!(q3.holds && q3.since_then == After::Nothing);
    let [advice] = &of("Q3").advice[..] else {
        panic!("one cause is named")
    };
    assert_eq!((advice.percent, advice.caution), (Some(97), Some("unplug")));
    assert!(advice.cause.starts_with("The coil for diverging"));
    // It was mended and fails still: what the verdict suggests is worth a look again.
    let f2 = line("F2");
    assert_eq!((f2.since_then, f2.holds), (After::StillFails, false));
    assert!(of("F2").advice.iter().all(|line| line.percent.is_none()));
    // Explained by another's, and not proved yet.
    let m1 = line("M1");
    assert_eq!(m1.by_way_of.as_deref(), Some("F2"));
    assert_eq!((m1.since_then, m1.holds), (After::Mended, true));
    assert_eq!(of("M1").advice.len(), 1, "the likeliest cause explains it");
    assert!(of("Q1").diagnosis.is_none());
    for (ending, kind) in KINDS {
        let text = text(&report, kind).replace('\\', "");
        assert!(text.contains("97 % sure"), "{ending}");
        assert!(text.contains("fails still") || ending == "json", "{ending}");
    }
}

/// The run of that number with another number and day, and what `change` makes of it.
fn later(runs: &[RunLog], run: i64, id: i64, change: impl FnOnce(&mut RunLog)) -> RunLog {
    let mut log = runs.iter().find(|log| log.info.id == run).unwrap().clone();
    log.info.id = id;
    for logged in &mut log.events {
        logged.at = logged
            .at
            .checked_add(SignedDuration::from_hours(24 * 60))
            .unwrap();
    }
    change(&mut log);
    log
}

#[test]
fn a_diagnosis_holds_until_the_turnout_is_proved_or_changed() {
    let plan = fixed::plan(fixed::PLAN);
    let runs = fixed::of_nature(fixed::runs(fixed::RUNS, &plan), Nature::Layout);
    let with = |more: RunLog| {
        let mut runs = runs.clone();
        runs.push(more);
        fixed::report(&runs, &plan, Nature::Layout)
    };
    let q3 = |report: &Report| {
        let thing = report.things().find(|thing| thing.id == "Q3").unwrap();
        thing.diagnosis.as_ref().map(|it| (it.since_then, it.holds))
    };
    // Failing alike in a later run changes nothing about why.
    let alike = with(later(&runs, 4, 7, |_| {}));
    assert_eq!(q3(&alike), Some((After::Nothing, true)));
    let otherwise = with(later(&runs, 3, 7, |_| {}));
    assert_eq!(q3(&otherwise), Some((After::Nothing, false)));
    let proved = with(later(&runs, 4, 7, |log| {
        for logged in &mut log.events {
            if let EventKind::Verdict { verdict, .. } = &mut logged.event.kind {
                *verdict = Verdict::Proved;
            }
        }
    }));
    assert_eq!(q3(&proved), Some((After::Proved, false)));
    // Of a turnout that the plan has otherwise now it says nothing.
    let mut changed = runs.clone();
    for log in &mut changed {
        let id = throwproof::plan::Id::new("Q3");
        log.marks.insert(
            throwproof::event::Subject::Turnout(id),
            "another".to_owned(),
        );
    }
    assert_eq!(q3(&fixed::report(&changed, &plan, Nature::Layout)), None);
}

#[test]
fn changes_are_against_what_stood_before_the_last_run() {
    let report = report(Nature::Layout);
    let changes: Vec<_> = report
        .changes
        .iter()
        .map(|change| (change.id.as_str(), change.to))
        .collect();
    let expected = [
        ("Q3", Turn::Otherwise),
        ("Q1", Turn::Fixed),
        ("F1", Turn::Fixed),
    ];
    assert_eq!(changes, expected);
}

#[test]
fn runs_that_carry_on_are_one_for_changes() {
    let plan = fixed::plan(fixed::PLAN);
    let mut runs = fixed::of_nature(fixed::runs(fixed::RUNS, &plan), Nature::Layout);
    runs.retain(|log| log.info.id < 4);
    let report = fixed::report(&runs, &plan, Nature::Layout);
    // Runs 2 and 3 are all there is, and 3 carries on 2: nothing stood before.
    assert!(report.changes.is_empty(), "{:?}", report.changes);
    assert_eq!(report.runs[1].continues, Some(2));
}

#[test]
fn what_the_plan_changed_since_is_open() {
    let plan = fixed::plan(fixed::PLAN);
    let runs = fixed::of_nature(fixed::runs(fixed::RUNS, &plan), Nature::Layout);
    let now = fixed::plan(&fixed::PLAN.replace("straight_output = 0", "straight_output = 1"));
    let report = fixed::report(&runs, &now, Nature::Layout);
    let q2 = report.things().find(|thing| thing.id == "Q2").unwrap();
    assert_eq!(q2.state, State::Changed);
    assert_eq!(report.counts.open, 1);
    assert!(!q2.accepted && q2.looks.iter().all(|look| look.found.is_none()));
}

#[test]
fn what_the_plan_has_no_more_is_history() {
    let plan = fixed::plan(fixed::PLAN);
    let runs = fixed::of_nature(fixed::runs(fixed::RUNS, &plan), Nature::Layout);
    let now = fixed::plan(&fixed::PLAN.replace("id = \"M1\"", "id = \"M9\""));
    let report = fixed::report(&runs, &now, Nature::Layout);
    assert_eq!(report.gone, ["M1"]);
    assert_eq!(report.counts.open, 1, "M9 was never tried");
}

#[test]
fn every_kind_says_what_a_rehearsal_is_worth() {
    let words = "rehearsal on the simulated track: proves nothing of the layout";
    for (ending, kind) in KINDS {
        let rehearsal = text(&report(Nature::Rehearsal), kind);
        let real = text(&report(Nature::Layout), kind);
        if kind == Document::Json {
            assert!(rehearsal.contains("\"nature\": \"rehearsal\""));
            assert!(real.contains("\"nature\": \"layout\""));
        } else {
            assert!(rehearsal.contains(words), "{ending}");
            assert!(!real.contains(words), "{ending}");
        }
    }
    let summary = throwproof::report::summary(&report(Nature::Rehearsal));
    assert!(summary.contains(words));
}

#[test]
fn every_kind_but_tables_has_the_cautions_and_whom_to_believe() {
    let report = report(Nature::Layout);
    let unmarked = |text: String| text.replace('\\', "").replace("&#39;", "'");
    for kind in [Document::Html, Document::Markdown] {
        let text = unmarked(text(&report, kind));
        assert!(text.contains(throwproof::cautions::DEFER));
        for caution in &throwproof::cautions::ALL {
            assert!(text.contains(caution.text), "{}", caution.code);
        }
    }
}

fn schema() -> Value {
    serde_json::from_str(include_str!("../docs/schema/report.schema.json")).unwrap()
}

fn check_json(report: &Report) {
    let schema = schema();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let value: Value = serde_json::from_str(&text(report, Document::Json)).unwrap();
    if let Err(error) = validator.validate(&value) {
        panic!("{error} at {}", error.instance_path());
    }
}

#[test]
fn the_json_keeps_to_its_schema() {
    jsonschema::meta::validate(&schema()).unwrap_or_else(|error| panic!("{error}"));
    check_json(&report(Nature::Layout));
    check_json(&report(Nature::Rehearsal));
    let validator = jsonschema::validator_for(&schema()).unwrap();
    let mut value: Value =
        serde_json::from_str(&text(&report(Nature::Layout), Document::Json)).unwrap();
    value["places"][0]["things"][0]["state"] = "fine".into();
    assert!(!validator.is_valid(&value));
}

/// A page that needs nothing else, is sound, and has what people with a screen reader need.
fn check_html(report: &Report) -> Html {
    let text = text(report, Document::Html);
    let page = Html::parse_document(&text);
    assert!(page.errors.is_empty(), "{:?}", page.errors);
    let all = |selector: &str| {
        let selector = Selector::parse(selector).unwrap();
        page.select(&selector).count()
    };
    assert_eq!(all("html[lang=en]"), 1);
    assert_eq!((all("h1"), all("main"), all("head > title")), (1, 1, 1));
    assert_eq!(
        all("script, link, img, iframe, object, embed, base, form"),
        0
    );
    for attribute in [
        "src",
        "srcset",
        "background",
        "xlink\\:href",
        "onload",
        "onclick",
    ] {
        assert_eq!(all(&format!("[{attribute}]")), 0, "{attribute}");
    }
    assert_eq!(all("a"), all("a[href^='#']"), "links lead nowhere else");
    assert_eq!(all("table"), all("table > caption"));
    assert_eq!(all("thead th"), all("thead th[scope=col]"));
    assert_eq!(all("tbody th"), all("tbody th[scope]"));
    assert_eq!(all("svg"), all("svg[role=img][aria-label]"));
    let styles = Selector::parse("style").unwrap();
    for style in page.select(&styles) {
        let style: String = style.text().collect();
        assert!(!style.contains("url(") && !style.contains("@import"));
    }
    page
}

#[test]
fn the_page_needs_nothing_else_and_reads_well() {
    let page = check_html(&report(Nature::Layout));
    let headings = Selector::parse("h1, h2, h3, h4").unwrap();
    let mut before = 0;
    for heading in page.select(&headings) {
        let level: u8 = heading.value().name()[1..].parse().unwrap();
        assert!(
            level <= before + 1,
            "a level is left out before {:?}",
            heading.html()
        );
        before = level;
    }
    let ids = Selector::parse("a[href^='#']").unwrap();
    for link in page.select(&ids) {
        let target = link.value().attr("href").unwrap();
        let target = Selector::parse(target).unwrap();
        assert_eq!(page.select(&target).count(), 1, "{:?}", link.html());
    }
}

/// Relative luminance and contrast by WCAG 2.1, clause 1.4.3 and its definitions.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |colour: &str| {
        let digits = colour.trim_start_matches('#');
        let wide: String = if digits.len() == 3 {
            digits.chars().flat_map(|digit| [digit, digit]).collect()
        } else {
            digits.to_owned()
        };
        let part = |at: usize| {
            let part = u8::from_str_radix(&wide[at..at + 2], 16).unwrap();
            let part = f64::from(part) / 255.0;
            if part <= 0.03928 {
                part / 12.92
            } else {
                ((part + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn colours_have_contrast_in_light_and_dark() {
    let style = include_str!("../templates/report.css");
    let mut schemes = 0;
    for block in style.split(":root {").skip(1) {
        let block = block.split('}').next().unwrap();
        let colour = |name: &str| {
            let after = block.split(&format!("--{name}: ")).nth(1)?;
            after.split(';').next().map(str::to_owned)
        };
        let paper = colour("paper").unwrap_or_else(|| "#fff".to_owned());
        schemes += usize::from(colour("paper").is_some());
        for name in ["ink", "soft", "good", "bad", "wait"] {
            let Some(ink) = colour(name) else { continue };
            let contrast = contrast(&ink, &paper);
            // clause: WCAG 2.1, 1.4.3: at least 4.5 to 1 for text.
            assert!(contrast >= 4.5, "{name} {ink} on {paper}: {contrast}");
        }
    }
    assert_eq!(schemes, 2);
}

/// Names of the test cases, and how many failed and were skipped, read by a general parser.
fn check_xml(report: &Report) -> (Vec<String>, usize, usize) {
    let text = text(report, Document::Junit);
    let mut reader = quick_xml::Reader::from_str(&text);
    reader.config_mut().check_end_names = true;
    let (mut names, mut failures, mut skipped) = (Vec::new(), 0, 0);
    loop {
        match reader.read_event().unwrap() {
            XmlEvent::Start(tag) | XmlEvent::Empty(tag) => {
                let mut attributes = std::collections::BTreeMap::new();
                for attribute in tag.attributes() {
                    let attribute = attribute.unwrap();
                    let value = attribute
                        .decoded_and_normalized_value(
                            quick_xml::XmlVersion::Implicit1_0,
                            reader.decoder(),
                        )
                        .unwrap();
                    attributes.insert(attribute.key.as_ref().to_vec(), value.into_owned());
                }
                match tag.name().as_ref() {
                    b"testcase" => names.push(attributes[&b"name"[..]].clone()),
                    b"failure" => failures += 1,
                    b"skipped" => skipped += 1,
                    _ => {}
                }
            }
            XmlEvent::Eof => break,
            _ => {}
        }
    }
    (names, failures, skipped)
}

#[test]
fn junit_has_a_case_for_each() {
    let (names, failures, skipped) = check_xml(&report(Nature::Layout));
    assert_eq!(names, ["Q1", "Q2", "Q3", "F1", "F2", "M1", "M2", "S1"]);
    assert_eq!((failures, skipped), (4, 1));
}

/// The rows of the table, read back.
fn check_csv(report: &Report) -> Vec<csv::StringRecord> {
    let text = text(report, Document::Csv);
    let text = text.strip_prefix('\u{feff}').unwrap();
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), report.counts.total);
    for cell in rows.iter().flatten() {
        assert!(
            !cell.starts_with(['=', '+', '-', '@', '\t', '\r']),
            "{cell:?}"
        );
    }
    rows
}

#[test]
fn the_table_has_a_row_for_each() {
    let rows = check_csv(&report(Nature::Layout));
    assert_eq!(&rows[0][0], "Q1");
    assert_eq!(&rows[5][5], "256");
    let text = text(&report(Nature::Layout), Document::Csv);
    assert_eq!(text.matches("\r\n").count(), 9);
    assert_eq!(text.matches('\n').count(), 9);
}

/// The cells of the Markdown table by place: pipes that are not escaped.
fn check_markdown(report: &Report) {
    let text = text(report, Document::Markdown);
    let table = text.split("## By place").nth(1).unwrap();
    let rows = table.lines().filter(|line| line.starts_with("| "));
    for row in rows.take(report.counts.total + 2) {
        assert_eq!(row.replace("\\|", "").matches('|').count(), 11, "{row}");
    }
    assert!(!text.contains("<script"), "a tag");
}

/// Words that break files that were made carelessly.
fn nasty() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("<script>alert(1)</script>".to_owned()),
        Just("</style></title>\"'><img src=x onerror=alert(1)>".to_owned()),
        Just("=cmd()|' /C calc'!A0".to_owned()),
        Just("-2+3,\"quoted\";\r\nnext | row".to_owned()),
        Just("@SUM(A1:A9)\ttab".to_owned()),
        Just("Äußere Weiche №7 → Süd".to_owned()),
        Just("🚂🚃👩‍🔧".to_owned()),
        Just("\u{202e}\u{200f}תחנת הנמל".to_owned()),
        Just("]]>&amp;{{ layout }}{% raw %}".to_owned()),
        Just("\\) BT /F1 99 Tf (".to_owned()),
        Just("W".repeat(200)),
        Just("\u{0}\u{7}\u{1b}[31m\u{85}\u{fffe}".to_owned()),
        "\\PC{0,200}",
        ".{0,60}",
    ]
}

fn with_nasty_words(words: &[String; 5], nature: Nature) -> Report {
    let mut plan = fixed::plan(fixed::PLAN);
    let [layout, place, decoder, tester, note] = words;
    plan.layout.name.clone_from(layout);
    plan.turnouts[0].place.clone_from(place);
    plan.turnouts[3].place.clone_from(note);
    plan.signals[0].place.clone_from(decoder);
    plan.decoders[0].place.clone_from(decoder);
    let mut runs = fixed::of_nature(fixed::runs(fixed::RUNS, &plan), nature);
    for log in &mut runs {
        log.info.tester.clone_from(tester);
        log.info.link.clone_from(note);
        for logged in &mut log.events {
            use throwproof::event::Diagnosed;
            if let EventKind::Noted { note: written, .. } = &mut logged.event.kind {
                written.text.clone_from(note);
                written.photo.clone_from(place);
            }
            if let EventKind::Verdict { detail, .. } = &mut logged.event.kind {
                detail.clone_from(note);
            }
            if let EventKind::Diagnosis(Diagnosed::Diagnosis { causes, .. }) =
                &mut logged.event.kind
            {
                for cause in causes {
                    cause.says.clone_from(note);
                    cause.mend.clone_from(place);
                    cause.speaks_for = vec![tester.clone()];
                }
            }
        }
    }
    fixed::report(&runs, &plan, nature)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn nasty_words_break_no_kind(words in prop::array::uniform5(nasty()), real in any::<bool>()) {
        let nature = if real { Nature::Layout } else { Nature::Rehearsal };
        let report = with_nasty_words(&words, nature);
        let text = text(&report, Document::Html);
        let page = Html::parse_document(&text);
        prop_assert!(page.errors.is_empty(), "{:?}", page.errors);
        let scripts = Selector::parse("script, img, iframe, [onerror]").unwrap();
        prop_assert_eq!(page.select(&scripts).count(), 0);
        let heading = Selector::parse("h1").unwrap();
        let shown: String = page.select(&heading).next().unwrap().text().collect();
        // HTML reads any line end as a line feed; what it can't hold is replaced.
        let expected = words[0].replace("\r\n", "\n").replace('\r', "\n");
        let bad = |one: char| (one.is_control() && !"\n\t".contains(one)) || "\u{fffe}\u{ffff}".contains(one);
        let expected = expected.replace(bad, "\u{fffd}");
        prop_assert_eq!(shown, expected);
        let (names, ..) = check_xml(&report);
        prop_assert_eq!(names.len(), 8);
        check_csv(&report);
        check_markdown(&report);
        let value: Value = serde_json::from_str(&self::text(&report, Document::Json)).unwrap();
        prop_assert_eq!(value["layout"].as_str().unwrap(), &words[0]);
        let summary = throwproof::report::summary(&report);
        prop_assert!(summary.chars().all(|letter| letter == '\n' || !letter.is_control()));
    }
}

#[test]
fn kinds_and_places_are_looked_at_before_anything_is_done() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    assert!(prepare(&[path("a.html"), path("b.CSV")]).is_ok());
    let message = |path: PathBuf| {
        let error = prepare(&[path]).unwrap_err();
        format!("{error} / {}", error.help())
    };
    for kind in [".html", ".xml", ".csv", ".json", ".md"] {
        assert!(message(path("a.pdf")).contains(kind));
    }
    assert!(message(path("a")).contains(".html"));
    assert!(message(path("none/a.html")).contains("none/a.html"));
    fs::create_dir(path("folder.html")).unwrap();
    assert!(message(path("folder.html")).contains("is no file"));
    assert_eq!(
        fs::read_dir(folder.path()).unwrap().count(),
        1,
        "nothing is left behind"
    );
}

#[test]
fn reports_are_written_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let (first, second) = (folder.path().join("a.md"), folder.path().join("b.csv"));
    fs::write(&first, "old").unwrap();
    let targets = prepare(&[first.clone(), second.clone()]).unwrap();
    write(&targets, &report(Nature::Layout)).unwrap();
    let expected = Document::Markdown.bytes(&report(Nature::Layout)).unwrap();
    assert_eq!(fs::read(&first).unwrap(), expected);
    assert!(second.exists());

    // One that can't be written leaves the others as they were.
    let gone = folder.path().join("gone/c.md");
    let files = [(first.clone(), b"new".to_vec()), (gone, b"new".to_vec())];
    let error = write_files(&files).unwrap_err().to_string();
    assert!(error.contains("gone/c.md"), "{error}");
    assert_eq!(fs::read(&first).unwrap(), expected);
    assert_eq!(
        fs::read_dir(folder.path()).unwrap().count(),
        2,
        "nothing is left behind"
    );
}

#[cfg(unix)]
#[test]
fn others_may_read_a_report_as_any_file_of_this_user() {
    use std::os::unix::fs::{PermissionsExt as _, symlink};
    let folder = tempfile::tempdir().unwrap();
    let usual = folder.path().join("usual");
    fs::write(&usual, "").unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let path = folder.path().join("a.md");
    write_files(&[(path.clone(), b"one".to_vec())]).unwrap();
    assert_eq!(mode(&path), mode(&usual));
    // One that is replaced keeps who may read it, also behind a link.
    fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
    let link = folder.path().join("link.md");
    symlink("a.md", &link).unwrap();
    write_files(&[(link.clone(), b"two".to_vec())]).unwrap();
    assert_eq!(
        (mode(&path), fs::read(&path).unwrap()),
        (0o640, b"two".to_vec())
    );
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
}

/// Runs the program in a folder with Kestrel Bay's plan in it.
fn throwproof(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("throwproof")
        .unwrap()
        .current_dir(folder)
        .env_remove("THROWPROOF_RECORD")
        .args(arguments)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

fn kestrel_bay() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["plan.toml", "as-built.toml"] {
        let from = Path::new("fixtures/kestrel-bay").join(name);
        fs::copy(from, folder.path().join(name)).unwrap();
    }
    folder
}

#[test]
fn without_a_record_it_says_where_it_looked_and_how_one_comes_about() {
    let folder = kestrel_bay();
    let (code, out, err) = throwproof(folder.path(), &["report", "plan.toml"]);
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(
        err.contains("plan.record") && err.contains("sweep"),
        "{err}"
    );
    let named = ["report", "plan.toml", "--record", "elsewhere.record"];
    let (code, _, err) = throwproof(folder.path(), &named);
    assert_eq!(code, 2);
    assert!(err.contains("elsewhere.record"), "{err}");
}

#[test]
fn the_program_reports_what_it_recorded() {
    let folder = kestrel_bay();
    let run = |arguments: &[&str]| throwproof(folder.path(), arguments);
    run(&["sweep", "plan.toml", "--as-built", "as-built.toml"]);
    let (code, out, _) = run(&["report", "plan.toml"]);
    assert_eq!(code, 1);
    assert!(
        out.starts_with("Kestrel Bay: 14 of 28 proved, 14 failed\n"),
        "{out}"
    );
    assert!(out.contains("rehearsal on the simulated track"), "{out}");
    run(&["sweep", "plan.toml"]);
    let (code, out, _) = run(&["report", "plan.toml"]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("fixed: proved, was reversed"), "{out}");
    let (code, out, _) = run(&["report", "plan.toml", "--run", "1", "--format", "json"]);
    assert_eq!(code, 1);
    let value: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(value["counts"]["failed"], 14);
    assert_eq!(value["plan"]["source"], "record");
    let (code, _, err) = run(&["report", "plan.toml", "--run", "7"]);
    assert_eq!(code, 2);
    assert!(err.contains("runs 1 to 2"), "{err}");
    let (_, out, _) = run(&["report", "plan.toml", "--history"]);
    assert!(out.contains("Kestrel Bay: 2 runs"), "{out}");

    let files = ["r.html", "r.xml", "r.csv", "r.json", "r.md"];
    let mut arguments = vec!["report", "plan.toml"];
    arguments.extend(files.iter().flat_map(|file| ["--report", file]));
    let (code, out, err) = run(&arguments);
    assert_eq!((code, out.as_str()), (0, ""), "{err}");
    for file in files {
        assert!(
            folder.path().join(file).metadata().unwrap().len() > 1000,
            "{file}"
        );
        assert!(err.contains(file), "{err}");
    }
    let (code, _, err) = run(&["report", "plan.toml", "--report", "r.docx"]);
    assert_eq!(code, 2);
    assert!(err.contains(".html"), "{err}");
    let (code, _, err) = run(&["report", "plan.toml", "--rehearsals", "--run", "1"]);
    assert_eq!(code, 2, "{err}");
}

#[test]
fn where_the_plan_is_gone_its_text_in_the_record_serves() {
    let folder = kestrel_bay();
    let run = |arguments: &[&str]| throwproof(folder.path(), arguments);
    run(&["sweep", "plan.toml"]);
    fs::remove_file(folder.path().join("plan.toml")).unwrap();
    let (code, out, err) = run(&["report", "plan.toml"]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("28 of 28 proved"), "{out}");
    assert!(err.contains("the record has"), "{err}");
}

#[test]
fn the_report_in_short_tells_notes_and_looks_that_found_something() {
    let summary = throwproof::report::summary(&report(Nature::Layout));
    let after = |head: &str| {
        let mut lines = summary.lines().skip_while(|line| *line != head).skip(1);
        lines.next().unwrap_or_default().to_owned()
    };
    assert_eq!(
        after("not good at a closer look:"),
        "  Q2       frog-polarity"
    );
    let note = after("notes:");
    let told = "leads look swapped at the terminal (photo IMG_0412.jpg)";
    assert!(
        note.starts_with("  Q1 ") && note.ends_with(told),
        "{summary}"
    );
}

#[test]
fn the_program_tells_what_a_diagnosis_came_to() {
    let folder = kestrel_bay();
    let run = |arguments: &[&str]| throwproof(folder.path(), arguments);
    run(&["sweep", "plan.toml", "--as-built", "as-built.toml"]);
    let (code, _, err) = run(&["diagnose", "plan.toml", "Q1", "--as-built", "as-built.toml"]);
    assert_eq!(code, 1, "{err}");
    let (_, out, _) = run(&["report", "plan.toml", "--history"]);
    let cause = "sure: Its two output leads are exchanged";
    assert!(
        out.lines()
            .any(|line| line.contains("run 2    diagnosis") && line.contains(cause)),
        "{out}"
    );
    let (_, out, _) = run(&["report", "plan.toml"]);
    assert!(out.contains("diagnosed:") && out.contains(cause), "{out}");
    assert!(
        out.contains("likeliest: Its two output leads are exchanged"),
        "{out}"
    );
    // The layout is swept again, and nothing is wrong with it any more.
    run(&["sweep", "plan.toml"]);
    let (code, out, _) = run(&["report", "plan.toml"]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains(cause) && out.contains("proved since"), "{out}");
    let (_, out, _) = run(&["report", "plan.toml", "--run", "1"]);
    assert!(!out.contains("diagnosed:"), "{out}");
}
