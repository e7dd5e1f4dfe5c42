//! Asks the operator at the terminal what they see.
//!
//! The question is what is *seen*, never whether it is right: a yes is given too easily. It is
//! written to standard error, so that standard output stays data; one key answers it.

use std::io::{self, Write};

use async_trait::async_trait;
use throwproof_protocol::address::Position;

use self::keys::{Key, Keys, TerminalKeys};
use super::{Answer, Observed, Question, Seen, Witness, WitnessError};
use crate::event::Subject;
use crate::plan::Id;
use crate::sweep::stop::StopHandle;

pub mod keys;
mod nearby;
mod sheet;

use sheet::{Choice, Sheet};

/// The operator at the terminal.
#[derive(Debug)]
pub struct Ask<K, W> {
    keys: K,
    out: W,
}

impl Ask<TerminalKeys, io::Stderr> {
    /// Asks at the terminal that the program runs in. Ctrl-C there goes to `stop`.
    ///
    /// # Errors
    /// When standard input or standard error is no terminal.
    pub fn open(stop: StopHandle) -> Result<Self, WitnessError> {
        let keys = TerminalKeys::open(stop).ok_or(WitnessError::NoTerminal)?;
        Ok(Self::new(keys, io::stderr()))
    }
}

/// Takes keys one by one, and gives the terminal back when it goes, however that comes.
struct Session<'a, K: Keys, W> {
    keys: &'a mut K,
    out: &'a mut W,
}

impl<K: Keys, W> Drop for Session<'_, K, W> {
    fn drop(&mut self) {
        self.keys.rest();
    }
}

impl<K: Keys, W: Write> Session<'_, K, W> {
    /// Writes lines as a terminal in raw mode wants them.
    fn say(&mut self, text: &str) -> io::Result<()> {
        self.out.write_all(text.replace('\n', "\r\n").as_bytes())?;
        self.out.flush()
    }

    /// Waits for one of the keys of a sheet.
    async fn choose(&mut self, sheet: &Sheet) -> io::Result<Choice> {
        loop {
            let key = self.keys.next().await?;
            if let Some(choice) = sheet.choice(key) {
                self.say(&format!("{}\n", choice.said()))?;
                return Ok(choice);
            }
            let what = match key {
                Key::Char(letter) => format!("`{letter}` is none of the keys"),
                Key::Enter | Key::Backspace | Key::Other => "that is none of the keys".to_owned(),
            };
            self.say(&format!("\n{what}; they are {}\n> ", sheet.keys()))?;
        }
    }

    /// Which others moved, and whether this one moved as well.
    async fn which_other(&mut self, question: &Question<'_>) -> io::Result<Seen> {
        let others = self.ids(question).await?;
        let sheet = Sheet::this_one(question);
        self.say(&format!("And {} itself?\n{sheet}> ", question.subject.id()))?;
        let observed = match self.choose(&sheet).await? {
            Choice::Seen(observed) if observed != Observed::NoMovement => observed,
            Choice::Seen(_) | Choice::Another | Choice::Repeat | Choice::Skip | Choice::Stop => {
                Observed::Another
            }
        };
        Ok(Seen { observed, others })
    }

    /// Reads ids, until all of them are in the plan or none is given.
    async fn ids(&mut self, question: &Question<'_>) -> io::Result<Vec<Id>> {
        self.say(&nearby::invitation(question))?;
        loop {
            let line = self.line().await?;
            match nearby::find(question, &line) {
                Ok(ids) => return Ok(ids),
                Err(trouble) => self.say(&format!("{trouble}\nWhich? "))?,
            }
        }
    }

    /// Reads a line, with Backspace and Enter.
    async fn line(&mut self) -> io::Result<String> {
        let mut line = String::new();
        loop {
            match self.keys.next().await? {
                Key::Char(letter) => {
                    line.push(letter);
                    self.say(letter.encode_utf8(&mut [0; 4]))?;
                }
                Key::Backspace if line.pop().is_some() => self.say("\u{8} \u{8}")?,
                Key::Enter => {
                    self.say("\n")?;
                    return Ok(line);
                }
                Key::Backspace | Key::Other => {}
            }
        }
    }

    async fn observe(&mut self, question: &Question<'_>) -> io::Result<Answer> {
        let sheet = Sheet::of(question);
        self.say(&format!("{}\n{sheet}> ", sheet::heading(question)))?;
        self.keys.forget_early().await;
        Ok(match self.choose(&sheet).await? {
            Choice::Seen(observed) => Answer::Seen(Seen {
                observed,
                others: Vec::new(),
            }),
            Choice::Another => Answer::Seen(self.which_other(question).await?),
            Choice::Repeat => Answer::Repeat,
            Choice::Skip => Answer::Skip,
            Choice::Stop => Answer::Stop,
        })
    }

    /// `None` to stop.
    async fn lay(&mut self, id: &Id, position: Position) -> io::Result<Option<bool>> {
        self.say(&format!(
            "\nNothing was seen to move. Lay {id} {position} by hand, then press Enter.\n  \
             Enter it lies {position}   k can't be done   q stop\n> "
        ))?;
        self.keys.forget_early().await;
        loop {
            let (said, answer) = match self.keys.next().await? {
                Key::Enter => ("laid by hand", Some(true)),
                Key::Char('k' | 'K') => ("left as it is", Some(false)),
                Key::Char('q' | 'Q') => ("stop", None),
                Key::Char(_) | Key::Backspace | Key::Other => {
                    self.say("\nThe keys are Enter, k and q\n> ")?;
                    continue;
                }
            };
            self.say(&format!("{said}\n"))?;
            return Ok(answer);
        }
    }
}

impl<K: Keys, W: Write> Ask<K, W> {
    /// Asks on `out` and takes answers from `keys`.
    pub fn new(keys: K, out: W) -> Self {
        Self { keys, out }
    }

    fn session(&mut self) -> Result<Session<'_, K, W>, WitnessError> {
        self.keys.attend().map_err(WitnessError::TerminalLost)?;
        Ok(Session {
            keys: &mut self.keys,
            out: &mut self.out,
        })
    }
}

#[async_trait(?Send)]
impl<K: Keys, W: Write> Witness for Ask<K, W> {
    fn name(&self) -> &'static str {
        "ask"
    }

    async fn attend(&mut self, _: &Question<'_>) -> Result<(), WitnessError> {
        // What is typed from here on is not shown, and not taken for an answer.
        self.keys.attend().map_err(WitnessError::TerminalLost)
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        self.session()?
            .observe(question)
            .await
            .map_err(WitnessError::TerminalLost)
    }

    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError> {
        if matches!(question.subject, Subject::Signal(_)) {
            return Ok(false);
        }
        let mut session = self.session()?;
        let laid = session.lay(question.subject.id(), position).await;
        laid.map_err(WitnessError::TerminalLost)?
            .ok_or(WitnessError::Stop)
    }
}

#[cfg(test)]
mod tests;
