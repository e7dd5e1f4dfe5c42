//! DCC accessory packets, layer by layer: address, instruction, packet bytes, bits, half-bits.
//!
//! Each layer has a type that can hold only what the standard allows, and `parse` and `emit` that
//! undo one another exactly. Nothing here allocates, reads a clock or does input or output.
//!
//! ```text
//! keyed address   1 straight                         address
//! binary address  4, bit R = 1
//! instruction     basic accessory, activate          instruction
//! packet bytes    81 F9 78                           packet
//! bits            11111111111111 0 10000001 0 ...    bits
//! half-bits       58 us, 58 us, ... 100 us, 100 us   timing
//! ```
//!
//! ```
//! use throwproof_protocol::{BasicAccessory, KeyedAddress, Numbering, Position};
//!
//! let address = KeyedAddress::new(1)?.binary(Numbering::Linear);
//! let packet = BasicAccessory::new(address, Position::Straight.pair_bit(), true).emit();
//! assert_eq!(packet.as_bytes(), [0x81, 0xf9, 0x78]);
//! # Ok::<(), throwproof_protocol::AddressError>(())
//! ```
#![no_std]
#![forbid(unsafe_code)]
#![warn(
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects,
    clippy::as_conversions
)]

pub mod address;
pub mod bits;
pub mod clause;
pub mod cv;
pub mod instruction;
pub mod lcc;
pub mod packet;
pub mod pretty;
pub mod service;
pub mod timing;

pub use address::{
    AddressError, BinaryAddress, DecoderAddress, KeyedAddress, NameError, Numbering, OutputBits,
    PairBit, Position,
};
pub use bits::{Bit, BitDecoder, BitError, PacketBits, Preamble, Progress};
pub use clause::{Clause, Standing};
pub use cv::{CvBit, CvNumber, CvOperation};
pub use instruction::{BasicAccessory, ExtendedAccessory, Instruction, InstructionError};
pub use packet::{Packet, PacketError};
pub use service::{ServiceError, ServiceInstruction, ServiceSequence};
pub use timing::{HalfBit, HalfBits, Nanos, Shape};
