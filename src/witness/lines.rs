//! Asks by whole lines, numbers for answers, where there is no terminal to take keys from: a
//! pipe, a file, a terminal of another kind.

use std::fmt::Write as _;
use std::io::{self, BufRead, Write};

use async_trait::async_trait;
use throwproof_protocol::address::Position;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::diagnosis::{Part, Query, Told};
use super::{Answer, Question, Witness, WitnessError};

/// A person, or a program in their place, who answers by lines.
#[derive(Debug)]
pub struct Lines<W> {
    /// What was read; the end of it when it was closed.
    lines: UnboundedReceiver<String>,
    out: W,
}

impl<W: Write> Lines<W> {
    /// Reads from `input` and asks on `out`. The reading goes on by itself, so that the program
    /// can end while nobody answers.
    pub fn new(input: impl BufRead + Send + 'static, out: W) -> Self {
        let (send, lines) = unbounded_channel();
        std::thread::spawn(move || {
            for line in input.lines() {
                let Ok(line) = line else { return };
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        Self { lines, out }
    }

    /// One part of a question: its choice, or what else was said.
    async fn part(&mut self, query: &Query, part: &Part) -> io::Result<Result<usize, Told>> {
        writeln!(self.out, "   {}", part.ask)?;
        for (index, choice) in part.choices.iter().enumerate() {
            writeln!(self.out, "     {}  {choice}", index + 1)?;
        }
        let mut others = String::new();
        for (key, told, what) in OTHERS {
            if query.fits(&told) {
                let _ = write!(others, ", {key} {what}");
            }
        }
        loop {
            write!(self.out, "   1 to {}{others}: ", part.choices.len())?;
            self.out.flush()?;
            let Some(line) = self.lines.recv().await else {
                writeln!(self.out)?;
                return Ok(Err(Told::Stop));
            };
            let word = line.trim();
            let other = OTHERS
                .iter()
                .find(|(key, told, _)| *key == word && query.fits(told));
            if let Some((_, told, _)) = other {
                return Ok(Err(told.clone()));
            }
            let number = word.parse::<usize>().ok();
            let within = number.filter(|it| (1..=part.choices.len()).contains(it));
            if let Some(number) = within {
                return Ok(Ok(number - 1));
            }
            writeln!(self.out, "   `{word}` is none of the answers")?;
        }
    }

    async fn ask(&mut self, query: &Query) -> io::Result<Told> {
        match query.number {
            0 => writeln!(self.out, "{}: {}", query.turnout, query.text)?,
            number => writeln!(self.out, "{number}. {}", query.text)?,
        }
        if !query.mind.is_empty() {
            writeln!(self.out, "   mind: {}", query.mind)?;
        }
        let mut chosen = Vec::new();
        for part in &query.parts {
            match self.part(query, part).await? {
                Ok(choice) => chosen.push(choice),
                Err(told) => return Ok(told),
            }
        }
        Ok(Told::Chosen(chosen))
    }
}

/// What else may be said, by which letter.
const OTHERS: [(&str, Told, &str); 4] = [
    ("u", Told::NotSure, "for not sure"),
    ("r", Told::Again, "to throw again"),
    ("s", Told::Skip, "to skip"),
    ("q", Told::Stop, "to end"),
];

#[async_trait(?Send)]
impl<W: Write> Witness for Lines<W> {
    fn name(&self) -> &'static str {
        "ask"
    }

    fn is_person(&self) -> bool {
        true
    }

    async fn attend(&mut self, _question: &Question<'_>) -> Result<(), WitnessError> {
        Ok(())
    }

    async fn observe(&mut self, _question: &Question<'_>) -> Result<Answer, WitnessError> {
        Ok(Answer::CantSee("nobody is asked throw by throw".to_owned()))
    }

    async fn inquire(&mut self, query: &Query) -> Result<Told, WitnessError> {
        self.ask(query).await.map_err(WitnessError::TerminalLost)
    }

    async fn lay_by_hand(
        &mut self,
        _question: &Question<'_>,
        _position: Position,
    ) -> Result<bool, WitnessError> {
        Ok(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Id;
    use crate::witness::diagnosis::Stage;

    fn query() -> Query {
        Query {
            number: 2,
            stage: Stage::Showed,
            turnout: Id::new("Q1"),
            place: String::new(),
            test: "throw-again".to_owned(),
            text: "Throw it.".to_owned(),
            mind: "Mind your fingers.".to_owned(),
            amiss: String::new(),
            parts: ["What?", "And?"]
                .map(|ask| Part {
                    ask: ask.to_owned(),
                    choices: vec!["one".to_owned(), "other".to_owned()],
                })
                .to_vec(),
            repeats: false,
        }
    }

    async fn told(input: &'static str) -> (Told, String) {
        let mut out = Vec::new();
        let mut lines = Lines::new(input.as_bytes(), &mut out);
        let told = lines.inquire(&query()).await.unwrap();
        (told, String::from_utf8(out).unwrap())
    }

    #[tokio::test]
    async fn numbers_choose_and_nonsense_is_asked_again() {
        let (chosen, shown) = told("3\nr\n2\n1\n").await;
        assert_eq!(chosen, Told::Chosen(vec![1, 0]));
        for line in [
            "2. Throw it.",
            "mind: Mind your fingers.",
            "`3` is none",
            "`r` is none",
        ] {
            assert!(shown.contains(line), "{shown}");
        }
        assert_eq!(told("1\nu\n").await.0, Told::NotSure);
        assert_eq!(told("s\n").await.0, Told::Skip);
        assert_eq!(told("q\n").await.0, Told::Stop);
    }

    #[tokio::test]
    async fn the_end_of_all_lines_ends_the_run() {
        assert_eq!(told("1\n").await.0, Told::Stop);
        assert_eq!(told("").await.0, Told::Stop);
    }
}
