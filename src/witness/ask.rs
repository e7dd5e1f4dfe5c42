//! Asks the operator at the terminal what they see: a surface of the [`super::desk`].
//!
//! The question is what is *seen*, never whether it is right: a yes is given too easily. It is
//! written to standard error, so that standard output stays data; one key answers it. Questions
//! scroll, so that what was answered can be read again; nothing takes over the whole screen.

use std::collections::BTreeSet;
use std::io::{self, Write};

use async_trait::async_trait;

use self::cue::{BETWEEN_STROKES, Urgency};
use self::entry::{Entry, Typed};
use self::key::Key;
use self::keymap::{Action, Context};
use self::keys::{Keys, TerminalKeys};
use self::page::Page;
use self::sheet::{Choice, Sheet};
use self::survey::Members;
use super::desk::{Answered, Asked, AskedKind, Reply, Scene, Sight, Surface};
use super::{Answer, Closer, Found, Note, Observed, Seen, Surveyed, WitnessError};
use crate::event::Subject;
use crate::plan::Id;
use crate::sweep::stop::StopHandle;

mod cue;
mod entry;
mod key;
mod keymap;
pub mod keys;
mod manner;
mod mode;
mod nearby;
mod page;
mod picture;
mod sheet;
mod survey;
mod text;

pub use cue::Cue;
pub use key::{Key as NamedKey, NoSuchKey};
pub use keymap::{Action as KeyAction, KeyMap, KeyMapError};
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

/// A question that is open. The terminal is given back when it goes without an answer.
struct Session<'a, K: Keys, W: Write> {
    ask: &'a mut Ask<K, W>,
    asked: &'a Asked,
    scene: &'a Scene,
    sheet: Sheet,
    context: Context,
    members: Members,
    /// Keys are still taken one by one when it goes.
    keeps: bool,
    is_answered: bool,
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
    fn open(ask: &'a mut Ask<K, W>, asked: &'a Asked, scene: &'a Scene) -> Self {
        let map = &ask.manner.keys;
        Self {
            sheet: Sheet::of(asked, map),
            context: match asked.kind {
                AskedKind::Throw { .. } => Context::Throw,
                AskedKind::Hand { .. } => Context::Hand,
                AskedKind::Survey { .. } => Context::Survey,
                AskedKind::Look { .. } | AskedKind::Repeating { .. } => Context::Look,
            },
            members: Members::of(asked, map),
            ask,
            asked,
            scene,
            keeps: false,
            is_answered: false,
        }
    }

    fn say(&mut self, text: &str) -> io::Result<()> {
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
            members,
            ..
        } = &*self;
        let sheet = with_keys.then_some(sheet);
        let page = Page::of(asked, &scene.progress, sheet, members, &ask.manner);
        let text = page.text();
        self.say(&text)
    }

    /// Shows the question and lets it be heard.
    async fn begin(&mut self) -> io::Result<()> {
        let is_new = self.ask.told.insert(self.sheet.keys());
        self.show_with(is_new || !self.ask.manner.plain)?;
        let text = spoken(&self.asked.kind, self.ask.manner.blind);
        let strokes = self.ask.manner.cue.strokes();
        self.cue(&text, strokes, Urgency::Next).await?;
        self.ask.keys.forget_early().await;
        Ok(())
    }

    async fn cue(&mut self, text: &str, strokes: u32, urgency: Urgency) -> io::Result<()> {
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
    async fn key(&mut self) -> io::Result<Key> {
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
    async fn choose(&mut self) -> io::Result<Choice> {
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
                None => self.wrong(key)?,
            }
        }
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
        self.say(&format!(
            "stop here? Nothing is lost; --resume carries on.\n   {stop} again: stop. Any other \
             key: back to the question.\n> "
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
    async fn line(&mut self, prompt: &str) -> io::Result<Option<String>> {
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

    /// A note or a photo's name; `None` if there is none after all.
    async fn note(&mut self, action: Action) -> io::Result<Option<Note>> {
        let id = self.asked.about().to_owned();
        if action == Action::Note {
            self.say(&format!("note on {id}; Enter keeps it, Esc drops it\n"))?;
            let text = self.line("Note: ").await?;
            return self.kept(text.map(|text| Note {
                text,
                ..Note::default()
            }));
        }
        self.say(&format!(
            "photo of {id}; its file name, Enter keeps it, Esc drops it\n"
        ))?;
        let photo = self.line("Photo: ").await?;
        if let Some(name) = photo.as_deref().filter(|name| !name.is_empty()) {
            let folder = &self.ask.manner.photos;
            if !folder.join(name).exists() {
                let place = match folder.to_str() {
                    Some("") => "this folder".to_owned(),
                    _ => folder.display().to_string(),
                };
                let remark =
                    format!("{name} is not in {place} yet; the name is kept all the same.\n");
                self.say(&remark)?;
            }
        }
        self.kept(photo.map(|photo| Note {
            photo,
            ..Note::default()
        }))
    }

    fn kept(&mut self, note: Option<Note>) -> io::Result<Option<Note>> {
        let Some(note) = note else {
            return Ok(None);
        };
        if note == Note::default() {
            self.say("nothing to keep\n> ")?;
            return Ok(None);
        }
        Ok(Some(note))
    }

    async fn throw(&mut self, sight: &Sight, commanded: &Id, near: &[Id]) -> io::Result<Reply> {
        self.begin().await?;
        loop {
            let choice = self.choose().await?;
            let answer = match &choice {
                Choice::Do(Action::Another) => {
                    self.say("another one moved\n")?;
                    match self.which_other(sight, near).await? {
                        Some(seen) => Answer::Seen(seen),
                        None => continue,
                    }
                }
                Choice::Do(action @ (Action::Note | Action::Photo)) => {
                    match self.note(*action).await? {
                        Some(note) => Answer::Note(note),
                        None => continue,
                    }
                }
                Choice::Do(Action::Stop) => return Ok(Reply::Answer(Answer::Stop)),
                Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => {
                    let label = self.sheet.label(&choice).to_owned();
                    self.say(&format!("{label}\n"))?;
                    answer_of(&choice)
                }
            };
            if self.ask.manner.blind && matches!(answer, Answer::Seen(_)) {
                self.say(&format!("It was sent to {commanded}.\n"))?;
            }
            return Ok(Reply::Answer(answer));
        }
    }

    /// Which others moved, and whether this one moved as well; `None` to go back.
    async fn which_other(&mut self, sight: &Sight, near: &[Id]) -> io::Result<Option<Seen>> {
        let own = sight.subject.id();
        self.say(&format!("{}\n", nearby::invitation(near)))?;
        let others = loop {
            let Some(line) = self.line("Which? ").await? else {
                return Ok(None);
            };
            match nearby::find(own, near, &line) {
                Ok(ids) => break ids,
                Err(trouble) => self.say(&format!("{trouble}\n"))?,
            }
        };
        let itself = Sheet::of(self.asked, &self.ask.manner.keys).this_one();
        let rows = itself.rows(&self.ask.manner).join("\n");
        self.say(&format!("And {own} itself?\n{rows}\n> "))?;
        let all = std::mem::replace(&mut self.sheet, itself);
        let choice = self.choose().await;
        let itself = std::mem::replace(&mut self.sheet, all);
        let choice = choice?;
        self.say(&format!("{}\n", itself.label(&choice)))?;
        let observed = choice
            .observed()
            .filter(|seen| *seen != Observed::NoMovement);
        Ok(Some(Seen {
            observed: observed.unwrap_or(Observed::Another),
            others,
        }))
    }

    async fn hand(&mut self) -> io::Result<Reply> {
        self.begin().await?;
        let (said, reply) = match self.choose().await? {
            Choice::Do(Action::Confirm) => ("laid by hand\n", Reply::Laid(true)),
            Choice::Do(Action::Stop) => return Ok(Reply::Stop),
            Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => {
                ("left as it is\n", Reply::Laid(false))
            }
        };
        self.say(said)?;
        Ok(reply)
    }

    async fn survey(&mut self) -> io::Result<Reply> {
        if self.ask.manner.blind {
            self.say("\nEach is asked by itself: what was sent is hidden.\n")?;
            return Ok(Reply::Survey(Surveyed::OneByOne));
        }
        self.begin().await?;
        loop {
            let choice = self.choose().await?;
            let surveyed = match choice {
                Choice::Other(at) => {
                    let told = self.members.turn(at);
                    self.say(&format!("{told}\n> "))?;
                    continue;
                }
                Choice::Do(Action::Confirm) => {
                    let told = self.members.told();
                    self.say(&format!("{told}\n"))?;
                    return Ok(Reply::Survey(Surveyed::Differ(self.members.differ())));
                }
                Choice::Do(Action::Repeat) => Surveyed::Repeat,
                Choice::Do(Action::Undo) => Surveyed::Undo,
                Choice::Do(Action::SkipPlace) => Surveyed::SkipPlace,
                Choice::Do(Action::Stop) => return Ok(Reply::Survey(Surveyed::Stop)),
                Choice::Do(_) | Choice::Aspect(_) => Surveyed::OneByOne,
            };
            let label = self.sheet.label(&choice).to_owned();
            self.say(&format!("{label}\n"))?;
            return Ok(Reply::Survey(surveyed));
        }
    }

    async fn look(&mut self) -> io::Result<Reply> {
        self.begin().await?;
        loop {
            let choice = self.choose().await?;
            let closer = match choice {
                Choice::Do(action @ (Action::Note | Action::Photo)) => {
                    match self.note(action).await? {
                        Some(note) => return Ok(Reply::Look(Closer::Note(note))),
                        None => continue,
                    }
                }
                Choice::Do(Action::Good) => Closer::Found(Found::Good),
                Choice::Do(Action::Bad) => Closer::Found(Found::Bad),
                Choice::Do(Action::Stop) => return Ok(Reply::Look(Closer::Stop)),
                Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => Closer::Later,
            };
            let label = self.sheet.label(&choice).to_owned();
            self.say(&format!("{label}\n"))?;
            return Ok(Reply::Look(closer));
        }
    }

    /// It was thrown by itself once more: says where to, and waits for any key.
    async fn repeating(&mut self, sight: &Sight, commanded: &Id) -> io::Result<Reply> {
        // Between two positions keys are taken all the same.
        self.keeps = true;
        let id = sight.subject.id();
        let known = self.ask.repeating.take().filter(|(known, _)| known == id);
        let is_first = known.is_none();
        if is_first {
            let head = format!("\n{id} is thrown there and back by itself. Any key ends it.\n");
            self.say(&head)?;
        }
        let times = known.map_or(0, |(_, times)| times) + 1;
        self.ask.repeating = Some((id.clone(), times));
        self.say(&if self.ask.manner.plain {
            format!("{commanded}.\n")
        } else {
            format!("\r  now {commanded:<12} {times:>4}")
        })?;
        let aspect = sight.aspects.iter().position(|name| name == commanded);
        let strokes = self.ask.manner.cue.strokes_at(commanded.as_str(), aspect);
        self.cue(commanded.as_str(), strokes, Urgency::Now).await?;
        if is_first {
            self.ask.keys.forget_early().await;
        }
        if self.ask.keys.next().await? == Key::Suspend {
            // Any other key would do as well.
            self.ask.keys.suspend()?;
        }
        self.ask.repeating = None;
        self.say("\nenough\n")?;
        Ok(Reply::Enough)
    }

    async fn answer(&mut self) -> io::Result<Reply> {
        let asked = self.asked;
        if !matches!(asked.kind, AskedKind::Repeating { .. }) && self.ask.repeating.take().is_some()
        {
            self.say("\n")?;
        }
        let reply = match &asked.kind {
            AskedKind::Throw {
                sight,
                commanded,
                near,
                ..
            } => self.throw(sight, commanded, near).await?,
            AskedKind::Hand { .. } => self.hand().await?,
            AskedKind::Survey { .. } => self.survey().await?,
            AskedKind::Look { .. } => self.look().await?,
            AskedKind::Repeating { sight, commanded } => self.repeating(sight, commanded).await?,
        };
        self.is_answered = true;
        self.keeps = reply.code() != Reply::Stop.code();
        Ok(reply)
    }
}

/// What a choice answers that needs nothing more.
fn answer_of(choice: &Choice) -> Answer {
    if let Some(observed) = choice.observed() {
        let others = Vec::new();
        return Answer::Seen(Seen { observed, others });
    }
    match choice {
        Choice::Do(Action::ThreeTimes) => Answer::BackAndForth,
        Choice::Do(Action::KeepThrowing) => Answer::KeepThrowing,
        Choice::Do(Action::Undo) => Answer::Undo,
        Choice::Do(Action::Skip) => Answer::Skip,
        Choice::Do(Action::SkipPlace) => Answer::SkipPlace,
        Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => Answer::Repeat,
    }
}

/// What is spoken when a question opens.
fn spoken(kind: &AskedKind, blind: bool) -> String {
    match kind {
        AskedKind::Throw {
            sight, commanded, ..
        } => {
            let (place, id) = (&sight.place, sight.subject.id());
            let sent = if blind {
                String::new()
            } else {
                format!(" {commanded}.")
            };
            let asked = match sight.subject {
                Subject::Turnout(_) => "What do you see?",
                Subject::Signal(_) => "What does it show?",
            };
            format!("{place}. {id}.{sent} {asked}")
        }
        AskedKind::Hand { sight, position } => {
            format!("{}. Lay it {position} by hand.", sight.subject.id())
        }
        AskedKind::Survey { place, .. } => format!("{place}. How do they lie?"),
        AskedKind::Look {
            sight, question, ..
        } => format!("{}. {question}", sight.subject.id()),
        AskedKind::Repeating { commanded, .. } => commanded.to_string(),
    }
}

/// What an answer's code means, in words.
fn said(code: &str) -> &str {
    match code {
        "no-movement" => "nothing moved",
        "another" => "another one moved",
        "back-and-forth" => "three times",
        "confirmed" => "all as sent",
        "differ" => "some lie otherwise",
        "cant-see" => "can't be seen",
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

    async fn answer(&mut self, asked: &Asked, scene: &Scene) -> io::Result<Reply> {
        self.keys.attend()?;
        Session::open(self, asked, scene).answer().await
    }

    fn answered_elsewhere(&mut self, answered: &Answered) -> io::Result<()> {
        let Answered {
            about, reply, by, ..
        } = answered;
        self.repeating = None;
        let told = said(reply).replace('-', " ");
        self.say(&format!("\n{about}: {told}, answered on a {by}\n"))
    }
}

#[cfg(test)]
mod tests;
