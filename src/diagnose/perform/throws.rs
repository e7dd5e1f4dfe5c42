//! Throws: commands of every manner, and what is seen of the blades.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::{Hands, SEEN_TO_MOVE};
use crate::diagnose::sight::{Answer, End, Motion, Other, Throw};
use crate::diagnose::steps::{self, Act, Manner, Steps};
use crate::plan::Drive;
use crate::track::drive::CLOSED;

impl Hands<'_> {
    /// Throws what is to be thrown, and looks.
    pub(super) fn thrown(&mut self, steps: &Steps) -> Answer {
        match steps {
            Steps::Turnout {
                turnout,
                manner,
                visits,
            } => self.motion(*turnout, *manner, *visits),
            Steps::Addresses(addresses) => self.moved_by(addresses),
            // Nothing that a look answers.
            Steps::Nothing | Steps::Plain { .. } => Answer::Moved(false),
        }
    }

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
        let mut to = Steps::visits(self.site, turnout, visits).into_iter();
        if let Some(rest) = to.next() {
            self.throw(turnout, rest, manner, others);
        }
        let seen = to.map(|to| (to, self.throw(turnout, to, manner, others)));
        let seen: Vec<Throw> = seen.collect();
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
        let Some(acts) = steps::throw(&self.site.plan, turnout, to, manner) else {
            return End::Nothing;
        };
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
        let mut end = End::Nothing;
        let mut before = 0.0;
        self.act(&acts, |hands, is_look| {
            if !is_look {
                before = hands.stands(turnout);
                return;
            }
            if manner == Manner::AtDrive {
                end = hands.drive_end(turnout, before);
                return;
            }
            let look = hands.track.look();
            let own = look.moved.iter().find(|(index, _)| *index == turnout);
            let rest = look.moved.iter().map(|(index, _)| *index);
            others.extend(rest.filter(|index| *index != turnout && Some(*index) != with));
            end = match own {
                None => End::Nothing,
                Some((_, None)) => End::Between,
                Some((_, Some(position))) => End::At(*position),
            };
        });
        end
    }

    /// Does what a throw needs; `look` is called when it begins, and again to look.
    fn act(&mut self, acts: &[Act], mut look: impl FnMut(&mut Self, bool)) {
        let mut began = self.track.now();
        for act in acts {
            match act {
                Act::Wait(time) => self.wait((*time).into()),
                Act::Begin => {
                    began = self.track.now();
                    look(self, false);
                    self.track.attend();
                }
                Act::Send(packet) => self.track.send(*packet),
                Act::Look => look(self, true),
                Act::Until(time) => self.track.coast(began + (*time).into()),
            }
        }
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

    /// Whether the failing turnout moves when those addresses are thrown.
    pub(super) fn moved_by(&mut self, addresses: &[KeyedAddress]) -> Answer {
        let target = self.site.target;
        let mut moved = false;
        for address in addresses {
            for half in steps::BOTH_HALVES {
                let acts = steps::throw_address(self.site, *address, half);
                self.act(&acts.unwrap_or_default(), |hands, is_look| {
                    if is_look {
                        let look = hands.track.look();
                        moved |= look.moved.iter().any(|(index, _)| *index == target);
                    }
                });
            }
        }
        Answer::Moved(moved)
    }
}
