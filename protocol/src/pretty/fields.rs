//! The parts of each byte: which bits, what they hold, what that means.

use core::fmt;

use super::Context;
use crate::packet::{Packet, Partition};

/// Some bits of one byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Field {
    /// Offset of the byte; the first byte has offset 0.
    pub offset: usize,
    /// Which bits of it.
    pub mask: u8,
    /// What they hold, moved down to bit 0.
    pub value: u8,
    /// What that means; its text includes the value.
    pub meaning: Meaning,
}

/// What a field means. The text is for people and may change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Meaning {
    part: Part,
    value: u8,
}

/// The words for a field, and how its value goes into them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Part {
    /// Bits that are the same in every packet of the form.
    Words(&'static str),
    /// One bit: the words for 0 and for 1.
    Bit(&'static str, &'static str),
    /// Two bits: the words for 00, 01, 10 and 11.
    Code([&'static str; 4]),
    /// A label, then the value in decimal.
    Number(&'static str),
    /// A label, then the value in so many binary digits.
    Binary(&'static str, usize),
    /// A label, then three bits the other way round in binary.
    Inverted(&'static str),
    /// Bits that must be 111.
    BitForm,
    /// A check byte that is wrong; the value is the right one.
    WrongCheck,
}

/// Offset, mask, part.
type Row = (usize, u8, Part);

const ADDRESS: [Row; 3] = [
    (0, 0b1100_0000, Part::Words("accessory decoder")),
    (0, 0b0011_1111, Part::Binary("address bits A7 to A2", 6)),
    (
        1,
        0b0111_0000,
        Part::Inverted("address bits A10 to A8, sent inverted"),
    ),
];
const ADDRESS_LOW: Row = (
    1,
    0b0000_0110,
    Part::Binary("address bits A1 A0, the pair", 2),
);
const IS_BASIC: Row = (1, 0b1000_0000, Part::Words("basic"));
const NOT_BASIC: Row = (1, 0b1000_0000, Part::Words("not basic"));
const IS_EXTENDED: Row = (1, 0b0000_0001, Part::Words("extended"));
const CV_CODE: Part = Part::Code(["CC: reserved", "CC: verify", "CC: one bit", "CC: write"]);
const CV_HIGH: Part = Part::Binary("cv number less one, high bits", 2);
const CV_LOW: Part = Part::Number("cv number less one, low bits");
const VALUE: Part = Part::Number("value");
const LOCO: Part = Part::Words("instruction for locomotives");
const ALL_LOCOS: Row = (0, u8::MAX, Part::Words("all multi-function decoders"));
const IS_SERVICE: Row = (0, 0b1111_0000, Part::Words("service mode"));

const BASIC: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    IS_BASIC,
    ADDRESS[2],
    (1, 0b0000_1000, Part::Bit("D: release", "D: activate")),
    ADDRESS_LOW,
    (
        1,
        0b0000_0001,
        Part::Bit("R: diverging, stop", "R: straight, proceed"),
    ),
];
const EXTENDED: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    NOT_BASIC,
    ADDRESS[2],
    (1, 0b0000_1000, Part::Words("always so")),
    ADDRESS_LOW,
    IS_EXTENDED,
    (2, u8::MAX, Part::Number("data")),
];
const NOP: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    NOT_BASIC,
    ADDRESS[2],
    (1, 0b0000_1000, Part::Words("nop")),
    ADDRESS_LOW,
    (
        1,
        0b0000_0001,
        Part::Bit("T: to basic decoders", "T: to extended decoders"),
    ),
];
const LEGACY: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    NOT_BASIC,
    ADDRESS[2],
    (
        1,
        0b0000_1100,
        Part::Words("older cv packet, not to be sent"),
    ),
    (1, 0b0000_0011, CV_HIGH),
    (2, u8::MAX, CV_LOW),
    (3, u8::MAX, VALUE),
];
const CV_DECODER: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    IS_BASIC,
    ADDRESS[2],
    (1, 0b0000_1111, Part::Words("the decoder as a whole")),
];
const CV_OUTPUT: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    IS_BASIC,
    ADDRESS[2],
    (1, 0b0000_1000, Part::Words("one output")),
    (1, 0b0000_0111, Part::Number("output")),
];
const CV_EXTENDED: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    NOT_BASIC,
    ADDRESS[2],
    (1, 0b0000_1000, Part::Words("always so")),
    ADDRESS_LOW,
    IS_EXTENDED,
];
const CV_ACCESS: &[Row] = &[
    (2, 0b1111_0000, Part::Words("cv access")),
    (2, 0b0000_1100, CV_CODE),
    (2, 0b0000_0011, CV_HIGH),
    (3, u8::MAX, CV_LOW),
];
const CV_BYTE: &[Row] = &[(4, u8::MAX, VALUE)];
const CV_BIT: &[Row] = &bit_rows(4);
const IDLE: &[Row] = &[
    (0, u8::MAX, Part::Words("idle")),
    (1, u8::MAX, Part::Words("always so")),
];
const RESET: &[Row] = &[ALL_LOCOS, (1, u8::MAX, Part::Words("reset"))];
const STOP: &[Row] = &[
    ALL_LOCOS,
    (1, 0b1100_0000, Part::Words("speed and direction")),
    (1, 0b0010_0000, Part::Bit("D: reverse", "D: forward")),
    (
        1,
        0b0001_0000,
        Part::Bit("C: the direction counts", "C: the direction may be ignored"),
    ),
    (1, 0b0000_1110, Part::Words("always so")),
    (
        1,
        0b0000_0001,
        Part::Bit("S: come to a stop", "S: power off the motor"),
    ),
];
const BROADCAST: &[Row] = &[ALL_LOCOS, (1, u8::MAX, LOCO)];
const SHORT: &[Row] = &[
    (
        0,
        0b1000_0000,
        Part::Words("locomotive with a short address"),
    ),
    (0, 0b0111_1111, Part::Number("short address")),
    (1, u8::MAX, LOCO),
];
const LONG: &[Row] = &[
    (
        0,
        0b1100_0000,
        Part::Words("locomotive with a long address"),
    ),
    (0, 0b0011_1111, Part::Binary("long address, high bits", 6)),
    (1, u8::MAX, Part::Binary("long address, low bits", 8)),
    (2, u8::MAX, LOCO),
];
const RESERVED: &[Row] = &[(0, u8::MAX, Part::Words("reserved, or assigned elsewhere"))];
const UNKNOWN_ACCESSORY: &[Row] = &[
    ADDRESS[0],
    ADDRESS[1],
    (
        1,
        u8::MAX,
        Part::Words("no clause gives these bits a meaning at this length"),
    ),
];
const SERVICE_REGISTER: &[Row] = &[
    IS_SERVICE,
    (0, 0b0000_1000, Part::Bit("C: verify", "C: write")),
    (0, 0b0000_0111, Part::Number("register less one")),
    (1, u8::MAX, VALUE),
];
const SERVICE_DIRECT: &[Row] = &[
    IS_SERVICE,
    (0, 0b0000_1100, CV_CODE),
    (0, 0b0000_0011, CV_HIGH),
    (1, u8::MAX, CV_LOW),
];
const SERVICE_BYTE: &[Row] = &[(2, u8::MAX, VALUE)];
const SERVICE_BIT: &[Row] = &bit_rows(2);
const NOTHING: &[Row] = &[];

/// The data byte of bit access, at this offset.
const fn bit_rows(offset: usize) -> [Row; 4] {
    [
        (offset, 0b1110_0000, Part::BitForm),
        (offset, 0b0001_0000, Part::Bit("K: verify", "K: write")),
        (
            offset,
            0b0000_1000,
            Part::Bit("D: the bit is 0", "D: the bit is 1"),
        ),
        (offset, 0b0000_0111, Part::Number("bit position")),
    ]
}

/// The fields of some bytes: those of the form that their first two bytes and their number tell,
/// then the check byte.
pub(super) fn of(bytes: &[u8], context: Context) -> impl Iterator<Item = Field> + use<'_> {
    // Fewer bytes than any packet has are shown as they are: none of them need be a check byte.
    let whole = bytes.len() >= Packet::MIN_LEN;
    let rows = if whole {
        rows(bytes, context)
    } else {
        [NOTHING; 3]
    };
    let body = bytes.split_last().map_or(NO_BYTES, |(_, body)| body);
    let check = bytes.last().filter(|_| whole).map(|check| {
        let expected = Packet::check_byte_of(body);
        let part = if *check == expected {
            Part::Words("check byte, the xor of the bytes before it")
        } else {
            Part::WrongCheck
        };
        let meaning = Meaning {
            part,
            value: expected,
        };
        Field {
            offset: body.len(),
            mask: u8::MAX,
            value: *check,
            meaning,
        }
    });
    rows.into_iter()
        .flatten()
        .filter_map(|row| field(body, *row))
        .chain(check)
}

const NO_BYTES: &[u8] = &[];

fn field(body: &[u8], (offset, mask, part): Row) -> Option<Field> {
    let byte = *body.get(offset)?;
    let value = (byte & mask) >> mask.trailing_zeros().min(7);
    Some(Field {
        offset,
        mask,
        value,
        meaning: Meaning { part, value },
    })
}

fn rows(bytes: &[u8], context: Context) -> [&'static [Row]; 3] {
    let (&[first, second, ..], len) = (bytes, bytes.len()) else {
        return [NOTHING; 3];
    };
    if context == Context::Service && first & 0b1111_0000 == 0b0111_0000 {
        return service_rows(first, len);
    }
    let one = match Partition::of(first) {
        Partition::Accessory => return accessory_rows(bytes, second),
        Partition::Idle if second == 0 && len == 3 => IDLE,
        Partition::Broadcast if second == 0 && len == 3 => RESET,
        Partition::Broadcast if second & 0b1100_1110 == 0b0100_0000 && len == 3 => STOP,
        Partition::Broadcast => BROADCAST,
        Partition::Short => SHORT,
        Partition::Long => LONG,
        Partition::Idle | Partition::Reserved | Partition::Advanced => RESERVED,
    };
    [one, NOTHING, NOTHING]
}

fn service_rows(first: u8, len: usize) -> [&'static [Row]; 3] {
    let data = if first & 0b1100 == 0b1000 {
        SERVICE_BIT
    } else {
        SERVICE_BYTE
    };
    match len {
        3 => [SERVICE_REGISTER, NOTHING, NOTHING],
        4 => [SERVICE_DIRECT, data, NOTHING],
        _ => [&[IS_SERVICE], NOTHING, NOTHING],
    }
}

fn accessory_rows(bytes: &[u8], second: u8) -> [&'static [Row]; 3] {
    let form = match (bytes.len(), second & 0b1000_1111) {
        (3, 0x80..) => BASIC,
        (3, 0x08..=0x0f) => NOP,
        (4, 0x01 | 0x03 | 0x05 | 0x07) => EXTENDED,
        (5, 0x0c..=0x0f) => LEGACY,
        (6, 0x80) => CV_DECODER,
        (6, 0x88..) => CV_OUTPUT,
        (6, 0x01 | 0x03 | 0x05 | 0x07) => CV_EXTENDED,
        _ => UNKNOWN_ACCESSORY,
    };
    match bytes {
        [_, _, third, _, _, _] if third & 0b1111_0000 == 0b1110_0000 => {
            let bit = third & 0b1100 == 0b1000;
            [form, CV_ACCESS, if bit { CV_BIT } else { CV_BYTE }]
        }
        _ => [form, NOTHING, NOTHING],
    }
}

impl fmt::Display for Meaning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.value;
        match self.part {
            Part::Words(words) => f.write_str(words),
            Part::Bit(zero, one) => f.write_str(if value == 0 { zero } else { one }),
            Part::Code(words) => {
                f.write_str(words.get(usize::from(value)).copied().unwrap_or_default())
            }
            Part::Number(label) => write!(f, "{label}: {value}"),
            Part::Binary(label, width) => write!(f, "{label}: {value:0width$b}"),
            Part::Inverted(label) => write!(f, "{label}: {:03b}", !value & 0b111),
            Part::BitForm if value == 0b111 => f.write_str("one bit"),
            Part::BitForm => f.write_str("should be 111"),
            Part::WrongCheck => {
                write!(
                    f,
                    "check byte, wrong: the xor of the bytes before it is {value:02X}"
                )
            }
        }
    }
}
