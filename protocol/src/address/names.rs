//! The address words that have a text form: numbering, position, and bit R.

use core::fmt;
use core::str::FromStr;

/// A word that is none of those allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[error("not a {what}: write {allowed}")]
pub struct NameError {
    /// What was being read.
    pub what: &'static str,
    /// The words allowed.
    pub allowed: &'static str,
}

/// How a station turns the keyed number into the binary address.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Numbering {
    /// `A = (keyed + 3) mod 2048`: keyed 1 is binary 4, keyed 2045 to 2048 are binary 0 to 3.
    /// S-9.2.1 and RCN-213.
    #[default]
    Linear,
    /// As linear, but wrapping inside each block of 256, so that keyed 253 is binary 0.
    /// S-9.2.1 (January 2025), second-hand.
    NonLinear,
    /// `A = keyed - 1`: keyed 1 is binary 0. Common practice, no source.
    FromZero,
}

impl Numbering {
    /// All three.
    pub const ALL: [Self; 3] = [Self::Linear, Self::NonLinear, Self::FromZero];

    /// The word for it in files and on the command line.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::NonLinear => "non-linear",
            Self::FromZero => "from-zero",
        }
    }
}

impl fmt::Display for Numbering {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl FromStr for Numbering {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::ALL
            .into_iter()
            .find(|numbering| numbering.as_str() == text)
            .ok_or(NameError {
                what: "numbering",
                allowed: "`linear`, `non-linear` or `from-zero`",
            })
    }
}

/// Bit R: which half of a pair of outputs.
///
/// The 2012 edition of S-9.2.1 gives it no meaning beyond that; S-9.2.1 (2025) and RCN-213
/// (second-hand) say which [`Position`] it stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PairBit {
    /// R = 0: diverging, left, stop, red.
    Zero,
    /// R = 1: straight, right, proceed, green.
    One,
}

impl PairBit {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Zero, Self::One];

    /// From the bit as sent.
    pub const fn from_bit(bit: bool) -> Self {
        if bit { Self::One } else { Self::Zero }
    }

    /// The bit as a number.
    pub const fn as_u8(self) -> u8 {
        match self {
            Self::Zero => 0,
            Self::One => 1,
        }
    }

    /// The other half of the pair.
    #[must_use]
    pub const fn opposite(self) -> Self {
        match self {
            Self::Zero => Self::One,
            Self::One => Self::Zero,
        }
    }

    /// What the bit stands for by S-9.2.1 (2025) and RCN-213, second-hand.
    pub const fn position(self) -> Position {
        match self {
            Self::Zero => Position::Diverging,
            Self::One => Position::Straight,
        }
    }
}

impl fmt::Display for PairBit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.as_u8(), f)
    }
}

/// The way a simple turnout can lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Position {
    /// The main line.
    Straight,
    /// The branch.
    Diverging,
}

impl Position {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Straight, Self::Diverging];

    /// The word for it in files and on the command line.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Diverging => "diverging",
        }
    }

    /// The other way.
    #[must_use]
    pub const fn opposite(self) -> Self {
        match self {
            Self::Straight => Self::Diverging,
            Self::Diverging => Self::Straight,
        }
    }

    /// Bit R that commands it by S-9.2.1 (2025) and RCN-213, second-hand: straight is 1.
    pub const fn pair_bit(self) -> PairBit {
        match self {
            Self::Straight => PairBit::One,
            Self::Diverging => PairBit::Zero,
        }
    }
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl FromStr for Position {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::ALL
            .into_iter()
            .find(|position| position.as_str() == text)
            .ok_or(NameError {
                what: "position",
                allowed: "`straight` or `diverging`",
            })
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    #[test]
    fn words_are_read_back() {
        for numbering in Numbering::ALL {
            assert_eq!(numbering.to_string().parse(), Ok(numbering));
        }
        for position in Position::ALL {
            assert_eq!(position.to_string().parse(), Ok(position));
            assert_eq!(position.pair_bit().position(), position);
            assert_eq!(
                position.opposite().pair_bit(),
                position.pair_bit().opposite()
            );
        }
        assert_eq!(
            "Straight".parse::<Position>().unwrap_err().to_string(),
            "not a position: write `straight` or `diverging`"
        );
    }

    #[test]
    fn straight_is_bit_one() {
        // clause: S-9.2.1 (January 2025) and RCN-213, second-hand: R = 1 is straight, proceed.
        assert_eq!(Position::Straight.pair_bit().as_u8(), 1);
        assert_eq!(Position::Diverging.pair_bit().as_u8(), 0);
    }
}
