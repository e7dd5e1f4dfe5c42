//! Causes in a supply, and in the signal that all decoders share.

use super::healthy::{healthy, planned_ohms, supply};
use super::{Cause, Draw, Level, PROVE_ALL, PROVE_SUPPLY, Proof, Scope};
use crate::cautions;
use crate::diagnose::site::Site;
use crate::track::as_built::{AsBuilt, Supply};

/// A healthy layout but for something about the supply of the failing turnout.
fn but(
    site: &Site,
    draw: &mut Draw,
    change: impl FnOnce(&mut Supply, &mut Draw),
) -> Option<AsBuilt> {
    let mut built = healthy(site, draw);
    change(supply(site, &mut built)?, draw);
    Some(built)
}

fn capacitor(site: &Site) -> Option<crate::plan::Capacitor> {
    site.plan.supplies[site.supply()?].capacitor
}

fn no_capacitor(site: &Site) -> Option<()> {
    capacitor(site).is_none().then_some(())
}

/// Supplies.
pub(super) const SUPPLIES: &[Cause] = &[
    Cause {
        name: "supply-off",
        level: Level::Supply,
        weight: 2.5,
        says: "The supply gives no voltage: it is off, its fuse is blown, or its wire is broken \
               near its beginning.",
        mend: "Measure from the supply outwards; mend the wire or the fuse, and find what blew \
               it.",
        caution: Some(&cautions::BACK_FEED),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            but(site, draw, |it, draw| {
                it.volts = Some(draw.between(0.0, 0.8));
            })
        },
    },
    Cause {
        name: "supply-low",
        level: Level::Supply,
        weight: 1.5,
        says: "The supply gives too little voltage, even with nothing switched on.",
        mend: "Set or replace the supply; obey the label of the drives.",
        caution: Some(&cautions::BACK_FEED),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            let volts = site.plan.supplies[site.supply()?].volts;
            but(site, draw, |it, draw| {
                it.volts = Some(volts * draw.between(0.22, 0.75));
            })
        },
    },
    Cause {
        name: "supply-wire-thin",
        level: Level::Supply,
        weight: 2.0,
        says: "The voltage breaks down under load: thin or long supply wires, a bad joint, or a \
               supply too small.",
        mend: "Use thicker wires, remake the joints, or divide the load among supplies.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            no_capacitor(site)?;
            let ohms = planned_ohms(site) * draw.scaled(0.45, 5.0);
            but(site, draw, |it, _| it.internal_ohms = Some(ohms))
        },
    },
    Cause {
        name: "supply-trips",
        level: Level::Supply,
        weight: 1.5,
        says: "The supply, or its breaker, trips when a turnout is thrown, and comes back after \
               a while.",
        mend: "Look for a short or a load too much on this supply; else use one that bears the \
               current of a throw, or a discharge unit.",
        caution: Some(&cautions::HEAT),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            no_capacitor(site)?;
            let turnout = &site.plan.turnouts[site.target];
            let amps = turnout.amps.unwrap_or(1.0);
            but(site, draw, |it, draw| {
                it.trip_amps = Some(amps * draw.between(0.15, 0.85));
                it.trip_ms = Some(draw.whole(1, 25));
            })
        },
    },
    Cause {
        name: "capacitor-slow",
        level: Level::Supply,
        weight: 1.5,
        says: "The discharge unit is not full again when the next throw comes: its charging \
               resistor is too large, or something keeps drawing from it.",
        mend: "Leave more time between throws; look for an output that stays on; use a smaller \
               charging resistor, or one that a transistor bridges.",
        caution: Some(&cautions::HEAT),
        prove: Proof::new(
            Scope::Supply,
            2,
            "Throw several turnouts of this supply one after the other with the real gap.",
        ),
        state: |site, draw| {
            let farads = capacitor(site)?.microfarads * 1e-6;
            but(site, draw, |it, draw| {
                it.capacitor_charge_ohms = Some(draw.scaled(1.5, 40.0) / farads);
            })
        },
    },
    Cause {
        name: "capacitor-weak",
        level: Level::Supply,
        weight: 1.0,
        says: "The discharge unit holds too little for a throw: its capacitor is dried out or \
               too small.",
        mend: "Replace the capacitor; mind which way round it goes.",
        caution: Some(&cautions::HEAT),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            let planned = capacitor(site)?.microfarads;
            but(site, draw, |it, draw| {
                it.capacitor_uf = Some((planned * draw.scaled(0.002, 0.15)).max(1.0));
            })
        },
    },
    Cause {
        name: "bus-section-off",
        level: Level::Bus,
        weight: 1.5,
        says: "All decoders of this supply are without power: the feed to this part of the \
               layout is broken, often where two boards join.",
        mend: "Measure across the join; remake it, and relieve it of strain.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_SUPPLY,
        state: |site, draw| {
            let own = site.supply()?;
            site.supply_mate?;
            let mut built = healthy(site, draw);
            for decoder in &site.plan.decoders {
                if decoder.supply == Some(own) {
                    let state = built.decoders.entry(decoder.id.clone()).or_default();
                    state.feed = Some(false);
                }
            }
            Some(built)
        },
    },
];

/// The signal on the rails.
pub(super) const SIGNALS: &[Cause] = &[
    Cause {
        name: "no-signal",
        level: Level::Station,
        weight: 1.5,
        says: "No decoder hears anything: the station is stopped, its booster has shut off, or \
               the bus is broken at its beginning.",
        mend: "Look at the station and the booster; clear a short, start it again; measure at \
               the beginning of the bus.",
        caution: Some(&cautions::STOP),
        prove: PROVE_ALL,
        state: |site, draw| {
            let mut built = healthy(site, draw);
            built.rails.packet_loss = Some(1.0);
            Some(built)
        },
    },
    Cause {
        name: "signal-noisy",
        level: Level::Bus,
        weight: 1.5,
        says: "Many packets reach no decoder: noise on the bus, a bad joint near its beginning, \
               or a station that repeats too little.",
        mend: "Remake the joints near the station, twist the pair, fit a terminator, and let \
               the station repeat accessory packets.",
        caution: Some(&cautions::UNPLUG),
        prove: Proof::new(Scope::Plan, 5, "Sweep the whole plan with 5 cycles."),
        state: |site, draw| {
            let mut built = healthy(site, draw);
            built.rails.packet_loss = Some(draw.between(0.55, 0.995));
            Some(built)
        },
    },
];
