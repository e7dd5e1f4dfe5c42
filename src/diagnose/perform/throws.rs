//! Throws: commands of every manner, and what is seen of the blades.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::{Hands, LONG_REST, SEEN_TO_MOVE};
use crate::diagnose::sight::{Answer, End, Motion, Other, Throw};
use crate::plan::Drive;
use crate::sweep::command::Command;
use crate::track::clock::Nanos;
use crate::track::drive::CLOSED;

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
pub(super) enum Manner {
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

impl Hands<'_> {
    pub(super) fn motion(&mut self, turnout: usize, manner: Manner, visits: usize) -> Answer {
        let mut others = Vec::new();
        let motion = self.motions(turnout, manner, visits, &mut others);
        Answer::Motion(motion, Other::of(&self.site.plan, turnout, others))
    }

    /// Throws the other drives of the turnout of which that one is a drive to where they are not
    /// in its way.
    pub(super) fn make_way(&mut self, turnout: usize) {
        for (drive, to) in self.site.before(turnout) {
            self.throw(drive, to, Manner::Usual, &mut Vec::new());
        }
    }

    /// Throws a turnout to its rest, then there and back that often, and if that moved nothing
    /// lays it by hand on either side and throws it across.
    pub(super) fn motions(
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

    pub(super) fn stands(&self, turnout: usize) -> f64 {
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
    pub(super) fn moved_by(&mut self, offsets: &[i16]) -> Answer {
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
}
