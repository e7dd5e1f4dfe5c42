//! What one throw comes to: voltage, current, the time that current must flow.

use super::feed::Feed;
use super::figures::{
    CLOSED, COIL_NET_FORCE, MOTOR_STALLS_BELOW, PROTECT_AFTER, ROOM, WIRE_DONE, WIRE_RISE,
    WIRE_STARTS,
};
use super::power::{Corner, Power, Pull};
use crate::plan::Drive;

/// A coil's movement is worked out in steps of that, seconds.
const STEP: f64 = 0.000_5;

/// A coil that has not moved its blades after that never will, seconds.
const NEVER: f64 = 10.0;

/// One throw of one pull.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throw {
    /// Voltage at the decoder as the throw begins, volts.
    pub volts: f64,
    /// Current of one drive then, amperes.
    pub amps: f64,
    /// The same when an output that carries too much protects itself: a small capacitor is empty
    /// by then.
    pub amps_held: f64,
    /// Current that it could have, as a share of its rated one.
    pub share: f64,
    /// How long current must flow, seconds; `None` where no time is long enough.
    pub needs: Option<f64>,
    /// Current out of the supply itself, amperes.
    pub supply_amps: f64,
}

impl Power<'_> {
    /// One throw of the pull of that index, with everything else at rest. `charge` is what a
    /// capacitor has to begin with, as a share of what it has at rest.
    pub fn throw(&self, index: usize, corner: Corner, charge: f64) -> Option<Throw> {
        let pull = self.pulls.get(index)?;
        let mut loads = self.at_rest(corner, Some(index));
        for other in self.with_it(index) {
            let Some(other) = self.pulls.get(other) else {
                continue;
            };
            let place = other
                .output
                .and_then(|output| loads.get_mut(output.decoder));
            if let Some(place) = place {
                *place += other.moving(corner.others) - other.resting(corner.others);
            }
        }
        let loaded = self.tree.with(&loads);
        Some(one(pull, &self.feed(&loaded, pull), corner, charge))
    }
}

fn one(pull: &Pull, feed: &Feed, corner: Corner, charge: f64) -> Throw {
    let load = pull.moving(corner.ohms);
    let charge = feed.rested() * charge;
    let first = feed.volts(charge, load);
    // A coil is quick, and lives from what is stored; the others are not, and do not.
    let volts = match pull.kind {
        Drive::TwinCoil => first,
        Drive::StallMotor | Drive::Servo | Drive::MemoryWire => feed.lasting_volts(load),
    };
    let share = pull.share(volts, corner.ohms);
    let later = feed
        .source
        .after(charge, feed.port.seen(load), PROTECT_AFTER);
    let held = feed.volts(later, load);
    let turns = share > MOTOR_STALLS_BELOW;
    let needs = match pull.kind {
        Drive::TwinCoil => coil(pull, feed, corner, charge),
        Drive::StallMotor => turns.then(|| pull.travel * corner.travel / share),
        Drive::Servo => turns.then_some(pull.travel * corner.travel),
        Drive::MemoryWire => wire(pull, corner, share),
    };
    Throw {
        volts,
        amps: pull.amps(volts, corner.ohms),
        amps_held: pull.amps(volts.min(held), corner.ohms),
        share,
        needs,
        supply_amps: feed.source.amps(charge, feed.port.seen(load)),
    }
}

/// How long a coil must pull until the spring carries the blades on, or, without such a spring,
/// until they are closed. Force goes with the square of the current.
fn coil(pull: &Pull, feed: &Feed, corner: Corner, charge: f64) -> Option<f64> {
    let (friction, spring) = (pull.friction * corner.forces, pull.spring * corner.forces);
    let carried = if spring > friction {
        0.5 + friction / (2.0 * spring)
    } else {
        1.0
    };
    let end = carried.min(1.0 - CLOSED);
    let load = pull.moving(corner.ohms);
    let seen = feed.port.seen(load);
    let (mut charge, mut place, mut time) = (charge, 0.0, 0.0);
    while time < NEVER {
        let share = pull.share(feed.volts(charge, load), corner.ohms);
        let push = share * share - friction + spring * (2.0 * place - 1.0);
        if push <= 0.0 {
            return None;
        }
        place += push * STEP / (COIL_NET_FORCE * pull.travel * corner.travel);
        time += STEP;
        if place >= end {
            return Some(time);
        }
        charge = feed.source.after(charge, seen, STEP);
    }
    None
}

/// How long a memory wire must warm until it is short.
fn wire(pull: &Pull, corner: Corner, share: f64) -> Option<f64> {
    let warms = WIRE_RISE * share * share;
    let wanted = WIRE_STARTS - ROOM + (1.0 - CLOSED) * (WIRE_DONE - WIRE_STARTS);
    let constant = if pull.travel > 0.0 {
        pull.travel
    } else {
        super::figures::WIRE_TIME
    };
    (warms > wanted).then(|| constant * corner.travel * libm::log(warms / (warms - wanted)))
}
