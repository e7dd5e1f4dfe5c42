//! Half-bits to bits, and on to packets.

use super::{HalfBit, HalfKind, TimingError, received};
use crate::bits::{Bit, BitDecoder, BitError, Progress, Received};
use crate::clause::Clause;

/// What became of a half-bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum HalfProgress {
    /// It is the first half of a bit.
    NeedMore,
    /// It completed a bit.
    Bit(Bit),
    /// With the half before it, it makes no bit; it is kept as a first half, for bits may begin
    /// there.
    Slipped,
    /// It and the half before it make no bit; both are dropped.
    Dropped(TimingError),
}

/// Half-bits in, bits out, by the windows for receiving.
///
/// Where bits begin is found at the first change between 1s and 0s: a half of a 1 followed by a
/// half of a 0, or the other way round, is the end of one bit and the start of the next.
#[derive(Debug, Clone, Default)]
pub struct HalfBitDecoder {
    first: Option<HalfBit>,
}

impl HalfBitDecoder {
    /// A decoder that knows of no half-bit yet.
    pub const fn new() -> Self {
        Self { first: None }
    }

    /// Takes one half-bit.
    pub fn push(&mut self, half: HalfBit) -> HalfProgress {
        self.pair(half, false)
    }

    /// Takes one half-bit; `aligned` when it is known where bits begin.
    fn pair(&mut self, half: HalfBit, aligned: bool) -> HalfProgress {
        let Some(first) = self.first.take() else {
            self.first = Some(half);
            return HalfProgress::NeedMore;
        };
        let unlike = matches!(
            (first.received(), half.received()),
            (HalfKind::One, HalfKind::Zero) | (HalfKind::Zero, HalfKind::One)
        );
        if unlike && !aligned {
            self.first = Some(half);
            return HalfProgress::Slipped;
        }
        match received(first, half) {
            Ok(bit) => HalfProgress::Bit(bit),
            Err(error) => HalfProgress::Dropped(error),
        }
    }
}

/// What became of a half-bit, all the way to packets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SignalProgress {
    /// Nothing is complete yet.
    NeedMore,
    /// It was the last of a good packet.
    Packet(Received),
    /// Something was dropped; the next good preamble is awaited.
    Dropped(SignalError),
}

/// Why half-bits were dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum SignalError {
    /// Two half-bits make no bit.
    #[error(transparent)]
    Timing(TimingError),
    /// The bits make no packet.
    #[error(transparent)]
    Bits(BitError),
}

impl SignalError {
    /// The clause that the half-bits break.
    pub const fn clause(self) -> Clause {
        match self {
            Self::Timing(error) => error.clause(),
            Self::Bits(error) => error.clause(),
        }
    }
}

/// Half-bits in, packets out.
#[derive(Debug, Clone, Default)]
pub struct SignalDecoder {
    halves: HalfBitDecoder,
    bits: BitDecoder,
}

impl SignalDecoder {
    /// A decoder that takes preambles of ten bits and more.
    pub const fn new() -> Self {
        Self {
            halves: HalfBitDecoder::new(),
            bits: BitDecoder::new(),
        }
    }

    /// A decoder that hands its bits to this one.
    pub const fn with_bits(bits: BitDecoder) -> Self {
        Self {
            halves: HalfBitDecoder::new(),
            bits,
        }
    }

    /// Takes one half-bit.
    pub fn push(&mut self, half: HalfBit) -> SignalProgress {
        match self.halves.pair(half, self.bits.is_in_packet()) {
            HalfProgress::NeedMore | HalfProgress::Slipped => SignalProgress::NeedMore,
            HalfProgress::Bit(bit) => match self.bits.push(bit) {
                Progress::NeedMore => SignalProgress::NeedMore,
                Progress::Packet(received) => SignalProgress::Packet(received),
                Progress::Dropped(error) => SignalProgress::Dropped(SignalError::Bits(error)),
            },
            HalfProgress::Dropped(error) => {
                self.bits.reset();
                SignalProgress::Dropped(SignalError::Timing(error))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::bits::Preamble;
    use crate::packet::Packet;
    use crate::timing::{Nanos, Shape};
    use std::vec::Vec;

    fn half(micros: u64) -> HalfBit {
        HalfBit::new(Nanos::from_micros(micros))
    }

    fn packet() -> Packet {
        Packet::parse_hex("81 F9 78").unwrap()
    }

    fn signal(preamble: u8, shape: Shape) -> Vec<HalfBit> {
        packet()
            .bits(Preamble::new(preamble).unwrap())
            .half_bits(shape)
            .collect()
    }

    fn packets(decoder: &mut SignalDecoder, halves: &[HalfBit]) -> usize {
        halves
            .iter()
            .filter(|half| {
                matches!(decoder.push(**half), SignalProgress::Packet(r) if r.packet == packet())
            })
            .count()
    }

    #[test]
    fn a_signal_entered_in_the_middle_of_a_bit_is_read() {
        for extra in [
            &[58][..],
            &[100],
            &[58, 58, 58],
            &[100, 58],
            &[58, 100],
            &[100, 100, 100],
        ] {
            let mut halves: Vec<_> = extra.iter().map(|micros| half(*micros)).collect();
            halves.extend(signal(12, Shape::NOMINAL));
            assert_eq!(packets(&mut SignalDecoder::new(), &halves), 1, "{extra:?}");
        }
    }

    #[test]
    fn signals_at_the_edges_of_the_windows_are_read() {
        // clause: S-9.1 (March 2020), table 1, in every legal extreme of sending.
        for one in [[55, 58], [58, 61], [61, 61], [55, 55]] {
            for zero in [[95, 95], [95, 9_900], [9_900, 95], [100, 2_000]] {
                let shape = Shape::NOMINAL
                    .with_one(half(one[0]), half(one[1]))
                    .and_then(|shape| shape.with_zero(half(zero[0]), half(zero[1])))
                    .unwrap();
                let halves = signal(14, shape);
                assert_eq!(
                    packets(&mut SignalDecoder::new(), &halves),
                    1,
                    "{one:?} {zero:?}"
                );
            }
        }
    }

    #[test]
    fn a_half_between_the_windows_spoils_the_packet_and_not_the_next() {
        let good = signal(14, Shape::NOMINAL);
        for place in 0..good.len() {
            let mut halves = good.clone();
            halves[place] = half(77);
            let spoilt = halves.clone();
            halves.extend(&good);
            let mut decoder = SignalDecoder::new();
            assert!(packets(&mut decoder, &halves) >= 1, "half-bit {place}");
            // A 0 with one good half is still a 0; everything else after the preamble spoils.
            let zero = good[place] == half(100);
            let in_preamble = place < 28;
            if !zero && !in_preamble {
                assert_eq!(
                    packets(&mut SignalDecoder::new(), &spoilt),
                    0,
                    "half-bit {place}"
                );
            }
        }
    }

    #[test]
    fn bits_come_back_from_half_bits() {
        let bits: Vec<_> = packet().bits(Preamble::OPERATIONS_RCN).collect();
        let mut decoder = HalfBitDecoder::new();
        let back: Vec<_> = signal(17, Shape::NOMINAL)
            .into_iter()
            .filter_map(|half| match decoder.push(half) {
                HalfProgress::Bit(bit) => Some(bit),
                HalfProgress::NeedMore | HalfProgress::Slipped | HalfProgress::Dropped(_) => None,
            })
            .collect();
        assert_eq!(back, bits);
    }
}
