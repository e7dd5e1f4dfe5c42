//! Where the numbers are in a row of bytes.

use std::ops::Range;

use super::check_bytes::{ByteOrder, bytes_number};

/// A row of bytes: fixed ones, any ones, numbers, and at most one run of unknown length.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Layout {
    parts: Vec<Part>,
}

/// A part of a layout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// These bits.
    Fixed { value: u8, bits: u8 },
    /// A byte of any value.
    Any,
    /// Whole bytes that are a number, 1 to 4.
    Bytes { count: u8, order: ByteOrder },
    /// Bits that are a number, the highest first, 1 to 32.
    Bits(u8),
    /// Bytes, as many as there are.
    Run,
}

/// What stands in the place of a number or a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Found {
    Number(i64),
    Run(Range<usize>),
}

impl Part {
    fn bits(self) -> usize {
        match self {
            Self::Fixed { bits, .. } | Self::Bits(bits) => usize::from(bits),
            Self::Any => 8,
            Self::Bytes { count, .. } => 8 * usize::from(count),
            Self::Run => 0,
        }
    }
}

impl Layout {
    pub(super) fn new(parts: Vec<Part>) -> Self {
        Self { parts }
    }

    /// Its length without the run, bytes.
    pub(super) fn shortest(&self) -> usize {
        self.parts.iter().map(|part| part.bits()).sum::<usize>() / 8
    }

    /// Has it a run of unknown length?
    pub(super) fn has_run(&self) -> bool {
        self.parts.contains(&Part::Run)
    }

    /// The numbers and the run in some bytes; `None` where they don't fit.
    pub(super) fn read(&self, bytes: &[u8]) -> Option<Vec<Found>> {
        let spare = bytes.len().checked_sub(self.shortest())?;
        if spare > 0 && !self.has_run() {
            return None;
        }
        let mut found = Vec::new();
        let mut at = 0; // bits
        for part in &self.parts {
            let start = at;
            at += part.bits();
            match *part {
                Part::Fixed { value, .. } => {
                    if bit_number(bytes, start..at)? != i64::from(value) {
                        return None;
                    }
                }
                Part::Any => {}
                Part::Bits(_) => found.push(Found::Number(bit_number(bytes, start..at)?)),
                Part::Bytes { order, .. } => {
                    let number = bytes_number(bytes.get(start / 8..at / 8)?, order);
                    found.push(Found::Number(number.into()));
                }
                Part::Run => {
                    at += 8 * spare;
                    found.push(Found::Run(start / 8..at / 8));
                }
            }
        }
        Some(found)
    }

    /// Does it fit these bytes?
    pub(super) fn fits(&self, bytes: &[u8]) -> bool {
        self.read(bytes).is_some()
    }

    /// Can bytes that start like this become ones that fit? Of a run nothing is known.
    pub(super) fn may_start(&self, bytes: &[u8]) -> bool {
        let fixed = self.fixed();
        let mut pairs = bytes.iter().zip(&fixed);
        bytes.len() <= fixed.len() && pairs.all(|(byte, (mask, value))| byte & mask == *value)
    }

    /// Does it fit everything that `other` fits?
    pub(super) fn hides(&self, other: &Self) -> bool {
        if self.has_run() || other.has_run() {
            return self == other;
        }
        let (mine, others) = (self.fixed(), other.fixed());
        let mut pairs = mine.iter().zip(&others);
        mine.len() == others.len()
            && pairs.all(|(mine, other)| mine.0 & other.0 == mine.0 && other.1 & mine.0 == mine.1)
    }

    /// The layout of the first bytes alone, as far as is known of them.
    #[must_use]
    pub(super) fn cut_to(&self, bytes: usize) -> Self {
        let fixed = self.fixed().into_iter().take(bytes);
        let bits = fixed.flat_map(|(mask, value)| {
            (0..8).rev().map(move |bit| match mask >> bit & 1 {
                0 => Part::Bits(1),
                _ => Part::Fixed {
                    value: value >> bit & 1,
                    bits: 1,
                },
            })
        });
        Self::new(bits.collect())
    }

    /// Of every byte up to the run, which bits are fixed and how.
    fn fixed(&self) -> Vec<(u8, u8)> {
        let mut bits: Vec<Option<bool>> = Vec::new();
        for part in self.parts.iter().take_while(|part| **part != Part::Run) {
            match *part {
                Part::Fixed { value, bits: count } => {
                    bits.extend((0..count).rev().map(|bit| Some(value >> bit & 1 == 1)));
                }
                Part::Any | Part::Bytes { .. } | Part::Bits(_) | Part::Run => {
                    bits.resize(bits.len() + part.bits(), None);
                }
            }
        }
        let byte = |bits: &[Option<bool>]| {
            let join = |(mask, value): (u8, u8), bit: &Option<bool>| {
                let known = u8::from(bit.is_some());
                (mask << 1 | known, value << 1 | u8::from(*bit == Some(true)))
            };
            bits.iter().fold((0, 0), join)
        };
        bits.chunks(8).map(byte).collect()
    }
}

/// The number in a range of bits, the highest first.
fn bit_number(bytes: &[u8], range: Range<usize>) -> Option<i64> {
    let mut number = 0;
    for bit in range {
        let byte = bytes.get(bit / 8)?;
        number = number << 1 | i64::from(byte >> (7 - bit % 8) & 1);
    }
    Some(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn byte(value: u8) -> Part {
        Part::Fixed { value, bits: 8 }
    }

    #[test]
    fn numbers_are_found_in_bits_bytes_and_around_a_run() {
        let order = ByteOrder::LittleEndian;
        let layout = Layout::new(vec![
            byte(0xc5),
            Part::Bits(9),
            Part::Bits(2),
            Part::Fixed {
                value: 0b10,
                bits: 2,
            },
            Part::Bits(3),
            Part::Run,
            Part::Bytes { count: 2, order },
        ]);
        // derived: 000001001 01 10 110, then a run of two, then 0x0201.
        let bytes = [0xc5, 0b0000_0100, 0b1011_0110, 0xaa, 0xbb, 0x01, 0x02];
        assert_eq!(
            layout.read(&bytes),
            Some(vec![
                Found::Number(9),
                Found::Number(1),
                Found::Number(6),
                Found::Run(3..5),
                Found::Number(0x0201),
            ])
        );
        assert_eq!(layout.shortest(), 5);
        assert!(!layout.fits(&bytes[..4]));
        assert!(!layout.fits(&[0xc5, 4, 0b1011_1110, 0, 0]));
        assert!(layout.may_start(&[0xc5, 0xff]));
        assert!(!layout.may_start(&[0xc4]));
    }

    #[test]
    fn a_layout_hides_what_it_is_wider_than() {
        let wide = Layout::new(vec![byte(1), Part::Any]);
        let narrow = Layout::new(vec![
            byte(1),
            Part::Bits(4),
            Part::Fixed { value: 3, bits: 4 },
        ]);
        let other = Layout::new(vec![byte(2), Part::Any]);
        assert!(wide.hides(&narrow));
        assert!(!narrow.hides(&wide));
        assert!(!other.hides(&narrow));
        assert!(wide.hides(&wide));
    }
}
