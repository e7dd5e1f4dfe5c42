//! A simulated supply: voltage that drops under load, a capacitor that must recharge, a trip.

use super::clock::Nanos;
use crate::electric::figures::CAPACITOR_OHMS;

/// A capacitor within this share of the supply's voltage of where it tends to has settled.
const SETTLED: f64 = 0.001;

/// How long a tripped supply holds off before it tries again. Common practice, no source: long
/// enough to be noticed, short enough not to need a walk to the panel.
const HOLD_OFF: Nanos = Nanos::from_millis(2_000);

/// How long a supply carries more than its rated current before it switches off to cool; from
/// memory.
const OVERLOAD_AFTER: Nanos = Nanos::from_millis(30_000);

/// What a supply is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratings {
    /// Open-circuit voltage, volts.
    pub volts: f64,
    /// Internal resistance with its wires, ohms.
    pub internal_ohms: f64,
    /// Current that it may carry for long, amperes; infinite for one without end.
    pub rated_amps: f64,
    /// Current that trips it, amperes; infinite for one that never trips.
    pub trip_amps: f64,
    /// How long that current must flow.
    pub trip_after: Nanos,
    /// A discharge capacitor between it and what it feeds: farads, and the ohms it charges
    /// through.
    pub capacitor: Option<(f64, f64)>,
}

/// A supply and its state.
#[derive(Debug, Clone)]
pub struct Supply {
    ratings: Ratings,
    /// Conductance of loads that are at rest, siemens: stalled motors, idle electronics.
    pub resting_load: f64,
    /// Voltage of the capacitor, volts.
    charge: f64,
    /// How long the trip current has flowed.
    over: Nanos,
    /// How long more than the rated current has flowed.
    warm: Nanos,
    /// Until when it holds off after a trip.
    off_until: Option<Nanos>,
    trips: u32,
    /// An exponent and its exponential: while it recharges undisturbed the same again and again.
    exponential: (f64, f64),
}

impl Supply {
    /// A supply that has been on for long.
    pub fn new(ratings: Ratings) -> Self {
        Self {
            ratings,
            resting_load: 0.0,
            charge: ratings.volts,
            over: Nanos::ZERO,
            warm: Nanos::ZERO,
            off_until: None,
            trips: 0,
            exponential: (0.0, 1.0),
        }
    }

    /// How often it has tripped.
    pub fn trips(&self) -> u32 {
        self.trips
    }

    /// Whether it holds off after a trip.
    pub fn is_off(&self) -> bool {
        self.off_until.is_some()
    }

    /// Voltage with nothing connected, volts.
    pub fn open_volts(&self) -> f64 {
        if self.is_off() {
            0.0
        } else {
            self.ratings.volts
        }
    }

    /// Whether its trip current flows.
    pub fn is_about_to_trip(&self) -> bool {
        self.over > Nanos::ZERO
    }

    /// Voltage of its discharge capacitor, if it has one.
    pub fn charge(&self) -> Option<f64> {
        self.ratings.capacitor.map(|_| self.charge)
    }

    /// Terminal voltage with loads of that conductance (siemens) beside those at rest.
    pub fn volts(&self, load: f64) -> f64 {
        if self.is_off() {
            return 0.0;
        }
        let load = load + self.resting_load;
        match self.ratings.capacitor {
            None => self.ratings.volts / (1.0 + self.ratings.internal_ohms * load),
            Some(_) => self.charge / (1.0 + CAPACITOR_OHMS * load),
        }
    }

    /// Current drawn from the supply itself, amperes: for one with a capacitor that is what
    /// charges it.
    pub fn amps(&self, load: f64) -> f64 {
        if self.is_off() {
            return 0.0;
        }
        match self.ratings.capacitor {
            None => self.volts(load) * (load + self.resting_load),
            Some((_, charge_ohms)) => {
                (self.ratings.volts - self.charge).max(0.0)
                    / (charge_ohms + self.ratings.internal_ohms)
            }
        }
    }

    /// Whether time changes nothing while no load is switched on.
    pub fn is_settled(&self) -> bool {
        let (target, _) = self.tendency(0.0);
        let charged = self.ratings.capacitor.is_none()
            || (self.charge - target).abs() <= SETTLED * self.ratings.volts;
        let most = self.ratings.trip_amps.min(self.ratings.rated_amps);
        let over = self.over.max(self.warm) > Nanos::ZERO || self.amps(0.0) > most;
        charged && !over && !self.is_off()
    }

    /// Lets time pass from `now` with a constant load.
    pub fn step(&mut self, now: Nanos, time: Nanos, load: f64) {
        let end = now + time;
        if self.off_until.is_some_and(|until| until <= end) {
            self.off_until = None;
        }
        let amps = self.amps(load);
        let count = |over: Nanos, limit: f64| {
            if amps > limit {
                over + time
            } else {
                Nanos::ZERO
            }
        };
        self.over = count(self.over, self.ratings.trip_amps);
        self.warm = count(self.warm, self.ratings.rated_amps);
        let tripped = self.over > Nanos::ZERO && self.over >= self.ratings.trip_after;
        if tripped || self.warm >= OVERLOAD_AFTER {
            self.over = Nanos::ZERO;
            self.warm = Nanos::ZERO;
            self.trips += 1;
            self.off_until = Some(end + HOLD_OFF);
        }
        self.recharge(time.seconds(), load);
    }

    /// Where the voltage of the capacitor tends to with that load, and the conductance through
    /// which it gets there.
    fn tendency(&self, load: f64) -> (f64, f64) {
        let Some((_, charge_ohms)) = self.ratings.capacitor else {
            return (self.ratings.volts, 0.0);
        };
        let load = load + self.resting_load;
        let out = load / (1.0 + CAPACITOR_OHMS * load);
        let inward = if self.is_off() {
            0.0
        } else {
            1.0 / (charge_ohms + self.ratings.internal_ohms)
        };
        let total = inward + out;
        if total > 0.0 {
            (self.ratings.volts * inward / total, total)
        } else {
            (self.charge, 0.0)
        }
    }

    /// A capacitor between a charging resistance and a resistive load tends to one voltage with
    /// one time constant: exact for a step of any length.
    fn recharge(&mut self, seconds: f64, load: f64) {
        if let Some((farads, _)) = self.ratings.capacitor {
            let (target, conductance) = self.tendency(load);
            let exponent = -seconds * conductance / farads;
            if exponent.to_bits() != self.exponential.0.to_bits() {
                self.exponential = (exponent, libm::exp(exponent));
            }
            let (_, left) = self.exponential;
            self.charge = target + (self.charge - target) * left;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENCH: Ratings = Ratings {
        volts: 16.0,
        internal_ohms: 0.5,
        rated_amps: f64::INFINITY,
        trip_amps: 2.5,
        trip_after: Nanos::from_millis(100),
        capacitor: None,
    };

    // source: Ohm's law.
    #[test]
    fn drops_under_load() {
        let supply = Supply::new(BENCH);
        let load = 1.0 / 15.5;
        assert!((supply.volts(load) - 15.5).abs() < 1e-12);
        assert!((supply.amps(load) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn trips_after_its_time_and_comes_back() {
        let mut supply = Supply::new(BENCH);
        let load = 0.5;
        let step = Nanos::from_millis(10);
        let mut now = Nanos::ZERO;
        for _ in 0..9 {
            supply.step(now, step, load);
            now += step;
        }
        assert!(!supply.is_off());
        supply.step(now, step, load);
        assert!(supply.is_off());
        assert_eq!(supply.trips(), 1);
        supply.step(now, Nanos::from_millis(2_100), 0.0);
        assert!(!supply.is_off());
    }

    #[test]
    fn cools_off_after_half_a_minute_beyond_its_rating() {
        let ratings = Ratings {
            rated_amps: 1.0,
            ..BENCH
        };
        let step = Nanos::from_millis(100);
        let (mut supply, mut now) = (Supply::new(ratings), Nanos::ZERO);
        // 1.2 A, which trips nothing.
        for _ in 0..299 {
            supply.step(now, step, 1.0 / 12.8);
            now += step;
        }
        assert_eq!(supply.trips(), 0);
        supply.step(now, step, 1.0 / 12.8);
        assert!(supply.is_off());
        assert_eq!(supply.trips(), 1);
    }

    // source: recharge to about 95 % takes 3 R C (exponential charging: 1 - exp(-3) = 0.950).
    #[test]
    fn recharges_in_three_time_constants() {
        let ratings = Ratings {
            capacitor: Some((4_700e-6, 100.0)),
            internal_ohms: 0.0,
            trip_amps: f64::INFINITY,
            ..BENCH
        };
        let mut supply = Supply {
            charge: 0.0,
            ..Supply::new(ratings)
        };
        supply.step(Nanos::ZERO, Nanos::from_millis(1_410), 0.0);
        assert!(
            (supply.charge / 16.0 - 0.950).abs() < 0.001,
            "{}",
            supply.charge
        );
    }
}
