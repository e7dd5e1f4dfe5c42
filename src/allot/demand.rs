//! What wants an output, and what kind of output.

use crate::plan::draft::{Draft, DraftSignal, DraftTurnout};
use crate::plan::{Drive, Id, OutputKind, PacketFormat, Shape, SignalKind};

use super::Left;

/// What an output must be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct Class {
    /// What it does; `None` where any will do, as for a signal whose decoder knows its aspects.
    pub(super) kind: Option<OutputKind>,
    /// The packets that its decoder obeys.
    pub(super) format: PacketFormat,
}

impl Class {
    /// The kind of a decoder that is added for it.
    pub(super) fn kind_to_add(self) -> OutputKind {
        self.kind.unwrap_or(OutputKind::Steady)
    }
}

/// A turnout or signal of a demand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Member {
    /// Its number among all turnouts and then all signals.
    pub(super) thing: usize,
    /// How far its first output is from the first of the demand.
    pub(super) offset: u8,
    /// How many outputs it takes.
    pub(super) width: u8,
}

/// One or more things that want outputs side by side, or the same one.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Demand {
    pub(super) members: Vec<Member>,
    /// How many outputs side by side.
    pub(super) width: u8,
    /// Its place, by number along the layout.
    pub(super) place: u16,
    pub(super) class: Class,
    /// What an output carries, milliamperes, as far as the plan says.
    pub(super) peak: u32,
    /// What it draws all the time, milliamperes, as far as the plan says.
    pub(super) steady: u32,
    /// Where the file has it.
    pub(super) order: usize,
}

/// A turnout or signal, as far as this goes.
#[derive(Debug, Clone)]
pub(super) struct Entry<'a> {
    pub(super) thing: usize,
    pub(super) id: &'a Id,
    pub(super) place: &'a str,
    pub(super) order: usize,
    missing: bool,
    shares: bool,
    class: Class,
    width: u8,
    shape: Option<Shape>,
    pub(super) peak: u32,
    pub(super) steady: u32,
}

/// Every turnout and signal in the order of the file, and the places along the layout: that order
/// too.
#[derive(Debug)]
pub(super) struct Line<'a> {
    pub(super) entries: Vec<Entry<'a>>,
    pub(super) places: Vec<&'a str>,
}

/// Milliamperes.
pub(super) fn milliamperes(amps: f64) -> u32 {
    let milli = (amps * 1000.0).ceil().clamp(0.0, 1.0e9);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "it is within range"
    )]
    let whole = milli as u32;
    whole
}

/// What a servo draws at rest, amperes (common practice, no source: 5 to 15 mA).
const SERVO_AT_REST: f64 = 0.015;

fn turnout(thing: usize, turnout: &DraftTurnout) -> Entry<'_> {
    let kind = match turnout.drive {
        Drive::TwinCoil => OutputKind::Pulse,
        Drive::StallMotor => OutputKind::StallMotor,
        Drive::Servo => OutputKind::Servo,
        Drive::MemoryWire => OutputKind::Steady,
    };
    let drives = f64::from(turnout.drives);
    let amps = turnout.amps.map_or(0.0, |amps| amps * drives);
    let steady = match turnout.drive {
        Drive::TwinCoil => 0.0,
        Drive::StallMotor | Drive::MemoryWire => amps,
        Drive::Servo => SERVO_AT_REST * drives,
    };
    let further = turnout
        .joint
        .as_ref()
        .map_or(0, |joint| joint.further.len());
    let further = u8::try_from(further).unwrap_or(u8::MAX - 1);
    Entry {
        thing,
        id: &turnout.id.value,
        place: turnout.place.trim(),
        order: turnout.span.start,
        missing: turnout.wiring.is_missing(),
        shares: turnout.shares_address,
        class: Class {
            kind: Some(kind),
            format: turnout.format,
        },
        width: further + 1,
        shape: Some(turnout.shape),
        peak: milliamperes(amps),
        steady: milliamperes(steady * f64::from(further + 1)),
    }
}

fn signal(thing: usize, signal: &DraftSignal) -> Entry<'_> {
    let class = match signal.kind {
        SignalKind::Extended => Class {
            kind: None,
            format: PacketFormat::Extended,
        },
        SignalKind::Pairs => Class {
            kind: Some(OutputKind::Steady),
            format: PacketFormat::Basic,
        },
    };
    Entry {
        thing,
        id: &signal.id.value,
        place: signal.place.trim(),
        order: signal.span.start,
        missing: signal.wiring.is_missing(),
        shares: signal.shares_address,
        class,
        width: signal.addresses(),
        shape: None,
        // Lamps draw little, and the plan does not say what.
        peak: 0,
        steady: 0,
    }
}

impl<'a> Line<'a> {
    pub(super) fn of(draft: &'a Draft) -> Self {
        let turnouts = draft.turnouts.iter().enumerate();
        let turnouts = turnouts.map(|(index, one)| turnout(index, one));
        let behind = draft.turnouts.len();
        let signals = draft.signals.iter().enumerate();
        let signals = signals.map(|(index, one)| signal(behind + index, one));
        let mut entries: Vec<_> = turnouts.chain(signals).collect();
        entries.sort_by_key(|entry| entry.order);
        let mut places: Vec<&str> = Vec::new();
        for entry in &entries {
            if !places.contains(&entry.place) {
                places.push(entry.place);
            }
        }
        Self { entries, places }
    }

    /// The number of a place along the layout.
    pub(super) fn place(&self, name: &str) -> Option<u16> {
        let name = name.trim();
        let found = self.places.iter().position(|place| *place == name);
        found.and_then(|place| u16::try_from(place).ok())
    }

    /// What wants outputs, in the order of the file, and what can't say which.
    pub(super) fn demands(&self) -> (Vec<Demand>, Vec<Left>) {
        let (mut demands, mut left) = (Vec::new(), Vec::new());
        let mut missing = self.entries.iter().filter(|entry| entry.missing).peekable();
        while let Some(entry) = missing.next() {
            let mut demand = Demand {
                members: vec![Member {
                    thing: entry.thing,
                    offset: 0,
                    width: entry.width,
                }],
                width: entry.width,
                place: self.place(entry.place).unwrap_or(0),
                class: entry.class,
                peak: entry.peak,
                steady: entry.steady,
                order: entry.order,
            };
            let next = missing.peek().copied();
            let next = next.filter(|next| next.place == entry.place && next.class == entry.class);
            if entry.shares {
                let Some(other) = next.filter(|next| next.shares && next.width == entry.width)
                else {
                    left.push(alone(entry));
                    continue;
                };
                demand.members.push(Member {
                    thing: other.thing,
                    offset: 0,
                    width: other.width,
                });
                demand.peak += other.peak;
                demand.steady += other.steady;
                missing.next();
            } else if let Some(other) = next.filter(|next| two_drives(entry, next)) {
                demand.members.push(Member {
                    thing: other.thing,
                    offset: entry.width,
                    width: other.width,
                });
                demand.width += other.width;
                demand.peak = demand.peak.max(other.peak);
                demand.steady += other.steady;
                missing.next();
            }
            demands.push(demand);
        }
        (demands, left)
    }
}

/// Whether two entries are the two drives of one three-way turnout or slip: they say the same and
/// their ids differ in the last letter.
fn two_drives(entry: &Entry<'_>, other: &Entry<'_>) -> bool {
    let several = matches!(
        entry.shape,
        Some(Shape::ThreeWay | Shape::SingleSlip | Shape::DoubleSlip)
    );
    let stem = |entry: &Entry<'_>| {
        let mut letters = entry.id.as_str().chars();
        let last = letters.next_back().filter(|last| last.is_alphabetic());
        last.map(|_| letters.as_str().to_owned())
            .filter(|stem| !stem.is_empty())
    };
    let stem_of_first = stem(entry);
    several
        && entry.shape == other.shape
        && !other.shares
        && entry.width == 1
        && other.width == 1
        && stem_of_first.is_some()
        && stem_of_first == stem(other)
}

fn alone(entry: &Entry<'_>) -> Left {
    Left {
        id: entry.id.clone(),
        reason: "it shares its address, and the plan does not say with which".to_owned(),
        mend: "give it the address of the other, or put the two, both without one, behind each \
               other at the same place"
            .to_owned(),
    }
}
