//! How a simulated decoder takes its address: learn mode, switches, what it forgets.

use throwproof_protocol::address::PairBit;

use super::super::clock::Nanos;
use super::{Decoder, cvs};
use crate::plan::teaching::{CountOf, Switches};

/// How a decoder that learns places its block.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Rounding {
    /// Output 1 takes the very address that was heard.
    #[default]
    Exact,
    /// The block starts at the decoder address: four addresses, of which the one heard is one.
    DecoderAddress,
    /// Blocks of eight: they start at every other decoder address.
    Eights,
}

/// How a decoder really takes its address, whatever its plan says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "boards have any of these or not"
)]
pub struct Habits {
    /// How it places its block.
    pub rounding: Rounding,
    /// Its learn lead is looked at when power comes on, and only then.
    pub power_off: bool,
    /// Each output takes an address of its own, in their order.
    pub each_output: bool,
    /// Its address is gone with its power.
    pub forgets: bool,
    /// Pulse times that the first command chooses: index in the block, half, time.
    pub chooses: Vec<(usize, PairBit, Nanos)>,
    /// Its CVs are reached on the main by their older numbers only.
    pub older_numbers: bool,
    /// Switches that it looks at when power comes on.
    pub switches: Option<Switches>,
    /// Its learn lead does nothing.
    pub lead_dead: bool,
}

/// Whether the decoder waits for its address.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum State {
    #[default]
    Off,
    /// The lead or button is on: the next accessory command gives the address.
    Waiting,
    /// It has its address, but the lead or button is still on.
    Done,
}

/// What it has of learn mode and switches.
#[derive(Debug, Clone, Default)]
pub(super) struct Learning {
    pub(super) state: State,
    /// Whether the lead or button is on.
    lead: bool,
    is_unpowered: bool,
    /// The address of each output, where each has one of its own.
    pub(super) own: Vec<u16>,
    /// Which output learns next, and what the one before learnt.
    turn: usize,
    last: Option<u16>,
    /// How its switches are set, once somebody has set them.
    set: Option<Vec<bool>>,
}

impl Decoder {
    /// Puts the learn lead or button on or takes it off.
    pub fn set_learning(&mut self, on: bool) {
        let learning = &mut self.learning;
        learning.lead = on && !self.habits.lead_dead;
        if !learning.lead {
            learning.state = State::Off;
        } else if !self.habits.power_off && !learning.is_unpowered {
            self.begin_learning();
        }
    }

    /// Puts it into the kind of learn mode that is over once it has learnt, as after a push of a
    /// button.
    pub fn push_learn_button(&mut self) {
        self.begin_learning();
    }

    /// Whether it waits for its address.
    pub fn is_learning(&self) -> bool {
        self.learning.state == State::Waiting
    }

    /// Sets the switches of its board, which it looks at when power comes on.
    pub fn set_switches(&mut self, on: Vec<bool>) {
        self.learning.set = Some(on);
    }

    /// Its power has gone: what it can't keep is forgotten.
    pub(super) fn forget(&mut self) {
        self.learning.is_unpowered = true;
        self.learning.state = State::Off;
        if self.habits.forgets {
            self.cvs.restore_address();
            self.moved = true;
            self.number_outputs();
        }
    }

    /// Its power comes on.
    pub fn power_up(&mut self) {
        self.learning.is_unpowered = false;
        if self.learning.lead {
            self.begin_learning();
        }
        let counted = match (self.habits.switches, &self.learning.set) {
            (Some(switches), Some(on)) => first_by_switches(switches, on),
            _ => None,
        };
        if let Some(first) = counted {
            self.set_first(first);
        }
    }

    /// The outputs that have addresses of their own get those of the block.
    pub(super) fn number_outputs(&mut self) {
        if self.habits.each_output {
            let first = self.block_first();
            let addresses = (first..).take(self.outputs.len());
            self.learning.own = addresses.map(|address| address % 2048).collect();
        }
    }

    fn begin_learning(&mut self) {
        self.learning.state = State::Waiting;
        self.learning.turn = 0;
        self.learning.last = None;
    }

    /// Takes an address from a command, if it waits for one; `true` if it heard the command
    /// as that and as nothing else.
    pub(super) fn learn(&mut self, address: u16, half: PairBit) -> bool {
        match self.learning.state {
            State::Off => return false,
            State::Done => return true,
            State::Waiting => {}
        }
        if self.habits.each_output {
            // Copies of a command, and its release, name the address that was just learnt.
            if self.learning.last == Some(address) {
                return true;
            }
            if self.learning.turn == 0 {
                self.choose(0, half);
            }
            self.learning.own[self.learning.turn] = address;
            self.learning.last = Some(address);
            self.learning.turn += 1;
            self.moved = true;
            if self.learning.turn == self.outputs.len() {
                self.has_learnt();
            }
            return true;
        }
        self.has_learnt();
        let first = match self.habits.rounding {
            Rounding::Exact => address,
            Rounding::DecoderAddress => address - address % 4,
            // Binary 4 starts the first block of eight.
            Rounding::Eights => address - (address + 4) % 8,
        };
        self.set_first(first);
        self.choose(usize::from(address - first), half);
        true
    }

    /// It has its address; with the lead still on it does nothing else yet.
    fn has_learnt(&mut self) {
        let lead = self.learning.lead;
        self.learning.state = if lead { State::Done } else { State::Off };
    }

    fn choose(&mut self, index: usize, half: PairBit) {
        let mut choices = self.habits.chooses.iter();
        let chosen = choices.find(|(at, bit, _)| *at == index && *bit == half);
        if let Some((_, _, time)) = chosen {
            self.cvs.set_on_time(*time);
        }
    }
}

/// The binary address of output 1 by the switches of the board, if they hold one.
fn first_by_switches(switches: Switches, on: &[bool]) -> Option<u16> {
    let mut number: u16 = 0;
    let mut places: Vec<bool> = on
        .iter()
        .copied()
        .take(usize::from(switches.count))
        .collect();
    if !switches.highest_first {
        places.reverse();
    }
    for place in places {
        number = number * 2 + u16::from(place);
    }
    match switches.count_of {
        CountOf::Decoders => Some(number * 4 % 2048),
        CountOf::DecodersFromZero => Some((number + 1) * 4 % 2048),
        // The consistent reading of S-9.2.2: keyed address 1 is binary address 4.
        CountOf::Addresses => (number > 0).then_some((number + 3) % 2048),
    }
}

/// Whether an access on the main names a CV by a number that it knows.
pub(super) fn knows_number(habits: &Habits, cv: u16) -> bool {
    !habits.older_numbers || cv > cvs::OLDER_NUMBERS
}

#[cfg(test)]
mod tests {
    use super::super::super::clock::Nanos;
    use super::super::cvs::Cvs;
    use super::*;
    use crate::plan::OutputKind;

    fn decoder(habits: Habits) -> Decoder {
        let cvs = Cvs::new(Nanos::from_millis(150), false);
        Decoder::new(4, OutputKind::Pulse, habits, cvs)
    }

    fn addresses(decoder: &Decoder) -> Vec<u16> {
        decoder.addresses().collect()
    }

    #[test]
    fn a_block_is_rounded_down_as_the_board_does() {
        for (rounding, heard, first) in [
            (Rounding::Exact, 14, 14),
            (Rounding::DecoderAddress, 14, 12),
            (Rounding::DecoderAddress, 12, 12),
            // Binary 4, 12 and 20 start blocks of eight: keyed 1, 9 and 17.
            (Rounding::Eights, 19, 12),
            (Rounding::Eights, 20, 20),
        ] {
            let mut decoder = decoder(Habits {
                rounding,
                ..Habits::default()
            });
            decoder.set_learning(true);
            assert!(decoder.learn(heard, PairBit::One));
            assert_eq!(decoder.first(), first, "{rounding:?} {heard}");
            assert!(!decoder.is_learning());
        }
    }

    #[test]
    fn each_output_is_taught_in_its_turn() {
        let mut decoder = decoder(Habits {
            each_output: true,
            ..Habits::default()
        });
        decoder.set_learning(true);
        for address in [30, 30, 41, 41, 52] {
            decoder.learn(address, PairBit::One);
        }
        // The last still has what it had.
        assert_eq!(addresses(&decoder), [30, 41, 52, 7]);
        assert!(decoder.is_learning());
        decoder.learn(63, PairBit::Zero);
        assert!(!decoder.is_learning());
    }

    #[test]
    fn the_first_command_chooses_the_pulse() {
        let half_second = Nanos::from_millis(500);
        let mut decoder = decoder(Habits {
            rounding: Rounding::DecoderAddress,
            chooses: vec![(1, PairBit::Zero, half_second)],
            ..Habits::default()
        });
        decoder.set_learning(true);
        decoder.learn(13, PairBit::Zero);
        assert_eq!(decoder.cvs.on_time(3), Some(half_second));
    }

    #[test]
    fn power_decides_where_the_board_looks_then() {
        let mut decoder = decoder(Habits {
            power_off: true,
            forgets: true,
            ..Habits::default()
        });
        decoder.set_first(40);
        decoder.set_learning(true);
        assert!(!decoder.is_learning(), "its lead is not looked at now");
        decoder.lose_power(&mut Vec::new());
        assert_eq!(decoder.first(), 4, "it forgets");
        decoder.power_up();
        assert!(decoder.is_learning());
    }
}
