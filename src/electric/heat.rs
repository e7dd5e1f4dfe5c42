//! How warm a coil gets.

use super::figures::{BURNT, COIL_COOLING, COIL_HEAT_CAPACITY, COPPER, ROOM};
use super::power::Pull;

/// Longest time that is looked at, seconds: what has not burnt by then does not.
const LONG: f64 = 600.0;

/// How warm a coil of that share of the typical resistance gets with that voltage at its decoder
/// for that long, °C, and when it burns, seconds, if it does.
pub fn after(pull: &Pull, volts: f64, ohms: f64, seconds: f64) -> (f64, Option<f64>) {
    let seconds = seconds.min(LONG);
    let step = (seconds / 20.0).min(0.05);
    let (mut warmth, mut time) = (ROOM, 0.0);
    while step > 0.0 && time + step / 2.0 < seconds {
        let coil = pull.ohms * ohms * (1.0 + COPPER * (warmth - ROOM));
        let amps = volts / (coil + pull.lead_ohms);
        let gained = amps * amps * coil - COIL_COOLING * (warmth - ROOM);
        warmth += gained * step / COIL_HEAT_CAPACITY;
        time += step;
        if warmth > BURNT {
            return (warmth, Some(time));
        }
    }
    (warmth, None)
}

/// How warm a coil gets that is thrown again and again, there and back, with that time from one
/// throw to the next, °C.
pub fn again_and_again(pull: &Pull, volts: f64, ohms: f64, on: f64, gap: f64) -> f64 {
    let coil = pull.ohms * ohms;
    let amps = volts / (coil + pull.lead_ohms);
    // Each of the two coils has every second throw.
    let busy = (on / (2.0 * gap)).min(1.0);
    ROOM + amps * amps * coil * busy / COIL_COOLING
}
