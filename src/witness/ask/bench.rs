//! What is asked at the terminal of whoever stands at a decoder: is it done, what did it do.

use std::io::{self, Write};

use throwproof_protocol::address::Position;

use super::diagnosis;
use super::key::Key;
use super::keymap::Action;
use super::keys::Keys;
use super::session::Session;
use super::sheet::{Choice, Sheet};
use super::text::{bold, sentence};
use crate::witness::bench::{Did, Saw, Task, Watch};
use crate::witness::desk::{AskedKind, Reply};

/// Up to so many outputs, one digit names each.
const BY_A_DIGIT: u8 = 9;

/// Said where a half stays on that should not: it can't wait for a verdict (common practice, no
/// source).
const BURNS: &str = "If a drive is connected to it, take its power away now: its coil burns.";

impl<K: Keys, W: Write> Session<'_, K, W> {
    pub(super) async fn task(&mut self) -> io::Result<Reply> {
        self.begin().await?;
        let choice = self.choose().await?;
        let did = match choice {
            // It was asked once more, and has its word.
            Choice::Do(Action::Stop) => return Ok(Reply::Did(Did::Stop)),
            Choice::Do(Action::Confirm) => Did::Done,
            Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => Did::Cannot,
        };
        let label = self.sheet.label(&choice).to_owned();
        self.say(&format!("{label}\n"))?;
        Ok(Reply::Did(did))
    }

    pub(super) async fn watch(&mut self, watch: &Watch) -> io::Result<Reply> {
        self.begin().await?;
        loop {
            let choice = self.choose().await?;
            if choice == Choice::Do(Action::Stop) {
                return Ok(Reply::Saw(Saw::Stop));
            }
            let label = self.sheet.label(&choice).to_owned();
            self.say(&format!("{label}\n"))?;
            let acted = |position, stays_on| Saw::Acted { position, stays_on };
            let saw = match choice {
                Choice::Do(Action::Straight) => acted(Position::Straight, false),
                Choice::Do(Action::Diverging) => acted(Position::Diverging, false),
                Choice::Do(Action::StaysOn) => match self.which_half(watch).await? {
                    Some(position) => acted(position, true),
                    None => continue,
                },
                Choice::Do(Action::Another) => match self.which_output(watch).await? {
                    Some(number) => Saw::OtherOutput(number),
                    None => continue,
                },
                Choice::Do(Action::Nothing) => Saw::Nothing,
                Choice::Do(Action::Elsewhere) => Saw::Elsewhere,
                Choice::Do(Action::Repeat) => Saw::Repeat,
                Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => Saw::CannotSee,
            };
            if self.ask.manner.blind && !matches!(saw, Saw::Repeat | Saw::CannotSee) {
                self.say(&format!("It was sent {}.\n", watch.sent))?;
            }
            return Ok(Reply::Saw(saw));
        }
    }

    /// Which half is on still; `None` to go back.
    async fn which_half(&mut self, watch: &Watch) -> io::Result<Option<Position>> {
        let halves = Sheet::of(self.asked, &self.ask.manner.keys).this_one();
        let map = &self.ask.manner.keys;
        let keys = [Position::Straight, Position::Diverging].map(|position| {
            let action = match position {
                Position::Straight => Action::Straight,
                Position::Diverging => Action::Diverging,
            };
            (map.shown(action), position)
        });
        let number = watch.output.unwrap_or_default();
        let rows = keys.map(|(key, position)| self.cell(key, position.as_str()));
        let asked = format!(
            "{BURNS}\nWhich half of output {number} is on?\n{}",
            rows.concat()
        );
        self.say_with_way_back(&asked)?;
        loop {
            let key = self.key().await?;
            let choice = halves.choice(self.context, &self.ask.manner.keys, key);
            let position = match choice {
                Some(Choice::Do(Action::Straight)) => Position::Straight,
                Some(Choice::Do(Action::Diverging)) => Position::Diverging,
                Some(_) | None if key == Key::Esc => return self.goes_back(),
                Some(_) | None => {
                    let keys = keys.map(|(key, _)| key.to_string());
                    self.none_of(key, &keys.join(" "))?;
                    continue;
                }
            };
            self.say(&format!("{position}\n"))?;
            return Ok(Some(position));
        }
    }

    /// Which other output acted; `None` to go back.
    async fn which_output(&mut self, watch: &Watch) -> io::Result<Option<u8>> {
        let others: Vec<_> = others(watch).collect();
        if let [only] = others[..] {
            return Ok(Some(only));
        }
        if watch.outputs > BY_A_DIGIT {
            return self.type_output(watch).await;
        }
        let cells = others.iter().map(|number| {
            let key = char::from_digit(u32::from(*number), 10).map_or(Key::Other, Key::Char);
            self.cell(key, &format!("output {number}"))
        });
        let asked = format!("Which output acted?\n{}", cells.collect::<String>());
        self.say_with_way_back(&asked)?;
        let digits: Vec<_> = others.iter().map(u8::to_string).collect();
        loop {
            let key = self.key().await?;
            if key == Key::Esc {
                return self.goes_back();
            }
            let number = key.to_string().parse().ok();
            if let Some(number) = number.filter(|number| others.contains(number)) {
                self.say(&format!("output {number}\n"))?;
                return Ok(Some(number));
            }
            self.none_of(key, &digits.join(" "))?;
        }
    }

    /// The same by its number and Enter.
    async fn type_output(&mut self, watch: &Watch) -> io::Result<Option<u8>> {
        let last = watch.outputs;
        self.say(&format!(
            "Type the number of the output that acted, 1 to {last}. Esc: back to the question.\n"
        ))?;
        loop {
            let Some(line) = self.line("Which? ").await? else {
                return Ok(None);
            };
            let number = line.parse().ok();
            match number.filter(|number| others(watch).any(|other| other == *number)) {
                Some(number) => return Ok(Some(number)),
                None if number.is_some() && number == watch.output => {
                    self.say(&format!(
                        "{line} is the output that was sent; which other one acted?\n"
                    ))?;
                }
                None => self.say(&format!(
                    "{} has outputs 1 to {last}; type one of them.\n",
                    watch.decoder
                ))?,
            }
        }
    }

    fn cell(&self, key: Key, label: &str) -> String {
        if self.ask.manner.plain {
            format!("{key}: {label}.\n")
        } else {
            format!("   {} {label}", bold(&key.to_string()))
        }
    }

    fn say_with_way_back(&mut self, asked: &str) -> io::Result<()> {
        let back = self.cell(Key::Esc, "back");
        let end = if self.ask.manner.plain { "" } else { "\n" };
        self.say(&format!("{asked}{back}{end}> "))
    }

    fn none_of(&mut self, key: Key, keys: &str) -> io::Result<()> {
        let what = if key == Key::Other {
            "that is none of the keys".to_owned()
        } else {
            format!("`{key}` is none of the keys")
        };
        self.say(&format!("\n{what}; they are {keys} {}\n> ", Key::Esc))
    }

    fn goes_back<T>(&mut self) -> io::Result<Option<T>> {
        self.say("back to the question\n> ")?;
        Ok(None)
    }
}

/// All outputs of its decoder but the one that was commanded.
fn others(watch: &Watch) -> impl Iterator<Item = u8> + '_ {
    (1..=watch.outputs).filter(|number| watch.output != Some(*number))
}

/// Whether an action is an answer to that.
pub(super) fn may(watch: &Watch, action: Action) -> bool {
    match action {
        Action::Straight | Action::Diverging => watch.output.is_some(),
        Action::StaysOn => watch.output.is_some() && watch.goes_off,
        Action::Another => others(watch).next().is_some(),
        Action::Nothing
        | Action::Between
        | Action::Repeat
        | Action::ThreeTimes
        | Action::KeepThrowing
        | Action::Undo
        | Action::Note
        | Action::Photo
        | Action::Skip
        | Action::SkipPlace
        | Action::Stop
        | Action::Confirm
        | Action::OneByOne
        | Action::Good
        | Action::Bad
        | Action::Elsewhere
        | Action::CannotSee
        | Action::Moved
        | Action::NotSure => true,
    }
}

/// What an answer is called where it is not called as in other questions.
pub(super) fn label(watch: &Watch, action: Action) -> Option<&'static str> {
    let (straight, diverging) = if watch.goes_off {
        ("straight, then off", "diverging, then off")
    } else {
        ("straight came on", "diverging came on")
    };
    let another = match (watch.output, watch.outputs) {
        (Some(_), _) => "another output",
        (None, 1) => "its output acted",
        (None, _) => "one of them acted",
    };
    let labels = [
        (Action::Straight, straight),
        (Action::Diverging, diverging),
        (Action::Another, another),
        (Action::Repeat, "send again"),
    ];
    let own = labels.into_iter().find(|(known, _)| *known == action);
    own.map(|(_, label)| label)
}

/// What whoever wants to stop has to know, to stand behind the question whether they do.
pub(super) fn before_a_stop(kind: &AskedKind) -> String {
    match kind {
        AskedKind::Task { task, .. } => {
            let known = task.if_stopped.iter().map(|one| ended(one));
            let known: Vec<_> = std::iter::once(String::new()).chain(known).collect();
            known.join("\n  ")
        }
        AskedKind::Watch { .. } => " What to do then is told.".to_owned(),
        AskedKind::Hunt { .. } | AskedKind::LayBack { .. } => {
            " A hunt can't be carried on; what was answered is kept.".to_owned()
        }
        AskedKind::Diagnosis { query } => diagnosis::before_a_stop(query),
        AskedKind::Throw { .. }
        | AskedKind::Hand { .. }
        | AskedKind::Survey { .. }
        | AskedKind::Look { .. }
        | AskedKind::Repeating { .. } => " Nothing is lost; --resume carries on.".to_owned(),
    }
}

/// With a full stop, but for a command to be typed as it stands.
fn ended(text: &str) -> String {
    if text.contains(": throwproof ") {
        text.to_owned()
    } else {
        sentence(text)
    }
}

/// Where to look for what is sent in a moment, as sentences, and in short to be spoken.
pub(super) fn where_to_look(watch: &Watch) -> ([String; 2], String) {
    let decoder = &watch.decoder;
    let place = match watch.place.as_str() {
        "" => String::new(),
        place => format!(", {place}"),
    };
    match watch.output {
        Some(number) => (
            [
                format!("Look at output {number} of {decoder}{place}."),
                "It is sent now.".to_owned(),
            ],
            format!("Output {number}."),
        ),
        None => (
            [
                format!("Look at all of {decoder}{place}."),
                "Nothing of it should act now.".to_owned(),
            ],
            format!("All of {decoder}."),
        ),
    }
}

/// What is spoken when a task opens.
pub(super) fn spoken_task(task: &Task) -> String {
    format!("Step {}. {}", task.step, sentence(&task.text))
}

/// What is spoken when an output was commanded.
pub(super) fn spoken_watch(watch: &Watch, blind: bool) -> String {
    let sent = if blind {
        String::new()
    } else {
        format!("{} to", watch.sent)
    };
    let sent = format!("{sent} {}", watch.address);
    format!("{}. {}", sent.trim(), asked(watch))
}

/// The question about what was sent.
pub(super) fn asked(watch: &Watch) -> String {
    match watch.output {
        Some(number) => format!("What did output {number} do?"),
        None => "What acted?".to_owned(),
    }
}
