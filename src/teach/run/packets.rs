//! What a lesson puts on the rails, and what it calls things.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::super::lesson::{Act, Lesson};
use crate::link::{CannotCarry, Link};
use crate::plan::{Decoder, PacketFormat, Plan};
use crate::witness::bench::Job;

/// Whether the link can ever carry what the lesson sends.
pub(super) fn carries(
    plan: &Plan,
    board: &Decoder,
    lesson: &Lesson,
    link: &dyn Link,
) -> Result<(), CannotCarry> {
    for step in &lesson.steps {
        match &step.act {
            Act::Write { packet, .. } => link.can_carry(packet)?,
            Act::Teach { address, position } => {
                link.can_carry(&command(plan, board, *address, bit(*position), true))?;
            }
            Act::Prove(proof) => {
                link.can_carry(&command(plan, board, proof.address, PairBit::One, true))?;
            }
            Act::Hand(_) | Act::TestDirect | Act::Read { .. } | Act::Serve { .. } => {}
        }
    }
    Ok(())
}

/// The half that commands a position in the standard's sense.
pub(super) fn bit(position: Position) -> PairBit {
    match position {
        Position::Straight => PairBit::One,
        Position::Diverging => PairBit::Zero,
    }
}

/// The packet that switches an output of that decoder on or off.
pub(super) fn command(
    plan: &Plan,
    board: &Decoder,
    address: KeyedAddress,
    pair_bit: PairBit,
    activate: bool,
) -> Packet {
    let address = address.binary(plan.layout.numbering);
    match board.format {
        PacketFormat::Basic => BasicAccessory {
            address,
            pair_bit,
            activate,
        }
        .emit(),
        PacketFormat::Extended => {
            // `RZZZZZZZ`: Z = 0 is off, else tenths of a second (RCN-213, second-hand).
            let tenths = board.pulse_ms.div_ceil(100).clamp(1, 9);
            let on = u8::try_from(tenths).unwrap_or(1);
            let data = (pair_bit.as_u8() << 7) | if activate { on } else { 0 };
            ExtendedAccessory { address, data }.emit()
        }
    }
}

/// What a job is called in events.
pub(super) fn word(job: &Job) -> &'static str {
    match job {
        Job::LearnOn => "learn-on",
        Job::LearnOff => "learn-off",
        Job::PowerOff => "power-off",
        Job::PowerOn => "power-on",
        Job::Switches { .. } => "switches",
        Job::OntoProgrammingTrack => "onto-programming-track",
        Job::BackToLayout => "back-to-layout",
    }
}
