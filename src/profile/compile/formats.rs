//! What may stand behind the colon of a place.

use crate::profile::check_bytes::ByteOrder;
use crate::profile::template::{Base, Digits, NumberFormat};

pub(super) const NUMBER_TEXT: &str = "formats are {keyed} (as many digits as it takes), {keyed:4} (four \
                           characters), {keyed:04} (filled up with zeros), and the same in \
                           hexadecimal: {keyed:X}, {keyed:02x}";

pub(super) const PACKET_TEXT: &str = "formats are {packet:02X} (F9), {packet:02x} (f9) and {packet:03d} \
                           (249), with what stands between the bytes in quotes: {packet:02X '-'}";

pub(super) const NUMBER_BYTES: &str = "formats are {keyed:1} (one byte), {keyed:2be} (two bytes, the high \
                            one first), {keyed:2le} (the low one first), up to 4, and \
                            {keyed:5bits} (up to 32 bits)";

/// `04`, `4`, `X`, `02x`, `d`.
pub(super) fn digits(format: &str) -> Option<Digits> {
    let (format, base) = match format.as_bytes().last() {
        Some(b'x') => (&format[..format.len() - 1], Base::Lower),
        Some(b'X') => (&format[..format.len() - 1], Base::Upper),
        Some(b'd') => (&format[..format.len() - 1], Base::Decimal),
        _ => (format, Base::Decimal),
    };
    let width = match format {
        "" => 0,
        text if text.bytes().all(|byte| byte.is_ascii_digit()) => {
            text.parse().ok().filter(|width| (1..=20).contains(width))?
        }
        _ => return None,
    };
    let zeros = format.starts_with('0');
    Some(Digits { base, width, zeros })
}

/// `02X`, `02X '-'`.
pub(super) fn digits_and_between(format: &str) -> Option<(Digits, String)> {
    let (number, between) = match format.split_once('\'') {
        None => (format, ""),
        Some((number, rest)) => (number.trim_end(), rest.strip_suffix('\'')?),
    };
    let plain = |c: char| c.is_ascii_punctuation() || c == ' ';
    if !between.chars().all(plain) {
        return None;
    }
    let digits = digits(number)?;
    // Bytes with nothing between them can only be told apart by their width.
    let even = digits.zeros && digits.width >= if digits.base == Base::Decimal { 3 } else { 2 };
    let even = even && digits.width <= 3;
    (even || !between.is_empty()).then(|| (digits, between.to_owned()))
}

/// Nothing (one byte), `1`, `2be`, `2le`, `3bits`.
pub(in crate::profile) fn number_format(format: &str) -> Option<NumberFormat> {
    let split = format.find(|c: char| !c.is_ascii_digit());
    let (count, unit) = format.split_at(split.unwrap_or(format.len()));
    let count = match count {
        "" if unit.is_empty() => 1,
        _ => count.parse::<u8>().ok()?,
    };
    let bytes = |order| {
        let fits = (1..=4).contains(&count);
        fits.then_some(NumberFormat::Bytes { count, order })
    };
    match unit {
        "" if count == 1 => bytes(ByteOrder::BigEndian),
        "be" => bytes(ByteOrder::BigEndian),
        "le" => bytes(ByteOrder::LittleEndian),
        "bit" | "bits" if (1..=32).contains(&count) => Some(NumberFormat::Bits(count)),
        _ => None,
    }
}
