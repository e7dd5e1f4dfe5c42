//! LCC, layer by layer: CAN frames as text, headers, messages, events, node information.
//!
//! clause: NMRA S-9.7.x (2021), the standards CAN Frame Transfer, Message Network, Event
//! Transport, Event Identifiers, Unique Identifiers, Simple Node Information, Datagram Transport.
//!
//! ```text
//! text        :X195B4123N0101020000FF0009;                  gridconnect
//! CAN frame   29-bit 195B4123, 01 01 02 00 00 FF 00 09      frame
//! header      message 5B4 from alias 123                    header
//! event       01.01.02.00.00.FF.00.09                       event
//! meaning     activate, binary address 4, bit R = 1         event
//! ```
//!
//! ```
//! use throwproof_protocol::lcc::{Decoded, GridConnect, Meaning};
//! use throwproof_protocol::{BasicAccessory, BinaryAddress, PairBit};
//!
//! let mut decoder = GridConnect::new();
//! let mut frames = decoder.feed(b":X195B4123N0101020000FF0009;\r\n");
//! let Some(Decoded::Frame(frame)) = frames.next() else { unreachable!() };
//! let address = BinaryAddress::new(4)?;
//! assert_eq!(
//!     frame.event().and_then(|event| event.meaning()),
//!     Some(Meaning::Basic(BasicAccessory::new(address, PairBit::One, true)))
//! );
//! # Ok::<(), throwproof_protocol::AddressError>(())
//! ```

pub mod alias;
pub mod event;
pub mod frame;
pub mod gridconnect;
pub mod header;
pub mod message;
pub mod node_id;
pub mod range;
pub mod snip;

pub use alias::{Alias, AliasError, AliasSequence};
pub use event::{EmergencyKind, EventId, EventIdError, Meaning};
pub use frame::{CanFrame, CanId, FrameError};
pub use gridconnect::{Decoded, DropReason, Dropped, GridConnect, Tally, TextFrame};
pub use header::{Header, Kind, Mti};
pub use message::{Addressed, Assembly, AssemblyError, ErrorCode, Part};
pub use node_id::{Judgement, NodeId, NodeIdError, NodeIdRange};
pub use range::{EventRange, RangeError};
pub use snip::{NodeInformation, NodeInformationError};

/// Low four bits of a byte.
pub(crate) const fn nibble(byte: u8) -> u8 {
    byte & 0x0f
}
