//! How often each packet is sent, in what order, and when to look for the answer.

use core::iter::FusedIterator;

use super::ServiceInstruction;
use crate::bits::Preamble;
use crate::packet::Packet;

/// How many packets each step has at least. S-9.2.3 (July 2012), section E; all bind the station.
pub mod counts {
    /// Valid packets after the track is powered on.
    pub const POWER_ON: u8 = 20;
    /// Reset packets after the track is powered on, by RCN-216, second-hand.
    pub const POWER_ON_RCN: u8 = 25;
    /// Reset packets before the first service-mode packet.
    pub const RESETS: u8 = 3;
    /// Identical packets that verify a CV.
    pub const VERIFY: u8 = 5;
    /// Identical packets that write a CV.
    pub const WRITE: u8 = 5;
    /// Identical packets, the write again or reset, in which the decoder recovers from writing.
    pub const RECOVERY: u8 = 6;
    /// Reset packets after a verify was acknowledged.
    pub const RESETS_AFTER_ACKNOWLEDGEMENT: u8 = 1;
    /// Identical packets that verify a register. Used for address-only packets too, which are
    /// packets to register 1.
    pub const REGISTER_VERIFY: u8 = 7;
    /// Packets in which the decoder recovers from writing its address. Used for registers too,
    /// whose own figure is not at hand: the longer is always allowed.
    pub const ADDRESS_ONLY_RECOVERY: u8 = 10;
    /// Identical packets after which a decoder in service mode acts; binds the decoder.
    pub const DECODER_ACTS_AFTER: u8 = 2;
}

/// Was the track off before?
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PowerOn {
    /// Power comes on now: packets go out first until decoders are ready.
    Now,
    /// Power is on and decoders are ready.
    Already,
}

/// What a step is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Purpose {
    /// Let decoders get ready after power came on.
    PowerOn,
    /// Enter service mode.
    Enter,
    /// Do the thing itself; stop early when it is acknowledged.
    Act,
    /// Give the decoder time to store what was written.
    Recover,
    /// Only when acknowledged: end the verify.
    AfterAcknowledgement,
}

/// When to look for an acknowledgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Listen {
    /// Not in this step.
    No,
    /// From the end bit of this packet of the step on, counting from 1.
    FromEndOf(u8),
    /// All the time.
    Throughout,
}

/// One step: the same packet a number of times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ServiceStep {
    /// The packet.
    pub packet: Packet,
    /// How many times, at least.
    pub count: u8,
    /// The preamble before each.
    pub preamble: Preamble,
    /// What the step is for.
    pub purpose: Purpose,
    /// When to look for the acknowledgement.
    pub listen: Listen,
}

/// The steps of one service-mode instruction, in order.
///
/// ```text
/// power on   20 reset     if the track was off
/// verify      3 reset     5 verify    1 reset if acknowledged
/// write       3 reset     5 write     6 reset to recover
/// ```
///
/// Address-only packets come after a page preset with its own recovery. A step's count may be more,
/// never less; a step that listens may end early when the acknowledgement comes. Power may go off
/// after the last.
///
/// clause: S-9.2.3 (July 2012), section E.
///
/// ```
/// use throwproof_protocol::service::{DirectAccess, Listen, PowerOn, ServiceSequence};
/// use throwproof_protocol::{CvNumber, CvOperation};
///
/// let write = DirectAccess { cv: CvNumber::ADDRESS_LOW, operation: CvOperation::WriteByte(3) };
/// let steps: Vec<_> = ServiceSequence::new(write.into(), PowerOn::Already)
///     .map(|step| (step.count, step.packet.to_string(), step.listen))
///     .collect();
/// assert_eq!(steps, [
///     (3, "00 00 00".to_string(), Listen::No),
///     (5, "7C 00 03 7F".to_string(), Listen::FromEndOf(2)),
///     (6, "00 00 00".to_string(), Listen::Throughout),
/// ]);
/// ```
#[derive(Debug, Clone)]
pub struct ServiceSequence {
    instruction: ServiceInstruction,
    next: Option<Place>,
}

/// Where in the sequence the next step is.
#[derive(Debug, Clone, Copy)]
enum Place {
    PowerOn,
    PresetEnter,
    Preset,
    PresetRecover,
    Enter,
    Act,
    Recover,
    AfterAcknowledgement,
}

impl ServiceSequence {
    /// The steps for this instruction. [`ServiceInstruction::Reset`] alone has no second step.
    pub const fn new(instruction: ServiceInstruction, power_on: PowerOn) -> Self {
        let instruction = instruction.normalised();
        let next = match power_on {
            PowerOn::Now => Place::PowerOn,
            PowerOn::Already => Self::first_place(instruction),
        };
        Self {
            instruction,
            next: Some(next),
        }
    }

    const fn first_place(instruction: ServiceInstruction) -> Place {
        match instruction {
            ServiceInstruction::AddressOnly(_) => Place::PresetEnter,
            ServiceInstruction::Reset
            | ServiceInstruction::Direct(_)
            | ServiceInstruction::PagePreset
            | ServiceInstruction::Register(_) => Place::Enter,
        }
    }

    const fn after(&self, place: Place) -> Option<Place> {
        Some(match place {
            Place::PowerOn => Self::first_place(self.instruction),
            Place::PresetEnter => Place::Preset,
            Place::Preset => Place::PresetRecover,
            Place::PresetRecover => Place::Enter,
            Place::Enter => match self.instruction {
                ServiceInstruction::Reset => return None,
                ServiceInstruction::Direct(_)
                | ServiceInstruction::PagePreset
                | ServiceInstruction::AddressOnly(_)
                | ServiceInstruction::Register(_) => Place::Act,
            },
            Place::Act if self.instruction.is_write() => Place::Recover,
            Place::Act => Place::AfterAcknowledgement,
            Place::Recover | Place::AfterAcknowledgement => return None,
        })
    }

    const fn is_register_mode(&self) -> bool {
        matches!(
            self.instruction,
            ServiceInstruction::AddressOnly(_) | ServiceInstruction::Register(_)
        )
    }

    const fn step(&self, place: Place) -> ServiceStep {
        let acts = self.instruction.emit();
        let preset = ServiceInstruction::PagePreset.emit();
        let (packet, count, purpose, listen) = match place {
            Place::PowerOn => (
                Packet::RESET,
                counts::POWER_ON,
                Purpose::PowerOn,
                Listen::No,
            ),
            Place::PresetEnter | Place::Enter => {
                (Packet::RESET, counts::RESETS, Purpose::Enter, Listen::No)
            }
            Place::Preset => (preset, counts::WRITE, Purpose::Act, LISTEN),
            Place::PresetRecover => (
                Packet::RESET,
                counts::RECOVERY,
                Purpose::Recover,
                Listen::Throughout,
            ),
            Place::Act => {
                let count = match (self.instruction.is_write(), self.is_register_mode()) {
                    (true, _) => counts::WRITE,
                    (false, true) => counts::REGISTER_VERIFY,
                    (false, false) => counts::VERIFY,
                };
                (acts, count, Purpose::Act, LISTEN)
            }
            Place::Recover => {
                let count = if self.is_register_mode() {
                    counts::ADDRESS_ONLY_RECOVERY
                } else {
                    counts::RECOVERY
                };
                (Packet::RESET, count, Purpose::Recover, Listen::Throughout)
            }
            Place::AfterAcknowledgement => (
                Packet::RESET,
                counts::RESETS_AFTER_ACKNOWLEDGEMENT,
                Purpose::AfterAcknowledgement,
                Listen::No,
            ),
        };
        ServiceStep {
            packet,
            count,
            preamble: Preamble::SERVICE,
            purpose,
            listen,
        }
    }
}

/// A decoder acts on the second identical packet, so no answer comes before its end bit.
const LISTEN: Listen = Listen::FromEndOf(counts::DECODER_ACTS_AFTER);

impl Iterator for ServiceSequence {
    type Item = ServiceStep;

    fn next(&mut self) -> Option<ServiceStep> {
        let place = self.next?;
        self.next = self.after(place);
        Some(self.step(place))
    }
}

impl FusedIterator for ServiceSequence {}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::super::{AddressOnly, DirectAccess, RegisterAccess};
    use super::*;
    use crate::cv::{CvNumber, CvOperation};
    use std::vec::Vec;

    fn steps(instruction: ServiceInstruction, power_on: PowerOn) -> Vec<(u8, Packet, Purpose)> {
        ServiceSequence::new(instruction, power_on)
            .inspect(|step| assert_eq!(step.preamble.bits(), 20, "long preamble throughout"))
            .map(|step| (step.count, step.packet, step.purpose))
            .collect()
    }

    fn packet(text: &str) -> Packet {
        Packet::parse_hex(text).unwrap()
    }

    fn reset(count: u8, purpose: Purpose) -> (u8, Packet, Purpose) {
        (count, Packet::RESET, purpose)
    }

    #[test]
    fn a_verify_is_three_resets_five_packets_and_a_reset() {
        // clause: S-9.2.3 (July 2012), section E.
        let verify = DirectAccess {
            cv: CvNumber::MANUFACTURER,
            operation: CvOperation::VerifyByte(0x0d),
        };
        assert_eq!(
            steps(verify.into(), PowerOn::Now),
            [
                reset(20, Purpose::PowerOn),
                reset(3, Purpose::Enter),
                (5, packet("74 07 0D 7E"), Purpose::Act),
                reset(1, Purpose::AfterAcknowledgement),
            ]
        );
    }

    #[test]
    fn an_address_is_written_after_a_page_preset() {
        // clause: S-9.2.3 (July 2012), section E: page preset first, ten packets to recover.
        let write = AddressOnly::new(true, 3).unwrap();
        assert_eq!(
            steps(write.into(), PowerOn::Already),
            [
                reset(3, Purpose::Enter),
                (5, packet("7D 01 7C"), Purpose::Act),
                reset(6, Purpose::Recover),
                reset(3, Purpose::Enter),
                (5, packet("78 03 7B"), Purpose::Act),
                reset(10, Purpose::Recover),
            ]
        );
    }

    #[test]
    fn a_register_is_verified_seven_times() {
        // clause: S-9.2.3 (July 2012), section E.
        let verify = RegisterAccess::new(false, 8, 0xff).unwrap();
        let all = steps(verify.into(), PowerOn::Already);
        assert_eq!(all.get(1), Some(&(7, packet("77 FF 88"), Purpose::Act)));
    }

    #[test]
    fn answers_are_awaited_from_the_second_packet_on() {
        // clause: S-9.2.3 (July 2012), section E.
        let write = DirectAccess {
            cv: CvNumber::ADDRESS_LOW,
            operation: CvOperation::WriteByte(3),
        };
        for step in ServiceSequence::new(write.into(), PowerOn::Now) {
            let expected = match step.purpose {
                Purpose::Act => Listen::FromEndOf(2),
                Purpose::Recover => Listen::Throughout,
                Purpose::PowerOn | Purpose::Enter | Purpose::AfterAcknowledgement => Listen::No,
            };
            assert_eq!(step.listen, expected);
        }
    }

    #[test]
    fn a_reset_is_only_sent() {
        assert_eq!(
            steps(ServiceInstruction::Reset, PowerOn::Already),
            [reset(3, Purpose::Enter)]
        );
    }
}
