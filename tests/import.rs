//! `import` and `export`: lists as people keep them become plans, and plans lists.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use proptest::prelude::*;
use serde_json::Value;
use throwproof::import::{self, Encoding, ImportError, Key, LARGEST, Options, Outcome};
use throwproof::plan::{Draft, Drive, Plan, Shape};
use throwproof::textfile::TextFile;
use throwproof_protocol::address::{Numbering, PairBit};

fn fixture(name: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join("fixtures/import").join(name)
}

fn options() -> Options {
    Options {
        name: "Kestrel Bay".to_owned(),
        numbering: Numbering::Linear,
    }
}

fn mapped(bytes: &[u8], map: &[(&str, Key)]) -> Result<Outcome, ImportError> {
    let map = map.iter().map(|(name, key)| ((*name).to_owned(), *key));
    let map: BTreeMap<_, _> = map.collect();
    let table = import::read(bytes)?;
    let columns = import::columns(&table, &map)?;
    import::plan(&table, &columns, &options())
}

fn outcome(text: &str) -> Outcome {
    mapped(text.as_bytes(), &[]).unwrap()
}

/// The plan without what may differ: where it was read from, and its lines.
fn bare(mut plan: Plan) -> Plan {
    plan.source = PathBuf::new();
    plan.supplies.iter_mut().for_each(|one| one.line = 0);
    plan.decoders.iter_mut().for_each(|one| one.line = 0);
    plan.turnouts.iter_mut().for_each(|one| one.line = 0);
    plan.signals.iter_mut().for_each(|one| one.line = 0);
    plan
}

fn plan(outcome: &Outcome) -> Plan {
    bare(Plan::from_text("plan.toml", &outcome.text).unwrap())
}

fn throwproof(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.current_dir(folder);
    command
}

#[test]
fn every_encoding_delimiter_and_language_gives_the_same_plan() {
    let lists = [
        ("english-comma-utf8.csv", Encoding::Utf8, ','),
        ("english-tab-utf16le.csv", Encoding::Utf16Le, '\t'),
        (
            "german-semicolon-windows1252.csv",
            Encoding::Windows1252,
            ';',
        ),
        ("german-semicolon-utf8-bom.csv", Encoding::Utf8, ';'),
        ("german-tab-utf16be.csv", Encoding::Utf16Be, '\t'),
    ];
    let mut plans = Vec::new();
    for (name, encoding, delimiter) in lists {
        let bytes = std::fs::read(fixture(name)).unwrap();
        let table = import::read(&bytes).unwrap();
        assert_eq!(
            (table.encoding, table.delimiter),
            (encoding, delimiter),
            "{name}"
        );
        let outcome = mapped(&bytes, &[]).unwrap();
        assert_eq!(outcome.unread, [], "{name}");
        assert!(
            outcome.text.contains("Großer Kran; löst aus"),
            "{name}: {}",
            outcome.text
        );
        plans.push(plan(&outcome));
    }
    let first = &plans[0];
    assert_eq!(first.turnouts.len(), 9);
    assert!(plans.iter().all(|plan| plan == first));
    let q1 = first.turnout("Q1").unwrap();
    assert_eq!(
        (q1.address.get(), q1.shape, q1.drive),
        (9, Shape::Left, Drive::TwinCoil)
    );
    assert_eq!((q1.amps, q1.position_reports), (Some(0.8), true));
    assert_eq!(first.turnout("F1").unwrap().straight_bit, PairBit::Zero);
    assert_eq!(first.turnout("W4").unwrap().address.get(), 44);
    // RCN-213 (second-hand): board 4, output 2 is (4 - 1) x 4 + 2.
    let d1 = first.turnout("D1").unwrap();
    assert_eq!((d1.address.get(), d1.output.unwrap().number), (14, 2));
}

#[test]
fn a_messy_list_keeps_every_row_and_tells_what_it_could_not_read() {
    let bytes = std::fs::read(fixture("messy.csv")).unwrap();
    let outcome = mapped(&bytes, &[]).unwrap();
    let told: Vec<_> = outcome
        .unread
        .iter()
        .map(|one| (one.row, one.kept))
        .collect();
    let expected = [(6, false), (8, true), (11, false), (13, true)];
    assert_eq!(told, expected, "{:#?}", outcome.unread);
    // Row 10 is a turnout that is to be wired yet.
    assert_eq!((outcome.turnouts, outcome.unwired), (7, 1));
    for row in [1, 4, 5, 6, 8, 9, 10, 11, 12, 13, 14] {
        assert!(
            outcome.text.contains(&format!("Row {row}")),
            "{row}: {}",
            outcome.text
        );
    }
    assert!(outcome.text.contains("Row 9 says the same again."));
    assert!(outcome.text.contains("The list calls it 17"));
    let file = TextFile::from_text("plan.toml", outcome.text.as_str());
    let plan = Draft::parse_unwired(file, Numbering::default()).unwrap();
    let ids = plan.turnouts.iter().map(|one| one.id.value.as_str());
    let ids: Vec<_> = ids.collect();
    assert_eq!(ids, ["Q1", "Q2", "Q3", "Q4", "T17", "Q5", "Q6"]);
    let decoders = plan.decoders.iter().map(|one| one.id.value.as_str());
    let decoders: Vec<_> = decoders.collect();
    assert_eq!(decoders, ["D1", "Dairy-board", "D2"]);
}

#[test]
fn forms_of_decoder_and_output_are_the_same() {
    for cell in ["3/2", "3.2", "3-2", "3:2", "D3/2"] {
        let got = outcome(&format!("Turnout;Address;Shape\nQ1;{cell};left\n"));
        assert_eq!(got.unread, [], "{cell}");
        let plan = plan(&got);
        assert_eq!(plan.decoders[0].id.as_str(), "D3", "{cell}");
        assert_eq!(plan.turnouts[0].output.unwrap().number, 2, "{cell}");
    }
    let got = outcome("Turnout;Decoder;Output;Shape\nQ1;3;2;left\n");
    assert_eq!(plan(&got).turnouts[0].output.unwrap().number, 2);
}

#[test]
fn a_hyphen_that_may_mean_two_things_is_asked_about() {
    let got = outcome("Turnout;Address\nQ1;3-4\nQ9;5\n");
    assert_eq!(got.unread.len(), 1);
    assert!(
        got.unread[0].mend.contains("3..4 or 3/4"),
        "{:?}",
        got.unread
    );
    let got = outcome("Turnout;Address\nQ1;3-4\nQ9;5-1\n");
    assert_eq!(plan(&got).turnouts[0].output.unwrap().number, 4);
    let got = outcome("Turnout;Address\nQ;3-4\nW;21-28\n");
    let ids: Vec<_> = plan(&got)
        .turnouts
        .iter()
        .map(|one| one.id.to_string())
        .collect();
    assert_eq!(ids[..3], ["Q1", "Q2", "W1"]);
    assert_eq!(ids.len(), 10);
}

#[test]
fn what_is_not_clear_is_never_guessed() {
    let bytes = std::fs::read(fixture("unclear.csv")).unwrap();
    let table = import::read(&bytes).unwrap();
    let columns = import::columns(&table, &BTreeMap::new()).unwrap();
    assert!(
        columns.unclear.is_empty(),
        "Address is taken, so it is the decoder"
    );
    let two = import::read(b"Address,Adresse,Turnout\n1,2,Q1\n").unwrap();
    let columns = import::columns(&two, &BTreeMap::new()).unwrap();
    assert_eq!(columns.unclear.len(), 2);
    let map = BTreeMap::from([("Adresse".to_owned(), Key::Address)]);
    let columns = import::columns(&two, &map).unwrap();
    assert!(columns.unclear.is_empty());
    let got = import::plan(&two, &columns, &options()).unwrap();
    assert_eq!(plan(&got).turnouts[0].address.get(), 2);
    let wrong = BTreeMap::from([("Farbe".to_owned(), Key::Note)]);
    assert_eq!(
        import::columns(&two, &wrong),
        Err(ImportError::NoSuchColumn("Farbe".to_owned()))
    );
    let kinds = import::read(b"Turnout,Address,Type\nQ1,1,servo\n").unwrap();
    let columns = import::columns(&kinds, &BTreeMap::new()).unwrap();
    assert_eq!(columns.unclear[0].candidates, [Key::Shape, Key::Drive]);
}

#[test]
fn a_list_without_headings_is_read_by_its_content() {
    let bytes = std::fs::read(fixture("no-headings.csv")).unwrap();
    let table = import::read(&bytes).unwrap();
    assert!(table.headings.is_none());
    let columns = import::columns(&table, &BTreeMap::new()).unwrap();
    let keys: Vec<_> = columns.list.iter().map(|column| column.key).collect();
    assert_eq!(keys, [Key::Id, Key::Address, Key::Shape, Key::Drive]);
    let got = plan(&mapped(&bytes, &[]).unwrap());
    assert_eq!((got.turnouts.len(), got.turnouts[3].shape), (4, Shape::Wye));
}

#[test]
fn quotation_marks_are_kept_and_swallow_nothing() {
    let text = "Turnout,Address,Note\nQ1,1,\"a \"\"b\"\", c\"\nQ2,2,\"open\nQ3,3,5\" board\nQ4,4,\"x\ny\"\nQ5,5,z\n";
    let got = outcome(text);
    assert_eq!(plan(&got).turnouts.len(), 5, "{}", got.text);
    assert!(got.text.contains("a \"b\", c") && got.text.contains("5\" board"));
    assert_eq!(
        got.unread.iter().map(|one| one.row).collect::<Vec<_>>(),
        [3]
    );
    assert!(
        got.text.contains("# Row 6\n"),
        "the row below two lines of one: {}",
        got.text
    );
}

#[test]
fn too_much_is_refused_in_words() {
    let error = import::read(&vec![b'a'; LARGEST + 1]).unwrap_err();
    assert!(error.to_string().contains("10000001 bytes"), "{error}");
    assert_eq!(import::read(b""), Err(ImportError::Empty));
    assert_eq!(import::read(b"\n;;\n"), Err(ImportError::Empty));
    assert_eq!(
        mapped(b"Turnout,Place\nQ1,Quay\n", &[]),
        Err(ImportError::NoAddresses)
    );
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("big.csv"), vec![b'a'; LARGEST + 1]).unwrap();
    let said = throwproof(folder.path())
        .args(["import", "big.csv"])
        .assert()
        .code(2);
    let said = String::from_utf8_lossy(&said.get_output().stderr).into_owned();
    assert!(said.contains("a list may have 10000000"), "{said}");
}

#[test]
fn the_command_writes_a_plan_that_check_reads_and_never_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let list = fixture("english-comma-utf8.csv");
    let list = list.to_str().unwrap();
    let run = |code| {
        let mut command = throwproof(folder.path());
        let run = command.args(["import", list, "--to", "plan.toml", "--name", "Bay"]);
        run.assert().code(code)
    };
    run(0);
    let check = throwproof(folder.path())
        .args(["check", "plan.toml"])
        .assert();
    assert_ne!(check.get_output().status.code(), Some(2));
    let text = std::fs::read_to_string(folder.path().join("plan.toml")).unwrap();
    let again = run(2);
    let said = String::from_utf8_lossy(&again.get_output().stderr).into_owned();
    assert!(said.contains("plan.toml is there already"), "{said}");
    assert_eq!(
        std::fs::read_to_string(folder.path().join("plan.toml")).unwrap(),
        text
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn exit_codes_and_lines_say_what_could_not_be_read() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(fixture("messy.csv"), folder.path().join("messy.csv")).unwrap();
    let mut command = throwproof(folder.path());
    let run = command
        .args(["import", "messy.csv", "--format", "json"])
        .assert()
        .code(1);
    let text = String::from_utf8(run.get_output().stdout.clone()).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let schema = serde_json::from_str(include_str!("../docs/schema/events.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for line in &lines {
        assert!(validator.is_valid(line), "{line}");
    }
    let of = |event: &str| lines.iter().filter(|line| line["event"] == event).count();
    assert_eq!((of("column"), of("unread"), of("summary")), (5, 4, 1));
    let summary = lines.last().unwrap();
    assert_eq!(
        (&summary["turnouts"], &summary["unwired"], &summary["plan"]),
        (&7.into(), &1.into(), &"messy.toml".into())
    );

    std::fs::write(folder.path().join("none.csv"), "Turnout;Address\nQ1;?\n").unwrap();
    let run = throwproof(folder.path())
        .args(["import", "none.csv"])
        .assert()
        .code(2);
    let shown = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    assert!(shown.contains("Row 2: `?` is no address"), "{shown}");
    assert!(!folder.path().join("none.toml").exists());

    std::fs::write(folder.path().join("two.csv"), "Address,Adresse\n1,2\n").unwrap();
    let run = throwproof(folder.path())
        .args(["import", "two.csv"])
        .assert()
        .code(2);
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("--map 1=address,2=address"), "{said}");
    let mut command = throwproof(folder.path());
    command
        .args(["import", "two.csv", "--map", "2=address"])
        .assert()
        .code(0);
}

#[test]
fn an_exported_plan_comes_back_the_same() {
    let folder = tempfile::tempdir().unwrap();
    for name in [
        "kestrel-bay/plan.toml",
        "faults/plan.toml",
        "signals/plan.toml",
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("fixtures")
            .join(name);
        let list = folder.path().join(name.replace('/', "-"));
        let (path, list) = (path.to_str().unwrap(), list.to_str().unwrap());
        let run = |arguments: &[&str]| throwproof(folder.path()).args(arguments).assert().code(0);
        run(&["export", path, "--to", list]);
        let back = format!("{list}.toml");
        run(&["import", list, "--to", &back]);
        let loaded = |path: &str| bare(Plan::load(Path::new(path)).unwrap());
        assert_eq!(loaded(path), loaded(&back), "{name}");
    }
}

/// The layout's own list of closer looks stands in the row of a turnout without a place.
#[test]
fn a_closer_look_that_nobody_knows_is_told_and_left_out() {
    let plan = Plan::from_text(
        "plan.toml",
        "[layout]\nname = \"Slipway\"\naccept = [\"blades-tight\"]\n\
         [[turnout]]\nid = \"Q1\"\nshape = \"left\"\naddress = 1\n",
    );
    let list = String::from_utf8(import::export(&plan.unwrap()).unwrap()).unwrap();
    let edited = list.replace("blades-tight", "lades-tight");
    assert_ne!(list, edited);
    let outcome = mapped(edited.as_bytes(), &[]).unwrap();
    let [unread] = &outcome.unread[..] else {
        panic!("{:?}", outcome.unread)
    };
    assert!(
        unread.kept && unread.reason.contains("lades-tight"),
        "{unread:?}"
    );
    assert!(unread.mend.contains("did you mean"), "{unread:?}");
    let back = Plan::from_text("plan.toml", &outcome.text).unwrap();
    assert!(back.turnouts[0].accept.is_empty());
}

/// Text that a name or place can be, formulas and quotation marks included.
fn words() -> impl Strategy<Value = String> {
    "[=+@' -]{0,2}[a-zÄ-ü\"',;#0-9\\\\= -]{0,12}"
}

prop_compose! {
    /// A plan with things of every kind, sound by construction.
    fn any_plan()(
        name in words(),
        numbering in prop::sample::select(vec!["linear", "non-linear", "from-zero"]),
        rest in prop::sample::select(vec!["straight", "diverging"]),
        places in prop::collection::vec(words(), 1..4),
        supply in (prop::option::of(0.0_f64..9.0), prop::option::of((1.0_f64..9e5, 0.1_f64..9.0)), 0.01_f64..99.0),
        decoders in prop::collection::vec((1_u8..9, any::<bool>(), 0_u32..60_000, any::<bool>()), 0..6),
        turnouts in prop::collection::vec(
            (0_usize..4, 0_usize..8, 0_usize..4, any::<bool>(), any::<bool>(), any::<bool>(),
             prop::option::of(0.001_f64..50.0), 1_u8..=4),
            0..40,
        ),
        signals in prop::collection::vec((any::<bool>(), 1_u8..6), 0..5),
        accessories in prop::collection::vec((0_usize..3, any::<bool>(), prop::option::of(50_u32..=1000)), 0..5),
        accept in any::<bool>(),
    ) -> String {
        let quoted = |text: &str| serde_json::to_string(text).unwrap();
        let mut text = format!("[layout]\nname = {}\nnumbering = \"{numbering}\"\nrest = \"{rest}\"\n", quoted(&name));
        if accept {
            text.push_str("accept = [\"blades-tight\", \"=Does \\\"it\\\", hold; still?\"]\n");
        }
        let (ohms, unit, amps) = supply;
        write!(text, "[supply.s-1]\nkind = \"track\"\nvolts = 16\namps = {amps}\n").unwrap();
        if let Some(ohms) = ohms { writeln!(text, "internal_ohms = {ohms}\ntrip_amps = 3.5\ntrip_ms = 100").unwrap(); }
        if let Some((uf, charge)) = unit { writeln!(text, "capacitor_uf = {uf}\ncapacitor_charge_ohms = {charge}").unwrap(); }
        for (index, (outputs, fed, pulse, by_cv)) in decoders.iter().enumerate() {
            let (first, place) = (index * 16 + 1, quoted(&places[0]));
            let learns = if *by_cv { "cv-output" } else { "switches" };
            write!(text, "[decoder.{index}]\nplace = {place}\noutputs = {outputs}\nfirst_address = {first}\npulse_ms = {pulse}\nlearns = \"{learns}\"\n").unwrap();
            if *fed { text.push_str("supply = \"s-1\"\n"); }
        }
        let shapes = ["left", "right", "wye", "curved", "three-way", "single-slip", "double-slip", "crossover"];
        let drives = ["twin-coil", "stall-motor", "servo", "memory-wire"];
        let mut used = std::collections::BTreeSet::new();
        for (index, (drive, shape, place, inverted, reports, shares, amps, count)) in turnouts.iter().enumerate() {
            let address = index * 3 + 1;
            let place = &places[place % places.len()];
            used.insert(place.clone());
            write!(
                text,
                "[[turnout]]\nid = \"W.{index}\"\nplace = {}\nshape = \"{}\"\ndrive = \"{}\"\ndrives = {count}\naddress = {address}\nstraight_output = {}\nposition_reports = {reports}\nshares_address = {shares}\n",
                quoted(place), shapes[*shape], drives[*drive], u8::from(!inverted)
            ).unwrap();
            if let Some(amps) = amps { writeln!(text, "amps = {amps}").unwrap(); }
        }
        for (index, (extended, aspects)) in signals.iter().enumerate() {
            let kind = if *extended { "extended" } else { "pairs" };
            // Two and two at one address, as a repeater has.
            let address = 1001 + index / 2 * 20;
            let aspects: Vec<_> = (0..*aspects).map(|value| format!("a{value} = {value}")).collect();
            write!(text, "[[signal]]\nid = \"S{index}\"\naddress = {address}\nshares_address = true\nkind = \"{kind}\"\naspects = {{ {} }}\n", aspects.join(", ")).unwrap();
            if *extended {
                text.push_str("lamps = [\"green\", \"upper-yellow\"]\nrestrictive = \"a0\"\n\
                    shows = { a0 = [\"green\", \"upper-yellow flashing\"] }\n");
            }
        }
        for (index, (kind, one, on_ms)) in accessories.iter().enumerate() {
            let (kind, half, rest) = [
                ("uncoupler", "half", None),
                ("gates", "closed_output", Some(["open", "closed"])),
                ("lights", "on_output", Some(["off", "on"])),
            ][*kind];
            let address = 1101 + index;
            writeln!(text, "[[accessory]]\nid = \"A{index}\"\naddress = {address}\nkind = \"{kind}\"\n{half} = {}", u8::from(*one)).unwrap();
            match (rest, on_ms) {
                (None, Some(ms)) => writeln!(text, "on_ms = {ms}").unwrap(),
                (Some(rest), Some(_)) => writeln!(text, "rest = \"{}\"", rest[usize::from(*one)]).unwrap(),
                (_, None) => {}
            }
        }
        if let Some(place) = used.iter().find(|place| !place.is_empty()) {
            writeln!(text, "[place.{}]\naccept = [\"no-spring-back\"]", quoted(place)).unwrap();
        }
        text
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn every_plan_comes_back_from_its_export(text in any_plan()) {
        let plan = bare(Plan::from_text("plan.toml", &text).unwrap());
        let list = import::export(&plan).unwrap();
        let outcome = mapped(&list, &[]).unwrap();
        prop_assert_eq!(&outcome.unread, &[]);
        let back = Plan::from_text("plan.toml", &outcome.text);
        prop_assert!(back.is_ok(), "{}\n{:?}", outcome.text, back.err());
        prop_assert_eq!(bare(back.unwrap()), plan);
    }

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        readable(&bytes);
    }

    #[test]
    fn any_cells_make_a_plan_that_can_be_read_and_has_every_row(
        rows in prop::collection::vec(
            ("[A-Z]{0,1}[0-9]{0,3}(-[A-Z]?[0-9]{1,2})?", "[0-9]{0,4}[-/.+ ]{0,1}[0-9]{0,2}", "\\PC{0,12}", "(left|links|DKW|\\PC{0,4})", "(x|ja|\\PC{0,3})"),
            1..20,
        ),
        separator in prop::sample::select(vec![',', ';', '\t']),
    ) {
        let mut writer = csv::WriterBuilder::new().delimiter(separator as u8).from_writer(Vec::new());
        writer.write_record(["Weiche", "Adresse", "Ort", "Art", "Invertiert"]).unwrap();
        for (id, address, place, shape, yes) in &rows {
            writer.write_record([id, address, place, shape, yes]).unwrap();
        }
        let bytes = writer.into_inner().unwrap();
        let table = import::read(&bytes).unwrap();
        let outcome = mapped(&bytes, &[]).unwrap();
        let draft = Draft::parse_unwired(
            TextFile::from_text("plan.toml", outcome.text.as_str()),
            Numbering::default(),
        );
        prop_assert!(draft.is_ok(), "{}", outcome.text);
        for row in &table.rows {
            prop_assert!(outcome.text.contains(&format!("Row {}", row.number)), "{}", outcome.text);
        }
    }

    #[test]
    fn exports_that_were_edited_are_read_or_refused(
        text in any_plan(), at in any::<prop::sample::Index>(), with in "[\\PC\n\"]{0,4}",
    ) {
        let plan = Plan::from_text("plan.toml", &text).unwrap();
        let list = String::from_utf8(import::export(&plan).unwrap()).unwrap();
        let mut letters: Vec<char> = list.chars().collect();
        let at = at.index(letters.len());
        letters.splice(at..=at, with.chars());
        readable(letters.into_iter().collect::<String>().as_bytes());
    }
}

/// Whatever comes of bytes, it is a plan that can be read.
fn readable(bytes: &[u8]) {
    if let Ok(outcome) = mapped(bytes, &[]) {
        let draft = Draft::parse_unwired(
            TextFile::from_text("plan.toml", outcome.text.as_str()),
            Numbering::default(),
        );
        assert!(draft.is_ok(), "{}", outcome.text);
    }
}
