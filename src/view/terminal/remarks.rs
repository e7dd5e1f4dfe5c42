//! What was looked at closer and written down, for the end of a run.

use std::collections::BTreeMap;
use std::io::{self, Write};

use super::{BAD, GOOD, HEADING};
use crate::event::{EventKind, Subject};
use crate::plan::{Id, Look};
use crate::view::words;
use crate::witness::{Found, Note};

/// Closer looks and notes, in the order in which they were made.
#[derive(Debug, Default)]
pub(super) struct Remarks {
    looks: BTreeMap<Id, Looks>,
    notes: Vec<(Id, Note)>,
}

#[derive(Debug, Default)]
struct Looks {
    found: Vec<(Look, Found)>,
    is_accepted: bool,
}

impl Remarks {
    /// Takes in what was looked at, accepted or written down; a look that was made once more
    /// counts as last found.
    pub(super) fn take(&mut self, kind: &EventKind) {
        if let EventKind::Looked {
            subject,
            look,
            found,
            ..
        } = kind
        {
            let looks = self.looks_of(subject);
            looks.found.retain(|(known, _)| known != look);
            looks.found.push((look.clone(), *found));
        } else if let EventKind::Accepted { subject } = kind {
            self.looks_of(subject).is_accepted = true;
        } else if let EventKind::Noted { subject, note, .. } = kind {
            self.notes.push((subject.id().clone(), note.clone()));
        }
    }

    fn looks_of(&mut self, subject: &Subject) -> &mut Looks {
        self.looks.entry(subject.id().clone()).or_default()
    }

    /// Prints them, those of one turnout together, where there are any.
    pub(super) fn print(
        &self,
        out: &mut impl Write,
        order: &BTreeMap<Id, usize>,
    ) -> io::Result<()> {
        let mut looks: Vec<_> = self.looks.iter().collect();
        looks.sort_by_key(|(id, _)| order.get(*id).copied());
        if !looks.is_empty() {
            writeln!(out, "\n{HEADING}Looked at closer{HEADING:#}")?;
        }
        for (id, looks) in looks {
            writeln!(out, "  {id}: {}", looks.told())?;
        }
        let mut notes: Vec<_> = self.notes.iter().collect();
        notes.sort_by_key(|(id, _)| order.get(id).copied());
        if !notes.is_empty() {
            writeln!(out, "\n{HEADING}Notes{HEADING:#}")?;
        }
        for (id, note) in notes {
            writeln!(out, "  {id}: {}", words::note(&note.text, &note.photo))?;
        }
        Ok(())
    }
}

impl Looks {
    /// `accepted`, or `blades-tight not good; worst-vehicle good`.
    fn told(&self) -> String {
        let told = self.found.iter().map(|(look, found)| match found {
            Found::Good => format!("{} good", words::one_line(look.as_str())),
            Found::Bad => format!("{} {BAD}not good{BAD:#}", words::one_line(look.as_str())),
        });
        let told = told.collect::<Vec<_>>().join("; ");
        match (self.is_accepted, told.is_empty()) {
            (false, _) => told,
            (true, true) => format!("{GOOD}accepted{GOOD:#}"),
            (true, false) => format!("{GOOD}accepted{GOOD:#}; {told}"),
        }
    }
}
