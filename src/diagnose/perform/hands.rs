//! Hands, ears and a lamp at the failing turnout.

use throwproof_protocol::address::{PairBit, Position};

use super::{Hands, LONG_REST, SEEN_TO_MOVE};
use crate::diagnose::sight::{Answer, Feel, Lamp, Light, Other, Sound};
use crate::diagnose::steps::Manner;
use crate::track::Track;
use crate::track::drive::CLOSED;

/// A finger calls blades stiff above this share of the drive's rated force; healthy ones have
/// 0.1 to 0.45. Common practice, no source.
const STIFF: f64 = 0.55;

/// And an over-centre spring too strong above this one.
const STRONG: f64 = 0.6;

/// A coil feels hot above this, °C; from memory.
const HOT: f64 = 45.0;

/// A drive is heard above this share of its rated current.
const HEARD: f64 = 0.15;
impl Hands<'_> {
    pub(super) fn feel(&mut self) -> Answer {
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

    pub(super) fn listen(&mut self) -> Answer {
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

    pub(super) fn touch(&mut self) -> Answer {
        self.sampled(Position::Diverging, |_| ());
        self.sampled(Position::Straight, |_| ());
        self.wait(LONG_REST);
        let now = self.track.now();
        let drives = self.track.drives_of(self.site.target).iter();
        let mut heats = drives.map(|it| self.track.physics().drive(*it).temperature(now));
        Answer::Hot(heats.any(|heat| heat > HOT))
    }

    pub(super) fn light(&mut self) -> Answer {
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

    pub(super) fn lamp(&mut self) -> Answer {
        let target = self.site.target;
        // On its own output by the plan, whatever is there.
        let planned = self.site.plan.turnouts[target].output;
        let planned = planned.map(|it| (it.decoder, usize::from(it.number.max(1)) - 1));
        let there = || self.track.output_of(target);
        let Some((decoder, output)) = planned.or_else(there) else {
            return Answer::Lamp(Lamp::Dark);
        };
        let mut ohms = Vec::new();
        self.track.alter_on((decoder, output), |drive| {
            ohms.push(std::mem::replace(&mut drive.build.ohms, [f64::INFINITY; 2]));
        });
        let planned = self.planned_volts();
        let lights = |track: &mut Track| {
            let on = track.lamp(decoder, output);
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
        let mut ohms = ohms.into_iter();
        self.track.alter_on((decoder, output), |drive| {
            if let Some(ohms) = ohms.next() {
                drive.build.ohms = ohms;
            }
        });
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

    pub(super) fn swapped(&mut self) -> Answer {
        let target = self.site.target;
        let swap = |drive: &mut crate::track::drive::Drive| {
            drive.build.swapped = !drive.build.swapped;
        };
        self.track.alter(target, swap);
        let answer = self.motion(target, Manner::Usual, 4);
        self.track.alter(target, swap);
        answer
    }

    pub(super) fn unhooked(&mut self) -> Answer {
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
}
