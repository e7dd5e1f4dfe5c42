//! All turnouts of a place at once: which of them lie otherwise.

use throwproof_protocol::address::Position;

use super::key::Key;
use super::keymap::{Context, KeyMap};
use super::sheet::free_keys;
use super::text::bold;
use crate::plan::Id;
use crate::witness::Observed;
use crate::witness::desk::{Asked, AskedKind};

/// One turnout of a survey.
#[derive(Debug)]
struct Member {
    /// None where there are more turnouts than keys.
    key: Option<Key>,
    id: Id,
    sent: Position,
    lies: Option<Observed>,
}

/// The turnouts of a survey, each with its key and how the operator says it lies.
#[derive(Debug, Default)]
pub(super) struct Members(Vec<Member>);

impl Members {
    /// Those of a question; none of one that is no survey.
    pub(super) fn of(asked: &Asked, map: &KeyMap) -> Self {
        let AskedKind::Survey { shown, .. } = &asked.kind else {
            return Self::default();
        };
        let capitals = ('A'..='Z').map(Key::Char);
        let capitals = capitals.filter(|key| map.action(Context::Survey, *key).is_none());
        let mut keys = free_keys(Context::Survey, map).chain(capitals);
        let members = shown.iter().map(|one| Member {
            key: keys.next(),
            id: one.sight.subject.id().clone(),
            sent: one.sent,
            lies: None,
        });
        Self(members.collect())
    }

    /// The turnout that a key is for. A capital that is no key of its own means the small letter.
    pub(super) fn at(&self, key: Key) -> Option<usize> {
        let find = |key| self.0.iter().position(|one| one.key == Some(key));
        find(key).or_else(|| find(key.small()))
    }

    /// Says that it lies otherwise: first the other way, then between, then as sent after all.
    /// Gives what to show.
    pub(super) fn turn(&mut self, at: usize) -> String {
        let Some(member) = self.0.get_mut(at) else {
            return String::new();
        };
        let other = match member.sent {
            Position::Straight => Observed::Diverging,
            Position::Diverging => Observed::Straight,
        };
        member.lies = match member.lies.take() {
            None => Some(other),
            Some(Observed::Between) => None,
            Some(_) => Some(Observed::Between),
        };
        let Member { id, sent, lies, .. } = member;
        match lies {
            Some(observed) => format!("{id} lies {}, not {sent}.", word(observed)),
            None => format!("{id} lies {sent}, as sent."),
        }
    }

    /// Those that lie otherwise.
    pub(super) fn differ(&self) -> Vec<(Id, Observed)> {
        let differ = self.0.iter();
        differ
            .filter_map(|one| Some((one.id.clone(), one.lies.clone()?)))
            .collect()
    }

    /// What is confirmed, in words.
    pub(super) fn told(&self) -> String {
        let differ = self.differ();
        let all = self.0.len();
        let words: Vec<_> = differ
            .iter()
            .map(|(id, observed)| format!("{id} {}", word(observed)))
            .collect();
        match (words.len(), all) {
            (0, _) => format!("all {all} as sent"),
            (number, all) if number == all => words.join(", "),
            _ => format!("{}; the rest as sent", words.join(", ")),
        }
    }

    /// For columns: as it is shown, and as it is measured.
    pub(super) fn cells(&self) -> Vec<(String, String)> {
        let cells = self.0.iter().map(|member| {
            let key = member.key.map(|key| key.to_string()).unwrap_or_default();
            let rest = member.rest();
            (format!("{} {rest}", bold(&key)), format!("{key} {rest}"))
        });
        cells.collect()
    }

    /// For a screen reader.
    pub(super) fn sentences(&self) -> Vec<String> {
        let told = self.0.iter().map(|member| match member.key {
            Some(key) => format!("{key}: {}.", member.rest()),
            None => format!("{}.", member.rest()),
        });
        told.collect()
    }

    /// The keys of its turnouts: `1 to 9, a`.
    pub(super) fn keys(&self) -> Vec<String> {
        let keys = self.0.iter().filter_map(|one| one.key);
        keys.map(|key| key.to_string()).collect()
    }
}

impl Member {
    fn rest(&self) -> String {
        match &self.lies {
            Some(observed) => format!("{} {}!", self.id, word(observed)),
            None => format!("{} {}", self.id, self.sent),
        }
    }
}

fn word(observed: &Observed) -> &'static str {
    match observed {
        Observed::Straight => "straight",
        Observed::Diverging => "diverging",
        Observed::Between => "between",
        Observed::NoMovement | Observed::Another | Observed::Aspect(_) => "otherwise",
    }
}
