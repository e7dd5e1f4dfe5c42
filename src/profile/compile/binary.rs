//! Templates of binary protocols.

use crate::toml_reader::Problem;

use super::formats::{NUMBER_BYTES, number_format};
use super::{Compiler, Placed, Source, no_positions, within, wrong};
use crate::profile::Positions;
use crate::profile::scan::{self, BinaryToken, Field};
use crate::profile::template::{Kind, NumberFormat, PacketFormat, Piece, Template};
use crate::profile::value::Value;

impl Compiler<'_> {
    pub(super) fn binary_template(&self, source: Source<'_, '_>) -> Result<Template, Box<Problem>> {
        let text = source.text.value;
        let tokens = scan::binary(text).map_err(|slip| self.slip(source, &slip))?;
        let mut pieces = Vec::new();
        let mut bits = Bits::default();
        let mut packets = 0;
        for token in tokens {
            match token {
                BinaryToken::Fixed {
                    value,
                    bits: count,
                    text: shown,
                } => {
                    bits.take(count, count == 8 && !shown.starts_with("0b"))
                        .map_err(|()| self.ragged(source, shown))?;
                    pieces.push(Piece {
                        text: shown.to_owned(),
                        kind: Kind::Fixed { value, bits: count },
                    });
                }
                BinaryToken::Any(range) => {
                    return Err(wrong(
                        "template",
                        "`??` stands for any byte, and what is sent must be one",
                        "write the byte: 00",
                        within(self.file, source.text, range),
                    ));
                }
                BinaryToken::Field(field) => {
                    let kind = self.binary_field(source, &field)?;
                    let shown = &text[field.range.clone()];
                    packets += usize::from(matches!(kind, Kind::Packet { .. }));
                    let (count, whole) = match &kind {
                        Kind::Number(_, NumberFormat::Bits(count)) => (*count, false),
                        Kind::Number(..)
                        | Kind::Literal(_)
                        | Kind::Fixed { .. }
                        | Kind::Position(_)
                        | Kind::Packet { .. }
                        | Kind::Reason => (0, true),
                    };
                    bits.take(count, whole)
                        .map_err(|()| self.ragged(source, shown))?;
                    let text = shown.to_owned();
                    pieces.push(Piece { text, kind });
                }
            }
        }
        if packets > 1 {
            return Err(wrong(
                "template",
                "the packet stands in it twice",
                "leave {packet} or {packet_body} there once",
                source.text.span,
            ));
        }
        bits.take(0, true)
            .map_err(|()| self.ragged(source, "the end"))?;
        Ok(Template::of_binary(text, pieces))
    }

    fn ragged(&self, source: Source<'_, '_>, before: &str) -> Box<Problem> {
        let at = source.text.value.find(before);
        let at = at.map_or(source.text.span, |at| {
            within(self.file, source.text, at..at + before.len())
        });
        wrong(
            "bits",
            format!("the bits before {before} fill no whole byte"),
            "bits in a row must come to 8, 16, 24 …; fill up with 0b0",
            at,
        )
    }

    fn binary_field(
        &self,
        source: Source<'_, '_>,
        field: &Field<'_>,
    ) -> Result<Kind, Box<Problem>> {
        match self.place(source, field)? {
            Placed::Packet { body } if field.format.is_empty() => Ok(Kind::Packet {
                body,
                format: PacketFormat::Raw,
            }),
            Placed::Packet { .. } => {
                Err(self.bad_format(source, field, "in a binary protocol the packet takes none"))
            }
            Placed::Reason => {
                let at = within(self.file, source.text, field.range.clone());
                Err(wrong(
                    "place-not-here",
                    "`reason` is a text, which a binary message has no place for",
                    "write the byte the station sends",
                    at,
                ))
            }
            Placed::Number(formula) => {
                let at = within(self.file, source.text, field.range.clone());
                let has_numbers = matches!(self.positions, Some(Positions::Numbers(_)));
                if formula.values().contains(&&Value::Position) && !has_numbers {
                    return Err(no_positions(at));
                }
                let format = number_format(field.format);
                let format = format.ok_or_else(|| self.bad_format(source, field, NUMBER_BYTES))?;
                Ok(Kind::Number(formula, format))
            }
        }
    }
}

/// Counts bits into whole bytes.
#[derive(Default)]
struct Bits(u32);

impl Bits {
    /// Takes some bits; what is `whole` must begin with a byte.
    fn take(&mut self, bits: u8, whole: bool) -> Result<(), ()> {
        if whole && !self.0.is_multiple_of(8) {
            return Err(());
        }
        self.0 += u32::from(bits);
        Ok(())
    }
}
