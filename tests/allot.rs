//! `allot`: outputs and addresses for turnouts and signals that have none.
#![expect(
    clippy::panic,
    clippy::unwrap_used,
    reason = "helpers of tests fail by panic"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use proptest::prelude::*;
use serde_json::Value;
use throwproof::allot::{self, Options};
use throwproof::check;
use throwproof::plan::draft::{Draft, DraftSignal, DraftTurnout, Wiring};
use throwproof::plan::{Drive, OutputKind, Plan, Severity, SignalKind};
use throwproof::textfile::{Span, TextFile};
use throwproof_protocol::address::Numbering;

fn throwproof(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    command.current_dir(folder).env("THROWPROOF_RECORD", "none");
    command
}

fn fixture() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/allot/plan.toml");
    fs::read_to_string(path).unwrap()
}

fn folder_with(plan: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plan.toml");
    fs::write(&path, plan).unwrap();
    (folder, path)
}

fn run(folder: &Path, arguments: &[&str], code: i32) -> String {
    let output = throwproof(folder).args(arguments).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{text}\n{errors}");
    text + &errors
}

fn events(text: &str) -> Vec<Value> {
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// Whether every line of `old` is in `new`, in its order and to the byte.
fn keeps_lines(old: &str, new: &str) -> bool {
    let mut lines = new.split_inclusive('\n');
    old.split_inclusive('\n')
        .all(|line| lines.any(|other| other == line))
}

#[test]
fn everything_gets_an_output_and_what_is_written_stays() {
    let old = fixture();
    let (folder, path) = folder_with(&old);
    let text = run(folder.path(), &["allot", "plan.toml"], 0);
    assert!(text.contains("7 given an output, 0 left without"), "{text}");
    assert!(
        text.contains("decoders to add: 4, and no fewer than 4 can do"),
        "{text}"
    );
    let new = fs::read_to_string(&path).unwrap();
    assert!(keeps_lines(&old, &new), "{new}");
    let kept = fs::read_to_string(folder.path().join("plan.toml.before")).unwrap();
    assert_eq!(kept, old);
    let plan = Plan::load(&path).unwrap();
    let at = |id: &str| {
        let turnout = plan.turnout(id);
        let output =
            turnout.map_or_else(|| plan.signal(id).unwrap().output, |turnout| turnout.output);
        let output = output.unwrap();
        let decoder = &plan.decoders[output.decoder];
        (decoder.id.to_string(), output.number, decoder.output_kind)
    };
    // Free outputs of the plan's decoder first, both drives of the three-way side by side.
    assert_eq!(at("Q2"), ("D1".to_owned(), 2, OutputKind::Pulse));
    assert_eq!(at("F1L"), ("D1".to_owned(), 3, OutputKind::Pulse));
    assert_eq!(at("F1R"), ("D1".to_owned(), 4, OutputKind::Pulse));
    assert_eq!(at("M1").2, OutputKind::StallMotor);
    assert_eq!(at("M2").2, OutputKind::Servo);
    assert_eq!(at("S2").2, OutputKind::Steady);
    assert_ne!(at("S1").0, at("S2").0, "other packets, other decoder");
    // What was wired is where it was.
    assert_eq!(at("Q1").1, 1);
    assert_eq!(plan.turnout("M3").unwrap().address.get(), 21);
    run(folder.path(), &["check", "plan.toml"], 0);
    // The style of each entry is kept.
    assert!(
        new.contains("  shape = 'three-way'\n  decoder = 'D1'\n  output = 3\n"),
        "{new}"
    );
}

#[test]
fn a_second_run_changes_nothing() {
    let (folder, path) = folder_with(&fixture());
    run(folder.path(), &["allot", "plan.toml"], 0);
    let once = fs::read(&path).unwrap();
    let text = run(folder.path(), &["allot", "plan.toml"], 0);
    assert!(text.contains("nothing to do"), "{text}");
    assert_eq!(fs::read(&path).unwrap(), once);
    assert!(!folder.path().join("plan.toml.before-2").exists());
}

#[test]
fn a_dry_run_shows_the_difference_and_writes_nothing() {
    let old = fixture();
    let (folder, path) = folder_with(&old);
    let text = run(folder.path(), &["allot", "plan.toml", "--dry-run"], 0);
    assert!(
        text.contains("--- plan.toml\n+++ plan.toml (proposed)\n@@ "),
        "{text}"
    );
    assert!(text.contains("+[decoder.D2]\n"), "{text}");
    let taken = text
        .lines()
        .filter(|line| line.starts_with('-') && !line.starts_with("---"));
    assert_eq!(taken.count(), 0, "no line goes away: {text}");
    assert_eq!(fs::read_to_string(&path).unwrap(), old);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn json_says_what_was_given_and_how_few_decoders_there_can_be() {
    let (folder, _) = folder_with(&fixture());
    let text = run(
        folder.path(),
        &["allot", "plan.toml", "--format", "json"],
        0,
    );
    let events = events(&text);
    let last = events.last().unwrap();
    assert_eq!(last["event"], "allotment");
    assert_eq!(last["allotted"], 7);
    assert_eq!(
        (&last["decoders"], &last["at_least"]),
        (&4.into(), &4.into())
    );
    assert_eq!(last["written"], true);
    let of = |event: &str| events.iter().filter(|one| one["event"] == event).count();
    assert_eq!((of("allotted"), of("decoder-to-add")), (7, 4));
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema/events.schema.json");
    let schema: Value = serde_json::from_slice(&fs::read(schema).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for event in &events {
        if let Err(error) = validator.validate(event) {
            panic!("{event}: {error}");
        }
    }
}

#[test]
fn other_commands_refuse_such_a_plan_and_say_how_to_mend_it() {
    let (folder, _) = folder_with(&fixture());
    for command in ["check", "sweep", "export"] {
        let text = run(folder.path(), &[command, "plan.toml"], 2);
        assert!(
            text.contains("`throwproof allot` finds an output for it"),
            "{text}"
        );
    }
}

#[test]
fn a_plan_with_errors_is_refused_and_stays() {
    let bad = fixture().replace("supply = \"quay\"", "supply = \"quai\"");
    let (folder, path) = folder_with(&bad);
    let text = run(folder.path(), &["allot", "plan.toml"], 2);
    assert!(text.contains("quai"), "{text}");
    assert_eq!(fs::read_to_string(&path).unwrap(), bad);
    let misspelt = fixture().replace("address = 21", "adress = 21");
    let (folder, path) = folder_with(&misspelt);
    let text = run(folder.path(), &["allot", "plan.toml"], 2);
    assert!(text.contains("adress"), "{text}");
    assert_eq!(fs::read_to_string(&path).unwrap(), misspelt);
}

#[test]
fn options_that_cannot_be_are_refused() {
    let (folder, _) = folder_with(&fixture());
    let text = run(folder.path(), &["allot", "plan.toml", "--like", "D9"], 2);
    assert!(text.contains("the plan has no decoder D9"), "{text}");
    let text = run(
        folder.path(),
        &["allot", "plan.toml", "--outputs", "4", "--spare", "4"],
        2,
    );
    assert!(text.contains("keep 4 of them free"), "{text}");
}

#[test]
fn what_shares_its_address_is_paired_or_left_and_told() {
    let crossover = "\n[[turnout]]\nid = \"C1\"\nplace = \"Quay\"\nshape = \"left\"\namps = 0.5\n\
                     shares_address = true\n";
    let other = crossover.replace("C1", "C2");
    let (folder, path) = folder_with(&(fixture() + crossover + &other));
    run(folder.path(), &["allot", "plan.toml"], 0);
    let plan = Plan::load(&path).unwrap();
    assert_eq!(
        plan.turnout("C1").unwrap().output,
        plan.turnout("C2").unwrap().output
    );
    let (folder, path) = folder_with(&(fixture() + crossover));
    let text = run(folder.path(), &["allot", "plan.toml"], 1);
    assert!(
        text.contains("left     C1: it shares its address"),
        "{text}"
    );
    assert!(fs::read_to_string(&path).unwrap().contains("id = \"C1\""));
}

#[test]
fn line_ends_marks_and_inline_tables_stay_as_they_are() {
    let old = format!("\u{feff}{}", fixture().replace('\n', "\r\n"));
    let (folder, path) = folder_with(&old);
    run(folder.path(), &["allot", "plan.toml"], 0);
    let new = fs::read_to_string(&path).unwrap();
    assert!(keeps_lines(&old, &new));
    assert!(
        new.split('\n')
            .all(|line| line.is_empty() || line.ends_with('\r'))
    );
    let inline = "turnout = [\n  { id = \"A\", shape = \"left\", amps = 1 },  # first\n]\n\
                  [layout]\nname = \"Slipway\"\n";
    let (folder, path) = folder_with(inline);
    run(folder.path(), &["allot", "plan.toml"], 0);
    let new = fs::read_to_string(&path).unwrap();
    let wired =
        "  { id = \"A\", shape = \"left\", decoder = \"D1\", output = 1, amps = 1 },  # first\n";
    assert!(new.contains(wired), "{new}");
    // A form that can't be added to is told, and nothing is written.
    let closed = "decoder = { D1 = { outputs = 4, first_address = 5 } }\n[layout]\nname = \"S\"\n\
                  [[turnout]]\nid = \"A\"\nshape = \"left\"\ndrive = \"servo\"\n";
    let (folder, path) = folder_with(closed);
    let text = run(folder.path(), &["allot", "plan.toml"], 2);
    assert!(
        text.contains("write each decoder as [decoder.ID]"),
        "{text}"
    );
    assert_eq!(fs::read_to_string(&path).unwrap(), closed);
}

#[test]
fn a_decoder_to_add_is_like_the_one_that_is_named() {
    let mut plan = fixture();
    for number in 1..12 {
        let _infallible = write!(
            plan,
            "[[turnout]]\nid = \"L{number}\"\nplace = \"Quarry\"\nshape = \"left\"\namps = 0.9\n"
        );
    }
    let (folder, path) = folder_with(&plan);
    run(folder.path(), &["allot", "plan.toml", "--like", "D1"], 0);
    let plan = Plan::load(&path).unwrap();
    let quarry = plan.turnout("L1").unwrap();
    let decoder = &plan.decoders[quarry.output.unwrap().decoder];
    assert_eq!(
        (decoder.max_output_amps, decoder.pulse_ms),
        (Some(2.0), 150)
    );
    assert_eq!(decoder.place, "Quarry");
    assert_eq!((decoder.first_address.get() - 1) % 4, 0);
    // A drive that such an output can't carry is left, and told.
    let heavy = fixture().replace("amps  = 0.8\n\n# ---- Fish", "amps  = 2.2\n\n# ---- Fish");
    let (folder, _) = folder_with(&heavy);
    let text = run(folder.path(), &["allot", "plan.toml", "--like", "D1"], 1);
    assert!(text.contains("left     Q2: it draws more"), "{text}");
}

#[test]
fn a_supply_that_can_give_no_more_is_not_used() {
    let weak = fixture()
        .replace("amps = 2.5", "amps = 0.6")
        .replace("amps = 3.0", "amps = 0.6");
    let (folder, path) = folder_with(&weak);
    let text = run(folder.path(), &["allot", "plan.toml"], 0);
    // One throw takes 0.8 A and more; D1 is fed by a supply of 0.6 A.
    assert!(
        text.contains("needs a supply: none of the plan can give it"),
        "{text}"
    );
    let plan = Plan::load(&path).unwrap();
    let output = plan.turnout("Q2").unwrap().output.unwrap();
    let decoder = &plan.decoders[output.decoder];
    assert_ne!(decoder.id.as_str(), "D1");
    assert_eq!(decoder.supply, None);
}

/// One turnout or signal of a random plan.
#[derive(Debug, Clone)]
struct Thing {
    place: usize,
    kind: usize,
    three_way: bool,
    wired: bool,
    tenths: u8,
}

fn thing() -> impl Strategy<Value = Thing> {
    (
        0..5_usize,
        0..6_usize,
        prop::bool::weighted(0.2),
        prop::bool::weighted(0.3),
        1..20_u8,
    )
        .prop_map(|(place, kind, three_way, wired, tenths)| Thing {
            place,
            kind,
            three_way,
            wired,
            tenths,
        })
}

const PLACES: [&str; 5] = ["Quay", "Fish dock", "Dairy", "Quarry", ""];
const DRIVES: [&str; 4] = ["twin-coil", "stall-motor", "servo", "memory-wire"];
const KINDS: [&str; 4] = ["pulse", "stall-motor", "servo", "steady"];

/// A plan with those things; a wired one is on a decoder of its kind while that has outputs.
fn plan(things: &[Thing], supply: u8) -> String {
    let mut text = format!(
        "# Invented.\n[layout]\nname = \"Slipway\"\n\n[supply.shed]\nkind = \"separate\"\n\
         volts = 16\namps = {supply}\n"
    );
    for (index, kind) in KINDS.iter().enumerate() {
        let first = 237 + 8 * index;
        let _infallible = write!(
            text,
            "\n# Decoder {index}.\n[decoder.B{index}]\noutputs = 4\nfirst_address = {first}\n\
             output_kind = \"{kind}\"\nsupply = \"shed\"\n"
        );
    }
    let mut used = [0; 4];
    for (index, thing) in things.iter().enumerate() {
        let place = PLACES[thing.place];
        let mut entry = |id: String, more: &str| {
            let _infallible = write!(text, "\n[[turnout]]\nid = \"{id}\"\n");
            if !place.is_empty() {
                let _infallible = writeln!(text, "place = \"{place}\"   # there");
            }
            text.push_str(more);
        };
        if let Some(drive) = DRIVES.get(thing.kind) {
            let (whole, tenths) = (thing.tenths / 10, thing.tenths % 10);
            let common = format!("drive = \"{drive}\"\namps = {whole}.{tenths}1\n");
            if thing.three_way {
                entry(
                    format!("T{index}L"),
                    &format!("shape = \"three-way\"\n{common}"),
                );
                entry(
                    format!("T{index}R"),
                    &format!("shape = \"three-way\"\n{common}"),
                );
            } else if thing.wired && used[thing.kind] < 3 {
                used[thing.kind] += 1;
                let (kind, output) = (thing.kind, used[thing.kind]);
                let wired = format!("decoder = \"B{kind}\"\noutput = {output}\n");
                entry(
                    format!("T{index}"),
                    &format!("shape = \"left\"\n{wired}{common}"),
                );
            } else {
                entry(format!("T{index}"), &format!("shape = \"left\"\n{common}"));
            }
        }
    }
    for (index, thing) in things.iter().enumerate().filter(|(_, one)| one.kind >= 4) {
        let kind = if thing.kind == 4 { "extended" } else { "pairs" };
        let _infallible = write!(
            text,
            "\n[[signal]]\nid = \"S{index}\"\nkind = \"{kind}\"\naspects = {{ stop = 0, go = {} }}\n",
            1 + thing.tenths % 5
        );
    }
    text
}

fn unwired(text: &str) -> Draft {
    let file = TextFile::from_text("slipway.toml", text);
    Draft::parse_unwired(file, Numbering::default())
        .unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

/// The same without where it stands, and without its wiring if it got one.
fn bare(turnout: &DraftTurnout, wiring: &Wiring) -> DraftTurnout {
    let mut turnout = turnout.clone();
    turnout.id.span = Span { start: 0, end: 0 };
    turnout.span = turnout.id.span;
    turnout.wiring = wiring.clone();
    turnout
}

fn bare_signal(signal: &DraftSignal, wiring: &Wiring) -> DraftSignal {
    let mut signal = signal.clone();
    signal.id.span = Span { start: 0, end: 0 };
    signal.span = signal.id.span;
    signal.wiring = wiring.clone();
    signal
}

fn wired_as(old: &Wiring, new: &Wiring) -> bool {
    let address = |wiring: &Wiring| wiring.address.map(|address| address.value);
    let output = |wiring: &Wiring| {
        let output = wiring.output.as_ref();
        output.map(|(decoder, output)| (decoder.value.clone(), output.value))
    };
    address(old) == address(new) && output(old) == output(new)
}

/// The places of a plan, in the order in which the file first names them.
fn places_in_order(draft: &Draft) -> Vec<&str> {
    let mut order: Vec<(usize, &str)> = draft
        .turnouts
        .iter()
        .map(|one| (one.span.start, one.place.as_str()))
        .collect();
    order.extend(
        draft
            .signals
            .iter()
            .map(|one| (one.span.start, one.place.as_str())),
    );
    order.sort_unstable();
    let mut places: Vec<&str> = Vec::new();
    for (_, place) in order {
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places
}

/// Holds a plan to every rule of allotting.
fn holds_to_the_rules(before: &Draft, after: &Draft, options: &Options) {
    for (old, new) in before.turnouts.iter().zip(&after.turnouts) {
        assert_eq!(bare(old, &old.wiring), bare(new, &old.wiring));
        assert!(old.wiring.is_missing() || wired_as(&old.wiring, &new.wiring));
    }
    for (old, new) in before.signals.iter().zip(&after.signals) {
        assert_eq!(bare_signal(old, &old.wiring), bare_signal(new, &old.wiring));
    }
    let turnouts = after.turnouts.iter().zip(&before.turnouts);
    let turnouts =
        turnouts.map(|(new, old)| (&new.wiring, &old.wiring, 1, &new.place, &new.id.value));
    let signals = after.signals.iter().zip(&before.signals);
    let signals = signals.map(|(new, old)| {
        (
            &new.wiring,
            &old.wiring,
            new.addresses(),
            &new.place,
            &new.id.value,
        )
    });
    let places = places_in_order(before);
    let mut on: BTreeMap<&str, Vec<(i64, bool, usize)>> = BTreeMap::new();
    for (wiring, old, count, place, _) in turnouts.chain(signals) {
        let Some((decoder, output)) = &wiring.output else {
            continue;
        };
        let place = places.iter().position(|one| one == place).unwrap();
        let all = on.entry(decoder.value.as_str()).or_default();
        all.extend(
            (0..i64::from(count)).map(|more| (output.value + more, old.is_missing(), place)),
        );
    }
    for decoder in &after.decoders {
        let all = on.remove(decoder.id.value.as_str()).unwrap_or_default();
        let outputs: BTreeSet<i64> = all.iter().map(|(output, _, _)| *output).collect();
        assert_eq!(
            outputs.len(),
            all.len(),
            "an output twice on {}",
            decoder.id.value
        );
        let is_new = !before
            .decoders
            .iter()
            .any(|old| old.id.value == decoder.id.value);
        let got = all.iter().any(|(_, new, _)| *new);
        if got {
            let free = usize::from(decoder.outputs) - outputs.len();
            assert!(
                free >= usize::from(options.spare),
                "{} is full",
                decoder.id.value
            );
            let span = |of: &[usize]| Some(of.iter().max()? - of.iter().min()? + 1);
            let served: Vec<usize> = all.iter().map(|(_, _, place)| *place).collect();
            let old = all.iter().filter(|(_, new, _)| !new);
            let old: Vec<usize> = old.map(|(_, _, place)| *place).collect();
            let reach = usize::from(options.reach);
            assert!(span(&served) <= Some(reach) || span(&served) == span(&old));
        }
        if is_new {
            assert!(got, "{} has nothing on it", decoder.id.value);
            let first = decoder.first_address.value;
            assert!(first > 4, "1 to 4 are for the bench");
            assert_eq!((first - 1) % 4, 0);
            let last = first + i64::from(decoder.outputs) - 1;
            assert!(last <= 2040);
            assert!((first..=last).all(|address| !(253..=256).contains(&address)));
        }
    }
    kinds_fit(after);
    drives_are_together(after);
}

/// Whether each is on an output of its kind.
fn kinds_fit(after: &Draft) {
    let kind = |wiring: &Wiring| {
        let (id, _) = wiring.output.as_ref().unwrap();
        let mut decoders = after.decoders.iter();
        let decoder = decoders
            .find(|decoder| decoder.id.value == id.value)
            .unwrap();
        (decoder.output_kind, decoder.format)
    };
    for turnout in after
        .turnouts
        .iter()
        .filter(|one| one.wiring.output.is_some())
    {
        let wanted = match turnout.drive {
            Drive::TwinCoil => OutputKind::Pulse,
            Drive::StallMotor => OutputKind::StallMotor,
            Drive::Servo => OutputKind::Servo,
            Drive::MemoryWire => OutputKind::Steady,
        };
        assert_eq!(kind(&turnout.wiring).0, wanted);
    }
    for signal in after
        .signals
        .iter()
        .filter(|one| one.kind == SignalKind::Pairs)
    {
        if !signal.wiring.is_missing() {
            assert_eq!(kind(&signal.wiring).0, OutputKind::Steady);
        }
    }
}

/// Whether both drives of each three-way turnout are side by side.
fn drives_are_together(after: &Draft) {
    for pair in after.turnouts.windows(2) {
        let stem = pair[0].id.value.as_str().strip_suffix('L');
        if stem.is_some() && stem == pair[1].id.value.as_str().strip_suffix('R') {
            let [first, second] =
                [0, 1].map(|one: usize| pair[one].wiring.output.as_ref().unwrap());
            assert_eq!(
                (&first.0.value, first.1.value + 1),
                (&second.0.value, second.1.value)
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn random_plans_are_allotted_by_the_rules(
        things in prop::collection::vec(thing(), 0..30),
        (outputs, spare, reach) in (3..10_u8, 0..2_u8, 1..4_u16),
        supply in 1..6_u8,
    ) {
        let old = plan(&things, supply);
        let before = unwired(&old);
        prop_assert_eq!(before.errors(), []);
        let options = Options { outputs, spare, reach, like: None };
        let proposal = allot::propose(&before, &options).unwrap();
        prop_assert!(proposal.at_least <= proposal.decoders.len());
        let new = allot::text::written(&before, &proposal).unwrap();
        prop_assert!(keeps_lines(&old, &new));
        let after = unwired(&new);
        holds_to_the_rules(&before, &after, &options);
        // What was wired before may overload what feeds it; that is not for allotting to mend.
        let told: Vec<_> = check::findings(&before).into_iter().map(|one| (one.code, one.subjects)).collect();
        let worse = check::findings(&after);
        let worse = worse.iter().filter(|one| one.severity() == Severity::Error);
        let worse: Vec<_> = worse.filter(|one| !told.contains(&(one.code, one.subjects.clone()))).collect();
        prop_assert!(worse.is_empty(), "{worse:?}");
        // Once more changes nothing.
        let again = allot::propose(&after, &options).unwrap();
        prop_assert!(again.is_empty(), "{again:?}");
        prop_assert_eq!(again.left.len(), proposal.left.len());
        prop_assert_eq!(allot::text::written(&after, &again).unwrap(), new);
    }
}
