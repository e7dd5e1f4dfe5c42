//! Words that several views share.

use std::time::Duration;

use crate::event::Subject;
use crate::plan::{Id, Plan, Sort};
use crate::verdict::Verdict;
use crate::witness::{Observed, Seen};

/// What was seen, in a few words: `straight`, `nothing moved`, `nothing moved here, but Q7 did`.
pub(crate) fn seen(subject: &Subject, seen: &Seen) -> String {
    let nothing = match subject {
        Subject::Turnout(_) => "nothing moved",
        Subject::Signal(_) => "nothing changed",
    };
    let others = seen
        .others
        .iter()
        .map(Id::as_str)
        .collect::<Vec<_>>()
        .join(", ");
    match (&seen.observed, others.is_empty()) {
        (Observed::Another, true) => "another one moved instead".to_owned(),
        (Observed::Another, false) => format!("{others} moved instead"),
        (Observed::NoMovement, false) => format!("{nothing} here, but {others} did"),
        (Observed::NoMovement, true) => nothing.to_owned(),
        (observed, true) => alone(subject, observed).to_owned(),
        (observed, false) => format!("{}, and {others} moved too", alone(subject, observed)),
    }
}

/// The same with what the plan knows: an uncoupler rises and falls, or stays up.
pub(crate) fn seen_of(plan: &Plan, subject: &Subject, seen: &Seen) -> String {
    let signal = match subject {
        Subject::Turnout(_) => None,
        Subject::Signal(id) => plan.signal(id.as_str()),
    };
    seen_as(signal.map(|signal| signal.sort), subject, seen)
}

/// The same of a signal, or of what else it may be.
pub(crate) fn seen_as(sort: Option<Sort>, subject: &Subject, seen: &Seen) -> String {
    let words = self::seen(subject, seen);
    let Some(sort) = sort else {
        return words;
    };
    match &seen.observed {
        Observed::Between => words.replacen(OF_SIGNAL, sort.between(), 1),
        Observed::Aspect(name) => words.replacen(name.as_str(), sort.seen(name), 1),
        Observed::Straight | Observed::Diverging | Observed::NoMovement | Observed::Another => {
            words
        }
    }
}

/// What neither one thing nor the other is called of gates and uncouplers.
const OF_SIGNAL: &str = "between, or still up";

fn alone<'s>(subject: &Subject, observed: &'s Observed) -> &'s str {
    match observed {
        Observed::Between if matches!(subject, Subject::Signal(_)) => OF_SIGNAL,
        Observed::Straight => "straight",
        Observed::Diverging => "diverging",
        Observed::NoMovement => "nothing moved",
        Observed::Between => "between, not closed",
        Observed::Another => "another one moved",
        Observed::Aspect(name) => name.as_str(),
    }
}

/// What a verdict means, as a sentence's end.
pub(crate) fn meaning(subject: &Subject, sort: Option<Sort>, verdict: Verdict) -> &'static str {
    match (subject, sort) {
        (Subject::Turnout(_), _) => meaning_of_turnout(verdict),
        (Subject::Signal(_), None | Some(Sort::Signal)) => meaning_of_signal(verdict),
        (Subject::Signal(_), Some(Sort::Uncoupler | Sort::Gates | Sort::Lights)) => {
            meaning_of_accessory(verdict)
        }
    }
}

/// The same of a signal.
pub(crate) fn meaning_of_signal(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Proved => "shows whatever is sent",
        Verdict::Reversed => "shows each time another aspect than was sent",
        Verdict::Still => "was never seen to change",
        Verdict::OneWay => "shows one aspect, whatever is sent",
        Verdict::Partial => "shows some aspects and not others, or not every time",
        Verdict::Stray => "something else changes on its command",
        Verdict::Skipped => "was not tried",
    }
}

/// The same of an uncoupler, gates or lights.
pub(crate) fn meaning_of_accessory(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Proved => "does what is sent",
        Verdict::Reversed => "does each time the opposite of what was sent",
        Verdict::Still => "was never seen to move or change",
        Verdict::OneWay => "does one thing, whatever is sent",
        Verdict::Partial => "does not do all that is sent, or not every time",
        Verdict::Stray => "something else moves or changes on its command",
        Verdict::Skipped => "was not tried",
    }
}

/// The same of a turnout.
pub(crate) fn meaning_of_turnout(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Proved => "goes wherever it is sent",
        Verdict::Reversed => "goes both ways, but each time the other way than sent",
        Verdict::Still => "was never seen to move",
        Verdict::OneWay => "goes one way and never back",
        Verdict::Partial => "moves, but not every time or not all the way",
        Verdict::Stray => "something else moves on its command",
        Verdict::Skipped => "was not tried",
    }
}

/// Text that somebody wrote, without what a terminal would act on.
pub(crate) fn one_line(text: &str) -> String {
    let shown = |letter: char| if letter.is_control() { ' ' } else { letter };
    text.chars().map(shown).collect()
}

/// What was written down: `binds`, `binds (photo IMG_1.jpg)`, `photo IMG_1.jpg`.
pub(crate) fn note(text: &str, photo: &str) -> String {
    let (text, photo) = (one_line(text), one_line(photo));
    match (text.is_empty(), photo.is_empty()) {
        (_, true) => text,
        (true, false) => format!("photo {photo}"),
        (false, false) => format!("{text} (photo {photo})"),
    }
}

/// `1 turnout`, `3 turnouts`.
pub(crate) fn count(number: usize, noun: &str) -> String {
    let ending = if number == 1 { "" } else { "s" };
    format!("{number} {noun}{ending}")
}

/// `0.4 s`, `2 min 14 s`, `1 h 02 min`.
pub(crate) fn span(time: Duration) -> String {
    let seconds = time.as_secs();
    match seconds {
        0..60 => format!("{:.1} s", time.as_secs_f64()),
        60..3600 => format!("{} min {:02} s", seconds / 60, seconds % 60),
        _ => format!("{} h {:02} min", seconds / 3600, seconds % 3600 / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_seen_is_told_in_plain_words() {
        let told = |observed, others: &[&str]| {
            let subject = Subject::Turnout(Id::new("Q1"));
            seen(
                &subject,
                &Seen {
                    observed,
                    others: others.iter().map(|id| Id::new(id)).collect(),
                },
            )
        };
        assert_eq!(told(Observed::Straight, &[]), "straight");
        assert_eq!(
            told(Observed::Straight, &["Q7"]),
            "straight, and Q7 moved too"
        );
        assert_eq!(
            told(Observed::Another, &["Q7", "Q8"]),
            "Q7, Q8 moved instead"
        );
        assert_eq!(told(Observed::Another, &[]), "another one moved instead");
        assert_eq!(
            told(Observed::NoMovement, &["Q7"]),
            "nothing moved here, but Q7 did"
        );
        assert_eq!(told(Observed::Aspect(Id::new("stop")), &[]), "stop");
    }

    #[test]
    fn spans_are_short() {
        assert_eq!(span(Duration::from_millis(440)), "0.4 s");
        assert_eq!(span(Duration::from_secs(134)), "2 min 14 s");
        assert_eq!(span(Duration::from_secs(3725)), "1 h 02 min");
    }
}
