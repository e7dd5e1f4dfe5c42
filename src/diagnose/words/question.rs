//! Questions and their answers: what can be chosen, and how it is said.

use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;

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

const ARRIVES: Part = Part {
    ask: "What arrives at the decoder's input?",
    choices: &["no packet", "some of the packets", "every packet"],
};
const STORED: Part = Part {
    ask: "What does its memory hold?",
    choices: &[
        "the address and the settings of the plan",
        "another address",
        "the address of the plan, and other settings",
    ],
};
const AMP_BANDS: &[&str] = &["next to none", "low", "right", "high"];
const AMPS_STRAIGHT: Part = Part {
    ask: "The current when it is sent to straight is",
    choices: AMP_BANDS,
};
const AMPS_DIVERGING: Part = Part {
    ask: "The current when it is sent to diverging is",
    choices: AMP_BANDS,
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
            | Self::SwapLeads
            | Self::Reteach
            | Self::GoodFeed => &[MOTION, OTHER],
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
            Self::Capture => &[ARRIVES],
            Self::ReadCvs => &[STORED],
            Self::Amps => &[AMPS_STRAIGHT, AMPS_DIVERGING],
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
