//! A simulated accessory decoder: what it hears, what it remembers, what its outputs do.

pub mod cvs;
mod learning;
pub mod reading;
mod service;

use throwproof_protocol::address::PairBit;

use self::cvs::Cvs;
use self::learning::Learning;
pub use self::learning::{Habits, Rounding};
use self::reading::{CvAccess, CvAction, Reading, Target};
use self::service::Service;
use super::clock::Nanos;
use super::receiver::Heard;
use crate::plan::OutputKind;

/// One count of Z in the data byte of an extended command (RCN-213, second-hand: `RZZZZZZZ`).
const SWITCHING_TIME_UNIT: Nanos = Nanos::from_millis(100);

/// What a decoder does because of a packet or of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// The output of that index has that half on, or none.
    Output(usize, Option<PairBit>),
    /// The output of that index shows the aspect of that value.
    Aspect(usize, u8),
}

/// One output of a decoder.
#[derive(Debug, Clone, Default)]
struct Output {
    active: Option<PairBit>,
    /// When it goes off by itself.
    until: Option<Nanos>,
}

/// An accessory decoder.
#[derive(Debug, Clone)]
pub struct Decoder {
    /// Its configuration variables.
    pub cvs: Cvs,
    kind: OutputKind,
    habits: Habits,
    outputs: Vec<Output>,
    learning: Learning,
    /// The last CV access that named this decoder, not yet followed by another packet to it.
    pending: Option<Heard>,
    service: Service,
    moved: bool,
    /// How long it is deaf after switching an output on, and until when it is.
    busy: Nanos,
    deaf_until: Nanos,
}

impl Decoder {
    /// A decoder fresh from its maker.
    pub fn new(outputs: u8, kind: OutputKind, habits: Habits, cvs: Cvs) -> Self {
        let mut decoder = Self {
            cvs,
            kind,
            habits,
            outputs: vec![Output::default(); usize::from(outputs)],
            learning: Learning::default(),
            pending: None,
            service: Service::default(),
            moved: false,
            busy: Nanos::ZERO,
            deaf_until: Nanos::ZERO,
        };
        decoder.number_outputs();
        decoder
    }

    /// Gives the decoder its address as a builder would: output 1 answers to that binary
    /// address. By decoder address where it can be, else by output address (S-9.2.2).
    pub fn set_first(&mut self, first: u16) {
        let first = first % 2048;
        let by_output = self.habits.rounding == Rounding::Exact || !first.is_multiple_of(4);
        let configuration = self.cvs.get(cvs::CONFIGURATION);
        let (number, low_bits, configuration) = if by_output {
            // The consistent reading of S-9.2.2: keyed address 1 is binary address 4.
            (
                (first + 2048 - 3) % 2048,
                8,
                configuration | cvs::OUTPUT_METHOD,
            )
        } else {
            (first / 4, 6, configuration & !cvs::OUTPUT_METHOD)
        };
        let [_, low] = (number & ((1 << low_bits) - 1)).to_be_bytes();
        let [_, high] = (number >> low_bits).to_be_bytes();
        self.cvs.set(cvs::ADDRESS_LOW, low);
        self.cvs.set(cvs::ADDRESS_HIGH, high);
        self.cvs.set(cvs::CONFIGURATION, configuration);
        self.moved = true;
        self.number_outputs();
    }

    /// The binary address of output 1.
    pub fn first(&self) -> u16 {
        let own = self.learning.own.first();
        own.copied().unwrap_or_else(|| self.block_first())
    }

    /// The same by its CVs, by the method that CV 29 bit 6 says (S-9.2.2).
    fn block_first(&self) -> u16 {
        let low = u16::from(self.cvs.get(cvs::ADDRESS_LOW));
        let high = u16::from(self.cvs.get(cvs::ADDRESS_HIGH) & 0x07);
        if self.cvs.get(cvs::CONFIGURATION) & cvs::OUTPUT_METHOD != 0 {
            (low + 256 * high + 3) % 2048
        } else {
            ((low & 0x3f) + 64 * high) * 4
        }
    }

    /// The binary address of each output, in their order.
    pub fn addresses(&self) -> impl Iterator<Item = u16> {
        let first = self.block_first();
        (0_u16..).take(self.outputs.len()).map(move |index| {
            let own = self.learning.own.get(usize::from(index));
            own.copied().unwrap_or((first + index) % 2048)
        })
    }

    /// Which half of the output of that index is on.
    pub fn is_on(&self, output: usize) -> Option<PairBit> {
        self.outputs.get(output).and_then(|output| output.active)
    }

    /// Whether it obeys extended packets (CV 29 bit 5).
    pub fn is_extended(&self) -> bool {
        self.cvs.get(cvs::CONFIGURATION) & cvs::EXTENDED != 0
    }

    /// How long it is deaf after it has switched an output on: some recharge or write their
    /// memory meanwhile (common practice, no source).
    pub fn set_busy(&mut self, time: Nanos) {
        self.busy = time;
    }

    /// Whether its addresses changed since the last call.
    pub fn take_moved(&mut self) -> bool {
        std::mem::take(&mut self.moved)
    }

    /// Whether any of its outputs is on.
    pub fn is_any_on(&self) -> bool {
        self.outputs.iter().any(|output| output.active.is_some())
    }

    /// When the next output goes off by itself.
    pub fn next_off(&self) -> Option<Nanos> {
        self.outputs.iter().filter_map(|output| output.until).min()
    }

    /// How long it drew the acknowledgement current, at least 60 mA, between those times
    /// (S-9.2.3 section D).
    pub fn acknowledged(&self, since: Nanos, now: Nanos) -> Nanos {
        self.service.acknowledged(since, now)
    }

    /// Whether it follows service mode packets, and so must hear what ends them.
    pub fn is_in_service_mode(&self) -> bool {
        self.service.is_on()
    }

    /// Switches off what is due.
    pub fn tick(&mut self, now: Nanos, acts: &mut Vec<Act>) {
        for (index, output) in self.outputs.iter_mut().enumerate() {
            if output.until.is_some_and(|until| until <= now) {
                *output = Output::default();
                acts.push(Act::Output(index, None));
            }
        }
    }

    /// Loses its power: outputs go off, what was half-done is forgotten, CVs stay unless it can't
    /// keep them.
    pub fn lose_power(&mut self, acts: &mut Vec<Act>) {
        self.pending = None;
        self.service = Service::default();
        for (index, output) in self.outputs.iter_mut().enumerate() {
            if output.active.is_some() {
                *output = Output::default();
                acts.push(Act::Output(index, None));
            }
        }
        self.forget();
    }

    /// Hears a packet.
    pub fn hear(&mut self, heard: Heard, now: Nanos, acts: &mut Vec<Act>) {
        if now < self.deaf_until {
            return;
        }
        if let Some(access) = self.service.hear(heard.bytes(), now, &self.cvs) {
            self.configure(access);
        }
        match reading::read(heard.bytes()) {
            Reading::Reset => self.all_off(acts),
            Reading::Basic {
                address,
                activate,
                one,
            } => {
                self.basic(address, activate, PairBit::from_bit(one), now, acts);
            }
            Reading::Extended { address, data } => self.extended(address, data, now, acts),
            Reading::Configure { target, access } => self.configure_main(heard, target, access),
            Reading::NoChange | Reading::Other => {}
        }
    }

    fn index_of(&self, address: u16) -> Option<usize> {
        if !self.learning.own.is_empty() {
            return self.addresses().position(|own| own == address);
        }
        let index = usize::from((address + 2048 - self.block_first()) % 2048);
        (index < self.outputs.len()).then_some(index)
    }

    fn basic(
        &mut self,
        address: u16,
        activate: bool,
        half: PairBit,
        now: Nanos,
        acts: &mut Vec<Act>,
    ) {
        if self.is_extended() {
            return;
        }
        if self.learn(address, half) {
            return;
        }
        // Decoder address 511 is the broadcast (S-9.2.1 section D, 2012): every decoder acts on
        // the output that the last three bits name. Deactivating its last one is the emergency
        // stop (RCN-211, second-hand).
        if address >= 2044 {
            self.pending = None;
            if address == 2047 && !activate && half == PairBit::Zero {
                self.all_off(acts);
                return;
            }
            let pair = usize::from(address % 4);
            for index in (pair..self.outputs.len()).step_by(4) {
                self.command(index, activate, half, now, acts);
            }
        } else if let Some(index) = self.index_of(address) {
            self.pending = None;
            self.command(index, activate, half, now, acts);
        }
    }

    fn command(
        &mut self,
        index: usize,
        activate: bool,
        half: PairBit,
        now: Nanos,
        acts: &mut Vec<Act>,
    ) {
        let on_time = self.cvs.on_time(index);
        let output = &mut self.outputs[index];
        let until = match (self.kind, activate) {
            (OutputKind::Pulse, true) => on_time.map(|time| now + time),
            (OutputKind::Pulse, false) => {
                // Pulse time by CV or by release, whichever is first.
                if output.active == Some(half) {
                    *output = Output::default();
                    acts.push(Act::Output(index, None));
                }
                return;
            }
            (OutputKind::Steady | OutputKind::Servo | OutputKind::StallMotor, true) => None,
            // These hold until the other half is commanded.
            (OutputKind::Steady | OutputKind::Servo | OutputKind::StallMotor, false) => return,
        };
        *output = Output {
            active: Some(half),
            until,
        };
        acts.push(Act::Output(index, Some(half)));
        self.deaf_until = now + self.busy;
    }

    fn extended(&mut self, address: u16, data: u8, now: Nanos, acts: &mut Vec<Act>) {
        if !self.is_extended() {
            return;
        }
        if self.learn(address, PairBit::from_bit(data & 0x80 != 0)) {
            return;
        }
        let every = 0..self.outputs.len();
        let named = match (address, self.index_of(address)) {
            // S-9.2.1 section D, 2012: the broadcast to extended decoders.
            (2047, _) => every,
            (_, Some(index)) => index..index + 1,
            (_, None) => return,
        };
        self.pending = None;
        for index in named {
            acts.push(Act::Aspect(index, data));
            self.switch_for(index, data, now, acts);
        }
    }

    /// The data byte as a switching time, `RZZZZZZZ` (RCN-213, second-hand): Z = 0 is off,
    /// Z = 127 on until the next command.
    fn switch_for(&mut self, index: usize, data: u8, now: Nanos, acts: &mut Vec<Act>) {
        let half = PairBit::from_bit(data & 0x80 != 0);
        let output = &mut self.outputs[index];
        *output = match data & 0x7f {
            0 => Output::default(),
            127 => Output {
                active: Some(half),
                until: None,
            },
            time => Output {
                active: Some(half),
                until: Some(now + Nanos(SWITCHING_TIME_UNIT.0 * u64::from(time))),
            },
        };
        acts.push(Act::Output(index, output.active));
    }

    /// CV access on the main: done when two identical packets came with no other packet to this
    /// decoder between them (S-9.2.1 section D).
    fn configure_main(&mut self, heard: Heard, target: Target, access: CvAccess) {
        let mine = match target {
            Target::Decoder(decoder) => {
                !self.is_extended() && self.addresses().any(|address| address / 4 == decoder)
            }
            Target::Output(address) => !self.is_extended() && self.index_of(address).is_some(),
            Target::Extended(address) => self.is_extended() && self.index_of(address).is_some(),
        };
        if !mine || !learning::knows_number(&self.habits, access.cv) {
            return;
        }
        if self.pending == Some(heard) {
            self.pending = None;
            self.configure(access);
        } else {
            self.pending = Some(heard);
        }
    }

    fn configure(&mut self, access: CvAccess) {
        let old = self.cvs.get(access.cv);
        match access.action {
            CvAction::WriteByte(value) => self.cvs.set(access.cv, value),
            CvAction::WriteBit(bit, true) => self.cvs.set(access.cv, old | 1 << bit),
            CvAction::WriteBit(bit, false) => self.cvs.set(access.cv, old & !(1 << bit)),
            CvAction::VerifyByte(_) | CvAction::VerifyBit(..) => return,
        }
        self.moved = true;
        self.number_outputs();
    }

    fn all_off(&mut self, acts: &mut Vec<Act>) {
        self.pending = None;
        if self.kind != OutputKind::Pulse && !self.is_extended() {
            // A latched output keeps its position: a servo or a lamp is not a coil that burns.
            return;
        }
        for (index, output) in self.outputs.iter_mut().enumerate() {
            if output.active.is_some() {
                *output = Output::default();
                acts.push(Act::Output(index, None));
            }
        }
    }
}
