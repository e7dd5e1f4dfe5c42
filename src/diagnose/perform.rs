//! Makes a test on the simulated track, and says what a careful person would answer.
//!
//! The same code predicts what a cause would show and stands in for a real layout in tests.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::sight::{Answer, End, Feel, Lamp, Light, Motion, Ohms, Other, Sound, Throw, Volts};
use super::site::Site;
use super::test::Test;
use crate::event::Subject;
use crate::plan::{Drive, Id};
use crate::sweep::command::Command;
use crate::track::Track;
use crate::track::clock::Nanos;
use crate::track::drive::CLOSED;

/// Blades or a drive that moved less than this share of their travel were not seen to move.
const SEEN_TO_MOVE: f64 = 0.05;

/// A finger calls blades stiff above this share of the drive's rated force; healthy ones have
/// 0.1 to 0.45. Common practice, no source.
const STIFF: f64 = 0.55;

/// And an over-centre spring too strong above this one.
const STRONG: f64 = 0.6;

/// A coil feels hot above this, °C; from memory.
const HOT: f64 = 45.0;

/// A drive is heard above this share of its rated current.
const HEARD: f64 = 0.15;

/// How long nothing may happen before a test for which a supply has to be full.
const LONG_REST: Nanos = Nanos::from_millis(20_000);

/// From the end of a throw to the next in a rapid test.
const RAPID: Nanos = Nanos::from_millis(50);

/// Without a release an output is left on no longer than this. A coil of 16 W gains about 3 K
/// in it (derived from the coil's heat capacity in the track's model).
const LONGEST_ON: Nanos = Nanos::from_millis(1_000);

/// Commands of a burst, and the time between them: as long as the longest pulse usual for a
/// twin-coil drive, 500 ms (common practice, no source).
const BURST: (u32, Nanos) = (10, Nanos::from_millis(45));

/// How a throw is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Manner {
    Usual,
    Rested,
    Rapid,
    Burst,
    Unreleased,
    Extended,
    /// With another turnout at the same time.
    With(usize),
    /// Looked at at the drive, not at the blades.
    AtDrive,
}

/// Makes a test.
pub fn perform(site: &Site, track: &mut Track, test: Test) -> Answer {
    let mut hands = Hands { site, track };
    let target = site.target;
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
    let motion = Hands { site, track }.motions(turnout, Manner::Usual, 2, &mut others);
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

    fn motion(&mut self, turnout: usize, manner: Manner, visits: usize) -> Answer {
        let mut others = Vec::new();
        let motion = self.motions(turnout, manner, visits, &mut others);
        Answer::Motion(motion, Other::of(&self.site.plan, turnout, others))
    }

    /// Throws a turnout to its rest, then there and back that often, and if that moved nothing
    /// lays it by hand on either side and throws it across.
    fn motions(
        &mut self,
        turnout: usize,
        manner: Manner,
        visits: usize,
        others: &mut Vec<usize>,
    ) -> Motion {
        let rest = self.site.plan.turnouts[turnout].rest;
        self.throw(turnout, rest, manner, others);
        let mut seen: Vec<Throw> = Vec::new();
        for visit in 0..visits {
            let to = if visit % 2 == 0 {
                rest.opposite()
            } else {
                rest
            };
            seen.push((to, self.throw(turnout, to, manner, others)));
        }
        let mut by_hand = Vec::new();
        let is_coil = self.site.plan.turnouts[turnout].drive == Drive::TwinCoil;
        if is_coil && manner != Manner::AtDrive && seen.iter().all(|(_, end)| *end == End::Nothing)
        {
            for from in [Position::Diverging, Position::Straight] {
                if self.track.lay_by_hand(turnout, from) {
                    let to = from.opposite();
                    by_hand.push((to, self.throw(turnout, to, manner, others)));
                }
            }
        }
        Motion::of(&seen, &by_hand)
    }

    /// One throw, looked at.
    fn throw(
        &mut self,
        turnout: usize,
        to: Position,
        manner: Manner,
        others: &mut Vec<usize>,
    ) -> End {
        let Some(command) = self.command(turnout, to) else {
            return End::Nothing;
        };
        if manner == Manner::Rested {
            self.wait(LONG_REST);
        }
        let began = self.track.now();
        let before = self.stands(turnout);
        let with = match manner {
            Manner::With(with) => Some(with),
            Manner::Usual
            | Manner::Rested
            | Manner::Rapid
            | Manner::Burst
            | Manner::Unreleased
            | Manner::Extended
            | Manner::AtDrive => None,
        };
        self.track.attend();
        let beside = with.and_then(|with| self.command(with, to));
        if let Some(beside) = &beside {
            self.track.send(beside.packet);
        }
        self.send(turnout, to, &command, manner);
        if let Some((_, release)) = beside.and_then(|beside| beside.release) {
            self.track.send(release);
        }
        self.wait(command.settle.into());
        let end = if manner == Manner::AtDrive {
            self.drive_end(turnout, before)
        } else {
            let look = self.track.look();
            let own = look.moved.iter().find(|(index, _)| *index == turnout);
            let rest = look.moved.iter().map(|(index, _)| *index);
            others.extend(rest.filter(|index| *index != turnout && Some(*index) != with));
            match own {
                None => End::Nothing,
                Some((_, None)) => End::Between,
                Some((_, Some(position))) => End::At(*position),
            }
        };
        let recovery = command.coils.map_or(Nanos::ZERO, |it| it.recovery.into());
        if manner == Manner::Rapid {
            self.wait(RAPID);
        } else {
            self.track.coast(began + recovery);
        }
        end
    }

    /// Activates and releases.
    fn send(&mut self, turnout: usize, to: Position, command: &Command, manner: Manner) {
        if manner == Manner::Extended {
            self.track.send(self.extended(turnout, to));
            self.wait(command.release.map_or(Nanos::ZERO, |(hold, _)| hold.into()));
            return;
        }
        self.track.send(command.packet);
        if manner == Manner::Burst {
            let (more, apart) = BURST;
            for _ in 0..more {
                self.wait(apart);
                self.track.send(command.packet);
            }
        }
        if let Some((hold, release)) = command.release {
            self.wait(if manner == Manner::Unreleased {
                LONGEST_ON
            } else {
                hold.into()
            });
            self.track.send(release);
        }
    }

    /// The data byte is a switching time, `RZZZZZZZ` (RCN-213, second-hand): 200 ms for a coil,
    /// until the next command for anything else.
    fn extended(&self, turnout: usize, to: Position) -> Packet {
        let turnout = &self.site.plan.turnouts[turnout];
        let time = if turnout.drive == Drive::TwinCoil {
            2
        } else {
            127
        };
        let data = turnout.pair_bit(to).as_u8() << 7 | time;
        let address = turnout.address.binary(self.site.plan.layout.numbering);
        ExtendedAccessory { address, data }.emit()
    }

    fn stands(&self, turnout: usize) -> f64 {
        let drive = self.track.drives_of(turnout).first();
        drive.map_or(0.0, |it| self.track.physics().drive(*it).armature())
    }

    fn drive_end(&self, turnout: usize, before: f64) -> End {
        let now = self.stands(turnout);
        if (now - before).abs() <= SEEN_TO_MOVE {
            End::Nothing
        } else if now <= CLOSED {
            End::At(Position::Straight)
        } else if now >= 1.0 - CLOSED {
            End::At(Position::Diverging)
        } else {
            End::Between
        }
    }

    /// Whether the failing turnout moves when addresses that far away are thrown.
    fn moved_by(&mut self, offsets: &[i16]) -> Answer {
        let target = self.site.target;
        let mut moved = false;
        for offset in offsets {
            let own = self.site.plan.turnouts[target].address.get();
            let keyed = own.checked_add_signed(*offset);
            let Some(keyed) = keyed.and_then(|number| KeyedAddress::new(number).ok()) else {
                continue;
            };
            for pair_bit in [PairBit::One, PairBit::Zero, PairBit::One] {
                self.track.attend();
                self.send_keyed(keyed, pair_bit);
                let look = self.track.look();
                moved |= look.moved.iter().any(|(index, _)| *index == target);
            }
        }
        Answer::Moved(moved)
    }

    fn send_keyed(&mut self, keyed: KeyedAddress, pair_bit: PairBit) {
        let Some(usual) = self.command(self.site.target, Position::Straight) else {
            return;
        };
        let began = self.track.now();
        let address = keyed.binary(self.site.plan.layout.numbering);
        let packet = |activate| BasicAccessory::new(address, pair_bit, activate).emit();
        self.track.send(packet(true));
        let hold = usual.release.map_or(Nanos::ZERO, |(hold, _)| hold.into());
        self.wait(hold);
        self.track.send(packet(false));
        self.wait(usual.settle.into());
        let recovery = usual.coils.map_or(Nanos::ZERO, |it| it.recovery.into());
        self.track.coast(began + recovery);
    }

    fn feel(&mut self) -> Answer {
        let drives = self.track.drives_of(self.site.target);
        let Some(drive) = drives.first() else {
            return Answer::Feel(Feel::Free);
        };
        let build = self.track.physics().drive(*drive).build;
        let stiff = build.friction.map(|it| it > STIFF);
        Answer::Feel(if !build.linked {
            Feel::Loose
        } else if build.spring > STRONG {
            Feel::Snaps
        } else {
            match stiff {
                [true, true] => Feel::Stiff,
                [true, false] => Feel::StiffToStraight,
                [false, true] => Feel::StiffToDiverging,
                [false, false] if build.blades_range.1 < 1.0 - CLOSED => Feel::StopsShort,
                [false, false] => Feel::Free,
            }
        })
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

    fn listen(&mut self) -> Answer {
        let target = self.site.target;
        let enough = HEARD * self.rated();
        self.sampled(Position::Straight, |_| ());
        let [diverging, straight] = [Position::Diverging, Position::Straight].map(|to| {
            let before = self.stands(target);
            let mut most: f64 = 0.0;
            self.sampled(to, |track| most = most.max(track.amps_through(target)));
            if (self.stands(target) - before).abs() > SEEN_TO_MOVE {
                Sound::Throw
            } else if most > enough {
                Sound::Buzz
            } else {
                Sound::Silent
            }
        });
        Answer::Sound(diverging, straight)
    }

    fn touch(&mut self) -> Answer {
        self.sampled(Position::Diverging, |_| ());
        self.sampled(Position::Straight, |_| ());
        self.wait(LONG_REST);
        let now = self.track.now();
        let drives = self.track.drives_of(self.site.target).iter();
        let mut heats = drives.map(|it| self.track.physics().drive(*it).temperature(now));
        Answer::Hot(heats.any(|heat| heat > HOT))
    }

    /// The decoder that the plan says, or the one that is there.
    fn decoder(&self) -> usize {
        let planned = self.site.decoder();
        let there = || self.track.decoder_of(self.site.target);
        planned.or_else(there).unwrap_or_default()
    }

    fn light(&mut self) -> Answer {
        let decoder = self.decoder();
        let mut acts = 0;
        let mut lit = false;
        for to in [
            Position::Diverging,
            Position::Straight,
            Position::Diverging,
            Position::Straight,
        ] {
            let mut acted = false;
            self.sampled(to, |track| {
                lit |= track.decoder_is_lit(decoder);
                acted |= track.decoder_is_acting(decoder);
            });
            acts += u32::from(acted);
        }
        Answer::Light(match (lit, acts) {
            (false, _) => Light::Dark,
            (true, 0) => Light::Steady,
            (true, _) => Light::Answers,
        })
    }

    fn lamp(&mut self) -> Answer {
        let target = self.site.target;
        let mut ohms = [0.0; 2];
        self.track.alter(target, |drive| {
            ohms = drive.build.ohms;
            drive.build.ohms = [f64::INFINITY; 2];
        });
        let decoder = self.decoder();
        let planned = self.planned_volts();
        let lights = |track: &mut Track| {
            let drive = track.drives_of(target).first();
            let on = drive.map_or([false; 2], |it| track.physics().drive(*it).lamp());
            (on, track.volts_at(decoder) / planned)
        };
        // What is lit for each command: the half that commands straight, the other.
        let mut seen = [[false; 2]; 2];
        let mut share: f64 = 0.0;
        let order = [
            (1, Position::Diverging),
            (0, Position::Straight),
            (1, Position::Diverging),
            (0, Position::Straight),
        ];
        let straight_is_one = self.site.plan.turnouts[target].straight_bit == PairBit::One;
        for (which, to) in order {
            self.sampled(to, |track| {
                let ([one, zero], volts) = lights(track);
                let [straight, diverging] = if straight_is_one {
                    [one, zero]
                } else {
                    [zero, one]
                };
                seen[which][0] |= straight;
                seen[which][1] |= diverging;
                share = share.max(volts);
            });
        }
        self.track.alter(target, |drive| drive.build.ohms = ohms);
        let [[straight, diverging_too], [straight_too, diverging]] = seen;
        let answers = seen[0] != seen[1];
        Answer::Lamp(if share < 0.2 || !answers {
            Lamp::Dark
        } else if straight_too {
            Lamp::StraightStays
        } else if diverging_too {
            Lamp::DivergingStays
        } else {
            match [straight, diverging] {
                [false, false] => Lamp::Dark,
                [true, true] if share < 0.65 => Lamp::Dim,
                [true, true] => Lamp::Both,
                [true, false] => Lamp::OnlyStraight,
                [false, true] => Lamp::OnlyDiverging,
            }
        })
    }

    fn swapped(&mut self) -> Answer {
        let target = self.site.target;
        let swap = |drive: &mut crate::track::drive::Drive| {
            drive.build.swapped = !drive.build.swapped;
        };
        self.track.alter(target, swap);
        let answer = self.motion(target, Manner::Usual, 4);
        self.track.alter(target, swap);
        answer
    }

    fn unhooked(&mut self) -> Answer {
        let target = self.site.target;
        let mut linked = true;
        self.track.alter(target, |drive| {
            linked = drive.build.linked;
            drive.build.linked = false;
        });
        let motion = self.motions(target, Manner::AtDrive, 4, &mut Vec::new());
        self.track
            .alter(target, |drive| drive.build.linked = linked);
        self.track.lay_by_hand(target, Position::Straight);
        Answer::Motion(motion, Other::Nothing)
    }

    fn planned_volts(&self) -> f64 {
        let supply = self.site.supply();
        supply.map_or(16.0, |supply| self.site.plan.supplies[supply].volts)
    }

    fn band(&self, volts: f64) -> Volts {
        match volts / self.planned_volts() {
            share if share < 0.2 => Volts::None,
            share if share < 0.8 => Volts::Low,
            share if share > 1.2 => Volts::High,
            _ => Volts::Right,
        }
    }

    fn volts_at_supply(&mut self) -> Answer {
        self.wait(LONG_REST);
        Answer::Supply(self.band(self.track.open_volts_at(self.decoder())))
    }

    fn volts(&mut self) -> Answer {
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

    fn ohms(&mut self, with_leads: bool) -> Answer {
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
}
