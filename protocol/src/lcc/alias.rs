//! Aliases: 12 bits that stand for a node id on one CAN segment, and the order they are tried in.

use core::fmt;

use super::node_id::NodeId;

/// A number that is no alias.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[error("{found:X} is no alias: 12 bits hold 1 to FFF, and zero stands for no node")]
pub struct AliasError {
    /// The number given.
    pub found: u16,
}

/// An alias: 1 to FFF.
///
/// clause: CAN Frame Transfer S 6.3: never zero.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Alias(u16);

impl Alias {
    const MASK: u16 = 0xfff;

    /// An alias.
    ///
    /// # Errors
    /// When it is zero or needs more than 12 bits.
    pub const fn new(number: u16) -> Result<Self, AliasError> {
        if number != 0 && number <= Self::MASK {
            Ok(Self(number))
        } else {
            Err(AliasError { found: number })
        }
    }

    /// The 12 low bits of any number; none when they are zero.
    pub const fn from_low_bits(number: u16) -> Option<Self> {
        match number & Self::MASK {
            0 => None,
            bits => Some(Self(bits)),
        }
    }

    /// The number.
    pub const fn get(self) -> u16 {
        self.0
    }
}

impl fmt::Display for Alias {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:03X}", self.0)
    }
}

impl fmt::Debug for Alias {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Alias({self})")
    }
}

/// One step of the 48-bit generator: `x * (2^9 + 1) + c`, 48 bits kept.
///
/// The carry from the low to the high half is joined by *or*, not added, as in the program of the
/// technical note; its table of examples follows the program, not the formula.
///
/// clause: CAN Frame Transfer TN 6.1.1, 6.1.3 and appendix A.
pub const fn step(seed: u64) -> u64 {
    let shifted = (seed << 9) & NODE_MASK;
    let (high, low) = (seed >> 24, seed & HALF_MASK);
    // Three halves of 24 bits each: nothing is lost before the masks.
    let low = low
        .wrapping_add(shifted & HALF_MASK)
        .wrapping_add(0x7a_4ba9);
    let high = high.wrapping_add(shifted >> 24).wrapping_add(0x1b_0ca3);
    (((high & HALF_MASK) | (low >> 24)) << 24) | (low & HALF_MASK)
}

/// The four twelfths of a seed, combined by exclusive or.
///
/// clause: CAN Frame Transfer TN 6.1.2.
pub const fn fold(seed: u64) -> u16 {
    let folded = (seed ^ (seed >> 12) ^ (seed >> 24) ^ (seed >> 36)) & 0xfff;
    let [.., high, low] = folded.to_be_bytes();
    u16::from_be_bytes([high, low])
}

const NODE_MASK: u64 = 0xffff_ffff_ffff;
const HALF_MASK: u64 = 0xff_ffff;

/// The aliases a node tries, one after another, without end.
///
/// The first is the node id's remainder, so that nodes whose ids lie within 255 of one another
/// start with different aliases, as the standard demands; folding the id alone does not guarantee
/// it. All others come from the generator of the technical note, zero left out.
///
/// clause: CAN Frame Transfer S 6.3.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AliasSequence {
    seed: u64,
    started: bool,
}

impl AliasSequence {
    /// The sequence of a node.
    pub const fn new(node: NodeId) -> Self {
        Self {
            seed: node.get(),
            started: false,
        }
    }

    /// The next alias to try.
    pub const fn next_alias(&mut self) -> Alias {
        if !self.started {
            self.started = true;
            let [.., high, low] = (self.seed % 0xfff).to_be_bytes();
            // A remainder of 4095 is at most 4094.
            return Alias(u16::from_be_bytes([high, low]).wrapping_add(1));
        }
        loop {
            self.seed = step(self.seed);
            if let Some(alias) = Alias::from_low_bits(fold(self.seed)) {
                return alias;
            }
        }
    }
}

impl Iterator for AliasSequence {
    type Item = Alias;

    fn next(&mut self) -> Option<Alias> {
        Some(self.next_alias())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn node(number: u64) -> NodeId {
        NodeId::new(number).unwrap()
    }

    #[test]
    fn aliases_are_one_to_fff() {
        assert_eq!(Alias::new(0), Err(AliasError { found: 0 }));
        assert_eq!(Alias::new(0x1000), Err(AliasError { found: 0x1000 }));
        assert_eq!(Alias::from_low_bits(0xf000), None);
        assert_eq!(Alias::from_low_bits(0xf123), Alias::new(0x123).ok());
    }

    #[test]
    fn first_aliases_of_neighbours_differ() {
        // clause: CAN Frame Transfer S 6.3: node ids within 255 of each other.
        let edges = [
            0,
            0x7f_f000,
            0x0a00_007f_ff00,
            0x0a00_0fff_ff00,
            0x0501_0101_2200,
        ];
        for start in edges {
            let first: Vec<_> = (start..start + 512)
                .map(|id| AliasSequence::new(node(id)).next_alias())
                .collect();
            for (place, alias) in first.iter().enumerate() {
                let near = &first[place + 1..first.len().min(place + 256)];
                assert!(!near.contains(alias), "{start:X} + {place}");
            }
        }
    }

    #[test]
    fn equal_aliases_are_rarely_followed_by_equal_ones() {
        // clause: CAN Frame Transfer S 6.3: more than 99 % differ. Ids of one maker: the hardest
        // case, since their seeds differ in the low bits alone.
        let mut by_alias = std::collections::BTreeMap::<Alias, Vec<Alias>>::new();
        for id in 0..8000_u64 {
            let mut sequence = AliasSequence::new(node(0x0a12_3400_0000 + id * 7));
            let aliases: Vec<_> = sequence.by_ref().take(9).collect();
            for pair in aliases.windows(2) {
                by_alias.entry(pair[0]).or_default().push(pair[1]);
            }
        }
        let (mut same, mut all) = (0_usize, 0_usize);
        for followers in by_alias.values() {
            for (place, one) in followers.iter().enumerate() {
                all += followers.len() - place - 1;
                same += followers[place + 1..]
                    .iter()
                    .filter(|other| *other == one)
                    .count();
            }
        }
        assert!(all > 100_000, "{all} pairs are too few to tell");
        assert!(same * 100 < all, "{same} of {all} pairs stayed together");
    }

    proptest! {
        #[test]
        fn no_alias_is_zero(id in 0..=NODE_MASK) {
            for alias in AliasSequence::new(node(id)).take(200) {
                prop_assert!((1..=0xfff).contains(&alias.get()));
            }
        }
    }
}
