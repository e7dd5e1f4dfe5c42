//! Bits in, packets out.

use super::{Bit, Preamble};
use crate::clause::Clause;
use crate::packet::{Packet, PacketError};

/// What became of a bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Progress {
    /// Nothing is complete yet.
    NeedMore,
    /// The bit was the end bit of a good packet.
    Packet(Received),
    /// The bit ended something that is no packet; the next good preamble is awaited.
    Dropped(BitError),
}

/// A packet and the preamble it came with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Received {
    /// The packet.
    pub packet: Packet,
    /// The 1 bits before its first start bit, not counting the end bit of a packet right before
    /// it, although a decoder may count that one too. Stops counting at 65535.
    pub preamble: u16,
}

/// Why bits were dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum BitError {
    /// Right after a packet, a start bit came before there was a preamble.
    #[error(
        "start bit after {found} bits of 1, end bit of the packet before included, where a \
         preamble has at least {expected}"
    )]
    ShortPreamble {
        /// The least this decoder takes.
        expected: u8,
        /// How many there were, the end bit of the packet before included.
        found: u8,
    },
    /// A start bit came after the longest packet, where only the end bit could.
    #[error("start bit after {bytes} bytes, where the packet must end")]
    TooLong {
        /// The most bytes a packet with this first byte may have.
        bytes: u8,
    },
    /// The end bit came, but the bytes make no packet.
    #[error(transparent)]
    Packet(PacketError),
}

impl BitError {
    /// The clause that the bits break.
    pub const fn clause(self) -> Clause {
        match self {
            Self::ShortPreamble { .. } => Clause::PACKET_FORMAT,
            Self::TooLong { .. } => Clause::PARTITIONS,
            Self::Packet(error) => error.clause(),
        }
    }
}

#[derive(Debug, Clone, Copy)]
enum State {
    /// Waiting for enough 1 bits and then a start bit. `in_step` right after a packet.
    Hunting { in_step: bool },
    /// In a byte: its bits so far, below a leading 1 that marks how many are still to come.
    Byte { partial: u8 },
    /// After a byte: start bit of the next one, or end bit.
    Separator,
}

/// Bits in, packets out, one bit at a time.
///
/// Whatever came before, a packet with a long enough preamble is found: inside a packet there is
/// a 0 at least every ninth bit, so the decoder is never in a byte when the tenth 1 comes. (If the
/// rubbish before it happens to make a good packet that ends in the preamble, the packet after it
/// is found.)
#[derive(Debug, Clone)]
pub struct BitDecoder {
    state: State,
    least: u8,
    /// 1 bits in a row up to now.
    ones: u16,
    /// Preamble of the packet being read.
    preamble: u16,
    bytes: [u8; Packet::CAPACITY],
    len: usize,
}

impl BitDecoder {
    /// A decoder that takes preambles of ten bits and more: the least that any may take.
    pub const fn new() -> Self {
        Self::with_least_preamble(Preamble::DECODER_MUST_REJECT_BELOW)
    }

    /// A decoder that takes preambles of so many bits and more; at most 12 conforms to S-9.2.
    pub const fn with_least_preamble(least: Preamble) -> Self {
        Self {
            state: State::Hunting { in_step: false },
            least: least.bits(),
            ones: 0,
            preamble: 0,
            bytes: [0; Packet::CAPACITY],
            len: 0,
        }
    }

    /// Forgets what has come so far: to be called when bits were lost.
    pub const fn reset(&mut self) {
        self.state = State::Hunting { in_step: false };
        self.ones = 0;
    }

    /// Has a packet begun that has not ended yet?
    pub const fn is_in_packet(&self) -> bool {
        !matches!(self.state, State::Hunting { .. })
    }

    /// Takes one bit.
    pub fn push(&mut self, bit: Bit) -> Progress {
        let ones_before = self.ones;
        self.ones = if bit.is_one() {
            self.ones.saturating_add(1)
        } else {
            0
        };
        match (self.state, bit) {
            (State::Hunting { .. }, Bit::One) => Progress::NeedMore,
            (State::Hunting { in_step }, Bit::Zero) => self.start(ones_before, in_step),
            (State::Byte { partial }, _) => self.data(partial, bit),
            (State::Separator, Bit::Zero) => self.next_byte(),
            (State::Separator, Bit::One) => self.end(),
        }
    }

    /// A 0 while hunting: the first start bit if enough 1 bits came before it.
    fn start(&mut self, ones: u16, in_step: bool) -> Progress {
        if ones < u16::from(self.least) {
            self.state = State::Hunting { in_step: false };
            return match u8::try_from(ones) {
                Ok(found) if in_step => Progress::Dropped(BitError::ShortPreamble {
                    expected: self.least,
                    found,
                }),
                _ => Progress::NeedMore,
            };
        }
        self.preamble = if in_step {
            ones.saturating_sub(1)
        } else {
            ones
        };
        self.len = 0;
        self.state = State::Byte { partial: 1 };
        Progress::NeedMore
    }

    fn data(&mut self, partial: u8, bit: Bit) -> Progress {
        let byte = (partial << 1) | u8::from(bit.is_one());
        // The leading 1 is shifted out with the eighth bit.
        if partial & 0x80 == 0 {
            self.state = State::Byte { partial: byte };
            return Progress::NeedMore;
        }
        if let Some(slot) = self.bytes.get_mut(self.len) {
            *slot = byte;
        }
        self.len = self.len.saturating_add(1);
        self.state = State::Separator;
        Progress::NeedMore
    }

    /// A start bit between bytes.
    fn next_byte(&mut self) -> Progress {
        let [first, ..] = self.bytes;
        let most = Packet::max_len(first);
        if self.len >= most {
            self.state = State::Hunting { in_step: false };
            let bytes = u8::try_from(most).unwrap_or(u8::MAX);
            return Progress::Dropped(BitError::TooLong { bytes });
        }
        self.state = State::Byte { partial: 1 };
        Progress::NeedMore
    }

    /// The end bit. It may count as the first preamble bit of the next packet.
    fn end(&mut self) -> Progress {
        match Packet::parse(self.bytes.get(..self.len).unwrap_or_default()) {
            Ok(packet) => {
                self.state = State::Hunting { in_step: true };
                self.ones = 1;
                Progress::Packet(Received {
                    packet,
                    preamble: self.preamble,
                })
            }
            Err(error) => {
                // The 1 bits just read may have been the start of a preamble: keep counting.
                self.state = State::Hunting { in_step: false };
                Progress::Dropped(BitError::Packet(error))
            }
        }
    }
}

impl Default for BitDecoder {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::borrow::ToOwned;
    use std::vec::Vec;

    fn push_text(decoder: &mut BitDecoder, text: &str) -> Vec<Progress> {
        text.chars()
            .filter(|character| *character != ' ')
            .map(|character| decoder.push(Bit::from_bool(character == '1')))
            .filter(|progress| *progress != Progress::NeedMore)
            .collect()
    }

    fn received(packet: &str, preamble: u16) -> Progress {
        Progress::Packet(Received {
            packet: packet.parse().unwrap(),
            preamble,
        })
    }

    const BODY: &str = "0 10000001 0 11111001 0 01111000 1";

    #[test]
    fn ten_preamble_bits_are_enough_and_nine_are_not() {
        // clause: S-9.2 (July 2004), section A: reject fewer than 10, accept 12.
        for (ones, found) in [(9, false), (10, true), (12, true), (300, true)] {
            let mut decoder = BitDecoder::new();
            let mut text = "0".to_owned();
            text.extend(std::iter::repeat_n('1', ones));
            text.push_str(BODY);
            let all = push_text(&mut decoder, &text);
            assert_eq!(!all.is_empty(), found, "{ones} bits");
            if found {
                assert_eq!(all, [received("81 F9 78", u16::try_from(ones).unwrap())]);
            }
        }
    }

    #[test]
    fn the_end_bit_may_count_as_a_preamble_bit() {
        let mut decoder = BitDecoder::new();
        let text = ["1111111111", BODY, "111111111", BODY].concat();
        let expected = [received("81 F9 78", 10), received("81 F9 78", 9)];
        assert_eq!(push_text(&mut decoder, &text), expected);
    }

    #[test]
    fn a_short_preamble_after_a_packet_is_reported_once() {
        let mut decoder = BitDecoder::new();
        let text = ["1111111111", BODY, "11111111", BODY, "11111111111111", BODY].concat();
        let expected = [
            received("81 F9 78", 10),
            Progress::Dropped(BitError::ShortPreamble {
                expected: 10,
                found: 9,
            }),
            received("81 F9 78", 15),
        ];
        assert_eq!(push_text(&mut decoder, &text), expected);
    }

    #[test]
    fn a_wrong_check_byte_is_dropped_and_the_next_packet_found() {
        // clause: S-9.2 (July 2004), section C.
        let mut decoder = BitDecoder::new();
        let text = [
            "11111111111111 0 10000001 0 11111001 0 01111001 1",
            "1111111111111",
            BODY,
        ];
        let error = PacketError::CheckByte {
            offset: 2,
            expected: 0x78,
            found: 0x79,
        };
        let all = push_text(&mut decoder, &text.concat());
        assert_eq!(
            all.first(),
            Some(&Progress::Dropped(BitError::Packet(error)))
        );
        assert!(matches!(all.get(1), Some(Progress::Packet(_))));
    }

    #[test]
    fn a_packet_without_end_is_dropped_at_the_seventh_start_bit() {
        let mut decoder = BitDecoder::new();
        let mut text = "11111111111111".to_owned();
        text.push_str(&"0 10000001".repeat(7));
        let dropped = Progress::Dropped(BitError::TooLong { bytes: 6 });
        assert_eq!(push_text(&mut decoder, &text), [dropped]);
    }

    #[test]
    fn one_long_preamble_loses_no_count() {
        let mut decoder = BitDecoder::new();
        for _ in 0..70_000 {
            assert_eq!(decoder.push(Bit::One), Progress::NeedMore);
        }
        assert_eq!(
            push_text(&mut decoder, BODY),
            [received("81 F9 78", u16::MAX)]
        );
    }

    #[test]
    fn twelve_may_be_asked_for() {
        let mut decoder = BitDecoder::with_least_preamble(Preamble::DECODER_MUST_ACCEPT);
        assert_eq!(push_text(&mut decoder, &["11111111111", BODY].concat()), []);
        let all = push_text(&mut decoder, &["111111111111", BODY].concat());
        assert_eq!(all.len(), 1);
    }
}
