//! The simulated track in step with the wall clock: commands in, what happened out.
//!
//! The model's clock follows the wall clock in slices of a few milliseconds while something is
//! going on. While nothing is, no time is spent: the clock is set forward when it is needed again.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use throwproof_protocol::address::{BinaryAddress, PairBit, Position};
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::Pace;
use crate::plan::Plan;
use crate::track::Track;
use crate::track::as_built::AsBuilt;
use crate::track::clock::Nanos;
use crate::track::drive::Contact;

/// How finely the model's clock follows the wall clock: a report is late by this at most.
const SLICE: Nanos = Nanos::from_millis(2);

/// Slices worked out before others have their turn.
const SLICES_AT_ONCE: u32 = 50;

/// The model never has to catch up more than this: after the computer slept, say.
const LONGEST_LAG: Nanos = Nanos::from_millis(1_000);

/// How far the model runs ahead after a command with [`Pace::Fast`], at most. Any healthy drive
/// has arrived by then; a coil that waits for its release has not burnt out.
const FAST_RUN: Nanos = Nanos::from_millis(1_000);

/// How long a station that releases outputs by itself keeps them active: within what twin-coil
/// drives are commonly given, 100 to 500 ms (common practice, no source).
pub(super) const OWN_RELEASE: Nanos = Nanos::from_millis(250);

/// Packets that the station works at; others wait for their turn.
const UNDER_WAY: usize = 16;

/// Commands that may wait, releases apart.
const MAX_WAITING: usize = 512;

/// Who is told that a packet went out.
pub(super) type Token = u64;

/// Something that happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Happened {
    /// The packet is on the rails.
    Sent(Token),
    /// The power went before the packet was on the rails.
    Withdrawn(Token),
    /// A position contact was made or broken.
    Contact {
        address: BinaryAddress,
        pair_bit: PairBit,
        made: bool,
    },
}

/// Why a command is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NotTaken {
    /// Too many are waiting.
    Full,
    /// The power is off.
    Off,
}

#[derive(Debug)]
struct Waiting {
    packet: Packet,
    token: Option<Token>,
}

/// A turnout with a contact, and which half was made when it was last looked at.
#[derive(Debug)]
struct Watched {
    address: BinaryAddress,
    straight_bit: PairBit,
    drive: usize,
    made: Option<PairBit>,
}

/// The track, its clock and its queue.
#[derive(Debug)]
pub(super) struct Rails {
    track: Track,
    pace: Pace,
    /// Where the model's clock should be.
    target: Nanos,
    /// The wall clock when `target` was worked out.
    wall: Duration,
    /// With [`Pace::Fast`], how far the model may run ahead.
    ahead_until: Nanos,
    waiting: VecDeque<Waiting>,
    /// Tickets of the packets that the station works at, and who waits for the first copy.
    under_way: Vec<(u64, Option<Token>)>,
    /// Outputs that were activated and not released, and since when.
    active: BTreeMap<(BinaryAddress, PairBit), Nanos>,
    releases_itself: bool,
    powered: bool,
    watched: Vec<Watched>,
}

impl Rails {
    pub(super) fn new(plan: &Plan, as_built: &AsBuilt, seed: u64, pace: Pace) -> Self {
        let track = Track::new(plan, as_built, seed);
        let turnouts = plan.turnouts.iter().enumerate();
        let watched = turnouts.filter_map(|(index, turnout)| {
            let built = as_built.turnouts.get(&turnout.id);
            let contact = built.and_then(|built| built.contact);
            let reports = match contact {
                Some(Contact::Works | Contact::Inverted | Contact::Dead) => true,
                Some(Contact::None) => false,
                None => turnout.position_reports,
            };
            let drive = *track.drives_of(index).first()?;
            reports.then(|| Watched {
                address: turnout.address.binary(plan.layout.numbering),
                straight_bit: turnout.straight_bit,
                drive,
                made: None,
            })
        });
        let mut rails = Self {
            watched: watched.collect(),
            track,
            pace,
            target: Nanos::ZERO,
            wall: Duration::ZERO,
            ahead_until: Nanos::ZERO,
            waiting: VecDeque::new(),
            under_way: Vec::new(),
            active: BTreeMap::new(),
            releases_itself: false,
            powered: true,
        };
        // How the contacts stand when the power is switched on is nothing that happened.
        rails.look(&mut Vec::new());
        rails
    }

    /// From now on outputs are released by the station, after [`OWN_RELEASE`].
    pub(super) fn release_by_itself(&mut self) {
        self.releases_itself = true;
    }

    /// The turnouts whose position is reported.
    pub(super) fn reporting(&self) -> impl Iterator<Item = BinaryAddress> {
        self.watched.iter().map(|watched| watched.address)
    }

    /// How each contact stands.
    pub(super) fn standing(&self) -> impl Iterator<Item = (BinaryAddress, PairBit, bool)> {
        self.watched.iter().flat_map(|watched| {
            PairBit::ALL.map(|half| (watched.address, half, watched.made == Some(half)))
        })
    }

    /// Takes a command. Where nobody waits for an answer (no token), a command that is the last
    /// one waiting for its output already stands for this one too, and a release is always
    /// taken.
    pub(super) fn ask(&mut self, packet: Packet, token: Option<Token>) -> Result<(), NotTaken> {
        let is_release = BasicAccessory::parse(&packet).is_ok_and(|basic| !basic.activate);
        if !self.powered && !is_release {
            return Err(NotTaken::Off);
        }
        let last = self.waiting.iter().rev();
        let mut last = last.filter(|waiting| is_same_output(&waiting.packet, &packet));
        if token.is_none() && last.next().is_some_and(|waiting| waiting.packet == packet) {
            return Ok(());
        }
        if self.waiting.len() >= MAX_WAITING && !(is_release && token.is_none()) {
            return Err(NotTaken::Full);
        }
        self.waiting.push_back(Waiting { packet, token });
        Ok(())
    }

    /// Switches the power of the rails. Off: what waits is withdrawn, what is active is released,
    /// and nothing but releases is taken until it is on again.
    pub(super) fn set_power(&mut self, powered: bool, happened: &mut Vec<Happened>) {
        if self.powered == powered {
            return;
        }
        self.powered = powered;
        if powered {
            return;
        }
        let withdrawn = self.waiting.drain(..).filter_map(|waiting| waiting.token);
        happened.extend(withdrawn.map(Happened::Withdrawn));
        let active: Vec<_> = self.active.keys().copied().collect();
        for (address, pair_bit) in active {
            self.queue_release(address, pair_bit);
        }
    }

    pub(super) fn is_powered(&self) -> bool {
        self.powered
    }

    fn queue_release(&mut self, address: BinaryAddress, pair_bit: PairBit) {
        let packet = BasicAccessory::new(address, pair_bit, false).emit();
        self.waiting.push_back(Waiting {
            packet,
            token: None,
        });
    }

    /// When [`Self::run`] has something to do; `None` until a command comes.
    pub(super) fn next(&self, now: Duration) -> Option<Duration> {
        if self.is_quiet() {
            None
        } else if self.hurries() || self.track.now() + SLICE < self.target {
            Some(now)
        } else {
            Some(now + SLICE.into())
        }
    }

    /// Lets the model follow the wall clock.
    pub(super) fn run(&mut self, now: Duration, happened: &mut Vec<Happened>) {
        let passed: Nanos = now.saturating_sub(self.wall).into();
        self.wall = self.wall.max(now);
        self.target += passed;
        if self.track.is_quiet() {
            self.track.rest_until(self.target);
        } else if self.track.now() + LONGEST_LAG < self.target {
            self.target = self.track.now() + LONGEST_LAG;
        }
        for _ in 0..SLICES_AT_ONCE {
            self.release_due();
            self.hand_over();
            let slice = self.track.now() + SLICE;
            let end = if self.hurries() {
                slice
            } else {
                slice.min(self.target)
            };
            if end <= self.track.now() || self.is_quiet() {
                break;
            }
            self.slice(end, happened);
        }
        self.target = self.target.max(match self.pace {
            Pace::Real => Nanos::ZERO,
            Pace::Fast => self.track.now(),
        });
    }

    fn is_quiet(&self) -> bool {
        let is_held = self.releases_itself && !self.active.is_empty();
        self.waiting.is_empty() && self.under_way.is_empty() && !is_held && self.track.is_quiet()
    }

    /// With [`Pace::Fast`]: is there something to run ahead for?
    fn hurries(&self) -> bool {
        let is_asked = !self.waiting.is_empty() || !self.under_way.is_empty();
        let is_allowed = is_asked || self.track.now() < self.ahead_until;
        self.pace == Pace::Fast && is_allowed && !self.is_quiet()
    }

    fn slice(&mut self, end: Nanos, happened: &mut Vec<Happened>) {
        let under_way = &mut self.under_way;
        self.track.run(end, |sent| {
            let place = under_way
                .iter()
                .position(|(ticket, _)| sent.ticket == Some(*ticket));
            if let Some(place) = place {
                happened.extend(under_way[place].1.take().map(Happened::Sent));
                if sent.remaining == 0 {
                    under_way.remove(place);
                }
            }
        });
        // The contacts are looked at below; what the model noted of them is not needed.
        drop(self.track.take_reports());
        self.look(happened);
    }

    /// A station that releases by itself does.
    fn release_due(&mut self) {
        if !self.releases_itself {
            return;
        }
        let now = self.track.now();
        let due = self.active.iter();
        let due = due.filter(|(_, since)| now.since(**since) >= OWN_RELEASE);
        let due: Vec<_> = due.map(|(output, _)| *output).collect();
        for (address, pair_bit) in due {
            self.active.remove(&(address, pair_bit));
            self.queue_release(address, pair_bit);
        }
    }

    /// Gives the station as many packets as it works at.
    fn hand_over(&mut self) {
        while self.under_way.len() < UNDER_WAY
            && let Some(Waiting { packet, token }) = self.waiting.pop_front()
        {
            self.under_way.push((self.track.enqueue(packet), token));
            self.ahead_until = self.track.now() + FAST_RUN;
            if let Ok(basic) = BasicAccessory::parse(&packet) {
                let output = (basic.address, basic.pair_bit);
                if basic.activate {
                    self.active.insert(output, self.track.now());
                } else {
                    self.active.remove(&output);
                }
            }
        }
    }

    /// Looks at the contacts.
    fn look(&mut self, happened: &mut Vec<Happened>) {
        for watched in &mut self.watched {
            let position = self.track.physics().drive(watched.drive).contact();
            let made = position.map(|position| match position {
                Position::Straight => watched.straight_bit,
                Position::Diverging => watched.straight_bit.opposite(),
            });
            if made == watched.made {
                continue;
            }
            let address = watched.address;
            let changes = [(watched.made, false), (made, true)];
            for (pair_bit, made) in changes {
                happened.extend(pair_bit.map(|pair_bit| Happened::Contact {
                    address,
                    pair_bit,
                    made,
                }));
            }
            watched.made = made;
        }
    }
}

/// Do both packets command the same accessory?
fn is_same_output(one: &Packet, other: &Packet) -> bool {
    // Address bits of both bytes; of the second also bit 7, which tells basic from extended.
    let key = |packet: &Packet| match *packet.as_bytes() {
        [first @ 0x80..=0xbf, second, ..] => Some((first, second & 0xf6, packet.as_bytes().len())),
        _ => None,
    };
    one == other || key(one).is_some() && key(one) == key(other)
}
