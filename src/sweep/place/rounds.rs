//! Which turnouts of a place are thrown where before each look at all of them.
//!
//! A look tells only where each turnout lies, not what moved it, so the rounds must be such that
//! whatever is wrong shows in where something lies. Each turnout has a code, one bit a round: in a
//! round it is sent to its far position where its bit is set, else to its position of rest; in a
//! last round all are sent to rest. In every round every turnout is thrown, those that go to rest
//! first and then those that go far. All codes have the same number of bits set, at least one, and
//! no two are alike; so of any two, each has a bit that the other lacks.
//!
//! What each fault shows, for a turnout *i* and any other *j*:
//!
//! - *still*, *one-way*, *stops short*: *i* is sent far in some round and to rest in the last one.
//!   One of the two it does not do.
//! - *reversed*: as soon as it moves it lies where it was not sent.
//! - *exchanged* with *j*: in a round where *i* has a bit that *j* lacks, the throws to rest come
//!   first, then the command of *i* sends *j* far and nothing moves *i* from rest.
//! - *j's command moves i along*: in a round where *j* has a bit that *i* lacks, *i* is sent to
//!   rest, then *j* is thrown far and takes *i* with it. This is why a turnout that was far and
//!   stays far is thrown again.
//! - *j's command moves i to the other side*: it shows where *i* and *j* are sent to the same
//!   side in one round and *j* is thrown after *i*. In all rounds but the last the order of throws
//!   is that of the plan backwards, in the last one it is that of the plan: so where *j* stands
//!   after *i* in the plan, the last round shows it. Where *j* stands before *i*, any round does in
//!   which both bits are set, or neither: and there is one, since of *k* bits, an odd number,
//!   (*k* - 1)/2 are set in each code, and two codes without a common bit leave exactly one bit
//!   that neither has. This is why *k* is odd, and why those that stay at rest are thrown again.
//!
//! Turnouts that share an address on purpose have one code: the command of one is to move the
//! other.
//!
//! *k* is the smallest odd number for which there are enough codes: *n* turnouts take *k* + 1
//! looks, with *k* = 3 for up to 3, 5 for up to 10, 7 for up to 35, 9 for up to 126. A hundred
//! turnouts in ten places of ten so take 60 looks, where 300 throws are looked at one by one.

/// The rounds of a place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::sweep) struct Rounds {
    bits: u32,
    /// Of each turnout.
    codes: Vec<u64>,
}

impl Rounds {
    /// For turnouts in the order of the plan; those with the same number are one to their address.
    pub(in crate::sweep) fn new(units: &[usize]) -> Self {
        let count = units.iter().max().map_or(0, |highest| highest + 1);
        let (bits, codes) = codes(count);
        let of_unit = |unit: &usize| codes.get(*unit).copied().unwrap_or_default();
        Self {
            bits,
            codes: units.iter().map(of_unit).collect(),
        }
    }

    /// How many there are, the last one included.
    pub(in crate::sweep) fn count(&self) -> usize {
        usize::try_from(self.bits).unwrap_or(usize::MAX) + 1
    }

    /// Whether a turnout lies far after a round, from 1; before the first one all lie at rest.
    pub(in crate::sweep) fn is_far(&self, turnout: usize, round: usize) -> bool {
        let bit = round.checked_sub(1).and_then(|bit| u32::try_from(bit).ok());
        let code = self.codes.get(turnout).copied().unwrap_or_default();
        bit.is_some_and(|bit| bit < self.bits && code >> bit & 1 == 1)
    }

    /// The order in which the turnouts are thrown in a round, from 1.
    pub(in crate::sweep) fn order(&self, round: usize) -> Vec<usize> {
        let mut order: Vec<_> = (0..self.codes.len()).collect();
        if round < self.count() {
            order.reverse();
        }
        // It keeps the order of those that are alike.
        order.sort_by_key(|turnout| self.is_far(*turnout, round));
        order
    }
}

/// That many different codes with the same number of bits set, and how many bits they have.
fn codes(count: usize) -> (u32, Vec<u64>) {
    // One alone has no other to be told from.
    if count <= 1 {
        return (1, vec![1; count]);
    }
    let mut bits = 3;
    while choices(bits, bits / 2) < count {
        bits += 2;
    }
    let mut code = (1_u64 << (bits / 2)) - 1;
    let mut codes = Vec::with_capacity(count);
    for _ in 0..count {
        codes.push(code);
        // The next greater number with as many bits set: the lowest run of ones gives its highest
        // one to the zero above it, and the rest of it goes to the bottom.
        let lowest = code & code.wrapping_neg();
        let above = code + lowest;
        code = above | (((above ^ code) >> 2) / lowest);
    }
    (bits, codes)
}

/// In how many ways `set` of `bits` can be chosen.
fn choices(bits: u32, set: u32) -> usize {
    (0..set).fold(1, |ways, at| {
        let (more, of) = ((bits - at) as usize, (at + 1) as usize);
        ways * more / of
    })
}

#[cfg(test)]
mod tests;
