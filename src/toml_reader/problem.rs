//! What can be wrong with a file, in types.

use std::fmt;

use crate::textfile::{Span, TextFile};

/// One thing wrong with a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// What is wrong.
    pub fault: Fault,
    /// Where.
    pub at: Span,
    /// Other places that have to do with it.
    pub others: Vec<Mark>,
}

impl Problem {
    /// A problem that has to do with one place.
    pub fn new(fault: Fault, at: Span) -> Self {
        Self {
            fault,
            at,
            others: Vec::new(),
        }
    }

    /// The same with another place that has to do with it.
    #[must_use]
    pub fn and(mut self, at: Span, label: impl Into<String>) -> Self {
        self.others.push(Mark {
            at,
            label: label.into(),
        });
        self
    }
}

/// A place of a file, with what it has to do with the problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Where.
    pub at: Span,
    /// What is there.
    pub label: String,
}

/// What is wrong.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// It is not TOML.
    #[error("this is not TOML: {message}")]
    Syntax {
        /// What the parser says.
        message: String,
    },
    /// A key or table is there twice.
    #[error("`{key}` is there a second time{}", first_line(*first))]
    DuplicateKey {
        /// The key, as it stands in the file.
        key: String,
        /// Line of the first, where it can be told.
        first: Option<u32>,
    },
    /// Nothing is known by that key.
    #[error("unknown key `{key}` in {table}")]
    UnknownKey {
        /// The key.
        key: String,
        /// The table it is in.
        table: String,
        /// The known key most like it.
        nearest: Option<String>,
        /// Every key the table may have.
        known: Vec<String>,
    },
    /// A key that must be there is not.
    #[error("{table} has no `{key}`")]
    MissingKey {
        /// The key.
        key: String,
        /// The table.
        table: String,
        /// What could stand there instead; mostly nothing.
        instead: &'static str,
    },
    /// The value is of another type.
    #[error("`{key}` must be {expected}, and this is {found}")]
    WrongType {
        /// The key.
        key: String,
        /// What it must be.
        expected: Expected,
        /// What it is.
        found: &'static str,
    },
    /// The number is too small or too large.
    #[error("`{key}` must be from {low} to {high}, and this is {found}")]
    OutOfRange {
        /// The key.
        key: String,
        /// The number, as the file has it.
        found: String,
        /// The smallest.
        low: String,
        /// The largest.
        high: String,
    },
    /// The text is none of the names the key can have.
    #[error("`{key}` can't be \"{found}\"")]
    UnknownChoice {
        /// The key.
        key: String,
        /// The text.
        found: String,
        /// The name most like it.
        nearest: Option<String>,
        /// Every name.
        choices: Vec<&'static str>,
    },
    /// It reads well and still can't be meant.
    #[error("{what}")]
    Meaning {
        /// Stable name of the problem, in kebab case.
        code: &'static str,
        /// What is wrong.
        what: String,
        /// How to mend it.
        mend: String,
    },
}

/// What a key must hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// A text.
    Text,
    /// A list of texts.
    Texts,
    /// A whole number.
    Whole,
    /// A list of whole numbers.
    Wholes,
    /// Any number.
    Number,
    /// `true` or `false`.
    Boolean,
    /// A table.
    Table,
    /// Several tables.
    Tables,
}

impl Expected {
    fn example(self, key: &str) -> String {
        match self {
            Self::Text => format!("{key} = \"…\""),
            Self::Texts => format!("{key} = [\"…\", \"…\"]"),
            Self::Whole => format!("{key} = 2"),
            Self::Wholes => format!("{key} = [1, 2]"),
            Self::Number => format!("{key} = 1.5"),
            Self::Boolean => format!("{key} = true"),
            Self::Table => format!("[{key}] with its keys below, or {{ … }}"),
            Self::Tables => format!("[[{key}]], once for each, with its keys below"),
        }
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Text => "a text in quotes",
            Self::Texts => "a list of texts",
            Self::Whole => "a whole number",
            Self::Wholes => "a list of whole numbers",
            Self::Number => "a number",
            Self::Boolean => "true or false",
            Self::Table => "a table",
            Self::Tables => "a list of tables",
        })
    }
}

impl Fault {
    /// Stable name of the problem, in kebab case.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Syntax { .. } => "not-toml",
            Self::DuplicateKey { .. } => "duplicate-key",
            Self::UnknownKey { .. } => "unknown-key",
            Self::MissingKey { .. } => "missing-key",
            Self::WrongType { .. } => "wrong-type",
            Self::OutOfRange { .. } => "out-of-range",
            Self::UnknownChoice { .. } => "unknown-choice",
            Self::Meaning { code, .. } => code,
        }
    }

    /// How to mend it.
    pub fn mend(&self) -> String {
        match self {
            Self::Syntax { message } if message.contains("unquoted key") => {
                "a key is letters, digits, `-` and `_`; any other stands in quotes".to_owned()
            }
            Self::Syntax { message } if message.contains("quoted") => {
                "put texts in quotes: id = \"Q1\"".to_owned()
            }
            Self::Syntax { message } if message.contains("string") => {
                "close the text with the quote it began with, on the same line".to_owned()
            }
            Self::Syntax { .. } => {
                "a line is [table], [[table]], key = value or # comment; texts stand in \"quotes\""
                    .to_owned()
            }
            Self::DuplicateKey { key, .. } => {
                format!("rename or remove one of the two `{key}`")
            }
            Self::UnknownKey {
                nearest: Some(nearest),
                ..
            } => {
                format!("did you mean `{nearest}`?")
            }
            Self::UnknownKey { table, known, .. } if known.is_empty() => {
                format!("remove it; {table} has no keys")
            }
            Self::UnknownKey { table, known, .. } => {
                format!("remove it; {table} can have {}", listed(known, "and"))
            }
            Self::MissingKey { key, table, .. } if table == "the file" => {
                format!("add [{key}]")
            }
            Self::MissingKey { key, instead, .. } => {
                format!("add a line `{key} = …` below{instead}")
            }
            Self::WrongType { key, expected, .. } => {
                format!("write it like {}", expected.example(key))
            }
            Self::OutOfRange { low, high, .. } => format!("write a number from {low} to {high}"),
            Self::UnknownChoice {
                nearest: Some(nearest),
                choices,
                ..
            } => {
                format!("did you mean \"{nearest}\"? It can be {}", quoted(choices))
            }
            Self::UnknownChoice { choices, .. } => format!("it can be {}", quoted(choices)),
            Self::Meaning { mend, .. } => mend.clone(),
        }
    }
}

/// A file that can't be used, with everything that is wrong with it.
///
/// Displayed, it is plain text; `view::problems` shows it with the lines of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems {
    /// The file.
    pub file: TextFile,
    /// What is wrong with it, in its order.
    pub list: Vec<Problem>,
    /// How many more there are that were too many to keep.
    pub more: usize,
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.list.iter().enumerate() {
            let place = self.file.position(problem.at.start);
            let start = if index == 0 { "" } else { "\n" };
            let path = self.file.path().display();
            let Problem { fault, .. } = problem;
            write!(
                f,
                "{start}{path}:{}:{}: {fault} ({})",
                place.line,
                place.column,
                fault.mend()
            )?;
        }
        if self.more > 0 {
            write!(f, "\nand {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// How alike two words must be for one to be a slip of the other, by Jaro and Winkler's measure.
const ALIKE: f64 = 0.8;

/// The one of `known` that a person who wrote `word` most likely meant.
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let word = word.to_lowercase();
    let measured = known
        .into_iter()
        .map(|name| (strsim::jaro_winkler(&word, &name.to_lowercase()), name));
    let (alike, name) = measured.max_by(|(a, _), (b, _)| a.total_cmp(b))?;
    (alike >= ALIKE).then_some(name)
}

fn first_line(line: Option<u32>) -> String {
    line.map(|line| format!("; the first is on line {line}"))
        .unwrap_or_default()
}

fn listed<T: AsRef<str>>(words: &[T], last: &str) -> String {
    let mut text = String::new();
    for (index, word) in words.iter().enumerate() {
        if index > 0 && index + 1 == words.len() {
            text.push(' ');
            text.push_str(last);
            text.push(' ');
        } else if index > 0 {
            text.push_str(", ");
        }
        text.push_str(word.as_ref());
    }
    text
}

fn quoted(words: &[&str]) -> String {
    let words: Vec<_> = words.iter().map(|word| format!("\"{word}\"")).collect();
    listed(&words, "or")
}
