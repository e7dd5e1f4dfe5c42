//! Reading plans: what is understood, and what is said of what is not.

#![expect(clippy::panic, reason = "helpers of tests fail by panic")]

use std::fs;
use std::path::{Path, PathBuf};

use throwproof::plan::{Drive, Look, OutputRef, Plan, PlanError, Shape, SignalKind, SupplyKind};
use throwproof::textfile::{FileError, TextFile};
use throwproof::toml_reader::Problems;
use throwproof::view::problems::{render, render_file_error};
use throwproof_protocol::address::{Numbering, PairBit, Position};

#[path = "support/big_plan.rs"]
mod big_plan;

const LAYOUT: &str = "[layout]\nname = \"Slipway\"\n";

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
}

fn refused(text: &str) -> Problems {
    match Plan::from_text("slipway.toml", text) {
        Err(problems) => problems,
        Ok(plan) => panic!("this plan was taken:\n{text}\n{plan:#?}"),
    }
}

/// Code, line and column of each problem.
fn told(problems: &Problems) -> Vec<(&'static str, u32, u32)> {
    let told = problems.list.iter().map(|problem| {
        let place = problems.file.position(problem.at.start);
        (problem.fault.code(), place.line, place.column)
    });
    told.collect()
}

fn file_error(path: &Path) -> FileError {
    match Plan::load(path) {
        Err(PlanError::File(error)) => error,
        other => panic!("{}: {other:?}", path.display()),
    }
}

#[test]
fn kestrel_bay_is_understood() {
    let plan = Plan::load(&fixture("kestrel-bay/plan.toml")).unwrap();
    assert_eq!(plan.layout.name, "Kestrel Bay");
    assert_eq!(plan.layout.numbering, Numbering::Linear);
    let counts = (
        plan.turnouts.len(),
        plan.signals.len(),
        plan.decoders.len(),
        plan.supplies.len(),
    );
    assert_eq!(counts, (24, 4, 5, 2));
    let ids: Vec<_> = plan
        .decoders
        .iter()
        .map(|decoder| decoder.id.as_str())
        .collect();
    assert_eq!(
        ids,
        ["D1", "D2", "D3", "D4", "D5"],
        "in the order of the file"
    );

    let quay = &plan.supplies[0];
    assert_eq!(
        (quay.id.as_str(), quay.kind, quay.volts),
        ("quay", SupplyKind::Separate, 16.0)
    );
    assert_eq!(quay.capacitor.map(|unit| unit.microfarads), Some(10_000.0));
    assert_eq!(plan.decoders[0].supply, Some(0));
}

#[test]
fn turnouts_and_signals_of_kestrel_bay_find_their_outputs() {
    let plan = Plan::load(&fixture("kestrel-bay/plan.toml")).unwrap();
    // Wired by decoder and output: the address follows from the block.
    let q3 = plan.turnout("Q3").unwrap();
    assert_eq!(
        (q3.address.get(), q3.output),
        (
            11,
            Some(OutputRef {
                decoder: 0,
                number: 3
            })
        )
    );
    assert_eq!(
        (q3.shape, q3.drive, q3.drives),
        (Shape::Right, Drive::TwinCoil, 1)
    );
    assert_eq!(
        (q3.straight_bit, q3.rest),
        (PairBit::One, Position::Straight)
    );
    // Given by its address alone: the decoder whose block holds it drives it.
    let f4 = plan.turnout("F4").unwrap();
    assert_eq!(
        (f4.address.get(), f4.output),
        (
            25,
            Some(OutputRef {
                decoder: 1,
                number: 5
            })
        )
    );
    assert_eq!(plan.turnout("M2").unwrap().straight_bit, PairBit::Zero);
    assert_eq!(plan.turnout("Q6").unwrap().rest, Position::Diverging);
    assert_eq!(plan.turnout("B1").unwrap().drives, 2);

    let s4 = plan.signal("S4").unwrap();
    assert_eq!(
        (s4.kind, s4.address.get(), s4.addresses()),
        (SignalKind::Pairs, 48, 2)
    );
    let names: Vec<_> = s4
        .aspects
        .iter()
        .map(|aspect| aspect.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["stop", "proceed", "caution"],
        "in the order of the file"
    );
    let text = fs::read_to_string(&plan.source).unwrap();
    for turnout in &plan.turnouts {
        let line = text.lines().nth(turnout.line as usize - 1);
        assert_eq!(
            line,
            Some("[[turnout]]"),
            "{} is said to be on line {}",
            turnout.id,
            turnout.line
        );
    }
}

#[test]
fn what_a_plan_leaves_out_has_plain_defaults() {
    let text = format!(
        "{LAYOUT}[decoder.P]\noutputs = 4\nfirst_address = 5\n\
         [decoder.V]\noutputs = 4\nfirst_address = 9\noutput_kind = \"servo\"\n\
         [[turnout]]\nid = \"W1\"\nshape = \"wye\"\naddress = 100\n"
    );
    let plan = Plan::from_text("slipway.toml", &text).unwrap();
    assert_eq!(
        (plan.decoders[0].pulse_ms, plan.decoders[1].pulse_ms),
        (150, 0)
    );
    let turnout = &plan.turnouts[0];
    assert_eq!(
        (turnout.output, turnout.amps, turnout.drives),
        (None, None, 1)
    );
    assert_eq!(
        (turnout.drive, turnout.place.as_str()),
        (Drive::TwinCoil, "")
    );
    assert_eq!(
        (turnout.rest, turnout.straight_bit),
        (Position::Straight, PairBit::One)
    );
    assert!(!turnout.position_reports && !turnout.shares_address);
}

#[test]
fn a_byte_order_mark_and_crlf_change_nothing() {
    let text = fs::read_to_string(fixture("kestrel-bay/plan.toml")).unwrap();
    let plain = Plan::from_text("plan.toml", &text).unwrap();
    let windows = format!("\u{feff}{}", text.replace('\n', "\r\n"));
    assert_eq!(Plan::from_text("plan.toml", &windows).unwrap(), plain);
    // Through a file as well.
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("plan.toml");
    fs::write(&path, windows).unwrap();
    assert_eq!(Plan::load(&path).unwrap().turnouts, plain.turnouts);
}

/// A plan with one thing wrong: the text below the layout, then code, line and column, a part
/// of what is said and a part of how to mend it.
type Wrong = (
    &'static str,
    (&'static str, u32, u32),
    &'static str,
    &'static str,
);

const W1: &str = "[[turnout]]\nid = \"W1\"\nshape = \"left\"\n";

const WRONG: &[Wrong] = &[
    // `@` stands for the lines of a turnout without address, from line 3 on.
    (
        "@adress = 12\naddress = 12\n",
        ("unknown-key", 6, 1),
        "`adress` in [[turnout]]",
        "`address`",
    ),
    (
        "@address = 1\ncolour = 3\n",
        ("unknown-key", 7, 1),
        "unknown key `colour`",
        "can have id,",
    ),
    (
        "turnoutt = 1\n",
        ("unknown-key", 3, 1),
        "`turnoutt` in [layout]",
        "can have name,",
    ),
    (
        "[trunout]\n",
        ("unknown-key", 3, 2),
        "`trunout` in the file",
        "`turnout`",
    ),
    (
        "[[turnout]]\nid = \"W1\"\naddress = 1\n",
        ("missing-key", 3, 1),
        "no `shape`",
        "`shape = ",
    ),
    (
        "@address = \"12\"\n",
        ("wrong-type", 6, 11),
        "must be a whole number",
        "address = 2",
    ),
    (
        "@address = 12.0\n",
        ("wrong-type", 6, 11),
        "a number with a decimal point",
        "address = 2",
    ),
    (
        "[turnout]\nid = \"W1\"\n",
        ("wrong-type", 3, 1),
        "list of tables",
        "[[turnout]]",
    ),
    (
        "@address = 1\namps = nan\n",
        ("out-of-range", 7, 8),
        "from 0.001 to 50",
        "0.001 to 50",
    ),
    (
        "@address = 1\namps = -0.8\n",
        ("out-of-range", 7, 8),
        "this is -0.8",
        "0.001 to 50",
    ),
    (
        "@address = 1\ndrives = 5\n",
        ("out-of-range", 7, 10),
        "1 to 4, and this is 5",
        "1 to 4",
    ),
    (
        "@address = 1\ndrives = 99999999999999999999\n",
        ("out-of-range", 7, 10),
        "this is 99999999999999999999",
        "1 to 4",
    ),
    (
        "@address = 1\ndrive = \"servos\"\n",
        ("unknown-choice", 7, 9),
        "\"servos\"",
        "\"servo\"?",
    ),
    (
        "@address = 1\nrest = \"north\"\n",
        ("unknown-choice", 7, 8),
        "\"north\"",
        "\"straight\" or",
    ),
    (
        "@",
        ("missing-key", 3, 1),
        "[[turnout]] has no `address`",
        "`decoder = …` and",
    ),
    (
        "@decoder = \"D1\"\n",
        ("missing-key", 3, 1),
        "no `output`",
        "`output = ",
    ),
    (
        "@output = 1\n",
        ("missing-key", 3, 1),
        "no `decoder`",
        "`decoder = ",
    ),
    (
        "[[turnout]]\nid = \"12\"\n",
        ("bad-name", 4, 6),
        "bare number",
        "such as Q1",
    ),
    (
        "[[turnout]]\nid = \"A,B\"\n",
        ("bad-name", 4, 6),
        "other than letters",
        "such as Q1",
    ),
    (
        "[[turnout]]\nid = \"-v\"\n",
        ("bad-name", 4, 6),
        "begins with `-`",
        "such as Q1",
    ),
    (
        "[[turnout]]\nid = \"\"\n",
        ("bad-name", 4, 6),
        "is empty",
        "such as Q1",
    ),
    (
        "[decoder.\"a b\"]\n",
        ("bad-name", 3, 10),
        "other than letters",
        "such as Q1",
    ),
    (
        "@address = 1\nplace = \"\\u001b[2J\"\n",
        ("bad-text", 7, 9),
        "control character",
        "one short",
    ),
    (
        "[supply.a]\nkind = \"track\"\nvolts = 15\namps = 3\ncapacitor_uf = 4700\n",
        ("missing-key", 3, 1),
        "no `capacitor_charge_ohms`",
        "add a line",
    ),
    (
        "[supply.a]\nkind = \"track\"\nvolts = 15\namps = 3\ntrip_ms = 100\n",
        ("missing-key", 3, 1),
        "no `trip_amps`",
        "add a line",
    ),
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"pairs\"\naspects = { stop = 16 }\n",
        ("out-of-range", 7, 20),
        "from 0 to 15, and this is 16",
        "0 to 15",
    ),
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"extended\"\naspects = { stop = 256 }\n",
        ("out-of-range", 7, 20),
        "from 0 to 255, and this is 256",
        "0 to 255",
    ),
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"extended\"\naspects = {}\n",
        ("no-aspects", 7, 11),
        "no aspects",
        "stop = 0",
    ),
    (
        "[[signal]]\nid = \"S\"\naddress = 1\nkind = \"extended\"\naspects = { between = 0 }\n",
        ("bad-name", 7, 13),
        "a witness may say",
        "such as",
    ),
    (
        "x = \"open\ny = 1\n",
        ("not-toml", 3, 10),
        "not TOML",
        "close the text",
    ),
    (
        "[[turnout]]\nid = W1\n",
        ("not-toml", 4, 6),
        "must be quoted",
        "put texts in quotes",
    ),
    (
        "rest = \"straight\"\nrest = \"straight\"\n",
        ("duplicate-key", 4, 1),
        "on line 3",
        "one of the",
    ),
    (
        "[decoder.D]\noutputs = 4\n[decoder.D]\n",
        ("duplicate-key", 5, 10),
        "on line 3",
        "rename or",
    ),
];

#[test]
fn each_slip_is_told_with_place_and_mend() {
    for (text, place, what, mend) in WRONG {
        let text = format!("{LAYOUT}{}", text.replace('@', W1));
        let problems = refused(&text);
        let found = told(&problems);
        let index = found.iter().position(|found| found == place);
        let index = index.unwrap_or_else(|| panic!("{place:?} is not among {found:?} of\n{text}"));
        let fault = &problems.list[index].fault;
        assert!(
            fault.to_string().contains(what),
            "{fault} does not say {what:?}"
        );
        assert!(
            fault.mend().contains(mend),
            "{:?} does not say {mend:?}",
            fault.mend()
        );
    }
}

#[test]
fn every_problem_of_a_file_is_told_not_only_the_first() {
    let text = fs::read_to_string(fixture("plans/unknown-key.toml")).unwrap();
    assert_eq!(
        told(&refused(&text)),
        [("unknown-key", 3, 1), ("unknown-key", 8, 1)]
    );
    let text = fs::read_to_string(fixture("plans/not-toml.toml")).unwrap();
    assert_eq!(
        told(&refused(&text)),
        [
            ("not-toml", 2, 16),
            ("not-toml", 5, 6),
            ("duplicate-key", 8, 1)
        ]
    );
}

#[test]
fn a_duplicate_id_is_told_with_both_lines() {
    let text = fs::read_to_string(fixture("plans/duplicate-id.toml")).unwrap();
    let problems = refused(&text);
    assert_eq!(told(&problems), [("duplicate-id", 10, 6)]);
    assert_eq!(
        render(&problems, false),
        "\
slipway.toml:10:6: `W1` is the id of two; the first is on line 5
   |
10 | id = \"W1\"
   |      ^^^^
   |
  ::: 
 5 | id = \"W1\"
   |      ---- the first is here
   |
   = help: give one of them another id: turnouts and signals share one set of ids

1 problem in slipway.toml
"
    );
}

#[test]
fn turnouts_and_signals_share_one_set_of_ids() {
    let text = format!(
        "{LAYOUT}{W1}address = 1\n[[signal]]\nid = \"W1\"\naddress = 2\nkind = \"extended\"\n\
         aspects = {{ stop = 0 }}\n"
    );
    assert_eq!(told(&refused(&text)), [("duplicate-id", 8, 6)]);
}

#[test]
fn addresses_0_and_2049_are_refused() {
    // clause: RCN-213, second-hand, linear numbering: keyed addresses are 1 to 2048.
    let text = fs::read_to_string(fixture("plans/out-of-range.toml")).unwrap();
    let problems = refused(&text);
    assert_eq!(
        told(&problems),
        [
            ("address-out-of-range", 7, 11),
            ("address-out-of-range", 12, 11)
        ]
    );
    let said = problems.to_string();
    assert!(said.contains("W1 has the address 0,") && said.contains("W2 has the address 2049,"));
}

#[test]
fn twenty_problems_are_shown_and_the_rest_counted() {
    let keys = (0..500)
        .map(|n| format!("k{n} = 1"))
        .collect::<Vec<_>>()
        .join("\n");
    let problems = refused(&format!("{LAYOUT}{keys}\n"));
    let shown = render(&problems, false);
    assert_eq!(shown.matches("unknown key").count(), 20);
    assert!(shown.ends_with("500 problems in slipway.toml, of which the first 20 are shown\n"));
}

#[test]
fn colour_is_added_to_the_words_and_changes_none() {
    let problems = refused(&format!("{LAYOUT}x = 1\n"));
    let styled = render(&problems, true);
    assert!(styled.contains("\u{1b}["));
    assert_eq!(
        anstream::adapter::strip_str(&styled).to_string(),
        render(&problems, false)
    );
}

#[test]
fn a_missing_file_is_told_with_a_like_name() {
    let directory = tempfile::tempdir().unwrap();
    fs::write(directory.path().join("plan.toml"), LAYOUT).unwrap();
    let error = file_error(&directory.path().join("paln.toml"));
    assert!(
        matches!(&error, FileError::Missing { near: Some(near), .. } if near.ends_with("plan.toml"))
    );
    assert!(error.to_string().ends_with("paln.toml: no such file"));
    assert!(error.mend().starts_with("did you mean "));
    let error = file_error(Path::new("no/such/directory/plan.toml"));
    assert!(matches!(error, FileError::Missing { near: None, .. }));
    // A file where a directory should be.
    let error = file_error(&directory.path().join("plan.toml/plan.toml"));
    assert!(matches!(error, FileError::Missing { .. }), "{error:?}");
}

#[test]
fn a_directory_is_told_with_the_plan_in_it() {
    let directory = tempfile::tempdir().unwrap();
    let error = file_error(directory.path());
    assert!(
        matches!(&error, FileError::Directory { inside: None, .. }),
        "{error:?}"
    );
    for name in ["as-built.toml", "plan.toml", "notes.txt"] {
        fs::write(directory.path().join(name), LAYOUT).unwrap();
    }
    let error = file_error(directory.path());
    assert!(
        error
            .to_string()
            .ends_with("that is a directory, not a file")
    );
    assert!(error.mend().ends_with("plan.toml"), "{}", error.mend());
    assert!(render_file_error(&error, false).contains("= help: name the file in it, such as"));
}

#[test]
fn a_file_of_50_mb_is_not_read() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("photo.toml");
    fs::File::create(&path).unwrap().set_len(50 << 20).unwrap();
    let error = file_error(&path);
    assert!(matches!(
        error,
        FileError::TooLarge {
            bytes: Some(52_428_800),
            ..
        }
    ));
    assert!(
        error
            .to_string()
            .ends_with("this is 50 MiB: is it the right file?"),
        "{error}"
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_stream_without_end_is_not_read_to_its_end() {
    let error = file_error(Path::new("/dev/zero"));
    assert!(
        matches!(error, FileError::TooLarge { bytes: None, .. }),
        "{error:?}"
    );
    assert!(error.to_string().contains("more than 8 MiB"));
}

#[test]
fn what_is_no_text_is_told_with_byte_and_line() {
    let error = file_error(&fixture("plans/not-utf8.toml"));
    assert!(
        matches!(
            error,
            FileError::NotUtf8 {
                offset: 18,
                line: 2,
                ..
            }
        ),
        "{error:?}"
    );
    assert!(error.mend().contains("UTF-8"));
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("plan.toml");
    fs::write(&path, "[layout]\n\nname = \"\0\"\n").unwrap();
    let error = file_error(&path);
    assert!(
        matches!(
            error,
            FileError::Nul {
                offset: 18,
                line: 3,
                ..
            }
        ),
        "{error:?}"
    );
    // UTF-16, as some editors save.
    let utf16: Vec<u8> = LAYOUT.encode_utf16().flat_map(u16::to_le_bytes).collect();
    fs::write(&path, utf16).unwrap();
    assert!(matches!(file_error(&path), FileError::Nul { .. }));
    for empty in ["", " \n\t\r\n", "\u{feff}", "\u{feff}\n"] {
        fs::write(&path, empty).unwrap();
        assert!(
            matches!(file_error(&path), FileError::Empty { .. }),
            "{empty:?}"
        );
    }
}

#[test]
fn a_plan_of_every_address_loads() {
    let plan = Plan::from_text("big.toml", &big_plan::big_plan("linear")).unwrap();
    assert_eq!((plan.turnouts.len(), plan.decoders.len()), (2048, 256));
    for (index, turnout) in plan.turnouts.iter().enumerate() {
        assert_eq!(usize::from(turnout.address.get()), index + 1);
    }
}

#[test]
fn a_file_in_memory_is_called_what_it_is_called() {
    let file = TextFile::from_text("notes/plan.toml", "x");
    assert_eq!(file.path(), Path::new("notes/plan.toml"));
}

#[test]
fn a_misspelt_key_is_not_said_to_be_missing_too() {
    let problems = refused(&format!("{LAYOUT}{W1}adress = 9\n"));
    assert_eq!(told(&problems), [("unknown-key", 6, 1)]);
    // The second turnout lacks it altogether.
    let problems = refused(&format!(
        "{LAYOUT}{W1}adress = 9\n[[turnout]]\nid = \"W2\"\nshape = \"wye\"\n"
    ));
    assert_eq!(
        told(&problems),
        [("unknown-key", 6, 1), ("missing-key", 7, 1)]
    );
}

#[test]
fn the_list_of_a_place_stands_in_for_the_one_of_the_layout() {
    let text = "[layout]\nname = \"Slipway\"\naccept = [\"blades-tight\", \"frog-polarity\"]\n\
                [place.\"Fish dock\"]\naccept = [\"Does the lamp turn?\", \"power-cycle\"]\n\
                [place.Dairy]\naccept = []\n\
                [[turnout]]\nid = \"A\"\naddress = 1\nshape = \"left\"\n\
                [[turnout]]\nid = \"B\"\naddress = 2\nshape = \"left\"\nplace = \"Fish dock\"\n\
                [[turnout]]\nid = \"C\"\naddress = 3\nshape = \"left\"\nplace = \"Dairy\"\n";
    let plan = Plan::from_text("slipway.toml", text).unwrap();
    let looks = |id: &str| plan.turnout(id).unwrap().accept.clone();
    assert_eq!(looks("A"), [Look::BladesTight, Look::FrogPolarity]);
    let own = Look::Own("Does the lamp turn?".into());
    assert_eq!(looks("B"), [own, Look::PowerCycle]);
    assert_eq!(looks("C"), []);
}

#[test]
fn unknown_looks_and_places_are_told_with_what_was_meant() {
    let text = "[layout]\nname = \"Slipway\"\naccept = [\"blades-tigth\"]\n\
                [place.\"Fish dok\"]\naccept = [\"lamp\"]\n\
                [[turnout]]\nid = \"B\"\naddress = 2\nshape = \"left\"\nplace = \"Fish dock\"\n";
    let problems = refused(text);
    let mut codes = told(&problems);
    codes.sort_by_key(|(_, line, _)| *line);
    assert_eq!(
        codes,
        [
            ("unknown-look", 3, 11),
            ("unknown-place", 4, 8),
            ("unknown-look", 5, 11)
        ]
    );
    let mends: Vec<_> = problems.list.iter().map(|one| one.fault.mend()).collect();
    let told = mends.join("\n");
    assert!(told.contains("did you mean \"blades-tight\"?"), "{told}");
    assert!(told.contains("did you mean \"Fish dock\"?"), "{told}");
    assert!(
        told.contains("it can be blades-tight, no-spring-back"),
        "{told}"
    );
}
