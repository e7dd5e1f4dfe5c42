//! Templates of text protocols.

use std::ops::Range;

use crate::textfile::Span;
use crate::toml_reader::Problem;

use super::formats::{NUMBER_TEXT, PACKET_TEXT, digits, digits_and_between};
use super::{Compiler, Placed, Source, no_positions, within, wrong};
use crate::profile::Positions;
use crate::profile::framing::{Encoding, TextFraming};
use crate::profile::scan::{self, Field, TextToken};
use crate::profile::template::{Kind, NumberFormat, PacketFormat, Piece, Template, Word};
use crate::profile::value::Value;

impl Compiler<'_> {
    pub(super) fn text_template(
        &self,
        source: Source<'_, '_>,
        framing: &TextFraming,
    ) -> Result<Template, Box<Problem>> {
        let text = source.text.value;
        let tokens = scan::text(text).map_err(|slip| self.slip(source, &slip))?;
        let mut pieces = Vec::new();
        let mut open_ended: Option<Range<usize>> = None;
        for token in tokens {
            match token {
                TextToken::Literal(literal) => {
                    open_ended = None;
                    pieces.push(self.literal(source, framing, literal)?);
                }
                TextToken::Field(field) => {
                    let kind = self.text_field(source, &field, framing)?;
                    let apart = is_apart(&kind);
                    if let (Some(before), false) = (open_ended.take(), apart) {
                        let at = before.start..field.range.end;
                        return Err(wrong(
                            "run-together",
                            "nothing tells where the first of these places ends and the second \
                             begins",
                            "put a character between them, or give the first a width: {keyed:04}",
                            within(self.file, source.text, at),
                        ));
                    }
                    open_ended = (!apart && !has_width(&kind)).then(|| field.range.clone());
                    pieces.push(Piece {
                        text: text[field.range.clone()].to_owned(),
                        kind,
                    });
                }
            }
        }
        Template::of_text(text, pieces).map_err(|error| {
            let what = format!("this is too much for one message: {error}");
            wrong("template", what, "make it shorter", source.text.span)
        })
    }

    fn literal(
        &self,
        source: Source<'_, '_>,
        framing: &TextFraming,
        literal: String,
    ) -> Result<Piece, Box<Problem>> {
        let bytes = framing.encoding.encode(&literal).map_err(|c| {
            let at = source.text.value.find(c).unwrap_or_default();
            let at = within(self.file, source.text, at..at + c.len_utf8());
            not_in_encoding(c, framing.encoding, at)
        })?;
        let ends = framing.line_ends_in.iter().chain([&framing.line_end]);
        for end in ends.filter(|end| !end.is_empty()) {
            if literal.contains(&**end) {
                return Err(wrong(
                    "line-end",
                    format!("{} has a line end in it", source.called),
                    "leave it out: the line end is put behind every message by itself",
                    source.text.span,
                ));
            }
        }
        Ok(Piece {
            text: literal,
            kind: Kind::Literal(bytes),
        })
    }

    fn text_field(
        &self,
        source: Source<'_, '_>,
        field: &Field<'_>,
        framing: &TextFraming,
    ) -> Result<Kind, Box<Problem>> {
        match self.place(source, field)? {
            Placed::Packet { body } => {
                let format = digits_and_between(field.format);
                let format = format.ok_or_else(|| self.bad_format(source, field, PACKET_TEXT))?;
                let format = PacketFormat::Digits(format.0, format.1);
                Ok(Kind::Packet { body, format })
            }
            Placed::Reason => Ok(Kind::Reason),
            Placed::Number(formula) => {
                if formula.alone() == Some(&Value::Position) {
                    return self.position(source, field, framing);
                }
                if formula.values().contains(&&Value::Position) {
                    let at = within(self.file, source.text, field.range.clone());
                    return Err(wrong(
                        "place-not-here",
                        "`position` is a word in a text protocol, and a word is no number",
                        "use `pair_bit` in expressions: 1 is straight, 0 diverging",
                        at,
                    ));
                }
                let digits = digits(field.format);
                let digits = digits.ok_or_else(|| self.bad_format(source, field, NUMBER_TEXT))?;
                Ok(Kind::Number(formula, NumberFormat::Digits(digits)))
            }
        }
    }

    fn position(
        &self,
        source: Source<'_, '_>,
        field: &Field<'_>,
        framing: &TextFraming,
    ) -> Result<Kind, Box<Problem>> {
        let at = within(self.file, source.text, field.range.clone());
        if !field.format.is_empty() {
            return Err(wrong(
                "place-format",
                "`position` is a word and takes no format",
                "write {position}",
                at,
            ));
        }
        let Some(Positions::Words(words)) = self.positions else {
            return Err(no_positions(at));
        };
        // Straight is bit R = 1, and first here.
        let [diverging, straight] = words;
        let word = |text: &str| {
            let bytes = framing.encoding.encode(text);
            bytes.map(|bytes| Word {
                text: text.to_owned(),
                bytes,
            })
        };
        let words = (word(straight), word(diverging));
        match words {
            (Ok(straight), Ok(diverging)) => Ok(Kind::Position([straight, diverging])),
            (Err(c), _) | (_, Err(c)) => Err(not_in_encoding(c, framing.encoding, at)),
        }
    }
}

/// Is it a word that no digit can be taken for?
fn is_apart(kind: &Kind) -> bool {
    let no_digit = |word: &Word| {
        let mut ends = word
            .text
            .chars()
            .next()
            .into_iter()
            .chain(word.text.chars().last());
        ends.all(|c| !c.is_ascii_hexdigit())
    };
    matches!(kind, Kind::Position(words) if words.iter().all(no_digit))
}

/// Has it always the same number of characters?
fn has_width(kind: &Kind) -> bool {
    matches!(kind, Kind::Number(_, NumberFormat::Digits(digits)) if digits.width > 0)
}

fn not_in_encoding(c: char, encoding: Encoding, at: Span) -> Box<Problem> {
    let name = match encoding {
        Encoding::Ascii => "ascii",
        Encoding::Utf8 => "utf-8",
        Encoding::Latin1 => "latin-1",
    };
    wrong(
        "encoding",
        format!("{c:?} is not in {name}"),
        "use another character, or another `encoding` in [framing]",
        at,
    )
}
