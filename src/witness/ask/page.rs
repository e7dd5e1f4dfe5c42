//! What a question shows: how far the run is, where to look, what was sent, the keys.

use anstyle::Style;

use super::lamps;
use super::manner::{INVITE, Manner};
use super::picture::{self, Picture};
use super::sheet::{Sheet, columns};
use super::survey::Members;
use super::text::{BAD, FAINT, GOOD, OPEN, bold, count, fit, styled, wrap};
use crate::drawing::Route;
use crate::event::{Step, Subject};
use crate::plan::{Id, Sort};
use crate::verdict::Verdict;
use crate::witness::desk::{Asked, AskedKind, PlaceProgress, PositionSight, Progress, Sight};

/// What a drawing is set in by.
const INDENT: &str = "      ";

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

    fn progress(&mut self, progress: &Progress, here: &str) {
        let width = self.manner.width();
        self.say(summary(progress, width));
        // The place that it is about first, then those that follow.
        let at = progress.places.iter().position(|place| place.name == here);
        let (before, after) = progress.places.split_at(at.unwrap_or(0));
        let places = after.iter().chain(before).filter(|place| place.total > 0);
        let places = places.map(|place| {
            let PlaceProgress {
                name, total, done, ..
            } = place;
            format!("{} {done} of {total}", place_name(name))
        });
        let mut line = String::new();
        for (index, place) in places.enumerate() {
            use unicode_width::UnicodeWidthStr as _;
            let gap = if index == 0 { "" } else { "   " };
            let room = width - self.manner.more().len() - 1;
            if index > 0 && line.width() + gap.len() + place.width() > room {
                line = format!("{line} {}", self.manner.more());
                break;
            }
            line.push_str(gap);
            line.push_str(&place);
        }
        self.say(styled(FAINT, &line));
    }

    fn plain_progress(&mut self, progress: &Progress, here: &str) {
        let verdicts: Vec<_> = progress
            .verdicts
            .iter()
            .map(|(verdict, number)| format!("{number} {}", verdict.as_str()))
            .collect();
        let so_far = if verdicts.is_empty() {
            String::new()
        } else {
            format!(", {}", verdicts.join(", "))
        };
        self.say(format!(
            "{} of {} are done{so_far}.",
            progress.done, progress.total
        ));
        if let Some(place) = progress.places.iter().find(|place| place.name == here) {
            let PlaceProgress {
                name, total, done, ..
            } = place;
            self.say(format!("{}: {done} of {total}.", place_name(name)));
        }
        if let Some(seconds) = progress.left_s {
            self.say(format!("About {} left.", span(seconds)));
        }
    }

    /// Where to look.
    fn sight(&mut self, sight: &Sight) {
        let id = sight.subject.id().as_str();
        let what = match (&sight.subject, sight.shape) {
            (Subject::Turnout(_), Some(shape)) => picture::name(shape),
            (Subject::Turnout(_), None) => "turnout",
            (Subject::Signal(_), _) => sight.sort.word(),
        };
        let mut address = format!("address {}", sight.address);
        for more in &sight.more_addresses {
            address = format!("{}, {more}", address.replacen("address ", "addresses ", 1));
        }
        if self.manner.plain {
            let place = match sight.place.as_str() {
                "" => String::new(),
                place => format!("{place}, "),
            };
            self.say(format!("Look at {place}{what} {id}, {address}."));
            return;
        }
        self.space();
        if !sight.place.is_empty() {
            self.say(bold(&sight.place));
        }
        self.say(format!("{}   {what}, {address}", bold(id)));
    }

    /// How it looks, or where its routes go.
    fn shape(&mut self, sight: &Sight) {
        let picture = if sight.positions.is_empty() {
            sight.shape.map(Picture::of)
        } else {
            sight.shape.map(Picture::of_several)
        };
        let Some(picture) = picture else {
            self.lamps(sight);
            return;
        };
        if self.manner.plain {
            self.lines.extend(picture.words.map(str::to_owned));
        } else if self.manner.draws() {
            self.space();
            let rows = picture.drawn(self.manner.unicode);
            self.lines.extend(rows.map(|row| format!("{INDENT}{row}")));
        }
        // Where the plan calls a route otherwise than the drawing does.
        for PositionSight { name, route } in &sight.positions {
            let route = route.map(Route::as_str);
            if let Some(route) = route.filter(|route| *route != name.as_str()) {
                self.say(format!("Here {name} is {route}."));
            }
        }
    }

    /// Which lamps each aspect lights, where the plan says so.
    fn lamps(&mut self, sight: &Sight) {
        let (aspects, faces) = (&sight.aspects, &sight.faces);
        if faces.iter().all(Option::is_none) {
            return;
        }
        self.space();
        if !self.manner.draws() {
            self.lines.extend(lamps::sentences(aspects, faces));
            return;
        }
        let width = self.manner.width() - INDENT.len();
        let rows = lamps::drawn(aspects, faces, self.manner.unicode, width);
        let legend = lamps::legend(faces).map(str::to_owned);
        let rows = rows.into_iter().chain(legend);
        self.lines.extend(rows.map(|row| format!("{INDENT}{row}")));
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

/// How much is done, how long the rest takes, and the verdicts: each of them if they fit.
fn summary(progress: &Progress, width: usize) -> String {
    use unicode_width::UnicodeWidthStr as _;

    let mut parts = vec![(
        Style::new(),
        format!("{} of {} done", progress.done, progress.total),
    )];
    if let Some(seconds) = progress.left_s {
        parts.push((Style::new(), format!("about {} left", span(seconds))));
    }
    let number_of = |wanted: fn(Verdict) -> bool| {
        let given = progress.verdicts.iter();
        let wanted = given.filter(|(verdict, _)| wanted(**verdict));
        wanted.map(|(_, number)| number).sum::<usize>()
    };
    let folded = [
        (GOOD, number_of(|one| one == Verdict::Proved), "proved"),
        (BAD, number_of(Verdict::is_failure), "not proved"),
        (OPEN, number_of(|one| one == Verdict::Skipped), "skipped"),
    ];
    let each = progress.verdicts.iter().map(|(verdict, number)| {
        let style = match verdict {
            Verdict::Proved => GOOD,
            Verdict::Skipped => OPEN,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => BAD,
        };
        (style, format!("{number} {}", verdict.as_str()))
    });
    let whole: Vec<_> = parts.iter().cloned().chain(each).collect();
    let gaps = 3 * whole.len().saturating_sub(1);
    let fits = whole.iter().map(|(_, part)| part.width()).sum::<usize>() + gaps <= width;
    let parts = if fits {
        whole
    } else {
        let folded = folded.into_iter().filter(|(_, number, _)| *number > 0);
        let folded = folded.map(|(style, number, word)| (style, format!("{number} {word}")));
        parts.into_iter().chain(folded).collect()
    };
    let parts: Vec<_> = parts
        .iter()
        .map(|(style, part)| styled(*style, part))
        .collect();
    parts.join("   ")
}

fn place_name(name: &str) -> &str {
    if name.is_empty() {
        "no place given"
    } else {
        name
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

/// `a minute`, `25 min`, `2 h 05 min`: no more exact than it can be known.
fn span(seconds: u64) -> String {
    let minutes = seconds.div_ceil(60);
    match minutes {
        0 | 1 => "a minute".to_owned(),
        2..=90 => count(minutes, "minute"),
        _ => format!("{} h {:02} min", minutes / 60, minutes % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_no_more_exact_than_they_can_be() {
        assert_eq!(span(0), "a minute");
        assert_eq!(span(61), "2 minutes");
        assert_eq!(span(1500), "25 minutes");
        assert_eq!(span(7500), "2 h 05 min");
    }

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
