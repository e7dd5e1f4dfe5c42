//! A question that is open at the terminal: showing it, taking keys and lines.

use std::io::{self, Write};
use std::sync::Arc;

use super::Ask;
use super::bench::before_a_stop;
use super::cue::{BETWEEN_STROKES, Urgency};
use super::entry::{Entry, Typed};
use super::key::Key;
use super::keymap::{Action, Context};
use super::keys::Keys;
use super::manner::INVITE;
use super::page::Page;
use super::questions::spoken;
use super::sheet::{Choice, Sheet};
use super::survey::Members;
use crate::witness::desk::{Asked, Scene};

/// A question that is open. The terminal is given back when it goes without an answer.
pub(super) struct Session<'a, K: Keys, W: Write> {
    pub(super) ask: &'a mut Ask<K, W>,
    pub(super) asked: &'a Asked,
    scene: &'a Scene,
    pub(super) sheet: Sheet,
    /// The part that is asked of a question that has several.
    pub(super) part: usize,
    pub(super) context: Context,
    pub(super) members: Members,
    /// Keys are still taken one by one when it goes.
    pub(super) keeps: bool,
    pub(super) is_answered: bool,
}

impl<K: Keys, W: Write> Drop for Session<'_, K, W> {
    fn drop(&mut self) {
        if self.keeps {
            return;
        }
        self.ask.keys.rest();
        // What comes next does not belong behind the prompt.
        if !self.is_answered
            && let Err(error) = self.ask.say("\n")
        {
            tracing::debug!(%error, "the terminal can't be written");
        }
    }
}

impl<'a, K: Keys, W: Write> Session<'a, K, W> {
    pub(super) fn open(ask: &'a mut Ask<K, W>, asked: &'a Asked, scene: &'a Scene) -> Self {
        let map = &ask.manner.keys;
        Self {
            sheet: Sheet::of(asked, map),
            part: 0,
            context: Context::of(&asked.kind),
            members: Members::of(asked, map),
            ask,
            asked,
            scene,
            keeps: false,
            is_answered: false,
        }
    }

    pub(super) fn say(&mut self, text: &str) -> io::Result<()> {
        self.ask.say(text)
    }

    /// Shows the question, all of it.
    fn show(&mut self) -> io::Result<()> {
        self.show_with(true)
    }

    fn show_with(&mut self, with_keys: bool) -> io::Result<()> {
        let Self {
            ask,
            asked,
            scene,
            sheet,
            part,
            members,
            ..
        } = &*self;
        let sheet = with_keys.then_some(sheet);
        let at = (members, *part);
        let page = Page::of(asked, &scene.progress, sheet, at, &ask.manner);
        let text = page.text();
        self.say(&text)
    }

    /// Shows the question and lets it be heard.
    pub(super) async fn begin(&mut self) -> io::Result<()> {
        let is_new = self.ask.told.insert(self.sheet.keys());
        self.show_with(is_new || !self.ask.manner.plain)?;
        let text = spoken(&self.asked.kind, self.ask.manner.blind);
        let strokes = self.ask.manner.cue.strokes();
        self.cue(&text, strokes, Urgency::Next).await?;
        self.ask.keys.forget_early().await;
        Ok(())
    }

    pub(super) async fn cue(
        &mut self,
        text: &str,
        strokes: u32,
        urgency: Urgency,
    ) -> io::Result<()> {
        if let Some(trouble) = self.ask.manner.cue.say(text, urgency) {
            self.say(&format!("{trouble}\n> "))?;
        }
        for stroke in 0..strokes {
            if stroke > 0 {
                tokio::time::sleep(BETWEEN_STROKES).await;
            }
            self.say("\u{7}")?;
        }
        Ok(())
    }

    /// The next key, once the shell has given the terminal back if it was wanted there.
    pub(super) async fn key(&mut self) -> io::Result<Key> {
        loop {
            let key = self.ask.keys.next().await?;
            if key != Key::Suspend {
                return Ok(key);
            }
            self.say("\n")?;
            self.ask.keys.suspend()?;
            self.show()?;
        }
    }

    /// Waits for one of the keys of the question.
    pub(super) async fn choose(&mut self) -> io::Result<Choice> {
        loop {
            let key = self.key().await?;
            if let Some(at) = self.members.at(key) {
                return Ok(Choice::Other(at));
            }
            let map = &self.ask.manner.keys;
            match self.sheet.choice(self.context, map, key) {
                Some(Choice::Do(Action::Stop)) => {
                    if self.stops().await? {
                        return Ok(Choice::Do(Action::Stop));
                    }
                }
                Some(choice) => return Ok(choice),
                None if key == Key::Char('?') => self.show()?,
                None if key == INVITE && self.invites()? => {}
                None => self.wrong(key)?,
            }
        }
    }

    /// Shows once more how a phone finds its page. False where there is none.
    fn invites(&mut self) -> io::Result<bool> {
        let invitation = Arc::clone(&self.ask.manner.invitation);
        if let Some(text) = invitation.get() {
            self.say(&format!("\n{text}> "))?;
        }
        Ok(invitation.get().is_some())
    }

    fn wrong(&mut self, key: Key) -> io::Result<()> {
        let what = if key == Key::Other {
            "that is none of the keys".to_owned()
        } else {
            format!("`{key}` is none of the keys")
        };
        let mut keys = self.members.keys();
        keys.push(self.sheet.keys());
        self.say(&format!("\n{what}; they are {}\n> ", keys.join(" ")))
    }

    /// Asks once more before the run is ended.
    async fn stops(&mut self) -> io::Result<bool> {
        let stop = self.ask.manner.keys.shown(Action::Stop);
        let known = before_a_stop(&self.asked.kind);
        self.say(&format!(
            "stop here?{known}\n   {stop} again: stop. Any other key: back to the question.\n> "
        ))?;
        let key = self.key().await?;
        let again = self.ask.manner.keys.action(self.context, key) == Some(Action::Stop);
        self.say(if again {
            "stop\n"
        } else {
            "back to the question\n> "
        })?;
        Ok(again)
    }

    /// Reads a line; `None` if it is given up.
    pub(super) async fn line(&mut self, prompt: &str) -> io::Result<Option<String>> {
        use unicode_width::UnicodeWidthStr as _;

        self.say(prompt)?;
        let plain = self.ask.manner.plain;
        // The last column stays free: a terminal goes to the next line there, or not yet.
        let room = self.ask.manner.width().saturating_sub(prompt.width() + 1);
        let mut entry = Entry::new(room, !plain);
        loop {
            let key = self.ask.keys.next().await?;
            if key == Key::Suspend {
                self.say("\n")?;
                self.ask.keys.suspend()?;
                self.say(&format!("{prompt}{}", entry.so_far()))?;
                continue;
            }
            match entry.take(key) {
                Typed::Show(text) => self.say(&text)?,
                Typed::Nothing => {}
                Typed::Done(line) => {
                    self.say("\n")?;
                    return Ok(Some(line));
                }
                Typed::GivenUp => {
                    self.say("\nleft as it was\n> ")?;
                    return Ok(None);
                }
            }
        }
    }
}
