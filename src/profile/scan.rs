//! Templates and byte patterns into tokens.

use std::ops::Range;

/// A place in a template: `{expression:format}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Field<'t> {
    /// What stands before the colon.
    pub(super) inner: &'t str,
    /// Byte of the template where that starts.
    pub(super) at: usize,
    /// What stands behind the colon; empty without one.
    pub(super) format: &'t str,
    /// The whole field with its braces.
    pub(super) range: Range<usize>,
}

/// A piece of a text template.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum TextToken<'t> {
    Literal(String),
    Field(Field<'t>),
}

/// A piece of a binary template or pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum BinaryToken<'t> {
    /// Bits that are written out: eight for a byte in hexadecimal, fewer for `0b…`.
    Fixed {
        value: u8,
        bits: u8,
        text: &'t str,
    },
    /// `??`.
    Any(Range<usize>),
    Field(Field<'t>),
}

/// What a template can't have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Slip {
    pub(super) at: Range<usize>,
    pub(super) what: String,
    pub(super) mend: &'static str,
}

/// The tokens of a text template: text, `{…}` for a place, `{{` and `}}` for the braces
/// themselves.
pub(super) fn text(template: &str) -> Result<Vec<TextToken<'_>>, Slip> {
    let mut tokens = Vec::new();
    let mut literal = String::new();
    let mut at = 0;
    while let Some(c) = template[at..].chars().next() {
        let doubled = template[at + c.len_utf8()..].starts_with(c);
        match c {
            '{' | '}' if doubled => {
                literal.push(c);
                at += 2;
            }
            '{' => {
                if !literal.is_empty() {
                    tokens.push(TextToken::Literal(std::mem::take(&mut literal)));
                }
                let field = field(template, at)?;
                at = field.range.end;
                tokens.push(TextToken::Field(field));
            }
            '}' => return Err(lone_brace(at)),
            _ => {
                literal.push(c);
                at += c.len_utf8();
            }
        }
    }
    if !literal.is_empty() {
        tokens.push(TextToken::Literal(literal));
    }
    Ok(tokens)
}

/// The tokens of a binary template or pattern: bytes in hexadecimal, bits as `0b101`, `??` for
/// any byte, `{…}` for a place; white space between them is nothing.
pub(super) fn binary(template: &str) -> Result<Vec<BinaryToken<'_>>, Slip> {
    let mut tokens = Vec::new();
    let mut at = 0;
    while let Some(c) = template[at..].chars().next() {
        let rest = &template[at..];
        if c.is_whitespace() {
            at += c.len_utf8();
        } else if c == '{' {
            let field = field(template, at)?;
            at = field.range.end;
            tokens.push(BinaryToken::Field(field));
        } else if c == '}' {
            return Err(lone_brace(at));
        } else if rest.starts_with("??") {
            tokens.push(BinaryToken::Any(at..at + 2));
            at += 2;
        } else if let Some(digits) = rest.strip_prefix("0b") {
            let length = digits
                .find(|c| !matches!(c, '0' | '1'))
                .unwrap_or(digits.len());
            let end = at + 2 + length;
            let bits = u8::try_from(length).unwrap_or(u8::MAX);
            let value = u8::from_str_radix(&digits[..length], 2);
            let value = value.map_err(|_| Slip {
                at: at..end,
                what: "`0b` wants one to eight digits 0 or 1 behind it".to_owned(),
                mend: "write bits like 0b010, at most eight in a row",
            })?;
            let text = &template[at..end];
            tokens.push(BinaryToken::Fixed { value, bits, text });
            at = end;
        } else {
            let value = rest
                .get(..2)
                .filter(|digits| digits.chars().all(|digit| digit.is_ascii_hexdigit()));
            let value = value.and_then(|digits| u8::from_str_radix(digits, 16).ok());
            let Some(value) = value else {
                let wrong = c.len_utf8();
                return Err(Slip {
                    at: at..at + wrong,
                    what: format!("{c:?} is no byte: bytes are written in hexadecimal"),
                    mend: "write two hexadecimal digits for a byte (C5), 0b for bits (0b010), \
                           ?? for any byte in a reply, and {…} for a place",
                });
            };
            let text = &rest[..2];
            let bits = 8;
            tokens.push(BinaryToken::Fixed { value, bits, text });
            at += 2;
        }
    }
    Ok(tokens)
}

fn lone_brace(at: usize) -> Slip {
    Slip {
        at: at..at + 1,
        what: "a `}` stands alone".to_owned(),
        mend: "write {name} for a place; a brace of a text itself is doubled: {{ or }}",
    }
}

/// The field that starts with the brace at `open`.
fn field(template: &str, open: usize) -> Result<Field<'_>, Slip> {
    let mut colon = None;
    let mut quoted = false;
    for (index, c) in template[open + 1..].char_indices() {
        let here = open + 1 + index;
        match c {
            '\'' if colon.is_some() => quoted = !quoted,
            ':' if colon.is_none() => colon = Some(here),
            '}' if !quoted => {
                let end = colon.unwrap_or(here);
                let format = colon.map_or("", |colon| &template[colon + 1..here]);
                return Ok(Field {
                    inner: &template[open + 1..end],
                    at: open + 1,
                    format,
                    range: open..here + 1,
                });
            }
            _ => {}
        }
    }
    Err(Slip {
        at: open..template.len(),
        what: "the `{` is never closed".to_owned(),
        mend: "close the place with }; a brace of a text itself is doubled: {{ or }}",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_has_fields_and_doubled_braces() {
        let tokens = text("a{{b {keyed + 1:04} ü{packet:02X '}'}").unwrap();
        let [
            TextToken::Literal(first),
            TextToken::Field(keyed),
            TextToken::Literal(second),
            TextToken::Field(packet),
        ] = &*tokens
        else {
            panic!("{tokens:?}");
        };
        assert_eq!((&**first, &**second), ("a{b ", " ü"));
        assert_eq!(
            (keyed.inner, keyed.at, keyed.format),
            ("keyed + 1", 6, "04")
        );
        assert_eq!(keyed.range, 5..19);
        assert_eq!((packet.inner, packet.format), ("packet", "02X '}'"));
    }

    #[test]
    fn bytes_bits_and_any_byte() {
        let tokens = binary("C50f 0b010{a:5bits} ??").unwrap();
        assert_eq!(tokens.len(), 5);
        let fixed = |value, bits, text| BinaryToken::Fixed { value, bits, text };
        assert_eq!(tokens[..2], [fixed(0xc5, 8, "C5"), fixed(0x0f, 8, "0f")]);
        assert_eq!(tokens[2], fixed(0b010, 3, "0b010"));
        assert_eq!(tokens[4], BinaryToken::Any(20..22));
    }

    #[test]
    fn slips_tell_where() {
        let at = |slip: Result<Vec<_>, Slip>| slip.unwrap_err().at;
        assert_eq!(text("a}b").unwrap_err().at, 1..2);
        assert_eq!(text("a {keyed").unwrap_err().at, 2..8);
        assert_eq!(at(binary("C5 G1")), 3..4);
        assert_eq!(at(binary("C5 1")), 3..4);
        assert_eq!(at(binary("0b")), 0..2);
        assert_eq!(at(binary("0b111100001")), 0..11);
        assert_eq!(at(binary("ü")), 0..2);
    }
}
