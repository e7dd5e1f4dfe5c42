//! Half-bit durations: the windows of S-9.1 for sending and receiving, bits to half-bits and back.
//!
//! A bit is two half-bits, from zero crossing to zero crossing; which polarity comes first carries
//! no meaning.
//!
//! ```text
//! in the order sent   1   58 us, 58 us
//!                     0   100 us, 100 us; either may be stretched
//! ```
//!
//! ```
//! use throwproof_protocol::timing::{Nanos, Shape, SignalDecoder, SignalProgress};
//! use throwproof_protocol::{Packet, Preamble};
//!
//! let packet = Packet::parse_hex("81 F9 78")?;
//! let half_bits = packet.bits(Preamble::OPERATIONS_NMRA).half_bits(Shape::NOMINAL);
//! // derived from S-9.1 (March 2020), table 1: 27 x 116 us + 15 x 200 us.
//! let total = half_bits.clone().fold(Nanos::ZERO, |sum, half| sum.saturating_add(half.duration()));
//! assert_eq!(total, Nanos::from_micros(6132));
//!
//! let mut decoder = SignalDecoder::new();
//! let last = half_bits.map(|half| decoder.push(half)).last();
//! assert!(matches!(last, Some(SignalProgress::Packet(received)) if received.packet == packet));
//! # Ok::<(), throwproof_protocol::packet::PacketTextError>(())
//! ```

use core::fmt;

use crate::bits::Bit;
use crate::clause::Clause;

mod decoder;
mod encoder;

pub use decoder::{HalfBitDecoder, HalfProgress, SignalDecoder, SignalError, SignalProgress};
pub use encoder::{HalfBits, Shape};

/// A duration in nanoseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanos(u64);

impl Nanos {
    /// No time.
    pub const ZERO: Self = Self(0);

    /// So many nanoseconds.
    pub const fn new(nanoseconds: u64) -> Self {
        Self(nanoseconds)
    }

    /// So many microseconds.
    pub const fn from_micros(microseconds: u64) -> Self {
        Self(microseconds.saturating_mul(1000))
    }

    /// So many milliseconds.
    pub const fn from_millis(milliseconds: u64) -> Self {
        Self(milliseconds.saturating_mul(1_000_000))
    }

    /// The number of nanoseconds.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// The sum, or the longest time there is.
    #[must_use]
    pub const fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference, or no time.
    #[must_use]
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// How far apart two durations are.
    #[must_use]
    pub const fn abs_diff(self, other: Self) -> Self {
        Self(self.0.abs_diff(other.0))
    }
}

/// Writes microseconds, with as many decimals as it takes: `58 us`, `58.5 us`.
impl fmt::Display for Nanos {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, rest) = (self.0 / 1000, self.0 % 1000);
        write!(f, "{whole}")?;
        if rest != 0 {
            // Without trailing zeros.
            match (rest % 10, rest % 100) {
                (_, 0) => write!(f, ".{}", rest / 100)?,
                (0, _) => write!(f, ".{:02}", rest / 10)?,
                _ => write!(f, ".{rest:03}")?,
            }
        }
        f.write_str(" us")
    }
}

/// Durations from a least to a most, both allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Window {
    /// The least allowed.
    pub min: Nanos,
    /// The most allowed.
    pub max: Nanos,
}

impl Window {
    /// From microseconds.
    pub const fn micros(min: u64, max: u64) -> Self {
        Self {
            min: Nanos::from_micros(min),
            max: Nanos::from_micros(max),
        }
    }

    /// Is the duration in it?
    pub const fn contains(self, duration: Nanos) -> bool {
        duration.0 >= self.min.0 && duration.0 <= self.max.0
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.min, self.max)
    }
}

/// Half of a 1 as a station sends it. S-9.1 (March 2020), table 1, t1.
pub const TRANSMIT_ONE: Window = Window::micros(55, 61);
/// Half of a 1 that a decoder must take. S-9.1 (March 2020), table 1, tr1.
pub const RECEIVE_ONE: Window = Window::micros(52, 64);
/// Half of a 0 as a station sends it. S-9.1 (March 2020), table 1, t0.
pub const TRANSMIT_ZERO: Window = Window::micros(95, 9_900);
/// Half of a 0 that a decoder must take. S-9.1 (March 2020), table 1, tr0.
pub const RECEIVE_ZERO: Window = Window::micros(90, 10_000);
/// Most by which the halves of a 1 differ when sent. S-9.1 (March 2020), table 1, t1d.
pub const TRANSMIT_ONE_DIFFERENCE_MAX: Nanos = Nanos::from_micros(3);
/// Most difference of the halves of a 1 that a decoder must take. S-9.1 (March 2020), table 1,
/// tr1d.
pub const RECEIVE_ONE_DIFFERENCE_MAX: Nanos = Nanos::from_micros(6);
/// Longest whole 0, stretched, as sent. S-9.1 (March 2020), table 1, t0total.
pub const TRANSMIT_ZERO_TOTAL_MAX: Nanos = Nanos::from_micros(12_000);
/// Nominal half of a 1. S-9.1 (March 2020), table 1.
pub const NOMINAL_ONE: Nanos = Nanos::from_micros(58);
/// Nominal half of a 0. S-9.1 (March 2020), table 1.
pub const NOMINAL_ZERO: Nanos = Nanos::from_micros(100);
/// Least time that the signal goes on after an end bit; binds the station. S-9.2 (July 2004),
/// footnote 3.
pub const SIGNAL_AFTER_END_BIT_MIN: Nanos = Nanos::from_micros(26);
/// Least time from end bit to start bit after which a decoder must act on a second packet to it.
/// S-9.2 (July 2004), section C.
pub const SAME_DECODER_GAP_MIN: Nanos = Nanos::from_millis(5);
/// Time from start bit to start bit in which a station must be able to send a packet. S-9.2
/// (July 2004), section C.
pub const PACKET_INTERVAL_MAX: Nanos = Nanos::from_millis(30);
/// Time after a reset packet in which no packet with first byte 100 to 127 may be sent, unless to
/// enter service mode; binds the station. S-9.2 (July 2004), section B.
pub const QUIET_AFTER_RESET: Nanos = Nanos::from_millis(20);

/// The time from one zero crossing to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HalfBit(Nanos);

/// What one half-bit can be half of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum HalfKind {
    /// Half of a 1.
    One,
    /// Half of a 0.
    Zero,
    /// Outside both windows.
    Neither,
}

impl HalfBit {
    /// A half-bit of that duration, legal or not.
    pub const fn new(duration: Nanos) -> Self {
        Self(duration)
    }

    /// The duration.
    pub const fn duration(self) -> Nanos {
        self.0
    }

    /// What a station sends when it sends this: 61 to 95 us is neither.
    pub const fn transmitted(self) -> HalfKind {
        self.kind(TRANSMIT_ONE, TRANSMIT_ZERO)
    }

    /// What a decoder must take this for: of 64 to 90 us nothing is said.
    pub const fn received(self) -> HalfKind {
        self.kind(RECEIVE_ONE, RECEIVE_ZERO)
    }

    const fn kind(self, one: Window, zero: Window) -> HalfKind {
        if one.contains(self.0) {
            HalfKind::One
        } else if zero.contains(self.0) {
            HalfKind::Zero
        } else {
            HalfKind::Neither
        }
    }
}

/// Which half of a bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Half {
    /// The first.
    First,
    /// The second.
    Second,
}

impl fmt::Display for Half {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::First => "first",
            Self::Second => "second",
        })
    }
}

/// Two half-bits that make no bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum TimingError {
    /// A half is neither half of a 1 nor half of a 0.
    #[error("the {half} half is {found}, neither half of a 1 ({one}) nor half of a 0 ({zero})")]
    Neither {
        /// Which half.
        half: Half,
        /// What a half of a 1 may last.
        one: Window,
        /// What a half of a 0 may last.
        zero: Window,
        /// What it lasts.
        found: Nanos,
    },
    /// One half is of a 1, the other of a 0.
    #[error("the halves are {first} and {second}: one of a 1, the other of a 0")]
    Mixed {
        /// The first half.
        first: Nanos,
        /// The second half.
        second: Nanos,
    },
    /// The halves of a 1 are too unlike.
    #[error("the halves of a 1 differ by {found}, at most {expected} is allowed")]
    OnesDiffer {
        /// The most allowed.
        expected: Nanos,
        /// The difference.
        found: Nanos,
    },
    /// A stretched 0 is too long in all.
    #[error("a stretched 0 lasts {found} in all, at most {expected} is allowed")]
    ZeroTooLong {
        /// The most allowed.
        expected: Nanos,
        /// What it lasts.
        found: Nanos,
    },
}

impl TimingError {
    /// The clause that the durations break.
    pub const fn clause(self) -> Clause {
        Clause::TIMING
    }
}

/// The bit that two half-bits are, if a station may send them so.
///
/// # Errors
/// When a half is out of the windows for sending, the halves are of different bits, those of a 1
/// differ by more than 3 us, or those of a 0 are more than 12 000 us in all.
pub const fn transmitted(first: HalfBit, second: HalfBit) -> Result<Bit, TimingError> {
    match (first.transmitted(), second.transmitted()) {
        (HalfKind::One, HalfKind::One) => one(first, second, TRANSMIT_ONE_DIFFERENCE_MAX),
        (HalfKind::Zero, HalfKind::Zero) => {
            let found = first.0.saturating_add(second.0);
            let expected = TRANSMIT_ZERO_TOTAL_MAX;
            if found.0 > expected.0 {
                Err(TimingError::ZeroTooLong { expected, found })
            } else {
                Ok(Bit::Zero)
            }
        }
        (HalfKind::Neither, _) => Err(neither(Half::First, first, TRANSMIT_ONE, TRANSMIT_ZERO)),
        (_, HalfKind::Neither) => Err(neither(Half::Second, second, TRANSMIT_ONE, TRANSMIT_ZERO)),
        (HalfKind::One, HalfKind::Zero) | (HalfKind::Zero, HalfKind::One) => {
            Err(TimingError::Mixed {
                first: first.0,
                second: second.0,
            })
        }
    }
}

/// The bit that two half-bits are to a decoder that knows where bits begin.
///
/// A 0 needs only one of its halves in the window, the first or the last (S-9.1, section A).
///
/// # Errors
/// When no half is half of a 0 and not both are halves of a 1, or those differ by more than 6 us.
pub const fn received(first: HalfBit, second: HalfBit) -> Result<Bit, TimingError> {
    match (first.received(), second.received()) {
        (HalfKind::Zero, _) | (_, HalfKind::Zero) => Ok(Bit::Zero),
        (HalfKind::One, HalfKind::One) => one(first, second, RECEIVE_ONE_DIFFERENCE_MAX),
        (HalfKind::Neither, _) => Err(neither(Half::First, first, RECEIVE_ONE, RECEIVE_ZERO)),
        (HalfKind::One, HalfKind::Neither) => {
            Err(neither(Half::Second, second, RECEIVE_ONE, RECEIVE_ZERO))
        }
    }
}

const fn one(first: HalfBit, second: HalfBit, expected: Nanos) -> Result<Bit, TimingError> {
    let found = first.0.abs_diff(second.0);
    if found.0 > expected.0 {
        Err(TimingError::OnesDiffer { expected, found })
    } else {
        Ok(Bit::One)
    }
}

const fn neither(half: Half, found: HalfBit, one: Window, zero: Window) -> TimingError {
    TimingError::Neither {
        half,
        one,
        zero,
        found: found.0,
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    fn half(nanoseconds: u64) -> HalfBit {
        HalfBit::new(Nanos::new(nanoseconds))
    }

    #[test]
    fn windows_end_where_the_table_ends_them() {
        // clause: S-9.1 (March 2020), table 1; nanoseconds, each edge and one past it.
        use HalfKind::{Neither, One, Zero};
        for (nanoseconds, sent, taken) in [
            (51_999, Neither, Neither),
            (52_000, Neither, One),
            (54_999, Neither, One),
            (55_000, One, One),
            (58_000, One, One),
            (61_000, One, One),
            (61_001, Neither, One),
            (64_000, Neither, One),
            (64_001, Neither, Neither),
            (89_999, Neither, Neither),
            (90_000, Neither, Zero),
            (94_999, Neither, Zero),
            (95_000, Zero, Zero),
            (100_000, Zero, Zero),
            (9_900_000, Zero, Zero),
            (9_900_001, Neither, Zero),
            (10_000_000, Neither, Zero),
            (10_000_001, Neither, Neither),
            (0, Neither, Neither),
            (u64::MAX, Neither, Neither),
        ] {
            let half = half(nanoseconds);
            assert_eq!(
                (half.transmitted(), half.received()),
                (sent, taken),
                "{nanoseconds} ns"
            );
        }
    }

    #[test]
    fn halves_of_a_one_may_differ_so_much() {
        // clause: S-9.1 (March 2020), table 1, t1d and tr1d.
        assert_eq!(transmitted(half(56_000), half(59_000)), Ok(Bit::One));
        assert_eq!(
            transmitted(half(56_000), half(59_001)),
            Err(TimingError::OnesDiffer {
                expected: Nanos::from_micros(3),
                found: Nanos::new(3001)
            })
        );
        assert_eq!(received(half(60_000), half(54_000)), Ok(Bit::One));
        assert!(received(half(60_001), half(54_000)).is_err());
    }

    #[test]
    fn a_stretched_zero_ends_at_twelve_milliseconds() {
        // clause: S-9.1 (March 2020), table 1, t0total.
        assert_eq!(transmitted(half(2_100_000), half(9_900_000)), Ok(Bit::Zero));
        assert_eq!(
            transmitted(half(2_100_001), half(9_900_000)),
            Err(TimingError::ZeroTooLong {
                expected: Nanos::from_millis(12),
                found: Nanos::new(12_000_001)
            })
        );
    }

    #[test]
    fn one_half_makes_a_zero_to_a_decoder() {
        // clause: S-9.1 (March 2020), section A: the first or last part decides.
        assert_eq!(received(half(70_000), half(100_000)), Ok(Bit::Zero));
        assert_eq!(received(half(100_000), half(58_000)), Ok(Bit::Zero));
        assert_eq!(
            transmitted(half(100_000), half(58_000)),
            Err(TimingError::Mixed {
                first: Nanos::from_micros(100),
                second: Nanos::from_micros(58)
            })
        );
        assert_eq!(
            received(half(58_000), half(70_500))
                .unwrap_err()
                .to_string(),
            "the second half is 70.5 us, neither half of a 1 (52 us to 64 us) nor half of a 0 \
             (90 us to 10000 us)"
        );
    }

    #[test]
    fn durations_are_written_without_needless_zeros() {
        for (nanoseconds, text) in [
            (58_000, "58 us"),
            (58_500, "58.5 us"),
            (58_050, "58.05 us"),
            (58_005, "58.005 us"),
            (58_250, "58.25 us"),
            (0, "0 us"),
        ] {
            assert_eq!(Nanos::new(nanoseconds).to_string(), text);
        }
    }
}
