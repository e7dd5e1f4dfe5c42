//! Templates: what is sent, with places that are filled for each command.

use regex::Regex;
use throwproof_protocol::address::Position;

use super::check_bytes::number_bytes;
use super::formula::{Arithmetic, Formula};
use super::framing::{Assembly, Origin};
use super::layout::{Found, Layout, Part};
use super::value::{Facts, Value};

mod format;

pub(super) use format::{Base, Digits, NumberFormat, PacketFormat};

/// What is sent, with places that are filled for each command.
#[derive(Debug, Clone)]
pub(super) struct Template {
    /// As the file has it.
    pub(super) text: String,
    pub(super) pieces: Vec<Piece>,
    reader: Reader,
}

/// A piece of a template.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Piece {
    /// As the file has it.
    pub(super) text: String,
    pub(super) kind: Kind,
}

/// What a piece of a template is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Kind {
    /// Text with its bytes.
    Literal(Vec<u8>),
    /// Bits.
    Fixed { value: u8, bits: u8 },
    /// A number.
    Number(Formula<Value>, NumberFormat),
    /// The position in the profile's words, straight first.
    Position([Word; 2]),
    /// Bytes of the packet.
    Packet { body: bool, format: PacketFormat },
    /// Why the station says no.
    Reason,
}

/// A word and its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Word {
    pub(super) text: String,
    pub(super) bytes: Vec<u8>,
}

/// How what was sent is read back.
#[derive(Debug, Clone)]
enum Reader {
    Text(Regex),
    Binary(Layout),
}

/// What a template was filled with: a number for each number or position (bit R), in order, and
/// the bytes of the packet.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Filled {
    pub(super) numbers: Vec<i64>,
    pub(super) packet: Option<(bool, Vec<u8>)>,
}

/// A place that can't hold what a command wants put there.
#[derive(Debug, Clone, PartialEq, Eq, Hash, thiserror::Error)]
pub enum PlaceError {
    /// The expression has no value.
    #[error("`{place}`: {why}")]
    Arithmetic {
        /// The place, as the profile has it.
        place: String,
        /// Why not.
        why: Arithmetic,
    },
    /// The number does not fit.
    #[error("`{place}` comes to {number}, and {room}")]
    DoesNotFit {
        /// The place, as the profile has it.
        place: String,
        /// The number.
        number: i64,
        /// What the place can hold.
        room: String,
    },
}

impl Template {
    /// A text template.
    pub(super) fn of_text(text: &str, pieces: Vec<Piece>) -> Result<Self, regex::Error> {
        let pattern: String = pieces.iter().map(Piece::pattern).collect();
        let reader = Regex::new(&format!("^(?s:{pattern})$"))?;
        Ok(Self {
            text: text.to_owned(),
            pieces,
            reader: Reader::Text(reader),
        })
    }

    /// A binary template.
    pub(super) fn of_binary(text: &str, pieces: Vec<Piece>) -> Self {
        let parts = pieces.iter().map(Piece::part).collect();
        Self {
            text: text.to_owned(),
            pieces,
            reader: Reader::Binary(Layout::new(parts)),
        }
    }

    /// The layout of a binary template.
    pub(super) fn layout(&self) -> Option<&Layout> {
        match &self.reader {
            Reader::Binary(layout) => Some(layout),
            Reader::Text(_) => None,
        }
    }

    /// Has it a place that wants this?
    pub(super) fn uses(&self, value: Value) -> bool {
        self.pieces.iter().any(|piece| piece.uses(value))
    }

    /// Has it the bytes of the packet?
    pub(super) fn has_packet(&self) -> bool {
        let is_packet = |piece: &Piece| matches!(piece.kind, Kind::Packet { .. });
        self.pieces.iter().any(is_packet)
    }

    /// The message.
    pub(super) fn fill(&self, facts: &Facts) -> Result<Assembly, PlaceError> {
        let mut assembly = Assembly::default();
        let mut bits = BitWriter::default();
        for (index, piece) in self.pieces.iter().enumerate() {
            piece.fill(facts, index, &mut assembly, &mut bits)?;
        }
        Ok(assembly)
    }

    /// What a message was filled with; `None` where it is none of this template. What comes out
    /// may still not be what makes this message: fill it again and compare.
    pub(super) fn read(&self, body: &[u8], text: Option<&str>) -> Option<Filled> {
        match &self.reader {
            Reader::Text(pattern) => self.read_text(pattern, text?),
            Reader::Binary(layout) => self.read_binary(layout, body),
        }
    }

    fn read_text(&self, pattern: &Regex, text: &str) -> Option<Filled> {
        let captures = pattern.captures(text)?;
        let mut groups = captures.iter().skip(1);
        let mut filled = Filled::default();
        for piece in &self.pieces {
            match &piece.kind {
                Kind::Literal(_) | Kind::Fixed { .. } => {}
                Kind::Number(_, NumberFormat::Digits(digits)) => {
                    let text = groups.next()??.as_str();
                    filled.numbers.push(digits.number(text)?);
                }
                Kind::Number(..) => return None,
                Kind::Position([straight, _]) => {
                    let text = groups.next()??.as_str();
                    // The pattern takes the two words only; straight is bit R = 1.
                    filled.numbers.push((text == straight.text).into());
                }
                Kind::Packet { body, format } => {
                    let text = groups.next()??.as_str();
                    filled.packet = Some((*body, format.bytes(text)?));
                }
                Kind::Reason => {
                    groups.next()?;
                }
            }
        }
        Some(filled)
    }

    fn read_binary(&self, layout: &Layout, body: &[u8]) -> Option<Filled> {
        let mut found = layout.read(body)?.into_iter();
        let mut filled = Filled::default();
        for piece in &self.pieces {
            match &piece.kind {
                Kind::Number(..) => match found.next()? {
                    Found::Number(number) => filled.numbers.push(number),
                    Found::Run(_) => return None,
                },
                Kind::Packet { body: alone, .. } => match found.next()? {
                    Found::Run(range) => {
                        filled.packet = Some((*alone, body.get(range)?.to_vec()));
                    }
                    Found::Number(_) => return None,
                },
                Kind::Literal(_) | Kind::Fixed { .. } | Kind::Position(_) | Kind::Reason => {}
            }
        }
        Some(filled)
    }

    /// The number that each number or position of the template comes to, as [`Template::read`]
    /// would give it.
    pub(super) fn numbers(&self, facts: &Facts) -> Vec<Result<i64, PlaceError>> {
        let number = |piece: &Piece| match &piece.kind {
            Kind::Number(formula, format) => Some(piece.number(formula, *format, facts)),
            Kind::Position(_) => Some(Ok(facts.number(Value::PairBit))),
            Kind::Literal(_) | Kind::Fixed { .. } | Kind::Packet { .. } | Kind::Reason => None,
        };
        self.pieces.iter().filter_map(number).collect()
    }

    /// Of each number or position of the template, the values it is made of.
    pub(super) fn ingredients(&self) -> Vec<Vec<Value>> {
        let values = |piece: &Piece| match &piece.kind {
            Kind::Number(formula, _) => Some(formula.values().into_iter().copied().collect()),
            Kind::Position(_) => Some(vec![Value::PairBit]),
            Kind::Literal(_) | Kind::Fixed { .. } | Kind::Packet { .. } | Kind::Reason => None,
        };
        self.pieces.iter().filter_map(values).collect()
    }
}

impl Piece {
    fn uses(&self, value: Value) -> bool {
        match &self.kind {
            Kind::Number(formula, _) => formula.values().contains(&&value),
            Kind::Position(_) => matches!(value, Value::Position | Value::PairBit),
            Kind::Literal(_) | Kind::Fixed { .. } | Kind::Packet { .. } | Kind::Reason => false,
        }
    }

    fn number(
        &self,
        formula: &Formula<Value>,
        format: NumberFormat,
        facts: &Facts,
    ) -> Result<i64, PlaceError> {
        let number = formula.number(&|value| facts.number(*value));
        let number = number.map_err(|why| PlaceError::Arithmetic {
            place: self.text.clone(),
            why,
        })?;
        match format.lacks_room(number) {
            None => Ok(number),
            Some(room) => Err(PlaceError::DoesNotFit {
                place: self.text.clone(),
                number,
                room,
            }),
        }
    }

    fn fill(
        &self,
        facts: &Facts,
        index: usize,
        out: &mut Assembly,
        bits: &mut BitWriter,
    ) -> Result<(), PlaceError> {
        let origin = Origin::Pieces(index, index);
        match &self.kind {
            Kind::Literal(bytes) => out.push(bytes, origin),
            Kind::Fixed { value, bits: count } => {
                bits.push(u32::from(*value), *count, index, out);
            }
            Kind::Number(formula, format) => {
                let number = self.number(formula, *format, facts)?;
                match format {
                    NumberFormat::Digits(digits) => {
                        out.push(digits.write(number).as_bytes(), origin);
                    }
                    NumberFormat::Bytes { count, order } => {
                        let number = u32::try_from(number).unwrap_or_default();
                        out.push(&number_bytes(number, (*count).into(), *order), origin);
                    }
                    NumberFormat::Bits(count) => {
                        let number = u32::try_from(number).unwrap_or_default();
                        bits.push(number, *count, index, out);
                    }
                }
            }
            Kind::Position([straight, diverging]) => {
                let is_straight = facts.position != Some(Position::Diverging);
                let word = if is_straight { straight } else { diverging };
                out.push(&word.bytes, origin);
            }
            Kind::Packet { body, format } => {
                if let Some(packet) = &facts.packet {
                    let bytes = if *body {
                        packet.body()
                    } else {
                        packet.as_bytes()
                    };
                    out.push(&format.write(bytes), origin);
                }
            }
            Kind::Reason => {
                let reason = facts.reason.as_deref().unwrap_or_default();
                // Any encoding has these.
                let plain = |c: char| if matches!(c, ' '..='~') { c } else { '?' };
                let reason: String = reason.chars().map(plain).collect();
                out.push(reason.as_bytes(), origin);
            }
        }
        Ok(())
    }

    /// A regular expression with one group for each number, position and packet.
    fn pattern(&self) -> String {
        match &self.kind {
            Kind::Literal(_) | Kind::Fixed { .. } => regex::escape(&self.text),
            Kind::Number(_, NumberFormat::Digits(digits)) => format!("({})", digits.pattern()),
            Kind::Position([straight, diverging]) => {
                let straight = regex::escape(&straight.text);
                let diverging = regex::escape(&diverging.text);
                format!("({straight}|{diverging})")
            }
            Kind::Packet {
                format: PacketFormat::Digits(digits, between),
                ..
            } => {
                let byte = digits.pattern();
                let between = regex::escape(between);
                format!("({byte}(?:{between}{byte})*)")
            }
            Kind::Number(..) | Kind::Packet { .. } => String::new(),
            Kind::Reason => "(.*)".to_owned(),
        }
    }

    fn part(&self) -> Part {
        match &self.kind {
            Kind::Fixed { value, bits } => Part::Fixed {
                value: *value,
                bits: *bits,
            },
            Kind::Number(_, NumberFormat::Bytes { count, order }) => Part::Bytes {
                count: *count,
                order: *order,
            },
            Kind::Number(_, NumberFormat::Bits(bits)) => Part::Bits(*bits),
            Kind::Literal(_) | Kind::Number(..) | Kind::Position(_) | Kind::Reason => {
                Part::Fixed { value: 0, bits: 0 }
            }
            Kind::Packet { .. } => Part::Run,
        }
    }
}

/// Gathers bits into bytes.
#[derive(Debug, Default)]
struct BitWriter {
    byte: u8,
    count: u8,
    first: usize,
}

impl BitWriter {
    /// Bits that fill no whole byte wait for the next; templates are checked to fill them.
    fn push(&mut self, value: u32, bits: u8, index: usize, out: &mut Assembly) {
        for bit in (0..bits).rev() {
            if self.count == 0 {
                self.first = index;
            }
            self.byte = self.byte << 1 | u8::from(value >> bit & 1 == 1);
            self.count += 1;
            if self.count == 8 {
                out.push(&[self.byte], Origin::Pieces(self.first, index));
                *self = Self::default();
            }
        }
    }
}
