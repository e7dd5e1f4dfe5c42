//! Asks the operator at the terminal what they see: a surface of the [`super::desk`].
//!
//! The question is what is *seen*, never whether it is right: a yes is given too easily. It is
//! written to standard error, so that standard output stays data; one key answers it. Questions
//! scroll, so that what was answered can be read again; nothing takes over the whole screen.

use std::collections::BTreeSet;
use std::io::{self, Write};

use async_trait::async_trait;

use self::cue::Urgency;
use self::keys::{Keys, TerminalKeys};
use self::session::Session;
use super::WitnessError;
use super::bench::Watch;
use super::desk::{Answered, Asked, Reply, Scene, Surface};
use crate::plan::Id;
use crate::sweep::stop::StopHandle;

mod bench;
mod cue;
mod diagnosis;
mod entry;
mod hunt;
mod key;
mod keymap;
pub mod keys;
mod lamps;
mod manner;
mod mode;
mod nearby;
mod page;
mod picture;
mod questions;
mod session;
mod sheet;
mod steps;
mod survey;
mod text;

pub use cue::Cue;
pub use key::{Key, NoSuchKey};
pub use keymap::{KeyMap, KeyMapError};
pub use manner::Manner;

/// What the terminal is called at the desk.
const NAME: &str = "terminal";

/// The operator at the terminal.
#[derive(Debug)]
pub struct Ask<K: Keys, W> {
    keys: K,
    out: W,
    manner: Manner,
    /// What is being thrown there and back by itself, and how often it was.
    repeating: Option<(Id, u64)>,
    /// Sets of keys that were told already: a screen reader need not hear them each time.
    told: BTreeSet<String>,
}

impl Ask<TerminalKeys, anstream::AutoStream<io::Stderr>> {
    /// Asks at the terminal that the program runs in. Ctrl-C there goes to `stop`.
    ///
    /// # Errors
    /// When standard input or standard error is no terminal.
    pub fn open(stop: StopHandle, manner: Manner) -> Result<Self, WitnessError> {
        let keys = TerminalKeys::open(stop).ok_or(WitnessError::NoTerminal)?;
        let out = anstream::AutoStream::auto(io::stderr());
        Ok(Self::new(keys, out, manner.of_terminal()))
    }
}

impl<K: Keys, W: Write> Ask<K, W> {
    /// Asks on `out` and takes answers from `keys`.
    pub fn new(keys: K, out: W, manner: Manner) -> Self {
        Self {
            keys,
            out,
            manner,
            repeating: None,
            told: BTreeSet::new(),
        }
    }

    fn say(&mut self, text: &str) -> io::Result<()> {
        self.out.write_all(text.as_bytes())?;
        self.out.flush()
    }
}

/// What an answer's code means, in words.
fn said(code: &str) -> &str {
    match code {
        "no-movement" => "nothing moved",
        code if code.starts_with("aspect ") => code.trim_start_matches("aspect "),
        "another" => "another one moved",
        "back-and-forth" => "three times",
        "confirmed" => "all as sent",
        "differ" => "some lie otherwise",
        "cant-see" | "cannot-see" => "can't be seen",
        "cannot" => "can't be done",
        code => code,
    }
}

#[async_trait(?Send)]
impl<K: Keys, W: Write> Surface for Ask<K, W> {
    fn name(&self) -> &'static str {
        NAME
    }

    fn attend(&mut self) -> io::Result<()> {
        // What is typed from here on is not shown, and not taken for an answer.
        self.keys.attend()
    }

    fn look_out(&mut self, watch: &Watch) -> io::Result<()> {
        self.keys.attend()?;
        let (sentences, spoken) = bench::where_to_look(watch);
        let trouble = self.manner.cue.say(&spoken, Urgency::Next);
        let trouble = trouble.map(|trouble| format!("{trouble}\n"));
        let gap = if self.manner.plain { '\n' } else { ' ' };
        let sentence = sentences.join(&gap.to_string());
        // One stroke, or none: no time is left for more.
        let bell = if self.manner.cue.strokes() > 0 {
            "\u{7}"
        } else {
            ""
        };
        self.say(&format!(
            "\n{}{sentence}\n{bell}",
            trouble.unwrap_or_default()
        ))
    }

    async fn answer(&mut self, asked: &Asked, scene: &Scene) -> io::Result<Reply> {
        self.keys.attend()?;
        Session::open(self, asked, scene).answer().await
    }

    fn answered_elsewhere(&mut self, answered: &Answered) -> io::Result<()> {
        let Answered {
            about, reply, by, ..
        } = answered;
        self.repeating = None;
        // Dropping the question has given the terminal back; what comes next is a throw.
        self.keys.attend()?;
        let told = said(reply).replace('-', " ");
        self.say(&format!("\n{about}: {told}, answered on a {by}\n"))
    }
}

#[cfg(test)]
mod tests;
