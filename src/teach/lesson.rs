//! What teaching a decoder takes, step by step, worked out before anything is sent.

use std::collections::BTreeMap;

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Position};
use throwproof_protocol::cv::{AddressMethod, CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, CvTarget};
use throwproof_protocol::packet::Packet;

use super::course::Held;
use super::{Options, Refusal};
use crate::event::teach::Method;
use crate::plan::{BlockStart, Decoder, Id, Learns, PacketFormat, Plan};
use crate::witness::bench::Job;

mod hand;
mod main_line;
mod programming;
mod proof;
mod refuse;
mod whereabouts;

pub use whereabouts::{State, whereabouts};

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What is done.
    pub act: Act,
    /// The same as a sentence.
    pub text: String,
    /// What to mind, and what to do if it is interrupted now; may be empty.
    pub mind: String,
    /// How the decoder may be when it is done.
    pub after: State,
}

/// What is done in a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Something by hand.
    Hand(Job),
    /// A command that gives an address in learn mode.
    Teach {
        /// The address, as it is keyed.
        address: KeyedAddress,
        /// The position, in the standard's sense.
        position: Position,
    },
    /// A CV is written on the layout.
    Write {
        /// The packet.
        packet: Packet,
        /// The CV, by its lower number.
        cv: CvNumber,
        /// The address that it is sent to.
        address: KeyedAddress,
    },
    /// Whether the decoder answers at all on the programming track.
    TestDirect,
    /// A CV is read on the programming track, before anything is written or after.
    Read {
        /// The CV.
        cv: CvNumber,
        /// What it is to hold; what else it holds in other bits does not matter.
        wanted: Option<(u8, u8)>,
        /// Whether it is before.
        before: bool,
    },
    /// A CV is written on the programming track, and verified there.
    Serve {
        /// The CV.
        cv: CvNumber,
        /// What is written.
        operation: CvOperation,
    },
    /// A command that shows what answers.
    Prove(Proof),
}

/// A command that shows what answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proof {
    /// The address, as it is keyed.
    pub address: KeyedAddress,
    /// The position.
    pub position: Position,
    /// The output that is to act; `None` where nothing of the decoder is to.
    pub output: Option<u8>,
    /// What is to be seen.
    pub expect: Expect,
    /// Whether the power was away before.
    pub after_power: bool,
}

/// What is to be seen of a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Expect {
    /// The output acts.
    Acts,
    /// Nothing of the decoder acts.
    Nothing,
    /// Either: a decoder that forgets may have kept its address.
    Either,
}

/// The whole of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Lesson {
    /// Index of the decoder in the plan.
    pub decoder: usize,
    /// How it takes its address.
    pub method: Method,
    /// The address that its first output is to have, as it is keyed.
    pub to: KeyedAddress,
    /// The address that it has, as far as is known.
    pub from: KeyedAddress,
    /// What has to be known before it begins.
    pub notes: Vec<String>,
    /// How the decoder may be before the first step.
    pub before: State,
    /// The steps.
    pub steps: Vec<Step>,
}

impl Lesson {
    /// What it takes to teach that decoder of the plan.
    ///
    /// # Errors
    /// When it would strand a decoder, or can't be done.
    pub fn new(plan: &Plan, decoder: usize, options: &Options) -> Result<Self, Refusal> {
        let Some(board) = plan.decoders.get(decoder) else {
            return Err(Refusal::new(
                "the plan has no such decoder",
                "name one of the plan",
            ));
        };
        let desk = Desk::new(plan, decoder, board, options);
        refuse::check(&desk)?;
        let mut steps = Steps::new(&desk);
        match desk.method {
            Method::FirstCommand => hand::first_command(&desk, &mut steps),
            Method::Switches => hand::switches(&desk, &mut steps)?,
            Method::Main => main_line::write(&desk, &mut steps)?,
            Method::ProgrammingTrack => programming::write(&desk, &mut steps),
        }
        proof::prove(&desk, &mut steps);
        Ok(Self {
            decoder,
            method: desk.method,
            to: desk.to,
            from: desk.from,
            notes: desk.notes(),
            before: desk.before(),
            steps: steps.done(plan, board),
        })
    }

    /// How the decoder may be when that many steps are done and the next, if there is one, may
    /// have been begun.
    pub fn state(&self, done: usize) -> State {
        let before = match done.checked_sub(1) {
            None => &self.before,
            Some(at) => self.steps.get(at).map_or(&self.before, |step| &step.after),
        };
        match self.steps.get(done) {
            Some(next) => before.or(&next.after),
            None => before.clone(),
        }
    }
}

/// What everything is worked out from.
pub(super) struct Desk<'a> {
    plan: &'a Plan,
    board: &'a Decoder,
    options: &'a Options,
    method: Method,
    to: KeyedAddress,
    from: KeyedAddress,
    /// How it holds the address that it has; `None` where both ways hold the same.
    held_by: Option<AddressMethod>,
    /// How it is to hold the one it gets.
    by: AddressMethod,
    /// Who else has a binary address.
    others: BTreeMap<u16, Id>,
}

/// The address of a decoder that left its maker (S-9.2.2, July 2012: CV 1 = 1, CV 9 = 0), and
/// the binary one, which both methods make of it.
const FACTORY: u16 = 4;

impl<'a> Desk<'a> {
    fn new(plan: &'a Plan, index: usize, board: &'a Decoder, options: &'a Options) -> Self {
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

    fn binary(&self, address: KeyedAddress) -> BinaryAddress {
        address.binary(self.plan.layout.numbering)
    }

    fn keyed(&self, address: BinaryAddress) -> KeyedAddress {
        address.keyed(self.plan.layout.numbering)
    }

    /// What the decoder is called, with its place.
    fn name(&self) -> String {
        if self.board.place.is_empty() {
            self.board.id.to_string()
        } else {
            format!("{} ({})", self.board.id, self.board.place)
        }
    }

    /// The keyed address of that output, counted from 0.
    fn address_of(&self, output: u8) -> Option<KeyedAddress> {
        KeyedAddress::new(self.to.get() + u16::from(output)).ok()
    }

    /// The binary addresses of its outputs where the first one has that.
    fn block(&self, first: BinaryAddress) -> impl Iterator<Item = u16> + use<> {
        let first = first.get();
        (first..).take(usize::from(self.board.outputs))
    }

    /// How it holds its address before anything is written.
    fn held(&self) -> Held {
        Held::of(self.binary(self.from), self.held_by.unwrap_or(self.by))
    }

    fn before(&self) -> State {
        let by = match self.method {
            Method::Main | Method::ProgrammingTrack => Some(self.held().by),
            Method::FirstCommand | Method::Switches => None,
        };
        State::at(self.from, by)
    }

    /// The CV by the number that the decoder knows.
    fn number(&self, cv: CvNumber) -> CvNumber {
        if self.board.teaching.older_numbers {
            cv.alias().unwrap_or(cv)
        } else {
            cv
        }
    }

    /// Whom a write on the layout is for.
    fn target(&self, held: Held, first: BinaryAddress) -> CvTarget {
        match (self.board.format, held.by) {
            (PacketFormat::Extended, _) => CvTarget::Extended(first),
            (PacketFormat::Basic, AddressMethod::Decoder) => CvTarget::Decoder(first.decoder()),
            (PacketFormat::Basic, AddressMethod::Output) => CvTarget::pair(first),
        }
    }

    fn packet(&self, target: CvTarget, cv: CvNumber, operation: CvOperation) -> Packet {
        let cv = self.number(cv);
        AccessoryCv {
            target,
            cv,
            operation,
        }
        .emit()
    }

    /// CV 3 to 6 with the counts that make the planned pulse, if they are to be written.
    fn on_times(&self) -> Vec<(CvNumber, u8)> {
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

    fn notes(&self) -> Vec<String> {
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

/// Steps as they are put together.
pub(super) struct Steps {
    steps: Vec<Step>,
    state: State,
}

impl Steps {
    fn new(desk: &Desk<'_>) -> Self {
        Self {
            steps: Vec::new(),
            state: desk.before(),
        }
    }

    /// Adds a step that leaves the decoder as it was.
    fn add(&mut self, act: Act, text: String) {
        self.change(act, text, "", |_| {});
    }

    /// Adds a step after which the decoder is another; `mind` is what to mind while it is done.
    fn change(&mut self, act: Act, text: String, mind: &str, change: impl FnOnce(&mut State)) {
        change(&mut self.state);
        self.steps.push(Step {
            act,
            text,
            mind: mind.to_owned(),
            after: self.state.clone(),
        });
    }

    /// All of them, each with what to do if it is interrupted.
    fn done(self, plan: &Plan, board: &Decoder) -> Vec<Step> {
        let mut steps = self.steps;
        let mut before: Option<State> = None;
        for step in &mut steps {
            let meanwhile = match &before {
                Some(before) => before.or(&step.after),
                None => step.after.clone(),
            };
            before = Some(step.after.clone());
            let then = whereabouts(plan, board, &meanwhile);
            if let Act::Hand(_) = step.act {
                let then = then.join(" ");
                let gap = if step.mind.is_empty() { "" } else { " " };
                step.mind = format!("{}{gap}If you stop here: {then}", step.mind);
            }
        }
        steps
    }
}
