//! What a person finds who lays hands, a meter or a lamp on the track.

use throwproof_protocol::address::PairBit;
use throwproof_protocol::packet::Packet;

use super::clock::Nanos;
use super::drive::Drive;
use super::rails::Wires;
use super::supply::{Ratings, Supply};
use super::{Ear, Track};

/// How long is listened in after each packet of a capture: longer than all its copies take.
const CAPTURED: Nanos = Nanos::from_millis(100);

impl Track {
    /// Lets time pass as [`Track::advance`] does, without working out idle packets: no decoder
    /// acts on those. In service mode they count, and are worked out.
    pub fn coast(&mut self, until: Nanos) {
        while self.now < until && !self.station.is_idle() {
            self.half_bits(until);
        }
        if self.ears.iter().any(|ear| ear.in_service_mode) {
            self.advance(until);
        } else if self.now < until {
            self.now = until;
            self.settle();
        }
    }

    /// Index of the decoder that has the drives of that turnout on its outputs: as in the plan,
    /// with those that the plan only gives an address behind.
    pub fn decoder_of(&self, turnout: usize) -> Option<usize> {
        let group = self.turnouts.get(turnout)?.groups.first()?;
        let drive = group.drives.first()?;
        let has = |outputs: &Vec<Vec<usize>>| outputs.iter().any(|on| on.contains(drive));
        self.units.iter().position(|unit| has(&unit.drives))
    }

    /// The decoder and the output, counted from nought, that the drives of that turnout are on.
    pub fn output_of(&self, turnout: usize) -> Option<(usize, usize)> {
        let decoder = self.decoder_of(turnout)?;
        let drive = self.turnouts[turnout].groups.first()?.drives.first()?;
        let mut outputs = self.units[decoder].drives.iter();
        let output = outputs.position(|on| on.contains(drive))?;
        Some((decoder, output))
    }

    /// The halves of an output, counted from nought, that a lamp in place of what is there would
    /// show to be on: for pair bit 1 and for pair bit 0.
    pub fn lamp(&self, decoder: usize, output: usize) -> [bool; 2] {
        let unit = &self.units[decoder];
        match unit.drives.get(output).and_then(|on| on.first()) {
            Some(drive) => self.physics.drive(*drive).lamp(),
            None => [PairBit::One, PairBit::Zero]
                .map(|half| unit.is_powered() && unit.decoder.is_on(output) == Some(half)),
        }
    }

    /// Lays hands on every drive of an output, counted from nought.
    pub fn alter_on(
        &mut self,
        (decoder, output): (usize, usize),
        mut change: impl FnMut(&mut Drive),
    ) {
        let drives = self.units[decoder].drives.get(output).cloned();
        for drive in drives.unwrap_or_default() {
            change(self.physics.touch(drive));
        }
        self.settle();
    }

    /// Whether the lamp of that decoder is lit: it is fed, and the rails are not off.
    pub fn decoder_is_lit(&self, decoder: usize) -> bool {
        let is_off = |supply: &usize| self.physics.supply(*supply).is_off();
        self.units[decoder].is_powered() && !self.rail_supplies.iter().any(is_off)
    }

    /// Whether that decoder has any output switched on now.
    pub fn decoder_is_acting(&self, decoder: usize) -> bool {
        self.units[decoder].decoder.is_any_on()
    }

    /// Voltage at that decoder's outputs, as loaded as it is, volts.
    pub fn volts_at(&mut self, decoder: usize) -> f64 {
        let drives = self.units[decoder].drives.iter().flatten();
        match drives.copied().next() {
            Some(drive) => self.physics.volts_at(drive),
            None => self.physics.supply(self.units[decoder].supply).volts(0.0),
        }
    }

    /// Voltage of what feeds that decoder's outputs with nothing connected to it, volts.
    pub fn open_volts_at(&self, decoder: usize) -> f64 {
        self.physics.supply(self.units[decoder].supply).open_volts()
    }

    /// Current through the drives of a turnout, amperes.
    pub fn amps_through(&mut self, turnout: usize) -> f64 {
        let mut amps = 0.0;
        for drive in self.all_drives(turnout) {
            amps += self.physics.volts_at(drive) * self.physics.drive(drive).load();
        }
        amps
    }

    /// Lets chance take another course from now on: other packets get lost on the way.
    pub fn stir(&mut self, seed: u64) {
        for (index, ear) in (0_u64..).zip(&mut self.ears) {
            if let Some(wires) = &mut ear.wires {
                wires.stir(seed.wrapping_add(index));
            }
        }
    }

    /// Puts packets on the rails that often, and says how many were on them until all had been
    /// sent, and how many of those arrived whole at the input of that decoder.
    pub fn capture(&mut self, decoder: usize, packet: Packet, times: u32) -> (u64, u64) {
        let ear = self.units[decoder].ear;
        let before = self.ears[ear].arrived;
        let mut sent = 0;
        for _ in 0..times {
            self.enqueue(packet);
            let until = self.now + CAPTURED;
            self.run(until, |_| sent += 1);
        }
        (sent, self.ears[ear].arrived - before)
    }

    /// Puts a decoder with its drives on a bench of its own for good: short wires to the station,
    /// a feed and a supply that are known to be good.
    pub fn put_on_good_feed(&mut self, decoder: usize, ratings: Ratings) {
        let supply = self.physics.add_supply(Supply::new(ratings));
        let drives: Vec<usize> = self.units[decoder]
            .drives
            .iter()
            .flatten()
            .copied()
            .collect();
        for drive in drives {
            self.physics.feed_from(drive, supply);
        }
        let unit = &mut self.units[decoder];
        unit.fed = true;
        unit.supply = supply;
        // Straight from the station's own terminals.
        let old = unit.ear;
        unit.ear = self.ears.len();
        self.ears[old].units.retain(|one| *one != decoder);
        let wires = self.ears[0].wires.as_ref().map(Wires::like);
        let mut ear = Ear::new(wires);
        ear.units.push(decoder);
        self.ears.push(ear);
        self.settle();
    }

    fn all_drives(&self, turnout: usize) -> Vec<usize> {
        let groups = self.turnouts[turnout].groups.iter();
        groups.flat_map(|group| group.drives.clone()).collect()
    }

    /// Lays hands on every drive of a turnout: exchanges leads, unhooks the linkage.
    pub fn alter(&mut self, turnout: usize, mut change: impl FnMut(&mut Drive)) {
        for drive in self.all_drives(turnout) {
            change(self.physics.touch(drive));
        }
        self.settle();
    }
}

#[cfg(test)]
mod tests {
    use throwproof_protocol::address::{BinaryAddress, PairBit, Position};
    use throwproof_protocol::instruction::BasicAccessory;

    use super::*;
    use crate::plan::Plan;
    use crate::track::as_built::AsBuilt;

    fn track() -> Track {
        let text = include_str!("../../fixtures/faults/plan.toml");
        let plan = Plan::from_text("plan.toml", text).unwrap();
        Track::new(&plan, &AsBuilt::default(), 1)
    }

    fn packet(one: PairBit, activate: bool) -> Packet {
        let address = BinaryAddress::new(12).unwrap();
        BasicAccessory::new(address, one, activate).emit()
    }

    #[test]
    fn coasting_ends_where_advancing_does() {
        let ends = [false, true].map(|coasts| {
            let mut track = track();
            for one in [PairBit::Zero, PairBit::One, PairBit::Zero] {
                track.send(packet(one, true));
                let end = track.now() + Nanos::from_millis(700);
                if coasts {
                    track.coast(end);
                } else {
                    track.advance(end);
                }
            }
            (track.lies(0), track.physics().drive(0).blades())
        });
        assert_eq!(ends[0].0, Some(Position::Diverging));
        assert_eq!(ends[0], ends[1]);
    }

    // source: Ohm's law; the bench has 16 V, and drops 5 % at 3 A: 0.27 ohms.
    #[test]
    fn a_meter_reads_less_under_load() {
        let mut track = track();
        assert!((track.volts_at(0) - 16.0).abs() < 1e-9);
        track.send(packet(PairBit::Zero, true));
        let amps = track.amps_through(0);
        assert!(amps > 0.8, "{amps}");
        let expected = 16.0 - amps * 16.0 * 0.05 / 3.0;
        assert!((track.volts_at(0) - expected).abs() < 1e-6);
        assert!(track.decoder_is_acting(0) && !track.decoder_is_acting(1));
    }
}
