//! What supplies have to give.

use super::site::Site;
use crate::electric::figures::{LIMIT_MARGIN, PROTECT_AFTER};
use crate::electric::load::recharge;
use crate::electric::power::{Corner, Pull};
use crate::plan::finding::{Code, Figure, Finding};
use crate::plan::{Drive, Supply, SupplyKind};

/// A supply should carry no more than this share of its rated current for long; common practice,
/// no source: 70 to 80 %.
const FOR_LONG: f64 = 0.8;

/// A throw's current must be that much over a trip current to be sure of it: coils warm up.
const SURELY: f64 = 1.02;

/// A sweep waits no longer for a capacitor, seconds.
const WAITED_FOR: f64 = 60.0;

/// So many decoders may draw from the rails; common practice, no source.
const FROM_TRACK: usize = 2;

pub(super) fn find(site: &Site<'_>, findings: &mut Vec<Finding>) {
    for (index, supply) in site.power.plan.supplies.iter().enumerate() {
        findings.extend(steady(site, index, supply));
        findings.extend(throws(site, index, supply));
        findings.extend(recharging(site, index, supply));
        findings.extend(from_track(site, index, supply));
    }
}

/// What a supply carries all the time, amperes.
fn all_the_time(site: &Site<'_>, supply: usize, corner: Corner) -> f64 {
    let power = &site.power;
    let seen = power.tree.with(&power.at_rest(corner, None)).input(supply);
    let source = power.source(supply);
    source.amps(source.tends_to(seen).0, seen)
}

fn steady(site: &Site<'_>, index: usize, supply: &Supply) -> Option<Finding> {
    let typical = all_the_time(site, index, Corner::TYPICAL);
    let most = all_the_time(site, index, Corner::WEAK);
    let code = if typical > supply.amps {
        Code::SupplyOverloaded
    } else if most > FOR_LONG * supply.amps {
        Code::SupplyNearLimit
    } else {
        return None;
    };
    let (id, rated) = (&supply.id, supply.amps);
    let message = format!(
        "{id} carries {most:.2} A all the time, and is rated {rated:.2} A: {:.0} %",
        100.0 * most / rated
    );
    let mend = format!("a stronger supply, or a second one for part of what {id} feeds");
    let figures = vec![
        Figure::of("steady current", most, "A").at_most(FOR_LONG * rated),
        Figure::of("rated current", rated, "A"),
    ];
    let at = site.supply_at(index);
    Some(site.finding(code, vec![id.clone()], at, (message, mend), figures))
}

/// Throws that draw more than the supply gives, alone or together.
fn throws(site: &Site<'_>, index: usize, supply: &Supply) -> Option<Finding> {
    let source = site.power.source(index);
    let on_it = (0..site.power.pulls.len()).filter_map(|pull| {
        let (it, throws) = site.pull(pull)?;
        (it.supply == index).then_some((it, throws))
    });
    if source.capacitor.is_some() {
        return charging(site, index, supply);
    }
    // The hungriest of them.
    let (pull, hungriest) = on_it.max_by(|one, other| {
        one.1
            .strong
            .supply_amps
            .total_cmp(&other.1.strong.supply_amps)
    })?;
    let trips = hungriest.typical.supply_amps > SURELY * source.trip_amps
        && lasts(site, pull, hungriest.typical.amps) >= source.trip_after;
    let load = site.power.load(index);
    // Weaker drives draw less, hungrier ones more.
    let most = load.from_supply.max(hungriest.strong.supply_amps);
    let (id, rated) = (&supply.id, supply.amps);
    let (code, message) = if trips {
        let message = format!(
            "a throw of {} draws {:.2} A from {id}, which trips at {:.2} A",
            site.id(pull),
            hungriest.typical.supply_amps,
            source.trip_amps
        );
        (Code::SupplyTrips, message)
    } else if most > rated {
        let what = match load.at_once {
            1 => "a throw".to_owned(),
            count => format!("{count} throws at once"),
        };
        let message = format!("{what} may draw {most:.2} A from {id}, which is rated {rated:.2} A");
        (Code::ThrowsOverload, message)
    } else {
        return None;
    };
    let mend = match load.at_once {
        1 => "a stronger supply, or a capacitor discharge unit",
        _ => "a longer throw_gap_ms, a stronger supply, or a capacitor discharge unit",
    };
    let figures = vec![
        Figure::of("worst", most, "A").at_most(rated),
        Figure::of("steady current", load.steady, "A"),
        Figure::of("throws at once", f64::from(load.at_once), ""),
        Figure::of("trips at", source.trip_amps, "A"),
    ];
    let subjects = vec![id.clone(), site.id(pull).clone()];
    let at = site.supply_at(index);
    Some(site.finding(code, subjects, at, (message, mend.to_owned()), figures))
}

/// How long a throw draws its current, seconds. An output that carries too much for itself ends it
/// sooner than the supply.
fn lasts(site: &Site<'_>, pull: &Pull, amps: f64) -> f64 {
    let decoder = pull.output.map(|output| output.decoder);
    let decoder = decoder.and_then(|decoder| site.power.plan.decoders.get(decoder));
    let limits = decoder.map(|decoder| [decoder.max_output_amps, decoder.max_total_amps]);
    let mut limits = limits.into_iter().flatten().flatten();
    if limits.any(|limit| amps * f64::from(pull.drives) > limit * LIMIT_MARGIN) {
        return PROTECT_AFTER;
    }
    match pull.kind {
        // Released by a sweep, if by nothing else.
        Drive::TwinCoil if pull.on_time().is_infinite() => 0.2,
        Drive::TwinCoil => pull.on_time().min(0.5),
        Drive::StallMotor | Drive::Servo | Drive::MemoryWire => 0.0,
    }
}

/// A capacitor whose charging alone is too much.
fn charging(site: &Site<'_>, index: usize, supply: &Supply) -> Option<Finding> {
    let load = site.power.load(index);
    let source = site.power.source(index);
    let limit = source.trip_amps.min(supply.amps);
    if load.from_supply <= limit {
        return None;
    }
    let id = &supply.id;
    let message = format!(
        "charging the capacitor of {id} draws up to {:.2} A, and it is rated {:.2} A",
        load.from_supply, supply.amps
    );
    let least = source.volts / limit - source.ohms;
    let mend = format!("charge it through {least:.0} Ω or more");
    let figures = vec![Figure::of("charging current", load.from_supply, "A").at_most(limit)];
    let at = site.supply_at(index);
    Some(site.finding(
        Code::ThrowsOverload,
        vec![id.clone()],
        at,
        (message, mend),
        figures,
    ))
}

fn recharging(site: &Site<'_>, index: usize, supply: &Supply) -> Option<Finding> {
    let needs = recharge(supply)?;
    let mut coils = site.power.pulls.iter();
    let coils = coils.any(|pull| pull.supply == index && pull.kind == Drive::TwinCoil);
    let gap = site.power.plan.layout.throw_gap_ms;
    let gap = gap.map_or(WAITED_FOR, |gap| f64::from(gap) / 1000.0);
    if !coils || needs <= gap {
        return None;
    }
    let id = &supply.id;
    let back = 100.0 * site.power.recharged(index, gap);
    let message = format!(
        "the capacitor of {id} needs {needs:.1} s to recharge, and throws come every {gap:.1} s"
    );
    let mend = format!(
        "a throw_gap_ms of {:.0} or more, or charge it through less than {:.0} Ω",
        (needs * 1000.0).ceil(),
        supply.capacitor.map_or(0.0, |it| it.charge_ohms) * gap / needs
    );
    let figures = vec![
        Figure::of("recharge to 95 %", needs, "s").at_most(gap),
        Figure::of("charged again by then", back, "%").at_least(95.0),
    ];
    let at = site.supply_at(index);
    let said = (message, mend);
    Some(site.finding(Code::RechargeTooSlow, vec![id.clone()], at, said, figures))
}

/// Decoders that draw from the rails.
fn from_track(site: &Site<'_>, index: usize, supply: &Supply) -> Option<Finding> {
    let tree = &site.power.tree;
    let decoders = site.power.plan.decoders.iter().enumerate();
    let fed = decoders.filter(|(decoder, _)| tree.supply_of(*decoder) == index);
    let fed: Vec<_> = fed.map(|(_, decoder)| decoder.id.clone()).collect();
    if supply.kind != SupplyKind::Track || fed.len() <= FROM_TRACK {
        return None;
    }
    let message = format!(
        "{} decoders draw their power from the rails, {}",
        fed.len(),
        supply.id
    );
    let mend = "give them a supply of their own; the rails then bring commands only".to_owned();
    #[expect(
        clippy::cast_precision_loss,
        reason = "a plan has at most 2048 decoders"
    )]
    let figure = Figure::of("decoders fed by the track", fed.len() as f64, "").at_most(2.0);
    let mut subjects = vec![supply.id.clone()];
    subjects.extend(fed);
    let at = site.supply_at(index);
    let said = (message, mend);
    Some(site.finding(Code::PowerFromTrack, subjects, at, said, vec![figure]))
}
