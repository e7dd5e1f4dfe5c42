//! The as-built file: what on the layout differs from the plan.
//!
//! Each key is a state of the model, never an instruction to the tester. A turnout, signal,
//! decoder or supply that the file does not name is as planned.

mod read;

use std::collections::HashMap;
use std::path::Path;

use throwproof_protocol::address::{PairBit, Position};

use super::drive::Contact;
use crate::plan::joint::part::part_id;
use crate::plan::{Id, PacketFormat, Plan, Teaching};
use crate::textfile::{FileError, TextFile};
use crate::toml_reader::Problems;

/// What differs from the plan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AsBuilt {
    /// Seed for all that is random, if the command line gives none.
    pub seed: Option<u64>,
    /// How parts of one kind differ.
    pub parts: Parts,
    /// The `[rails]` table.
    pub rails: Rails,
    /// Every `[supply.ID]`.
    pub supplies: HashMap<Id, Supply>,
    /// Every `[decoder.ID]`.
    pub decoders: HashMap<Id, Decoder>,
    /// Every `[turnout.ID]`.
    pub turnouts: HashMap<Id, Turnout>,
    /// Every `[signal.ID]` and `[accessory.ID]`.
    pub signals: HashMap<Id, Signal>,
}

/// How parts of one kind differ from the typical one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Parts {
    /// By chance, as the seed says.
    #[default]
    Random,
    /// Not at all.
    Typical,
    /// Each as weak, stiff and slow as any is.
    Weak,
    /// Each as strong, easy, quick and hungry as any is.
    Strong,
}

/// What differs on the rails themselves.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rails {
    /// Share of packets that no decoder hears, 0 to 1.
    pub packet_loss: Option<f64>,
    /// Largest random change of each half-bit, microseconds.
    pub jitter_us: Option<f64>,
    /// By how much first halves are longer and second halves shorter, microseconds.
    pub asymmetry_us: Option<f64>,
    /// How often the station repeats a packet.
    pub repeats: Option<u32>,
}

/// What differs at a supply.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Supply {
    /// Open-circuit voltage, volts.
    pub volts: Option<f64>,
    /// Internal resistance with its wires, ohms.
    pub internal_ohms: Option<f64>,
    /// Current that trips it, amperes.
    pub trip_amps: Option<f64>,
    /// How long that current must flow, milliseconds.
    pub trip_ms: Option<u32>,
    /// Capacitance of its discharge unit, microfarads.
    pub capacitor_uf: Option<f64>,
    /// What that charges through, ohms.
    pub capacitor_charge_ohms: Option<f64>,
}

/// What differs at a decoder.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoder {
    /// Keyed address that output 1 really has.
    pub first_address: Option<u16>,
    /// How far its addresses are off: 4 or -4 where it counts decoders from another number.
    pub address_offset: Option<i16>,
    /// `false`: it was never given its address and is as it left its maker.
    pub taught: Option<bool>,
    /// `false`: nothing feeds it.
    pub feed: Option<bool>,
    /// Resistance of the run of wire that brings it power, out and back, ohms; decoders whose
    /// wires begin at it get theirs through it too.
    pub wire_ohms: Option<f64>,
    /// Share of packets that it does not hear, 0 to 1.
    pub packet_loss: Option<f64>,
    /// Which packets it obeys.
    pub format: Option<PacketFormat>,
    /// How long its outputs stay on by themselves, milliseconds; 0 until released.
    pub pulse_ms: Option<u32>,
    /// How long it is deaf after it has switched an output on, milliseconds.
    pub busy_ms: Option<u32>,
    /// It was left in learn mode: the next accessory command gives it an address.
    pub learn_mode: bool,
    /// Its learn lead or button does nothing.
    pub learn_lead_dead: bool,
    /// How it really takes its address.
    pub teaching: Option<Teaching>,
}

/// What differs at a turnout, from its output to its blades.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Turnout {
    /// Its two output leads are exchanged.
    pub leads_swapped: bool,
    /// Its leads are on the output of that turnout, and that one's on its.
    pub exchanged_with: Option<Id>,
    /// The output that feeds it.
    pub output: Option<OutputState>,
    /// The coil for straight.
    pub straight_coil: Option<Coil>,
    /// The coil for diverging.
    pub diverging_coil: Option<Coil>,
    /// Resistance of its leads, ohms.
    pub lead_ohms: Option<f64>,
    /// Friction towards straight, as a share of the drive's rated force.
    pub friction_to_straight: Option<f64>,
    /// Friction towards diverging.
    pub friction_to_diverging: Option<f64>,
    /// Force of the over-centre spring.
    pub spring: Option<f64>,
    /// How far the blades can move from straight: 1 is all the way.
    pub blades_stop_at: Option<f64>,
    /// The blades are not linked to the drive.
    pub linkage_off: bool,
    /// Its position contact.
    pub contact: Option<Contact>,
    /// How it lies before anything is thrown.
    pub lies: Option<Position>,
    /// Its first two drives, where it has several, are on each other's outputs.
    pub drives_exchanged: bool,
    /// What differs at its second drive, third and fourth; everything above is of the first.
    pub further: Vec<Turnout>,
}

/// What became of an output; halves are named by the pair bit that commands them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutputState {
    /// Neither half comes on.
    Dead,
    /// One half never comes on.
    HalfDead(PairBit),
    /// One half is always on.
    Stuck(PairBit),
}

/// What became of a coil.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Coil {
    /// It conducts nothing.
    Open,
    /// It has that resistance, ohms.
    Ohms(f64),
}

/// What differs at a signal, or at what is switched like one.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Signal {
    /// It has no light.
    pub dark: bool,
    /// These two aspects are exchanged.
    pub exchanged: Option<(Id, Id)>,
    /// The output that feeds it.
    pub output: Option<OutputState>,
    /// Its two output leads are exchanged.
    pub leads_swapped: bool,
    /// Gates that do not close all the way.
    pub blocked: bool,
}

/// Why an as-built file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum AsBuiltError {
    /// It can't be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// What it says can't be understood, or does not fit the plan.
    #[error(transparent)]
    Problems(#[from] Problems),
}

impl AsBuilt {
    /// The same for a plan in which every drive is a turnout of its own, as [`Plan::apart`] makes
    /// of that one.
    #[must_use]
    pub fn apart(&self, plan: &Plan) -> Self {
        let mut built = self.clone();
        let first = |id: &Id| match plan.turnout(id.as_str()) {
            Some(turnout) if turnout.joint.is_some() => part_id(id, 0),
            Some(_) | None => id.clone(),
        };
        for turnout in built.turnouts.values_mut() {
            turnout.exchanged_with = turnout.exchanged_with.as_ref().map(first);
        }
        let several = plan.turnouts.iter();
        for turnout in several.filter(|turnout| turnout.joint.is_some()) {
            let Some(mut whole) = built.turnouts.remove(&turnout.id) else {
                continue;
            };
            for (further, drive) in std::mem::take(&mut whole.further).into_iter().zip(1..) {
                built.turnouts.insert(part_id(&turnout.id, drive), further);
            }
            if std::mem::take(&mut whole.drives_exchanged) {
                whole.exchanged_with = Some(part_id(&turnout.id, 1));
            }
            built.turnouts.insert(part_id(&turnout.id, 0), whole);
        }
        built
    }

    /// Reads an as-built file for that plan.
    ///
    /// # Errors
    /// The file can't be read, can't be understood, or names what the plan does not have.
    pub fn load(path: &Path, plan: &Plan) -> Result<Self, AsBuiltError> {
        Self::parse(TextFile::read(path)?, plan)
    }

    /// Understands the text of an as-built file for that plan.
    ///
    /// # Errors
    /// It can't be understood, or names what the plan does not have.
    pub fn parse(file: TextFile, plan: &Plan) -> Result<Self, AsBuiltError> {
        read::read(&file, plan)
            .map_err(|(list, more)| AsBuiltError::Problems(Problems { file, list, more }))
    }
}
