//! Check bytes of binary frames: XOR, sums and CRCs.

use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use crc::{Algorithm, Crc};

/// Which byte of a number goes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ByteOrder {
    /// The most significant one.
    BigEndian,
    /// The least significant one.
    LittleEndian,
}

/// Which bytes a check covers, before stuffing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Covers {
    /// Everything before it.
    Frame,
    /// Everything before it but the start bytes.
    AfterStart,
    /// The message alone: no start bytes, no length.
    Body,
}

/// Check bytes at the end of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// How it is computed.
    pub sum: CheckSum,
    /// Over which bytes.
    pub covers: Covers,
    /// Order of its bytes.
    pub order: ByteOrder,
}

/// How check bytes are computed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CheckSum {
    /// XOR of `init` and every byte, then XOR `xorout`.
    Xor {
        /// What it starts with.
        init: u8,
        /// What is applied last.
        xorout: u8,
    },
    /// Sum of `init` and every byte, the low `bytes` bytes of it, then XOR `xorout`.
    Sum {
        /// How many bytes it has: 1 or 2.
        bytes: u8,
        /// What it starts with.
        init: u16,
        /// What is applied last.
        xorout: u16,
    },
    /// The byte that makes the sum of all bytes 0 in its low eight bits.
    TwosComplement,
    /// A cyclic redundancy check.
    Crc(CrcCheck),
}

/// The parameters of a CRC, in the words of Williams, *A painless guide to CRC error detection
/// algorithms* (1993).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct CrcParameters {
    /// Width, bits: 3 to 32.
    pub width: u8,
    /// Polynomial without its highest term.
    pub poly: u32,
    /// Register before the first byte.
    pub init: u32,
    /// Bytes go in least significant bit first.
    pub refin: bool,
    /// The register is mirrored at the end.
    pub refout: bool,
    /// What is applied last.
    pub xorout: u32,
}

/// A CRC, ready to be used.
#[derive(Clone)]
pub struct CrcCheck {
    parameters: CrcParameters,
    crc: Arc<Crc<u32>>,
}

impl CrcCheck {
    /// A CRC with these parameters.
    pub fn new(parameters: CrcParameters) -> Self {
        Self {
            parameters,
            crc: Arc::new(Crc::<u32>::new(algorithm(parameters))),
        }
    }

    /// Its parameters.
    pub fn parameters(&self) -> CrcParameters {
        self.parameters
    }

    /// The CRC of some bytes.
    pub fn of(&self, bytes: &[u8]) -> u32 {
        self.crc.checksum(bytes)
    }
}

/// The `crc` crate wants parameters that live for ever; each set is made once, however often a
/// profile is read.
fn algorithm(parameters: CrcParameters) -> &'static Algorithm<u32> {
    static KNOWN: OnceLock<Mutex<HashMap<CrcParameters, &'static Algorithm<u32>>>> =
        OnceLock::new();
    let known = KNOWN.get_or_init(Mutex::default);
    let mut known = known.lock().unwrap_or_else(PoisonError::into_inner);
    let CrcParameters {
        width,
        poly,
        init,
        refin,
        refout,
        xorout,
    } = parameters;
    known.entry(parameters).or_insert_with(|| {
        Box::leak(Box::new(Algorithm {
            width,
            poly,
            init,
            refin,
            refout,
            xorout,
            check: 0,
            residue: 0,
        }))
    })
}

impl PartialEq for CrcCheck {
    fn eq(&self, other: &Self) -> bool {
        self.parameters == other.parameters
    }
}

impl Eq for CrcCheck {}

impl fmt::Debug for CrcCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.parameters.fmt(f)
    }
}

impl Check {
    /// How many bytes it takes in a frame.
    pub fn len(&self) -> usize {
        match &self.sum {
            CheckSum::Xor { .. } | CheckSum::TwosComplement => 1,
            CheckSum::Sum { bytes, .. } => usize::from(*bytes),
            CheckSum::Crc(crc) => usize::from(crc.parameters.width.div_ceil(8)),
        }
    }

    /// Never: a check has a byte at least.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The check bytes of some bytes, in the order they are sent.
    pub fn of(&self, bytes: &[u8]) -> Vec<u8> {
        number_bytes(self.sum.of(bytes), self.len(), self.order)
    }
}

impl CheckSum {
    /// The check of some bytes, as a number.
    pub fn of(&self, bytes: &[u8]) -> u32 {
        match self {
            Self::Xor { init, xorout } => {
                u32::from(bytes.iter().fold(*init, |sum, byte| sum ^ byte) ^ xorout)
            }
            Self::Sum {
                bytes: width,
                init,
                xorout,
            } => {
                let sum = bytes
                    .iter()
                    .fold(*init, |sum, byte| sum.wrapping_add(u16::from(*byte)));
                let mask = if *width == 1 { 0x00ff } else { 0xffff };
                u32::from((sum ^ xorout) & mask)
            }
            Self::TwosComplement => {
                let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
                u32::from(sum.wrapping_neg())
            }
            Self::Crc(crc) => crc.of(bytes),
        }
    }
}

impl fmt::Display for CheckSum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Xor { .. } => f.write_str("XOR"),
            Self::Sum { bytes: 1, .. } => f.write_str("sum"),
            Self::Sum { .. } => f.write_str("16-bit sum"),
            Self::TwosComplement => f.write_str("two's complement of the sum"),
            Self::Crc(crc) => write!(f, "CRC-{}", crc.parameters.width),
        }
    }
}

/// The low `count` bytes of a number, in an order.
pub(super) fn number_bytes(number: u32, count: usize, order: ByteOrder) -> Vec<u8> {
    let mut bytes: Vec<u8> = number.to_le_bytes().into_iter().take(count).collect();
    if order == ByteOrder::BigEndian {
        bytes.reverse();
    }
    bytes
}

/// The number that some bytes are, up to four of them.
pub(super) fn bytes_number(bytes: &[u8], order: ByteOrder) -> u32 {
    let join = |number: u32, byte: &u8| (number << 8) | u32::from(*byte);
    match order {
        ByteOrder::BigEndian => bytes.iter().fold(0, join),
        ByteOrder::LittleEndian => bytes.iter().rev().fold(0, join),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// name, parameters (width, poly, init, refin, refout, xorout), check.
    type Published = (&'static str, (u8, u32, u32, bool, bool, u32), u32);

    /// Source: Greg Cook, *Catalogue of parametrised CRC algorithms*, whose `check` is the CRC
    /// of the nine characters 123456789 (values from memory; they are also the `check` fields
    /// of the `crc-catalog` crate, which takes them from there: compared below).
    const PUBLISHED: [Published; 11] = [
        ("CRC-3/GSM", (3, 0x3, 0x0, false, false, 0x7), 0x4),
        ("CRC-5/USB", (5, 0x05, 0x1f, true, true, 0x1f), 0x19),
        ("CRC-8/SMBUS", (8, 0x07, 0x00, false, false, 0x00), 0xf4),
        ("CRC-8/MAXIM-DOW", (8, 0x31, 0x00, true, true, 0x00), 0xa1),
        ("CRC-12/UMTS", (12, 0x80f, 0x000, false, true, 0x000), 0xdaf),
        (
            "CRC-16/ARC",
            (16, 0x8005, 0x0000, true, true, 0x0000),
            0xbb3d,
        ),
        (
            "CRC-16/CDMA2000",
            (16, 0xc867, 0xffff, false, false, 0),
            0x4c06,
        ),
        (
            "CRC-16/KERMIT",
            (16, 0x1021, 0x0000, true, true, 0x0000),
            0x2189,
        ),
        (
            "CRC-16/XMODEM",
            (16, 0x1021, 0x0000, false, false, 0),
            0x31c3,
        ),
        (
            "CRC-24/OPENPGP",
            (24, 0x86_4cfb, 0xb7_04ce, false, false, 0),
            0x21_cf02,
        ),
        (
            "CRC-32/ISO-HDLC",
            (32, 0x04c1_1db7, 0xffff_ffff, true, true, 0xffff_ffff),
            0xcbf4_3926,
        ),
    ];

    #[test]
    fn crcs_have_their_published_check_values() {
        for (name, (width, poly, init, refin, refout, xorout), check) in PUBLISHED {
            let crc = CrcCheck::new(CrcParameters {
                width,
                poly,
                init,
                refin,
                refout,
                xorout,
            });
            assert_eq!(crc.of(b"123456789"), check, "{name}");
        }
        assert_eq!(u32::from(crc::CRC_3_GSM.check), 0x4);
        assert_eq!(u32::from(crc::CRC_5_USB.check), 0x19);
        assert_eq!(u32::from(crc::CRC_8_SMBUS.check), 0xf4);
        assert_eq!(u32::from(crc::CRC_8_MAXIM_DOW.check), 0xa1);
        assert_eq!(u32::from(crc::CRC_12_UMTS.check), 0xdaf);
        assert_eq!(u32::from(crc::CRC_16_ARC.check), 0xbb3d);
        assert_eq!(u32::from(crc::CRC_16_CDMA2000.check), 0x4c06);
        assert_eq!(u32::from(crc::CRC_16_KERMIT.check), 0x2189);
        assert_eq!(u32::from(crc::CRC_16_XMODEM.check), 0x31c3);
        assert_eq!(crc::CRC_24_OPENPGP.check, 0x21_cf02);
        assert_eq!(crc::CRC_32_ISO_HDLC.check, 0xcbf4_3926);
    }

    #[test]
    fn sums_by_hand() {
        // derived: 0xF0 + 0x21 + 0x05 = 0x116; F0 ^ 21 ^ 05 = D4.
        let bytes = [0xf0, 0x21, 0x05];
        let (init, xorout) = (0, 0);
        assert_eq!(CheckSum::Xor { init, xorout }.of(&bytes), 0xd4);
        let inverted = CheckSum::Xor { init: 0xff, xorout };
        assert_eq!(inverted.of(&bytes), 0x2b);
        let sum = |bytes, init, xorout| CheckSum::Sum {
            bytes,
            init,
            xorout,
        };
        assert_eq!(sum(1, 0, 0).of(&bytes), 0x16);
        assert_eq!(sum(2, 0, 0).of(&bytes), 0x0116);
        assert_eq!(sum(1, 1, 0xff).of(&bytes), 0xe8);
        assert_eq!(CheckSum::TwosComplement.of(&bytes), 0xea);
        assert_eq!(0x16_u8.wrapping_add(0xea), 0);
    }

    #[test]
    fn check_bytes_go_in_the_order_asked_for() {
        let check = |order| Check {
            sum: CheckSum::Sum {
                bytes: 2,
                init: 0,
                xorout: 0,
            },
            covers: Covers::Body,
            order,
        };
        assert_eq!(check(ByteOrder::BigEndian).of(&[0xf0, 0x26]), [0x01, 0x16]);
        assert_eq!(
            check(ByteOrder::LittleEndian).of(&[0xf0, 0x26]),
            [0x16, 0x01]
        );
        assert_eq!(bytes_number(&[1, 2, 3], ByteOrder::BigEndian), 0x01_0203);
        assert_eq!(bytes_number(&[1, 2, 3], ByteOrder::LittleEndian), 0x03_0201);
    }
}
