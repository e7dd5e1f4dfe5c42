//! The map of addresses that `check --map` shows.
#![expect(
    clippy::panic,
    clippy::unwrap_used,
    reason = "helpers of tests fail by panic"
)]

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use quick_xml::Reader;
use quick_xml::events::Event;
use throwproof::plan::draft::Draft;
use throwproof::view::map::{Map, svg, text};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
}

fn map(name: &str) -> Map {
    Map::of(&Draft::read(&fixture(name)).unwrap())
}

/// The titles of a drawing, which is held to be well-formed.
fn titles(svg: &str) -> Vec<String> {
    let mut reader = Reader::from_str(svg);
    reader.config_mut().check_end_names = true;
    let (mut titles, mut open, mut depth) = (Vec::new(), false, 0);
    loop {
        match reader
            .read_event()
            .unwrap_or_else(|error| panic!("{error}\n{svg}"))
        {
            Event::Start(start) => {
                depth += 1;
                open = start.name().as_ref() == b"title";
                if open {
                    titles.push(String::new());
                }
            }
            Event::End(_) => {
                depth -= 1;
                open = false;
            }
            Event::Text(words) if open => {
                titles
                    .last_mut()
                    .unwrap()
                    .push_str(&words.decode().unwrap());
            }
            Event::Eof => break,
            Event::Empty(_)
            | Event::Text(_)
            | Event::CData(_)
            | Event::Comment(_)
            | Event::Decl(_)
            | Event::PI(_)
            | Event::DocType(_)
            | Event::GeneralRef(_) => {}
        }
    }
    assert_eq!(depth, 0);
    titles
}

#[test]
fn kestrel_bay_at_the_terminal() {
    let shown = text(&map("kestrel-bay/plan.toml"));
    let rows: Vec<&str> = shown.lines().take(9).collect();
    assert_eq!(
        rows,
        [
            "Kestrel Bay: addresses in use",
            "",
            "   1  .... .... #### #### ....  D1 9-16: Q1 Q2 Q3 Q4W Q4E Q5 Q6 S3",
            "  21  #### #### .... .... ....  D2 21-28: F1 F2 F3L F3R F4 F5 M1 M2",
            "  41  .### ##+# #... .... ....  D3 42-49: M3 L1 L2 L3 L4 S4",
            "  61  #### .... .... .... ....  D4 61-64: B1 B2 B3 B4",
            "  81  ##++ .... .... .... ....  D5 81-84: S1 S2",
            "",
            "101 to 2048: nothing",
        ]
    );
    assert!(
        shown.lines().all(|line| line.chars().count() <= 80),
        "{shown}"
    );
}

#[test]
fn what_is_wrong_is_marked_at_the_terminal() {
    let shown = text(&map("plans/findings.toml"));
    for line in [
        "   1  .... ..++ ++++ !!++ ....  D1 7-14: A3 A4; D2 13-16: A3 A4",
        " 241  .... .... .... ??~~ ....  no decoder: B3 B4",
        "2041  ?xx? ~~~~  no decoder: B1 B2",
        "301 to 2000: nothing",
    ] {
        assert!(shown.lines().any(|other| other == line), "{line}\n{shown}");
    }
    assert!(
        shown.lines().all(|line| line.chars().count() <= 80),
        "{shown}"
    );
}

#[test]
fn a_drawing_is_well_formed_and_has_every_address_in_use() {
    for name in [
        "kestrel-bay/plan.toml",
        "plans/findings.toml",
        "reports/plan.toml",
    ] {
        let map = map(name);
        let drawing = svg(&map);
        let titles = titles(&drawing);
        assert!(titles[0].starts_with(&map.layout));
        let used = map.cells.iter().filter(|cell| !cell.is_empty());
        for cell in used {
            let named = format!("address {};", cell.address);
            let title = titles
                .iter()
                .find(|title| title.starts_with(&named))
                .unwrap();
            for user in &cell.users {
                assert!(title.contains(user.id.as_str()), "{title}");
            }
            for (block, output) in map.outputs(cell) {
                let words = format!("output {output} of {}", block.decoder);
                assert!(title.contains(&words), "{title}");
            }
            assert_eq!(
                title.contains("in use by several"),
                cell.is_double,
                "{title}"
            );
        }
        // Every cell has a title.
        let cells = drawing.matches("<g class=\"").count() - 6;
        assert_eq!(titles.len() - 1, cells);
    }
}

#[test]
fn names_that_xml_would_take_for_its_own_are_written_out() {
    let plan = "[layout]\nname = \"Quay & <Dock>\"\n[[turnout]]\nid = \"Q1\"\nplace = \"A \\\"B\\\" <c>\"\n\
                shape = \"left\"\naddress = 5\n";
    let file = throwproof::textfile::TextFile::from_text("slipway.toml", plan);
    let drawing = svg(&Map::of(&Draft::parse(file).unwrap()));
    titles(&drawing);
    assert!(drawing.contains("Quay &amp; &lt;Dock&gt;"));
}

#[test]
fn the_command_draws_into_a_file_and_shows_it_at_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let plan = fixture("kestrel-bay/plan.toml");
    let run = |arguments: &[&str]| {
        let mut command = Command::cargo_bin("throwproof").unwrap();
        command.current_dir(folder.path()).arg("check").arg(&plan);
        command.args(arguments).output().unwrap()
    };
    let output = run(&["--map", "map.svg"]);
    assert_eq!(output.status.code(), Some(0));
    let drawing = fs::read_to_string(folder.path().join("map.svg")).unwrap();
    assert_eq!(drawing, svg(&map("kestrel-bay/plan.toml")));
    let output = run(&["--map"]);
    let shown = String::from_utf8(output.stdout).unwrap();
    assert!(shown.starts_with("Kestrel Bay: 24 turnouts"), "{shown}");
    assert!(
        shown.ends_with(&text(&map("kestrel-bay/plan.toml"))),
        "{shown}"
    );
    // Neither a plan is written over, nor JSON mixed with characters.
    assert_eq!(run(&["--map", "plan.toml"]).status.code(), Some(2));
    assert!(!folder.path().join("plan.toml").exists());
    assert_eq!(
        run(&["--map", "-", "--format", "json"]).status.code(),
        Some(2)
    );
}
