//! From what a message was filled with back to the command.

use std::collections::HashMap;

use throwproof_protocol::address::{KeyedAddress, PairBit};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::Profile;
use super::command::{self, Command, MessageKind};
use super::template::{Filled, Template};
use super::value::Value;

/// What makes one command of a kind different from another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Unknown {
    Address,
    Side,
    Aspect,
    Cv,
    Data,
}

/// Largest table that is made: every address with every aspect.
const LARGEST: usize = 1 << 19;

impl Unknown {
    pub(super) fn of(kind: MessageKind) -> &'static [Self] {
        match kind {
            MessageKind::Throw | MessageKind::Release => &[Self::Address, Self::Side],
            MessageKind::Aspect => &[Self::Address, Self::Aspect],
            MessageKind::CvWrite => &[Self::Address, Self::Cv, Self::Data],
            MessageKind::CvRead => &[Self::Address, Self::Cv],
            MessageKind::ServiceWrite => &[Self::Cv, Self::Data],
            MessageKind::ServiceRead => &[Self::Cv],
            MessageKind::Packet
            | MessageKind::PowerOn
            | MessageKind::PowerOff
            | MessageKind::Start
            | MessageKind::Keepalive => &[],
        }
    }

    /// What it is called.
    pub(super) const fn called(self) -> &'static str {
        match self {
            Self::Address => "the address",
            Self::Side => "the position",
            Self::Aspect => "the aspect",
            Self::Cv => "the number of the CV",
            Self::Data => "the value",
        }
    }

    /// A place that would tell it.
    pub(super) const fn place(self) -> &'static str {
        match self {
            Self::Address => "keyed",
            Self::Side => "position",
            Self::Aspect => "aspect",
            Self::Cv => "cv",
            Self::Data => "value",
        }
    }

    fn of_value(value: Value) -> Option<Self> {
        match value {
            Value::Keyed | Value::Binary | Value::Decoder | Value::Pair | Value::Output => {
                Some(Self::Address)
            }
            Value::PairBit | Value::Position => Some(Self::Side),
            Value::Aspect => Some(Self::Aspect),
            Value::Cv => Some(Self::Cv),
            Value::Data => Some(Self::Data),
            Value::Activate | Value::PacketLength | Value::BodyLength => None,
        }
    }

    const fn count(self) -> usize {
        match self {
            Self::Address => 2048,
            Self::Side => 2,
            Self::Aspect | Self::Data => 256,
            Self::Cv => 1024,
        }
    }
}

/// One value for each unknown, by its place in the order.
#[derive(Debug, Clone, Copy, Default)]
struct Choice {
    address: usize,
    side: usize,
    aspect: usize,
    cv: usize,
    data: usize,
}

impl Choice {
    fn set(&mut self, unknown: Unknown, index: usize) {
        *match unknown {
            Unknown::Address => &mut self.address,
            Unknown::Side => &mut self.side,
            Unknown::Aspect => &mut self.aspect,
            Unknown::Cv => &mut self.cv,
            Unknown::Data => &mut self.data,
        } = index;
    }

    /// The command of a kind; `None` where there is none, as for a whole decoder at the address
    /// of its second pair.
    fn command(self, profile: &Profile, kind: MessageKind) -> Option<Command> {
        let keyed = KeyedAddress::new(u16::try_from(self.address + 1).ok()?).ok()?;
        let address = keyed.binary(profile.numbering);
        let cv = CvNumber::new(u16::try_from(self.cv + 1).ok()?).ok()?;
        let value = u8::try_from(self.data).ok()?;
        let side = PairBit::from_bit(self.side == 1);
        Some(match kind {
            MessageKind::Throw => BasicAccessory::new(address, side, true).into(),
            MessageKind::Release => BasicAccessory::new(address, side, false).into(),
            MessageKind::Aspect => {
                ExtendedAccessory::new(address, u8::try_from(self.aspect).ok()?).into()
            }
            MessageKind::CvWrite => {
                let target = profile.reach.target(address)?;
                let operation = CvOperation::WriteByte(value);
                let access = AccessoryCv {
                    target,
                    cv,
                    operation,
                };
                Command::Packet(access.emit())
            }
            MessageKind::CvRead => {
                let target = profile.reach.target(address)?;
                Command::CvRead { target, cv }
            }
            MessageKind::ServiceWrite => Command::ServiceWrite { cv, value },
            MessageKind::ServiceRead => Command::ServiceRead { cv },
            MessageKind::PowerOn => Command::Power(true),
            MessageKind::PowerOff => Command::Power(false),
            MessageKind::Packet | MessageKind::Start | MessageKind::Keepalive => return None,
        })
    }
}

/// How the numbers of a message tell the command.
#[derive(Debug, Clone)]
pub(super) struct Inverse {
    kind: MessageKind,
    how: How,
}

#[derive(Debug, Clone)]
enum How {
    /// The packet is in it.
    Packet,
    /// Numbers that share no unknown tell theirs apart from one another.
    Tables(Vec<Table>),
    /// Too many numbers together.
    TooLarge,
}

/// Numbers of a message that are made of the same unknowns, and what each row of them means.
#[derive(Debug, Clone)]
struct Table {
    unknowns: Vec<Unknown>,
    numbers: Vec<usize>,
    rows: HashMap<Box<[i64]>, u32>,
}

/// Why a message does not tell one command from another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ambiguous {
    /// It says nothing of this.
    Missing(Unknown),
    /// Two commands make the same message.
    Same(Box<[Command; 2]>),
    /// It can carry nothing at all.
    Nothing,
}

impl Inverse {
    /// How to read the messages of a kind.
    pub(super) fn of(
        profile: &Profile,
        kind: MessageKind,
        template: &Template,
    ) -> Result<Self, Ambiguous> {
        if template.has_packet() {
            let how = How::Packet;
            return Ok(Self { kind, how });
        }
        let mut tables = groups(template);
        for unknown in Unknown::of(kind) {
            if !tables.iter().any(|table| table.unknowns.contains(unknown)) {
                return Err(Ambiguous::Missing(*unknown));
            }
        }
        let mut how = None;
        for table in &mut tables {
            if table.size() > LARGEST {
                how = Some(How::TooLarge);
            } else {
                table.fill(profile, kind, template)?;
            }
        }
        let how = how.unwrap_or(How::Tables(tables));
        Ok(Self { kind, how })
    }

    /// Can messages be read at all?
    pub(super) fn is_possible(&self) -> bool {
        !matches!(self.how, How::TooLarge)
    }

    /// The command that a message was filled from. It may still not be what makes this message.
    pub(super) fn command(&self, profile: &Profile, filled: &Filled) -> Option<Command> {
        match &self.how {
            How::TooLarge => None,
            How::Packet => {
                let (body, bytes) = filled.packet.as_ref()?;
                let packet = if *body {
                    Packet::from_body(bytes)
                } else {
                    Packet::parse(bytes)
                };
                packet.ok().map(Command::Packet)
            }
            How::Tables(tables) => {
                let mut choice = Choice::default();
                for table in tables {
                    table.look_up(&filled.numbers, &mut choice)?;
                }
                choice.command(profile, self.kind)
            }
        }
    }
}

/// The numbers of a template by the unknowns they share.
fn groups(template: &Template) -> Vec<Table> {
    let mut tables: Vec<Table> = Vec::new();
    for (number, values) in template.ingredients().into_iter().enumerate() {
        let mut joined = Table {
            unknowns: Vec::new(),
            numbers: vec![number],
            rows: HashMap::new(),
        };
        for unknown in values.into_iter().filter_map(Unknown::of_value) {
            if !joined.unknowns.contains(&unknown) {
                joined.unknowns.push(unknown);
            }
        }
        if joined.unknowns.is_empty() {
            continue;
        }
        let (touched, apart) = tables.into_iter().partition(|table: &Table| {
            let mut unknowns = table.unknowns.iter();
            unknowns.any(|unknown| joined.unknowns.contains(unknown))
        });
        tables = apart;
        for table in touched {
            joined.numbers.extend(table.numbers);
            for unknown in table.unknowns {
                if !joined.unknowns.contains(&unknown) {
                    joined.unknowns.push(unknown);
                }
            }
        }
        joined.numbers.sort_unstable();
        tables.push(joined);
    }
    tables
}

impl Table {
    fn size(&self) -> usize {
        self.unknowns
            .iter()
            .map(|unknown| unknown.count())
            .product()
    }

    fn choose(&self, mut index: usize, choice: &mut Choice) {
        for unknown in &self.unknowns {
            choice.set(*unknown, index % unknown.count());
            index /= unknown.count();
        }
    }

    fn fill(
        &mut self,
        profile: &Profile,
        kind: MessageKind,
        template: &Template,
    ) -> Result<(), Ambiguous> {
        for index in 0..self.size() {
            let mut choice = Choice::default();
            self.choose(index, &mut choice);
            let Some(command) = choice.command(profile, kind) else {
                continue;
            };
            let facts = command::facts(profile, &command);
            let mut numbers = template.numbers(&facts).into_iter().enumerate();
            let row: Result<Vec<_>, _> = numbers
                .by_ref()
                .filter(|(number, _)| self.numbers.contains(number))
                .map(|(_, number)| number)
                .collect();
            let (Ok(row), Ok(index)) = (row, u32::try_from(index)) else {
                continue;
            };
            if let Some(other) = self.rows.insert(row.into(), index) {
                let mut choice = Choice::default();
                self.choose(usize::try_from(other).unwrap_or_default(), &mut choice);
                let first = choice.command(profile, kind).unwrap_or(command);
                return Err(Ambiguous::Same(Box::new([first, command])));
            }
        }
        if self.rows.is_empty() {
            return Err(Ambiguous::Nothing);
        }
        Ok(())
    }

    fn look_up(&self, numbers: &[i64], choice: &mut Choice) -> Option<()> {
        let row: Option<Box<[i64]>> = self
            .numbers
            .iter()
            .map(|number| numbers.get(*number).copied())
            .collect();
        let index = self.rows.get(&row?)?;
        self.choose(usize::try_from(*index).ok()?, choice);
        Some(())
    }
}
