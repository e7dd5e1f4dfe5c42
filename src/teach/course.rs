//! The way from one address to another, one CV at a time, while the decoder stays on the layout.
//!
//! CV 1, CV 9 and bit 6 of CV 29 make one address together (S-9.2.2, July 2012), but are written
//! one after the other. Between two writes the decoder answers to an address that nobody wanted,
//! and the next write has to go there. The order is chosen so that each of these addresses can be
//! reached, is no broadcast, and belongs to nobody else.

use std::collections::{HashMap, VecDeque};

use throwproof_protocol::address::BinaryAddress;
use throwproof_protocol::cv::{AddressCvs, AddressMethod};

/// The three that make the address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Held {
    /// CV 1 and CV 9.
    pub cvs: AddressCvs,
    /// Bit 6 of CV 29.
    pub by: AddressMethod,
}

impl Held {
    /// What holds that address by that method; the decoder method holds the block of four that it
    /// lies in.
    pub fn of(first: BinaryAddress, by: AddressMethod) -> Self {
        let cvs = AddressCvs::for_binary(first, by);
        Self { cvs, by }
    }

    /// The binary address of the first output; `None` where a CV holds more than the method
    /// allows, and decoders may differ in what they make of it.
    pub fn first(self) -> Option<BinaryAddress> {
        self.cvs.binary(self.by).ok()
    }
}

/// One write.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Write {
    /// CV 1.
    Low(u8),
    /// CV 9.
    High(u8),
    /// Bit 6 of CV 29.
    By(AddressMethod),
}

impl Write {
    fn on(self, held: Held) -> Held {
        let Held { cvs, by } = held;
        match self {
            Self::Low(low) => Held {
                cvs: AddressCvs { low, ..cvs },
                by,
            },
            Self::High(high) => Held {
                cvs: AddressCvs { high, ..cvs },
                by,
            },
            Self::By(by) => Held { cvs, by },
        }
    }
}

/// The fewest writes from one to the other, each with what the decoder holds after it; every
/// address in between is one that `is_free` allows. `None` if there is no such way.
pub fn course(from: Held, to: Held, is_free: impl Fn(Held) -> bool) -> Option<Vec<(Write, Held)>> {
    let mut came: HashMap<Held, (Write, Held)> = HashMap::new();
    let mut queue = VecDeque::from([from]);
    while let Some(held) = queue.pop_front() {
        if held == to {
            return Some(path(&came, from, to));
        }
        for write in writes(to) {
            let next = write.on(held);
            let is_new = next != from && !came.contains_key(&next);
            if is_new && (next == to || (next.first().is_some() && is_free(next))) {
                came.insert(next, (write, held));
                queue.push_back(next);
            }
        }
    }
    None
}

/// What can be written, the wanted values first; any other only to get around an address that
/// must not be taken.
fn writes(to: Held) -> impl Iterator<Item = Write> {
    let wanted = [
        Write::By(to.by),
        Write::High(to.cvs.high),
        Write::Low(to.cvs.low),
    ];
    let lows = (0..=63).map(Write::Low);
    wanted
        .into_iter()
        .chain(lows)
        .chain((0..=7).map(Write::High))
}

fn path(came: &HashMap<Held, (Write, Held)>, from: Held, to: Held) -> Vec<(Write, Held)> {
    let mut back = Vec::new();
    let mut at = to;
    while at != from {
        let Some((write, before)) = came.get(&at) else {
            break;
        };
        back.push((*write, at));
        at = *before;
    }
    back.reverse();
    back
}
