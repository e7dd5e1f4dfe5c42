//! Other layouts and other figures than the diagnosis draws: what a cause means, it still means.

use std::fmt::Write as _;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use throwproof::diagnose::site::Site;
use throwproof::plan::Plan;
use throwproof::track::as_built::{AsBuilt, Coil};

use super::hidden::{below, between};

/// Between these, most often in the middle.
fn peaked(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    f64::midpoint(between(rng, low, high), between(rng, low, high))
}

/// Between these, most often at the low end.
fn low(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    let share = between(rng, 0.0, 1.0);
    low + (high - low) * share * share
}

fn one_in(rng: &mut ChaCha8Rng, count: u32) -> bool {
    rng.next_u32().is_multiple_of(count)
}

struct Board {
    name: String,
    outputs: usize,
    first: usize,
    kind: &'static str,
    drive: &'static str,
}

/// A plan of 8 to 64 turnouts: shared addresses, turnouts with an address only, other numberings,
/// wires, discharge units, position reports, memory wire and steady outputs among them.
pub(crate) fn random_plan(rng: &mut ChaCha8Rng) -> Plan {
    let turnouts = 8 + below(rng, 57);
    let supplies = 1 + below(rng, 4);
    let mut text = String::from("[layout]\nname = \"Elsewhere\"\n");
    let numbering = ["linear", "linear", "non-linear", "from-zero"][below(rng, 4)];
    writeln!(text, "numbering = \"{numbering}\"").unwrap();
    for supply in 0..supplies {
        let volts = [12.0, 14.0, 15.0, 16.0, 18.0, 20.0][below(rng, 6)];
        let amps = between(rng, 2.5, 8.0);
        write!(
            text,
            "[supply.s{supply}]\nkind = \"separate\"\nvolts = {volts:.1}\namps = {amps:.1}\n"
        )
        .unwrap();
        if one_in(rng, 2) {
            let uf = [2_200, 4_700, 10_000, 15_000][below(rng, 4)];
            let ohms = [10, 22, 47, 100][below(rng, 4)];
            writeln!(text, "capacitor_uf = {uf}\ncapacitor_charge_ohms = {ohms}").unwrap();
        }
    }
    let mut made = 0;
    let mut address = 1 + 8 * below(rng, 60);
    let mut last: Vec<Option<String>> = vec![None; supplies];
    let mut turnout_text = String::new();
    while made < turnouts {
        let board = board(rng, &mut text, &mut last, format!("B{made}"), address);
        let used = (1 + below(rng, board.outputs)).min(turnouts - made);
        for output in 1..=used {
            made += turnout(rng, &mut turnout_text, &board, output, made);
        }
        address = board.first + board.outputs + 4 * below(rng, 6);
        if one_in(rng, 8) && made < turnouts {
            write!(
                turnout_text,
                "[[turnout]]\nid = \"L{made}\"\nshape = \"right\"\naddress = {address}\n\
                 drive = \"twin-coil\"\namps = 1.0\n"
            )
            .unwrap();
            made += 1;
            address += 4;
        }
    }
    text.push_str(&turnout_text);
    Plan::from_text("elsewhere.toml", &text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

fn board(
    rng: &mut ChaCha8Rng,
    text: &mut String,
    last: &mut [Option<String>],
    name: String,
    first: usize,
) -> Board {
    let outputs = [4, 4, 8, 8, 16][below(rng, 5)];
    let (kind, drive) = match below(rng, 12) {
        0..=2 => ("stall-motor", "stall-motor"),
        3 | 4 => ("servo", "servo"),
        5 => ("steady", "memory-wire"),
        _ => ("pulse", "twin-coil"),
    };
    let supply = below(rng, last.len());
    write!(
        text,
        "[decoder.{name}]\noutputs = {outputs}\nfirst_address = {first}\n\
         supply = \"s{supply}\"\noutput_kind = \"{kind}\"\n"
    )
    .unwrap();
    if kind == "pulse" {
        let pulse = [100, 150, 200, 250, 400][below(rng, 5)];
        writeln!(text, "pulse_ms = {pulse}").unwrap();
        if one_in(rng, 3) {
            writeln!(text, "max_total_amps = 3.0").unwrap();
        }
    }
    if one_in(rng, 3) {
        let idle = between(rng, 0.005, 0.03);
        writeln!(text, "idle_amps = {idle:.3}").unwrap();
    }
    if one_in(rng, 2) {
        let metres = between(rng, 0.5, 5.0);
        let mm2 = [0.75, 1.0, 1.5, 2.5][below(rng, 4)];
        let from = match &last[supply] {
            Some(before) if one_in(rng, 2) => format!(", from = \"{before}\""),
            _ => String::new(),
        };
        writeln!(text, "wire = {{ metres = {metres:.1}, mm2 = {mm2}{from} }}").unwrap();
        last[supply] = Some(name.clone());
    }
    Board {
        name,
        outputs,
        first,
        kind,
        drive,
    }
}

/// One turnout, or two that share an address; how many.
fn turnout(
    rng: &mut ChaCha8Rng,
    text: &mut String,
    board: &Board,
    output: usize,
    made: usize,
) -> usize {
    let Board { name, drive, .. } = board;
    let shares = board.kind == "pulse" && one_in(rng, 15);
    if shares {
        let address = board.first + output - 1;
        write!(
            text,
            "[[turnout]]\nid = \"S{made}\"\nshape = \"left\"\naddress = {address}\n\
             shares_address = true\ndrive = \"{drive}\"\namps = 0.6\n"
        )
        .unwrap();
    }
    let reports = board.kind != "servo" && one_in(rng, 4);
    write!(
        text,
        "[[turnout]]\nid = \"E{made}\"\nshape = \"{}\"\ndecoder = \"{name}\"\n\
         output = {output}\ndrive = \"{drive}\"\nposition_reports = {reports}\n",
        ["left", "right", "curved", "wye"][below(rng, 4)]
    )
    .unwrap();
    if *drive == "twin-coil" {
        let amps = low(rng, 0.5, 2.0);
        writeln!(text, "amps = {amps:.2}").unwrap();
        if one_in(rng, 3) {
            let metres = between(rng, 0.3, 3.0);
            writeln!(text, "wire = {{ metres = {metres:.1}, mm2 = 0.5 }}").unwrap();
        }
    }
    if one_in(rng, 10) {
        text.push_str("straight_output = 0\n");
    }
    if shares {
        text.push_str("shares_address = true\n");
    }
    1 + usize::from(shares)
}

/// The same fault with its figures, and those of all that is healthy, from other distributions.
pub(crate) fn redrawn(
    name: &str,
    site: &Site,
    mut built: AsBuilt,
    rng: &mut ChaCha8Rng,
) -> AsBuilt {
    let own = site.plan.turnouts[site.target].id.clone();
    for turnout in &site.plan.turnouts {
        let it = built.turnouts.entry(turnout.id.clone()).or_default();
        let middle = if turnout.drive == throwproof::plan::Drive::TwinCoil {
            0.12
        } else {
            0.28
        };
        let is_own = turnout.id == own;
        if !(is_own && matches!(name, "blades-stiff" | "stiff-to-straight")) {
            it.friction_to_straight = Some(middle * low(rng, 0.3, 1.8));
        }
        if !(is_own && matches!(name, "blades-stiff" | "stiff-to-diverging")) {
            it.friction_to_diverging = Some(middle * low(rng, 0.3, 1.8));
        }
        if !(is_own && name == "leads-too-thin") {
            it.lead_ohms = Some(low(rng, 0.02, 0.8));
        }
    }
    for supply in &site.plan.supplies {
        let it = built.supplies.entry(supply.id.clone()).or_default();
        if let Some(ohms) = it.internal_ohms.filter(|_| name != "supply-wire-thin") {
            it.internal_ohms = Some(ohms * peaked(rng, 0.7, 1.4));
        }
        if supply.capacitor.is_some() && it.capacitor_uf.is_none() && name != "capacitor-slow" {
            // Electrolytic capacitors are wide of what is printed on them.
            let planned = supply.capacitor.map_or(0.0, |it| it.microfarads);
            it.capacitor_uf = Some(planned * peaked(rng, 0.85, 1.3));
        }
    }
    figure(name, site, &mut built, rng);
    built
}

/// The figure of the fault itself.
fn figure(name: &str, site: &Site, built: &mut AsBuilt, rng: &mut ChaCha8Rng) {
    let own = site.plan.turnouts[site.target].id.clone();
    let it = built.turnouts.entry(own).or_default();
    match name {
        "blades-stiff" => {
            let friction = low(rng, 0.65, 9.0);
            it.friction_to_straight = Some(friction);
            it.friction_to_diverging = Some(friction * between(rng, 0.8, 1.25));
        }
        "stiff-to-straight" => it.friction_to_straight = Some(low(rng, 0.65, 9.0)),
        "stiff-to-diverging" => it.friction_to_diverging = Some(low(rng, 0.65, 9.0)),
        "blades-stop-short" => it.blades_stop_at = Some(peaked(rng, 0.05, 0.96)),
        "spring-too-strong" => it.spring = Some(low(rng, 0.65, 6.0)),
        "leads-too-thin" => {
            it.lead_ohms = it.lead_ohms.map(|ohms| ohms * peaked(rng, 0.6, 1.6));
        }
        "coils-weak" | "coil-shorted" => {
            for coil in [&mut it.straight_coil, &mut it.diverging_coil] {
                if let Some(Coil::Ohms(ohms)) = coil {
                    *ohms *= peaked(rng, 0.85, 1.2);
                }
            }
        }
        _ => {}
    }
    if let Some(decoder) = site.decoder() {
        let id = site.plan.decoders[decoder].id.clone();
        let it = built.decoders.entry(id).or_default();
        match name {
            "decoder-hears-badly" => it.packet_loss = Some(peaked(rng, 0.5, 0.98)),
            "decoder-busy" => it.busy_ms = Some(500 + u32::try_from(below(rng, 12_000)).unwrap()),
            "pulse-too-short" => it.pulse_ms = Some(1 + u32::try_from(below(rng, 25)).unwrap()),
            _ => {}
        }
    }
    if name == "signal-noisy" {
        built.rails.packet_loss = Some(peaked(rng, 0.5, 0.98));
    }
    if let Some(supply) = site.supply() {
        let id = site.plan.supplies[supply].id.clone();
        let it = built.supplies.entry(id).or_default();
        let volts = site.plan.supplies[supply].volts;
        match name {
            "supply-off" => it.volts = Some(low(rng, 0.0, 1.5)),
            "supply-low" => it.volts = Some(volts * peaked(rng, 0.25, 0.75)),
            "supply-wire-thin" => {
                it.internal_ohms = it.internal_ohms.map(|ohms| ohms * peaked(rng, 0.6, 1.6));
            }
            "supply-trips" => {
                it.trip_amps = it.trip_amps.map(|amps| amps * peaked(rng, 0.7, 1.1));
                it.trip_ms = Some(1 + u32::try_from(below(rng, 40)).unwrap());
            }
            "capacitor-weak" => {
                it.capacitor_uf = it.capacitor_uf.map(|uf| uf * peaked(rng, 0.5, 1.4));
            }
            "capacitor-slow" => {
                let ohms = it.capacitor_charge_ohms;
                it.capacitor_charge_ohms = ohms.map(|ohms| ohms * peaked(rng, 0.6, 1.6));
            }
            _ => {}
        }
    }
}
