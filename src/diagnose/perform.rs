//! Makes a test on the simulated track, and says what a careful person would answer.
//!
//! The same code predicts what a cause would show and stands in for a real layout in tests.

mod hands;
mod meter;
mod throws;

use throwproof_protocol::address::Position;

use self::throws::Manner;
use super::sight::{Answer, Motion};
use super::site::Site;
use super::test::Test;
use crate::event::Subject;
use crate::plan::Id;
use crate::sweep::command::Command;
use crate::track::Track;
use crate::track::clock::Nanos;

/// Blades or a drive that moved less than this share of their travel were not seen to move.
const SEEN_TO_MOVE: f64 = 0.05;

/// How long nothing may happen before a test for which a supply has to be full.
const LONG_REST: Nanos = Nanos::from_millis(20_000);

/// Makes a test.
pub fn perform(site: &Site, track: &mut Track, test: Test) -> Answer {
    let mut hands = Hands { site, track };
    let target = site.target;
    hands.make_way(target);
    let usual = Manner::Usual;
    let over = |index: Option<usize>| index.unwrap_or(target);
    match test {
        Test::Again => hands.motion(target, usual, 4),
        Test::Cycle => hands.motion(target, usual, 12),
        Test::Rested => hands.motion(target, Manner::Rested, 2),
        Test::Rapid => hands.motion(target, Manner::Rapid, 6),
        Test::Burst => hands.motion(target, Manner::Burst, 2),
        Test::Unreleased => hands.motion(target, Manner::Unreleased, 2),
        Test::Extended => hands.motion(target, Manner::Extended, 2),
        Test::Together => {
            let with = site.supply_mate.or(site.mate);
            hands.motion(target, with.map_or(usual, Manner::With), 2)
        }
        Test::Mate => hands.motion(over(site.mate), usual, 4),
        Test::SupplyMate => hands.motion(over(site.supply_mate), usual, 4),
        Test::Elsewhere => hands.motion(over(site.elsewhere), usual, 4),
        Test::FourUp => hands.moved_by(&[4]),
        Test::FourDown => hands.moved_by(&[-4]),
        Test::Nearby => hands.moved_by(&[-3, -2, -1, 1, 2, 3]),
        Test::Default => {
            let own = site.plan.turnouts[target].address.get();
            let offsets = [1_u16, 2, 3, 4].map(|address| {
                i16::try_from(i32::from(address) - i32::from(own)).unwrap_or_default()
            });
            let others: Vec<i16> = offsets.into_iter().filter(|it| *it != 0).collect();
            hands.moved_by(&others)
        }
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
        let id = self.site.plan.turnouts[turnout].id.clone();
        let to = Id::new(position.as_str());
        Command::new(&self.site.plan, &Subject::Turnout(id), &to).ok()
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
