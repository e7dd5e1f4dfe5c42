//! What is asked at the terminal, question by question.

use std::io::{self, Write};

use super::bench;
use super::cue::Urgency;
use super::diagnosis;
use super::hunt;
use super::key::Key;
use super::keymap::Action;
use super::keys::Keys;
use super::nearby;
use super::session::Session;
use super::sheet::{Choice, Sheet};
use crate::event::Subject;
use crate::plan::Id;
use crate::witness::desk::{AskedKind, Reply, Sight};
use crate::witness::{Answer, Closer, Found, Note, Observed, Seen, Surveyed};

impl<K: Keys, W: Write> Session<'_, K, W> {
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
                Choice::Do(Action::KeepThrowing) => Closer::KeepThrowing,
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
        let names = sight.positions.iter().map(|one| &one.name);
        let mut names = sight.aspects.iter().chain(names);
        let aspect = names.position(|name| name == commanded);
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

    pub(super) async fn answer(&mut self) -> io::Result<Reply> {
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
            AskedKind::Task { .. } | AskedKind::LayBack { .. } => self.task().await?,
            AskedKind::Watch { watch } => self.watch(watch).await?,
            AskedKind::Hunt { .. } => self.noticed().await?,
            AskedKind::Diagnosis { query } => self.told(query).await?,
        };
        self.is_answered = true;
        self.keeps = !reply.ends();
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
pub(super) fn spoken(kind: &AskedKind, blind: bool) -> String {
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
                Subject::Signal(_) => sight.sort.question(),
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
        AskedKind::Task { task, .. } => bench::spoken_task(task),
        AskedKind::Watch { watch } => bench::spoken_watch(watch, blind),
        AskedKind::Hunt { inquiry, .. } => hunt::spoken(inquiry),
        AskedKind::LayBack { back } => hunt::to_lay_back(back),
        AskedKind::Diagnosis { query } => diagnosis::spoken(query),
    }
}
