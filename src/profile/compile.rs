//! Templates of a profile, from its text.

use std::ops::Range;

use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Fault, Located, Problem, Table, nearest};

use super::Positions;
use super::check_bytes::ByteOrder;
use super::formula::{Formula, Name};
use super::framing::{Encoding, Framing, TextFraming};
use super::scan::{self, BinaryToken, Field, Slip, TextToken};
use super::template::{Base, Digits, Kind, NumberFormat, PacketFormat, Piece, Template, Word};
use super::value::{Place, Scope, Value};

/// What templates are read with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Compiler<'a> {
    pub(super) file: &'a TextFile,
    pub(super) framing: &'a Framing,
    pub(super) positions: Option<&'a Positions>,
}

/// A template's text, where it is, and what it is for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source<'a, 'd> {
    pub(super) table: &'a Table<'d>,
    pub(super) text: Located<&'d str>,
    /// What messages call it: `` `throw` ``.
    pub(super) called: &'a str,
    pub(super) scope: Scope,
}

/// Something wrong within a text of the file.
pub(super) fn meaning(
    code: &'static str,
    what: impl Into<String>,
    mend: impl Into<String>,
    at: Span,
) -> Problem {
    let (what, mend) = (what.into(), mend.into());
    Problem::new(Fault::Meaning { code, what, mend }, at)
}

/// The same, to be handed on.
fn wrong(
    code: &'static str,
    what: impl Into<String>,
    mend: impl Into<String>,
    at: Span,
) -> Box<Problem> {
    Box::new(meaning(code, what, mend, at))
}

/// Where a range of a text stands in the file; the whole text where it is written with escapes.
pub(super) fn within(file: &TextFile, text: Located<&str>, range: Range<usize>) -> Span {
    let raw = file.text().get(text.span.start..text.span.end);
    let raw = raw.unwrap_or_default();
    let inside = raw.trim_start_matches(['"', '\'']);
    let skipped = raw.len() - inside.len();
    if inside.starts_with(text.value) {
        let start = text.span.start + skipped;
        let end = start + range.end.max(range.start + 1);
        Span {
            start: start + range.start,
            end: end.min(text.span.end),
        }
    } else {
        text.span
    }
}

impl Compiler<'_> {
    /// The template; what is wrong with it is reported.
    pub(super) fn template(&self, source: Source<'_, '_>) -> Option<Template> {
        let made = match self.framing {
            Framing::Text(framing) => self.text_template(source, framing),
            Framing::Binary(_) => self.binary_template(source),
        };
        match made {
            Ok(template) => Some(template),
            Err(problem) => {
                source.table.report(*problem);
                None
            }
        }
    }

    fn slip(&self, source: Source<'_, '_>, slip: &Slip) -> Box<Problem> {
        let at = within(self.file, source.text, slip.at.clone());
        wrong("template", &*slip.what, slip.mend, at)
    }

    fn text_template(
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

    fn binary_template(&self, source: Source<'_, '_>) -> Result<Template, Box<Problem>> {
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

    /// What a field wants, its names looked up.
    fn place(&self, source: Source<'_, '_>, field: &Field<'_>) -> Result<Placed, Box<Problem>> {
        let formula = self.formula(source.text, field.inner, field.at)?;
        let alone = formula.alone().cloned();
        let resolved = formula.resolve(|name| {
            let at = field.at + name.at;
            let at = within(self.file, source.text, at..at + name.text.len());
            match place(&name, source, at)? {
                Place::Number(value) => Ok(value),
                Place::Packet { body } => Err(Odd::Packet { body, at }),
                Place::Reason => Err(Odd::Reason(at)),
            }
        });
        match (resolved, alone) {
            (Ok(formula), _) => Ok(Placed::Number(formula)),
            (Err(Odd::Packet { body, .. }), Some(_)) => Ok(Placed::Packet { body }),
            (Err(Odd::Reason(_)), Some(_)) => Ok(Placed::Reason),
            (Err(Odd::Packet { at, .. } | Odd::Reason(at)), None) => Err(wrong(
                "place-not-here",
                "this is no number and can't be calculated with",
                "let it stand alone in its braces",
                at,
            )),
            (Err(Odd::Problem(problem)), _) => Err(problem),
        }
    }

    /// An expression that stands in a text of the file, `at` bytes from its start.
    pub(super) fn formula(
        &self,
        text: Located<&str>,
        inner: &str,
        at: usize,
    ) -> Result<Formula<Name>, Box<Problem>> {
        Formula::parse(inner).map_err(|broken| {
            let start = at + broken.at.min(inner.len());
            let shown = inner.get(broken.at..).unwrap_or_default();
            let what = if inner.trim().is_empty() {
                "nothing stands here; it wants a value".to_owned()
            } else if shown.trim().is_empty() {
                format!("`{inner}` ends too early")
            } else {
                format!("`{inner}` makes no sense from `{shown}` on")
            };
            let end = start + shown.len();
            wrong(
                "expression",
                what,
                "an expression is values, whole numbers (10, 0x0A, 0b1010), ( ), and \
                 - ~ * / % + << >> & ^ | == != < <= > >=",
                within(self.file, text, start..end),
            )
        })
    }

    fn bad_format(&self, source: Source<'_, '_>, field: &Field<'_>, mend: &str) -> Box<Problem> {
        let start = field.range.end - 1 - field.format.len();
        let at = within(self.file, source.text, start..field.range.end - 1);
        let what = if field.format.is_empty() {
            format!("{{{}}} wants a format", field.inner)
        } else {
            format!("`{}` is no format for `{}`", field.format, field.inner)
        };
        wrong("place-format", what, mend, at)
    }
}

const NUMBER_TEXT: &str = "formats are {keyed} (as many digits as it takes), {keyed:4} (four \
                           characters), {keyed:04} (filled up with zeros), and the same in \
                           hexadecimal: {keyed:X}, {keyed:02x}";

const PACKET_TEXT: &str = "formats are {packet:02X} (F9), {packet:02x} (f9) and {packet:03d} \
                           (249), with what stands between the bytes in quotes: {packet:02X '-'}";

const NUMBER_BYTES: &str = "formats are {keyed:1} (one byte), {keyed:2be} (two bytes, the high \
                            one first), {keyed:2le} (the low one first), up to 4, and \
                            {keyed:5bits} (up to 32 bits)";

/// What a field of a template wants.
enum Placed {
    Number(Formula<Value>),
    Packet { body: bool },
    Reason,
}

/// A name in an expression that is no number.
enum Odd {
    Packet { body: bool, at: Span },
    Reason(Span),
    Problem(Box<Problem>),
}

impl From<Box<Problem>> for Odd {
    fn from(problem: Box<Problem>) -> Self {
        Self::Problem(problem)
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

/// What a name stands for, if the message can have it.
fn place(name: &Name, source: Source<'_, '_>, at: Span) -> Result<Place, Box<Problem>> {
    let can = source.scope.names();
    let listed = if can.is_empty() {
        "it has no places".to_owned()
    } else {
        format!("it can have {}", can.join(", "))
    };
    let Some(place) = Place::named(&name.text) else {
        let known = Place::NAMES.iter().map(|(known, _)| *known);
        let near = nearest(&name.text, can.iter().copied());
        let mend = match near.or_else(|| nearest(&name.text, known)) {
            Some(near) => format!("did you mean `{near}`? For {}, {listed}", source.called),
            None => format!("for {}, {listed}", source.called),
        };
        let what = format!("nothing is known by the name `{}`", name.text);
        return Err(wrong("unknown-place", what, mend, at));
    };
    if source.scope.has(place) {
        return Ok(place);
    }
    let what = format!("{} has no `{}`", source.called, place.name());
    Err(wrong("place-not-here", what, listed, at))
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

fn no_positions(at: Span) -> Box<Problem> {
    wrong(
        "no-positions",
        "the profile does not say how this protocol writes a position",
        "add [positions] with straight = … and diverging = …",
        at,
    )
}

/// `04`, `4`, `X`, `02x`, `d`.
fn digits(format: &str) -> Option<Digits> {
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
fn digits_and_between(format: &str) -> Option<(Digits, String)> {
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
pub(super) fn number_format(format: &str) -> Option<NumberFormat> {
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
