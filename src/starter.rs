//! A plan to start from, commented, made from a few answers.

use std::fmt::Write as _;

use throwproof_protocol::address::{KeyedAddress, Numbering};

use crate::plan::{Drive, SupplyKind};
use crate::toml_reader::Choice;

/// What has to be known for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Answers {
    /// The layout's name.
    pub name: String,
    /// How the station numbers.
    pub numbering: Numbering,
    /// How many turnouts.
    pub turnouts: u16,
    /// What moves most of them.
    pub drive: Drive,
    /// How many outputs each decoder has.
    pub outputs: u8,
    /// Keyed address of the first output of the first decoder.
    pub first_address: u16,
    /// What feeds the decoders.
    pub supply: SupplyKind,
    /// Its voltage, volts.
    pub volts: f64,
    /// Its current, amperes.
    pub amps: f64,
}

impl Default for Answers {
    /// What is common: eight turnouts with twin coils on boards of four, fed by a supply of
    /// their own (common practice, no source).
    fn default() -> Self {
        Self {
            name: "My layout".to_owned(),
            numbering: Numbering::Linear,
            turnouts: 8,
            drive: Drive::TwinCoil,
            outputs: 4,
            first_address: 1,
            supply: SupplyKind::Separate,
            volts: 16.0,
            amps: 2.0,
        }
    }
}

/// Why there can be no such plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum StarterError {
    /// The addresses do not go so far.
    #[error(
        "{decoders} decoders of {outputs} outputs from address {first} on would go to {last}, and \
         2040 is the last that every station can send"
    )]
    BeyondLastAddress {
        /// How many decoders it takes.
        decoders: u16,
        /// How many outputs each has.
        outputs: u8,
        /// The first address.
        first: u16,
        /// The last address it would take.
        last: u32,
    },
    /// A decoder without outputs drives nothing.
    #[error("a decoder has 1 to 64 outputs, not {0}")]
    Outputs(u8),
    /// A name that no plan can have.
    #[error("the layout's name has to be one short line, without tabs or other control characters")]
    Name,
    /// No such address.
    #[error("an address is 1 to 2040, not {0}")]
    FirstAddress(u16),
}

/// The last address of a starter plan: the ones above are broadcast or emergency stop in one
/// numbering or another (S-9.2.1, July 2012, section D; RCN-213, second-hand).
const LAST: u32 = 2040;

/// The longest name that a plan takes, characters.
const TEXT_LENGTH: usize = 200;

/// Most outputs of a decoder.
const MOST_OUTPUTS: u8 = 64;

/// A decoder's first address is one more than a multiple of this (S-9.2.2, July 2012, CV 1 and 9:
/// a decoder address holds four outputs).
const BLOCK: u32 = 4;

/// The plan as text.
///
/// # Errors
/// When the addresses do not suffice, or a number is out of range.
pub fn plan(answers: &Answers) -> Result<String, StarterError> {
    let name = &answers.name;
    if name.chars().any(char::is_control) || name.chars().count() > TEXT_LENGTH {
        return Err(StarterError::Name);
    }
    let blocks = blocks(answers)?;
    let mut text = head(answers);
    for (index, first) in blocks.iter().enumerate() {
        decoder(&mut text, answers, index + 1, *first);
    }
    text.push_str(TURNOUTS);
    for number in 0..answers.turnouts {
        let outputs = u16::from(answers.outputs);
        turnout(
            &mut text,
            answers.drive,
            number,
            number / outputs,
            number % outputs,
        );
    }
    text.push_str(TAIL);
    Ok(text)
}

/// How many decoders it takes.
pub fn decoders(answers: &Answers) -> u16 {
    answers.turnouts.div_ceil(u16::from(answers.outputs.max(1)))
}

/// The first address of each decoder.
fn blocks(answers: &Answers) -> Result<Vec<u32>, StarterError> {
    let Answers {
        outputs,
        first_address,
        ..
    } = *answers;
    if !(1..=MOST_OUTPUTS).contains(&outputs) {
        return Err(StarterError::Outputs(outputs));
    }
    let first = u32::from(first_address);
    if KeyedAddress::new(first_address).is_err() || first > LAST {
        return Err(StarterError::FirstAddress(first_address));
    }
    // The next block begins where a decoder that starts at 4k + 1 can begin.
    let apart = u32::from(outputs).div_ceil(BLOCK) * BLOCK;
    let decoders = decoders(answers);
    let blocks: Vec<_> = (0..u32::from(decoders))
        .map(|n| first + n * apart)
        .collect();
    let last = blocks
        .last()
        .map_or(0, |last| last + u32::from(outputs) - 1);
    if last > LAST {
        return Err(StarterError::BeyondLastAddress {
            decoders,
            outputs,
            first: first_address,
            last,
        });
    }
    Ok(blocks)
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string()
}

fn head(answers: &Answers) -> String {
    let (numbering, supply) = (answers.numbering.name(), answers.supply.name());
    let Answers { volts, amps, .. } = answers;
    let name = quoted(&answers.name);
    format!(
        "# What should be there, for throwproof. Everything after a # is yours.
#
# Next: give the turnouts their ids and places, then
#   throwproof check THIS-FILE     finds what is wrong or risky, without touching the layout
#   throwproof sweep THIS-FILE     rehearses on the simulated track
#   throwproof ports               lists the serial ports, for a real --link

[layout]
name = {name}
# How the station turns the number you key into the address on the rails. If every turnout is
# four off, it is one of the others: linear, non-linear, from-zero.
numbering = \"{numbering}\"
# The position each turnout is left in.
rest = \"straight\"
# Closer looks before a proved turnout is accepted; take out what you do not want, or put the
# line away with a #. A place may have a list of its own: [place.\"Yard\"]
# accept = [\"blades-tight\", \"no-spring-back\", \"frog-polarity\", \"neighbours-still\"]

# ---- Supplies: what feeds the decoders. Take the figures from the label. ----

[supply.main]
kind = \"{supply}\"            # or \"{other}\"
volts = {volts:.1}
amps = {amps:.1}

# ---- Decoders: outputs, addresses and settings, as their makers' instructions have it. ----
",
        other = match answers.supply {
            SupplyKind::Track => "separate",
            SupplyKind::Separate => "track",
        },
    )
}

fn decoder(text: &mut String, answers: &Answers, number: usize, first: u32) {
    let outputs = answers.outputs;
    let (kind, pulse) = match answers.drive {
        Drive::TwinCoil => (
            "pulse",
            "pulse_ms = 150             # how long an output stays on\n",
        ),
        Drive::StallMotor => ("stall-motor", ""),
        Drive::Servo => ("servo", ""),
        Drive::MemoryWire => ("steady", ""),
    };
    // A `String` takes anything.
    let _infallible = write!(
        text,
        "
[decoder.D{number}]
place = \"\"
outputs = {outputs}
first_address = {first}
supply = \"main\"
output_kind = \"{kind}\"
{pulse}learns = \"first-command\"    # or cv-output, cv-decoder, switches
"
    );
}

const TURNOUTS: &str = "
# ---- Turnouts. Shapes: left, right, wye, curved, three-way, single-slip, double-slip, crossover,
# scissors; left and right as seen from the toe. One with several drives, such as a three-way turnout,
# has outputs = [1, 2] in place of output = 1. Drives: twin-coil, stall-motor, servo, memory-wire. ----
";

fn turnout(text: &mut String, drive: Drive, number: u16, decoder: u16, output: u16) {
    let (number, decoder, output) = (number + 1, decoder + 1, output + 1);
    let drive = drive.name();
    // A `String` takes anything.
    let _infallible = write!(
        text,
        "
[[turnout]]
id = \"T{number}\"
place = \"\"
shape = \"left\"
decoder = \"D{decoder}\"
output = {output}
drive = \"{drive}\"
"
    );
}

const TAIL: &str = "
# ---- Signals ----
#
# [[signal]]
# id = \"S1\"
# place = \"\"
# address = 201
# kind = \"extended\"            # or \"pairs\"
# aspects = { stop = 0, proceed = 1, caution = 2 }
";

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::check::findings;
    use crate::plan::Plan;
    use crate::plan::draft::Draft;
    use crate::textfile::TextFile;

    #[test]
    fn the_usual_answers_make_a_plan_without_findings() {
        let text = plan(&Answers::default()).unwrap();
        let draft = Draft::parse(TextFile::from_text("plan.toml", text)).unwrap();
        assert!(findings(&draft).is_empty(), "{:?}", findings(&draft));
        let plan = draft.into_plan().unwrap();
        assert_eq!((plan.turnouts.len(), plan.decoders.len()), (8, 2));
        assert_eq!(plan.turnouts[7].address.get(), 8);
    }

    #[test]
    fn what_can_not_be_is_refused() {
        let asked = |turnouts, outputs, first_address| {
            plan(&Answers {
                turnouts,
                outputs,
                first_address,
                ..Answers::default()
            })
            .unwrap_err()
        };
        let name = "two\nlines".to_owned();
        let named = Answers {
            name,
            ..Answers::default()
        };
        assert_eq!(plan(&named), Err(StarterError::Name));
        assert_eq!(asked(8, 0, 1), StarterError::Outputs(0));
        assert_eq!(asked(8, 65, 1), StarterError::Outputs(65));
        assert_eq!(asked(8, 4, 0), StarterError::FirstAddress(0));
        assert_eq!(asked(8, 4, 2041), StarterError::FirstAddress(2041));
        let beyond = asked(2041, 4, 1).to_string();
        assert!(beyond.contains("would go to 2044"), "{beyond}");
    }

    proptest! {
        #[test]
        fn every_answer_gives_a_plan_that_can_be_driven_or_an_error(
            name in ".{0,40}",
            turnouts in 0_u16..600,
            outputs in 0_u8..70,
            first_address in 0_u16..2100,
        ) {
            let answers = Answers { name, turnouts, outputs, first_address, ..Answers::default() };
            if let Ok(text) = plan(&answers) {
                let plan = Plan::from_text("plan.toml", &text).unwrap();
                prop_assert_eq!(plan.turnouts.len(), usize::from(turnouts));
                prop_assert_eq!(plan.decoders.len(), usize::from(decoders(&answers)));
                prop_assert_eq!(plan.layout.name, answers.name);
            }
        }
    }
}
