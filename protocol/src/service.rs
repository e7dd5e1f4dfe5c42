//! Service mode: the packets of the programming track, how often each is sent, and what counts as
//! an answer.
//!
//! Service-mode packets start with 112 to 127, which in operations mode are short addresses of
//! locomotives. Nothing in a packet says which is meant; what came before does: decoders enter
//! service mode by a reset packet followed at once by a service-mode packet. So [`Instruction`]
//! reads such bytes as packets for locomotives, and [`ServiceInstruction`] reads them as this.
//!
//! [`Instruction`]: crate::instruction::Instruction

use crate::clause::Clause;
use crate::cv::{CvBit, CvNumber, CvOperation, OperationFault};
use crate::packet::Packet;
use crate::timing::{Nanos, Window};

mod display;
mod sequence;

pub use sequence::{Listen, PowerOn, Purpose, ServiceSequence, ServiceStep, counts};

/// A current in milliamperes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Milliamps(pub u16);

/// How long an acknowledgement lasts: 6 ms, 1 ms more or less; binds the decoder. S-9.2.3 (July
/// 2012), section E.
pub const ACKNOWLEDGEMENT: Window = Window {
    min: Nanos::from_millis(5),
    max: Nanos::from_millis(7),
};
/// Least rise in current that is an acknowledgement; binds the decoder. S-9.2.3 (July 2012),
/// section E.
pub const ACKNOWLEDGEMENT_RISE_MIN: Milliamps = Milliamps(60);
/// A decoder leaves service mode after so long without reset or service-mode packet. S-9.2.3 (July
/// 2012), section E.
pub const LEAVES_AFTER: Nanos = Nanos::from_millis(20);
/// The same by RCN-216, second-hand.
pub const LEAVES_AFTER_RCN: Nanos = Nanos::from_millis(30);
/// Most current while the track is powered on, for at most [`POWER_ON_LIMIT_TIME`]; more is a
/// fault. S-9.2.3 (July 2012).
pub const POWER_ON_CURRENT_MAX: Milliamps = Milliamps(250);
/// How long [`POWER_ON_CURRENT_MAX`] holds. S-9.2.3 (July 2012).
pub const POWER_ON_LIMIT_TIME: Nanos = Nanos::from_millis(100);
/// Most current after that, acknowledgements apart. S-9.2.3 (July 2012).
pub const STEADY_CURRENT_MAX: Milliamps = Milliamps(100);

/// Is a rise in current of so much, for so long, an acknowledgement?
pub const fn is_acknowledgement(rise: Milliamps, lasting: Nanos) -> bool {
    rise.0 >= ACKNOWLEDGEMENT_RISE_MIN.0 && ACKNOWLEDGEMENT.contains(lasting)
}

/// A packet that is no service-mode packet, or one that cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum ServiceError {
    /// The first byte is not 112 to 127.
    #[error("byte 1 is {found:02X}: a service-mode packet starts with 70 to 7F")]
    NotService {
        /// The first byte.
        found: u8,
    },
    /// The packet has a length that no service-mode packet has.
    #[error(
        "{found} bytes, check byte included: service-mode packets have 3 (register) or 4 (direct)"
    )]
    Length {
        /// The length found.
        found: usize,
    },
    /// CC = 00 in direct access, which is reserved.
    #[error(
        "byte {} is {found:08b}: its bits CC are 00, which is reserved; 01 verifies, 11 writes, \
         10 is for single bits",
        offset.saturating_add(1)
    )]
    ReservedOperation {
        /// Offset of the byte that holds CC.
        offset: usize,
        /// The byte found.
        found: u8,
    },
    /// The data byte of bit access does not start with 111.
    #[error("byte {} is {found:08b}: in bit access it starts with 111", offset.saturating_add(1))]
    BitData {
        /// Offset of the data byte.
        offset: usize,
        /// The byte found.
        found: u8,
    },
    /// A register other than 1 to 8.
    #[error("register {found} is out of range: there are registers 1 to 8")]
    Register {
        /// The number given.
        found: u8,
    },
    /// An address that does not fit in seven bits.
    #[error("address {found} is out of range: address-only packets hold 0 to 127")]
    Address {
        /// The number given.
        found: u8,
    },
}

impl ServiceError {
    /// The clause that defines what was expected.
    pub const fn clause(self) -> Clause {
        Clause::SERVICE_MODE
    }
}

/// Verify or write a CV by its number.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4
///                        0111CCVV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// CC   01 = verify byte, 11 = write byte, 10 = bit, 00 = reserved
/// V    CV number less one
/// D    the value; for a bit 111KDBBB with K = 1 to write, D the value, BBB the position
/// E    check byte
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DirectAccess {
    /// Which CV. The text of S-9.2.3 (July 2012) counts to 1023, the bits to 1024.
    pub cv: CvNumber,
    /// What is done to it.
    pub operation: CvOperation,
}

/// Verify or write one of the eight registers: the older way, before direct access.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        0111CRRR   DDDDDDDD   EEEEEEEE
/// C    1 = write, 0 = verify
/// RRR  register less one
/// E    check byte
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RegisterAccess {
    write: bool,
    register: u8,
    data: u8,
}

impl RegisterAccess {
    /// From its parts; registers count from 1.
    ///
    /// # Errors
    /// When the register is not in 1 to 8.
    pub const fn new(write: bool, register: u8, data: u8) -> Result<Self, ServiceError> {
        match register {
            1..=8 => Ok(Self {
                write,
                register,
                data,
            }),
            found => Err(ServiceError::Register { found }),
        }
    }

    /// Write, or verify?
    pub const fn is_write(self) -> bool {
        self.write
    }

    /// The register: 1 to 8.
    pub const fn register(self) -> u8 {
        self.register
    }

    /// The value.
    pub const fn data(self) -> u8 {
        self.data
    }
}

/// Verify or write the short address alone.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3
///                        0111C000   0AAAAAAA   EEEEEEEE
/// C    1 = write, 0 = verify
/// A    the address
/// E    check byte
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AddressOnly {
    write: bool,
    address: u8,
}

impl AddressOnly {
    /// From its parts.
    ///
    /// # Errors
    /// When the address needs more than seven bits.
    pub const fn new(write: bool, address: u8) -> Result<Self, ServiceError> {
        if address <= 127 {
            Ok(Self { write, address })
        } else {
            Err(ServiceError::Address { found: address })
        }
    }

    /// Write, or verify?
    pub const fn is_write(self) -> bool {
        self.write
    }

    /// The address: 0 to 127.
    pub const fn address(self) -> u8 {
        self.address
    }
}

/// What a packet tells the one decoder on the programming track to do.
///
/// Some register packets have names of their own and are read by those: writing 1 to register 6 is
/// [`ServiceInstruction::PagePreset`], and register 1 with a value up to 127 is
/// [`ServiceInstruction::AddressOnly`]. `ServiceInstruction::from` a register packet does the
/// same.
///
/// clause: S-9.2.3 (July 2012), section E.
///
/// ```
/// use throwproof_protocol::service::{DirectAccess, ServiceInstruction};
/// use throwproof_protocol::{CvNumber, CvOperation};
///
/// // derived: CV1 := 3.
/// let direct = DirectAccess { cv: CvNumber::ADDRESS_LOW, operation: CvOperation::WriteByte(3) };
/// let packet = ServiceInstruction::Direct(direct).emit();
/// assert_eq!(packet.as_bytes(), [0x7c, 0x00, 0x03, 0x7f]);
/// assert_eq!(ServiceInstruction::parse(&packet), Ok(ServiceInstruction::Direct(direct)));
/// // Published there: the page preset.
/// assert_eq!(ServiceInstruction::PagePreset.emit().as_bytes(), [0x7d, 0x01, 0x7c]);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ServiceInstruction {
    /// Enter service mode, or stay in it: `00 00 00`.
    Reset,
    /// A CV by its number.
    Direct(DirectAccess),
    /// Page register := 1, `7D 01 7C`.
    PagePreset,
    /// The short address alone.
    AddressOnly(AddressOnly),
    /// Any other register packet.
    Register(RegisterAccess),
}

impl ServiceInstruction {
    const FORM: u8 = 0b0111_0000;
    const WRITE: u8 = 0b0000_1000;
    const PAGE_REGISTER: u8 = 6;

    /// What a packet of service mode says.
    ///
    /// # Errors
    /// When it is no service-mode packet, CC is reserved, or the data of a bit does not start with
    /// 111.
    pub fn parse(packet: &Packet) -> Result<Self, ServiceError> {
        if *packet == Packet::RESET {
            return Ok(Self::Reset);
        }
        match *packet.as_bytes() {
            [first, ..] if first & 0b1111_0000 != Self::FORM => {
                Err(ServiceError::NotService { found: first })
            }
            [first, data, _] => Ok(Self::of_register(RegisterAccess {
                write: first & Self::WRITE != 0,
                register: (first & 0b111).wrapping_add(1),
                data,
            })),
            [first, low, data, _] => {
                let operation =
                    CvOperation::from_parts(first >> 2, data).map_err(|fault| match fault {
                        OperationFault::ReservedCode => ServiceError::ReservedOperation {
                            offset: 0,
                            found: first,
                        },
                        OperationFault::BitData => ServiceError::BitData {
                            offset: 2,
                            found: data,
                        },
                    })?;
                Ok(Self::Direct(DirectAccess {
                    cv: CvNumber::from_field(first, low),
                    operation,
                }))
            }
            ref bytes => Err(ServiceError::Length { found: bytes.len() }),
        }
    }

    /// The packet: the inverse of [`ServiceInstruction::parse`].
    pub const fn emit(self) -> Packet {
        match self {
            Self::Reset => Packet::RESET,
            Self::PagePreset => Self::emit_register(RegisterAccess {
                write: true,
                register: Self::PAGE_REGISTER,
                data: 1,
            }),
            Self::AddressOnly(AddressOnly { write, address }) => {
                Self::emit_register(RegisterAccess {
                    write,
                    register: 1,
                    data: address,
                })
            }
            Self::Register(access) => Self::emit_register(access),
            Self::Direct(DirectAccess { cv, operation }) => {
                let [high, low] = cv.field_bytes();
                let first = Self::FORM | (operation.code() << 2) | high;
                Packet::of_three([first, low, operation.data()])
            }
        }
    }

    /// The same instruction in the reading that [`ServiceInstruction::parse`] gives.
    #[must_use]
    pub const fn normalised(self) -> Self {
        match self {
            Self::Register(access) => Self::of_register(access),
            Self::Reset | Self::Direct(_) | Self::PagePreset | Self::AddressOnly(_) => self,
        }
    }

    /// Does it change something in the decoder?
    pub const fn is_write(self) -> bool {
        match self {
            Self::Reset => false,
            Self::PagePreset => true,
            Self::Direct(DirectAccess { operation, .. }) => operation.is_write(),
            Self::AddressOnly(access) => access.write,
            Self::Register(access) => access.write,
        }
    }

    const fn of_register(access: RegisterAccess) -> Self {
        match access {
            RegisterAccess {
                write: true,
                register: Self::PAGE_REGISTER,
                data: 1,
            } => Self::PagePreset,
            RegisterAccess {
                write,
                register: 1,
                data: address @ 0..=127,
            } => Self::AddressOnly(AddressOnly { write, address }),
            access => Self::Register(access),
        }
    }

    const fn emit_register(
        RegisterAccess {
            write,
            register,
            data,
        }: RegisterAccess,
    ) -> Packet {
        let write = if write { Self::WRITE } else { 0 };
        // Registers are 1 to 8.
        let field = register.wrapping_sub(1) & 0b111;
        Packet::of_two(Self::FORM | write | field, data)
    }
}

impl From<DirectAccess> for ServiceInstruction {
    fn from(access: DirectAccess) -> Self {
        Self::Direct(access)
    }
}

impl From<RegisterAccess> for ServiceInstruction {
    /// Page preset and address-only packets become those.
    fn from(access: RegisterAccess) -> Self {
        Self::of_register(access)
    }
}

impl From<AddressOnly> for ServiceInstruction {
    fn from(access: AddressOnly) -> Self {
        Self::AddressOnly(access)
    }
}

/// The two questions that tell whether a decoder knows direct access: is bit 7 of CV8 0, and is it
/// 1? One of the two is so. S-9.2.3 (July 2012), section E.
pub const DIRECT_SUPPORT_TEST: [DirectAccess; 2] = [ask_bit_seven(false), ask_bit_seven(true)];

const fn ask_bit_seven(value: bool) -> DirectAccess {
    DirectAccess {
        cv: CvNumber::MANUFACTURER,
        operation: CvOperation::VerifyBit(CvBit::from_low_bits(7, value)),
    }
}

/// Does a decoder that acknowledged these of [`DIRECT_SUPPORT_TEST`] know direct access?
pub const fn direct_is_supported(acknowledged: [bool; 2]) -> bool {
    let [zero, one] = acknowledged;
    zero || one
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    fn packet(text: &str) -> Packet {
        Packet::parse_hex(text).unwrap()
    }

    #[test]
    fn whatever_is_read_is_written_back() {
        for first in 0x70..=0x7f_u8 {
            for second in 0..=255_u8 {
                let packet = Packet::from_body(&[first, second]).unwrap();
                let instruction = ServiceInstruction::parse(&packet).unwrap();
                assert_eq!(instruction.emit(), packet);
                assert_eq!(instruction.normalised(), instruction);
                for data in [0x00, 0x7f, 0xe5, 0xff] {
                    let packet = Packet::from_body(&[first, second, data]).unwrap();
                    if let Ok(instruction) = ServiceInstruction::parse(&packet) {
                        assert_eq!(instruction.emit(), packet);
                    }
                }
            }
        }
    }

    #[test]
    fn register_packets_with_a_name_are_read_by_it() {
        // clause: S-9.2.3 (July 2012), section E: 01111101 00000001 01111100.
        let preset = RegisterAccess::new(true, 6, 1).unwrap();
        assert_eq!(
            ServiceInstruction::from(preset),
            ServiceInstruction::PagePreset
        );
        assert_eq!(preset.register(), 6);
        let address = RegisterAccess::new(true, 1, 3).unwrap();
        assert_eq!(
            ServiceInstruction::from(address),
            ServiceInstruction::AddressOnly(AddressOnly::new(true, 3).unwrap())
        );
        // Verifying the page register, or a register 1 beyond seven bits, has no name.
        for access in [
            RegisterAccess::new(false, 6, 1),
            RegisterAccess::new(true, 1, 128),
        ] {
            let access = access.unwrap();
            assert_eq!(
                ServiceInstruction::from(access),
                ServiceInstruction::Register(access)
            );
        }
        assert_eq!(
            RegisterAccess::new(true, 0, 1),
            Err(ServiceError::Register { found: 0 })
        );
        assert_eq!(
            RegisterAccess::new(true, 9, 1),
            Err(ServiceError::Register { found: 9 })
        );
        assert_eq!(
            AddressOnly::new(true, 128),
            Err(ServiceError::Address { found: 128 })
        );
    }

    #[test]
    fn what_is_no_service_packet_is_named() {
        assert_eq!(
            ServiceInstruction::parse(&packet("81 F9 78")),
            Err(ServiceError::NotService { found: 0x81 })
        );
        let long = Packet::from_body(&[0x7c, 0, 0, 0]).unwrap();
        assert_eq!(
            ServiceInstruction::parse(&long),
            Err(ServiceError::Length { found: 5 })
        );
        let reserved = Packet::from_body(&[0x70, 0, 0]).unwrap();
        assert_eq!(
            ServiceInstruction::parse(&reserved),
            Err(ServiceError::ReservedOperation {
                offset: 0,
                found: 0x70
            })
        );
        let bit = Packet::from_body(&[0x78, 0, 0xdf]).unwrap();
        assert_eq!(
            ServiceInstruction::parse(&bit).unwrap_err().to_string(),
            "byte 3 is 11011111: in bit access it starts with 111"
        );
    }

    #[test]
    fn direct_support_is_asked_by_bit_seven_of_cv_eight() {
        // derived from S-9.2.3 (July 2012), section E: 011110 0000000111 1110D111.
        let packets = DIRECT_SUPPORT_TEST.map(|access| ServiceInstruction::Direct(access).emit());
        assert_eq!(packets, [packet("78 07 E7 98"), packet("78 07 EF 90")]);
        assert!(direct_is_supported([true, false]));
        assert!(direct_is_supported([false, true]));
        assert!(!direct_is_supported([false, false]));
    }

    #[test]
    fn an_acknowledgement_is_strong_and_lasts_six_milliseconds() {
        // clause: S-9.2.3 (July 2012), section E: 60 mA or more for 6 ms, 1 ms more or less.
        for (milliamps, micros, counts) in [
            (60, 5_000, true),
            (60, 7_000, true),
            (59, 6_000, false),
            (200, 4_999, false),
            (200, 7_001, false),
        ] {
            let lasting = Nanos::from_micros(micros);
            assert_eq!(is_acknowledgement(Milliamps(milliamps), lasting), counts);
        }
    }
}
