//! What a diagnosis says to people: its questions, their answers, and its reasons.

use std::fmt::Write as _;

use super::belief::{Belief, Learnt, Source};
use super::sight::Answer;
use super::site::Site;
use super::test::Test;
use crate::cautions::{self, Caution};
use crate::plan::{Drive, Plan, Turnout};

/// One part of a question, with the answers to choose from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// What is asked.
    pub ask: &'static str,
    /// The answers, in the order of [`Test::answers`].
    pub choices: &'static [&'static str],
}

const MOTION: Part = Part {
    ask: "What did it do?",
    choices: &[
        "it went where it was sent, each time",
        "it went the other way, each time",
        "it only went to straight",
        "it only went to diverging",
        "it moved, and did not close",
        "it went sometimes, and sometimes not",
        "it never moved",
    ],
};
const OTHER: Part = Part {
    ask: "Did anything else move?",
    choices: &[
        "nothing else moved",
        "another turnout of its decoder moved",
        "a turnout four numbers away moved",
        "another turnout moved",
    ],
};
const MOVED: Part = Part {
    ask: "Did the failing turnout move?",
    choices: &["it did not move", "it moved"],
};
const FEEL: Part = Part {
    ask: "How do the blades feel?",
    choices: &[
        "free both ways",
        "stiff both ways",
        "stiff towards straight",
        "stiff towards diverging",
        "snapping over very hard",
        "free, and stopping before they close",
        "free, and the drive does not come along",
    ],
};
const HEARD: &[&str] = &[
    "nothing",
    "a hum or buzz, no movement",
    "the sound of a throw",
];
const TO_DIVERGING: Part = Part {
    ask: "What was heard when it was sent to diverging?",
    choices: HEARD,
};
const TO_STRAIGHT: Part = Part {
    ask: "What was heard when it was sent to straight?",
    choices: HEARD,
};
const HOT: Part = Part {
    ask: "Is the coil hot?",
    choices: &["cold or hand-warm", "hot"],
};
const LIGHT: Part = Part {
    ask: "What does the lamp on the decoder do?",
    choices: &[
        "dark",
        "lit, and does not answer the throws",
        "it answers the throws",
    ],
};
const LAMP: Part = Part {
    ask: "What does the lamp in place of the drive do?",
    choices: &[
        "it does not answer: dark, or as it was",
        "it lights for each half in turn, and goes off again",
        "it lights only for straight",
        "it lights only for diverging",
        "the half for straight is lit whatever is sent",
        "the half for diverging is lit whatever is sent",
        "it lights for each half, too weakly",
    ],
};
const BANDS: &[&str] = &["next to nothing", "low", "right", "high"];
const AT_REST: Part = Part {
    ask: "The voltage at rest is",
    choices: BANDS,
};
const UNDER_LOAD: Part = Part {
    ask: "Its lowest value during a throw is",
    choices: BANDS,
};
const AFTERWARDS: Part = Part {
    ask: "A second after a throw it is",
    choices: BANDS,
};
const OHM_BANDS: &[&str] = &["no connection", "low", "right", "high"];
const OHMS_STRAIGHT: Part = Part {
    ask: "Through the half for straight it is",
    choices: OHM_BANDS,
};
const OHMS_DIVERGING: Part = Part {
    ask: "Through the half for diverging it is",
    choices: OHM_BANDS,
};

impl Test {
    /// The parts of its question: together they have as many answers as [`Test::answers`], in
    /// the same order, the last part changing first.
    pub const fn parts(self) -> &'static [Part] {
        match self {
            Self::Again
            | Self::Cycle
            | Self::Rested
            | Self::Rapid
            | Self::Burst
            | Self::Unreleased
            | Self::Together
            | Self::Mate
            | Self::SupplyMate
            | Self::Elsewhere
            | Self::Extended
            | Self::SwapLeads => &[MOTION, OTHER],
            Self::Unhook => &[MOTION],
            Self::FourUp | Self::FourDown | Self::Nearby | Self::Default => &[MOVED],
            Self::ByHand => &[FEEL],
            Self::Listen => &[TO_DIVERGING, TO_STRAIGHT],
            Self::Touch => &[HOT],
            Self::DecoderLight => &[LIGHT],
            Self::LampOnOutput => &[LAMP],
            Self::Volts => &[AT_REST, UNDER_LOAD, AFTERWARDS],
            Self::VoltsAtSupply => &[AT_REST],
            Self::Ohms | Self::OhmsAtDrive => &[OHMS_STRAIGHT, OHMS_DIVERGING],
        }
    }

    /// The answer that these choices make, one for each part.
    pub fn answer(self, choices: &[usize]) -> Option<Answer> {
        let parts = self.parts();
        let within = |(part, choice): (&Part, &usize)| *choice < part.choices.len();
        if choices.len() != parts.len() || !parts.iter().zip(choices).all(within) {
            return None;
        }
        let place = parts.iter().zip(choices).fold(0, |place, (part, choice)| {
            place * part.choices.len() + choice
        });
        self.answers().get(place).copied()
    }

    /// The choices that make an answer, one for each part; the reverse of [`Test::answer`].
    /// Nothing for an answer that this test can't have.
    pub fn chosen(self, answer: Answer) -> Vec<usize> {
        let all = self.answers();
        let Some(mut place) = all.iter().position(|it| *it == answer) else {
            return Vec::new();
        };
        let mut choices = Vec::new();
        for part in self.parts().iter().rev() {
            choices.push(place % part.choices.len());
            place /= part.choices.len();
        }
        choices.reverse();
        choices
    }

    /// An answer in words.
    pub fn told(self, answer: Answer) -> String {
        let chosen = self.chosen(answer);
        if chosen.is_empty() {
            return "something else".to_owned();
        }
        let parts = self.parts().iter().zip(chosen);
        let mut words: Vec<&str> = parts.map(|(part, choice)| part.choices[choice]).collect();
        // Nothing else moving goes without saying.
        words.retain(|it| *it != OTHER.choices[0] || self.parts() != [MOTION, OTHER]);
        words.join("; ")
    }

    /// What to mind while it is made.
    pub const fn caution(self) -> Option<&'static Caution> {
        match self {
            Self::Burst | Self::Unreleased | Self::Touch | Self::LampOnOutput => {
                Some(&cautions::COIL_ON)
            }
            Self::Cycle | Self::ByHand | Self::Listen | Self::Unhook => Some(&cautions::MOVING),
            Self::SwapLeads | Self::Ohms | Self::OhmsAtDrive => Some(&cautions::UNPLUG),
            Self::Volts | Self::VoltsAtSupply => Some(&cautions::BACK_FEED),
            Self::Again
            | Self::Rested
            | Self::Rapid
            | Self::Together
            | Self::Mate
            | Self::SupplyMate
            | Self::Elsewhere
            | Self::FourUp
            | Self::FourDown
            | Self::Nearby
            | Self::Default
            | Self::Extended
            | Self::DecoderLight => None,
        }
    }

    /// What is to be done, for this site.
    #[expect(clippy::too_many_lines, reason = "one sentence for each test")]
    pub fn told_to_do(self, site: &Site) -> String {
        let plan = &site.plan;
        let own = &plan.turnouts[site.target];
        let id = &own.id;
        let other = |index: Option<usize>| named(plan, index);
        let off = |offset| {
            let address = site.address_off_by(offset);
            address.map_or_else(String::new, |it| it.get().to_string())
        };
        match self {
            Self::Again => format!("Throw {id} there and back twice, and watch it."),
            Self::Cycle => format!("Throw {id} there and back six times, and watch for a miss."),
            Self::Rested => format!("Throw {id} both ways, with 20 s of rest before each throw."),
            Self::Rapid => {
                format!("Throw {id} both ways three times, each throw right after the last.")
            }
            Self::Burst => format!(
                "Throw {id} both ways, repeating each command ten times within half a second, \
                 so that its pulse lasts that long. No longer: the coil gets warm."
            ),
            Self::Unreleased => format!(
                "Throw {id} both ways without a release, and release after one second at the \
                 latest: a coil left on burns."
            ),
            Self::Together => format!(
                "Throw {id} and {} at the same moment, both ways.",
                other(site.supply_mate.or(site.mate))
            ),
            Self::Mate => format!(
                "Throw {}, on the same decoder, there and back twice.",
                other(site.mate)
            ),
            Self::SupplyMate => format!(
                "Throw {}, on another decoder of the same supply, there and back twice.",
                other(site.supply_mate)
            ),
            Self::Elsewhere => format!(
                "Throw {}, on another supply, there and back twice.",
                other(site.elsewhere)
            ),
            Self::FourUp => format!("Throw at address {} both ways, and watch {id}.", off(4)),
            Self::FourDown => format!("Throw at address {} both ways, and watch {id}.", off(-4)),
            Self::Nearby => format!(
                "Throw at the addresses one, two and three below and above {}, and watch {id}.",
                own.address.get()
            ),
            Self::Default => format!("Throw at the addresses 1 to 4, and watch {id}."),
            Self::Extended => format!(
                "Command {id} at address {} by extended packets, both ways.",
                own.address.get()
            ),
            Self::ByHand if matches!(own.drive, Drive::StallMotor | Drive::Servo) => format!(
                "Unhook the drive of {id}, which must not be pushed, and move the blades with a \
                 finger."
            ),
            Self::ByHand => format!("Move the blades of {id} with a finger, both ways."),
            Self::Listen => format!("Listen at the drive of {id} while it is thrown both ways."),
            Self::Touch => format!("Leave {id} alone for 20 s, and feel its coil carefully."),
            Self::DecoderLight => {
                format!("Look at the lamp on the decoder of {id} while it is thrown.")
            }
            Self::LampOnOutput => format!(
                "Take the drive of {id} off its output, put a lamp for {:.0} V there, and throw \
                 both ways.",
                volts(site)
            ),
            Self::SwapLeads => {
                format!("Exchange the two leads of {id} at its output, and throw it both ways.")
            }
            Self::Unhook => {
                format!("Unhook the drive of {id} from the blades, throw, and watch the drive.")
            }
            Self::Volts => format!(
                "Measure what feeds the outputs of the decoder of {id}, at rest and while it is \
                 thrown. Expect {:.1} V; below {:.1} V is low.",
                volts(site),
                0.8 * volts(site)
            ),
            Self::VoltsAtSupply => format!(
                "Take the wires off the supply of {id} and measure at the supply itself. Expect \
                 {:.1} V; below {:.1} V is low.",
                volts(site),
                0.8 * volts(site)
            ),
            Self::Ohms => format!(
                "Take the leads of {id} off its output and measure through each of them to the \
                 common. Expect about {:.3} ohms.",
                ohms(site)
            ),
            Self::OhmsAtDrive => format!(
                "Measure at the drive of {id} itself, leads off, each half to the common. Expect \
                 about {:.3} ohms.",
                ohms(site)
            ),
        }
    }
}

fn named(plan: &Plan, index: Option<usize>) -> String {
    let turnout = index.and_then(|index| plan.turnouts.get(index));
    turnout.map_or_else(String::new, |it: &Turnout| it.id.to_string())
}

fn volts(site: &Site) -> f64 {
    let supply = site.supply();
    supply.map_or(16.0, |it| site.plan.supplies[it].volts)
}

fn ohms(site: &Site) -> f64 {
    let turnout = &site.plan.turnouts[site.target];
    let usual = match turnout.drive {
        Drive::TwinCoil => 1.0,
        Drive::StallMotor => 0.018,
        Drive::Servo => 0.3,
        Drive::MemoryWire => 0.05,
    };
    volts(site) / turnout.amps.unwrap_or(usual).max(1e-3)
}

/// What speaks for a cause and against it, the most telling first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reasons {
    /// What it explains and others do not.
    pub speaks_for: Vec<String>,
    /// What it does not explain.
    pub speaks_against: Vec<String>,
}

/// An answer is explained by a cause that makes it at least this likely, and speaks against one
/// that makes it less likely than [`DENIED`].
const EXPLAINED: f64 = 0.3;
const DENIED: f64 = 0.05;

/// The reasons for and against the cause of that name.
pub fn reasons(plan: &Plan, belief: &Belief, name: &str) -> Reasons {
    let Some(cause) = belief.causes().iter().position(|it| it.name == name) else {
        return Reasons::default();
    };
    let mut speaks_for: Vec<(f64, String)> = Vec::new();
    let mut speaks_against = Vec::new();
    for learnt in belief.learnt() {
        let own = learnt.likelihoods[cause];
        let all: f64 = learnt.likelihoods.iter().sum();
        #[expect(clippy::cast_precision_loss, reason = "a few dozen causes")]
        let mean = all / learnt.likelihoods.len() as f64;
        let text = said(plan, belief.site(), learnt);
        if own >= EXPLAINED {
            speaks_for.push((own / mean, text));
        } else if own < DENIED {
            speaks_against.push(text);
        }
    }
    speaks_for.sort_by(|one, other| other.0.total_cmp(&one.0));
    let speaks_for: Vec<String> = speaks_for.into_iter().map(|(_, text)| text).collect();
    Reasons {
        speaks_for,
        speaks_against,
    }
}

/// One thing that was learnt, in a line.
fn said(plan: &Plan, site: &Site, learnt: &Learnt) -> String {
    let mut line = String::new();
    match learnt.source {
        Source::Swept(turnout) => {
            let told = Test::Again.told(learnt.answer);
            let _ = write!(line, "in the sweep, {}: {told}", plan.turnouts[turnout].id);
        }
        Source::Test(test) => {
            let other = if test == Test::Mate {
                site.mate
            } else if test == Test::SupplyMate {
                site.supply_mate
            } else {
                site.elsewhere
            };
            let about = if test.is_of_another() {
                other
            } else {
                Some(site.target)
            };
            let whom = named(&site.plan, about);
            let _ = write!(
                line,
                "{} ({whom}): {}",
                test.name(),
                test.told(learnt.answer)
            );
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_a_question_make_all_its_answers() {
        for test in Test::ALL {
            let all = test.answers();
            let sizes: Vec<usize> = test.parts().iter().map(|it| it.choices.len()).collect();
            assert_eq!(sizes.iter().product::<usize>(), all.len(), "{test:?}");
            let last: Vec<usize> = sizes.iter().map(|size| size - 1).collect();
            assert_eq!(test.answer(&last), all.last().copied(), "{test:?}");
            for answer in &all {
                assert_eq!(
                    test.answer(&test.chosen(*answer)),
                    Some(*answer),
                    "{test:?}"
                );
            }
            assert_eq!(test.answer(&sizes), None);
            let mut told: Vec<String> = all.iter().map(|it| test.told(*it)).collect();
            told.sort();
            told.dedup();
            assert_eq!(told.len(), all.len(), "{test:?}");
        }
    }
}
