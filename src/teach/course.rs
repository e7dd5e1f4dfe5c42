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

#[cfg(test)]
mod tests {
    use super::*;

    fn held(low: u8, high: u8, by: AddressMethod) -> Held {
        let cvs = AddressCvs { low, high };
        Held { cvs, by }
    }

    fn all_free(_: Held) -> bool {
        true
    }

    #[test]
    fn what_is_there_already_is_not_written() {
        let at = held(26, 0, AddressMethod::Decoder);
        assert_eq!(course(at, at, all_free), Some(Vec::new()));
        let to = held(27, 0, AddressMethod::Decoder);
        assert_eq!(course(at, to, all_free), Some(vec![(Write::Low(27), to)]));
    }

    #[test]
    fn the_other_order_is_taken_where_the_first_leads_to_somebody_else() {
        // derived from S-9.2.2 (July 2012): decoder addresses 1 and 251 = 59 + 64 x 3.
        let from = held(1, 0, AddressMethod::Decoder);
        let to = held(59, 3, AddressMethod::Decoder);
        for taken in [held(1, 3, from.by), held(59, 0, from.by)] {
            let way = course(from, to, |held| held != taken).unwrap();
            assert_eq!(way.len(), 2);
            assert!(way.iter().all(|(_, after)| *after != taken));
        }
        // Both are taken: around, by one write more.
        let is_free = |held: Held| ![(1, 3), (59, 0)].contains(&(held.cvs.low, held.cvs.high));
        assert_eq!(course(from, to, is_free).map(|way| way.len()), Some(3));
        assert_eq!(course(from, to, |_| false), None);
    }

    #[test]
    fn no_address_on_the_way_is_beyond_its_method() {
        // By output address CV 1 may hold 200, by decoder address 63 at most.
        let from = held(200, 0, AddressMethod::Output);
        let to = held(26, 0, AddressMethod::Decoder);
        let way = course(from, to, all_free).unwrap();
        assert!(
            way.iter().all(|(_, after)| after.first().is_some()),
            "{way:?}"
        );
        assert_eq!(way.last().map(|(_, after)| *after), Some(to));
    }

    #[test]
    fn what_is_held_is_what_is_asked_for() {
        for by in [AddressMethod::Decoder, AddressMethod::Output] {
            for first in BinaryAddress::all().filter(|first| first.pair() == 0) {
                assert_eq!(Held::of(first, by).first(), Some(first));
            }
        }
    }
}
