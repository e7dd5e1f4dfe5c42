//! The 29-bit header: who sends, and what kind of frame it is.
//!
//! ```text
//! bit 28      27          26 ... 12                              11 ... 0
//!     1       frame type  content                                source alias
//!             0 control   MMM NNNNNNNNNNNN: check id, or a code
//!             1 message   kind (3 bits), MTI or destination alias (12 bits)
//! ```
//!
//! clause: CAN Frame Transfer S 4 and 6.1; Message Network S 7.3.1; Datagram Transport S 7.1.

use core::fmt;

use super::frame::CanFrame;
use super::message::Part;

/// A message type indicator.
///
/// On CAN the low twelve bits travel in the header of frame kind 1; datagrams and streams have
/// kinds of their own.
///
/// clause: Message Network S 3.1.1 and 7.3.1.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mti(u16);

impl Mti {
    /// Initialization complete, full protocol required.
    pub const INITIALIZATION_COMPLETE: Self = Self(0x100);
    /// Initialization complete, simple set sufficient.
    pub const INITIALIZATION_COMPLETE_SIMPLE: Self = Self(0x101);
    /// Verify node id, addressed.
    pub const VERIFY_NODE_ADDRESSED: Self = Self(0x488);
    /// Verify node id, global.
    pub const VERIFY_NODE: Self = Self(0x490);
    /// Verified node id, full protocol required.
    pub const VERIFIED_NODE: Self = Self(0x170);
    /// Verified node id, simple set sufficient.
    pub const VERIFIED_NODE_SIMPLE: Self = Self(0x171);
    /// Optional interaction rejected.
    pub const REJECTED: Self = Self(0x068);
    /// Terminate due to error.
    pub const TERMINATED: Self = Self(0x0a8);
    /// Protocol support inquiry.
    pub const PROTOCOL_INQUIRY: Self = Self(0x828);
    /// Protocol support reply.
    pub const PROTOCOL_REPLY: Self = Self(0x668);
    /// Identify consumer.
    pub const IDENTIFY_CONSUMER: Self = Self(0x8f4);
    /// Consumer identified, currently valid.
    pub const CONSUMER_VALID: Self = Self(0x4c4);
    /// Consumer identified, currently invalid.
    pub const CONSUMER_INVALID: Self = Self(0x4c5);
    /// Consumer identified, validity unknown.
    pub const CONSUMER_UNKNOWN: Self = Self(0x4c7);
    /// Consumer range identified.
    pub const CONSUMER_RANGE: Self = Self(0x4a4);
    /// Identify producer.
    pub const IDENTIFY_PRODUCER: Self = Self(0x914);
    /// Producer identified, currently valid.
    pub const PRODUCER_VALID: Self = Self(0x544);
    /// Producer identified, currently invalid.
    pub const PRODUCER_INVALID: Self = Self(0x545);
    /// Producer identified, validity unknown.
    pub const PRODUCER_UNKNOWN: Self = Self(0x547);
    /// Producer range identified.
    pub const PRODUCER_RANGE: Self = Self(0x524);
    /// Identify events, addressed.
    pub const IDENTIFY_EVENTS_ADDRESSED: Self = Self(0x968);
    /// Identify events, global.
    pub const IDENTIFY_EVENTS: Self = Self(0x970);
    /// Learn event.
    pub const LEARN_EVENT: Self = Self(0x594);
    /// Producer/consumer event report.
    pub const EVENT_REPORT: Self = Self(0x5b4);
    /// Event report with payload, first frame: the event.
    pub const EVENT_REPORT_FIRST: Self = Self(0xf16);
    /// Event report with payload, middle frame.
    pub const EVENT_REPORT_MIDDLE: Self = Self(0xf15);
    /// Event report with payload, last frame.
    pub const EVENT_REPORT_LAST: Self = Self(0xf14);
    /// Simple node information request.
    pub const INFORMATION_REQUEST: Self = Self(0xde8);
    /// Simple node information reply.
    pub const INFORMATION_REPLY: Self = Self(0xa08);
    /// Datagram received OK.
    pub const DATAGRAM_OK: Self = Self(0xa28);
    /// Datagram rejected.
    pub const DATAGRAM_REJECTED: Self = Self(0xa48);
    /// Datagram content; on CAN a frame kind of its own.
    pub const DATAGRAM: Self = Self(0x1c48);
    /// Stream data; on CAN a frame kind of its own. The number is from memory.
    pub const STREAM_DATA: Self = Self(0x1f88);

    const CAN_BITS: u16 = 0xfff;
    const ADDRESS_PRESENT: u16 = 0x008;

    /// An MTI of the common form.
    pub const fn new(number: u16) -> Self {
        Self(number)
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Does the message carry a destination?
    pub const fn is_addressed(self) -> bool {
        self.0 & Self::ADDRESS_PRESENT != 0
    }
}

impl fmt::Debug for Mti {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Mti({self})")
    }
}

impl fmt::Display for Mti {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04X}", self.0)
    }
}

/// What kind of frame it is. Destinations may be zero, which is nobody.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Check id, step 7 down to 4 (down to 1 in protocols with longer ids).
    CheckId {
        /// 1 to 7.
        step: u8,
        /// Twelve bits of the node id.
        section: u16,
    },
    /// Reserve id.
    ReserveId,
    /// Alias map definition.
    MapDefinition,
    /// Alias mapping enquiry.
    MapEnquiry,
    /// Alias map reset.
    MapReset,
    /// Error information report, 0 to 3.
    ErrorInformation(u8),
    /// A control frame not defined; ignored.
    ReservedControl(u16),
    /// A message, global or addressed.
    Message(Mti),
    /// A datagram or a part of one.
    Datagram {
        /// Which part.
        part: Part,
        /// Whom it is for.
        destination: u16,
    },
    /// Stream data.
    Stream {
        /// Whom they are for.
        destination: u16,
    },
    /// Frame kinds 0 and 6, kept for later; ignored.
    ReservedMessage {
        /// 0 or 6.
        kind: u8,
        /// The twelve bits after it.
        field: u16,
    },
}

impl Kind {
    /// Is it one of the frames by which aliases are kept in order?
    pub const fn is_control(self) -> bool {
        matches!(
            self,
            Self::CheckId { .. }
                | Self::ReserveId
                | Self::MapDefinition
                | Self::MapEnquiry
                | Self::MapReset
                | Self::ErrorInformation(_)
                | Self::ReservedControl(_)
        )
    }

    /// The frame type bit and the content field.
    fn field(self) -> u16 {
        let message = |kind: u16, field: u16| 0x8000 | (kind << 12) | (field & 0xfff);
        match self {
            Self::CheckId { step, section } => (u16::from(step & 0b111) << 12) | (section & 0xfff),
            Self::ReserveId => 0x700,
            Self::MapDefinition => 0x701,
            Self::MapEnquiry => 0x702,
            Self::MapReset => 0x703,
            Self::ErrorInformation(number) => 0x710 | u16::from(number & 0b11),
            Self::ReservedControl(code) => code & 0xfff,
            Self::Message(mti) => message(1, mti.0 & Mti::CAN_BITS),
            Self::Datagram { part, destination } => message(
                match part {
                    Part::Only => 2,
                    Part::First => 3,
                    Part::Middle => 4,
                    Part::Last => 5,
                },
                destination,
            ),
            Self::Stream { destination } => message(7, destination),
            Self::ReservedMessage { kind, field } => message(u16::from(kind & 0b110), field),
        }
    }

    const fn of_field(field: u16) -> Self {
        let low = field & 0xfff;
        let [high, low_byte] = field.to_be_bytes();
        let top = (high >> 4) & 0b111;
        if field & 0x8000 == 0 {
            return match (top, low) {
                (0, 0x700) => Self::ReserveId,
                (0, 0x701) => Self::MapDefinition,
                (0, 0x702) => Self::MapEnquiry,
                (0, 0x703) => Self::MapReset,
                (0, 0x710..=0x713) => Self::ErrorInformation(low_byte & 0b11),
                (0, code) => Self::ReservedControl(code),
                (step, section) => Self::CheckId { step, section },
            };
        }
        let part = match top {
            1 => return Self::Message(Mti(low)),
            2 => Part::Only,
            3 => Part::First,
            4 => Part::Middle,
            5 => Part::Last,
            7 => return Self::Stream { destination: low },
            kind => return Self::ReservedMessage { kind, field: low },
        };
        Self::Datagram {
            part,
            destination: low,
        }
    }
}

/// A header: the kind of frame and the alias of its sender.
///
/// ```
/// use throwproof_protocol::lcc::{Header, Kind};
///
/// // clause: CAN Frame Transfer TN 2.6.2.1: 16456FED.
/// let header = Header::parse(0x1645_6fed);
/// assert_eq!(header.kind, Kind::CheckId { step: 6, section: 0x456 });
/// assert_eq!(header.source, 0xfed);
/// assert_eq!(header.emit(), 0x1645_6fed);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Header {
    /// The kind of frame.
    pub kind: Kind,
    /// The sender's alias; zero from a sender that breaks the standard.
    pub source: u16,
}

impl Header {
    const RESERVED: u32 = 0x1000_0000;

    /// A header.
    pub const fn new(kind: Kind, source: u16) -> Self {
        Self { kind, source }
    }

    /// Reads the 29 bits; the reserved bit 28 is ignored.
    ///
    /// clause: CAN Frame Transfer S 4.
    pub const fn parse(id: u32) -> Self {
        let [_, _, high, low] = id.to_be_bytes();
        let [_, _, field_high, field_low] = (id >> 12).to_be_bytes();
        Self {
            kind: Kind::of_field(u16::from_be_bytes([field_high, field_low])),
            source: u16::from_be_bytes([high, low]) & 0xfff,
        }
    }

    /// The 29 bits; the reserved bit 28 is sent as 1.
    ///
    /// clause: CAN Frame Transfer S 4.
    pub fn emit(self) -> u32 {
        Self::RESERVED | (u32::from(self.kind.field()) << 12) | u32::from(self.source & 0xfff)
    }

    /// A frame with this header; bytes past the eighth are left out.
    pub fn frame(self, data: &[u8]) -> CanFrame {
        CanFrame::of(self.emit(), data)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_header_is_read_and_written_back(id in 0..=0x1fff_ffff_u32) {
            let header = Header::parse(id);
            // clause: CAN Frame Transfer S 4: sent as 1, ignored upon receipt.
            prop_assert_eq!(header.emit(), id | 0x1000_0000);
            prop_assert_eq!(Header::parse(id ^ 0x1000_0000), header);
            prop_assert_eq!(header.kind.is_control(), id & 0x0800_0000 == 0);
        }
    }

    #[test]
    fn addressed_messages_have_their_bit() {
        // clause: Message Network S 3.1.1, bit 3.
        for (mti, addressed) in [
            (Mti::VERIFY_NODE, false),
            (Mti::VERIFY_NODE_ADDRESSED, true),
            (Mti::REJECTED, true),
            (Mti::TERMINATED, true),
            (Mti::PROTOCOL_INQUIRY, true),
            (Mti::IDENTIFY_EVENTS, false),
            (Mti::IDENTIFY_EVENTS_ADDRESSED, true),
            (Mti::EVENT_REPORT, false),
            (Mti::INFORMATION_REQUEST, true),
            (Mti::DATAGRAM, true),
            (Mti::STREAM_DATA, true),
        ] {
            assert_eq!(mti.is_addressed(), addressed, "{mti}");
        }
    }
}
