//! What everything of a lesson is worked out from.

use std::collections::{BTreeMap, BTreeSet};

use throwproof_protocol::address::{BinaryAddress, KeyedAddress};
use throwproof_protocol::cv::{AddressMethod, CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, CvTarget};
use throwproof_protocol::packet::Packet;

use super::{State, proof};
use crate::event::teach::Method;
use crate::plan::{BlockStart, Decoder, Id, Learns, PacketFormat, Plan};
use crate::teach::Options;
use crate::teach::course::Held;

/// What everything is worked out from.
pub(super) struct Desk<'a> {
    pub(super) plan: &'a Plan,
    pub(super) board: &'a Decoder,
    pub(super) options: &'a Options,
    pub(super) method: Method,
    pub(super) to: KeyedAddress,
    pub(super) from: KeyedAddress,
    /// How it holds the address that it has; `None` where both ways hold the same.
    pub(super) held_by: Option<AddressMethod>,
    /// How it is to hold the one it gets.
    pub(super) by: AddressMethod,
    /// Who else has a binary address.
    pub(super) others: BTreeMap<u16, Id>,
}

/// The address of a decoder that left its maker (S-9.2.2, July 2012: CV 1 = 1, CV 9 = 0), and
/// the binary one, which both methods make of it.
pub(super) const FACTORY: u16 = 4;

impl<'a> Desk<'a> {
    pub(super) fn new(
        plan: &'a Plan,
        index: usize,
        board: &'a Decoder,
        options: &'a Options,
    ) -> Self {
        let numbering = plan.layout.numbering;
        let default = match board.learns {
            Learns::FirstCommand => Method::FirstCommand,
            Learns::CvOutput | Learns::CvDecoder => Method::Main,
            Learns::Switches => Method::Switches,
        };
        let factory = BinaryAddress::new(FACTORY).map(|first| first.keyed(numbering));
        let from = options.from.or(factory.ok()).unwrap_or(KeyedAddress::MIN);
        let by = match board.learns {
            Learns::CvOutput => AddressMethod::Output,
            Learns::CvDecoder => AddressMethod::Decoder,
            Learns::FirstCommand | Learns::Switches => match board.block_start {
                BlockStart::Any => AddressMethod::Output,
                BlockStart::EveryFourth | BlockStart::EveryEighth => AddressMethod::Decoder,
            },
        };
        let is_factory = from.binary(numbering).get() == FACTORY;
        Self {
            plan,
            board,
            options,
            method: options.method.unwrap_or(default),
            to: options.to.unwrap_or(board.first_address),
            from,
            held_by: options.held_by.or((!is_factory).then_some(by)),
            by,
            others: others(plan, index),
        }
    }

    pub(super) fn binary(&self, address: KeyedAddress) -> BinaryAddress {
        address.binary(self.plan.layout.numbering)
    }

    pub(super) fn keyed(&self, address: BinaryAddress) -> KeyedAddress {
        address.keyed(self.plan.layout.numbering)
    }

    /// What the decoder is called, with its place.
    pub(super) fn name(&self) -> String {
        if self.board.place.is_empty() {
            self.board.id.to_string()
        } else {
            format!("{} ({})", self.board.id, self.board.place)
        }
    }

    /// The keyed address of that output, counted from 0.
    pub(super) fn address_of(&self, output: u8) -> Option<KeyedAddress> {
        KeyedAddress::new(self.to.get() + u16::from(output)).ok()
    }

    /// The binary addresses of its outputs where the first one has that.
    pub(super) fn block(&self, first: BinaryAddress) -> impl Iterator<Item = u16> + use<> {
        let first = first.get();
        (first..).take(usize::from(self.board.outputs))
    }

    /// The binary addresses that a write to it may reach while it holds its address so: its own,
    /// and, where the whole decoder is written to, all of its four.
    pub(super) fn reached(&self, held: Held, first: BinaryAddress) -> BTreeSet<u16> {
        let mut reached = self.written_to(held, first);
        reached.extend(self.block(first));
        reached
    }

    /// The binary addresses to whose decoders a write to it goes while it holds its address so: its
    /// first, and, where the whole decoder is written to, all four of that.
    pub(super) fn written_to(&self, held: Held, first: BinaryAddress) -> BTreeSet<u16> {
        let four = first.get() - u16::from(first.pair());
        let is_whole =
            held.by == AddressMethod::Decoder && self.board.format == PacketFormat::Basic;
        let whole = (four..four + 4).filter(|_| is_whole);
        whole.chain([first.get()]).collect()
    }

    /// How it holds its address before anything is written.
    pub(super) fn held(&self) -> Held {
        Held::of(self.binary(self.from), self.held_by.unwrap_or(self.by))
    }

    pub(super) fn before(&self) -> State {
        let by = match self.method {
            Method::Main | Method::ProgrammingTrack => Some(self.held().by),
            Method::FirstCommand | Method::Switches => None,
        };
        State::at(self.from, by)
    }

    /// The CV by the number that the decoder knows.
    pub(super) fn number(&self, cv: CvNumber) -> CvNumber {
        if self.board.teaching.older_numbers {
            cv.alias().unwrap_or(cv)
        } else {
            cv
        }
    }

    /// Whom a write on the layout is for.
    pub(super) fn target(&self, held: Held, first: BinaryAddress) -> CvTarget {
        match (self.board.format, held.by) {
            (PacketFormat::Extended, _) => CvTarget::Extended(first),
            (PacketFormat::Basic, AddressMethod::Decoder) => CvTarget::Decoder(first.decoder()),
            (PacketFormat::Basic, AddressMethod::Output) => CvTarget::pair(first),
        }
    }

    pub(super) fn packet(&self, target: CvTarget, cv: CvNumber, operation: CvOperation) -> Packet {
        let cv = self.number(cv);
        AccessoryCv {
            target,
            cv,
            operation,
        }
        .emit()
    }

    /// CV 3 to 6 with the counts that make the planned pulse, if they are to be written.
    pub(super) fn on_times(&self) -> Vec<(CvNumber, u8)> {
        let unit = self
            .board
            .teaching
            .on_time_unit_ms
            .filter(|_| self.options.set_pulse);
        let count = unit.and_then(|unit| u8::try_from(self.board.pulse_ms / unit).ok());
        let cvs = [
            CvNumber::ON_TIME_1,
            CvNumber::ON_TIME_2,
            CvNumber::ON_TIME_3,
            CvNumber::ON_TIME_4,
        ];
        let outputs = usize::from(self.board.outputs);
        count.map_or_else(Vec::new, |count| {
            cvs.into_iter()
                .take(outputs)
                .map(|cv| (cv, count))
                .collect()
        })
    }

    pub(super) fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let neighbours = proof::neighbours(self);
        let mut also: Vec<_> = neighbours.iter().map(ToString::to_string).collect();
        if proof::old(self).is_some() {
            also.push(format!("{} (the old one)", self.from));
        }
        if !also.is_empty() {
            notes.push(format!(
                "Beside its own addresses, {} are sent too, at which nothing of it may act.",
                also.join(", ")
            ));
        }
        match self.method {
            Method::FirstCommand => notes.push(
                "Any accessory command teaches a decoder in learn mode. Nothing else may be \
                 thrown meanwhile, and no other decoder on these rails may be in learn mode: it \
                 would take the same address."
                    .to_owned(),
            ),
            Method::Main => notes.push(
                "A decoder on the layout gives no answer to a CV write; whether it came is seen \
                 by throwing. A decoder that left its maker untaught has the factory address: \
                 only this one of those may have power."
                    .to_owned(),
            ),
            Method::ProgrammingTrack => notes.push(
                "The programming track gives 250 mA for 100 ms and 100 mA after that (S-9.2.3): \
                 a board with large capacitors, or with coils or lamps connected, may be more \
                 than it carries."
                    .to_owned(),
            ),
            Method::Switches => {}
        }
        if self.board.teaching.forgets {
            notes.push(
                "It forgets its address without power, as the plan says: whenever its power was \
                 away it has to be taught again."
                    .to_owned(),
            );
        }
        notes
    }
}

/// Who else has which binary address.
fn others(plan: &Plan, index: usize) -> BTreeMap<u16, Id> {
    let numbering = plan.layout.numbering;
    let mut others = BTreeMap::new();
    let mut take = |first: KeyedAddress, count: u8, id: &Id| {
        for step in 0..u16::from(count) {
            if let Ok(address) = KeyedAddress::new(first.get() + step) {
                others
                    .entry(address.binary(numbering).get())
                    .or_insert(id.clone());
            }
        }
    };
    for (at, decoder) in plan.decoders.iter().enumerate() {
        if at != index {
            take(decoder.first_address, decoder.outputs, &decoder.id);
        }
    }
    for turnout in plan
        .turnouts
        .iter()
        .filter(|turnout| turnout.output.is_none())
    {
        take(turnout.address, 1, &turnout.id);
    }
    for signal in plan.signals.iter().filter(|signal| signal.output.is_none()) {
        take(signal.address, signal.addresses(), &signal.id);
    }
    others
}
