//! A meter at the failing turnout, its decoder and its supply.

use throwproof_protocol::address::{PairBit, Position};

use super::{Hands, LONG_REST, SHARE_OF_NONE};
use crate::diagnose::sight::{Amps, Answer, Ohms, Volts};
use crate::plan::Drive;

impl Hands<'_> {
    fn band(&self, volts: f64) -> Volts {
        match volts / self.planned_volts() {
            share if share < 0.2 => Volts::None,
            share if share < 0.8 => Volts::Low,
            share if share > 1.2 => Volts::High,
            _ => Volts::Right,
        }
    }

    pub(super) fn volts_at_supply(&mut self) -> Answer {
        self.wait(LONG_REST);
        Answer::Supply(self.band(self.track.open_volts_at(self.decoder())))
    }

    pub(super) fn volts(&mut self) -> Answer {
        let decoder = self.decoder();
        self.wait(LONG_REST);
        let rest = self.track.volts_at(decoder);
        let mut least = rest;
        let mut after = rest;
        for to in [Position::Diverging, Position::Straight] {
            self.sampled(to, |track| least = least.min(track.volts_at(decoder)));
            after = after.min(self.track.volts_at(decoder));
        }
        Answer::Volts(self.band(rest), self.band(least), self.band(after))
    }

    pub(super) fn ohms(&mut self, with_leads: bool) -> Answer {
        let planned = (self.planned_volts() / self.rated()).max(0.7);
        let drives = self.track.drives_of(self.site.target);
        let measured = drives.first().map_or([f64::INFINITY; 2], |it| {
            let drive = self.track.physics().drive(*it);
            let leads = if with_leads {
                0.0
            } else {
                drive.build.lead_ohms
            };
            if drive.build.kind == Drive::TwinCoil {
                drive.measured_ohms().map(|ohms| ohms - leads)
            } else {
                [drive.build.ohms[0] + drive.build.lead_ohms - leads; 2]
            }
        });
        let [one, zero] = measured.map(|ohms| match ohms / planned {
            share if !share.is_finite() => Ohms::Open,
            share if share < 0.5 => Ohms::Low,
            share if share > 1.33 => Ohms::High,
            _ => Ohms::Right,
        });
        if self.site.plan.turnouts[self.site.target].straight_bit == PairBit::One {
            Answer::Ohms(one, zero)
        } else {
            Answer::Ohms(zero, one)
        }
    }

    /// The largest current through the output when it is sent either way, after it was laid the
    /// other way.
    pub(super) fn amps(&mut self) -> Answer {
        let target = self.site.target;
        let rated = self.rated();
        self.sampled(Position::Straight, |_| ());
        let [diverging, straight] = [Position::Diverging, Position::Straight].map(|to| {
            let mut most: f64 = 0.0;
            self.sampled(to, |track| most = most.max(track.amps_through(target)));
            match most / rated {
                share if share < SHARE_OF_NONE => Amps::None,
                share if share < 0.7 => Amps::Low,
                share if share > 1.33 => Amps::High,
                _ => Amps::Right,
            }
        });
        Answer::Amps(straight, diverging)
    }
}
