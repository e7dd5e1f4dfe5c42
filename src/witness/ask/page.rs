//! What a question shows: how far the run is, where to look, what was sent, the keys.

use super::manner::{INVITE, Manner};
use super::sheet::{Sheet, columns};
use super::survey::Members;
use super::text::{FAINT, bold, fit, styled, wrap};
use crate::event::Step;
use crate::plan::{Id, Sort};
use crate::witness::desk::{Asked, AskedKind, Progress};

mod progress;
mod sight;

use progress::place_name;

/// A question, line by line.
pub(super) struct Page<'a> {
    pub(super) manner: &'a Manner,
    lines: Vec<String>,
}

impl<'a> Page<'a> {
    /// What is shown of a question, or of that part of it; the keys where `sheet` is given.
    pub(super) fn of(
        asked: &Asked,
        progress: &Progress,
        sheet: Option<&Sheet>,
        at: (&Members, usize),
        manner: &'a Manner,
    ) -> Self {
        let mut page = Self {
            manner,
            lines: Vec::new(),
        };
        // At a decoder the step says how far it is.
        let is_step = matches!(
            asked.kind,
            AskedKind::Task { .. }
                | AskedKind::Watch { .. }
                | AskedKind::Hunt { .. }
                | AskedKind::LayBack { .. }
                | AskedKind::Diagnosis { .. }
        );
        if manner.plain {
            page.question(&asked.kind, at);
            if !is_step {
                page.plain_progress(progress, place_of(&asked.kind));
            }
            page.say(match sheet {
                Some(_) => "Question mark: all of this again.",
                None => "Question mark: this again, and the keys.",
            });
        } else {
            page.rule();
            if !is_step {
                page.progress(progress, place_of(&asked.kind));
            }
            page.question(&asked.kind, at);
        }
        if let Some(sheet) = sheet {
            page.lines.extend(sheet.rows(manner));
            page.invites();
        }
        page
    }

    /// How to see again what the first question has scrolled away.
    fn invites(&mut self) {
        if self.manner.invitation.get().is_none() {
            return;
        }
        self.say(if self.manner.plain {
            format!("{INVITE}: the address of the phone page again.")
        } else {
            format!(
                "   {} code and address for phones",
                bold(&INVITE.to_string())
            )
        });
    }

    /// As text, with a prompt at its end.
    pub(super) fn text(self) -> String {
        let width = self.manner.width();
        let mut text = String::from("\n");
        for line in self.lines {
            text.push_str(&if self.manner.plain {
                anstream::adapter::strip_str(&line).to_string()
            } else {
                fit(&line, width)
            });
            text.push('\n');
        }
        text.push_str("> ");
        text
    }

    pub(super) fn say(&mut self, line: impl Into<String>) {
        self.lines.push(line.into());
    }

    /// An empty line, where the eye wants one.
    pub(super) fn space(&mut self) {
        if !self.manner.plain {
            self.say("");
        }
    }

    /// Sentences: one a line for a screen reader, else as many as fit.
    pub(super) fn told(&mut self, sentences: &str) {
        if self.manner.plain {
            let mut rest = sentences;
            while let Some((one, more)) = split_sentence(rest) {
                self.say(one);
                rest = more;
            }
            self.say(rest);
        } else {
            let width = self.manner.width();
            self.lines.extend(wrap(sentences, width));
        }
    }

    fn rule(&mut self) {
        let rule = if self.manner.unicode { "─" } else { "-" };
        self.say(styled(FAINT, &rule.repeat(self.manner.width())));
    }

    fn question(&mut self, kind: &AskedKind, (members, part): (&Members, usize)) {
        match kind {
            AskedKind::Throw {
                sight,
                throw,
                step,
                commanded,
                near: _,
            } => {
                self.sight(sight);
                self.shape(sight);
                self.space();
                let sent = if self.manner.blind {
                    format!(
                        "Throw {throw} is out. Where it was sent is told when you have answered."
                    )
                } else {
                    sent(*throw, *step, commanded)
                };
                self.told(&sent);
                self.say(bold(match sight.sort {
                    Sort::Signal => "What do you see?",
                    sort @ (Sort::Uncoupler | Sort::Gates | Sort::Lights) => sort.question(),
                }));
            }
            AskedKind::Hand { sight, position } => {
                let (id, to) = (sight.subject.id(), position.as_str());
                self.sight(sight);
                self.shape(sight);
                self.space();
                self.told("Nothing was seen to move.");
                self.say(bold(&format!("Lay {id} {to} by hand.")));
            }
            AskedKind::Survey {
                place,
                round,
                rounds,
                shown: _,
            } => {
                self.space();
                let round = format!("All were thrown, look {round} of {rounds}.");
                if self.manner.plain {
                    self.say(format!("{}. {round}", place_name(place)));
                } else {
                    self.say(format!("{}   {round}", bold(place_name(place))));
                }
                self.say(bold("Which of these lie otherwise?"));
                self.told(
                    "Press the key of each that does: once for the other way, twice for between.",
                );
                self.members(members);
                self.space();
            }
            AskedKind::Look {
                sight,
                look: _,
                question,
            } => {
                self.sight(sight);
                self.space();
                self.told(question);
                self.say(bold("What did you find?"));
            }
            AskedKind::Repeating { sight, .. } => {
                self.sight(sight);
                self.told("It is thrown there and back by itself. Any key ends it.");
            }
            AskedKind::Task { task, .. } => self.task(task),
            AskedKind::Watch { watch } => self.watch(watch),
            AskedKind::Hunt { inquiry, .. } => self.inquiry(inquiry),
            AskedKind::LayBack { back } => self.lay_back(back),
            AskedKind::Diagnosis { query } => self.query(query, part),
        }
    }

    fn members(&mut self, members: &Members) {
        if self.manner.plain {
            self.lines.extend(members.sentences());
            return;
        }
        let cells = members.cells();
        self.lines.extend(columns(&cells, self.manner.width()));
    }
}

fn place_of(kind: &AskedKind) -> &str {
    match kind {
        AskedKind::Throw { sight, .. }
        | AskedKind::Hand { sight, .. }
        | AskedKind::Look { sight, .. }
        | AskedKind::Repeating { sight, .. } => &sight.place,
        AskedKind::Survey { place, .. } => place,
        AskedKind::Task { task, .. } => &task.place,
        AskedKind::Watch { watch } => &watch.place,
        AskedKind::Hunt { .. } | AskedKind::LayBack { .. } => "",
        AskedKind::Diagnosis { query } => &query.place,
    }
}

/// What was sent, and why nothing may have moved.
fn sent(throw: u64, step: Step, commanded: &Id) -> String {
    let sent = format!("Sent: {commanded} (throw {throw}).");
    match step {
        Step::Prime => format!("{sent} It may have lain so before."),
        Step::Keep => format!("{sent} It lay so before and need not move."),
        Step::AfterHand => format!("{sent} You laid it the other way by hand."),
        Step::Visit | Step::Back | Step::Rest | Step::Single | Step::Group => sent,
    }
}

/// Up to the end of the first sentence, and what follows; `None` for a single one.
fn split_sentence(text: &str) -> Option<(&str, &str)> {
    let ends = [". ", "? ", "! "];
    let at = ends.iter().filter_map(|end| text.find(end)).min()?;
    let (one, more) = text.split_at_checked(at + 1)?;
    Some((one, more.trim_start()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_are_told_apart() {
        assert_eq!(split_sentence("One. Two."), Some(("One.", "Two.")));
        assert_eq!(
            split_sentence("Tight? Yes. No."),
            Some(("Tight?", "Yes. No."))
        );
        assert_eq!(split_sentence("About 0.1 mm."), None);
    }
}
