//! What is asked at the terminal of whoever stands at a turnout that fails.

use std::io::{self, Write};

use super::keymap::Action;
use super::keys::Keys;
use super::page::Page;
use super::session::Session;
use super::sheet::{Choice, Sheet};
use super::text::{bold, sentence};
use crate::witness::desk::Reply;
use crate::witness::diagnosis::{Part, Query, Stage, Told};

impl<K: Keys, W: Write> Session<'_, K, W> {
    pub(super) async fn told(&mut self, query: &Query) -> io::Result<Reply> {
        self.begin().await?;
        let mut chosen = Vec::new();
        for (at, part) in query.parts.iter().enumerate() {
            if at > 0 {
                self.part = at;
                self.sheet = Sheet::of_part(query, part, self.context, &self.ask.manner.keys);
                let rows = self.sheet.rows(&self.ask.manner).join("\n");
                self.say(&format!("{}\n{rows}\n> ", bold(&part.ask)))?;
            }
            let choice = self.choose().await?;
            let label = self.sheet.label(&choice).to_owned();
            let told = match choice {
                // It was asked once more, and has its word.
                Choice::Do(Action::Stop) => return Ok(Reply::Told(Told::Stop)),
                Choice::Other(at) => {
                    chosen.push(at);
                    None
                }
                Choice::Do(Action::Confirm) => {
                    chosen.push(0);
                    None
                }
                Choice::Do(Action::Repeat) => Some(Told::Again),
                Choice::Do(Action::Skip) => Some(Told::Skip),
                Choice::Do(_) | Choice::Aspect(_) => Some(Told::NotSure),
            };
            self.say(&format!("{label}\n"))?;
            if let Some(told) = told {
                return Ok(Reply::Told(told));
            }
        }
        Ok(Reply::Told(Told::Chosen(chosen)))
    }
}

impl Page<'_> {
    /// What is done or to be done, and that part of what is asked.
    pub(super) fn query(&mut self, query: &Query, part: usize) {
        let head = match query.number {
            0 => bold(query.turnout.as_str()),
            number => bold(&format!("Test {number}")),
        };
        let place = match query.place.as_str() {
            "" => String::new(),
            place => format!("   {} ({place})", query.turnout),
        };
        self.say(format!("{head}{place}"));
        self.told(&sentence(&query.text));
        if !query.mind.is_empty() {
            self.told(&format!("Mind: {}", query.mind));
        }
        if !query.amiss.is_empty() {
            self.told(&query.amiss);
        }
        if let Some(part) = query.parts.get(part) {
            self.say(bold(&part.ask));
        }
    }
}

/// Whether an action is an answer to that.
pub(super) fn may(query: &Query, part: &Part, action: Action) -> bool {
    match action {
        // One answer alone needs no number.
        Action::Confirm => part.choices.len() == 1,
        Action::NotSure => query.fits(&Told::NotSure),
        Action::Repeat => query.fits(&Told::Again),
        Action::Skip => query.fits(&Told::Skip),
        Action::Straight
        | Action::Diverging
        | Action::Nothing
        | Action::Between
        | Action::Another
        | Action::ThreeTimes
        | Action::KeepThrowing
        | Action::Undo
        | Action::Note
        | Action::Photo
        | Action::SkipPlace
        | Action::Stop
        | Action::OneByOne
        | Action::Good
        | Action::Bad
        | Action::StaysOn
        | Action::Elsewhere
        | Action::CannotSee
        | Action::Moved => true,
    }
}

/// What an answer is called where it is not called as in other questions.
pub(super) fn label(query: &Query, part: &Part, action: Action) -> Option<String> {
    match action {
        Action::Confirm => part.choices.first().cloned(),
        Action::NotSure => Some("not sure".to_owned()),
        Action::Repeat => Some("throw again".to_owned()),
        Action::Skip if query.stage == Stage::Prepare => Some("can't be done".to_owned()),
        Action::Skip => Some("leave this test out".to_owned()),
        Action::Straight
        | Action::Diverging
        | Action::Nothing
        | Action::Between
        | Action::Another
        | Action::ThreeTimes
        | Action::KeepThrowing
        | Action::Undo
        | Action::Note
        | Action::Photo
        | Action::SkipPlace
        | Action::Stop
        | Action::OneByOne
        | Action::Good
        | Action::Bad
        | Action::StaysOn
        | Action::Elsewhere
        | Action::CannotSee
        | Action::Moved => None,
    }
}

/// What is spoken when the question opens.
pub(super) fn spoken(query: &Query) -> String {
    let ask = query.parts.first().map_or("", |part| &part.ask);
    format!("{} {ask}", sentence(&query.text))
}

/// What whoever wants to stop has to know, to stand behind the question whether they do.
pub(super) fn before_a_stop(query: &Query) -> String {
    match query.stage {
        Stage::Showed | Stage::PutBack if !query.mind.is_empty() => {
            " Put back what was taken off; what was answered is kept.".to_owned()
        }
        Stage::Allow | Stage::Prepare | Stage::Showed | Stage::PutBack => {
            " What was answered is kept, and counts in the next diagnosis.".to_owned()
        }
        Stage::Mended | Stage::Which => String::new(),
    }
}
