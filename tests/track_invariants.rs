//! What must hold on the simulated track whatever is built wrong and whatever is sent.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use proptest::prelude::*;
use throwproof::plan::Plan;
use throwproof::textfile::TextFile;
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;
use throwproof::track::drive::ROOM;
use throwproof_protocol::packet::Packet;

const PLAN: &str = include_str!("../fixtures/faults/plan.toml");

/// Longest on-time of any pulse decoder below, with the three copies of a packet that restart it.
const PULSE: Nanos = Nanos::from_millis(150);

/// As-built files, any faults together, except those that let an output stay on.
fn as_built() -> impl Strategy<Value = String> {
    let turnout = prop_oneof![
        Just("leads_swapped = true".to_owned()),
        Just("straight_coil = \"open\"".to_owned()),
        Just("linkage = \"off\"".to_owned()),
        Just("output = \"half-1-dead\"".to_owned()),
        (0.0..2.0).prop_map(|f| format!("friction = {f:.3}")),
        (0.0..1.0).prop_map(|f| format!("spring = {f:.3}")),
        (0.0..1.0).prop_map(|f| format!("blades_stop_at = {f:.3}")),
        (0.0..20.0).prop_map(|ohms| format!("lead_ohms = {ohms:.3}")),
        (0.5..50.0).prop_map(|ohms| format!("diverging_coil_ohms = {ohms:.3}")),
    ];
    let supply = prop_oneof![
        (0.0..30.0).prop_map(|v| format!("volts = {v:.3}")),
        (0.0..20.0).prop_map(|r| format!("internal_ohms = {r:.3}")),
        (0.0..3.0).prop_map(|a| format!("trip_amps = {a:.3}")),
        (1.0..20_000.0).prop_map(|uf| format!("capacitor_uf = {uf:.0}")),
    ];
    let rails = prop_oneof![
        (0.0..1.0).prop_map(|share| format!("packet_loss = {share:.3}")),
        (0.0..8.0).prop_map(|us| format!("jitter_us = {us:.3}")),
        (0.0..8.0).prop_map(|us| format!("asymmetry_us = {us:.3}")),
    ];
    (
        proptest::option::of(turnout.clone()),
        proptest::option::of(turnout),
        proptest::option::of(supply),
        proptest::option::of(rails),
    )
        .prop_map(|(a1, a3, supply, rails)| {
            let table = |name: &str, line: Option<String>| match line {
                Some(line) => format!("[{name}]\n{line}\n"),
                None => String::new(),
            };
            table("turnout.A1", a1)
                + &table("turnout.A3", a3)
                + &table("supply.bench", supply.clone())
                + &table("supply.store", supply)
                + &table("rails", rails)
        })
}

/// Accessory packets to the addresses of the plan and beside them, and anything else. CV access
/// is left out: it may set an on-time of for ever.
fn packet() -> impl Strategy<Value = Packet> {
    let body = prop_oneof![
        8 => (8_u16..40, any::<bool>(), any::<bool>()).prop_map(|(keyed, activate, one)| {
            let address = keyed + 3;
            let first = 0x80 | (address >> 2 & 0x3f) as u8;
            let low = (address & 0x03) as u8;
            vec![first, 0xf0 | u8::from(activate) << 3 | low << 1 | u8::from(one)]
        }),
        1 => Just(vec![0x00, 0x00]),
        1 => (any::<u8>(), any::<u8>()).prop_map(|(a, b)| vec![a, b]),
    ];
    body.prop_map(|body| Packet::from_body(&body).unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn the_model_never_breaks_its_invariants(
        built in as_built(),
        seed in any::<u64>(),
        steps in proptest::collection::vec((packet(), 1_u64..400), 1..12),
    ) {
        let plan = Plan::from_text("plan.toml", PLAN).unwrap();
        let as_built = AsBuilt::parse(TextFile::from_text("as-built.toml", built), &plan).unwrap();
        let mut track = Track::new(&plan, &as_built, seed);
        let drives = track.physics().drives().len();
        let mut on_since = vec![None; drives];
        let mut before = Nanos::ZERO;
        for (packet, gap) in steps {
            track.send(packet);
            let last_command = track.now();
            for _ in 0..gap {
                let at_rest: Vec<_> = track
                    .physics()
                    .drives()
                    .iter()
                    .map(|drive| !drive.is_live() && drive.load() == 0.0)
                    .collect();
                let lay: Vec<_> =
                    track.physics().drives().iter().map(|d| d.blades().to_bits()).collect();
                track.advance(track.now() + Nanos::from_millis(1));
                let now = track.now();
                prop_assert!(now > before, "time runs on");
                before = now;
                for (index, drive) in track.physics().drives().iter().enumerate() {
                    prop_assert!((0.0..=1.0).contains(&drive.blades()));
                    prop_assert!((0.0..=1.0).contains(&drive.armature()));
                    prop_assert!(drive.temperature(now) >= ROOM - 1e-9, "colder than the room");
                    prop_assert!(drive.load() >= 0.0);
                    // Copies of a command may still come: only one that began at rest and saw
                    // no command is known to have had no current.
                    let copies_over = now.since(last_command) > Nanos::from_millis(60);
                    if at_rest[index] && copies_over && drive.input().is_none() {
                        prop_assert_eq!(drive.blades().to_bits(), lay[index], "moved by nothing");
                    }
                    let since = &mut on_since[index];
                    match (drive.input(), *since) {
                        (None, _) => *since = None,
                        (Some(half), Some((was, start))) if was == half => {
                            let limit = PULSE + Nanos::from_millis(60);
                            // A command in between starts the time anew.
                            let start: Nanos = start;
                            let start = start.max(last_command);
                            prop_assert!(now.since(start) <= limit, "an output stayed on");
                        }
                        (Some(half), _) => *since = Some((half, now)),
                    }
                }
                for supply in 0..3 {
                    let supply = track.physics().supply(supply);
                    prop_assert!(supply.volts(0.0) >= 0.0);
                    prop_assert!(supply.charge().is_none_or(|volts| volts >= 0.0));
                }
            }
        }
    }
}
