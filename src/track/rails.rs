//! The rails: a command station that turns packets into half-bits, and what the wires do to
//! them on the way.

use std::collections::VecDeque;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::packet::Packet;

use super::clock::Nanos;

/// Half of a one-bit as sent (S-9.1 Table 1, t1 nominal).
const ONE_HALF: Nanos = Nanos::from_micros(58);

/// Half of a zero-bit as sent (S-9.1 Table 1, t0 nominal).
const ZERO_HALF: Nanos = Nanos::from_micros(100);

/// Packets to the same decoder must be 5 ms apart, end bit to start bit, for it to have to act
/// on both (S-9.2 section C).
const SAME_DECODER_GAP: Nanos = Nanos::from_millis(5);

/// How often a station repeats an accessory packet. No standard gives a number for basic
/// accessory packets; common practice, no source.
pub const DEFAULT_REPEATS: u32 = 3;

/// How the station forms its signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signal {
    /// How often each packet is put on the rails.
    pub repeats: u32,
    /// Largest random change of each half-bit, either way.
    pub jitter: Nanos,
    /// By how much each first half is longer, and each second half shorter, than nominal.
    pub asymmetry: Nanos,
}

impl Default for Signal {
    fn default() -> Self {
        Self {
            repeats: DEFAULT_REPEATS,
            jitter: Nanos::ZERO,
            asymmetry: Nanos::ZERO,
        }
    }
}

/// A packet waiting for its turn.
#[derive(Debug, Clone)]
struct Waiting {
    packet: Packet,
    preamble: Preamble,
    remaining: u32,
    /// Which call of [`Station::send`] it came from.
    ticket: u64,
}

/// A command station: repeats packets, fills with idle packets, keeps the 5 ms rule.
#[derive(Debug)]
pub struct Station {
    signal: Signal,
    rng: ChaCha8Rng,
    idle: Packet,
    waiting: VecDeque<Waiting>,
    /// The half-bits of the packet on the rails, and how many of them are out.
    halves: Vec<Nanos>,
    out: usize,
    /// What they were made of.
    made_of: Option<(Packet, Preamble)>,
    /// What the packet on the rails is.
    current: Sent,
    tickets: u64,
    /// The last packets that were not idle ones, and when their end bits were over.
    last: VecDeque<(DecoderKey, Nanos)>,
}

/// What a packet that just left the station was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sent {
    /// Which call of [`Station::send`] it came from; `None` for an idle packet.
    pub ticket: Option<u64>,
    /// How many more copies will follow.
    pub remaining: u32,
}

/// What the 5 ms rule calls "the same decoder": the bytes that hold the decoder address.
type DecoderKey = (u8, u8);

fn decoder_key(packet: &Packet) -> DecoderKey {
    match *packet.as_bytes() {
        // Accessory packets: the low address bits in byte 1, the high ones in byte 2.
        [first @ 0x80..=0xbf, second, ..] => (first, second & 0x70),
        [first, ..] => (first, 0),
        [] => (0, 0),
    }
}

impl Station {
    /// A station that sends idle packets until told otherwise.
    pub fn new(signal: Signal, idle: Packet, seed: u64) -> Self {
        Self {
            signal,
            rng: ChaCha8Rng::seed_from_u64(seed),
            idle,
            waiting: VecDeque::new(),
            halves: Vec::new(),
            out: 0,
            made_of: None,
            current: Sent {
                ticket: None,
                remaining: 0,
            },
            tickets: 0,
            last: VecDeque::new(),
        }
    }

    /// Puts a packet in the queue, to be sent as often as the station repeats packets. The
    /// ticket tells its copies in [`Sent`].
    pub fn send(&mut self, packet: Packet) -> u64 {
        self.send_times(packet, Preamble::OPERATIONS_RCN, self.signal.repeats.max(1))
    }

    /// Puts a packet in the queue, to be sent that often with that preamble.
    pub fn send_times(&mut self, packet: Packet, preamble: Preamble, times: u32) -> u64 {
        self.tickets += 1;
        self.waiting.push_back(Waiting {
            packet,
            preamble,
            remaining: times,
            ticket: self.tickets,
        });
        self.tickets
    }

    /// The half-bits that are still to come of the packet on the rails; if it is out, of the
    /// next.
    pub fn halves(&mut self, now: Nanos) -> &[Nanos] {
        if self.out == self.halves.len() {
            self.start_packet(now);
        }
        &self.halves[self.out..]
    }

    /// That many half-bits of the packet on the rails are out; what left the rails with them, if
    /// they were its last.
    pub fn take(&mut self, halves: usize) -> Option<Sent> {
        self.out = (self.out + halves).min(self.halves.len());
        (self.out == self.halves.len()).then_some(self.current)
    }

    /// Whether nothing waits, and what is on the rails is an idle packet or out already.
    pub(super) fn is_idle(&self) -> bool {
        let is_out = self.out == self.halves.len();
        self.waiting.is_empty() && (is_out || self.current.ticket.is_none())
    }

    /// Chooses what goes on the rails next: the first waiting packet whose decoder was not
    /// addressed within the last 5 ms, else an idle packet.
    fn start_packet(&mut self, now: Nanos) {
        let (packet, preamble) = if let Some(waiting) = self.choose(now) {
            self.current = Sent {
                ticket: Some(waiting.ticket),
                remaining: waiting.remaining,
            };
            (waiting.packet, waiting.preamble)
        } else {
            self.current = Sent {
                ticket: None,
                remaining: 0,
            };
            (self.idle, Preamble::OPERATIONS_RCN)
        };
        self.out = 0;
        let nominal = self.signal.jitter == Nanos::ZERO;
        if !nominal || self.made_of != Some((packet, preamble)) {
            self.made_of = Some((packet, preamble));
            self.form(packet, preamble);
        }
        if self.current.ticket.is_some() {
            let key = decoder_key(&packet);
            let end = self.halves.iter().fold(now, |time, half| time + *half);
            self.last
                .retain(|(other, over)| *other != key && now.since(*over) < SAME_DECODER_GAP);
            self.last.push_back((key, end));
        }
    }

    /// Makes the half-bits of a packet.
    fn form(&mut self, packet: Packet, preamble: Preamble) {
        self.halves.clear();
        for bit in packet.bits(preamble) {
            let half = if bit.is_one() { ONE_HALF } else { ZERO_HALF };
            self.halves.push(half + self.signal.asymmetry);
            self.halves.push(half - self.signal.asymmetry);
        }
        if self.signal.jitter > Nanos::ZERO {
            let spread = self.signal.jitter.0 * 2 + 1;
            for half in &mut self.halves {
                *half = *half + Nanos(self.rng.next_u64() % spread) - self.signal.jitter;
            }
        }
    }

    /// Takes one copy of the first packet that may go out now. A packet that has copies left
    /// goes behind the others, but never behind one for the same decoder: commands to one
    /// decoder keep their order.
    fn choose(&mut self, now: Nanos) -> Option<Waiting> {
        let mut blocked: Vec<DecoderKey> = Vec::new();
        for index in 0..self.waiting.len() {
            let key = decoder_key(&self.waiting[index].packet);
            if blocked.contains(&key) {
                continue;
            }
            // In service mode there is one decoder, and sequences must not be broken by idle
            // packets (S-9.2.3 section E).
            let service = self.waiting[index].preamble == Preamble::SERVICE;
            let resting = !service
                && self
                    .last
                    .iter()
                    .any(|(other, over)| *other == key && now.since(*over) < SAME_DECODER_GAP);
            if resting {
                blocked.push(key);
                continue;
            }
            self.waiting[index].remaining -= 1;
            let chosen = self.waiting[index].clone();
            if chosen.remaining == 0 {
                self.waiting.remove(index);
            }
            return Some(chosen);
        }
        None
    }
}

/// Wires that disturb some half-bits on their way to a decoder.
#[derive(Debug)]
pub struct Wires {
    rng: ChaCha8Rng,
    /// A half-bit is disturbed when 32 random bits fall below this.
    threshold: u32,
}

impl Wires {
    /// Wires that lose that share (0 to 1) of packets of the usual length.
    ///
    /// A packet of three bytes has 45 bits, 90 half-bits, with a preamble of 17; any one of the
    /// last 76 of them that is disturbed spoils it.
    pub fn losing(share: f64, seed: u64) -> Self {
        let each = 1.0 - libm::pow(1.0 - share.clamp(0.0, 1.0), 1.0 / 76.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of 0 to 1 times the largest u32 is a u32"
        )]
        let threshold = (each * f64::from(u32::MAX)) as u32;
        Self {
            rng: ChaCha8Rng::seed_from_u64(seed),
            threshold,
        }
    }

    /// Others that lose as much.
    #[must_use]
    pub fn like(&self) -> Self {
        let mut rng = self.rng.clone();
        Self {
            rng: ChaCha8Rng::seed_from_u64(rng.next_u64()),
            threshold: self.threshold,
        }
    }

    /// From now on they disturb other half-bits than they would have.
    pub fn stir(&mut self, seed: u64) {
        self.rng = ChaCha8Rng::seed_from_u64(seed);
    }

    /// The half-bit as it arrives. A disturbance ends it early, outside every window.
    #[inline]
    pub fn carry(&mut self, half: Nanos) -> Nanos {
        let random = self.rng.next_u32();
        if random < self.threshold {
            Nanos(half.0 / 4)
        } else {
            half
        }
    }
}
