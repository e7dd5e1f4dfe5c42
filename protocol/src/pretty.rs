//! Any bytes in plain words: what they say, byte by byte and bit by bit.
//!
//! [`Description`] prints whatever it is given, also bytes that make no packet, for that is when a
//! person most needs to see them. [`Description::fields`] gives the same for programs.
//!
//! ```
//! use throwproof_protocol::pretty::Description;
//!
//! let text = Description::new(&[0x81, 0xf9, 0x78]).to_string();
//! assert_eq!(text, "\
//! 81 F9 78
//! basic accessory, binary address 4: activate straight (R = 1)
//! decoder address 1, pair 0; keyed address 1 in linear numbering
//!
//! byte 1  81  10000001
//!             10......  accessory decoder
//!             ..000001  address bits A7 to A2: 000001
//! byte 2  F9  11111001
//!             1.......  basic
//!             .111....  address bits A10 to A8, sent inverted: 000
//!             ....1...  D: activate
//!             .....00.  address bits A1 A0, the pair: 00
//!             .......1  R: straight, proceed
//! byte 3  78  01111000  check byte, the xor of the bytes before it
//!
//! S-9.2.1 (July 2012), section D
//! ");
//! ```

use core::fmt;

use crate::address::{BinaryAddress, Numbering};
use crate::clause::Clause;
use crate::instruction::{CvTarget, Instruction, InstructionError};
use crate::packet::{Packet, PacketError};
use crate::service::{ServiceError, ServiceInstruction};

mod fields;

pub use fields::{Field, Meaning};

/// Which packets are expected: first bytes 112 to 127 mean one thing on the layout and another on
/// the programming track.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum Context {
    /// On the layout.
    #[default]
    Operations,
    /// On the programming track.
    Service,
}

/// What some bytes say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reading {
    /// An instruction of operations mode.
    Operations(Instruction),
    /// An instruction of service mode.
    Service(ServiceInstruction),
}

/// Why some bytes say nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum ReadingError {
    /// They make no packet.
    #[error(transparent)]
    Packet(#[from] PacketError),
    /// The packet is no instruction of operations mode.
    #[error(transparent)]
    Operations(#[from] InstructionError),
    /// The packet is no instruction of service mode.
    #[error(transparent)]
    Service(#[from] ServiceError),
}

impl ReadingError {
    /// The clause that the bytes break.
    pub const fn clause(self) -> Clause {
        match self {
            Self::Packet(error) => error.clause(),
            Self::Operations(error) => error.clause(),
            Self::Service(error) => error.clause(),
        }
    }
}

impl Reading {
    /// The clause that defines such a packet.
    pub const fn clause(self) -> Clause {
        match self {
            Self::Service(_) => Clause::SERVICE_MODE,
            Self::Operations(instruction) => match instruction {
                Instruction::Basic(_)
                | Instruction::BasicBroadcast(_)
                | Instruction::Extended(_)
                | Instruction::ExtendedBroadcast(_)
                | Instruction::Cv(_) => Clause::ACCESSORY,
                Instruction::EmergencyStop(_) => Clause::EMERGENCY_STOP,
                Instruction::Nop(_) => Clause::NOP,
                Instruction::LegacyCv(_) => Clause::LEGACY_CV,
                Instruction::Idle | Instruction::Reset | Instruction::BroadcastStop(_) => {
                    Clause::BASELINE_PACKETS
                }
                Instruction::MultiFunction(_) | Instruction::Reserved(_) => Clause::PARTITIONS,
            },
        }
    }
}

impl fmt::Display for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Operations(instruction) => fmt::Display::fmt(instruction, f),
            Self::Service(instruction) => fmt::Display::fmt(instruction, f),
        }
    }
}

/// Bytes, to be printed in plain words.
#[derive(Debug, Clone, Copy)]
pub struct Description<'a> {
    bytes: &'a [u8],
    context: Context,
    numbering: Numbering,
}

impl<'a> Description<'a> {
    /// These bytes, whatever they are, as sent on the layout, keyed addresses in linear numbering.
    pub const fn new(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            context: Context::Operations,
            numbering: Numbering::Linear,
        }
    }

    /// As sent there.
    #[must_use]
    pub const fn with_context(self, context: Context) -> Self {
        Self { context, ..self }
    }

    /// With keyed addresses as that station numbers them.
    #[must_use]
    pub const fn with_numbering(self, numbering: Numbering) -> Self {
        Self { numbering, ..self }
    }

    /// What the bytes say.
    ///
    /// # Errors
    /// When they make no packet, or the packet no instruction.
    pub fn reading(&self) -> Result<Reading, ReadingError> {
        let packet = Packet::parse(self.bytes)?;
        Ok(match self.context {
            Context::Operations => Reading::Operations(Instruction::parse(&packet)?),
            Context::Service => Reading::Service(ServiceInstruction::parse(&packet)?),
        })
    }

    /// The parts of each byte, in the order sent. Bytes that belong to no known form have none.
    pub fn fields(&self) -> impl Iterator<Item = Field> + use<'a> {
        fields::of(self.bytes, self.context)
    }

    fn write_address(&self, f: &mut fmt::Formatter<'_>, address: BinaryAddress) -> fmt::Result {
        writeln!(
            f,
            "decoder address {}, pair {}; keyed address {} in {} numbering",
            address.decoder(),
            address.pair(),
            address.keyed(self.numbering),
            self.numbering
        )
    }
}

/// The binary address an instruction carries, if it is of one.
const fn address_of(instruction: &Instruction) -> Option<BinaryAddress> {
    match instruction {
        Instruction::Nop(nop) => Some(nop.address),
        Instruction::Cv(access) => match access.target {
            CvTarget::Extended(address) => Some(address),
            CvTarget::Output(..) => access.target.as_pair(),
            CvTarget::Decoder(_) => None,
        },
        Instruction::Basic(basic) => Some(basic.address),
        Instruction::Extended(extended) => Some(extended.address),
        Instruction::BasicBroadcast(_)
        | Instruction::ExtendedBroadcast(_)
        | Instruction::EmergencyStop(_)
        | Instruction::LegacyCv(_)
        | Instruction::Idle
        | Instruction::Reset
        | Instruction::BroadcastStop(_)
        | Instruction::MultiFunction(_)
        | Instruction::Reserved(_) => None,
    }
}

/// Some lines: the bytes, what they say, then each byte with its parts, and the clause.
impl fmt::Display for Description<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let reading = self.reading();
        for (offset, byte) in self.bytes.iter().enumerate() {
            let gap = if offset == 0 { "" } else { " " };
            write!(f, "{gap}{byte:02X}")?;
        }
        if !self.bytes.is_empty() {
            f.write_str("\n")?;
        }
        match reading {
            Ok(reading) => writeln!(f, "{reading}")?,
            Err(ReadingError::Packet(error)) => writeln!(f, "no packet: {error}")?,
            Err(error) => writeln!(f, "a packet, but not understood: {error}")?,
        }
        if let Ok(Reading::Operations(instruction)) = reading
            && let Some(address) = address_of(&instruction)
        {
            self.write_address(f, address)?;
        }
        f.write_str("\n")?;
        for (offset, byte) in self.bytes.iter().enumerate() {
            write_byte(
                f,
                offset,
                *byte,
                self.fields().filter(|field| field.offset == offset),
            )?;
        }
        if !self.bytes.is_empty() {
            f.write_str("\n")?;
        }
        let clause = match reading {
            Ok(reading) => reading.clause(),
            Err(error) => error.clause(),
        };
        writeln!(f, "{clause}")
    }
}

fn write_byte(
    f: &mut fmt::Formatter<'_>,
    offset: usize,
    byte: u8,
    fields: impl Iterator<Item = Field>,
) -> fmt::Result {
    write!(
        f,
        "byte {:<2} {byte:02X}  {byte:08b}",
        offset.saturating_add(1)
    )?;
    let mut line_is_open = true;
    for field in fields {
        if field.mask == u8::MAX {
            writeln!(f, "  {}", field.meaning)?;
        } else {
            if line_is_open {
                f.write_str("\n")?;
            }
            f.write_str("            ")?;
            for place in 0..8_u32 {
                let shown = field.mask.rotate_left(place) & 0x80 != 0;
                let bit = if byte.rotate_left(place) & 0x80 == 0 {
                    "0"
                } else {
                    "1"
                };
                f.write_str(if shown { bit } else { "." })?;
            }
            writeln!(f, "  {}", field.meaning)?;
        }
        line_is_open = false;
    }
    if line_is_open {
        f.write_str("\n")
    } else {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::{String, ToString};

    fn lines(bytes: &[u8]) -> String {
        Description::new(bytes).to_string()
    }

    #[test]
    fn a_wrong_check_byte_is_shown_beside_the_right_one() {
        let text = lines(&[0x81, 0xf9, 0x79]);
        assert!(text.starts_with(
            "81 F9 79\nno packet: byte 3 is 79, but the check byte of the bytes before it is 78\n"
        ));
        assert!(text.contains("01111001  check byte, wrong: the xor of the bytes before it is 78"));
        assert!(
            text.contains(".......1  R: straight, proceed"),
            "the rest is still taken apart"
        );
    }

    #[test]
    fn too_few_bytes_are_shown_too() {
        assert_eq!(
            lines(&[]),
            "no packet: 0 bytes are too few: a packet has at least 3, check byte included\n\n\
             S-9.2.1 (July 2012), section A\n"
        );
        assert!(lines(&[0x81]).contains("byte 1  81  10000001\n"));
        assert!(lines(&[0x81, 0xf9]).contains("byte 2  F9  11111001\n"));
    }

    #[test]
    fn a_packet_of_no_kind_is_shown() {
        // Byte 2 of a basic packet with the length of an extended one.
        let packet = Packet::from_body(&[0x81, 0xf9, 0x00]).unwrap();
        let text = lines(packet.as_bytes());
        assert!(text.contains("a packet, but not understood: an accessory packet of 4 bytes"));
    }

    #[test]
    fn cv_access_is_taken_apart() {
        let packet = Packet::parse_hex("81 71 E8 1C FB FF").unwrap();
        let text = lines(packet.as_bytes());
        for line in [
            "            ....10..  CC: one bit\n",
            "            ......00  cv number less one, high bits: 00\n",
            "byte 4  1C  00011100  cv number less one, low bits: 28\n",
            "            ...1....  K: write\n",
            "            ....1...  D: the bit is 1\n",
            "            .....011  bit position: 3\n",
        ] {
            assert!(text.contains(line), "{line:?} in\n{text}");
        }
    }

    #[test]
    fn service_mode_is_read_only_when_asked_for() {
        let bytes = [0x7c, 0x00, 0x03, 0x7f];
        assert!(lines(&bytes).contains("locomotive 124, short address"));
        let text = Description::new(&bytes)
            .with_context(Context::Service)
            .to_string();
        assert!(
            text.contains("direct cv access in service mode: cv 1, write 3\n"),
            "{text}"
        );
        assert!(
            text.contains("            0111....  service mode\n"),
            "{text}"
        );
    }

    #[test]
    fn keyed_addresses_follow_the_numbering() {
        let bytes = [0x80, 0xf9, 0x79];
        let text = Description::new(&bytes)
            .with_numbering(Numbering::NonLinear)
            .to_string();
        assert!(
            text.contains("keyed address 253 in non-linear numbering"),
            "{text}"
        );
        assert!(lines(&bytes).contains("keyed address 2045 in linear numbering"));
    }

    #[test]
    fn every_bit_of_a_known_packet_is_explained_once() {
        for hex in [
            "81 F9 78",
            "81 71 05 F5",
            "BF 86 39",
            "81 78 F9",
            "81 F0 EC 1C 80 01",
            "81 F8 EC 00 05 90",
            "81 71 E8 1C FB FF",
            "81 7E 00 01 FE",
            "FF 00 FF",
            "00 00 00",
            "00 51 51",
            "37 74 43",
        ] {
            let packet = Packet::parse_hex(hex).unwrap();
            let mut seen = std::vec![0_u8; packet.as_bytes().len()];
            for field in Description::new(packet.as_bytes()).fields() {
                assert_eq!(seen[field.offset] & field.mask, 0, "{hex}: {field:?} twice");
                seen[field.offset] |= field.mask;
            }
            assert!(seen.iter().all(|mask| *mask == 0xff), "{hex}: {seen:02X?}");
        }
    }
}
