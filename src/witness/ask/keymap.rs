//! Which key means what; the user's settings may change it.

use std::collections::BTreeMap;

use super::key::{Key, NoSuchKey};
use crate::witness::desk::AskedKind;

/// What a key can be for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Action {
    /// It lies straight.
    Straight,
    /// It lies diverging.
    Diverging,
    /// Nothing moved.
    Nothing,
    /// It lies between.
    Between,
    /// Another one moved.
    Another,
    /// Throw it again.
    Repeat,
    /// Throw it there and back three times.
    ThreeTimes,
    /// Throw it there and back until a key ends it.
    KeepThrowing,
    /// Take the last answer back.
    Undo,
    /// Write a note.
    Note,
    /// Name a photo.
    Photo,
    /// Leave it out, or for later.
    Skip,
    /// Leave out this place.
    SkipPlace,
    /// End the run.
    Stop,
    /// It is done, or lies as shown.
    Confirm,
    /// Ask for each of this place by itself.
    OneByOne,
    /// It is as it should be.
    Good,
    /// It is not.
    Bad,
    /// An output came on and is on still.
    StaysOn,
    /// Something that is not of this decoder acted.
    Elsewhere,
    /// What an output does can't be seen.
    CannotSee,
    /// The thing that is watched moved.
    Moved,
    /// Whoever watches can't say.
    NotSure,
}

/// A kind of question, as far as keys go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Context {
    Throw,
    Hand,
    Survey,
    Look,
    Task,
    Watch,
    Hunt,
    Diagnosis,
}

impl Context {
    /// That of a question.
    pub(super) const fn of(kind: &AskedKind) -> Self {
        match kind {
            AskedKind::Throw { .. } => Self::Throw,
            AskedKind::Hand { .. } => Self::Hand,
            AskedKind::Survey { .. } => Self::Survey,
            AskedKind::Look { .. } | AskedKind::Repeating { .. } => Self::Look,
            AskedKind::Task { .. } | AskedKind::LayBack { .. } => Self::Task,
            AskedKind::Watch { .. } => Self::Watch,
            AskedKind::Hunt { .. } => Self::Hunt,
            AskedKind::Diagnosis { .. } => Self::Diagnosis,
        }
    }

    const ALL: [Self; 8] = [
        Self::Throw,
        Self::Hand,
        Self::Survey,
        Self::Look,
        Self::Task,
        Self::Watch,
        Self::Hunt,
        Self::Diagnosis,
    ];

    /// What keys are for in it, in the order in which they are shown.
    pub(super) const fn actions(self) -> &'static [Action] {
        match self {
            Self::Throw => &[
                Action::Straight,
                Action::Diverging,
                Action::Nothing,
                Action::Between,
                Action::Another,
                Action::Repeat,
                Action::ThreeTimes,
                Action::KeepThrowing,
                Action::Undo,
                Action::Note,
                Action::Photo,
                Action::Skip,
                Action::SkipPlace,
                Action::Stop,
            ],
            Self::Hand | Self::Task => &[Action::Confirm, Action::Skip, Action::Stop],
            Self::Watch => &[
                Action::Straight,
                Action::Diverging,
                Action::StaysOn,
                Action::Nothing,
                Action::Another,
                Action::Elsewhere,
                Action::Repeat,
                Action::CannotSee,
                Action::Stop,
            ],
            Self::Hunt => &[
                Action::Moved,
                Action::Straight,
                Action::Diverging,
                Action::Nothing,
                Action::NotSure,
                Action::Repeat,
                Action::Stop,
            ],
            Self::Diagnosis => &[
                Action::Confirm,
                Action::NotSure,
                Action::Repeat,
                Action::Skip,
                Action::Stop,
            ],
            Self::Survey => &[
                Action::Confirm,
                Action::Repeat,
                Action::Undo,
                Action::OneByOne,
                Action::SkipPlace,
                Action::Stop,
            ],
            Self::Look => &[
                Action::Good,
                Action::Bad,
                Action::KeepThrowing,
                Action::Note,
                Action::Photo,
                Action::Skip,
                Action::Stop,
            ],
        }
    }
}

/// Each action with its name in the settings and the key it has unless they say otherwise.
const DEFAULTS: [(Action, &str, Key); 23] = [
    (Action::Straight, "straight", Key::Char('s')),
    (Action::Diverging, "diverging", Key::Char('d')),
    (Action::Nothing, "nothing", Key::Char('n')),
    (Action::Between, "between", Key::Char('b')),
    (Action::Another, "another", Key::Char('o')),
    (Action::Repeat, "repeat", Key::Char('r')),
    (Action::ThreeTimes, "three-times", Key::Char('t')),
    (Action::KeepThrowing, "keep-throwing", Key::Char('a')),
    (Action::Undo, "undo", Key::Char('u')),
    (Action::Note, "note", Key::Char('w')),
    (Action::Photo, "photo", Key::Char('p')),
    (Action::Skip, "skip", Key::Char('k')),
    (Action::SkipPlace, "skip-place", Key::Char('l')),
    (Action::Stop, "stop", Key::Char('q')),
    (Action::Confirm, "confirm", Key::Enter),
    (Action::OneByOne, "one-by-one", Key::Char('e')),
    (Action::Good, "good", Key::Char('g')),
    (Action::Bad, "bad", Key::Char('b')),
    (Action::StaysOn, "stays-on", Key::Char('i')),
    (Action::Elsewhere, "elsewhere", Key::Char('e')),
    (Action::CannotSee, "cannot-see", Key::Char('c')),
    (Action::Moved, "moved", Key::Char('m')),
    (Action::NotSure, "not-sure", Key::Char('u')),
];

/// What is wrong with the keys that the settings give.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum KeyMapError {
    /// There is no such answer.
    #[error("there is no answer of that name; there are {}", names())]
    NoSuchAction,
    /// There is no such key.
    #[error("`{0}` is no key: {NoSuchKey}")]
    NoSuchKey(String),
    /// No key at all was given.
    #[error("it has no key left: name one, or remove the line")]
    NoKey,
    /// Two answers to one question have the same key.
    #[error("`{key}` is the key of `{other}` too: give one of them another key")]
    Conflict {
        /// The key.
        key: Key,
        /// The other answer.
        other: &'static str,
    },
}

fn names() -> String {
    DEFAULTS.map(|(_, name, _)| name).join(", ")
}

fn name_of(action: Action) -> &'static str {
    let known = DEFAULTS.iter().find(|(known, ..)| *known == action);
    known.map_or("", |(_, name, _)| name)
}

/// Which keys mean what. An answer may have several keys; the first is the one that is shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyMap(BTreeMap<Action, Vec<Key>>);

impl Default for KeyMap {
    fn default() -> Self {
        let keys = DEFAULTS.map(|(action, _, key)| (action, vec![key]));
        Self(keys.into())
    }
}

impl KeyMap {
    /// The usual keys, but for those answers that are named with others.
    ///
    /// # Errors
    /// The name of the answer that is wrong, and what is wrong with it.
    pub fn with<'a>(
        changes: impl IntoIterator<Item = (&'a str, Vec<&'a str>)>,
    ) -> Result<Self, (String, KeyMapError)> {
        let mut map = Self::default();
        let mut named = Vec::new();
        for (name, words) in changes {
            let wrong = |error| (name.to_owned(), error);
            let known = DEFAULTS.iter().find(|(_, known, _)| *known == name);
            let (action, ..) = known.ok_or_else(|| wrong(KeyMapError::NoSuchAction))?;
            let mut keys = Vec::new();
            for word in words {
                let key = word.parse();
                keys.push(key.map_err(|NoSuchKey| wrong(KeyMapError::NoSuchKey(word.to_owned())))?);
            }
            if keys.is_empty() {
                return Err(wrong(KeyMapError::NoKey));
            }
            named.push(*action);
            map.0.insert(*action, keys);
        }
        // The lines that a person wrote are what has to be mended.
        for action in named {
            map.check(action)
                .map_err(|error| (name_of(action).to_owned(), error))?;
        }
        Ok(map)
    }

    fn check(&self, action: Action) -> Result<(), KeyMapError> {
        let contexts = Context::ALL.iter().map(|context| context.actions());
        let shared = contexts.filter(|actions| actions.contains(&action));
        for other in shared.flatten().filter(|other| **other != action) {
            let taken = self.keys(*other);
            if let Some(key) = self.keys(action).iter().find(|key| taken.contains(key)) {
                return Err(KeyMapError::Conflict {
                    key: *key,
                    other: name_of(*other),
                });
            }
        }
        Ok(())
    }

    fn keys(&self, action: Action) -> &[Key] {
        self.0.get(&action).map_or(&[], Vec::as_slice)
    }

    /// The key that is shown for it.
    pub(super) fn shown(&self, action: Action) -> Key {
        self.keys(action).first().copied().unwrap_or(Key::Other)
    }

    /// What a key means in such a question.
    pub(super) fn action(&self, context: Context, key: Key) -> Option<Action> {
        let key = key.small();
        let mut actions = context.actions().iter();
        actions
            .find(|action| self.keys(**action).contains(&key))
            .copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_keys_do_not_collide() {
        let map = KeyMap::default();
        for (action, ..) in DEFAULTS {
            map.check(action).unwrap();
        }
        assert_eq!(
            map.action(Context::Throw, Key::Char('S')),
            Some(Action::Straight)
        );
        assert_eq!(
            map.action(Context::Throw, Key::Char('b')),
            Some(Action::Between)
        );
        assert_eq!(map.action(Context::Look, Key::Char('b')), Some(Action::Bad));
        assert_eq!(map.action(Context::Throw, Key::Enter), None);
        assert_eq!(map.action(Context::Hand, Key::Enter), Some(Action::Confirm));
    }

    #[test]
    fn every_action_has_one_name_and_every_context_only_such_actions() {
        for context in Context::ALL {
            for action in context.actions() {
                let named = DEFAULTS.iter().filter(|(known, ..)| known == action);
                assert_eq!(named.count(), 1, "{action:?}");
            }
        }
    }

    #[test]
    fn keys_are_changed_by_name_and_exchanged() {
        let map = KeyMap::with([
            ("straight", vec!["pageup", "1"]),
            ("diverging", vec!["s"]),
            ("nothing", vec!["F5"]),
        ])
        .unwrap();
        let action = |key| map.action(Context::Throw, key);
        assert_eq!(action(Key::PageUp), Some(Action::Straight));
        assert_eq!(action(Key::Char('1')), Some(Action::Straight));
        assert_eq!(action(Key::Char('s')), Some(Action::Diverging));
        assert_eq!(action(Key::F(5)), Some(Action::Nothing));
        assert_eq!(action(Key::Char('d')), None);
        assert_eq!(map.shown(Action::Straight), Key::PageUp);
    }

    #[test]
    fn slips_are_told_with_the_name_that_has_to_be_mended() {
        let cases = [
            (
                ("strait", "1"),
                "there is no answer of that name; there are straight, diverging",
            ),
            (("straight", "ctrl"), "`ctrl` is no key: write one letter"),
            (("straight", "d"), "`d` is the key of `diverging` too"),
            (("repeat", "enter"), "`enter` is the key of `confirm` too"),
        ];
        for ((name, key), says) in cases {
            let (at, error) = KeyMap::with([(name, vec![key])]).unwrap_err();
            assert_eq!(at, name);
            assert!(error.to_string().contains(says), "{error}");
        }
        assert_eq!(
            KeyMap::with([("straight", vec![])]),
            Err(("straight".to_owned(), KeyMapError::NoKey))
        );
        // Two answers that never belong to one question may share a key.
        KeyMap::with([("straight", vec!["g"])]).unwrap();
    }
}
