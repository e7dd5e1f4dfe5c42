//! What is there when nothing is wrong: no two parts are alike.

use super::Draw;
use crate::diagnose::site::Site;
use crate::plan::{Drive, Turnout};
use crate::track::as_built::{self, AsBuilt};

/// A supply drops this share of its voltage at its rated current, where the plan does not give
/// its resistance, as in the simulated track; common practice, no source.
const REGULATION: f64 = 0.05;

/// Volts of a supply that the plan does not name.
const UNNAMED_VOLTS: f64 = 16.0;

/// A layout with nothing wrong. Friction runs from half to nearly twice what a healthy drive has
/// at the middle, leads from 0.05 to 0.6 ohms, supplies from six tenths to one and a half times
/// their resistance: common practice, no source.
pub(super) fn healthy(site: &Site, draw: &mut Draw) -> AsBuilt {
    let mut built = AsBuilt::default();
    for turnout in &site.plan.turnouts {
        let middle = match turnout.drive {
            Drive::TwinCoil => 0.12,
            Drive::StallMotor | Drive::Servo | Drive::MemoryWire => 0.28,
        };
        let parts = as_built::Turnout {
            friction_to_straight: Some(middle * draw.between(0.5, 1.7)),
            friction_to_diverging: Some(middle * draw.between(0.5, 1.7)),
            lead_ohms: Some(draw.between(0.05, 0.6)),
            ..as_built::Turnout::default()
        };
        built.turnouts.insert(turnout.id.clone(), parts);
    }
    for supply in &site.plan.supplies {
        let usual = REGULATION * supply.volts / supply.amps.max(0.01);
        let ohms = supply.internal_ohms.unwrap_or(usual);
        let parts = as_built::Supply {
            internal_ohms: Some(ohms * draw.between(0.6, 1.5)),
            ..as_built::Supply::default()
        };
        built.supplies.insert(supply.id.clone(), parts);
    }
    built
}

/// Figures of the failing turnout.
pub(super) fn target<'a>(site: &Site, built: &'a mut AsBuilt) -> &'a mut as_built::Turnout {
    turnout(&site.plan.turnouts[site.target], built)
}

/// Figures of a turnout.
pub(super) fn turnout<'a>(turnout: &Turnout, built: &'a mut AsBuilt) -> &'a mut as_built::Turnout {
    built.turnouts.entry(turnout.id.clone()).or_default()
}

/// Figures of the decoder of the failing turnout.
pub(super) fn decoder<'a>(
    site: &Site,
    built: &'a mut AsBuilt,
) -> Option<&'a mut as_built::Decoder> {
    let decoder = &site.plan.decoders[site.decoder()?];
    Some(built.decoders.entry(decoder.id.clone()).or_default())
}

/// Figures of the supply of the failing turnout.
pub(super) fn supply<'a>(site: &Site, built: &'a mut AsBuilt) -> Option<&'a mut as_built::Supply> {
    let supply = &site.plan.supplies[site.supply()?];
    Some(built.supplies.entry(supply.id.clone()).or_default())
}

/// Resistance of one coil or motor of the failing turnout, ohms, as planned.
pub(super) fn planned_ohms(site: &Site) -> f64 {
    let turnout = &site.plan.turnouts[site.target];
    let volts = site
        .supply()
        .map_or(UNNAMED_VOLTS, |it| site.plan.supplies[it].volts);
    let usual = match turnout.drive {
        Drive::TwinCoil => 1.0,
        Drive::StallMotor => 0.018,
        Drive::Servo => 0.3,
        Drive::MemoryWire => 0.05,
    };
    (volts / turnout.amps.unwrap_or(usual).max(1e-3) - 0.2).max(0.5)
}
