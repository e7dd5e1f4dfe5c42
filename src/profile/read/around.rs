//! `[framing]`: what is around a message.

use crate::textfile::Span;
use crate::toml_reader::{Choice, Located, Table};

use crate::profile::check_bytes::{ByteOrder, Check, CheckSum, Covers, CrcCheck, CrcParameters};
use crate::profile::compile::meaning;
use crate::profile::framing::{
    BinaryFraming, Counts, Encoding, Framing, Length, Stuffing, TextFraming,
};
use crate::profile::scan::{self, BinaryToken};

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Text,
    Binary,
}

impl Choice for Kind {
    const NAMES: &'static [(&'static str, Self)] =
        &[("text", Self::Text), ("binary", Self::Binary)];
}

impl Choice for Encoding {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("ascii", Self::Ascii),
        ("utf-8", Self::Utf8),
        ("latin-1", Self::Latin1),
    ];
}

impl Choice for ByteOrder {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("big-endian", Self::BigEndian),
        ("little-endian", Self::LittleEndian),
    ];
}

impl Choice for Counts {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("frame", Self::Frame),
        ("after", Self::After),
        ("body", Self::Body),
    ];
}

impl Choice for Covers {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("frame", Self::Frame),
        ("after-start", Self::AfterStart),
        ("body", Self::Body),
    ];
}

#[derive(Clone, Copy, PartialEq)]
enum CheckKind {
    None,
    Xor,
    Sum,
    TwosComplement,
    Crc,
}

impl Choice for CheckKind {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("none", Self::None),
        ("xor", Self::Xor),
        ("sum", Self::Sum),
        ("twos-complement", Self::TwosComplement),
        ("crc", Self::Crc),
    ];
}

/// What is around a message; what is wrong with it is reported.
pub(super) fn framing(table: Table<'_>) -> Option<Framing> {
    let kind = table.choice("kind").required()?;
    match kind.value {
        Kind::Text => text(table).map(Framing::Text),
        Kind::Binary => binary(table).map(Framing::Binary),
    }
}

fn text(table: Table<'_>) -> Option<TextFraming> {
    let encoding = table.choice("encoding").or(Encoding::Ascii);
    let line_end = table.string("line_end").required();
    let ends_in = table.strings("line_ends_in").optional();
    let longest = table.integer("longest", 8..=4096_u16).or(256);
    let ends_in = ends_in.map_or_else(Vec::new, |ends| ends.value);
    let mut sound = true;
    for end in ends_in.iter().chain(&line_end) {
        let bytes = encoding.encode(end.value).map(|bytes| bytes.len());
        if !matches!(bytes, Ok(1..=4)) {
            sound = false;
            table.report(meaning(
                "line-end",
                "a line end has one to four bytes of the encoding",
                "write it like \"\\r\\n\"",
                end.span,
            ));
        }
    }
    table.finish();
    let line_end = line_end?.value.to_owned();
    let mut line_ends_in: Vec<_> = ends_in.iter().map(|end| end.value.to_owned()).collect();
    if line_ends_in.is_empty() {
        line_ends_in.push(line_end.clone());
    }
    sound.then(|| TextFraming {
        line_end,
        line_ends_in,
        encoding,
        longest: longest.into(),
    })
}

fn binary(table: Table<'_>) -> Option<BinaryFraming> {
    let start = table.string("start").optional();
    let start_span = start.map(|start| start.span);
    let start = start.map_or(Some(Vec::new()), |start| bytes(&table, start, 8));
    let end_text = table.string("end").optional();
    let end = end_text.map(|end| one_byte(&table, end));
    let longest = table.integer("longest", 2..=4096_u16).or(256);
    let stuffing = table.table("stuffing").optional();
    let length = table.table("length").optional();
    let check = table.table("check").optional();
    let span = table.span();
    let given = Given {
        start: start.unwrap_or_default(),
        end: end.flatten(),
        longest: longest.into(),
    };
    let end_is_wrong = end == Some(None);
    let stuffed = stuffing.is_some();
    let stuffing = stuffing.map(|table| stuffing_of(table.value, &given));
    let length = length.map(|table| length_of(table.value, &given));
    let check = check.map(|table| check_of(table.value));
    if end_text.is_some() && !stuffed && length.is_none() {
        table.report(meaning(
            "end-without-stuffing",
            "a message may have the end byte in it, and then ends too early",
            "add [framing.stuffing] or [framing.length], as the station's manual has it",
            end_text.map_or(span, |end| end.span),
        ));
    }
    if stuffed && end_text.is_none() && length.is_none() {
        table.report(meaning(
            "stuffing-without-end",
            "stuffed bytes have no length of their own, and nothing says where they end",
            "add end = \"…\", as the station's manual has it",
            start_span.unwrap_or(span),
        ));
    }
    table.finish();
    if end_is_wrong || stuffing == Some(None) || length == Some(None) || check == Some(None) {
        return None;
    }
    Some(BinaryFraming {
        start: given.start,
        end: given.end,
        stuffing: stuffing.flatten(),
        length: length.flatten(),
        check: check.flatten().flatten(),
        longest: given.longest,
    })
}

struct Given {
    start: Vec<u8>,
    end: Option<u8>,
    longest: usize,
}

fn stuffing_of(table: Table<'_>, given: &Given) -> Option<Stuffing> {
    let escape = table.string("escape").required();
    let escape = escape.and_then(|escape| one_byte(&table, escape));
    let xor = table.integer("xor", 0..=255_u8).required();
    let listed = table.string("bytes").optional();
    let listed = listed.map_or(Some(Vec::new()), |listed| bytes(&table, listed, 64));
    let span = table.span();
    let (Some(escape), Some(xor), Some(mut bytes)) = (escape, xor, listed) else {
        table.finish();
        return None;
    };
    let always = given.start.first().into_iter().chain(&given.end);
    for byte in always.chain([&escape]) {
        if !bytes.contains(byte) {
            bytes.push(*byte);
        }
    }
    let clash = bytes
        .iter()
        .find(|byte| bytes.contains(&(**byte ^ xor.value)));
    if let Some(byte) = clash {
        let changed = byte ^ xor.value;
        table.report(meaning(
            "stuffing",
            format!("{byte:02X} would be sent as {changed:02X}, which must be changed itself"),
            "look the number up in the station's manual",
            xor.span,
        ));
    }
    let marks = given.start.first() == Some(&escape) || given.end == Some(escape);
    if marks {
        let what = format!("{escape:02X} starts or ends a frame and can't be the escape too");
        table.report(meaning(
            "stuffing",
            what,
            "look it up in the station's manual",
            span,
        ));
    }
    table.finish();
    (clash.is_none() && !marks).then_some(Stuffing {
        escape,
        xor: xor.value,
        bytes,
    })
}

fn length_of(table: Table<'_>, given: &Given) -> Option<Length> {
    let begins = given.start.len();
    let first = i64::try_from(begins).unwrap_or_default();
    let at = table.integer("at", first..=64_i64).or(first);
    let bytes = table.integer("bytes", 1..=2_u8).or(1);
    let order = table.choice("order");
    let order = if bytes > 1 {
        order.required()
    } else {
        order.optional()
    };
    let counts = table.choice("counts").required();
    let plus = table.integer("plus", -64..=64_i32).or(0);
    table.finish();
    let order = match order {
        Some(order) => order.value,
        None if bytes > 1 => return None,
        None => ByteOrder::BigEndian,
    };
    Some(Length {
        at: usize::try_from(at).unwrap_or(begins),
        bytes: bytes.into(),
        order,
        counts: counts?.value,
        plus,
    })
}

/// The check; `Some(None)` for the kind `none`.
#[expect(
    clippy::option_option,
    reason = "wrong, none, and one are three things"
)]
fn check_of(table: Table<'_>) -> Option<Option<Check>> {
    let kind = table.choice("kind").required()?.value;
    if kind == CheckKind::None {
        table.finish();
        return Some(None);
    }
    let covers = table.choice("covers").or(Covers::Body);
    let (sum, wide) = match kind {
        CheckKind::Xor => {
            let init = table.integer("init", 0..=u8::MAX).or(0);
            let xorout = table.integer("xorout", 0..=u8::MAX).or(0);
            (Some(CheckSum::Xor { init, xorout }), false)
        }
        CheckKind::Sum => {
            let bytes = table.integer("bytes", 1..=2_u8).or(1);
            let init = table.integer("init", 0..=u16::MAX).or(0);
            let xorout = table.integer("xorout", 0..=u16::MAX).or(0);
            let sum = CheckSum::Sum {
                bytes,
                init,
                xorout,
            };
            (Some(sum), bytes > 1)
        }
        CheckKind::Crc => {
            let crc = crc_of(&table);
            let wide = crc.is_some_and(|crc| crc.width > 8);
            let sum = crc.map(|crc| CheckSum::Crc(CrcCheck::new(crc)));
            (sum, wide)
        }
        CheckKind::TwosComplement | CheckKind::None => (Some(CheckSum::TwosComplement), false),
    };
    let order = table.choice("order");
    let order = if wide {
        order.required()
    } else {
        order.optional()
    };
    table.finish();
    let order = match order {
        Some(order) => order.value,
        None if wide => return None,
        None => ByteOrder::BigEndian,
    };
    Some(Some(Check {
        sum: sum?,
        covers,
        order,
    }))
}

fn crc_of(table: &Table<'_>) -> Option<CrcParameters> {
    let width = table.integer("width", 3..=32_u8).required();
    let most = width.map_or(u32::MAX, |width| u32::MAX >> (32 - width.value));
    let poly = table.integer("poly", 1..=most).required();
    let init = table.integer("init", 0..=most).or(0);
    let refin = table.boolean("refin").or(false);
    let refout = table.boolean("refout").or(false);
    let xorout = table.integer("xorout", 0..=most).or(0);
    Some(CrcParameters {
        width: width?.value,
        poly: poly?.value,
        init,
        refin,
        refout,
        xorout,
    })
}

/// Bytes written in hexadecimal.
fn bytes(table: &Table<'_>, text: Located<&str>, most: usize) -> Option<Vec<u8>> {
    let wrong = |at: Span| {
        table.report(meaning(
            "bytes",
            format!("this must be 1 to {most} bytes in hexadecimal"),
            "write them like \"C5\" or \"C5 9E\"",
            at,
        ));
        None
    };
    let Ok(tokens) = scan::binary(text.value) else {
        return wrong(text.span);
    };
    let byte = |token: &BinaryToken<'_>| match token {
        BinaryToken::Fixed { value, bits: 8, .. } => Some(*value),
        BinaryToken::Fixed { .. } | BinaryToken::Any(_) | BinaryToken::Field(_) => None,
    };
    let bytes: Option<Vec<u8>> = tokens.iter().map(byte).collect();
    match bytes {
        Some(bytes) if (1..=most).contains(&bytes.len()) => Some(bytes),
        _ => wrong(text.span),
    }
}

fn one_byte(table: &Table<'_>, text: Located<&str>) -> Option<u8> {
    bytes(table, text, 1)?.first().copied()
}
