//! A simulated drive with the blades it moves.
//!
//! Positions run from 0, straight, to 1, diverging. Forces are in units of what the drive pulls
//! at its rated current. Where no source is named, figures are common practice, no source, or
//! from memory; they are chosen so that a healthy drive behaves as practitioners describe.

pub mod motion;

use throwproof_protocol::address::{PairBit, Position};

use super::clock::Nanos;
use crate::electric::figures::{COIL_COOLING, COIL_HEAT_CAPACITY, COPPER};
use crate::plan;

pub use crate::electric::figures::{BURNT, CLOSED, ROOM};

/// How an output presents itself to the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wiring {
    /// A common and two halves: pulse and steady outputs.
    ThreeWire,
    /// Two wires whose polarity follows the command.
    Polarity,
    /// Servo pulses.
    ServoPulses,
}

/// Whether and how a position contact works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Contact {
    /// There is none.
    #[default]
    None,
    /// It follows the drive.
    Works,
    /// Its two sides are exchanged.
    Inverted,
    /// It never closes.
    Dead,
}

/// What one drive is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Build {
    /// Its kind.
    pub kind: plan::Drive,
    /// How its output presents itself.
    pub wiring: Wiring,
    /// Resistance of each coil, ohms: for straight, for diverging. Motors and memory wires use
    /// the first. Infinite where open.
    pub ohms: [f64; 2],
    /// Resistance of wires and output, ohms.
    pub lead_ohms: f64,
    /// Current at which it pulls with force 1, amperes.
    pub rated_amps: f64,
    /// Current above which the output that feeds it protects itself, amperes.
    pub limit_amps: f64,
    /// Whether the two output leads are exchanged.
    pub swapped: bool,
    /// Friction that moving the blades must overcome, towards straight and towards diverging.
    pub friction: [f64; 2],
    /// Force of the over-centre spring at either end.
    pub spring: f64,
    /// The blades can move between these.
    pub blades_range: (f64, f64),
    /// Whether the drive is linked to the blades.
    pub linked: bool,
    /// Full travel unhindered, seconds.
    pub travel: f64,
    /// Its position contact.
    pub contact: Contact,
}

/// A drive and its blades.
#[derive(Debug, Clone)]
pub struct Drive {
    /// What it is made of.
    pub build: Build,
    /// What its output has on.
    input: Option<PairBit>,
    /// A half that is on whatever the output does: a shorted output transistor.
    stuck: Option<PairBit>,
    /// Halves that never come on: a dead output.
    dead: [bool; 2],
    /// The output protected itself and stays off until commanded anew; how long it has carried
    /// too much.
    cut: bool,
    over: Nanos,
    /// Where the drive stands, 0 to 1.
    armature: f64,
    /// Where the blades lie, 0 to 1.
    blades: f64,
    /// Temperature of each coil or of the memory wire, °C, at `warm_at`.
    heat: [f64; 2],
    warm_at: Nanos,
    burnt: [bool; 2],
    moving: bool,
    /// What the contact last said.
    reported: Option<Position>,
}

/// How long an output carries too much before it protects itself.
const PROTECT_AFTER: Nanos = Nanos::from_millis(20);

impl Drive {
    /// A drive at rest in that position.
    pub fn new(build: Build, lies: Position) -> Self {
        let at = place(lies);
        let (low, high) = build.blades_range;
        let mut drive = Self {
            build,
            input: None,
            stuck: None,
            dead: [false; 2],
            cut: false,
            over: Nanos::ZERO,
            armature: if motion::is_rigid(build.kind) && build.linked {
                at.clamp(low, high)
            } else {
                at
            },
            blades: at.clamp(low, high),
            heat: [ROOM; 2],
            warm_at: Nanos::ZERO,
            burnt: [false; 2],
            moving: false,
            reported: None,
        };
        drive.reported = drive.contact();
        drive
    }

    /// What its output has on.
    pub fn input(&self) -> Option<PairBit> {
        self.input
    }

    /// Switches its output; a protected output tries again.
    pub fn set_input(&mut self, half: Option<PairBit>) {
        // A copy of the command before is no new command.
        if self.input != half {
            self.cut = false;
            self.over = Nanos::ZERO;
        }
        self.input = half;
        // Until the next step says otherwise.
        self.moving = true;
    }

    /// The output's transistors: a half that is always on, halves that never come on.
    pub fn set_output_fault(&mut self, stuck: Option<PairBit>, dead: [bool; 2]) {
        self.stuck = stuck;
        self.dead = dead;
        self.moving = true;
    }

    /// Where the blades lie: 0 straight, 1 diverging.
    pub fn blades(&self) -> f64 {
        self.blades
    }

    /// Where the drive itself stands.
    pub fn armature(&self) -> f64 {
        self.armature
    }

    /// The position in which the blades are closed, if they are.
    pub fn lies(&self) -> Option<Position> {
        closed(self.blades)
    }

    /// Whether a coil has burnt out.
    pub fn is_burnt(&self) -> bool {
        self.burnt.contains(&true)
    }

    /// The temperature of its hotter coil at that time, °C.
    pub fn temperature(&self, now: Nanos) -> f64 {
        let mut drive = self.clone();
        drive.cool_until(now);
        drive.heat[0].max(drive.heat[1])
    }

    /// Lays the blades by hand. A geared drive can't be pushed.
    pub fn lay_by_hand(&mut self, position: Position) -> bool {
        if matches!(
            self.build.kind,
            plan::Drive::StallMotor | plan::Drive::Servo
        ) {
            return false;
        }
        let at = place(position);
        let (low, high) = self.build.blades_range;
        self.blades = at.clamp(low, high);
        if self.build.linked {
            self.armature = self.blades;
        }
        true
    }

    /// What the position contact says; it follows the drive, not the blades.
    pub fn contact(&self) -> Option<Position> {
        let position = closed(self.armature);
        match self.build.contact {
            Contact::None | Contact::Dead => None,
            Contact::Works => position,
            Contact::Inverted => position.map(Position::opposite),
        }
    }

    /// What the contact says anew since the last call: a position it left, or one it reached.
    pub fn take_report(&mut self) -> Option<(Position, bool)> {
        let now = self.contact();
        match self.reported {
            Some(left) if now != Some(left) => {
                self.reported = None;
                Some((left, false))
            }
            Some(_) => None,
            None => {
                self.reported = now;
                now.map(|reached| (reached, true))
            }
        }
    }

    /// The terminals that carry voltage: for straight and for diverging, as wired.
    pub fn terminals(&self) -> [bool; 2] {
        let on = |half: PairBit| {
            let commanded = self.input == Some(half) && !self.cut && !self.dead[index(half)];
            commanded || self.stuck == Some(half)
        };
        // The standard's sense: pair bit 1 is straight.
        let terminals = [on(PairBit::One), on(PairBit::Zero)];
        if self.build.swapped {
            [terminals[1], terminals[0]]
        } else {
            terminals
        }
    }

    /// The halves of its output that a lamp in place of the drive would light: for pair bit 1
    /// and for pair bit 0.
    pub fn lamp(&self) -> [bool; 2] {
        [PairBit::One, PairBit::Zero].map(|half| {
            let commanded = self.input == Some(half) && !self.dead[index(half)];
            commanded || self.stuck == Some(half)
        })
    }

    /// Resistance from the output through its leads and one coil or motor, ohms: for pair bit 1
    /// and for pair bit 0.
    pub fn measured_ohms(&self) -> [f64; 2] {
        let ohms = [self.circuit_ohms(0), self.circuit_ohms(1)];
        if self.build.swapped {
            [ohms[1], ohms[0]]
        } else {
            ohms
        }
    }

    /// Resistance of the circuit through one terminal, ohms, as warm as it is.
    fn circuit_ohms(&self, side: usize) -> f64 {
        if self.burnt[side] {
            return f64::INFINITY;
        }
        let warm = match self.build.kind {
            plan::Drive::TwinCoil => 1.0 + COPPER * (self.heat[side] - ROOM),
            plan::Drive::StallMotor | plan::Drive::Servo | plan::Drive::MemoryWire => 1.0,
        };
        self.build.ohms[side] * warm + self.build.lead_ohms
    }

    /// Whether time changes anything about it.
    pub fn is_live(&self) -> bool {
        self.moving
            || self.over > Nanos::ZERO
            || self.build.kind == plan::Drive::TwinCoil && self.draws()
    }

    /// Whether it changes within a few milliseconds: a coil that moves, or one that moves next
    /// because it was just switched, or an output that is about to protect itself.
    pub fn is_quick(&self) -> bool {
        self.over > Nanos::ZERO || self.moving && self.build.kind == plan::Drive::TwinCoil
    }

    fn heat_up(&mut self, amps: [f64; 2], circuit_ohms: [f64; 2], seconds: f64) {
        for side in [0, 1] {
            let ohms = circuit_ohms[side] - self.build.lead_ohms;
            let watts = if ohms.is_finite() {
                amps[side] * amps[side] * ohms
            } else {
                0.0
            };
            let lost = COIL_COOLING * (self.heat[side] - ROOM);
            self.heat[side] += (watts - lost) / COIL_HEAT_CAPACITY * seconds;
            if self.heat[side] > BURNT {
                self.burnt[side] = true;
            }
        }
    }

    /// Cooling with no current, exact for a time of any length; whether it cooled.
    fn cool_until(&mut self, now: Nanos) -> bool {
        if now <= self.warm_at {
            return false;
        }
        let seconds = now.since(self.warm_at).seconds();
        self.warm_at = now;
        let cools = self.build.kind == plan::Drive::TwinCoil;
        if cools {
            let left = libm::exp(-seconds * COIL_COOLING / COIL_HEAT_CAPACITY);
            for heat in &mut self.heat {
                *heat = ROOM + (*heat - ROOM) * left;
            }
        }
        cools
    }

    /// Its board protects itself as a whole: the output stays off until commanded anew.
    pub fn cut_off(&mut self) {
        self.cut = true;
        self.moving = true;
    }

    /// Whether its output, or its board, has protected itself.
    pub fn is_cut(&self) -> bool {
        self.cut
    }

    /// Protects the output against too much current.
    fn protect(&mut self, amps: f64, time: Nanos) {
        if amps > self.build.limit_amps {
            self.over += time;
            if self.over >= PROTECT_AFTER {
                self.cut = true;
                self.over = Nanos::ZERO;
            }
        } else {
            self.over = Nanos::ZERO;
        }
    }
}

fn index(half: PairBit) -> usize {
    match half {
        PairBit::Zero => 0,
        PairBit::One => 1,
    }
}

fn place(position: Position) -> f64 {
    match position {
        Position::Straight => 0.0,
        Position::Diverging => 1.0,
    }
}

fn closed(place: f64) -> Option<Position> {
    if place <= CLOSED {
        Some(Position::Straight)
    } else if place >= 1.0 - CLOSED {
        Some(Position::Diverging)
    } else {
        None
    }
}
