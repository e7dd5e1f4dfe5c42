//! What the wires, supplies and drives of a plan come to: against published figures, and as the
//! document shows it.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::fmt::Write as _;
use std::time::Duration;

use throwproof::electric::figures;
use throwproof::electric::gap::Why;
use throwproof::electric::power::{Corner, Power};
use throwproof::electric::{copper, heat, loads, shortest_gap};
use throwproof::plan::{Gauge, Plan, Wire};

/// The document whose tables are held to what is computed.
const DOCUMENT: &str = "docs/electric.md";

fn plan(text: &str) -> Plan {
    let head = "[layout]\nname = \"Slipway\"\n";
    Plan::from_text("slipway.toml", &(head.to_owned() + text)).unwrap()
}

/// One coil of that many ohms on 16 V, on leads of 10 m.
fn solenoid(ohms: f64, leads: &str) -> Plan {
    let amps = 16.0 / (ohms + figures::LEAD_OHMS);
    plan(&format!(
        "[supply.s]\nkind = \"separate\"\nvolts = 16\namps = 5\ninternal_ohms = 0\n\
         [decoder.D]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\n\
         [[turnout]]\nid = \"A\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 1\namps = {amps}\n\
         {leads}"
    ))
}

/// Published figures of a 5.4 Ω coil on 16 V: area of 10 m of leads, current in amperes, force
/// as a share; common practice, second-hand.
const SOLENOID: [(&str, f64, f64); 3] = [
    ("0.22", 2.30, 0.60),
    ("0.5", 2.63, 0.79),
    ("1.0", 2.79, 0.88),
];

#[test]
fn thin_leads_weaken_a_solenoid_as_practice_says() {
    for (area, amps, force) in SOLENOID {
        let leads = format!("wire = {{ metres = 10, mm2 = {area} }}\n");
        let plan = solenoid(5.4, &leads);
        let power = Power::of(&plan);
        let throw = power.throw(0, Corner::TYPICAL, 1.0).unwrap();
        assert!(
            (throw.amps / amps - 1.0).abs() < 0.01,
            "{area}: {}",
            throw.amps
        );
        let without = 16.0 / 5.4;
        let share = throw.amps / without;
        assert!((share * share - force).abs() < 0.011, "{area}: {share}");
    }
}

// derived: 15 V and a trip of 5 A: a loop of 3 Ω is the most that trips at all.
#[test]
fn a_loop_of_three_ohms_is_the_most_for_five_amperes() {
    let metres = |ohms: f64| ohms / 2.0 / copper::ohms_per_metre(Gauge::SquareMillimetres(0.5));
    for (ohms, found) in [(2.9, false), (3.1, true)] {
        let text = format!(
            "[layout]\nname = \"Slipway\"\n\
             [supply.s]\nkind = \"separate\"\nvolts = 15\namps = 5\ninternal_ohms = 0\n\
             trip_amps = 5\n[decoder.D]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\n\
             wire = {{ metres = {:.3}, mm2 = 0.5 }}\n\
             [[turnout]]\nid = \"A\"\nshape = \"left\"\naddress = 1\n",
            metres(ohms)
        );
        let file = throwproof::textfile::TextFile::from_text("slipway.toml", text.as_str());
        let draft = throwproof::plan::Draft::parse(file).unwrap();
        let codes = throwproof::check::findings(&draft);
        let codes: Vec<_> = codes.iter().map(|it| it.code.as_str()).collect();
        assert_eq!(
            codes.contains(&"trip-never-reached"),
            found,
            "{ohms}: {codes:?}"
        );
    }
}

/// Published recharge times to about 95 %: microfarads, ohms, seconds; derived, second-hand.
const RECHARGE: [(f64, f64, f64); 4] = [
    (4_700.0, 100.0, 1.4),
    (4_700.0, 220.0, 3.1),
    (4_700.0, 560.0, 7.9),
    (2_200.0, 220.0, 1.45),
];

fn store(microfarads: f64, ohms: f64) -> Plan {
    plan(&format!(
        "[supply.s]\nkind = \"separate\"\nvolts = 16\namps = 2\ninternal_ohms = 0\n\
         capacitor_uf = {microfarads}\ncapacitor_charge_ohms = {ohms}\n\
         [decoder.D]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\n\
         [[turnout]]\nid = \"A\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 1\n\
         [[turnout]]\nid = \"B\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 2\n"
    ))
}

#[test]
fn capacitors_recharge_as_published() {
    for (microfarads, ohms, seconds) in RECHARGE {
        let plan = store(microfarads, ohms);
        let gap = shortest_gap(&plan, &[0, 1]);
        assert!((gap.time.as_secs_f64() - seconds).abs() < 0.05, "{gap:?}");
        assert_eq!(gap.reasons[0].why, Why::Recharge);
        assert_eq!(gap.reasons[0].supply.as_ref().unwrap().as_str(), "s");
        assert_eq!(
            shortest_gap(&plan, &[0]).time,
            Duration::ZERO,
            "one alone waits for nothing"
        );
    }
}

#[test]
fn what_two_throws_draw_sets_their_gap() {
    let text = |amps: f64| {
        format!(
            "[supply.s]\nkind = \"separate\"\nvolts = 16\namps = {amps}\n\
             [decoder.D]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\npulse_ms = 200\n\
             [[turnout]]\nid = \"A\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 1\n\
             [[turnout]]\nid = \"B\"\nshape = \"left\"\ndecoder = \"D\"\noutput = 2\n"
        )
    };
    assert_eq!(
        shortest_gap(&plan(&text(4.0)), &[0, 1]).time,
        Duration::ZERO
    );
    let tight = shortest_gap(&plan(&text(1.5)), &[1, 0]);
    assert_eq!(tight.time, Duration::from_millis(200));
    assert!(matches!(tight.reasons[0].why, Why::Current { amps, rated } if amps > rated));
}

// derived: 40 motors of 18 mA are about 0.7 A.
#[test]
fn forty_stall_motors_are_added_up() {
    let mut text =
        String::from("[supply.s]\nkind = \"separate\"\nvolts = 12\namps = 2\ninternal_ohms = 0\n");
    for board in 0..5 {
        let _ = write!(
            text,
            "[decoder.D{board}]\noutputs = 8\nfirst_address = {}\nsupply = \"s\"\n\
             output_kind = \"stall-motor\"\n",
            9 + 8 * board
        );
    }
    for motor in 0..40 {
        let _ = write!(
            text,
            "[[turnout]]\nid = \"T{motor}\"\nshape = \"left\"\naddress = {}\n\
             drive = \"stall-motor\"\namps = 0.018\n",
            9 + motor
        );
    }
    let load = loads(&plan(&text))[0];
    assert!((load.steady - 0.72).abs() < 0.005, "{load:?}");
    assert!((load.margin() - 1.28).abs() < 0.005, "{load:?}");
    assert_eq!(load.at_once, 1);
}

// derived: with a tree of three boards, the sum of the drops is the drop of the whole way.
#[test]
fn a_bus_shares_its_wire() {
    let plan = plan(
        "[supply.s]\nkind = \"separate\"\nvolts = 16\namps = 5\ninternal_ohms = 0\n\
         [decoder.D1]\noutputs = 4\nfirst_address = 9\nsupply = \"s\"\nidle_amps = 1\n\
         wire = { metres = 10, mm2 = 0.5 }\n\
         [decoder.D2]\noutputs = 4\nfirst_address = 13\nidle_amps = 1\n\
         wire = { metres = 10, mm2 = 0.5, from = \"D1\" }\n\
         [[turnout]]\nid = \"A\"\nshape = \"left\"\naddress = 1\n",
    );
    let power = Power::of(&plan);
    let loaded = power.tree.with(&power.at_rest(Corner::TYPICAL, None));
    let run = copper::loop_ohms(Wire {
        metres: 10.0,
        gauge: Gauge::SquareMillimetres(0.5),
    });
    // By hand: loads of 16 Ω at either board.
    let far = 16.0 + run;
    let near = 1.0 / (1.0 / 16.0 + 1.0 / far);
    let at_near = 16.0 * near / (near + run);
    let at_far = at_near * 16.0 / far;
    assert!((loaded.port(0).volts(16.0, 0.0) - at_near).abs() < 1e-9);
    assert!((loaded.port(1).volts(16.0, 0.0) - at_far).abs() < 1e-9);
    assert!((loaded.input(0) - 1.0 / (near + run)).abs() < 1e-12);
    // A load seen through the port is as if it hung on the board.
    let mut more = power.at_rest(Corner::TYPICAL, None);
    more[1] += 0.1;
    let more = power.tree.with(&more);
    let port = loaded.port(1);
    assert!((port.seen(0.1) - more.input(0)).abs() < 1e-12);
    assert!((port.volts(16.0, 0.1) - more.port(1).volts(16.0, 0.0)).abs() < 1e-9);
}

/// The tables of the document.
fn tables() -> String {
    let mut text = String::from(
        "| American gauge | mm² | mΩ a metre | Ω for 1000 ft | published Ω for 1000 ft |\n\
         | --- | --- | --- | --- | --- |\n",
    );
    let published = [
        (10, "1.00"),
        (12, "1.59"),
        (14, "2.53"),
        (16, "4.02"),
        (18, "6.38"),
        (20, "10.2"),
        (22, "16.1"),
        (24, "25.7"),
        (26, "40.8"),
    ];
    for (awg, printed) in published {
        let gauge = Gauge::Awg(awg);
        let (area, ohms) = (
            copper::square_millimetres(gauge),
            copper::ohms_per_metre(gauge),
        );
        let _ = writeln!(
            text,
            "| {awg} | {area:.2} | {:.1} | {:.2} | {printed} |",
            ohms * 1000.0,
            ohms * 304.8
        );
    }
    text += "\n| mm² | mΩ a metre | published mΩ a metre | most of IEC 60228 class 5, mΩ a metre |\n\
             | --- | --- | --- | --- |\n";
    let published = [
        (4.0, "4.3", "4.95"),
        (2.5, "6.9", "7.98"),
        (1.5, "11.5", "13.3"),
        (1.0, "17.2", "19.5"),
        (0.75, "23.0", "26.0"),
        (0.5, "34.5", "39.0"),
        (0.25, "69", ""),
        (0.22, "78", ""),
        (0.14, "123", ""),
    ];
    for (area, printed, class) in published {
        let ohms = copper::ohms_per_metre(Gauge::SquareMillimetres(area)) * 1000.0;
        let _ = writeln!(text, "| {area} | {ohms:.1} | {printed} | {class} |");
    }
    circuits(&mut text);
    text
}

/// The tables of what wires, capacitors and coils come to in a circuit.
fn circuits(text: &mut String) {
    *text += "\n| 10 m of leads, mm² | current, A | published | force | published |\n\
             | --- | --- | --- | --- | --- |\n";
    for (area, amps, force) in SOLENOID {
        let plan = solenoid(5.4, &format!("wire = {{ metres = 10, mm2 = {area} }}\n"));
        let throw = Power::of(&plan).throw(0, Corner::TYPICAL, 1.0).unwrap();
        let share = throw.amps / (16.0 / 5.4);
        let _ = writeln!(
            text,
            "| {area} | {:.2} | {amps:.2} | {:.0} % | {:.0} % |",
            throw.amps,
            share * share * 100.0,
            force * 100.0
        );
    }
    *text += "\n| capacitor, µF | charged through, Ω | 95 % after, s | published, s |\n\
             | --- | --- | --- | --- |\n";
    for (microfarads, ohms, printed) in RECHARGE {
        let seconds = shortest_gap(&store(microfarads, ohms), &[0, 1])
            .time
            .as_secs_f64();
        let _ = writeln!(
            text,
            "| {microfarads} | {ohms} | {seconds:.2} | {printed} |"
        );
    }
    *text +=
        "\n| coil, Ω, left on at 16 V | watts, cold | burns out after |\n| --- | --- | --- |\n";
    for ohms in [2.8, 5.4, 10.0, 20.0] {
        let plan = solenoid(ohms, "");
        let power = Power::of(&plan);
        let pull = &power.pulls[0];
        let amps = 16.0 / (pull.ohms + pull.lead_ohms);
        let burns = heat::after(pull, 16.0, 1.0, f64::INFINITY).1;
        let burns = burns.map_or("not in ten minutes".to_owned(), |time| {
            format!("{time:.0} s")
        });
        let _ = writeln!(
            text,
            "| {ohms} | {:.0} | {burns} |",
            amps * amps * pull.ohms
        );
    }
}

#[test]
fn the_document_shows_what_is_computed() {
    let document = std::fs::read_to_string(DOCUMENT).unwrap();
    let (head, rest) = document.split_once("<!-- tables -->\n").unwrap();
    let (_, tail) = rest.split_once("<!-- end of tables -->").unwrap();
    let expected = format!(
        "{head}<!-- tables -->\n\n{}\n<!-- end of tables -->{tail}",
        tables()
    );
    if std::env::var_os("THROWPROOF_BLESS").is_some() {
        std::fs::write(DOCUMENT, &expected).unwrap();
    }
    let document = std::fs::read_to_string(DOCUMENT).unwrap();
    assert_eq!(document, expected, "THROWPROOF_BLESS=1 writes it anew");
}
