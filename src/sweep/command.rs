//! What a throw puts on the rails, and how long each part of it takes.

use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use crate::event::Subject;
use crate::plan::{
    Capacitor, Drive, Id, Joint, OutputKind, OutputRef, PacketFormat, Plan, Signal, SignalKind,
    Sort, Turnout,
};

mod switched;

pub(super) use switched::coil_addresses;

/// The decoder ends a pulse by itself; the release comes this much later, so that it does not
/// cut the pulse short when the decoder's clock is slow. The margin is ours.
const PULSE_MARGIN: Duration = Duration::from_millis(50);
/// The shortest time from activation to release: what a twin-coil drive needs at the least is
/// 50 ms (common practice, no source), twice that leaves room for a lost first packet.
const SHORTEST_HOLD: Duration = Duration::from_millis(100);
/// The longest time from activation to release. Commonly 100 to 500 ms are set (common practice,
/// no source); a decoder that wants more must end its pulse itself.
const LONGEST_HOLD: Duration = Duration::from_millis(500);
/// From activation to release where the output stays on until it is released, or nothing is
/// known of the decoder: inside the 50 to 250 ms that suit a twin-coil drive (common practice,
/// no source).
const UNTIMED_HOLD: Duration = Duration::from_millis(200);

/// From release to looking: a twin-coil drive has long stopped, its blades still spring.
const SETTLE_TWIN_COIL: Duration = Duration::from_millis(300);
/// A servo takes 0.3 to 3 s as its decoder is set, 1 s being usual (common practice, no source).
const SETTLE_SERVO: Duration = Duration::from_millis(1500);
/// A stall motor takes 1 to 4 s for its full travel (common practice, no source).
const SETTLE_STALL_MOTOR: Duration = Duration::from_secs(4);
/// Memory wire contracts in 0.3 to 1 s and returns more slowly (common practice, no source).
const SETTLE_MEMORY_WIRE: Duration = Duration::from_secs(2);
/// A drive at nine tenths of its voltage, and slower than most of its kind, takes that many times
/// what the plan says it needs; derived, with room.
const SLOWEST: f64 = 1.5;
/// A signal changes in 0.2 s after power-up (NEM 672, second-hand); the rest is for the eye.
const SETTLE_SIGNAL: Duration = Duration::from_millis(500);
/// Crossing gates are slow: they take a few seconds (common practice, no source).
const SETTLE_GATES: Duration = Duration::from_secs(5);

/// From start to start of two coil throws on one supply, so that it recovers: 0.5 to 1 s is
/// common practice, no source; the careful end of it.
const COIL_INTERVAL: Duration = Duration::from_secs(1);
/// A capacitor is at 95 % after three time constants.
const TIME_CONSTANTS: f64 = 3.0;
/// No supply is waited for longer than this, whatever its plan says.
const LONGEST_INTERVAL: Duration = Duration::from_secs(60);

/// One throw, ready to be sent.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Command {
    /// Keyed address, for people.
    pub(crate) address: KeyedAddress,
    /// What commands it.
    pub(crate) packet: Packet,
    /// What ends it, and how long after.
    pub(crate) release: Option<(Duration, Packet)>,
    /// From its end until it can be looked at.
    pub(crate) settle: Duration,
    /// The coils it fires, if it fires any.
    pub(crate) coils: Option<Coils>,
    /// The throws of further drives that belong to it, in their order.
    pub(crate) further: Vec<Further>,
}

/// The throw of one more drive of the same turnout.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Further {
    /// From the end of the one before it, at the least.
    pub(crate) after: Duration,
    /// Keyed address, for people.
    pub(crate) address: KeyedAddress,
    /// What commands it.
    pub(crate) packet: Packet,
    /// What ends it, and how long after.
    pub(crate) release: Option<(Duration, Packet)>,
    /// The coils it fires, if it fires any.
    pub(crate) coils: Option<Coils>,
}

/// A throw that takes a gulp from a supply.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Coils {
    /// Index of the supply in the plan; `None` for the one that the plan does not name.
    pub(crate) supply: Option<usize>,
    /// From the start of this throw until the supply has recovered.
    pub(crate) recovery: Duration,
}

/// How long a packet is at the shortest (S-9.1 Table 1, nominal; S-9.2, 14 preamble bits).
fn rail_time(packet: &Packet) -> Duration {
    let bits = packet.bits(Preamble::OPERATIONS_NMRA);
    bits.map(|bit| Duration::from_micros(if bit.is_one() { 116 } else { 200 }))
        .sum()
}

/// Why something of the plan can't be commanded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// The plan has nothing of that id.
    #[error("the plan has no `{0}`")]
    NoSuchSubject(Id),
    /// A turnout has no such position, a signal no such aspect.
    #[error("`{subject}` has no position or aspect `{commanded}`")]
    NoSuchCommand {
        /// The turnout or signal.
        subject: Id,
        /// What was asked for.
        commanded: Id,
    },
    /// The aspect's own address would lie beyond the last one.
    #[error("aspect `{aspect}` of `{subject}` lies beyond the last address, 2048")]
    BeyondLastAddress {
        /// The signal.
        subject: Id,
        /// The aspect.
        aspect: Id,
    },
}

impl Command {
    /// Time that its packets take on the rails, each once.
    pub(crate) fn on_rails(&self) -> Duration {
        self.packets().map(rail_time).sum()
    }

    /// All its packets, releases too.
    pub(super) fn packets(&self) -> impl Iterator<Item = &Packet> {
        let release = self.release.iter().map(|(_, packet)| packet);
        let further = self.further.iter();
        let further = further.flat_map(|one| {
            let release = one.release.iter().map(|(_, packet)| packet);
            std::iter::once(&one.packet).chain(release)
        });
        std::iter::once(&self.packet).chain(release).chain(further)
    }

    /// The coils that it and its further throws fire.
    pub(super) fn all_coils(&self) -> impl Iterator<Item = Coils> {
        let further = self.further.iter().filter_map(|one| one.coils);
        self.coils.into_iter().chain(further)
    }

    /// Time from its start until it can be looked at, at the least.
    pub(crate) fn takes(&self) -> Duration {
        let hold = self
            .release
            .as_ref()
            .map_or(Duration::ZERO, |(hold, _)| *hold);
        let further = self.further.iter().map(|one| {
            let hold = one.release.as_ref().map(|(hold, _)| *hold);
            one.after + hold.unwrap_or_default()
        });
        self.on_rails() + hold + further.sum::<Duration>() + self.settle
    }

    /// What it takes to send `subject` to `commanded`.
    pub(crate) fn new(
        plan: &Plan,
        subject: &Subject,
        commanded: &Id,
    ) -> Result<Self, CommandError> {
        let unknown = || CommandError::NoSuchSubject(subject.id().clone());
        match subject {
            Subject::Turnout(id) => {
                let turnout = plan.turnout(id.as_str()).ok_or_else(unknown)?;
                Self::of_turnout(plan, turnout, commanded)
            }
            Subject::Signal(id) => {
                let signal = plan.signal(id.as_str()).ok_or_else(unknown)?;
                Self::of_signal(plan, signal, commanded)
            }
        }
    }

    fn of_turnout(plan: &Plan, turnout: &Turnout, commanded: &Id) -> Result<Self, CommandError> {
        let unknown = || CommandError::NoSuchCommand {
            subject: turnout.id.clone(),
            commanded: commanded.clone(),
        };
        if let Some(joint) = &turnout.joint {
            return Self::of_joint(plan, turnout, joint, commanded).ok_or_else(unknown);
        }
        let position: Position = commanded.as_str().parse().map_err(|_| unknown())?;
        let pair_bit = turnout.pair_bit(position);
        let (packet, release) = match turnout.format {
            PacketFormat::Basic => {
                let hold = hold(plan, turnout.output);
                let (packet, release) = basic(plan, turnout.address, pair_bit, hold);
                (packet, Some(release))
            }
            PacketFormat::Extended => switched::packets(plan, turnout, turnout.address, pair_bit),
        };
        Ok(Self {
            address: turnout.address,
            packet,
            release,
            settle: settle(turnout),
            coils: coils(plan, turnout.drive == Drive::TwinCoil, turnout.output),
            further: Vec::new(),
        })
    }

    /// One drive after another, in an order that comes to no forbidden combination: the next one
    /// only when the one before it has settled.
    fn of_joint(plan: &Plan, turnout: &Turnout, joint: &Joint, commanded: &Id) -> Option<Self> {
        let settle = settle(turnout);
        // Where any combination may be passed through, nothing has to be waited for.
        let after = if joint.free_passage {
            Duration::ZERO
        } else {
            settle
        };
        let way = joint.way_to(commanded.as_str())?.into_iter();
        let mut throws = way.filter_map(|(drive, position)| {
            let drive = joint.drives.get(drive)?;
            let pair_bit = drive.pair_bit(position);
            let (packet, release) = match turnout.format {
                PacketFormat::Basic => {
                    let hold = hold(plan, drive.output);
                    let (packet, release) = basic(plan, drive.address, pair_bit, hold);
                    (packet, Some(release))
                }
                PacketFormat::Extended => switched::packets(plan, turnout, drive.address, pair_bit),
            };
            Some(Further {
                after,
                address: drive.address,
                packet,
                release,
                coils: coils(plan, turnout.drive == Drive::TwinCoil, drive.output),
            })
        });
        let first = throws.next()?;
        Some(Self {
            address: first.address,
            packet: first.packet,
            release: first.release,
            settle,
            coils: first.coils,
            further: throws.collect(),
        })
    }

    fn of_signal(plan: &Plan, signal: &Signal, commanded: &Id) -> Result<Self, CommandError> {
        let aspect = signal
            .aspects
            .iter()
            .find(|aspect| aspect.name == *commanded)
            .ok_or_else(|| CommandError::NoSuchCommand {
                subject: signal.id.clone(),
                commanded: commanded.clone(),
            })?;
        let (address, packet, release) = match signal.kind {
            SignalKind::Extended => {
                let address = signal.address.binary(plan.layout.numbering);
                let command = ExtendedAccessory {
                    address,
                    data: aspect.value,
                };
                (signal.address, command.emit(), None)
            }
            SignalKind::Pairs => {
                let address = pair_address(signal, aspect.value).ok_or_else(|| {
                    CommandError::BeyondLastAddress {
                        subject: signal.id.clone(),
                        aspect: commanded.clone(),
                    }
                })?;
                let pair_bit = PairBit::from_bit(aspect.value % 2 == 1);
                let hold = match signal.on_ms {
                    Some(ms) => Duration::from_millis(u64::from(ms)),
                    None => hold(plan, signal.output),
                };
                let (packet, release) = basic(plan, address, pair_bit, hold);
                (address, packet, Some(release))
            }
        };
        Ok(Self {
            address,
            packet,
            release,
            settle: match signal.sort {
                Sort::Signal | Sort::Uncoupler | Sort::Lights => SETTLE_SIGNAL,
                Sort::Gates => SETTLE_GATES,
            },
            coils: coils(plan, signal.sort == Sort::Uncoupler, signal.output),
            further: Vec::new(),
        })
    }
}

/// The keyed address that commands an aspect of a signal on pairs.
pub(super) fn pair_address(signal: &Signal, value: u8) -> Option<KeyedAddress> {
    KeyedAddress::new(signal.address.get() + u16::from(value / 2)).ok()
}

/// The packet that activates an output, and the one that releases it after `hold`.
fn basic(
    plan: &Plan,
    address: KeyedAddress,
    pair_bit: PairBit,
    hold: Duration,
) -> (Packet, (Duration, Packet)) {
    let address = address.binary(plan.layout.numbering);
    let activate = BasicAccessory {
        address,
        pair_bit,
        activate: true,
    };
    let release = BasicAccessory {
        address,
        pair_bit,
        activate: false,
    };
    (activate.emit(), (hold, release.emit()))
}

/// How long a drive takes until it can be looked at.
fn settle(turnout: &Turnout) -> Duration {
    let usual = match turnout.drive {
        Drive::TwinCoil => SETTLE_TWIN_COIL,
        Drive::Servo => SETTLE_SERVO,
        Drive::StallMotor => SETTLE_STALL_MOTOR,
        Drive::MemoryWire => SETTLE_MEMORY_WIRE,
    };
    let needs = Duration::from_millis(turnout.needs_ms.unwrap_or_default().into());
    usual.max(needs.mul_f64(SLOWEST))
}

/// What a throw of that output takes from its supply, if it fires a coil.
fn coils(plan: &Plan, fires: bool, output: Option<OutputRef>) -> Option<Coils> {
    fires.then(|| {
        let supply = output
            .and_then(|output| plan.decoders.get(output.decoder))
            .and_then(|decoder| decoder.supply);
        Coils {
            supply,
            recovery: recovery(plan, supply),
        }
    })
}

/// How long from activation to release.
pub(crate) fn hold(plan: &Plan, output: Option<OutputRef>) -> Duration {
    let Some(decoder) = output.and_then(|output| plan.decoders.get(output.decoder)) else {
        return UNTIMED_HOLD;
    };
    match decoder.output_kind {
        OutputKind::Pulse if decoder.pulse_ms == 0 => UNTIMED_HOLD,
        OutputKind::Pulse => {
            let pulse = Duration::from_millis(u64::from(decoder.pulse_ms));
            (pulse + PULSE_MARGIN).clamp(SHORTEST_HOLD, LONGEST_HOLD)
        }
        OutputKind::Steady | OutputKind::Servo | OutputKind::StallMotor => SHORTEST_HOLD,
    }
}

/// How long a supply needs after a coil has fired.
pub(crate) fn recovery(plan: &Plan, supply: Option<usize>) -> Duration {
    let capacitor = supply
        .and_then(|index| plan.supplies.get(index))
        .and_then(|it| it.capacitor);
    let recharge = capacitor.map_or(
        0.0,
        |Capacitor {
             microfarads,
             charge_ohms,
         }| { TIME_CONSTANTS * charge_ohms * microfarads * 1e-6 },
    );
    Duration::try_from_secs_f64(recharge)
        .unwrap_or(LONGEST_INTERVAL)
        .clamp(COIL_INTERVAL, LONGEST_INTERVAL)
}
