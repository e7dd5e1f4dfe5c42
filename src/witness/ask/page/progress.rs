//! How far a run is, at the head of a question.

use anstyle::Style;

use super::Page;
use crate::verdict::Verdict;
use crate::witness::ask::text::{BAD, FAINT, GOOD, OPEN, count, styled};
use crate::witness::desk::{PlaceProgress, Progress};

impl Page<'_> {
    pub(super) fn progress(&mut self, progress: &Progress, here: &str) {
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

    pub(super) fn plain_progress(&mut self, progress: &Progress, here: &str) {
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

pub(super) fn place_name(name: &str) -> &str {
    if name.is_empty() {
        "no place given"
    } else {
        name
    }
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
}
