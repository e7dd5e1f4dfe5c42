//! Ranges of events: a prefix and a mask in one number.

use core::fmt;

use super::event::EventId;

/// A range that cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[error("a range of 2^{bits} events is none: 1 to 64 low bits may vary")]
pub struct RangeError {
    /// The low bits that were to vary.
    pub bits: u8,
}

/// A range of events: all that share their upper bits.
///
/// In a message the low bits that vary are all ones or all zeros, whichever differs from the bit
/// above them, so that the number itself says how many they are.
///
/// clause: Event Transport S 4 and TN 2.4.
///
/// ```
/// use throwproof_protocol::lcc::{EventId, EventRange};
///
/// let range = EventRange::new(EventId::new(0x1234_00), 8)?;
/// assert_eq!(range.emit(), EventId::new(0x1234_ff));
/// let range = EventRange::new(EventId::new(0x1235_00), 8)?;
/// assert_eq!(range.emit(), EventId::new(0x1235_00));
/// # Ok::<(), throwproof_protocol::lcc::RangeError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EventRange {
    // Low bits that vary are zero.
    first: u64,
    bits: u8,
}

impl EventRange {
    /// The range of `2^bits` events that holds this one.
    ///
    /// # Errors
    /// When `bits` is not 1 to 64.
    pub const fn new(event: EventId, bits: u8) -> Result<Self, RangeError> {
        if bits == 0 || bits > 64 {
            return Err(RangeError { bits });
        }
        Ok(Self {
            first: event.get() & !mask(bits),
            bits,
        })
    }

    /// Reads the number a range message carries; any number is a range.
    pub fn parse(number: EventId) -> Self {
        let number = number.get();
        let run = if number & 1 == 1 {
            number.trailing_ones()
        } else {
            number.trailing_zeros()
        };
        let bits = u8::try_from(run).unwrap_or(64);
        Self {
            first: number & !mask(bits),
            bits,
        }
    }

    /// The number a range message carries.
    pub const fn emit(self) -> EventId {
        let mask = mask(self.bits);
        // Zero, and so no bit, when all 64 vary.
        let lowest_fixed = mask.wrapping_add(1);
        if self.first & lowest_fixed == 0 {
            EventId::new(self.first | mask)
        } else {
            EventId::new(self.first)
        }
    }

    /// The lowest event in it.
    pub const fn first(self) -> EventId {
        EventId::new(self.first)
    }

    /// The highest event in it.
    pub const fn last(self) -> EventId {
        EventId::new(self.first | mask(self.bits))
    }

    /// How many low bits vary: it holds two to the power of that many events.
    pub const fn bits(self) -> u8 {
        self.bits
    }

    /// Is the event in it?
    pub const fn contains(self, event: EventId) -> bool {
        event.get() & !mask(self.bits) == self.first
    }
}

const fn mask(bits: u8) -> u64 {
    match bits {
        0 => 0,
        1..=63 => !(u64::MAX << bits),
        _ => u64::MAX,
    }
}

impl fmt::Debug for EventRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "EventRange({self})")
    }
}

impl fmt::Display for EventRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.first(), self.last())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn ranges_are_written_and_read_back(event: u64, bits in 1..=64_u8, other: u64) {
            let range = EventRange::new(EventId::new(event), bits).unwrap();
            prop_assert_eq!(EventRange::parse(range.emit()), range);
            prop_assert!(range.contains(EventId::new(event)));
            prop_assert!(range.contains(range.emit()));
            let inside = range.first() <= EventId::new(other) && EventId::new(other) <= range.last();
            prop_assert_eq!(range.contains(EventId::new(other)), inside);
        }

        #[test]
        fn every_number_is_a_range(number: u64) {
            let range = EventRange::parse(EventId::new(number));
            prop_assert_eq!(range.emit(), EventId::new(number));
        }
    }

    #[test]
    fn published_ranges_are_read() {
        // clause: Event Transport TN 2.4.
        let range = EventRange::parse(EventId::new(0x98_7650));
        assert_eq!((range.first().get(), range.bits()), (0x98_7650, 4));
        let range = EventRange::parse(EventId::new(0x98_764f));
        assert_eq!((range.first().get(), range.bits()), (0x98_7640, 4));
        assert!(EventRange::new(EventId::new(0), 0).is_err());
        assert!(EventRange::new(EventId::new(0), 65).is_err());
    }
}
