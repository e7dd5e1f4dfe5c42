//! How a decoder hears the rails: half-bits in, packets out.
//!
//! Written from NMRA S-9.1 (7 March 2020) Table 1 and S-9.2 (July 2004) section A, not from the
//! encoder: a mistake there must not be able to hide here.

use super::clock::Nanos;

/// The most bytes a receiver keeps of one packet. S-9.2.1 knows packets of 3 to 6 bytes; longer
/// ones (first byte 253 or 254) are not for the decoders of this track, which drop them.
const MOST_BYTES: usize = 6;

/// S-9.2 section A: fewer than 10 complete one-bits are no preamble.
const LEAST_PREAMBLE_HALVES: u32 = 20;

/// S-9.1 Table 1, tr1: a half of a one-bit that must be accepted.
const ONE: (Nanos, Nanos) = (Nanos::from_micros(52), Nanos::from_micros(64));

/// S-9.1 Table 1, tr1d: how far the halves of a one-bit may differ.
const ONE_DIFFERENCE: Nanos = Nanos::from_micros(6);

/// S-9.1 Table 1, tr0: a half of a zero-bit that must be accepted.
const ZERO: (Nanos, Nanos) = (Nanos::from_micros(90), Nanos::from_micros(10_000));

/// A packet as it was heard; its check byte is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heard {
    // Bytes past the length are zero, so that the derived comparison holds.
    bytes: [u8; MOST_BYTES],
    length: u8,
}

impl Heard {
    /// All its bytes, the check byte included.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..usize::from(self.length)]
    }
}

/// What a receiver has thrown away since it was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Dropped {
    /// Half-bits outside every window of S-9.1, while a packet was being heard.
    pub bad_timing: u64,
    /// Packets whose check byte was wrong.
    pub bad_check: u64,
    /// Packets shorter than 3 or longer than 6 bytes.
    pub bad_length: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    One,
    Zero,
    /// Between the windows: undefined for a decoder (S-9.1 section A).
    Gap,
    Bad,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Counting the halves of one-bits.
    Preamble { halves: u32 },
    /// In a packet, at the first half of a bit.
    First,
    /// In a packet, at the second half of a one-bit whose first half lasted that long.
    SecondOfOne { first: Nanos },
    /// In a packet, at the second half of a zero-bit.
    SecondOfZero,
}

/// The receiving part of a decoder.
#[derive(Debug, Clone)]
pub struct Receiver {
    state: State,
    /// Bits of the current byte so far, and how many: 0 before its start bit, then 1 to 9.
    shift: u16,
    bits: u8,
    bytes: [u8; MOST_BYTES],
    length: usize,
    dropped: Dropped,
}

impl Default for Receiver {
    fn default() -> Self {
        Self {
            state: State::Preamble { halves: 0 },
            shift: 0,
            bits: 0,
            bytes: [0; MOST_BYTES],
            length: 0,
            dropped: Dropped::default(),
        }
    }
}

impl Receiver {
    /// What was thrown away so far.
    pub fn dropped(&self) -> Dropped {
        self.dropped
    }

    /// How many halves of one-bits it has counted, where it waits for a packet: all that then
    /// decides what it hears next.
    pub(super) fn waits(&self) -> Option<u32> {
        match self.state {
            State::Preamble { halves } => Some(halves),
            State::First | State::SecondOfOne { .. } | State::SecondOfZero => None,
        }
    }

    /// Waits for a packet as one that has counted that many.
    pub(super) fn wait(&mut self, halves: u32) {
        self.state = State::Preamble { halves };
    }

    /// Hears one half-bit; the packet that it completes, if it does.
    #[inline]
    pub fn half(&mut self, half: Nanos) -> Option<Heard> {
        let kind = classify(half);
        match (self.state, kind) {
            (State::Preamble { halves }, Kind::One) => {
                self.state = State::Preamble {
                    halves: halves.saturating_add(1),
                };
            }
            (State::Preamble { halves }, Kind::Zero) if halves >= LEAST_PREAMBLE_HALVES => {
                self.bits = 0;
                self.bytes = [0; MOST_BYTES];
                self.length = 0;
                self.state = State::SecondOfZero;
            }
            (State::Preamble { .. }, _) => self.state = State::Preamble { halves: 0 },
            (State::First, Kind::One) => self.state = State::SecondOfOne { first: half },
            (State::First, Kind::Zero) => self.state = State::SecondOfZero,
            (State::SecondOfOne { first }, Kind::One)
                if Nanos(first.0.abs_diff(half.0)) <= ONE_DIFFERENCE =>
            {
                self.state = State::First;
                return self.bit(true);
            }
            // S-9.1 section A: one half within the window is enough to know a zero-bit.
            (State::SecondOfZero, Kind::Zero | Kind::Gap) => {
                self.state = State::First;
                return self.bit(false);
            }
            (State::First | State::SecondOfOne { .. } | State::SecondOfZero, _) => {
                self.dropped.bad_timing += 1;
                self.state = State::Preamble {
                    halves: u32::from(kind == Kind::One),
                };
            }
        }
        None
    }

    /// One whole bit of a packet (S-9.2 section A): start bit, eight data bits, and then either
    /// the start bit of another byte or the end bit.
    fn bit(&mut self, one: bool) -> Option<Heard> {
        match self.bits {
            // The start bit of the first byte, which is a zero by the way we came here.
            0 => self.bits = 1,
            1..=8 => {
                self.shift = self.shift << 1 | u16::from(one);
                self.bits += 1;
            }
            _ => {
                let [_, byte] = self.shift.to_be_bytes();
                if self.length == MOST_BYTES {
                    self.dropped.bad_length += 1;
                    self.state = State::Preamble { halves: 0 };
                    return None;
                }
                self.bytes[self.length] = byte;
                self.length += 1;
                self.bits = 1;
                if one {
                    // The end bit may be the first of the next preamble.
                    self.state = State::Preamble { halves: 2 };
                    return self.end();
                }
            }
        }
        None
    }

    fn end(&mut self) -> Option<Heard> {
        let heard = &self.bytes[..self.length];
        if heard.len() < 3 {
            self.dropped.bad_length += 1;
            return None;
        }
        if heard.iter().fold(0, |sum, byte| sum ^ byte) != 0 {
            self.dropped.bad_check += 1;
            return None;
        }
        let length = u8::try_from(self.length).ok()?;
        Some(Heard {
            bytes: self.bytes,
            length,
        })
    }
}

#[inline]
fn classify(half: Nanos) -> Kind {
    if half >= ONE.0 && half <= ONE.1 {
        Kind::One
    } else if half >= ZERO.0 && half <= ZERO.1 {
        Kind::Zero
    } else if half > ONE.1 && half < ZERO.0 {
        Kind::Gap
    } else {
        Kind::Bad
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bits as S-9.2 section A draws them, each as two halves of those lengths.
    fn hear(receiver: &mut Receiver, bits: &str, one_us: u64, zero_us: u64) -> Vec<Vec<u8>> {
        let mut heard = Vec::new();
        for bit in bits.chars().filter(|c| !c.is_whitespace()) {
            let half = Nanos::from_micros(if bit == '1' { one_us } else { zero_us });
            for _ in 0..2 {
                heard.extend(receiver.half(half).map(|h| h.bytes().to_vec()));
            }
        }
        heard
    }

    // source: NMRA S-9.2 (July 2004) section B: the idle packet.
    const IDLE: &str = "11111111111111 0 11111111 0 00000000 0 11111111 1";
    // source: LCC EventTransport TN 2.5.3.3 with S-9.2.1 section D, address 1 normal; check byte derived.
    const BASIC: &str = "11111111111111 0 10000001 0 11111001 0 01111000 1";

    #[test]
    fn hears_the_idle_packet() {
        assert_eq!(
            hear(&mut Receiver::default(), IDLE, 58, 100),
            [[0xff, 0x00, 0xff]]
        );
    }

    #[test]
    fn hears_a_basic_accessory_packet_at_the_edges_of_the_windows() {
        for (one, zero) in [(52, 90), (64, 90), (52, 10_000), (64, 10_000), (58, 100)] {
            assert_eq!(
                hear(&mut Receiver::default(), BASIC, one, zero),
                [[0x81, 0xf9, 0x78]],
                "halves of {one} and {zero} us"
            );
        }
    }

    #[test]
    fn rejects_halves_outside_the_windows() {
        for (one, zero) in [(51, 100), (65, 100), (58, 89), (58, 10_001)] {
            assert!(
                hear(&mut Receiver::default(), BASIC, one, zero).is_empty(),
                "halves of {one} and {zero} us"
            );
        }
    }

    // clause: S-9.2 section A: fewer than 10 are rejected, 12 must be accepted.
    #[test]
    fn wants_a_preamble_of_ten() {
        let body = " 0 11111111 0 00000000 0 11111111 1";
        assert!(hear(&mut Receiver::default(), &("1".repeat(9) + body), 58, 100).is_empty());
        assert_eq!(
            hear(&mut Receiver::default(), &("1".repeat(12) + body), 58, 100).len(),
            1
        );
    }

    #[test]
    fn the_end_bit_counts_towards_the_next_preamble() {
        let twice = format!("{IDLE} {}", IDLE.replacen('1', "", 1));
        assert_eq!(hear(&mut Receiver::default(), &twice, 58, 100).len(), 2);
    }

    #[test]
    fn a_wrong_check_byte_is_dropped_and_the_next_packet_heard() {
        let wrong = BASIC.replace("01111000", "01111001");
        let mut receiver = Receiver::default();
        assert_eq!(
            hear(&mut receiver, &format!("{wrong}{IDLE}"), 58, 100),
            [[0xff, 0x00, 0xff]]
        );
        assert_eq!(receiver.dropped().bad_check, 1);
    }

    #[test]
    fn one_bits_whose_halves_differ_too_much_are_dropped() {
        for (difference, heard) in [(6, 1), (7, 0)] {
            let mut receiver = Receiver::default();
            let mut count = 0;
            for bit in BASIC.chars().filter(|c| !c.is_whitespace()) {
                let halves = if bit == '1' {
                    [58 - difference, 58]
                } else {
                    [100, 100]
                };
                for half in halves {
                    count += usize::from(receiver.half(Nanos::from_micros(half)).is_some());
                }
            }
            assert_eq!(count, heard, "a difference of {difference} us");
        }
    }
}
