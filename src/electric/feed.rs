//! A supply, and what of it reaches a drive.

use super::figures::{self, CAPACITOR_OHMS, UNNAMED_OHMS, UNNAMED_VOLTS};
use super::tree::Port;
use crate::plan::Supply;

/// A supply: a voltage behind a resistance, and a capacitor that charges through another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// Open-circuit voltage, volts.
    pub volts: f64,
    /// Internal resistance, ohms.
    pub ohms: f64,
    /// Rated current, amperes; infinite for one that the plan does not name.
    pub rated_amps: f64,
    /// Current that trips it, amperes.
    pub trip_amps: f64,
    /// How long that current must flow, seconds.
    pub trip_after: f64,
    /// A discharge capacitor: farads, and the ohms it charges through.
    pub capacitor: Option<(f64, f64)>,
}

impl Source {
    /// A supply of the plan.
    pub fn of(supply: &Supply) -> Self {
        Self {
            volts: supply.volts,
            ohms: figures::internal_ohms(supply),
            rated_amps: supply.amps,
            trip_amps: figures::trip_amps(supply),
            trip_after: f64::from(figures::trip_ms(supply)) / 1000.0,
            capacitor: supply
                .capacitor
                .map(|it| (it.microfarads * 1e-6, it.charge_ohms)),
        }
    }

    /// The one that feeds what the plan names no supply for.
    pub fn unnamed() -> Self {
        Self {
            volts: UNNAMED_VOLTS,
            ohms: UNNAMED_OHMS,
            rated_amps: f64::INFINITY,
            trip_amps: f64::INFINITY,
            trip_after: 0.0,
            capacitor: None,
        }
    }

    /// Voltage at its terminals, with its capacitor charged to `charge` and that conductance on
    /// it.
    pub fn terminals(&self, charge: f64, seen: f64) -> f64 {
        match self.capacitor {
            None => self.volts / (1.0 + self.ohms * seen),
            Some(_) => charge / (1.0 + CAPACITOR_OHMS * seen),
        }
    }

    /// Current out of the supply itself, amperes, under the same.
    pub fn amps(&self, charge: f64, seen: f64) -> f64 {
        match self.capacitor {
            None => self.terminals(charge, seen) * seen,
            Some((_, charge_ohms)) => (self.volts - charge).max(0.0) / (charge_ohms + self.ohms),
        }
    }

    /// The voltage that its capacitor comes to with that conductance on it for long, and the time
    /// constant, seconds, with which it comes there; without a capacitor its own voltage at once.
    pub fn tends_to(&self, seen: f64) -> (f64, f64) {
        let Some((farads, charge_ohms)) = self.capacitor else {
            return (self.volts, 0.0);
        };
        let inward = 1.0 / (charge_ohms + self.ohms);
        let total = inward + seen / (1.0 + CAPACITOR_OHMS * seen);
        (self.volts * inward / total, farads / total)
    }

    /// The charge after that time, from another.
    pub fn after(&self, charge: f64, seen: f64, seconds: f64) -> f64 {
        let (target, constant) = self.tends_to(seen);
        if constant <= 0.0 {
            return target;
        }
        target + (charge - target) * libm::exp(-seconds / constant)
    }
}

/// A supply as it appears at one decoder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// The supply.
    pub source: Source,
    /// The wires to the decoder, with what else hangs on them.
    pub port: Port,
}

impl Feed {
    /// The charge that its capacitor has at rest.
    pub fn rested(&self) -> f64 {
        self.source.tends_to(self.port.input).0
    }

    /// Voltage at the decoder with that load there.
    pub fn volts(&self, charge: f64, load: f64) -> f64 {
        let terminals = self.source.terminals(charge, self.port.seen(load));
        self.port.volts(terminals, load)
    }

    /// The same once a capacitor has come to what it can hold.
    pub fn lasting_volts(&self, load: f64) -> f64 {
        let charge = self.source.tends_to(self.port.seen(load)).0;
        self.volts(charge, load)
    }
}
