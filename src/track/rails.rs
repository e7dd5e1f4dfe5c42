//! The rails: a command station that turns packets into half-bits, and what the wires do to
//! them on the way.

use std::collections::VecDeque;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::packet::Packet;

use super::clock::Nanos;
use super::receiver::Heard;

/// Half of a one-bit as sent (S-9.1 Table 1, t1 nominal).
const ONE_HALF: Nanos = Nanos::from_micros(58);

/// Half of a zero-bit as sent (S-9.1 Table 1, t0 nominal).
const ZERO_HALF: Nanos = Nanos::from_micros(100);

/// How many packets a station keeps as it formed them: both commands and releases of two
/// turnouts, and idle.
const KEPT: usize = 9;

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

/// A packet as half-bits.
#[derive(Debug, Clone)]
pub(super) struct Formed {
    packet: Packet,
    preamble: Preamble,
    /// Its half-bits.
    pub(super) halves: Vec<Nanos>,
    /// The sum of them.
    pub(super) lasts: Nanos,
    /// What a receiver made of them that had counted that many halves of one-bits before, and
    /// how many it has counted after: whoever starts alike hears the same.
    pub(super) heard: Option<(u32, Heard, u32)>,
}

/// A command station: repeats packets, fills with idle packets, keeps the 5 ms rule.
#[derive(Debug, Clone)]
pub struct Station {
    signal: Signal,
    rng: ChaCha8Rng,
    idle: Packet,
    waiting: VecDeque<Waiting>,
    /// Packets formed so far, the one on the rails, and how many of its half-bits are out.
    formed: Vec<Formed>,
    on_rails: usize,
    out: usize,
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
            formed: Vec::new(),
            on_rails: 0,
            out: 0,
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
        if self.is_out() {
            self.start_packet(now);
        }
        &self.formed[self.on_rails].halves[self.out..]
    }

    /// The packet on the rails, if none of it is out yet; if it is out, the next.
    pub(super) fn whole(&mut self, now: Nanos) -> Option<&mut Formed> {
        if self.is_out() {
            self.start_packet(now);
        }
        self.formed.get_mut(self.on_rails).filter(|_| self.out == 0)
    }

    /// That many half-bits of the packet on the rails are out; what left the rails with them, if
    /// they were its last.
    pub fn take(&mut self, halves: usize) -> Option<Sent> {
        self.out += halves;
        self.is_out().then_some(self.current)
    }

    fn is_out(&self) -> bool {
        let formed = self.formed.get(self.on_rails);
        formed.is_none_or(|it| self.out >= it.halves.len())
    }

    /// Whether nothing waits, and what is on the rails is an idle packet or out already.
    pub(super) fn is_idle(&self) -> bool {
        self.waiting.is_empty() && (self.current.ticket.is_none() || self.is_out())
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
        self.form(packet, preamble);
        if self.current.ticket.is_some() {
            let key = decoder_key(&packet);
            let end = now + self.formed[self.on_rails].lasts;
            self.last
                .retain(|(other, over)| *other != key && now.since(*over) < SAME_DECODER_GAP);
            self.last.push_back((key, end));
        }
    }

    /// Puts a packet on the rails, as it was formed before unless each copy is another.
    fn form(&mut self, packet: Packet, preamble: Preamble) {
        let is_same = |it: &Formed| it.packet == packet && it.preamble == preamble;
        if self.signal.jitter > Nanos::ZERO {
            self.formed.clear();
        } else if let Some(index) = self.formed.iter().position(is_same) {
            self.on_rails = index;
            return;
        }
        let halves = self.halves_of(packet, preamble);
        let lasts = halves.iter().fold(Nanos::ZERO, |sum, half| sum + *half);
        self.on_rails = if self.formed.len() < KEPT {
            self.formed.len()
        } else {
            (self.on_rails + 1) % KEPT
        };
        let made = Formed {
            packet,
            preamble,
            halves,
            lasts,
            heard: None,
        };
        match self.formed.get_mut(self.on_rails) {
            Some(place) => *place = made,
            None => self.formed.push(made),
        }
    }

    /// The half-bits of a packet, as this station sends them.
    fn halves_of(&mut self, packet: Packet, preamble: Preamble) -> Vec<Nanos> {
        let mut halves = Vec::with_capacity(128);
        for bit in packet.bits(preamble) {
            let half = if bit.is_one() { ONE_HALF } else { ZERO_HALF };
            halves.push(half + self.signal.asymmetry);
            halves.push(half - self.signal.asymmetry);
        }
        if self.signal.jitter > Nanos::ZERO {
            let spread = self.signal.jitter.0 * 2 + 1;
            for half in &mut halves {
                *half = *half + Nanos(self.rng.next_u64() % spread) - self.signal.jitter;
            }
        }
        halves
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
#[derive(Debug, Clone)]
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

    /// Carries all these; whether any of them was disturbed.
    pub(super) fn carry_all(&mut self, halves: &[Nanos], arrive: &mut Vec<Nanos>) -> bool {
        arrive.clear();
        arrive.extend(halves.iter().map(|half| self.carry(*half)));
        arrive != halves
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
