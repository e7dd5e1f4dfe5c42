//! Makes a test on the simulated track, and says what a careful person would answer.
//!
//! The same code predicts what a cause would show and stands in for a real layout in tests.

mod hands;
mod meter;
mod rebuilt;
mod throws;

use throwproof_protocol::address::Position;

use super::sight::{Answer, Motion};
use super::site::Site;
use super::steps::{self, Manner, Steps};
use super::test::Test;
use crate::sweep::command::Command;
use crate::track::Track;
use crate::track::clock::Nanos;

/// Blades or a drive that moved less than this share of their travel were not seen to move.
const SEEN_TO_MOVE: f64 = 0.05;

/// Less than this share is none at all: of packets, of a current.
const SHARE_OF_NONE: f64 = 0.05;

/// How long nothing may happen before a test for which a supply has to be full.
const LONG_REST: Nanos = Nanos::from_millis(steps::LONG_REST_MS);

/// Makes a test.
pub fn perform(site: &Site, track: &mut Track, test: Test) -> Answer {
    let steps = Steps::of(site, test);
    let mut hands = Hands { site, track };
    hands.make_way(site.target);
    match test {
        Test::Again
        | Test::Cycle
        | Test::Rested
        | Test::Rapid
        | Test::Burst
        | Test::Unreleased
        | Test::Extended
        | Test::Together
        | Test::Mate
        | Test::SupplyMate
        | Test::Elsewhere
        | Test::FourUp
        | Test::FourDown
        | Test::Nearby
        | Test::Default => hands.thrown(&steps),
        Test::ByHand => hands.feel(),
        Test::Listen => hands.listen(),
        Test::Touch => hands.touch(),
        Test::DecoderLight => hands.light(),
        Test::LampOnOutput => hands.lamp(),
        Test::SwapLeads => hands.swapped(),
        Test::Unhook => hands.unhooked(),
        Test::Volts => hands.volts(),
        Test::VoltsAtSupply => hands.volts_at_supply(),
        Test::Ohms => hands.ohms(true),
        Test::OhmsAtDrive => hands.ohms(false),
        Test::Reteach => hands.retaught(),
        Test::Capture => hands.captured(),
        Test::ReadCvs => hands.stored(),
        Test::Amps => hands.amps(),
        Test::GoodFeed => hands.on_good_feed(),
    }
}

/// What a sweep sees of the turnout of that index, and which others move.
pub fn swept(site: &Site, track: &mut Track, turnout: usize) -> (Motion, Vec<usize>) {
    let mut others = Vec::new();
    let mut hands = Hands { site, track };
    hands.make_way(turnout);
    let motion = hands.motions(turnout, Manner::Usual, 2, &mut others);
    others.sort_unstable();
    others.dedup();
    (motion, others)
}

struct Hands<'a> {
    site: &'a Site,
    track: &'a mut Track,
}

impl Hands<'_> {
    fn wait(&mut self, time: Nanos) {
        self.track.coast(self.track.now() + time);
    }

    fn command(&self, turnout: usize, position: Position) -> Option<Command> {
        steps::command(&self.site.plan, turnout, position)
    }

    /// Throws to a position, and samples something every few milliseconds while the output is on.
    fn sampled(&mut self, to: Position, mut sample: impl FnMut(&mut Track)) {
        let Some(command) = self.command(self.site.target, to) else {
            return;
        };
        let began = self.track.now();
        self.track.send(command.packet);
        let hold: Nanos = command.release.map_or(Nanos::ZERO, |(hold, _)| hold.into());
        let end = self.track.now() + hold;
        while self.track.now() < end {
            sample(&mut *self.track);
            let next = self.track.now() + Nanos::from_millis(10);
            self.track.coast(next.min(end));
        }
        if let Some((_, release)) = command.release {
            self.track.send(release);
        }
        self.wait(command.settle.into());
        let recovery = command.coils.map_or(Nanos::ZERO, |it| it.recovery.into());
        self.track.coast(began + recovery);
    }

    fn rated(&self) -> f64 {
        let drives = self.track.drives_of(self.site.target);
        let drive = drives.first();
        drive.map_or(1.0, |it| self.track.physics().drive(*it).build.rated_amps)
    }

    /// The decoder that the plan says, or the one that is there.
    fn decoder(&self) -> usize {
        let planned = self.site.decoder();
        let there = || self.track.decoder_of(self.site.target);
        planned.or_else(there).unwrap_or_default()
    }

    fn planned_volts(&self) -> f64 {
        let supply = self.site.supply();
        supply.map_or(16.0, |supply| self.site.plan.supplies[supply].volts)
    }
}
