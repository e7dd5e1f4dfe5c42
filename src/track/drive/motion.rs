//! How each kind of drive turns current into movement.

use super::{Drive, ROOM, Wiring};
use crate::electric::figures::{
    COIL_NET_FORCE, MOTOR_STALLS_BELOW, RUNNING, SERVO_IDLE, WIRE_DONE, WIRE_RISE, WIRE_STARTS,
    WIRE_TIME,
};
use crate::plan;
use crate::track::clock::Nanos;

/// How hard a motor or servo can push through its springy wire, in the units of friction.
const SPRINGY_LINK: f64 = 1.2;

/// A memory wire within this of where it tends to has settled, kelvin.
const WIRE_SETTLED: f64 = 0.5;

/// Whether the drive is fast to its blades, so that what holds them holds it.
pub fn is_rigid(kind: plan::Drive) -> bool {
    match kind {
        plan::Drive::TwinCoil | plan::Drive::MemoryWire => true,
        plan::Drive::StallMotor | plan::Drive::Servo => false,
    }
}

impl Drive {
    /// Whether it puts any load on its supply.
    pub(in crate::track) fn draws(&self) -> bool {
        match (self.build.kind, self.build.wiring) {
            // Quicker than to work out how much.
            (plan::Drive::TwinCoil, Wiring::ThreeWire) => {
                let [straight, diverging] = self.terminals();
                straight && self.circuit_ohms(0).is_finite()
                    || diverging && self.circuit_ohms(1).is_finite()
            }
            (
                plan::Drive::TwinCoil
                | plan::Drive::StallMotor
                | plan::Drive::Servo
                | plan::Drive::MemoryWire,
                _,
            ) => self.load() > 0.0,
        }
    }

    /// Conductance that it puts on its supply, siemens.
    pub fn load(&self) -> f64 {
        let [straight, diverging] = self.terminals();
        let through = |side: usize, share: f64| share / self.circuit_ohms(side);
        let turning = if self.moving { RUNNING } else { 1.0 };
        match (self.build.kind, self.build.wiring) {
            (plan::Drive::TwinCoil, Wiring::ThreeWire) => {
                let coil = |on, side| if on { through(side, 1.0) } else { 0.0 };
                coil(straight, 0) + coil(diverging, 1)
            }
            // Only one coil fits between two wires.
            (plan::Drive::TwinCoil, Wiring::Polarity) if straight != diverging => through(0, 1.0),
            (plan::Drive::StallMotor, Wiring::Polarity) if straight != diverging => {
                through(0, turning)
            }
            // Between the common and one half it only ever turns one way.
            (plan::Drive::StallMotor, Wiring::ThreeWire) if straight => through(0, turning),
            (plan::Drive::Servo, Wiring::ServoPulses) => {
                through(0, if self.moving { RUNNING } else { SERVO_IDLE })
            }
            (plan::Drive::MemoryWire, Wiring::ThreeWire | Wiring::Polarity) if diverging => {
                through(0, 1.0)
            }
            _ => 0.0,
        }
    }

    /// Lets time pass at that voltage; `load` is what it puts on its supply as it is now.
    /// Steps should not be longer than a millisecond.
    pub(in crate::track) fn step(&mut self, now: Nanos, time: Nanos, volts: f64, load: f64) {
        // As cool as it has become meanwhile, its load is another.
        let load = if self.cool_until(now) {
            self.load()
        } else {
            load
        };
        self.warm_at = now + time;
        let seconds = time.seconds();
        self.protect(volts * load, time);
        let before = (self.armature, self.blades);
        let warming = match self.build.kind {
            plan::Drive::TwinCoil => {
                self.pull(volts, seconds);
                false
            }
            plan::Drive::StallMotor => {
                self.turn(volts, seconds);
                false
            }
            plan::Drive::Servo => {
                self.steer(volts, seconds);
                false
            }
            plan::Drive::MemoryWire => self.shorten(volts, seconds),
        };
        self.moving = warming || before != (self.armature, self.blades);
    }

    fn friction(&self, towards_diverging: bool) -> f64 {
        let all = self.build.friction[usize::from(towards_diverging)];
        // A drive without blades to move has little to overcome.
        if self.build.linked {
            all
        } else {
            all.min(0.05)
        }
    }

    /// Moves a rigid drive and its blades together.
    fn shift(&mut self, by: f64) {
        let (low, high) = if self.build.linked {
            self.build.blades_range
        } else {
            (0.0, 1.0)
        };
        self.armature = (self.armature + by).clamp(low, high);
        if self.build.linked {
            self.blades = self.armature;
        }
    }

    /// Two solenoids on one armature: force grows with the square of the current.
    fn pull(&mut self, volts: f64, seconds: f64) {
        let [straight, diverging] = self.terminals();
        let on = match self.build.wiring {
            Wiring::ThreeWire => [straight, diverging],
            Wiring::Polarity => [straight != diverging, false],
            Wiring::ServoPulses => [false, false],
        };
        let ohms = [self.circuit_ohms(0), self.circuit_ohms(1)];
        let through = |side: usize| {
            if on[side] { volts / ohms[side] } else { 0.0 }
        };
        let amps = [through(0), through(1)];
        let pull = |amps: f64| {
            let share = amps / self.build.rated_amps;
            share * share
        };
        let force = [pull(amps[0]), pull(amps[1])];
        self.heat_up(amps, ohms, seconds);
        let spring = self.build.spring * (2.0 * self.armature - 1.0);
        let push = force[1] - force[0] + spring;
        let net = if push > 0.0 {
            (push - self.friction(true)).max(0.0)
        } else {
            (push + self.friction(false)).min(0.0)
        };
        self.shift(net / (COIL_NET_FORCE * self.build.travel) * seconds);
    }

    /// Voltage across a motor or servo as a share of its rated one.
    fn motor_share(&self, volts: f64) -> f64 {
        volts / (self.build.ohms[0] + self.build.lead_ohms) / self.build.rated_amps
    }

    /// A geared motor: runs to its end and stalls there.
    fn turn(&mut self, volts: f64, seconds: f64) {
        let [straight, diverging] = self.terminals();
        let direction = match (self.build.wiring, straight, diverging) {
            (Wiring::Polarity, true, false) | (Wiring::ThreeWire, true, _) => -1.0,
            (Wiring::Polarity, false, true) => 1.0,
            _ => return,
        };
        let share = self.motor_share(volts);
        if share > MOTOR_STALLS_BELOW {
            let by = direction * share / self.build.travel * seconds;
            self.armature = (self.armature + by).clamp(0.0, 1.0);
            self.follow(direction > 0.0);
        }
    }

    /// A servo: goes to one of two angles while it has pulses and power.
    fn steer(&mut self, volts: f64, seconds: f64) {
        let target = match (self.build.wiring, self.terminals()) {
            (Wiring::ServoPulses, [true, false]) => 0.0,
            (Wiring::ServoPulses, [false, true]) => 1.0,
            _ => return,
        };
        if self.motor_share(volts) > MOTOR_STALLS_BELOW {
            let most = seconds / self.build.travel;
            let away: f64 = target - self.armature;
            self.armature += away.clamp(-most, most);
            self.follow(target > 0.5);
        }
    }

    /// Blades behind a springy wire follow the drive as far as they can.
    fn follow(&mut self, towards_diverging: bool) {
        if self.build.linked && self.friction(towards_diverging) < SPRINGY_LINK {
            let (low, high) = self.build.blades_range;
            self.blades = self.armature.clamp(low, high);
        }
    }

    /// Wire that shortens when warm, against a spring that pulls back to straight. Whether it
    /// is still warming or cooling.
    fn shorten(&mut self, volts: f64, seconds: f64) -> bool {
        let share = volts * self.load() / self.build.rated_amps;
        let target = ROOM + WIRE_RISE * share * share;
        let constant = if self.build.travel > 0.0 {
            self.build.travel
        } else {
            WIRE_TIME
        };
        self.heat[1] += (target - self.heat[1]) * (seconds / constant).min(1.0);
        let short = ((self.heat[1] - WIRE_STARTS) / (WIRE_DONE - WIRE_STARTS)).clamp(0.0, 1.0);
        if self.friction(short > self.armature) < 1.0 {
            self.shift(short - self.armature);
        }
        (target - self.heat[1]).abs() > WIRE_SETTLED
    }
}
