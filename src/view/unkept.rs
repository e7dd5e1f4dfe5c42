//! What was seen and could not be kept, so that it can at least be written down by hand.

use super::words;
use crate::event::{EventKind, Missed};
use crate::plan::Id;
use crate::witness::Found;

/// What an event says that nobody can find out again by looking at the record: `Q1, sent
/// diverging: nothing moved`. `None` of events that the program makes by itself.
pub(crate) fn told(kind: &EventKind) -> Option<String> {
    match kind {
        EventKind::Observation {
            subject,
            commanded,
            seen,
            carried: false,
            ..
        } => Some(format!(
            "{}, sent {commanded}: {}",
            subject.id(),
            words::seen(subject, seen)
        )),
        EventKind::Noted { subject, note, .. } => Some(format!(
            "{}, note: {}",
            subject.id(),
            words::note(&note.text, &note.photo)
        )),
        EventKind::Looked {
            subject,
            look,
            found,
            carried: false,
        } => {
            let found = match found {
                Found::Good => "good",
                Found::Bad => "not good",
            };
            let look = words::one_line(look.as_str());
            Some(format!("{}, {look}: {found}", subject.id()))
        }
        EventKind::Surveyed {
            place,
            members,
            differ,
            carried: false,
            ..
        } if differ.is_empty() => Some(format!("{place}: all {} as sent", members.len())),
        EventKind::Surveyed {
            place,
            differ,
            carried: false,
            ..
        } => {
            let differ: Vec<_> = differ.iter().map(Id::as_str).collect();
            Some(format!("{place}: not as sent: {}", differ.join(", ")))
        }
        EventKind::Withdrawn { subject, throw } => Some(format!(
            "{}: the answer to throw {throw} was taken back",
            subject.id()
        )),
        EventKind::LaidByHand { subject, position } => {
            Some(format!("{}: laid {position} by hand", subject.id()))
        }
        EventKind::GroupThrown {
            group,
            gap_ms,
            missed,
            ..
        } => Some(thrown_together(group, *gap_ms, missed)),
        EventKind::RunStarted { .. }
        | EventKind::GapFound { .. }
        | EventKind::ThrowSent { .. }
        | EventKind::Observation { .. }
        | EventKind::Surveyed { .. }
        | EventKind::Looked { .. }
        | EventKind::Accepted { .. }
        | EventKind::SweptAgain { .. }
        | EventKind::Verdict { .. }
        | EventKind::Unanswered { .. }
        | EventKind::LinkLost { .. }
        | EventKind::LinkReturned {}
        | EventKind::Held { .. }
        | EventKind::Resumed {}
        | EventKind::LinkFailed { .. }
        | EventKind::Stopped { .. }
        | EventKind::Summary { .. }
        | EventKind::Teach(_)
        | EventKind::Hunt(_)
        | EventKind::Diagnosis(_) => None,
    }
}

fn thrown_together(group: &str, gap_ms: u32, missed: &[Missed]) -> String {
    let ids: Vec<_> = missed.iter().map(|one| one.id.as_str()).collect();
    let what = match ids.as_slice() {
        [] => "all arrived".to_owned(),
        ids => format!("did not arrive: {}", ids.join(", ")),
    };
    format!("{group}, {gap_ms} ms apart: {what}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{Step, Subject};
    use crate::plan::Look;
    use crate::witness::{Note, Observed, Seen};

    #[test]
    fn what_a_person_said_is_told_and_nothing_else() {
        let subject = Subject::Turnout(Id::new("Q1"));
        let seen = EventKind::Observation {
            subject: subject.clone(),
            throw: 2,
            step: Step::Visit,
            commanded: Id::new("diverging"),
            seen: Seen {
                observed: Observed::NoMovement,
                others: Vec::new(),
            },
            carried: false,
        };
        let noted = EventKind::Noted {
            subject: subject.clone(),
            throw: 2,
            note: Note {
                text: "binds".to_owned(),
                ..Note::default()
            },
        };
        let looked = EventKind::Looked {
            subject: subject.clone(),
            look: Look::BladesTight,
            found: Found::Bad,
            carried: false,
        };
        let placed = |differ| EventKind::Surveyed {
            place: "Quay".to_owned(),
            round: 1,
            rounds: 2,
            members: vec![Id::new("Q1"), Id::new("Q2")],
            differ,
            carried: false,
        };
        let all = [
            seen,
            noted,
            looked,
            placed(Vec::new()),
            placed(vec![Id::new("Q2")]),
            EventKind::Withdrawn { subject, throw: 2 },
            EventKind::Resumed {},
        ];
        let lines: Vec<_> = all.iter().filter_map(told).collect();
        let expected = [
            "Q1, sent diverging: nothing moved",
            "Q1, note: binds",
            "Q1, blades-tight: not good",
            "Quay: all 2 as sent",
            "Quay: not as sent: Q2",
            "Q1: the answer to throw 2 was taken back",
        ];
        assert_eq!(lines, expected);
    }
}
