//! The keys of one question, and what each means there.

use super::bench;
use super::diagnosis;
use super::hunt;
use super::key::Key;
use super::keymap::{Action, Context, KeyMap};
use super::manner::Manner;
use super::text::{bold, fit};
use crate::event::Subject;
use crate::plan::Id;
use crate::witness::Observed;
use crate::witness::desk::{Asked, AskedKind};
use crate::witness::diagnosis::{Part, Query};
use crate::witness::hunt::Why;

/// What a key of a question means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Choice {
    /// A signal shows this, or a turnout with several drives lies so.
    Aspect(Id),
    /// The turnout of that place in a survey lies otherwise, or the answer of that place in a
    /// diagnosis.
    Other(usize),
    /// What keys are for.
    Do(Action),
}

impl Choice {
    /// What was seen, if it says that.
    pub(super) fn observed(&self) -> Option<Observed> {
        match self {
            Self::Aspect(name) => Some(Observed::Aspect(name.clone())),
            Self::Do(Action::Straight) => Some(Observed::Straight),
            Self::Do(Action::Diverging) => Some(Observed::Diverging),
            Self::Do(Action::Nothing) => Some(Observed::NoMovement),
            Self::Do(Action::Between) => Some(Observed::Between),
            Self::Do(_) | Self::Other(_) => None,
        }
    }
}

/// One key.
#[derive(Debug)]
struct Cell {
    key: Key,
    choice: Choice,
    label: String,
}

/// The keys of one question.
#[derive(Debug)]
pub(super) struct Sheet(Vec<Cell>);

impl Sheet {
    /// All answers to that question. The members of a survey have theirs beside them.
    pub(super) fn of(asked: &Asked, map: &KeyMap) -> Self {
        let context = Context::of(&asked.kind);
        if let AskedKind::Diagnosis { query } = &asked.kind {
            return match query.parts.first() {
                Some(part) => Self::of_part(query, part, context, map),
                None => Self(Vec::new()),
            };
        }
        // What can be seen of a turnout and not of a signal.
        let mut not_here: &[Action] = &[];
        if let AskedKind::Throw { sight, .. } = &asked.kind
            && matches!(sight.subject, Subject::Signal(_))
        {
            not_here = if sight.sort.can_be_between() {
                &[Action::Straight, Action::Diverging]
            } else {
                &[Action::Straight, Action::Diverging, Action::Between]
            };
        }
        let mut cells = Vec::new();
        let mut missing = Vec::new();
        if let AskedKind::Throw { sight, .. } = &asked.kind {
            let positions = sight.positions.iter().map(|one| &one.name);
            // Those that have keys of their own keep them.
            let own = [
                ("straight", Action::Straight),
                ("diverging", Action::Diverging),
            ];
            let is_own = |name: &&Id| own.iter().any(|(word, _)| name.as_str() == *word);
            if !sight.positions.is_empty() {
                let lacks = |word: &str| !positions.clone().any(|name| name.as_str() == word);
                let lacking = own.iter().filter(|(word, _)| lacks(word));
                missing.extend(lacking.map(|(_, action)| *action));
            }
            let positions = positions.filter(|name| !is_own(name));
            let names = sight.aspects.iter().chain(positions);
            let free = free_keys(context, map);
            cells.extend(names.zip(free).map(|(name, key)| Cell {
                key,
                choice: Choice::Aspect(name.clone()),
                label: sight.sort.seen(name).to_owned(),
            }));
        }
        let fit = context.actions().iter();
        let fit = fit.filter(|action| !missing.contains(action) && !not_here.contains(action));
        let fit = fit.filter(|action| match &asked.kind {
            AskedKind::Watch { watch } => bench::may(watch, **action),
            AskedKind::Hunt { inquiry, .. } => hunt::may(inquiry, **action),
            AskedKind::Throw { .. }
            | AskedKind::Hand { .. }
            | AskedKind::Survey { .. }
            | AskedKind::Look { .. }
            | AskedKind::Repeating { .. }
            | AskedKind::Task { .. }
            | AskedKind::LayBack { .. }
            | AskedKind::Diagnosis { .. } => true,
        });
        cells.extend(fit.map(|action| Cell {
            key: map.shown(*action),
            choice: Choice::Do(*action),
            label: label(&asked.kind, *action).to_owned(),
        }));
        Self(cells)
    }

    /// All answers to one part of a question of a diagnosis.
    pub(super) fn of_part(query: &Query, part: &Part, context: Context, map: &KeyMap) -> Self {
        let mut cells = Vec::new();
        if part.choices.len() > 1 {
            let free = free_keys(context, map);
            let choices = part.choices.iter().enumerate().zip(free);
            cells.extend(choices.map(|((at, label), key)| Cell {
                key,
                choice: Choice::Other(at),
                label: label.clone(),
            }));
        }
        let actions = context.actions().iter();
        let actions = actions.filter(|action| diagnosis::may(query, part, **action));
        cells.extend(actions.map(|action| {
            Cell {
                key: map.shown(*action),
                choice: Choice::Do(*action),
                label: diagnosis::label(query, part, *action)
                    .unwrap_or_else(|| usual_label(*action).to_owned()),
            }
        }));
        Self(cells)
    }

    /// Only what can be seen of the turnout or signal itself.
    pub(super) fn this_one(mut self) -> Self {
        self.0.retain(|cell| cell.choice.observed().is_some());
        self
    }

    /// The keys alone: `s d n b`.
    pub(super) fn keys(&self) -> String {
        let keys: Vec<_> = self.0.iter().map(|cell| cell.key.to_string()).collect();
        keys.join(" ")
    }

    /// What a key means on it.
    pub(super) fn choice(&self, context: Context, map: &KeyMap, key: Key) -> Option<Choice> {
        let has = |choice: &Choice| self.0.iter().any(|cell| cell.choice == *choice);
        let small = key.small();
        let aspect = self
            .0
            .iter()
            .find(|cell| cell.key == small && !matches!(cell.choice, Choice::Do(_)));
        aspect.map(|cell| cell.choice.clone()).or_else(|| {
            map.action(context, key)
                .map(Choice::Do)
                .filter(|choice| has(choice))
        })
    }

    /// What a choice is called on it.
    pub(super) fn label(&self, choice: &Choice) -> &str {
        let cell = self.0.iter().find(|cell| cell.choice == *choice);
        cell.map_or("", |cell| &cell.label)
    }

    /// In columns, or a sentence each.
    pub(super) fn rows(&self, manner: &Manner) -> Vec<String> {
        if manner.plain {
            let told = self.0.iter();
            return told
                .map(|Cell { key, label, .. }| format!("{key}: {label}."))
                .collect();
        }
        // What a signal may show stands by itself.
        let is_aspect = |cell: &&Cell| !matches!(cell.choice, Choice::Do(_));
        let (aspects, others): (Vec<_>, Vec<_>) = self.0.iter().partition(is_aspect);
        let rows = [aspects, others].into_iter().flat_map(|cells| {
            let cells = cells.into_iter().map(|Cell { key, label, .. }| {
                let name = key.to_string();
                (
                    format!("{} {label}", bold(&name)),
                    format!("{name} {label}"),
                )
            });
            columns(&cells.collect::<Vec<_>>(), manner.width())
        });
        rows.collect()
    }
}

/// Keys for what has no key of its own: digits, then letters; none that is an answer's.
pub(super) fn free_keys(context: Context, map: &KeyMap) -> impl Iterator<Item = Key> + '_ {
    let digits = ('1'..='9').map(Key::Char);
    let letters = ('a'..='z').map(Key::Char);
    digits
        .chain(letters)
        .filter(move |key| map.action(context, *key).is_none())
}

/// Fits cells into columns; each is given as it is shown and as it is measured.
pub(super) fn columns(cells: &[(String, String)], width: usize) -> Vec<String> {
    use unicode_width::UnicodeWidthStr as _;

    const INDENT: usize = 3;
    let widest = cells.iter().map(|(_, plain)| plain.width()).max();
    let widest = widest.unwrap_or_default() + INDENT;
    let a_row = (width.saturating_sub(INDENT - 2) / widest.max(1)).max(1);
    let mut rows = Vec::new();
    for row in cells.chunks(a_row) {
        let mut line = String::new();
        for (shown, plain) in row {
            line.push_str(&" ".repeat(INDENT));
            line.push_str(shown);
            line.push_str(&" ".repeat(widest - INDENT - plain.width()));
        }
        rows.push(fit(line.trim_end(), width));
    }
    rows
}

/// What an action is called where it is asked for.
fn label(kind: &AskedKind, action: Action) -> &'static str {
    if let AskedKind::Watch { watch } = kind
        && let Some(label) = bench::label(watch, action)
    {
        return label;
    }
    if let AskedKind::Hunt { inquiry, .. } = kind
        && let Some(label) = hunt::label(inquiry, action)
    {
        return label;
    }
    match (kind, action) {
        (AskedKind::Throw { sight, .. }, Action::Nothing) => match sight.subject {
            Subject::Turnout(_) => "nothing moved",
            Subject::Signal(_) if sight.sort.can_be_between() => "nothing moved",
            Subject::Signal(_) => "nothing changed",
        },
        (AskedKind::Throw { sight, .. }, Action::Between)
            if matches!(sight.subject, Subject::Signal(_)) =>
        {
            sight.sort.between()
        }
        (AskedKind::LayBack { .. }, Action::Confirm) => "laid back",
        (AskedKind::LayBack { back }, Action::Skip) if back.why == Why::Doubted => {
            "it lies as before"
        }
        (AskedKind::Hand { .. }, Action::Confirm) => "it lies so",
        (
            AskedKind::Hand { .. } | AskedKind::Task { .. } | AskedKind::LayBack { .. },
            Action::Skip,
        ) => "can't be done",
        (AskedKind::Task { .. }, Action::Confirm) => "done",
        (AskedKind::Survey { .. }, Action::Confirm) => "the rest lie as sent",
        (AskedKind::Survey { .. }, Action::Repeat) => "throw all again",
        (AskedKind::Look { .. }, Action::Skip) => "later",
        (_, action) => usual_label(action),
    }
}

/// What an action is called in most questions.
const fn usual_label(action: Action) -> &'static str {
    match action {
        Action::Straight => "straight",
        Action::Diverging => "diverging",
        Action::Nothing => "nothing",
        Action::Between => "between",
        Action::Another => "another moved",
        Action::Repeat => "repeat",
        Action::ThreeTimes => "three times",
        Action::KeepThrowing => "keep throwing",
        Action::Undo => "undo",
        Action::Note => "note",
        Action::Photo => "photo",
        Action::Skip => "skip",
        Action::SkipPlace => "skip place",
        Action::Stop => "stop",
        Action::Confirm => "confirm",
        Action::OneByOne => "each by itself",
        Action::Good => "good",
        Action::Bad => "not good",
        Action::StaysOn => "is still on",
        Action::Elsewhere => "something else moved",
        Action::CannotSee => "can't be seen",
        Action::Moved => "it moved",
        Action::NotSure => "not sure",
    }
}
