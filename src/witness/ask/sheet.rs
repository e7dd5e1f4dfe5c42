//! What a question shows, and which key means what.

use std::fmt;

use super::keys::Key;
use crate::event::Subject;
use crate::plan::{Shape, Signal, Turnout};
use crate::witness::{Observed, Question};

/// Letters that are taken by answers that every question has.
const TAKEN: [char; 5] = ['n', 'o', 'r', 'k', 'q'];

/// What a key of a question means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Choice {
    /// This was seen.
    Seen(Observed),
    /// Another one moved.
    Another,
    /// Throw it again.
    Repeat,
    /// Leave it out.
    Skip,
    /// End the run.
    Stop,
}

impl Choice {
    /// What the key meant, to be shown beside it.
    pub(super) fn said(&self) -> &str {
        match self {
            Self::Seen(Observed::Straight) => "straight",
            Self::Seen(Observed::Diverging) => "diverging",
            Self::Seen(Observed::NoMovement) => "nothing moved",
            Self::Seen(Observed::Between) => "between",
            Self::Seen(Observed::Aspect(name)) => name.as_str(),
            Self::Seen(Observed::Another) | Self::Another => "another one",
            Self::Repeat => "once more",
            Self::Skip => "skipped",
            Self::Stop => "stop",
        }
    }
}

/// The keys of one question, each with what it means and its label.
#[derive(Debug)]
pub(super) struct Sheet {
    rows: Vec<Vec<(char, Choice, String)>>,
}

impl Sheet {
    /// All answers to what is seen of a throw.
    pub(super) fn of(question: &Question<'_>) -> Self {
        let mut sheet = Self::this_one(question);
        sheet.rows.push(vec![
            ('o', Choice::Another, "another one moved".to_owned()),
            ('r', Choice::Repeat, "throw it again".to_owned()),
            ('k', Choice::Skip, "skip it".to_owned()),
            ('q', Choice::Stop, "stop here".to_owned()),
        ]);
        sheet
    }

    /// Only what can be seen of the turnout or signal itself.
    pub(super) fn this_one(question: &Question<'_>) -> Self {
        let seen = match question.subject {
            Subject::Turnout(_) => turnout_row(),
            Subject::Signal(id) => question
                .plan
                .signal(id.as_str())
                .map(signal_row)
                .unwrap_or_default(),
        };
        Self { rows: vec![seen] }
    }

    /// What a key means; capitals mean the same.
    pub(super) fn choice(&self, key: Key) -> Option<Choice> {
        let Key::Char(letter) = key else { return None };
        let letter = letter.to_ascii_lowercase();
        let mut answers = self.rows.iter().flatten();
        answers
            .find(|(own, ..)| *own == letter)
            .map(|(_, choice, _)| choice.clone())
    }

    /// The keys alone: `s d n b o r k q`.
    pub(super) fn keys(&self) -> String {
        let keys: Vec<_> = self
            .rows
            .iter()
            .flatten()
            .map(|(key, ..)| key.to_string())
            .collect();
        keys.join(" ")
    }
}

impl fmt::Display for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for row in &self.rows {
            for (key, _, label) in row {
                write!(f, "  {key} {label}")?;
            }
            writeln!(f)?;
        }
        Ok(())
    }
}

fn turnout_row() -> Vec<(char, Choice, String)> {
    let row = [
        ('s', Observed::Straight, "lies straight"),
        ('d', Observed::Diverging, "lies diverging"),
        ('n', Observed::NoMovement, "nothing moved"),
        ('b', Observed::Between, "between, not closed"),
    ];
    row.map(|(key, observed, label)| (key, Choice::Seen(observed), label.to_owned()))
        .into()
}

fn signal_row(signal: &Signal) -> Vec<(char, Choice, String)> {
    let free = ('1'..='9').chain(('a'..='z').filter(|letter| !TAKEN.contains(letter)));
    let aspects = signal.aspects.iter().zip(free).map(|(aspect, key)| {
        let observed = Observed::Aspect(aspect.name.clone());
        (key, Choice::Seen(observed), aspect.name.to_string())
    });
    let nothing = (
        'n',
        Choice::Seen(Observed::NoMovement),
        "nothing changed".to_owned(),
    );
    aspects.chain([nothing]).collect()
}

/// Where to look, and what was sent.
pub(super) fn heading(question: &Question<'_>) -> String {
    let Question {
        plan,
        throw,
        subject,
        commanded,
        at: _,
        step: _,
    } = question;
    let id = subject.id().as_str();
    let (place, what, address, asked) = match subject {
        Subject::Turnout(_) => match plan.turnout(id) {
            Some(Turnout {
                place,
                shape,
                address,
                ..
            }) => (
                place.as_str(),
                shape_words(*shape),
                Some(address),
                "Which way does it lie now?",
            ),
            None => ("", "turnout", None, "Which way does it lie now?"),
        },
        Subject::Signal(_) => match plan.signal(id) {
            Some(Signal { place, address, .. }) => (
                place.as_str(),
                "signal",
                Some(address),
                "What does it show now?",
            ),
            None => ("", "signal", None, "What does it show now?"),
        },
    };
    let place = if place.is_empty() {
        String::new()
    } else {
        format!("{place}, ")
    };
    let address = address.map_or_else(String::new, |address| format!(", address {address}"));
    format!("\n{place}{what} {id}{address}\nThrow {throw}: {commanded} was sent. {asked}")
}

fn shape_words(shape: Shape) -> &'static str {
    match shape {
        Shape::Left => "left-hand turnout",
        Shape::Right => "right-hand turnout",
        Shape::Wye => "wye turnout",
        Shape::Curved => "curved turnout",
        Shape::ThreeWay => "three-way turnout",
        Shape::SingleSlip => "single slip",
        Shape::DoubleSlip => "double slip",
        Shape::Crossover => "crossover",
    }
}
