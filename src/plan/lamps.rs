//! What a signal looks like, and what else is switched like a signal.

use serde::{Deserialize, Serialize};
use throwproof_protocol::address::PairBit;

use super::{Aspect, Id, Signal};

/// What is switched by the aspects of a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sort {
    /// A signal.
    #[default]
    Signal,
    /// An uncoupler: rises while its output is active, and falls by itself.
    Uncoupler,
    /// Crossing gates.
    Gates,
    /// Lights, or anything else that is on or off.
    Lights,
}

/// The only command of an uncoupler; what is seen of it when it rises and falls again.
pub const RAISE: &str = "raise";

impl Sort {
    /// What it is, in words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Signal => "signal",
            Self::Uncoupler => "uncoupler",
            Self::Gates => "crossing gates",
            Self::Lights => "lights",
        }
    }

    /// Whether it can be seen to be neither one thing nor the other: gates half-way, an uncoupler
    /// that stays up.
    pub const fn can_be_between(self) -> bool {
        match self {
            Self::Signal | Self::Lights => false,
            Self::Uncoupler | Self::Gates => true,
        }
    }

    /// What that is called; nothing where it can't be.
    pub const fn between(self) -> &'static str {
        match self {
            Self::Signal | Self::Lights => "",
            Self::Uncoupler => "stays up",
            Self::Gates => "between",
        }
    }

    /// What is asked of whoever looks at it.
    pub const fn question(self) -> &'static str {
        match self {
            Self::Signal => "What does it show?",
            Self::Uncoupler => "What did it do?",
            Self::Gates => "How are they?",
            Self::Lights => "Are they on or off?",
        }
    }

    /// What it is called to see it at an aspect.
    pub fn seen(self, aspect: &Id) -> &str {
        match self {
            Self::Uncoupler => "rose and fell",
            Self::Signal | Self::Gates | Self::Lights => aspect.as_str(),
        }
    }
}

/// A lamp of a signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lamp {
    /// Its name in the plan: `green`, `lower-yellow`.
    pub name: String,
    /// Its colour, which its name ends with.
    pub colour: Colour,
}

/// The colour of a lamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Colour {
    /// Red.
    Red,
    /// Yellow.
    Yellow,
    /// Green.
    Green,
    /// White.
    White,
    /// Blue.
    Blue,
}

impl Colour {
    /// Every colour.
    pub const ALL: [Self; 5] = [
        Self::Red,
        Self::Yellow,
        Self::Green,
        Self::White,
        Self::Blue,
    ];

    /// Its word, which the name of a lamp ends with.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Red => "red",
            Self::Yellow => "yellow",
            Self::Green => "green",
            Self::White => "white",
            Self::Blue => "blue",
        }
    }

    /// Its letter, for whoever can't tell it by eye.
    pub const fn letter(self) -> char {
        match self {
            Self::Red => 'R',
            Self::Yellow => 'Y',
            Self::Green => 'G',
            Self::White => 'W',
            Self::Blue => 'B',
        }
    }
}

/// A lamp that an aspect lights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lit {
    /// Index in [`super::Signal::lamps`].
    pub lamp: usize,
    /// Whether it flashes.
    pub flashing: bool,
}

/// How a lamp of a signal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Glow {
    /// It is out.
    Out,
    /// It is lit.
    Lit,
    /// It flashes.
    Flashing,
}

/// All lamps of a signal at one aspect, from top to bottom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Face(pub Vec<(Lamp, Glow)>);

impl Face {
    /// In words: `red`, `upper-yellow flashing and green`, `no lamp`.
    pub fn words(&self) -> String {
        let lit = self.0.iter().filter_map(|(lamp, glow)| match glow {
            Glow::Out => None,
            Glow::Lit => Some(lamp.name.clone()),
            Glow::Flashing => Some(format!("{} flashing", lamp.name)),
        });
        let lit: Vec<_> = lit.collect();
        if lit.is_empty() {
            "no lamp".to_owned()
        } else {
            lit.join(" and ")
        }
    }
}

impl Signal {
    /// The aspect it is left in, last of all that are shown and whenever a run ends early: the one
    /// that the plan names, or else the one called `stop`, or else the one of value 0 (S-9.2.1,
    /// July 2012, section D: value 0 is absolute stop), or else the first.
    pub fn most_restrictive(&self) -> Option<&Aspect> {
        let named = |name: &str| self.aspects.iter().find(|one| one.name.as_str() == name);
        self.restrictive
            .as_ref()
            .and_then(|name| named(name.as_str()))
            .or_else(|| named("stop"))
            .or_else(|| self.aspects.iter().find(|aspect| aspect.value == 0))
            .or_else(|| self.aspects.first())
    }

    /// The one half of its pair that it uses; `None` for what uses both.
    pub fn half(&self) -> Option<PairBit> {
        half_of(self.sort, &self.aspects)
    }

    /// Whether a command to this one also is one to the other, at the first address.
    pub fn shares_command(&self, other: &Self) -> bool {
        let halves = self.half().zip(other.half());
        self.address == other.address && halves.is_none_or(|(own, other)| own == other)
    }

    /// How its lamps are at an aspect; `None` where the plan does not say.
    pub fn face(&self, aspect: &Aspect) -> Option<Face> {
        let lit = aspect.lit.as_ref()?;
        let lamps = self.lamps.iter().enumerate();
        let lamps = lamps.map(|(index, lamp)| {
            let glow = lit.iter().find(|lit| lit.lamp == index);
            let glow = glow.map_or(Glow::Out, |lit| {
                if lit.flashing {
                    Glow::Flashing
                } else {
                    Glow::Lit
                }
            });
            (lamp.clone(), glow)
        });
        Some(Face(lamps.collect()))
    }
}

/// The one half of a pair that an uncoupler with these aspects uses.
pub(crate) fn half_of(sort: Sort, aspects: &[Aspect]) -> Option<PairBit> {
    match (sort, aspects) {
        (Sort::Uncoupler, [one]) => Some(PairBit::from_bit(one.value % 2 == 1)),
        _ => None,
    }
}
