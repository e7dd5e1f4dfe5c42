//! Which events a node produces and consumes, and what they say about its present state.
//!
//! clause: Event Transport S 4.3, 4.6 and 6.

use std::collections::{BTreeMap, BTreeSet};

use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::lcc::{EmergencyKind, EventId, EventRange, Meaning, Mti};

/// Producing or consuming.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// Sends reports of the event.
    Producer,
    /// Acts on reports of the event.
    Consumer,
}

impl Side {
    pub(super) const fn range_mti(self) -> Mti {
        match self {
            Self::Producer => Mti::PRODUCER_RANGE,
            Self::Consumer => Mti::CONSUMER_RANGE,
        }
    }

    pub(super) const fn identified_mti(self, validity: Validity) -> Mti {
        match (self, validity) {
            (Self::Producer, Validity::Valid) => Mti::PRODUCER_VALID,
            (Self::Producer, Validity::Invalid) => Mti::PRODUCER_INVALID,
            (Self::Producer, Validity::Unknown) => Mti::PRODUCER_UNKNOWN,
            (Self::Consumer, Validity::Valid) => Mti::CONSUMER_VALID,
            (Self::Consumer, Validity::Invalid) => Mti::CONSUMER_INVALID,
            (Self::Consumer, Validity::Unknown) => Mti::CONSUMER_UNKNOWN,
        }
    }
}

/// Whether an event describes the present state: as if it had just happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Validity {
    /// It does.
    Valid,
    /// It does not.
    Invalid,
    /// That is not known.
    Unknown,
}

impl Validity {
    fn of(state: Option<bool>) -> Self {
        match state {
            Some(true) => Self::Valid,
            Some(false) => Self::Invalid,
            None => Self::Unknown,
        }
    }
}

/// What a node is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    /// Commands accessories and hears reports.
    Tester,
    /// Hears commands and reports positions.
    Gateway,
}

/// One line of what a node says it produces and consumes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Entry {
    Range(Side, EventRange),
    Event(Side, EventId),
}

/// The twelve bits that tell one half of one pair: A10 to A0, R.
fn half(address: BinaryAddress, pair_bit: PairBit) -> u16 {
    (address.get() << 1) | u16::from(pair_bit.as_u8())
}

/// A node's events and their state.
#[derive(Debug)]
pub(super) struct Duties {
    role: Role,
    /// Halves that are reported. A tester hears them all.
    reporting: BTreeSet<u16>,
    /// Whether a half was last activated or released, as far as this node knows.
    outputs: BTreeMap<u16, bool>,
    /// The data last sent to an address.
    aspects: BTreeMap<u16, u8>,
    /// Whether a half's contact is made.
    contacts: BTreeMap<u16, bool>,
    off: Option<bool>,
    stop: Option<bool>,
}

impl Duties {
    pub(super) fn new(role: Role) -> Self {
        // A command station knows its own state from the start; a tester has yet to hear.
        let emergency = match role {
            Role::Tester => None,
            Role::Gateway => Some(false),
        };
        Self {
            role,
            reporting: BTreeSet::new(),
            outputs: BTreeMap::new(),
            aspects: BTreeMap::new(),
            contacts: BTreeMap::new(),
            off: emergency,
            stop: emergency,
        }
    }

    /// Adds a turnout whose position is reported; `false` if it was one already.
    pub(super) fn report_turnout(&mut self, address: BinaryAddress) -> bool {
        PairBit::ALL
            .map(|pair_bit| self.reporting.insert(half(address, pair_bit)))
            .contains(&true)
    }

    /// The state of an event, if the node produces or consumes it at all.
    pub(super) fn validity(&self, side: Side, event: EventId) -> Option<Validity> {
        use {Role::Gateway, Role::Tester, Side::Consumer, Side::Producer};
        let state = match (event.meaning()?, self.role, side) {
            (Meaning::Basic(basic), Tester, Producer)
            | (Meaning::Basic(basic), Gateway, Consumer) => {
                let active = self.outputs.get(&half(basic.address, basic.pair_bit));
                active.map(|active| *active == basic.activate)
            }
            (Meaning::Extended(extended), Tester, Producer)
            | (Meaning::Extended(extended), Gateway, Consumer) => {
                let data = self.aspects.get(&extended.address.get());
                data.map(|data| *data == extended.data)
            }
            (
                Meaning::Feedback {
                    address,
                    pair_bit,
                    made,
                },
                ..,
            ) => {
                let half = half(address, pair_bit);
                let is_ours = match self.role {
                    Tester => side == Consumer,
                    Gateway => side == Producer && self.reporting.contains(&half),
                };
                if !is_ours {
                    return None;
                }
                self.contacts.get(&half).map(|is_made| *is_made == made)
            }
            (Meaning::Emergency { kind, begins }, Gateway, _)
            | (Meaning::Emergency { kind, begins }, Tester, Consumer) => {
                self.emergency(kind).map(|is_on| is_on == begins)
            }
            (
                Meaning::Basic(_)
                | Meaning::Extended(_)
                | Meaning::Sensor { .. }
                | Meaning::Emergency { .. },
                ..,
            ) => return None,
        };
        Some(Validity::of(state))
    }

    /// Everything the node produces and consumes; the contacts of which the state is known one by
    /// one, so that whoever asks learns how the turnouts lie.
    ///
    /// clause: Event Transport S 6.2.
    pub(super) fn entries(&self) -> Vec<Entry> {
        let commands = [
            Meaning::activations(),
            Meaning::releases(),
            Meaning::extended(),
        ];
        let emergencies = EmergencyKind::ALL.into_iter().flat_map(|kind| {
            [true, false].map(|begins| EventId::from(Meaning::Emergency { kind, begins }))
        });
        let mut entries = Vec::new();
        match self.role {
            Role::Tester => {
                entries.extend(commands.map(|range| Entry::Range(Side::Producer, range)));
                let heard = [Meaning::contacts_made(), Meaning::contacts_broken()];
                entries.extend(heard.map(|range| Entry::Range(Side::Consumer, range)));
                entries.extend(emergencies.map(|event| Entry::Event(Side::Consumer, event)));
            }
            Role::Gateway => {
                entries.extend(commands.map(|range| Entry::Range(Side::Consumer, range)));
                for event in emergencies {
                    entries.push(Entry::Event(Side::Consumer, event));
                    entries.push(Entry::Event(Side::Producer, event));
                }
                self.contact_entries(&mut entries);
            }
        }
        entries
    }

    fn contact_entries(&self, entries: &mut Vec<Entry>) {
        for (first, bits) in blocks(&self.reporting) {
            for all in [Meaning::contacts_made(), Meaning::contacts_broken()] {
                let event = EventId::new(all.first().get() | u64::from(first));
                // Both halves of a turnout are reported, so no block is a single event.
                if let Ok(range) = EventRange::new(event, bits) {
                    entries.push(Entry::Range(Side::Producer, range));
                }
            }
        }
        for (half, made) in &self.contacts {
            if self.reporting.contains(half) {
                let all = if *made {
                    Meaning::contacts_made()
                } else {
                    Meaning::contacts_broken()
                };
                let event = EventId::new(all.first().get() | u64::from(*half));
                entries.push(Entry::Event(Side::Producer, event));
            }
        }
    }

    /// Takes note that an event happened, here or elsewhere; `false` if nothing is different now.
    pub(super) fn happened(&mut self, meaning: Meaning) -> bool {
        match meaning {
            Meaning::Basic(basic) => {
                let half = half(basic.address, basic.pair_bit);
                self.outputs.insert(half, basic.activate) != Some(basic.activate)
            }
            Meaning::Extended(extended) => {
                self.aspects.insert(extended.address.get(), extended.data) != Some(extended.data)
            }
            Meaning::Feedback {
                address,
                pair_bit,
                made,
            } => self.contacts.insert(half(address, pair_bit), made) != Some(made),
            Meaning::Emergency { kind, begins } => {
                let state = match kind {
                    EmergencyKind::Off => &mut self.off,
                    EmergencyKind::Stop => &mut self.stop,
                };
                let before = state.replace(begins);
                // An end of what nobody heard begin is nothing new.
                before.unwrap_or(false) != begins
            }
            Meaning::Sensor { .. } => false,
        }
    }

    /// Is there such an emergency, as far as is known?
    pub(super) const fn emergency(&self, kind: EmergencyKind) -> Option<bool> {
        match kind {
            EmergencyKind::Off => self.off,
            EmergencyKind::Stop => self.stop,
        }
    }

    pub(super) const fn role(&self) -> Role {
        self.role
    }

    /// May events of this meaning, heard from another node, change this node's state?
    pub(super) fn consumes(&self, meaning: Meaning) -> bool {
        match (meaning, self.role) {
            (Meaning::Basic(_) | Meaning::Extended(_), Role::Gateway)
            | (Meaning::Feedback { .. }, Role::Tester)
            | (Meaning::Emergency { .. }, _) => true,
            (Meaning::Basic(_) | Meaning::Extended(_), Role::Tester)
            | (Meaning::Feedback { .. }, Role::Gateway)
            | (Meaning::Sensor { .. }, _) => false,
        }
    }
}

/// The fewest aligned blocks, each a power of two long, that hold these numbers and no others.
fn blocks(numbers: &BTreeSet<u16>) -> Vec<(u16, u8)> {
    let mut blocks = Vec::new();
    let mut from = 0;
    while let Some(&first) = numbers.range(from..).next() {
        let mut bits = 0;
        while bits < 12 {
            let size = 1_u16 << (bits + 1);
            let is_aligned = first & (size - 1) == 0;
            let len = usize::from(size);
            if !is_aligned || numbers.range(first..first + size).count() != len {
                break;
            }
            bits += 1;
        }
        blocks.push((first, bits));
        from = first + (1 << bits);
    }
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn blocks_hold_the_numbers_and_no_others(
            numbers in prop::collection::btree_set(0..4096_u16, 0..300)
        ) {
            let mut held = BTreeSet::new();
            for (first, bits) in blocks(&numbers) {
                prop_assert_eq!(first % (1 << bits), 0);
                for number in first..first + (1 << bits) {
                    prop_assert!(held.insert(number));
                }
            }
            prop_assert_eq!(held, numbers);
        }
    }

    #[test]
    fn all_numbers_are_one_block() {
        assert_eq!(blocks(&(0..4096).collect()), [(0, 12)]);
        assert_eq!(blocks(&(8..24).collect()), [(8, 3), (16, 3)]);
        assert_eq!(blocks(&BTreeSet::new()), []);
    }

    #[test]
    fn announced_and_answered_are_the_same() {
        // clause: Event Transport S 4.4 and 4.7: no range holds an event that is not ours.
        for role in [Role::Tester, Role::Gateway] {
            let mut duties = Duties::new(role);
            for number in [4, 5, 6, 7, 100, 2047] {
                assert!(duties.report_turnout(BinaryAddress::new(number).unwrap()));
                assert!(!duties.report_turnout(BinaryAddress::new(number).unwrap()));
            }
            for entry in duties.entries() {
                match entry {
                    Entry::Event(side, event) => assert!(duties.validity(side, event).is_some()),
                    Entry::Range(side, range) => {
                        for number in range.first().get()..=range.last().get() {
                            let event = EventId::new(number);
                            assert!(duties.validity(side, event).is_some(), "{event}");
                        }
                    }
                }
            }
        }
    }
}
