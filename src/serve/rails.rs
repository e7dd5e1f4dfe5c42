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
        let watched = turnouts.flat_map(|(index, turnout)| {
            let built = as_built.turnouts.get(&turnout.id);
            let firsts = track.first_drives_of(index);
            let drives = firsts.into_iter().zip(turnout.reached()).enumerate();
            let watched = drives.filter_map(|(at, (drive, reached))| {
                let built = match at.checked_sub(1) {
                    None => built,
                    Some(further) => built.and_then(|built| built.further.get(further)),
                };
                let contact = built.and_then(|built| built.contact);
                let reports = match contact {
                    Some(Contact::Works | Contact::Inverted | Contact::Dead) => true,
                    Some(Contact::None) => false,
                    None => turnout.position_reports,
                };
                reports.then(|| Watched {
                    address: reached.address.binary(plan.layout.numbering),
                    straight_bit: reached.straight_bit,
                    drive,
                    made: None,
                })
            });
            watched.collect::<Vec<_>>()
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

    /// Takes a command. Where nobody waits for an answer (no token), a newer command takes the
    /// place of those still waiting for the same accessory, and a release is always taken: so
    /// commands that come faster than the rails carry them end where the last ones say.
    pub(super) fn ask(&mut self, packet: Packet, token: Option<Token>) -> Result<(), NotTaken> {
        let releases = is_release(&packet);
        if !self.powered && !releases {
            return Err(NotTaken::Off);
        }
        if token.is_none() && self.stands_for(&packet) {
            return Ok(());
        }
        if self.waiting.len() >= MAX_WAITING && !(releases && token.is_none()) {
            return Err(NotTaken::Full);
        }
        self.waiting.push_back(Waiting { packet, token });
        Ok(())
    }

    /// Does what waits stand for this command too? Makes room for it if not.
    fn stands_for(&mut self, packet: &Packet) -> bool {
        let last = self.waiting.iter().rev();
        let mut last = last.filter(|waiting| is_same_accessory(&waiting.packet, packet));
        if last.next().is_some_and(|waiting| waiting.packet == *packet) {
            return true;
        }
        if !is_release(packet) {
            // Releases stay, one of a kind: what they release may be active.
            let mut kept: Vec<Packet> = Vec::new();
            self.waiting.retain(|waiting| {
                if waiting.token.is_some() || !is_same_accessory(&waiting.packet, packet) {
                    return true;
                }
                let stays = is_release(&waiting.packet) && !kept.contains(&waiting.packet);
                kept.push(waiting.packet);
                stays
            });
        }
        false
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

fn is_release(packet: &Packet) -> bool {
    BasicAccessory::parse(packet).is_ok_and(|basic| !basic.activate)
}

/// Do both packets command the same accessory?
fn is_same_accessory(one: &Packet, other: &Packet) -> bool {
    // Address bits of both bytes; of the second also bit 7, which tells basic from extended.
    let key = |packet: &Packet| match *packet.as_bytes() {
        [first @ 0x80..=0xbf, second, ..] => Some((first, second & 0xf6, packet.as_bytes().len())),
        _ => None,
    };
    one == other || key(one).is_some() && key(one) == key(other)
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::*;
    use crate::textfile::TextFile;

    /// Turnouts at keyed 1 to 4, binary 4 to 7; all lie straight.
    fn rails(pace: Pace) -> Rails {
        let mut plan = "[layout]\nname = \"Test\"\n[supply.s]\nkind = \"separate\"\nvolts = 16.0\n\
                        amps = 4.0\n[decoder.D]\noutputs = 4\nfirst_address = 1\nsupply = \"s\"\n\
                        output_kind = \"pulse\"\npulse_ms = 0\nmax_output_amps = 2.0\n"
            .to_owned();
        let mut lies = String::new();
        for output in 1..=4 {
            write!(
                plan,
                "[[turnout]]\nid = \"T{output}\"\nshape = \"left\"\ndecoder = \"D\"\n\
                 output = {output}\ndrive = \"twin-coil\"\namps = 0.8\nposition_reports = true\n"
            )
            .unwrap();
            writeln!(lies, "[turnout.T{output}]\nlies = \"straight\"").unwrap();
        }
        let plan = Plan::from_text("plan", &plan).unwrap();
        let as_built = AsBuilt::parse(TextFile::from_text("as-built", &lies), &plan).unwrap();
        Rails::new(&plan, &as_built, 1, pace)
    }

    fn basic(address: u16, pair_bit: PairBit, activate: bool) -> Packet {
        BasicAccessory::new(BinaryAddress::new(address).unwrap(), pair_bit, activate).emit()
    }

    /// Runs as the server does, from one time to another.
    fn run(rails: &mut Rails, from: u64, to: u64) -> Vec<Happened> {
        let mut happened = Vec::new();
        let mut now = Duration::from_millis(from);
        loop {
            rails.run(now, &mut happened);
            match rails.next(now) {
                Some(next) if next <= Duration::from_millis(to) => now = next,
                _ => return happened,
            }
        }
    }

    fn contact(pair_bit: PairBit, made: bool) -> Happened {
        let address = BinaryAddress::new(4).unwrap();
        Happened::Contact {
            address,
            pair_bit,
            made,
        }
    }

    #[test]
    fn a_throw_takes_its_time() {
        let mut rails = rails(Pace::Real);
        // However long nothing went on.
        run(&mut rails, 0, 10);
        let began = 86_400_000;
        rails.ask(basic(4, PairBit::Zero, true), Some(7)).unwrap();
        assert_eq!(run(&mut rails, began, began + 4), []);
        // A packet takes more than 6 ms, and an idle one may have to end first.
        let moved = run(&mut rails, began + 4, began + 300);
        let expected = [
            Happened::Sent(7),
            contact(PairBit::One, false),
            contact(PairBit::Zero, true),
        ];
        assert_eq!(moved, expected);
        rails.ask(basic(4, PairBit::Zero, false), None).unwrap();
        run(&mut rails, began + 300, began + 400);
        assert_eq!(rails.next(Duration::from_millis(began + 400)), None);
    }

    #[test]
    fn fast_is_there_at_once() {
        let mut rails = rails(Pace::Fast);
        rails.ask(basic(4, PairBit::Zero, true), None).unwrap();
        rails.ask(basic(4, PairBit::Zero, false), None).unwrap();
        let moved = run(&mut rails, 5, 5);
        assert_eq!(moved.len(), 2, "{moved:?}");
        assert!(rails.track.now() < Nanos::from_millis(1_200));
    }

    #[test]
    fn power_off_releases_what_is_active() {
        let mut rails = rails(Pace::Real);
        rails.ask(basic(4, PairBit::Zero, true), None).unwrap();
        run(&mut rails, 0, 50);
        let drive = rails.watched[0].drive;
        assert_ne!(rails.track.physics().drive(drive).input(), None);
        rails.ask(basic(5, PairBit::Zero, true), Some(1)).unwrap();
        let mut happened = Vec::new();
        rails.set_power(false, &mut happened);
        assert_eq!(happened, [Happened::Withdrawn(1)]);
        run(&mut rails, 50, 200);
        assert_eq!(rails.track.physics().drive(drive).input(), None);
        let refused = rails.ask(basic(5, PairBit::Zero, true), None);
        assert_eq!(refused, Err(NotTaken::Off));
        assert_eq!(rails.ask(basic(4, PairBit::Zero, false), None), Ok(()));
        rails.set_power(true, &mut happened);
        assert_eq!(rails.ask(basic(5, PairBit::Zero, true), None), Ok(()));
    }

    #[test]
    fn a_station_that_releases_by_itself_does() {
        let mut rails = rails(Pace::Real);
        rails.release_by_itself();
        rails.ask(basic(4, PairBit::Zero, true), None).unwrap();
        run(&mut rails, 0, 100);
        let drive = rails.watched[0].drive;
        assert_ne!(rails.track.physics().drive(drive).input(), None);
        run(&mut rails, 100, 400);
        assert_eq!(rails.track.physics().drive(drive).input(), None);
        assert_eq!(rails.next(Duration::from_millis(400)), None);
    }

    #[test]
    fn commands_do_not_pile_up_and_releases_are_kept() {
        let mut rails = rails(Pace::Real);
        for _ in 0..1_000 {
            for pair_bit in PairBit::ALL {
                rails.ask(basic(4, pair_bit, true), None).unwrap();
                rails.ask(basic(4, pair_bit, false), None).unwrap();
            }
        }
        assert!(rails.waiting.len() <= 4, "{:?}", rails.waiting);
        let last = rails.waiting.back().map(|waiting| waiting.packet);
        assert_eq!(last, Some(basic(4, PairBit::One, false)));
        // With as many as there is room for, only releases are taken.
        for address in 0..2_048 {
            let is_room = rails.waiting.len() < MAX_WAITING;
            let taken = rails.ask(basic(address, PairBit::Zero, true), None);
            assert!(taken.is_ok() || !is_room, "{address}");
        }
        assert_eq!(rails.waiting.len(), MAX_WAITING);
        let refused = rails.ask(basic(2_000, PairBit::Zero, true), None);
        assert_eq!(refused, Err(NotTaken::Full));
        assert_eq!(rails.ask(basic(2_000, PairBit::Zero, false), None), Ok(()));
        // With an answer to give, not even those: the client asks again.
        let busy = rails.ask(basic(2_000, PairBit::Zero, false), Some(1));
        assert_eq!(busy, Err(NotTaken::Full));
    }
}
