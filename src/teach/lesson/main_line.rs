//! CVs written on the layout, in operations mode.

use throwproof_protocol::cv::{AddressMethod, CvBit, CvNumber, CvOperation};

use super::{Act, Desk, FACTORY, Refusal, Steps};
use crate::teach::course::{Held, Write, course};

/// Bit of CV 29 that says how the address is held (S-9.2.2, July 2012).
const METHOD_BIT: u8 = 6;

/// From this binary address on, all decoders are meant (S-9.2.1, July 2012, section D).
const BROADCAST: u16 = 2044;

/// The writes of the address, then those of the on-times.
pub(super) fn write(desk: &Desk<'_>, steps: &mut Steps) -> Result<(), Refusal> {
    let from = desk.held();
    let to = Held::of(desk.binary(desk.to), desk.by);
    let name = desk.name();
    let Some(mut writes) = course(from, to, |held| is_free(desk, held)) else {
        return Err(Refusal::new(
            format!(
                "there is no way for {} from address {} to {} on the layout: every address in \
                 between belongs to another, or is the broadcast",
                desk.board.id, desk.from, desk.to
            ),
            "use the programming track, or --alone if no other decoder has power",
        ));
    };
    if desk.held_by.is_none() {
        // At the factory values both methods make the same address (S-9.2.2), so that is when
        // the method can be set, whatever it is.
        writes.insert(0, (Write::By(desk.by), from));
    }
    let mut held = from;
    for (write, then) in writes {
        let Some(first) = held.first() else { continue };
        let address = desk.keyed(first);
        let (cv, operation, says) = of(write);
        let packet = desk.packet(desk.target(held, first), cv, operation);
        let number = desk.number(cv);
        let after = then.first().map(|first| desk.keyed(first));
        let is_last = then == to;
        let moves = match after {
            Some(after) if after != address && !is_last => {
                format!(", after which it is at {after} for the moment")
            }
            _ => String::new(),
        };
        let text = format!("CV {number} of {name} at address {address}: {says}{moves}");
        let act = Act::Write {
            packet,
            cv,
            address,
        };
        steps.change(act, text, "", |state| {
            if let Some(after) = after {
                state.moves_to(after, Some(then.by));
            }
        });
        held = then;
    }
    let first = desk.binary(desk.to);
    for (cv, count) in desk.on_times() {
        let operation = CvOperation::WriteByte(count);
        let packet = desk.packet(desk.target(to, first), cv, operation);
        let number = desk.number(cv);
        let pulse = desk.board.pulse_ms;
        let text = format!(
            "CV {number} of {name} at address {}: write {count}, a pulse of {pulse} ms; what it \
             was can't be read on the layout",
            desk.to
        );
        let act = Act::Write {
            packet,
            cv,
            address: desk.to,
        };
        steps.add(act, text);
    }
    Ok(())
}

/// The CV that is written, what is written, and that in words.
pub(super) fn of(write: Write) -> (CvNumber, CvOperation, String) {
    match write {
        Write::Low(low) => (
            CvNumber::ADDRESS_LOW,
            CvOperation::WriteByte(low),
            format!("write {low}, the low part of the address"),
        ),
        Write::High(high) => (
            CvNumber::ADDRESS_HIGH,
            CvOperation::WriteByte(high),
            format!("write {high}, the high part of the address"),
        ),
        Write::By(by) => {
            let (value, word) = match by {
                AddressMethod::Decoder => (false, "by decoder address"),
                AddressMethod::Output => (true, "by output address"),
            };
            let bit = CvBit::new(METHOD_BIT, value).map(CvOperation::WriteBit);
            // Bit 6 there is.
            let operation = bit.unwrap_or(CvOperation::WriteByte(0));
            let value = u8::from(value);
            (
                CvNumber::CONFIGURATION,
                operation,
                format!("write bit {METHOD_BIT} as {value}, {word}"),
            )
        }
    }
}

/// Whether the decoder may be there between two writes.
fn is_free(desk: &Desk<'_>, held: Held) -> bool {
    held.first().is_some_and(|first| {
        let reached = desk.reached(held, first);
        let is_taken = |address: &u16| desk.others.contains_key(address);
        let is_factory = reached.contains(&FACTORY);
        let is_reserved = reached.iter().any(|address| *address >= BROADCAST);
        !is_reserved && !is_factory && (desk.options.alone || !reached.iter().any(is_taken))
    })
}
