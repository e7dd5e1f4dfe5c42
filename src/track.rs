//! The simulated track: a model of the rails, the decoders that hear them, the supplies and
//! drives behind those, and the blades they move. It implements a link and a witness; nothing
//! else knows that it is simulated.
//!
//! # Data path
//!
//! [`rails::Station`] turns packets into half-bits, repeats them and fills with idle packets.
//! Each half-bit goes through [`rails::Wires`] to a [`receiver::Receiver`], which knows bits and
//! packets by S-9.1 and S-9.2 alone. A whole packet goes to the [`decoder::Decoder`]s on those
//! wires. What their outputs switch goes to [`physics::Physics`], where [`supply::Supply`]s feed
//! [`drive::Drive`]s, which move blades. [`TrackWitness`] looks at the blades.
//!
//! There is one clock, in whole nanoseconds ([`clock::Nanos`]); no wall clock, no global state.
//! All that is random comes from one seed: same seed, same run.

pub mod as_built;
mod bench;
mod build;
pub mod clock;
pub mod decoder;
pub mod drive;
mod ear;
pub mod grid;
mod head;
mod link;
mod look;
pub mod physics;
mod probe;
pub mod rails;
pub mod receiver;
pub mod supply;
mod witness;

use std::cell::RefCell;
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::rc::Rc;

use throwproof_protocol::address::{BinaryAddress, PairBit, Position};
use throwproof_protocol::packet::Packet;

use self::as_built::AsBuilt;
use self::bench::Bench;
use self::clock::Nanos;
use self::decoder::{Act, Decoder};
use self::ear::Ear;
use self::head::Head;
use self::physics::Physics;
use self::rails::{Sent, Station};
use self::receiver::Heard;
use crate::link::PositionReport;
use crate::plan::{NamedPosition, OutputKind, Plan};

pub use self::link::TrackLink;
pub use self::look::Look;
pub use self::witness::TrackWitness;

/// A link and a witness to one simulated track: what the plan says, except where `as_built`
/// says otherwise. The seed decides all that is random, such as how turnouts lie when found.
pub fn open(plan: &Plan, as_built: &AsBuilt, seed: u64) -> (TrackLink, TrackWitness) {
    let track = Rc::new(RefCell::new(Track::new(plan, as_built, seed)));
    let witness = TrackWitness::new(Rc::clone(&track), plan);
    (TrackLink::new(track), witness)
}

/// The model.
#[derive(Debug, Clone)]
pub struct Track {
    now: Nanos,
    station: Station,
    ears: Vec<Ear>,
    units: Vec<Unit>,
    /// The binary address of each output, and its unit, in that order.
    by_address: Vec<(u16, usize)>,
    physics: Physics,
    /// Supplies that are the rails themselves: when one is off, so is the signal.
    rail_supplies: Vec<usize>,
    /// When outputs go off by themselves, and of which unit.
    due: BinaryHeap<Reverse<(Nanos, usize)>>,
    turnouts: Vec<TurnoutState>,
    heads: Vec<Head>,
    /// The turnout of each drive.
    turnout_of: Vec<usize>,
    /// Where the blades of each drive lay at the last [`Track::attend`].
    before: Vec<f64>,
    /// Signals that were commanded since then.
    changed: Vec<usize>,
    /// Drives whose contacts may change.
    watched: Vec<usize>,
    reports: Vec<PositionReport>,
    acts: Vec<Act>,
    /// Packets that arrive: when, and at which ear.
    arrived: Vec<(Nanos, usize, Heard)>,
    /// Units that a packet is for.
    named: Vec<usize>,
    bench: Bench,
    packets_heard: u64,
}

/// A decoder in its place.
#[derive(Debug, Clone)]
struct Unit {
    decoder: Decoder,
    kind: OutputKind,
    supply: usize,
    ear: usize,
    /// Whether it has power at all.
    fed: bool,
    /// Whether somebody took its power away.
    is_off: bool,
    /// Drives on each output.
    drives: Vec<Vec<usize>>,
    /// Signals on each output, and which of its addresses that is.
    heads: Vec<Vec<(usize, u8)>>,
}

impl Unit {
    fn is_powered(&self) -> bool {
        self.fed && !self.is_off
    }
}

/// A turnout in its place.
#[derive(Debug, Clone)]
struct TurnoutState {
    drives: Vec<usize>,
    /// The same, by the address that is meant to move them: one group but for turnouts that have
    /// several.
    groups: Vec<Group>,
    /// The positions of a turnout with several groups; empty for a simple one.
    positions: Vec<NamedPosition>,
}

/// Drives that are meant to move together.
#[derive(Debug, Clone)]
struct Group {
    drives: Vec<usize>,
    address: BinaryAddress,
    straight_bit: PairBit,
}

impl Track {
    /// The track of a plan, except where `as_built` says otherwise.
    pub fn new(plan: &Plan, as_built: &AsBuilt, seed: u64) -> Self {
        build::build(plan, as_built, seed)
    }

    /// The time reached.
    pub fn now(&self) -> Nanos {
        self.now
    }

    /// Packets that decoders heard so far, idle ones included, over all wires.
    pub fn packets_heard(&self) -> u64 {
        self.packets_heard
    }

    /// Its supplies and drives.
    pub fn physics(&self) -> &Physics {
        &self.physics
    }

    /// The decoder of that index in the plan.
    pub fn decoder(&self, index: usize) -> &Decoder {
        &self.units[index].decoder
    }

    /// The drives of the turnout of that index in the plan, as indices of [`Physics::drive`].
    pub fn drives_of(&self, turnout: usize) -> &[usize] {
        &self.turnouts[turnout].drives
    }

    /// The first of the drives that each address of a turnout moves, in the order of the plan:
    /// the one whose contact is reported.
    pub fn first_drives_of(&self, turnout: usize) -> Vec<usize> {
        let groups = self.turnouts[turnout].groups.iter();
        groups
            .filter_map(|group| group.drives.first().copied())
            .collect()
    }

    /// Puts the learn lead or button of a decoder on, or takes it off.
    pub fn set_learning(&mut self, decoder: usize, on: bool) {
        self.units[decoder].decoder.set_learning(on);
    }

    /// How long a decoder drew the acknowledgement current since that time: 6 ms ± 1 ms is an
    /// acknowledgement (S-9.2.3 section D).
    pub fn acknowledged(&self, since: Nanos) -> Nanos {
        let powered = self.units.iter().filter(|unit| unit.is_powered());
        let times = powered.map(|unit| unit.decoder.acknowledged(since, self.now));
        times.max().unwrap_or_default()
    }

    /// Lays a turnout by hand; `false` if its drive can't be pushed, or it has several.
    pub fn lay_by_hand(&mut self, turnout: usize, position: Position) -> bool {
        self.settle();
        if self.turnouts[turnout].groups.len() > 1 {
            return false;
        }
        let drives = self.turnouts[turnout].drives.clone();
        drives
            .into_iter()
            .all(|drive| self.physics.touch(drive).lay_by_hand(position))
    }

    /// Puts a packet on the rails, and lets time pass until its first copy has been sent whole.
    pub fn send(&mut self, packet: Packet) {
        let ticket = self.station.send(packet);
        while self.half_bits(Nanos::NEVER).and_then(|sent| sent.ticket) != Some(ticket) {}
        self.settle();
    }

    /// Puts a packet on the rails that often with that preamble, as service mode needs, and
    /// lets time pass until all of them have been sent.
    pub fn send_times(
        &mut self,
        packet: Packet,
        preamble: throwproof_protocol::bits::Preamble,
        times: u32,
    ) {
        let ticket = self.station.send_times(packet, preamble, times.max(1));
        let last = Sent {
            ticket: Some(ticket),
            remaining: 0,
        };
        while self.half_bits(Nanos::NEVER) != Some(last) {}
        self.settle();
    }

    /// Lets time pass, to the end of a half-bit.
    pub fn advance(&mut self, until: Nanos) {
        while self.now < until {
            self.half_bits(until);
        }
        self.settle();
    }

    /// Puts a packet in the station's queue; no time passes. The ticket tells its copies in
    /// what [`Track::run`] says.
    pub fn enqueue(&mut self, packet: Packet) -> u64 {
        self.station.send(packet)
    }

    /// Lets time pass, to the end of a half-bit, and tells of each packet that leaves the rails.
    pub fn run(&mut self, until: Nanos, mut left: impl FnMut(Sent)) {
        while self.now < until {
            if let Some(sent) = self.half_bits(until) {
                left(sent);
            }
        }
        self.settle();
    }

    /// Whether nothing but idle packets is on the rails, and time changes nothing behind them.
    pub fn is_quiet(&self) -> bool {
        self.station.is_idle() && self.due.is_empty() && self.physics.is_settled()
    }

    /// Lets time pass while the track is quiet, without working out the idle packets. Does
    /// nothing when it is not.
    pub fn rest_until(&mut self, until: Nanos) {
        if self.is_quiet() && until > self.now {
            self.now = until;
            self.settle();
        }
    }

    /// Position reports since the last call.
    pub fn take_reports(&mut self) -> Vec<PositionReport> {
        std::mem::take(&mut self.reports)
    }

    /// Half-bits to the end of the packet on the rails, or to where `until` falls; what left the
    /// rails, if a packet did.
    fn half_bits(&mut self, until: Nanos) -> Option<Sent> {
        if let Some(sent) = self.whole_packet(until) {
            return Some(sent);
        }
        let mut now = self.now;
        let mut taken = 0;
        let mut arrived = std::mem::take(&mut self.arrived);
        let began = now;
        for half in self.station.halves(now) {
            now += *half;
            taken += 1;
            for (index, ear) in self.ears.iter_mut().enumerate() {
                if let Some(heard) = ear.half(*half) {
                    arrived.push((now, index, heard));
                }
            }
            if now >= until || !arrived.is_empty() {
                break;
            }
        }
        if self.bench.is_tapped() {
            self.bench
                .tap(self.station.halves(began).get(..taken).unwrap_or_default());
        }
        let sent = self.station.take(taken);
        self.arrive(arrived, now, sent.is_some());
        sent
    }

    /// All half-bits of a packet at once, where none is out yet and the last is by `until`.
    fn whole_packet(&mut self, until: Nanos) -> Option<Sent> {
        if self.bench.is_tapped() {
            return None;
        }
        let began = self.now;
        let formed = self.station.whole(began)?;
        let end = began + formed.lasts;
        if end > until {
            return None;
        }
        let halves = formed.halves.len();
        let mut arrived = std::mem::take(&mut self.arrived);
        for (index, ear) in self.ears.iter_mut().enumerate() {
            let mut early = None;
            ear.packet(formed, |half, heard| {
                if half + 1 == halves {
                    arrived.push((end, index, heard));
                } else {
                    early = Some((half, heard));
                }
            });
            // What wires made a packet of that was none.
            if let Some((half, heard)) = early {
                let before = formed.halves.iter().take(half + 1);
                let at = before.fold(began, |time, half| time + *half);
                arrived.push((at, index, heard));
            }
        }
        arrived.sort_by_key(|(at, _, _)| *at);
        let sent = self.station.take(halves);
        self.arrive(arrived, end, true);
        sent
    }

    /// Packets arrive at their ears, each at its time, and the rails are at `now`.
    fn arrive(&mut self, mut arrived: Vec<(Nanos, usize, Heard)>, now: Nanos, is_out: bool) {
        for (at, ear, heard) in arrived.drain(..) {
            self.now = at;
            self.hear(ear, heard);
        }
        self.arrived = arrived;
        self.now = now;
        if is_out {
            self.settle();
        }
    }

    /// A whole packet arrives at the decoders of one ear.
    fn hear(&mut self, ear: usize, heard: Heard) {
        self.packets_heard += 1;
        if self
            .rail_supplies
            .iter()
            .any(|supply| self.physics.supply(*supply).is_off())
        {
            return;
        }
        self.ears[ear].arrived += 1;
        let mut named = std::mem::take(&mut self.named);
        self.name(ear, heard, &mut named);
        if !named.is_empty() {
            self.settle();
            let mut in_service_mode = false;
            for unit in named.drain(..) {
                if self.units[unit].is_powered() && self.bench.hears(unit) {
                    let mut acts = std::mem::take(&mut self.acts);
                    self.units[unit].decoder.hear(heard, self.now, &mut acts);
                    self.apply(unit, &acts);
                    acts.clear();
                    self.acts = acts;
                }
                in_service_mode |= self.units[unit].decoder.is_in_service_mode();
            }
            self.ears[ear].in_service_mode = in_service_mode;
        }
        self.named = named;
    }

    /// The units of an ear that a packet is for, as far as its first bytes tell.
    fn name(&self, ear: usize, heard: Heard, named: &mut Vec<usize>) {
        let Ear {
            units,
            in_service_mode,
            ..
        } = &self.ears[ear];
        match decoder::reading::address_of(heard.bytes()) {
            // Only the decoders that have the address, and those that wait for one.
            Some(address) if address < 2044 && !in_service_mode => {
                let first = self.by_address.partition_point(|(it, _)| *it < address);
                let having = self.by_address[first..].iter();
                let having = having.take_while(|(it, _)| *it == address);
                named.extend(having.map(|(_, unit)| *unit));
                let learning = units.iter().copied();
                named.extend(learning.filter(|unit| self.units[*unit].decoder.is_learning()));
                named.retain(|unit| self.units[*unit].ear == ear);
                named.dedup();
            }
            None if heard.bytes()[0] == 0xff && !in_service_mode => {}
            Some(_) | None => named.extend(units),
        }
    }

    /// Takes outputs and physics to the time that the rails have reached.
    fn settle(&mut self) {
        while let Some(Reverse((time, unit))) = self.due.peek().copied()
            && time <= self.now
        {
            self.due.pop();
            self.physics.advance(time);
            let mut acts = std::mem::take(&mut self.acts);
            self.units[unit].decoder.tick(time, &mut acts);
            self.apply(unit, &acts);
            acts.clear();
            self.acts = acts;
        }
        self.physics.advance(self.now);
        self.report();
    }

    fn apply(&mut self, unit: usize, acts: &[Act]) {
        for act in acts {
            match *act {
                Act::Output(output, half) => {
                    if let Some(half) = half {
                        self.bench.note(unit, output, half);
                    }
                    for drive in &self.units[unit].drives[output] {
                        let wired = self.physics.touch(*drive);
                        if wired.input() != half || half.is_some() {
                            wired.set_input(half);
                        }
                        if !self.watched.contains(drive) {
                            self.watched.push(*drive);
                        }
                    }
                    self.switch_heads(unit, output, half);
                }
                Act::Aspect(output, value) => self.show_aspect(unit, output, value),
            }
        }
        if let Some(time) = self.units[unit].decoder.next_off() {
            self.due.push(Reverse((time, unit)));
        }
        if self.units[unit].decoder.take_moved() {
            self.rebuild_addresses();
        }
    }

    fn report(&mut self) {
        let at = self.now;
        let mut index = 0;
        while let Some(&drive) = self.watched.get(index) {
            let turnout = &self.turnouts[self.turnout_of[drive]];
            let mut groups = turnout.groups.iter();
            if let Some(group) = groups.find(|group| group.drives.first() == Some(&drive)) {
                while let Some((position, made)) = self.physics.drive_mut(drive).take_report() {
                    let pair_bit = match position {
                        Position::Straight => group.straight_bit,
                        Position::Diverging => group.straight_bit.opposite(),
                    };
                    let address = group.address;
                    self.reports.push(PositionReport {
                        at: at.into(),
                        address,
                        pair_bit,
                        made,
                    });
                }
            }
            if self.physics.drive(drive).is_live() {
                index += 1;
            } else {
                self.watched.swap_remove(index);
            }
        }
    }

    fn rebuild_addresses(&mut self) {
        self.by_address.clear();
        for (index, unit) in self.units.iter().enumerate() {
            let addresses = unit.decoder.addresses();
            self.by_address
                .extend(addresses.map(|address| (address, index)));
        }
        self.by_address.sort_unstable();
    }
}
