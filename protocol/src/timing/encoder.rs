//! Bits to half-bits.

use core::iter::FusedIterator;

use super::{HalfBit, NOMINAL_ONE, NOMINAL_ZERO, Nanos, TimingError, transmitted};
use crate::bits::{Bit, PacketBits};

/// How long the halves of each bit are, within what a station may send.
///
/// ```
/// use throwproof_protocol::timing::{HalfBit, Nanos, Shape};
///
/// let long = HalfBit::new(Nanos::from_micros(2_000));
/// let stretched = Shape::NOMINAL.with_zero(Shape::NOMINAL.zero()[0], long)?;
/// assert_eq!(stretched.zero()[1], long);
/// assert!(stretched.with_zero(long, HalfBit::new(Nanos::from_micros(10_001))).is_err());
/// # Ok::<(), throwproof_protocol::timing::TimingError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Shape {
    one: [HalfBit; 2],
    zero: [HalfBit; 2],
}

impl Shape {
    /// 58 us twice, 100 us twice. S-9.1 (March 2020), table 1.
    pub const NOMINAL: Self = Self {
        one: [HalfBit::new(NOMINAL_ONE), HalfBit::new(NOMINAL_ONE)],
        zero: [HalfBit::new(NOMINAL_ZERO), HalfBit::new(NOMINAL_ZERO)],
    };

    /// With a 1 of these halves.
    ///
    /// # Errors
    /// When a station may not send a 1 so.
    pub const fn with_one(self, first: HalfBit, second: HalfBit) -> Result<Self, TimingError> {
        match transmitted(first, second) {
            Ok(Bit::One) => Ok(Self {
                one: [first, second],
                ..self
            }),
            Ok(Bit::Zero) => Err(TimingError::Mixed {
                first: first.0,
                second: second.0,
            }),
            Err(error) => Err(error),
        }
    }

    /// With a 0 of these halves, one or both of them stretched perhaps.
    ///
    /// # Errors
    /// When a station may not send a 0 so.
    pub const fn with_zero(self, first: HalfBit, second: HalfBit) -> Result<Self, TimingError> {
        match transmitted(first, second) {
            Ok(Bit::Zero) => Ok(Self {
                zero: [first, second],
                ..self
            }),
            Ok(Bit::One) => Err(TimingError::Mixed {
                first: first.0,
                second: second.0,
            }),
            Err(error) => Err(error),
        }
    }

    /// The halves of a 1.
    pub const fn one(self) -> [HalfBit; 2] {
        self.one
    }

    /// The halves of a 0.
    pub const fn zero(self) -> [HalfBit; 2] {
        self.zero
    }

    /// The halves of a bit.
    pub const fn halves(self, bit: Bit) -> [HalfBit; 2] {
        match bit {
            Bit::One => self.one,
            Bit::Zero => self.zero,
        }
    }

    /// How long some bits take.
    pub fn duration(self, bits: impl Iterator<Item = Bit>) -> Nanos {
        bits.fold(Nanos::ZERO, |sum, bit| {
            let [first, second] = self.halves(bit);
            sum.saturating_add(first.0).saturating_add(second.0)
        })
    }
}

impl Default for Shape {
    fn default() -> Self {
        Self::NOMINAL
    }
}

/// The half-bits of some bits, in the order sent.
#[derive(Debug, Clone)]
pub struct HalfBits<I> {
    bits: I,
    shape: Shape,
    second: Option<HalfBit>,
}

impl<I: Iterator<Item = Bit>> HalfBits<I> {
    /// The half-bits of these bits.
    pub const fn new(bits: I, shape: Shape) -> Self {
        Self {
            bits,
            shape,
            second: None,
        }
    }
}

impl<I: Iterator<Item = Bit>> Iterator for HalfBits<I> {
    type Item = HalfBit;

    fn next(&mut self) -> Option<HalfBit> {
        if let Some(second) = self.second.take() {
            return Some(second);
        }
        let [first, second] = self.shape.halves(self.bits.next()?);
        self.second = Some(second);
        Some(first)
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let waiting = usize::from(self.second.is_some());
        let (least, most) = self.bits.size_hint();
        (
            least.saturating_mul(2).saturating_add(waiting),
            most.and_then(|most| most.checked_mul(2)?.checked_add(waiting)),
        )
    }
}

impl<I: ExactSizeIterator<Item = Bit>> ExactSizeIterator for HalfBits<I> {}
impl<I: FusedIterator<Item = Bit>> FusedIterator for HalfBits<I> {}

impl PacketBits {
    /// The half-bits of the packet, in the order sent.
    pub const fn half_bits(self, shape: Shape) -> HalfBits<Self> {
        HalfBits::new(self, shape)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::bits::Preamble;
    use crate::packet::Packet;

    #[test]
    fn nominal_packets_last_so_long() {
        // derived from S-9.1 (March 2020), table 1: 116 us a 1, 200 us a 0.
        for (packet, preamble, micros) in [
            ("FF 00 FF", Preamble::OPERATIONS_NMRA, 5796),
            ("00 00 00", Preamble::OPERATIONS_NMRA, 7140),
            ("81 F9 78", Preamble::OPERATIONS_NMRA, 6132),
            ("81 F9 78", Preamble::OPERATIONS_RCN, 6480),
            ("81 71 05 F5", Preamble::OPERATIONS_NMRA, 7764),
            ("7C 00 03 7F", Preamble::SERVICE, 8460),
        ] {
            let bits = Packet::parse_hex(packet).unwrap().bits(preamble);
            assert_eq!(bits.clone().half_bits(Shape::NOMINAL).len(), bits.len() * 2);
            let total = Shape::NOMINAL.duration(bits);
            assert_eq!(total, Nanos::from_micros(micros), "{packet}");
        }
    }

    #[test]
    fn shapes_stay_within_what_a_station_may_send() {
        let half = |micros| HalfBit::new(Nanos::from_micros(micros));
        assert!(Shape::NOMINAL.with_one(half(55), half(58)).is_ok());
        assert!(Shape::NOMINAL.with_one(half(55), half(59)).is_err());
        assert!(Shape::NOMINAL.with_one(half(100), half(100)).is_err());
        assert!(Shape::NOMINAL.with_zero(half(58), half(58)).is_err());
        assert!(Shape::NOMINAL.with_zero(half(95), half(9_900)).is_ok());
        assert!(Shape::NOMINAL.with_zero(half(94), half(100)).is_err());
    }
}
