//! What the station says.

use std::sync::Arc;

use regex::Regex;
use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, PairBit};
use throwproof_protocol::cv::CvNumber;

use crate::textfile::Span;
use crate::toml_reader::Choice;

use super::command::Command;
use super::formula::Formula;
use super::framing::frames::Why;
use super::layout::{Found, Layout};
use super::template::Template;
use super::value::Scope;

/// What a reply means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Means {
    /// The command is on the rails.
    Done,
    /// The station will not do it.
    Refused,
    /// Not now; ask again.
    Busy,
    /// A turnout lies so.
    Position,
    /// The station is in trouble.
    Fault,
    /// The rails have power.
    PowerOn,
    /// The rails have none.
    PowerOff,
    /// A CV holds this.
    CvValue,
    /// Of no interest.
    Ignore,
}

impl Choice for Means {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("done", Self::Done),
        ("refused", Self::Refused),
        ("busy", Self::Busy),
        ("position", Self::Position),
        ("fault", Self::Fault),
        ("power-on", Self::PowerOn),
        ("power-off", Self::PowerOff),
        ("cv-value", Self::CvValue),
        ("ignore", Self::Ignore),
    ];
}

/// Which command a reply answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Answers {
    /// None: it comes by itself.
    Nothing,
    /// The oldest that has no answer yet.
    Order,
    /// The one to the address in it.
    Address,
}

impl Choice for Answers {
    const NAMES: &'static [(&'static str, Self)] = &[
        ("nothing", Self::Nothing),
        ("order", Self::Order),
        ("address", Self::Address),
    ];
}

/// A reply, understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reply {
    /// What it says.
    pub says: Says,
    /// Which command it answers.
    pub answers: Answers,
    /// The address in it.
    pub address: Option<BinaryAddress>,
    /// What the profile calls it.
    pub name: Arc<str>,
}

/// What a reply says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Says {
    /// The command is on the rails.
    Done,
    /// The station will not do it, and why, where it tells.
    Refused(String),
    /// Not now; ask again.
    Busy,
    /// The turnout at an address lies so.
    Position {
        /// The address.
        address: BinaryAddress,
        /// Bit R of the position.
        pair_bit: PairBit,
    },
    /// The station is in trouble, and which, where it tells.
    Fault(String),
    /// The rails have power, or none.
    Power(bool),
    /// A CV holds a value.
    CvValue {
        /// Which, where it tells.
        cv: Option<CvNumber>,
        /// What it holds.
        value: u8,
    },
    /// Nothing of interest.
    Nothing,
}

impl Says {
    /// What kind of reply says so.
    pub fn means(&self) -> Means {
        match self {
            Self::Done => Means::Done,
            Self::Refused(_) => Means::Refused,
            Self::Busy => Means::Busy,
            Self::Position { .. } => Means::Position,
            Self::Fault(_) => Means::Fault,
            Self::Power(true) => Means::PowerOn,
            Self::Power(false) => Means::PowerOff,
            Self::CvValue { .. } => Means::CvValue,
            Self::Nothing => Means::Ignore,
        }
    }
}

impl Reply {
    /// Does it answer this command? Of those it may answer, it answers the oldest.
    pub fn is_answer_to(&self, command: &Command) -> bool {
        match self.answers {
            Answers::Nothing => false,
            Answers::Order => true,
            Answers::Address => self.address.is_some() && self.address == command.address(),
        }
    }
}

/// A reply of the profile.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    pub(super) name: Arc<str>,
    pub(super) means: Means,
    pub(super) answers: Answers,
    /// As the file has it.
    pub(super) text: String,
    pub(super) matcher: Matcher,
    pub(super) address: Option<(Numbers, Formula<usize>)>,
    pub(super) position: Option<Lies>,
    pub(super) cv: Option<Formula<usize>>,
    pub(super) value: Option<Formula<usize>>,
    pub(super) reason: Option<Reason>,
    pub(super) emit: Option<Template>,
    pub(super) span: Span,
}

/// How a reply numbers turnouts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Numbers {
    Keyed,
    Binary,
}

/// Where a reply has the position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Lies {
    /// A group of a text, and the words for bit R = 0 and 1.
    Word(usize, [String; 2]),
    /// A number, and the numbers for bit R = 0 and 1.
    Number(Formula<usize>, [i64; 2]),
}

/// Where a reply says why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Reason {
    /// A group of a text.
    Group(usize),
    /// The profile has the words.
    Words(String),
}

/// How a reply is recognised.
#[derive(Debug, Clone)]
pub(super) enum Matcher {
    /// The regular expression, and which of its groups are hexadecimal.
    Text(Box<Regex>, Vec<bool>),
    Binary(Layout),
}

/// What a reply captured, by the number of the group or field.
enum Captured<'b> {
    Text(regex::Captures<'b>, &'b [bool]),
    Numbers(Vec<i64>),
}

impl Captured<'_> {
    fn text(&self, group: usize) -> Option<&str> {
        match self {
            Self::Text(captures, _) => Some(captures.get(group)?.as_str()),
            Self::Numbers(_) => None,
        }
    }

    fn number(&self, group: usize) -> Option<i64> {
        match self {
            Self::Text(captures, hexadecimal) => {
                let radix = if hexadecimal.get(group) == Some(&true) {
                    16
                } else {
                    10
                };
                i64::from_str_radix(captures.get(group)?.as_str().trim(), radix).ok()
            }
            Self::Numbers(numbers) => numbers.get(group).copied(),
        }
    }

    fn value(&self, formula: &Formula<usize>) -> Option<i64> {
        let groups = formula.values();
        if groups.iter().any(|group| self.number(**group).is_none()) {
            return None;
        }
        formula
            .number(&|group| self.number(*group).unwrap_or_default())
            .ok()
    }
}

impl Pattern {
    /// What it says, if it is this reply; `Err` where something in it can't be.
    pub(super) fn read(
        &self,
        body: &[u8],
        text: Option<&str>,
        numbering: Numbering,
    ) -> Option<Result<Reply, Why>> {
        let captured = match &self.matcher {
            Matcher::Text(regex, hexadecimal) => {
                Captured::Text(regex.captures(text?)?, hexadecimal)
            }
            Matcher::Binary(layout) => {
                let found = layout.read(body)?.into_iter();
                let numbers = found.map(|found| match found {
                    Found::Number(number) => number,
                    Found::Run(_) => 0,
                });
                Captured::Numbers(numbers.collect())
            }
        };
        Some(self.reply(&captured, numbering))
    }

    fn reply(&self, captured: &Captured<'_>, numbering: Numbering) -> Result<Reply, Why> {
        let address = match &self.address {
            None => None,
            Some((numbers, formula)) => {
                let number = captured.value(formula);
                let number = number.and_then(|number| u16::try_from(number).ok());
                let address = number.and_then(|number| match numbers {
                    Numbers::Keyed => Some(KeyedAddress::new(number).ok()?.binary(numbering)),
                    Numbers::Binary => BinaryAddress::new(number).ok(),
                });
                Some(address.ok_or(Why::BadAddress)?)
            }
        };
        let reason = || match &self.reason {
            None => String::new(),
            Some(Reason::Words(words)) => words.clone(),
            Some(Reason::Group(group)) => captured.text(*group).unwrap_or_default().to_owned(),
        };
        let says = match self.means {
            Means::Done => Says::Done,
            Means::Refused => Says::Refused(reason()),
            Means::Busy => Says::Busy,
            Means::Fault => Says::Fault(reason()),
            Means::PowerOn => Says::Power(true),
            Means::PowerOff => Says::Power(false),
            Means::Ignore => Says::Nothing,
            Means::Position => Says::Position {
                address: address.ok_or(Why::BadAddress)?,
                pair_bit: self.side(captured).ok_or(Why::BadPosition)?,
            },
            Means::CvValue => self.cv_value(captured).ok_or(Why::BadNumber)?,
        };
        Ok(Reply {
            says,
            answers: self.answers,
            address,
            name: self.name.clone(),
        })
    }

    fn side(&self, captured: &Captured<'_>) -> Option<PairBit> {
        let is = match self.position.as_ref()? {
            Lies::Word(group, words) => {
                let text = captured.text(*group)?;
                words.each_ref().map(|word| word == text)
            }
            Lies::Number(formula, numbers) => {
                let found = captured.value(formula)?;
                numbers.map(|number| number == found)
            }
        };
        match is {
            [true, false] => Some(PairBit::Zero),
            [false, true] => Some(PairBit::One),
            [true, true] | [false, false] => None,
        }
    }

    fn cv_value(&self, captured: &Captured<'_>) -> Option<Says> {
        let cv = match &self.cv {
            None => None,
            Some(formula) => {
                let number = u16::try_from(captured.value(formula)?).ok()?;
                Some(CvNumber::new(number).ok()?)
            }
        };
        let value = captured.value(self.value.as_ref()?)?;
        let value = u8::try_from(value).ok()?;
        Some(Says::CvValue { cv, value })
    }

    /// What an `emit` of it may have places for.
    pub(super) fn scope(means: Means, has_address: bool) -> Scope {
        let scope = match means {
            Means::Position => Scope::ADDRESS.and(Scope::SIDE),
            Means::CvValue => Scope::CV.and(Scope::DATA),
            Means::Refused | Means::Fault => Scope::REASON,
            Means::Done | Means::Busy | Means::PowerOn | Means::PowerOff | Means::Ignore => {
                Scope::NOTHING
            }
        };
        if has_address {
            scope.and(Scope::ADDRESS)
        } else {
            scope
        }
    }
}
