//! What was seen and could not be kept, so that it can at least be written down by hand.

use super::{teach, words};
use crate::event::diagnosis::Came;
use crate::event::teach::Purpose;
use crate::event::{Diagnosed, EventKind, Hunted, Missed, Taught};
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
        | EventKind::Summary { .. } => None,
        EventKind::Teach(taught) => of_lesson(taught),
        EventKind::Hunt(hunted) => of_hunt(hunted),
        EventKind::Diagnosis(diagnosed) => of_diagnosis(diagnosed),
    }
}

/// What was done to a decoder and seen of it: what it is taught now can't be seen by looking.
fn of_lesson(taught: &Taught) -> Option<String> {
    match taught {
        Taught::ByHand {
            decoder,
            text,
            done,
            ..
        } => {
            let not = if *done { "" } else { "; not done" };
            Some(format!("{decoder}, by hand: {text}{not}"))
        }
        Taught::TaughtSent {
            decoder,
            purpose: Purpose::Teach | Purpose::Write,
            text,
            ..
        } => Some(format!("{decoder}, sent: {text}")),
        Taught::TaughtSeen {
            decoder,
            address,
            sent,
            saw,
            ..
        } => Some(format!(
            "{decoder}, address {address} sent {sent}: {}",
            teach::seen(*saw)
        )),
        // What it held before is written over.
        Taught::CvRead {
            decoder,
            value: Some(value),
            text,
            before: true,
            ..
        } => Some(format!("{decoder}, read: {text}: {value}")),
        Taught::TeachStarted { .. }
        | Taught::TaughtSent { .. }
        | Taught::CvRead { .. }
        | Taught::TeachDone { .. } => None,
    }
}

/// What was answered in a hunt, and what was found.
fn of_hunt(hunted: &Hunted) -> Option<String> {
    match hunted {
        Hunted::HuntAnswer {
            runs,
            sent,
            answer,
            addresses,
            ..
        } => {
            let said = answer.replace('-', " ");
            let word = if *addresses == 1 {
                "address"
            } else {
                "addresses"
            };
            let sent = sent
                .as_ref()
                .map_or_else(String::new, |id| format!(" sent {id}"));
            Some(format!("{word} {runs}{sent}: {said}"))
        }
        Hunted::HuntFound { thing } => Some(format!("found: address {}", thing.address)),
        Hunted::HuntStarted { .. } | Hunted::HuntThrows { .. } | Hunted::HuntDone { .. } => None,
    }
}

/// What a test showed, what it came to, and what was mended.
fn of_diagnosis(diagnosed: &Diagnosed) -> Option<String> {
    match diagnosed {
        Diagnosed::DiagnosisAnswer {
            turnout,
            test,
            answer: Some(answer),
            ..
        } => Some(format!("{turnout}, {test}: {answer}")),
        Diagnosed::Diagnosis {
            turnout,
            kind: Came::Named,
            causes,
            ..
        } => {
            let first = causes.first()?;
            Some(format!("{turnout}, cause: {}", first.says))
        }
        Diagnosed::DiagnosisMended { turnout, cause, .. } => {
            Some(format!("{turnout}, mended: {cause}"))
        }
        Diagnosed::DiagnosisProved { turnout, words, .. } => {
            Some(format!("{turnout}, after mending: {words}"))
        }
        Diagnosed::DiagnosisStarted { .. }
        | Diagnosed::DiagnosisTest { .. }
        | Diagnosed::DiagnosisAnswer { .. }
        | Diagnosed::Diagnosis { .. } => None,
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

    #[test]
    fn what_was_done_to_a_decoder_and_answered_in_a_hunt_is_told() {
        let events = [
            r#"{"event":"by-hand","decoder":"D1","step":1,"job":"switches",
                "text":"set switch 2 on","done":true}"#,
            r#"{"event":"by-hand","decoder":"D1","step":1,"job":"switches",
                "text":"set switch 2 on","done":false}"#,
            r#"{"event":"taught-sent","decoder":"D1","step":2,"purpose":"write",
                "text":"CV 1 becomes 3","packet":"00"}"#,
            r#"{"event":"taught-sent","decoder":"D1","step":3,"purpose":"prove",
                "text":"address 9, straight","packet":"00"}"#,
            r#"{"event":"taught-seen","decoder":"D1","step":3,"address":9,"sent":"straight",
                "output":1,"saw":"nothing","as_expected":false}"#,
            r#"{"event":"cv-read","decoder":"D1","step":4,"cv":1,"value":7,"text":"CV 1",
                "before":true}"#,
            r#"{"event":"cv-read","decoder":"D1","step":4,"cv":1,"value":3,"text":"CV 1",
                "before":false}"#,
            r#"{"event":"hunt-answer","question":1,"addresses":256,"runs":"1-256","throws":512,
                "took_us":1,"answer":"did-not-move","left":256,"likely_percent":0}"#,
            r#"{"event":"hunt-answer","question":9,"addresses":1,"runs":"300","sent":"straight",
                "throws":1,"took_us":1,"answer":"moved","left":1,"likely_percent":99}"#,
            r#"{"event":"hunt-found","address":300,"binary_address":303}"#,
        ];
        let kinds = events.map(|text| serde_json::from_str::<EventKind>(text).unwrap());
        let lines: Vec<_> = kinds.iter().filter_map(told).collect();
        let expected = [
            "D1, by hand: set switch 2 on",
            "D1, by hand: set switch 2 on; not done",
            "D1, sent: CV 1 becomes 3",
            "D1, address 9 sent straight: nothing of it acted",
            "D1, read: CV 1: 7",
            "addresses 1-256: did not move",
            "address 300 sent straight: moved",
            "found: address 300",
        ];
        assert_eq!(lines, expected);
    }
}
