//! Closer looks that a plan asks for before a proved turnout is accepted.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// One point of an acceptance list. What is looked for is common practice, no source.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(from = "Arc<str>", into = "String")]
pub enum Look {
    /// The blade tips are shut against the stock rail, both ways.
    BladesTight,
    /// The blades stay under light finger pressure at the tie bar, both ways.
    NoSpringBack,
    /// The frog has the polarity of the rail it belongs to, both ways.
    FrogPolarity,
    /// No neighbour moves.
    NeighboursStill,
    /// Address and position are as before after the power was off.
    PowerCycle,
    /// The worst vehicle runs both routes, facing and trailing.
    WorstVehicle,
    /// In the plan's own words.
    Own(Arc<str>),
}

impl Look {
    /// Those that have a word of their own.
    pub const KNOWN: [Self; 6] = [
        Self::BladesTight,
        Self::NoSpringBack,
        Self::FrogPolarity,
        Self::NeighboursStill,
        Self::PowerCycle,
        Self::WorstVehicle,
    ];

    /// The word in the plan, or the plan's own words.
    pub fn as_str(&self) -> &str {
        match self {
            Self::BladesTight => "blades-tight",
            Self::NoSpringBack => "no-spring-back",
            Self::FrogPolarity => "frog-polarity",
            Self::NeighboursStill => "neighbours-still",
            Self::PowerCycle => "power-cycle",
            Self::WorstVehicle => "worst-vehicle",
            Self::Own(words) => words,
        }
    }

    /// What the operator is to look for, as a question that is answered with good or bad.
    pub fn question(&self) -> &str {
        match self {
            Self::BladesTight => {
                "Throw it both ways. Are the blade tips shut tight against the stock rail on \
                 either side? A strip of paper is gripped."
            }
            Self::NoSpringBack => {
                "Press lightly on the tie bar, both ways. Do the blades stay where they are?"
            }
            Self::FrogPolarity => {
                "Measure from the frog to the rail it belongs to, both ways. Is it 0 V or 0 ohms?"
            }
            Self::NeighboursStill => "Throw it both ways. Do all its neighbours stay still?",
            Self::PowerCycle => {
                "Switch the power off and on. Does it lie as before, and obey the same address?"
            }
            Self::WorstVehicle => {
                "Run the worst vehicle over both routes, facing and trailing. No derailment, no \
                 stall, no short?"
            }
            Self::Own(words) => words,
        }
    }
}

impl From<Arc<str>> for Look {
    fn from(words: Arc<str>) -> Self {
        Self::KNOWN
            .into_iter()
            .find(|look| look.as_str() == &*words)
            .unwrap_or(Self::Own(words))
    }
}

impl From<Look> for String {
    fn from(look: Look) -> Self {
        look.as_str().to_owned()
    }
}

impl fmt::Display for Look {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}
