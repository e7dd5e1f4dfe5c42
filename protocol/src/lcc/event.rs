//! Events, and those that stand for accessory commands.
//!
//! ```text
//! 01.01.02.00.00.FF.0h.ll   activate one half of a pair of outputs
//! 01.01.02.00.00.FE.0h.ll   release it
//! 01.01.02.00.00.FD.0h.ll   turnout feedback: this half's contact is made
//! 01.01.02.00.00.FC.0h.ll   turnout feedback: this half's contact is not made
//! 01.01.02.00.00.FB.0h.ll   sensor on        01.01.02.00.00.FA.0h.ll   sensor off
//!                   hll     A10 ... A0 R, not inverted
//! 01.01.02.00.01.0a.aa.dd   extended: A10 ... A0, then the data byte
//! 01.00.00.00.00.00.FF.xx   FF, FE emergency off and its end; FD, FC emergency stop and its end
//! ```
//!
//! clause: Event Identifiers S 5.2 and 5.3, TN 2.5.3.3 and 2.5.3.6.

use core::fmt;
use core::str::FromStr;

use super::node_id::hex_byte;
use super::range::EventRange;
use crate::address::{BinaryAddress, PairBit};
use crate::instruction::{BasicAccessory, ExtendedAccessory};

/// Text that is no event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum EventIdError {
    /// Not eight bytes.
    #[error(
        "an event has eight bytes, not {found}: write two hexadecimal digits for each, with full \
         stops between, such as 01.01.02.00.00.FF.00.09"
    )]
    Bytes {
        /// How many there were.
        found: usize,
    },
    /// A byte that is not two hexadecimal digits.
    #[error(
        "byte {place} of the event is not two hexadecimal digits: write it such as \
         01.01.02.00.00.FF.00.09"
    )]
    Byte {
        /// Which byte, from 1.
        place: usize,
    },
}

/// An event: 64 bits.
///
/// clause: Event Identifiers S 4: eight bytes, most significant first on the wire and on paper.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EventId(u64);

impl EventId {
    /// Another node has this one's node id.
    pub const DUPLICATE_NODE_ID: Self = Self(0x0101_0000_0000_0201);

    /// From the number.
    pub const fn new(number: u64) -> Self {
        Self(number)
    }

    /// The number.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// The eight bytes, most significant first.
    pub const fn to_bytes(self) -> [u8; 8] {
        self.0.to_be_bytes()
    }

    /// Do gateways pass it on without being asked to?
    ///
    /// clause: Event Identifiers S 5.2: 01.00.
    pub const fn is_automatically_routed(self) -> bool {
        self.0 >> 48 == 0x0100
    }

    /// What the event stands for, if it is one of those this crate knows.
    pub const fn meaning(self) -> Option<Meaning> {
        let [.., sixth, seventh, eighth] = self.to_bytes();
        let number = u16::from_be_bytes([seventh, eighth]);
        if self.0 >> 24 == EXTENDED && sixth <= 0x07 {
            return Some(Meaning::Extended(ExtendedAccessory::new(
                BinaryAddress::from_low_bits(u16::from_be_bytes([sixth, seventh])),
                eighth,
            )));
        }
        if self.0 >> 24 == BASIC && number <= 0x0fff {
            let address = BinaryAddress::from_low_bits(number >> 1);
            let pair_bit = PairBit::from_bit(number & 1 == 1);
            return match sixth {
                0xff => Some(Meaning::Basic(BasicAccessory::new(address, pair_bit, true))),
                0xfe => Some(Meaning::Basic(BasicAccessory::new(
                    address, pair_bit, false,
                ))),
                0xfd | 0xfc => Some(Meaning::Feedback {
                    address,
                    pair_bit,
                    made: sixth == 0xfd,
                }),
                0xfb | 0xfa => Some(Meaning::Sensor {
                    number,
                    on: sixth == 0xfb,
                }),
                _ => None,
            };
        }
        match self.0 {
            OFF => Some(Meaning::emergency(EmergencyKind::Off, true)),
            OFF_END => Some(Meaning::emergency(EmergencyKind::Off, false)),
            STOP => Some(Meaning::emergency(EmergencyKind::Stop, true)),
            STOP_END => Some(Meaning::emergency(EmergencyKind::Stop, false)),
            _ => None,
        }
    }
}

/// The five upper bytes of basic accessory events.
const BASIC: u64 = 0x01_0102_0000;
/// The five upper bytes of extended accessory events.
const EXTENDED: u64 = 0x01_0102_0001;
const OFF: u64 = 0x0100_0000_0000_ffff;
const OFF_END: u64 = 0x0100_0000_0000_fffe;
const STOP: u64 = 0x0100_0000_0000_fffd;
const STOP_END: u64 = 0x0100_0000_0000_fffc;

/// The two kinds of emergency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EmergencyKind {
    /// Outputs lose their power.
    Off,
    /// Outputs go to a safe state.
    Stop,
}

impl EmergencyKind {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Off, Self::Stop];
}

impl fmt::Display for EmergencyKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Off => "emergency off",
            Self::Stop => "emergency stop",
        })
    }
}

/// What an event stands for.
///
/// ```
/// use throwproof_protocol::lcc::{EventId, Meaning};
/// use throwproof_protocol::{BinaryAddress, ExtendedAccessory};
///
/// // derived from Event Identifiers TN 2.5.3.6: keyed 1 is binary 4.
/// let command = ExtendedAccessory::new(BinaryAddress::new(4)?, 5);
/// let event = EventId::from(Meaning::Extended(command));
/// assert_eq!(event.to_string(), "01.01.02.00.01.00.04.05");
/// assert_eq!(event.meaning(), Some(Meaning::Extended(command)));
/// # Ok::<(), throwproof_protocol::AddressError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Meaning {
    /// Activate or release one half of a pair of outputs.
    Basic(BasicAccessory),
    /// The contact of one half of a pair was made or broken.
    Feedback {
        /// The pair.
        address: BinaryAddress,
        /// Which half.
        pair_bit: PairBit,
        /// Made, or broken.
        made: bool,
    },
    /// A sensor of the command station.
    Sensor {
        /// 12 bits.
        number: u16,
        /// On, or off.
        on: bool,
    },
    /// Eight bits of data to one address.
    Extended(ExtendedAccessory),
    /// An emergency begins or ends.
    Emergency {
        /// Which.
        kind: EmergencyKind,
        /// Begins, or ends.
        begins: bool,
    },
}

impl Meaning {
    const fn emergency(kind: EmergencyKind, begins: bool) -> Self {
        Self::Emergency { kind, begins }
    }

    /// All events that activate.
    pub fn activations() -> EventRange {
        basic_range(0xff, 12)
    }

    /// All events that release.
    pub fn releases() -> EventRange {
        basic_range(0xfe, 12)
    }

    /// All events of made contacts.
    pub fn contacts_made() -> EventRange {
        basic_range(0xfd, 12)
    }

    /// All events of broken contacts.
    pub fn contacts_broken() -> EventRange {
        basic_range(0xfc, 12)
    }

    /// All extended events.
    pub fn extended() -> EventRange {
        // The low run of ones ends at bit 19.
        EventRange::parse(EventId((EXTENDED << 24) | 0x07_ffff))
    }

    /// The event that undoes it: release for activate, end for begin; none for extended.
    pub const fn opposite(self) -> Option<Self> {
        match self {
            Self::Basic(basic) => Some(Self::Basic(BasicAccessory::new(
                basic.address,
                basic.pair_bit,
                !basic.activate,
            ))),
            Self::Feedback {
                address,
                pair_bit,
                made,
            } => Some(Self::Feedback {
                address,
                pair_bit,
                made: !made,
            }),
            Self::Sensor { number, on } => Some(Self::Sensor { number, on: !on }),
            Self::Emergency { kind, begins } => Some(Self::emergency(kind, !begins)),
            Self::Extended(_) => None,
        }
    }
}

fn basic_range(sixth: u8, bits: u8) -> EventRange {
    // The bit above the low twelve is zero, so twelve ones are a range of twelve bits.
    let ones = !(u64::MAX << bits);
    EventRange::parse(EventId((BASIC << 24) | (u64::from(sixth) << 16) | ones))
}

fn basic_event(sixth: u8, number: u16) -> EventId {
    EventId((BASIC << 24) | (u64::from(sixth) << 16) | u64::from(number & 0xfff))
}

/// A10 to A0 and R as the twelve bits of an event.
fn half(address: BinaryAddress, pair_bit: PairBit) -> u16 {
    (address.get() << 1) | u16::from(pair_bit.as_u8())
}

impl From<Meaning> for EventId {
    fn from(meaning: Meaning) -> Self {
        match meaning {
            Meaning::Basic(basic) => basic_event(
                if basic.activate { 0xff } else { 0xfe },
                half(basic.address, basic.pair_bit),
            ),
            Meaning::Feedback {
                address,
                pair_bit,
                made,
            } => basic_event(if made { 0xfd } else { 0xfc }, half(address, pair_bit)),
            Meaning::Sensor { number, on } => basic_event(if on { 0xfb } else { 0xfa }, number),
            Meaning::Extended(extended) => Self(
                (EXTENDED << 24)
                    | (u64::from(extended.address.get()) << 8)
                    | u64::from(extended.data),
            ),
            Meaning::Emergency { kind, begins } => Self(match (kind, begins) {
                (EmergencyKind::Off, true) => OFF,
                (EmergencyKind::Off, false) => OFF_END,
                (EmergencyKind::Stop, true) => STOP,
                (EmergencyKind::Stop, false) => STOP_END,
            }),
        }
    }
}

impl From<[u8; 8]> for EventId {
    fn from(bytes: [u8; 8]) -> Self {
        Self(u64::from_be_bytes(bytes))
    }
}

impl fmt::Display for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [first, rest @ ..] = self.to_bytes();
        write!(f, "{first:02X}")?;
        rest.iter().try_for_each(|byte| write!(f, ".{byte:02X}"))
    }
}

impl fmt::Debug for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "EventId({self})")
    }
}

impl FromStr for EventId {
    type Err = EventIdError;

    fn from_str(text: &str) -> Result<Self, EventIdError> {
        let mut bytes = [0; 8];
        let found = text.split('.').count();
        if found != bytes.len() {
            return Err(EventIdError::Bytes { found });
        }
        for ((to, part), place) in bytes.iter_mut().zip(text.split('.')).zip(1..) {
            *to = hex_byte(part).ok_or(EventIdError::Byte { place })?;
        }
        Ok(Self::from(bytes))
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::string::ToString;

    #[test]
    fn every_command_has_its_event_and_back() {
        for address in BinaryAddress::all() {
            for pair_bit in PairBit::ALL {
                for on in [true, false] {
                    for meaning in [
                        Meaning::Basic(BasicAccessory::new(address, pair_bit, on)),
                        Meaning::Feedback {
                            address,
                            pair_bit,
                            made: on,
                        },
                        Meaning::Sensor {
                            number: half(address, pair_bit),
                            on,
                        },
                    ] {
                        assert_eq!(EventId::from(meaning).meaning(), Some(meaning));
                        let opposite = meaning.opposite().unwrap();
                        assert_eq!(opposite.opposite(), Some(meaning));
                    }
                }
            }
            for data in 0..=255 {
                let meaning = Meaning::Extended(ExtendedAccessory::new(address, data));
                assert_eq!(EventId::from(meaning).meaning(), Some(meaning));
                assert!(Meaning::extended().contains(meaning.into()));
            }
        }
        for kind in EmergencyKind::ALL {
            for begins in [true, false] {
                let meaning = Meaning::Emergency { kind, begins };
                assert_eq!(EventId::from(meaning).meaning(), Some(meaning));
                assert!(EventId::from(meaning).is_automatically_routed());
            }
        }
    }

    #[test]
    fn ranges_are_those_derived_from_the_standard() {
        // derived: Event Identifiers S 5.3 and Event Transport S 4.
        for (range, number) in [
            (Meaning::activations(), "01.01.02.00.00.FF.0F.FF"),
            (Meaning::releases(), "01.01.02.00.00.FE.0F.FF"),
            (Meaning::contacts_made(), "01.01.02.00.00.FD.0F.FF"),
            (Meaning::contacts_broken(), "01.01.02.00.00.FC.0F.FF"),
            (Meaning::extended(), "01.01.02.00.01.07.FF.FF"),
        ] {
            assert_eq!(range.emit().to_string(), number);
        }
        assert_eq!(Meaning::activations().bits(), 12);
        assert_eq!(Meaning::extended().bits(), 19);
    }

    #[test]
    fn emergencies_are_those_of_the_standard() {
        // clause: Event Identifiers S 5.2.
        for (kind, begins, text) in [
            (EmergencyKind::Off, true, "01.00.00.00.00.00.FF.FF"),
            (EmergencyKind::Off, false, "01.00.00.00.00.00.FF.FE"),
            (EmergencyKind::Stop, true, "01.00.00.00.00.00.FF.FD"),
            (EmergencyKind::Stop, false, "01.00.00.00.00.00.FF.FC"),
        ] {
            let event: EventId = text.parse().unwrap();
            assert_eq!(event.meaning(), Some(Meaning::Emergency { kind, begins }));
        }
    }

    proptest! {
        #[test]
        fn a_meaning_gives_the_event_it_was_read_from(
            low in 0..0x0200_0000_u64, upper in prop::sample::select(&[BASIC, EXTENDED, OFF >> 24])
        ) {
            let event = EventId((upper << 24) ^ low);
            if let Some(meaning) = event.meaning() {
                prop_assert_eq!(EventId::from(meaning), event);
            }
            prop_assert_eq!(event.to_string().parse(), Ok(event));
        }
    }
}
