//! Findings: what `check` says of a plan without touching the layout.

#![expect(
    clippy::panic,
    clippy::unwrap_used,
    reason = "helpers of tests fail by panic"
)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde_json::Value;
use throwproof::check::{self, Counts};
use throwproof::plan::finding::{Code, Finding, Severity};
use throwproof::plan::{Draft, Id, Plan};
use throwproof::textfile::TextFile;
use throwproof::view::findings::{json, text};

#[path = "support/big_plan.rs"]
mod big_plan;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
}

fn draft(text: &str) -> Draft {
    Draft::parse(TextFile::from_text("slipway.toml", text))
        .unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

fn findings(text: &str) -> Vec<Finding> {
    check::findings(&draft(text))
}

fn subjects(finding: &Finding) -> Vec<&str> {
    finding.subjects.iter().map(Id::as_str).collect()
}

#[test]
fn nothing_is_found_in_kestrel_bay() {
    let draft = Draft::read(&fixture("kestrel-bay/plan.toml")).unwrap();
    let found = check::findings(&draft);
    assert_eq!(found, []);
    assert!(Counts::of(&found).is_clean());
    assert_eq!(
        text(&draft, &found, false),
        "Kestrel Bay: 24 turnouts, 4 signals, 5 decoders, 2 supplies\nnothing found\n"
    );
    assert_eq!(
        json(&found).unwrap(),
        "{\"event\":\"summary\",\"errors\":0,\"warnings\":0,\"notes\":0}\n"
    );
}

#[test]
fn each_line_of_the_fixture_has_its_finding() {
    let draft = Draft::read(&fixture("plans/findings.toml")).unwrap();
    let found = check::findings(&draft);
    let told: Vec<_> = found
        .iter()
        .map(|found| (found.line, found.code.as_str(), subjects(found)))
        .collect();
    let expected: &[(u32, &str, &[&str])] = &[
        (12, "block-start", &["D1"]),
        (13, "unknown-supply", &["D1"]),
        (17, "blocks-overlap", &["D1", "D2"]),
        (22, "address-out-of-range", &["D3"]),
        (41, "address-used-twice", &["A1", "A2"]),
        (46, "coil-left-on", &["A3", "D2"]),
        (51, "output-used-twice", &["A3", "A4"]),
        (51, "coil-left-on", &["A4", "D2"]),
        (57, "address-disagrees", &["A5"]),
        (61, "unknown-decoder", &["A6"]),
        (67, "no-such-output", &["A7"]),
        (71, "wrong-format", &["A8"]),
        (76, "address-out-of-range", &["A9"]),
        (80, "address-out-of-range", &["B0"]),
        (84, "broadcast-address", &["B1"]),
        (88, "emergency-stop-address", &["B2"]),
        (92, "numbering-dependent", &["B3", "B4"]),
        (101, "coil-left-on", &["B5", "D5"]),
        (105, "nothing-shared", &["B6"]),
        (111, "aspects-alike", &["S1"]),
        (113, "both-formats", &["B7", "S1"]),
        (119, "no-such-output", &["S2"]),
    ];
    let expected: Vec<_> = expected
        .iter()
        .map(|(line, code, ids)| (*line, *code, ids.to_vec()))
        .collect();
    assert_eq!(told, expected);
}

#[test]
fn a_plan_is_refused_for_its_errors_in_the_same_words() {
    let draft = Draft::read(&fixture("plans/findings.toml")).unwrap();
    let errors: Vec<_> = check::findings(&draft)
        .into_iter()
        .filter(|finding| finding.severity() == Severity::Error)
        .map(|finding| {
            (
                finding.code.as_str(),
                finding.at,
                finding.message,
                finding.mend,
            )
        })
        .collect();
    let refused: Vec<_> = draft
        .into_plan()
        .unwrap_err()
        .list
        .into_iter()
        .map(|problem| {
            let fault = problem.fault;
            (fault.code(), problem.at, fault.to_string(), fault.mend())
        })
        .collect();
    assert_eq!(refused, errors);
    assert_eq!(refused.len(), 11);
}

/// The tables of a plan, and the codes of what is found in them.
type Case = (&'static str, &'static [Code]);

/// What stands before every case: two decoders, basic and extended.
const BOARD: &str = "[layout]\nname = \"Slipway\"\n\
    [supply.shed]\nkind = \"separate\"\nvolts = 16\namps = 2\n\
    [decoder.D1]\noutputs = 8\nfirst_address = 9\nsupply = \"shed\"\n\
    [decoder.X1]\noutputs = 4\nfirst_address = 81\nformat = \"extended\"\n";

const CASES: &[Case] = &[
    ("t A decoder='D1' output=1", &[]),
    ("t A decoder='D1' output=8", &[]),
    ("t A decoder='D1' output=9", &[Code::NoSuchOutput]),
    ("t A decoder='D1' output=0", &[Code::NoSuchOutput]),
    ("t A decoder='D1' output=-1", &[Code::NoSuchOutput]),
    (
        "t A decoder='D1' output=9223372036854775807",
        &[Code::NoSuchOutput],
    ),
    ("t A decoder='D2' output=1", &[Code::UnknownDecoder]),
    ("t A decoder='D1' output=3 address=11", &[]),
    (
        "t A decoder='D1' output=3 address=12",
        &[Code::AddressDisagrees],
    ),
    (
        "t A decoder='D1' output=3 address=2049",
        &[Code::AddressOutOfRange],
    ),
    ("t A address=1", &[]),
    ("t A address=0", &[Code::AddressOutOfRange]),
    ("t A address=2040", &[]),
    ("t A address=2049", &[Code::AddressOutOfRange]),
    (
        "t A address=9223372036854775807",
        &[Code::AddressOutOfRange],
    ),
    (
        "t A address=-9223372036854775808",
        &[Code::AddressOutOfRange],
    ),
    // Two things at one address, by every way to say it.
    ("t A address=30|t B address=30", &[Code::AddressUsedTwice]),
    ("t A address=30|t B address=31", &[]),
    (
        "t A address=30|t B address=30|t C address=30",
        &[Code::AddressUsedTwice],
    ),
    (
        "t A decoder='D1' output=1|t B decoder='D1' output=1",
        &[Code::OutputUsedTwice],
    ),
    (
        "t A address=9|t B decoder='D1' output=1",
        &[Code::OutputUsedTwice],
    ),
    ("t A address=30|p B 1 address=30", &[Code::AddressUsedTwice]),
    ("t A address=31|p B 3 address=30", &[Code::AddressUsedTwice]),
    ("t A address=32|p B 3 address=30", &[]),
    // Four addresses of two signals clash: one finding says it.
    (
        "p A 7 address=30|p B 7 address=30",
        &[Code::AddressUsedTwice],
    ),
    ("x A address=82|x B address=82", &[Code::OutputUsedTwice]),
    // Meant, by both or by one of them.
    (
        "t A address=30 shares_address=true|t B address=30 shares_address=true",
        &[],
    ),
    (
        "t A address=30 shares_address=true|t B address=30",
        &[Code::AddressUsedTwice],
    ),
    ("t A address=30 shares_address=true", &[Code::NothingShared]),
    (
        "x A address=82 shares_address=true|x B address=82 shares_address=true",
        &[],
    ),
    (
        "t A address=82 shares_address=true|x B address=82",
        &[Code::NothingShared, Code::BothFormats],
    ),
    // Formats.
    ("x A decoder='X1' output=1", &[]),
    ("x A decoder='D1' output=1", &[Code::WrongFormat]),
    ("t A decoder='X1' output=1", &[Code::WrongFormat]),
    ("p A 1 decoder='X1' output=1", &[Code::WrongFormat]),
    ("t A address=50|x B address=50", &[Code::BothFormats]),
    // Signals by pairs need as many outputs as their highest value asks for.
    ("p A 1 decoder='D1' output=8", &[]),
    ("p A 3 decoder='D1' output=7", &[]),
    ("p A 3 decoder='D1' output=8", &[Code::NoSuchOutput]),
    ("p A 3 address=2048", &[Code::AddressOutOfRange]),
    // clause: S-9.2.1 (July 2012): basic broadcasts have decoder address 511, which is keyed
    // 2041 to 2044 (derived); of the extended ones only the last is a broadcast.
    ("t A address=2041", &[Code::BroadcastAddress]),
    ("t A address=2043", &[Code::BroadcastAddress]),
    ("t A address=2044", &[Code::EmergencyStopAddress]),
    ("x A address=2043", &[]),
    ("x A address=2044", &[Code::EmergencyStopAddress]),
    ("p A 3 address=2040", &[Code::BroadcastAddress]),
    // clause: S-9.2.1 (January 2025), second-hand, and derived: the last four of each 256.
    ("t A address=252", &[]),
    ("t A address=253", &[Code::NumberingDependent]),
    ("t A address=256", &[Code::NumberingDependent]),
    ("t A address=257", &[]),
    (
        "t A address=253|t B address=254|t C address=512",
        &[Code::NumberingDependent, Code::NumberingDependent],
    ),
    ("t A address=2045", &[Code::NumberingDependent]),
    ("t A address=2048", &[Code::NumberingDependent]),
    // Decoders.
    ("d D2 4 17|t A address=1", &[]),
    ("d D2 4 13|t A address=1", &[Code::BlocksOverlap]),
    ("d D2 8 5|t A address=1", &[Code::BlocksOverlap]),
    ("d D2 4 5|t A address=1", &[]),
    ("d D2 4 81|t A address=1", &[]),
    ("d D2 4 2045|t A address=1", &[]),
    ("d D2 4 2046|t A address=1", &[Code::AddressOutOfRange]),
    ("d D2 4 0|t A address=1", &[Code::AddressOutOfRange]),
    ("d D2 4 22|t A address=1", &[Code::BlockStart]),
    ("d D2 4 22 learns='cv-output'|t A address=1", &[]),
    (
        "d D2 4 22 learns='cv-decoder'|t A address=1",
        &[Code::BlockStart],
    ),
    ("d D2 4 22 block_start='any'|t A address=1", &[]),
    (
        "d D2 8 21 block_start='8k+1'|t A address=1",
        &[Code::BlockStart],
    ),
    ("d D2 8 25 block_start='8k+1'|t A address=1", &[]),
    (
        "d D2 4 21 supply='shet'|t A address=1",
        &[Code::UnknownSupply],
    ),
    // Coils. clause: S-9.2.2 (July 2012), CV 515 to 518: 0 is continuous.
    (
        "d D2 4 21 pulse_ms=0|t A decoder='D2' output=1",
        &[Code::CoilLeftOn],
    ),
    (
        "d D2 4 21 pulse_ms=0|t A decoder='D2' output=1 drive='servo'",
        &[Code::DriveOutputMismatch],
    ),
    (
        "d D2 4 21 output_kind='steady'|t A address=21",
        &[Code::CoilLeftOn],
    ),
    (
        "d D2 4 21 output_kind='stall-motor'|t A address=21",
        &[Code::DriveOutputMismatch],
    ),
    (
        "d D2 4 21 output_kind='stall-motor'|t A address=21 drive='stall-motor'",
        &[],
    ),
    // Power, wires, pulses, outputs. derived: Ohm's law, by hand for each.
    (
        "d D2 4 21 wire={metres=1,awg=20,from='D3'}|d D3 4 25 wire={metres=1,awg=20,from='D2'}|t A address=1",
        &[Code::WireLoop],
    ),
    (
        "d D2 4 21 wire={metres=1,awg=20,from='D2'}|t A address=1",
        &[Code::WireLoop],
    ),
    (
        "d D2 4 21 wire={metres=1,awg=20,from='D7'}|t A address=1",
        &[Code::UnknownDecoder],
    ),
    (
        "u S2 kind='separate' volts=16 amps=2|d D2 4 21 supply='S2' wire={metres=1,awg=20,from='D1'}|t A address=1",
        &[Code::WireElsewhere],
    ),
    (
        "d D2 4 21 wire={metres=1,awg=20,from='D1'}|t A address=21",
        &[],
    ),
    (
        "t A decoder='D1' output=1 drive='servo'",
        &[Code::DriveOutputMismatch],
    ),
    (
        "t A decoder='D1' output=1 drive='stall-motor'",
        &[Code::DriveOutputMismatch],
    ),
    (
        "t A decoder='D1' output=1 amps=3 wire={metres=30,mm2=0.14}",
        &[Code::DriveStarved, Code::WireTooLong],
    ),
    (
        "t A decoder='D1' output=1 amps=2 wire={metres=12,mm2=0.5}",
        &[Code::SupplySags, Code::WireTooLong],
    ),
    (
        "t A decoder='D1' output=1 amps=2 wire={metres=8,mm2=0.5}",
        &[Code::WireTooLong],
    ),
    (
        "t A decoder='D1' output=1 amps=1.8 wire={metres=4,mm2=1}",
        &[],
    ),
    (
        "u S2 kind='separate' volts=15 amps=5 trip_amps=5|d D2 4 21 supply='S2' wire={metres=30,mm2=0.22}|t A address=1",
        &[Code::TripNeverReached],
    ),
    (
        "u S2 kind='separate' volts=16 amps=0.1|d D2 4 21 supply='S2' idle_amps=0.2|t A address=1",
        &[Code::SupplyOverloaded],
    ),
    (
        "u S2 kind='separate' volts=16 amps=0.1|d D2 4 21 supply='S2' idle_amps=0.09|t A address=1",
        &[Code::SupplyNearLimit],
    ),
    (
        "u S2 kind='separate' volts=16 amps=2 trip_amps=0.5 trip_ms=20|d D2 4 21 supply='S2'|t A address=21",
        &[Code::SupplyTrips],
    ),
    (
        "t A decoder='D1' output=1 amps=2.5",
        &[Code::ThrowsOverload],
    ),
    (
        "u S2 kind='separate' volts=16 amps=2 capacitor_uf=100000 capacitor_charge_ohms=500|d D2 4 21 supply='S2'|t A address=21",
        &[Code::RechargeTooSlow, Code::SupplySags],
    ),
    (
        "d D2 4 21 supply='shed' pulse_ms=20|t A address=21 needs_ms=150",
        &[Code::PulseTooShort],
    ),
    (
        "d D2 4 21 supply='shed' pulse_ms=100|t A address=21 needs_ms=120",
        &[Code::PulseBarelyLong],
    ),
    (
        "u S2 kind='separate' volts=16 amps=8|d D2 4 21 supply='S2' pulse_ms=60000|t A address=21 amps=4",
        &[Code::PulseTooHot],
    ),
    (
        "u S2 kind='separate' volts=16 amps=8|d D2 4 21 supply='S2' pulse_ms=480|t A address=21 amps=4",
        &[Code::CoilRunsHot],
    ),
    (
        "d D2 4 21 supply='shed' max_output_amps=0.3|t A address=21",
        &[Code::OutputOverloaded],
    ),
    (
        "d D2 4 21 supply='shed' max_output_amps=0.9|t A address=21",
        &[Code::OutputNearLimit],
    ),
    (
        "d D2 4 21 supply='shed' max_total_amps=0.3|t A address=21",
        &[Code::BoardOverloaded],
    ),
    (
        "d D2 4 21 supply='shed' max_total_amps=0.9|t A address=21",
        &[Code::BoardNearLimit],
    ),
    (
        "u S2 kind='track' volts=15 amps=3|d D2 4 21 supply='S2'|d D3 4 25 supply='S2'|d D4 4 29 supply='S2'|t A address=1",
        &[Code::PowerFromTrack],
    ),
    (
        "t A decoder='D1' output=1|t B decoder='D1' output=4",
        &[Code::AddressGap],
    ),
    ("t A decoder='D1' output=1|t B decoder='D1' output=3", &[]),
    ("w A address=30|w B address=31", &[]),
    (
        "w A address=30|w B address=31 rest='diverging'",
        &[Code::ForbiddenPair],
    ),
    // Signals.
    ("s A address=82 kind='extended' aspects={stop=0,go=1}", &[]),
    (
        "s A address=82 kind='extended' aspects={stop=0,go=0}",
        &[Code::AspectsAlike],
    ),
    (
        "s A address=82 kind='extended' aspects={stop=0,go=1} lamps=['red','green'] \
         shows={stop=['red'],go=['green']}",
        &[],
    ),
    (
        "s A address=82 kind='extended' aspects={stop=0,go=1} lamps=['red','green'] \
         shows={stop=['red'],go=['red']}",
        &[Code::AspectsLookAlike],
    ),
    (
        "s A address=82 kind='extended' aspects={stop=0,go=1} lamps=['red','green'] \
         shows={stop=['red'],go=['red\u{a0}flashing']}",
        &[],
    ),
    (
        "s A address=82 kind='extended' aspects={stop=0,go=1} lamps=['red'] shows={stop=['red']}",
        &[Code::AspectNotDescribed],
    ),
    // Accessories.
    ("a A uncoupler address=30", &[]),
    ("a A uncoupler decoder='D1' output=1", &[]),
    (
        "d D2 4 21 output_kind='steady'|a A uncoupler decoder='D2' output=1",
        &[Code::CoilLeftOn],
    ),
    (
        "d D2 4 21 pulse_ms=0|a A uncoupler decoder='D2' output=1",
        &[Code::CoilLeftOn],
    ),
    (
        "a A uncoupler address=30|a B uncoupler address=30 half=0",
        &[],
    ),
    (
        "a A uncoupler decoder='D1' output=1|a B uncoupler decoder='D1' output=1 half=0",
        &[],
    ),
    (
        "a A uncoupler address=30|a B uncoupler address=30",
        &[Code::AddressUsedTwice],
    ),
    (
        "a A uncoupler address=30|a B uncoupler address=30 half=0|t C address=30",
        &[Code::AddressUsedTwice],
    ),
    (
        "a A gates address=30|a B lights address=30",
        &[Code::AddressUsedTwice],
    ),
    ("a A lights decoder='D1' output=1", &[Code::LightsOnPulse]),
    ("a A gates decoder='D1' output=1", &[]),
    ("a A gates decoder='X1' output=1", &[Code::WrongFormat]),
    // Extended turnouts.
    ("t A decoder='X1' output=1 format='extended' on_ms=500", &[]),
    (
        "t A decoder='X1' output=1 format='extended'",
        &[Code::CoilLeftOn],
    ),
    (
        "t A decoder='X1' output=1 format='extended' on_ms=1100",
        &[Code::CoilLeftOn],
    ),
    (
        "t A decoder='X1' output=1 format='extended' drive='stall-motor'",
        &[Code::DriveOutputMismatch],
    ),
    (
        "t A decoder='D1' output=1 format='extended' on_ms=500",
        &[Code::WrongFormat],
    ),
    (
        "t A address=50 format='extended' on_ms=500|t B address=50",
        &[Code::BothFormats],
    ),
    ("", &[Code::NothingToProve]),
];

/// Writes a case out: `t` a turnout, `x` an extended signal, `p` one by pairs with its highest
/// value, `s` any signal, `a` an accessory, `d` a decoder with outputs and first address, `w` half a
/// three-way turnout, `u` a supply.
fn written_out(case: &str) -> String {
    let mut plan = BOARD.to_owned();
    for table in case.split('|').filter(|table| !table.is_empty()) {
        let mut words = table.split(' ');
        let mut word = || words.next().unwrap().to_owned();
        let (kind, id) = (word(), word());
        let keys = match kind.as_str() {
            "t" => format!("[[turnout]]\nid = \"{id}\"\nshape = \"left\"\n"),
            "w" => format!("[[turnout]]\nid = \"{id}\"\nshape = \"three-way\"\n"),
            "u" => format!("[supply.{id}]\n"),
            "s" => format!("[[signal]]\nid = \"{id}\"\n"),
            "a" => format!("[[accessory]]\nid = \"{id}\"\nkind = \"{}\"\n", word()),
            "x" => format!(
                "[[signal]]\nid = \"{id}\"\nkind = \"extended\"\naspects = {{ stop = 0 }}\n"
            ),
            "p" => format!(
                "[[signal]]\nid = \"{id}\"\nkind = \"pairs\"\naspects = {{ stop = 0, go = {} }}\n",
                word()
            ),
            "d" => format!(
                "[decoder.{id}]\noutputs = {}\nfirst_address = {}\n",
                word(),
                word()
            ),
            other => panic!("no table {other:?}"),
        };
        plan.push_str(&keys);
        plan.extend(words.flat_map(|word| [word, "\n"]));
    }
    plan
}

#[test]
fn each_case_has_its_findings_and_no_other() {
    for (case, expected) in CASES {
        let found: Vec<_> = findings(&written_out(case))
            .iter()
            .map(|found| found.code)
            .collect();
        assert_eq!(&found, expected, "{case}");
    }
}

#[test]
fn every_code_is_found_somewhere() {
    let cases: BTreeSet<_> = CASES
        .iter()
        .flat_map(|(_, codes)| codes.iter().copied())
        .collect();
    let missing: Vec<_> = Code::ALL
        .iter()
        // That one is of a plan and a link together.
        .filter(|code| !cases.contains(code) && **code != Code::ReportsNotCarried)
        .collect();
    assert!(missing.is_empty(), "no case finds {missing:?}");
    let names: BTreeSet<_> = Code::ALL.iter().map(|code| code.as_str()).collect();
    assert_eq!(
        names.len(),
        Code::ALL.len(),
        "each code has a name of its own"
    );
    for name in names {
        assert!(
            name.bytes().all(|c| c.is_ascii_lowercase() || c == b'-'),
            "{name}"
        );
    }
}

/// The keyed addresses, of all there are, at which a code is found.
fn found_at(numbering: &str, code: Code) -> BTreeSet<u16> {
    let plan = big_plan::big_plan(numbering);
    let found = findings(&plan);
    let ids = found
        .iter()
        .filter(|found| found.code == code)
        .flat_map(|found| subjects(found));
    ids.map(|id| id.trim_start_matches('T').parse().unwrap())
        .collect()
}

#[test]
fn of_every_address_only_the_reserved_ones_are_warned_of() {
    // derived from S-9.2.1 (January 2025), second-hand: linear and non-linear differ in the last
    // four of each 256. From S-9.2.1 (July 2012): decoder address 511 is the broadcast.
    let last_four: BTreeSet<u16> = (1..=8)
        .flat_map(|block| block * 256 - 3..=block * 256)
        .collect();
    for numbering in ["linear", "non-linear"] {
        assert_eq!(found_at(numbering, Code::NumberingDependent), last_four);
        assert_eq!(
            found_at(numbering, Code::BroadcastAddress),
            (2041..=2043).collect()
        );
        assert_eq!(
            found_at(numbering, Code::EmergencyStopAddress),
            [2044].into()
        );
    }
    assert_eq!(
        found_at("from-zero", Code::NumberingDependent),
        BTreeSet::new()
    );
    assert_eq!(
        found_at("from-zero", Code::BroadcastAddress),
        (2045..=2047).collect()
    );
    assert_eq!(
        found_at("from-zero", Code::EmergencyStopAddress),
        [2048].into()
    );
    let found = findings(&big_plan::big_plan("linear"));
    let counts = Counts::of(&found);
    // Eight blocks of four, three broadcasts and the stop.
    assert_eq!(
        counts,
        Counts {
            errors: 0,
            warnings: 8 + 3 + 1,
            notes: 0
        }
    );
    assert!(!counts.is_clean());
}

#[test]
fn a_plan_with_warnings_alone_can_be_driven() {
    let plan = written_out("t A address=2044|t B address=253");
    assert_eq!(
        Plan::from_text("slipway.toml", &plan)
            .unwrap()
            .turnouts
            .len(),
        2
    );
    let notes = written_out("t A address=30 shares_address=true");
    assert!(
        Counts::of(&findings(&notes)).is_clean(),
        "a note is nothing to fail for"
    );
}

#[test]
fn text_gives_what_why_and_mend() {
    let draft = draft(&written_out(
        "t A address=30|t B address=30|t C address=2044",
    ));
    let found = check::findings(&draft);
    assert_eq!(
        text(&draft, &found, false),
        "\
Slipway: 3 turnouts, 0 signals, 2 decoders, 1 supply

error    line 22    address 30 is used by A (line 18) and B (line 22) [address-used-twice]
                    why   one command would throw both
                    mend  give each its own address; if they are meant to move together, as the
                          ends of a crossover, write shares_address = true for each

warning  line 26    address 2044 of C is the emergency stop of accessories
                    [emergency-stop-address]
                    why   its release is byte for byte the emergency stop, and every decoder may
                          obey it
                    mend  move it to another address; until then it is thrown only when you say
                          so

1 error, 1 warning: nothing is thrown from this plan until the errors are mended
"
    );
    let styled = text(&draft, &found, true);
    assert!(styled.contains("\u{1b}[1m"), "{styled:?}");
    assert_eq!(
        anstream::adapter::strip_str(&styled).to_string(),
        text(&draft, &found, false)
    );
}

#[test]
fn json_gives_one_object_a_line_and_the_summary_last() {
    let draft = Draft::read(&fixture("plans/findings.toml")).unwrap();
    let found = check::findings(&draft);
    let lines: Vec<Value> = json(&found)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), found.len() + 1);
    for (line, finding) in lines.iter().zip(&found) {
        let keys: Vec<_> = line
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect();
        let expected = [
            "code", "event", "line", "mend", "message", "severity", "subjects", "why",
        ];
        assert_eq!(keys.into_iter().collect::<BTreeSet<_>>(), expected.into());
        assert_eq!(line["event"], "finding");
        assert_eq!(line["code"], finding.code.as_str());
        assert_eq!(line["severity"], finding.severity().as_str());
        assert_eq!(line["line"], finding.line);
    }
    let summary = lines.last().unwrap();
    assert_eq!(summary["event"], "summary");
    assert_eq!(
        (&summary["errors"], &summary["warnings"], &summary["notes"]),
        (&Value::from(11), &Value::from(10), &Value::from(1))
    );
}

#[test]
fn many_owners_of_one_address_are_told_in_one_finding() {
    let case: Vec<_> = (0..300).map(|n| format!("t N{n} address=30")).collect();
    let found = findings(&written_out(&case.join("|")));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].subjects.len(), 300);
    assert!(
        found[0].message.ends_with(", N2 (line 26) and 297 more"),
        "{}",
        found[0].message
    );
}

fn throwproof(arguments: &[&str]) -> assert_cmd::assert::Assert {
    let mut command = assert_cmd::Command::cargo_bin("throwproof").unwrap();
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(arguments)
        .assert()
}

fn shown(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn the_command_ends_as_the_findings_say() {
    throwproof(&["check", "fixtures/kestrel-bay/plan.toml"])
        .code(0)
        .stdout(
            "Kestrel Bay: 24 turnouts, 4 signals, 5 decoders, 2 supplies\nnothing found\n\n\
             supply             steady  a throw   worst   rated  margin\n\
             quay (capacitor)  0.038 A   1.13 A  0.71 A  2.50 A  1.79 A\n\
             track              0.15 A   0.00 A  0.15 A  3.00 A  2.85 A\n",
        );
    let draft = Draft::read(&fixture("plans/findings.toml")).unwrap();
    let found = check::findings(&draft);
    throwproof(&["check", "fixtures/plans/findings.toml"])
        .code(1)
        .stdout(text(&draft, &found, false))
        .stderr("");
    throwproof(&["check", "fixtures/plans/findings.toml", "--format", "json"])
        .code(1)
        .stdout(json(&found).unwrap())
        .stderr("");
}

#[test]
fn what_is_no_plan_ends_with_2_and_says_how_to_mend_it() {
    for (name, said) in [
        (
            "plans/unknown-key.toml",
            "plans/unknown-key.toml:3:1: unknown key `nummering`",
        ),
        ("plans/duplicate-id.toml", "the first is on line 5"),
        (
            "plans/not-toml.toml",
            "plans/not-toml.toml:5:6: this is not TOML",
        ),
        (
            "plans/not-utf8.toml",
            "byte 18 (counted from 0) is not UTF-8",
        ),
        ("plans/none.toml", "no such file"),
        ("plans", "that is a directory"),
    ] {
        let ended = throwproof(&["check", &format!("fixtures/{name}")])
            .code(2)
            .stdout("");
        let told = shown(&ended.get_output().stderr);
        assert!(told.contains(said), "{told}");
        assert!(told.contains("= help: "), "{told}");
        assert!(
            !told.contains('\u{1b}'),
            "plain when it is not a terminal: {told}"
        );
    }
}

#[test]
fn an_unsound_plan_is_not_swept() {
    let ended = throwproof(&["sweep", "fixtures/plans/out-of-range.toml"])
        .code(2)
        .stdout("");
    let told = shown(&ended.get_output().stderr);
    assert!(
        told.contains("out-of-range.toml:7:11: W1 has the address 0,"),
        "{told}"
    );
}

#[test]
fn every_code_is_documented_with_its_severity() {
    let documented = std::fs::read_to_string(fixture("../docs/plan.md")).unwrap();
    for code in Code::ALL {
        let row = format!("| {} | {} | ", code.as_str(), code.severity().as_str());
        assert!(documented.contains(&row), "{row}");
    }
    let rows = documented.lines().skip_while(|line| *line != "## Findings");
    let rows = rows
        .filter(|line| line.starts_with("| ") && !line.contains("---"))
        .count();
    assert_eq!(
        rows,
        Code::ALL.len() + 1,
        "no code that is gone, and the table's head"
    );
}
