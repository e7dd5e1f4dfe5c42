//! What a simulated decoder understands of the bytes it hears.
//!
//! Its own reading of NMRA S-9.2.1 (July 2012) section D and S-9.2.3 (July 2012) section E,
//! with the 8-bit data byte of RCN-213 (second-hand); none of the encoder's code.

/// A packet in the eyes of a decoder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Switch off, forget, start anew (S-9.2 section B, RCN-211).
    Reset,
    /// `10AAAAAA 1AAACDDD`.
    Basic {
        /// 11-bit binary address.
        address: u16,
        /// Bit C.
        activate: bool,
        /// Lowest bit of DDD.
        one: bool,
    },
    /// `10AAAAAA 0AAA0AA1 DDDDDDDD`.
    Extended {
        /// 11-bit binary address.
        address: u16,
        /// The whole data byte.
        data: u8,
    },
    /// `10AAAAAA … 1110CCVV VVVVVVVV DDDDDDDD`.
    Configure {
        /// Whom it is for.
        target: Target,
        /// What it asks.
        access: CvAccess,
    },
    /// An accessory packet that changes nothing.
    NoChange,
    /// Anything else.
    Other,
}

/// Whom a CV access on the main is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// A basic decoder by its 9-bit decoder address.
    Decoder(u16),
    /// One output of a basic decoder by its 11-bit address.
    Output(u16),
    /// An extended decoder by its 11-bit address.
    Extended(u16),
}

/// A CV access.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CvAccess {
    /// 1 to 1024.
    pub cv: u16,
    /// What to do with it.
    pub action: CvAction,
}

/// What a CV access does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CvAction {
    /// Compare the whole byte.
    VerifyByte(u8),
    /// Write the whole byte.
    WriteByte(u8),
    /// Compare one bit.
    VerifyBit(u8, bool),
    /// Write one bit.
    WriteBit(u8, bool),
}

/// What the bytes of a whole packet, check byte included, say to an accessory decoder.
pub fn read(bytes: &[u8]) -> Reading {
    match *bytes {
        [0x00, 0x00, _] => Reading::Reset,
        [first @ 0x80..=0xbf, second, _] if second & 0x80 != 0 => Reading::Basic {
            address: address(first, second),
            activate: second & 0x08 != 0,
            one: second & 0x01 != 0,
        },
        [first @ 0x80..=0xbf, second, data, _] if second & 0x89 == 0x01 => Reading::Extended {
            address: address(first, second),
            data,
        },
        [first @ 0x80..=0xbf, second, instruction, low, data, _] => {
            let target = if second & 0x80 == 0 {
                if second & 0x09 != 0x01 {
                    return Reading::Other;
                }
                Target::Extended(address(first, second))
            } else if second & 0x08 == 0 {
                Target::Decoder(address(first, second) >> 2)
            } else {
                Target::Output(address(first, second))
            };
            if instruction & 0xf0 != 0xe0 {
                return Reading::Other;
            }
            cv_access(instruction, low, data).map_or(Reading::Other, |access| Reading::Configure {
                target,
                access,
            })
        }
        [0x80..=0xbf, ..] => Reading::NoChange,
        _ => Reading::Other,
    }
}

/// The binary address of a packet that commands one output of an accessory decoder; `None` for
/// any other packet.
pub fn address_of(bytes: &[u8]) -> Option<u16> {
    match read(bytes) {
        Reading::Basic { address, .. } | Reading::Extended { address, .. } => Some(address),
        Reading::Reset | Reading::Configure { .. } | Reading::NoChange | Reading::Other => None,
    }
}

/// `0111CCAA AAAAAAAA DDDDDDDD` in service mode (S-9.2.3 section E, direct mode).
pub fn read_service(bytes: &[u8]) -> Option<CvAccess> {
    match *bytes {
        [instruction @ 0x70..=0x7f, low, data, _] => cv_access(instruction, low, data),
        _ => None,
    }
}

/// Both packets keep the instruction in CC and the top two bits of the CV in the last two bits
/// of the byte.
fn cv_access(instruction: u8, low: u8, data: u8) -> Option<CvAccess> {
    let bit = data & 0x07;
    let value = data & 0x08 != 0;
    let action = match instruction >> 2 & 0x03 {
        0b01 => CvAction::VerifyByte(data),
        0b11 => CvAction::WriteByte(data),
        0b10 if data & 0xf0 == 0xf0 => CvAction::WriteBit(bit, value),
        0b10 if data & 0xf0 == 0xe0 => CvAction::VerifyBit(bit, value),
        _ => return None,
    };
    let cv = u16::from_be_bytes([instruction & 0x03, low]) + 1;
    Some(CvAccess { cv, action })
}

/// A10 A9 A8 inverted in bits 6 to 4 of the second byte, A7 to A2 in the first, A1 A0 in bits 2
/// and 1 of the second.
fn address(first: u8, second: u8) -> u16 {
    let high = u16::from(!second >> 4 & 0x07);
    let middle = u16::from(first & 0x3f);
    let low = u16::from(second >> 1 & 0x03);
    high << 8 | middle << 2 | low
}

#[cfg(test)]
mod tests {
    use super::*;

    // source: S-9.2.1 (2025) table of addresses, second-hand; LCC EventTransport TN 2.5.3.3.
    #[test]
    fn reads_published_basic_addresses() {
        for (bytes, expected) in [
            ([0x81, 0xf0], 4),
            ([0xbf, 0xf6], 255),
            ([0x80, 0xe0], 256),
            ([0x80, 0xe4], 258),
            ([0xbf, 0x84], 2046),
            ([0xbf, 0x86], 2047),
            ([0x80, 0xf0], 0),
            ([0x80, 0xf6], 3),
        ] {
            let packet = [bytes[0], bytes[1], bytes[0] ^ bytes[1]];
            assert_eq!(
                read(&packet),
                Reading::Basic {
                    address: expected,
                    activate: false,
                    one: false
                }
            );
        }
    }

    // source: LCC EventTransport TN 2.5.3.6, extended rows.
    #[test]
    fn reads_published_extended_addresses() {
        for (bytes, expected) in [
            ([0b1000_0001, 0b0111_0001], 4),
            ([0b1000_0001, 0b0111_0111], 7),
            ([0b1011_1111, 0b0000_0101], 2046),
            ([0b1000_0000, 0b0111_0011], 1),
        ] {
            let packet = [bytes[0], bytes[1], 5, 0];
            assert_eq!(
                read(&packet),
                Reading::Extended {
                    address: expected,
                    data: 5
                }
            );
        }
    }

    // source: S-9.2.1 (July 2012) section D, CV access; bytes derived.
    #[test]
    fn reads_cv_access_on_the_main() {
        let write = |cv, value| CvAccess {
            cv,
            action: CvAction::WriteByte(value),
        };
        for (bytes, target, access) in [
            (
                [0x81, 0xf0, 0xec, 0x1c, 0x80, 0x01],
                Target::Decoder(1),
                write(29, 0x80),
            ),
            (
                [0x81, 0xf8, 0xec, 0x00, 0x05, 0x90],
                Target::Output(4),
                write(1, 5),
            ),
            (
                [0x81, 0xfc, 0xec, 0x00, 0x05, 0x94],
                Target::Output(6),
                write(1, 5),
            ),
            (
                [0x81, 0x71, 0xec, 0x00, 0x05, 0x19],
                Target::Extended(4),
                write(1, 5),
            ),
        ] {
            assert_eq!(read(&bytes), Reading::Configure { target, access });
        }
    }

    // source: S-9.2.3 (July 2012) section E, direct mode; bytes derived.
    #[test]
    fn reads_service_packets() {
        for (bytes, cv, action) in [
            ([0x7c, 0x00, 0x03, 0x7f], 1, CvAction::WriteByte(3)),
            ([0x74, 0x07, 0x0d, 0x7e], 8, CvAction::VerifyByte(13)),
            ([0x78, 0x07, 0xe7, 0x98], 8, CvAction::VerifyBit(7, false)),
            ([0x78, 0x07, 0xef, 0x90], 8, CvAction::VerifyBit(7, true)),
            ([0x78, 0x1c, 0xfe, 0x9a], 29, CvAction::WriteBit(6, true)),
            ([0x7f, 0xff, 0x00, 0x80], 1024, CvAction::WriteByte(0)),
        ] {
            assert_eq!(read_service(&bytes), Some(CvAccess { cv, action }));
        }
    }

    // source: S-9.2.1 section 2.4.6 and RCN-213 section 2.5, second-hand.
    #[test]
    fn a_nop_changes_nothing() {
        assert_eq!(read(&[0x81, 0x78, 0xf9]), Reading::NoChange);
    }
}
