//! What is thrown for a test, and how: one description for the simulated track that predicts what
//! a test shows, and for the link that drives a layout.

use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::site::Site;
use super::test::Test;
use crate::event::Subject;
use crate::plan::{Drive, Id, Plan};
use crate::sweep::command::Command;

/// How long nothing may happen before a test for which a supply has to be full.
pub const LONG_REST: Duration = Duration::from_millis(LONG_REST_MS);

/// The same in milliseconds.
pub(super) const LONG_REST_MS: u64 = 20_000;

/// From the end of a throw to the next in a rapid test.
const RAPID: Duration = Duration::from_millis(50);

/// Without a release an output is left on no longer than this, which is as long as the guard of a
/// link leaves it. A coil of 16 W gains about 3 K in it (derived from the coil's heat capacity in
/// the track's model).
const LONGEST_ON: Duration = Duration::from_secs(1);

/// Commands of a burst, and the time between them: as long as the longest pulse usual for a
/// twin-coil drive, 500 ms (common practice, no source).
const BURST: (u32, Duration) = (10, Duration::from_millis(45));

/// How a throw is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// As a sweep makes it.
    Usual,
    /// After [`LONG_REST`].
    Rested,
    /// Right after the one before.
    Rapid,
    /// With its command repeated.
    Burst,
    /// Without a release, for a second at the most.
    Unreleased,
    /// By an extended packet.
    Extended,
    /// With that other turnout at the same time.
    With(usize),
    /// As a sweep makes it, looked at at the drive and not at the blades.
    AtDrive,
}

/// What is thrown for a test; turnouts as indices in the plan of its [`Site`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Steps {
    /// Nothing: hands or a meter do it all.
    Nothing,
    /// A turnout is thrown to its rest, then there and back, and looked at each time. Where that
    /// moved nothing its blades are laid by hand on either side and it is thrown across.
    Turnout {
        /// Which.
        turnout: usize,
        /// How.
        manner: Manner,
        /// How often it is looked at.
        visits: usize,
    },
    /// Whatever has these addresses is thrown, while the failing turnout is looked at.
    Addresses(Vec<KeyedAddress>),
    /// The failing turnout is thrown there and there while something else is looked at, felt,
    /// heard or measured.
    Plain {
        /// Where to, in order.
        to: &'static [Position],
        /// How long nothing is thrown before.
        rest: Duration,
        /// And afterwards.
        rest_after: Duration,
    },
}

/// One thing to do for a throw, in its order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    /// Nothing for that long.
    Wait(Duration),
    /// The throw begins: from now on what moves is of it.
    Begin,
    /// This goes out; if it ends what was switched on, it goes out whatever happens.
    Send(Packet),
    /// What has moved since it began is looked at.
    Look,
    /// Nothing until that long after it began.
    Until(Duration),
}

const ACROSS: &[Position] = &[Position::Diverging, Position::Straight];
const ACROSS_TWICE: &[Position] = &[
    Position::Diverging,
    Position::Straight,
    Position::Diverging,
    Position::Straight,
];
const STRAIGHT_AND_ACROSS: &[Position] =
    &[Position::Straight, Position::Diverging, Position::Straight];

impl Steps {
    /// What is thrown for that test at that site.
    pub fn of(site: &Site, test: Test) -> Self {
        let own = |manner, visits| Self::Turnout {
            turnout: site.target,
            manner,
            visits,
        };
        let other = |index: Option<usize>| Self::Turnout {
            turnout: index.unwrap_or(site.target),
            manner: Manner::Usual,
            visits: 4,
        };
        let plain = |to| Self::Plain {
            to,
            rest: Duration::ZERO,
            rest_after: Duration::ZERO,
        };
        match test {
            Test::Again | Test::SwapLeads | Test::Reteach | Test::GoodFeed => own(Manner::Usual, 4),
            Test::Cycle => own(Manner::Usual, 12),
            Test::Rested => own(Manner::Rested, 4),
            Test::Rapid => own(Manner::Rapid, 6),
            Test::Burst => own(Manner::Burst, 2),
            Test::Unreleased => own(Manner::Unreleased, 2),
            Test::Extended => own(Manner::Extended, 2),
            Test::Together => {
                let with = site.supply_mate.or(site.mate);
                own(with.map_or(Manner::Usual, Manner::With), 2)
            }
            Test::Unhook => own(Manner::AtDrive, 4),
            Test::Mate => other(site.mate),
            Test::SupplyMate => other(site.supply_mate),
            Test::Elsewhere => other(site.elsewhere),
            Test::FourUp => Self::off_by(site, &[4]),
            Test::FourDown => Self::off_by(site, &[-4]),
            Test::Nearby => Self::off_by(site, &[-3, -2, -1, 1, 2, 3]),
            Test::Default => Self::Addresses(
                site.first_addresses()
                    .filter_map(|number| KeyedAddress::new(number).ok())
                    .filter(|it| *it != site.plan.turnouts[site.target].address)
                    .collect(),
            ),
            Test::Listen => plain(STRAIGHT_AND_ACROSS),
            Test::Amps | Test::Capture => plain(ACROSS),
            Test::Touch => Self::Plain {
                to: ACROSS,
                rest: Duration::ZERO,
                rest_after: LONG_REST,
            },
            Test::DecoderLight | Test::LampOnOutput => plain(ACROSS_TWICE),
            Test::Volts => Self::Plain {
                to: ACROSS,
                rest: LONG_REST,
                rest_after: Duration::ZERO,
            },
            Test::ByHand | Test::VoltsAtSupply | Test::Ohms | Test::OhmsAtDrive | Test::ReadCvs => {
                Self::Nothing
            }
        }
    }

    /// What a sweep does to a turnout, once.
    pub const fn swept(turnout: usize) -> Self {
        Self::Turnout {
            turnout,
            manner: Manner::Usual,
            visits: 2,
        }
    }

    /// Those at that distance from the failing turnout; never one that is broadcast or emergency
    /// stop as well.
    fn off_by(site: &Site, offsets: &[i16]) -> Self {
        let addresses = offsets.iter().filter_map(|it| site.address_off_by(*it));
        Self::Addresses(addresses.collect())
    }

    /// The throws of a turnout that is thrown to its rest and then there and back: where to, the
    /// first one not looked at.
    pub fn visits(site: &Site, turnout: usize, visits: usize) -> Vec<Position> {
        let rest = site.plan.turnouts[turnout].rest;
        let both = [rest, rest.opposite()];
        (0..=visits).map(|visit| both[visit % 2]).collect()
    }
}

/// The two halves of an address as often as they are thrown where a whole address is: the first
/// may be where it lies already.
pub const BOTH_HALVES: [PairBit; 3] = [PairBit::One, PairBit::Zero, PairBit::One];

/// The command that sends a turnout there.
pub(crate) fn command(plan: &Plan, turnout: usize, to: Position) -> Option<Command> {
    let id = plan.turnouts.get(turnout)?.id.clone();
    Command::new(plan, &Subject::Turnout(id), &Id::new(to.as_str())).ok()
}

/// One throw of a turnout; `None` where it can't be sent there.
pub fn throw(plan: &Plan, turnout: usize, to: Position, manner: Manner) -> Option<Vec<Act>> {
    let command = command(plan, turnout, to)?;
    let mut acts = Vec::with_capacity(8);
    if manner == Manner::Rested {
        acts.push(Act::Wait(LONG_REST));
    }
    acts.push(Act::Begin);
    let beside = match manner {
        Manner::With(with) => self::command(plan, with, to),
        Manner::Usual
        | Manner::Rested
        | Manner::Rapid
        | Manner::Burst
        | Manner::Unreleased
        | Manner::Extended
        | Manner::AtDrive => None,
    };
    acts.extend(beside.iter().map(|it| Act::Send(it.packet)));
    let hold = command.release.as_ref().map(|(hold, _)| *hold);
    if manner == Manner::Extended {
        acts.push(Act::Send(extended(plan, turnout, to)));
        acts.push(Act::Wait(hold.unwrap_or_default()));
    } else {
        acts.push(Act::Send(command.packet));
        if manner == Manner::Burst {
            let (more, apart) = BURST;
            let again = (0..more).flat_map(|_| [Act::Wait(apart), Act::Send(command.packet)]);
            acts.extend(again);
        }
        if let Some((hold, release)) = command.release {
            let unreleased = manner == Manner::Unreleased;
            acts.push(Act::Wait(if unreleased { LONGEST_ON } else { hold }));
            acts.push(Act::Send(release));
        }
    }
    let beside = beside.and_then(|beside| beside.release);
    acts.extend(beside.map(|(_, release)| Act::Send(release)));
    acts.push(Act::Wait(command.settle));
    acts.push(Act::Look);
    acts.push(if manner == Manner::Rapid {
        Act::Wait(RAPID)
    } else {
        Act::Until(command.coils.map_or(Duration::ZERO, |it| it.recovery))
    });
    Some(acts)
}

/// One throw of an address, whatever has it, as long as one of the failing turnout takes.
pub fn throw_address(site: &Site, keyed: KeyedAddress, pair_bit: PairBit) -> Option<Vec<Act>> {
    let usual = command(&site.plan, site.target, Position::Straight)?;
    let address = keyed.binary(site.plan.layout.numbering);
    let packet = |activate| BasicAccessory::new(address, pair_bit, activate).emit();
    Some(vec![
        Act::Begin,
        Act::Send(packet(true)),
        Act::Wait(usual.release.map_or(Duration::ZERO, |(hold, _)| hold)),
        Act::Send(packet(false)),
        Act::Wait(usual.settle),
        Act::Look,
        Act::Until(usual.coils.map_or(Duration::ZERO, |it| it.recovery)),
    ])
}

/// The data byte is a switching time, `RZZZZZZZ` (RCN-213, second-hand): 200 ms for a coil, until
/// the next command for anything else.
fn extended(plan: &Plan, turnout: usize, to: Position) -> Packet {
    let turnout = &plan.turnouts[turnout];
    let time = if turnout.drive == Drive::TwinCoil {
        2
    } else {
        127
    };
    let data = turnout.pair_bit(to).as_u8() << 7 | time;
    let address = turnout.address.binary(plan.layout.numbering);
    ExtendedAccessory { address, data }.emit()
}
