//! An answer as the page sends it, and what the desk takes.

use serde::Deserialize;
use throwproof_protocol::address::Position;

use crate::plan::Id;
use crate::witness::bench::{Did, Saw};
use crate::witness::desk::Reply;
use crate::witness::diagnosis::Told;
use crate::witness::hunt::Noticed;
use crate::witness::{Answer, Closer, Found, Note, Observed, Seen, Surveyed};

/// The longest note, bytes of UTF-8.
const NOTE: usize = 2000;

/// The longest name of a photo.
const PHOTO: usize = 200;

/// The longest nonce.
const NONCE: usize = 64;

/// An answer with the question that it is for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Given {
    /// Start of the program that asked.
    pub(super) session: String,
    /// Number of the question.
    pub(super) number: u64,
    /// Drawn by the page for this answer: the same one means the same answer, sent again.
    pub(super) nonce: String,
    /// The answer.
    pub(super) reply: Reply,
}

/// Why a body is no answer.
#[derive(Debug, thiserror::Error)]
pub(super) enum AnswerError {
    /// It is not JSON, or not of this form.
    #[error(transparent)]
    Form(#[from] serde_json::Error),
    /// It is longer than anyone needs.
    #[error("{0} is too long")]
    TooLong(&'static str),
    /// A note without words.
    #[error("the note is empty")]
    Empty,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent {
    session: String,
    number: u64,
    nonce: String,
    reply: SentReply,
}

/// The kind of the question, and the answer to such a question.
#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentReply {
    Throw(SentThrow),
    Hand(SentHand),
    Survey(SentSurvey),
    Look(SentLook),
    Repeating(SentRepeating),
    Task(SentTask),
    Watch(SentWatch),
    Hunt(SentHunt),
    LayBack(SentTask),
    Diagnosis(SentTold),
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentThrow {
    Seen(SentSeen),
    Note(SentNote),
    Repeat,
    BackAndForth,
    KeepThrowing,
    Undo,
    Skip,
    SkipPlace,
    Stop,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SentSeen {
    observed: SentObserved,
    #[serde(default)]
    others: Vec<Id>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentObserved {
    Straight,
    Diverging,
    NoMovement,
    Between,
    Another,
    Aspect(Id),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SentNote {
    #[serde(default)]
    text: String,
    #[serde(default)]
    photo: String,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentHand {
    Laid,
    NotLaid,
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentSurvey {
    Differ(Vec<SentDiffer>),
    Repeat,
    Undo,
    OneByOne,
    SkipPlace,
    Stop,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SentDiffer {
    id: Id,
    lies: SentLies,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentLies {
    Straight,
    Diverging,
    Between,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentLook {
    Good,
    Bad,
    KeepThrowing,
    Later,
    Note(SentNote),
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentRepeating {
    Enough,
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentTask {
    Done,
    Cannot,
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentWatch {
    Acted(SentActed),
    OtherOutput(u8),
    Elsewhere,
    Nothing,
    Repeat,
    CannotSee,
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentHunt {
    Moved,
    Lies(SentHalf),
    DidNotMove,
    NotSure,
    Again,
    Stop,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentTold {
    /// One choice of each part, counted from 0.
    Chosen(Vec<usize>),
    NotSure,
    Again,
    Skip,
    Stop,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SentActed {
    half: SentHalf,
    #[serde(default)]
    stays_on: bool,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SentHalf {
    Straight,
    Diverging,
}

impl Given {
    /// Reads the body of a request.
    pub(super) fn parse(body: &[u8]) -> Result<Self, AnswerError> {
        let sent: Sent = serde_json::from_slice(body)?;
        if sent.nonce.len() > NONCE {
            return Err(AnswerError::TooLong("the nonce"));
        }
        let reply = match sent.reply {
            SentReply::Throw(throw) => throw.reply()?,
            SentReply::Hand(SentHand::Laid) => Reply::Laid(true),
            SentReply::Hand(SentHand::NotLaid) => Reply::Laid(false),
            SentReply::Hand(SentHand::Stop) | SentReply::Repeating(SentRepeating::Stop) => {
                Reply::Stop
            }
            SentReply::Survey(survey) => Reply::Survey(survey.surveyed()),
            SentReply::Look(look) => Reply::Look(look.closer()?),
            SentReply::Repeating(SentRepeating::Enough) => Reply::Enough,
            SentReply::Task(task) | SentReply::LayBack(task) => Reply::Did(task.did()),
            SentReply::Watch(watch) => Reply::Saw(watch.saw()),
            SentReply::Hunt(hunt) => Reply::Noticed(hunt.noticed()),
            SentReply::Diagnosis(told) => Reply::Told(told.told()),
        };
        Ok(Self {
            session: sent.session,
            number: sent.number,
            nonce: sent.nonce,
            reply,
        })
    }
}

impl SentThrow {
    fn reply(self) -> Result<Reply, AnswerError> {
        Ok(Reply::Answer(match self {
            Self::Seen(seen) => Answer::Seen(seen.seen()),
            Self::Note(note) => Answer::Note(note.note()?),
            Self::Repeat => Answer::Repeat,
            Self::BackAndForth => Answer::BackAndForth,
            Self::KeepThrowing => Answer::KeepThrowing,
            Self::Undo => Answer::Undo,
            Self::Skip => Answer::Skip,
            Self::SkipPlace => Answer::SkipPlace,
            Self::Stop => Answer::Stop,
        }))
    }
}

impl SentSeen {
    fn seen(self) -> Seen {
        let observed = match self.observed {
            SentObserved::Straight => Observed::Straight,
            SentObserved::Diverging => Observed::Diverging,
            SentObserved::NoMovement => Observed::NoMovement,
            SentObserved::Between => Observed::Between,
            SentObserved::Another => Observed::Another,
            SentObserved::Aspect(name) => Observed::Aspect(name),
        };
        Seen {
            observed,
            others: each_once(self.others, Clone::clone),
        }
    }
}

impl SentSurvey {
    fn surveyed(self) -> Surveyed {
        match self {
            Self::Differ(differ) => {
                let differ = each_once(differ, |one| one.id.clone());
                Surveyed::Differ(differ.into_iter().map(SentDiffer::pair).collect())
            }
            Self::Repeat => Surveyed::Repeat,
            Self::Undo => Surveyed::Undo,
            Self::OneByOne => Surveyed::OneByOne,
            Self::SkipPlace => Surveyed::SkipPlace,
            Self::Stop => Surveyed::Stop,
        }
    }
}

impl SentDiffer {
    fn pair(self) -> (Id, Observed) {
        let lies = match self.lies {
            SentLies::Straight => Observed::Straight,
            SentLies::Diverging => Observed::Diverging,
            SentLies::Between => Observed::Between,
        };
        (self.id, lies)
    }
}

impl SentLook {
    fn closer(self) -> Result<Closer, AnswerError> {
        Ok(match self {
            Self::Good => Closer::Found(Found::Good),
            Self::Bad => Closer::Found(Found::Bad),
            Self::KeepThrowing => Closer::KeepThrowing,
            Self::Later => Closer::Later,
            Self::Note(note) => Closer::Note(note.note()?),
            Self::Stop => Closer::Stop,
        })
    }
}

impl SentTask {
    fn did(self) -> Did {
        match self {
            Self::Done => Did::Done,
            Self::Cannot => Did::Cannot,
            Self::Stop => Did::Stop,
        }
    }
}

impl SentWatch {
    fn saw(self) -> Saw {
        match self {
            Self::Acted(SentActed { half, stays_on }) => Saw::Acted {
                position: half.position(),
                stays_on,
            },
            Self::OtherOutput(number) => Saw::OtherOutput(number),
            Self::Elsewhere => Saw::Elsewhere,
            Self::Nothing => Saw::Nothing,
            Self::Repeat => Saw::Repeat,
            Self::CannotSee => Saw::CannotSee,
            Self::Stop => Saw::Stop,
        }
    }
}

impl SentHalf {
    fn position(self) -> Position {
        match self {
            Self::Straight => Position::Straight,
            Self::Diverging => Position::Diverging,
        }
    }
}

impl SentTold {
    fn told(self) -> Told {
        match self {
            Self::Chosen(chosen) => Told::Chosen(chosen),
            Self::NotSure => Told::NotSure,
            Self::Again => Told::Again,
            Self::Skip => Told::Skip,
            Self::Stop => Told::Stop,
        }
    }
}

impl SentHunt {
    fn noticed(self) -> Noticed {
        match self {
            Self::Moved => Noticed::Moved(None),
            Self::Lies(half) => Noticed::Lies(half.position()),
            Self::DidNotMove => Noticed::Still,
            Self::NotSure => Noticed::NotSure,
            Self::Again => Noticed::Again,
            Self::Stop => Noticed::Stop,
        }
    }
}

impl SentNote {
    fn note(self) -> Result<Note, AnswerError> {
        if self.text.len() > NOTE {
            return Err(AnswerError::TooLong("the note"));
        }
        if self.photo.len() > PHOTO {
            return Err(AnswerError::TooLong("the name of the photo"));
        }
        let (text, photo) = (one_line(&self.text), one_line(&self.photo));
        if text.is_empty() && photo.is_empty() {
            return Err(AnswerError::Empty);
        }
        Ok(Note { text, photo })
    }
}

/// A terminal shows it too, which must not obey what is in it.
fn one_line(text: &str) -> String {
    let plain = text
        .chars()
        .map(|one| if one.is_control() { ' ' } else { one });
    plain.collect::<String>().trim().to_owned()
}

/// The first of each name: nobody means more by naming it twice.
fn each_once<T>(list: Vec<T>, name: impl Fn(&T) -> Id) -> Vec<T> {
    let mut seen = std::collections::BTreeSet::new();
    list.into_iter()
        .filter(|one| seen.insert(name(one)))
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;

    fn body(reply: &Value) -> Vec<u8> {
        let whole = json!({"session": "s", "number": 7, "nonce": "n", "reply": reply});
        serde_json::to_vec(&whole).unwrap()
    }

    fn reply(reply: &Value) -> Option<Reply> {
        Given::parse(&body(reply)).ok().map(|given| given.reply)
    }

    fn id(text: &str) -> Id {
        Id::new(text)
    }

    fn note() -> (Value, Note) {
        let written = json!({"text": " stiff\n", "photo": "IMG\u{1b}3.jpg"});
        let note = Note {
            text: "stiff".to_owned(),
            photo: "IMG 3.jpg".to_owned(),
        };
        (written, note)
    }

    fn mean(all: impl IntoIterator<Item = (Value, Reply)>) {
        for (form, means) in all {
            assert_eq!(reply(&form), Some(means), "{form}");
        }
    }

    #[test]
    fn every_answer_to_a_throw_has_a_form() {
        let seen = |observed, others: &[&str]| {
            Reply::Answer(Answer::Seen(Seen {
                observed,
                others: others.iter().copied().map(id).collect(),
            }))
        };
        let (written, note) = note();
        mean([
            (
                json!({"throw": {"seen": {"observed": "straight"}}}),
                seen(Observed::Straight, &[]),
            ),
            (
                json!({"throw": {"seen": {"observed": "diverging"}}}),
                seen(Observed::Diverging, &[]),
            ),
            (
                json!({"throw": {"seen": {"observed": "between"}}}),
                seen(Observed::Between, &[]),
            ),
            (
                json!({"throw": {"seen": {"observed": "no-movement"}}}),
                seen(Observed::NoMovement, &[]),
            ),
            (
                json!({"throw": {"seen": {"observed": {"aspect": "stop"}}}}),
                seen(Observed::Aspect(id("stop")), &[]),
            ),
            (
                json!({"throw": {"seen": {"observed": "another", "others": ["Q2", "Q3", "Q2"]}}}),
                seen(Observed::Another, &["Q2", "Q3"]),
            ),
            (json!({"throw": "repeat"}), Reply::Answer(Answer::Repeat)),
            (
                json!({"throw": "back-and-forth"}),
                Reply::Answer(Answer::BackAndForth),
            ),
            (
                json!({"throw": "keep-throwing"}),
                Reply::Answer(Answer::KeepThrowing),
            ),
            (json!({"throw": "undo"}), Reply::Answer(Answer::Undo)),
            (
                json!({"throw": {"note": written}}),
                Reply::Answer(Answer::Note(note)),
            ),
            (json!({"throw": "skip"}), Reply::Answer(Answer::Skip)),
            (
                json!({"throw": "skip-place"}),
                Reply::Answer(Answer::SkipPlace),
            ),
            (json!({"throw": "stop"}), Reply::Answer(Answer::Stop)),
        ]);
    }

    #[test]
    fn every_answer_to_another_question_has_a_form() {
        let (written, note) = note();
        mean([
            (json!({"hand": "laid"}), Reply::Laid(true)),
            (json!({"hand": "not-laid"}), Reply::Laid(false)),
            (json!({"hand": "stop"}), Reply::Stop),
            (
                json!({"survey": {"differ": []}}),
                Reply::Survey(Surveyed::Differ(vec![])),
            ),
            (
                json!({"survey": {"differ": [{"id": "Q1", "lies": "between"}]}}),
                Reply::Survey(Surveyed::Differ(vec![(id("Q1"), Observed::Between)])),
            ),
            (json!({"survey": "repeat"}), Reply::Survey(Surveyed::Repeat)),
            (json!({"survey": "undo"}), Reply::Survey(Surveyed::Undo)),
            (
                json!({"survey": "one-by-one"}),
                Reply::Survey(Surveyed::OneByOne),
            ),
            (
                json!({"survey": "skip-place"}),
                Reply::Survey(Surveyed::SkipPlace),
            ),
            (json!({"survey": "stop"}), Reply::Survey(Surveyed::Stop)),
            (
                json!({"look": "good"}),
                Reply::Look(Closer::Found(Found::Good)),
            ),
            (
                json!({"look": "bad"}),
                Reply::Look(Closer::Found(Found::Bad)),
            ),
            (json!({"look": "later"}), Reply::Look(Closer::Later)),
            (
                json!({"look": "keep-throwing"}),
                Reply::Look(Closer::KeepThrowing),
            ),
            (
                json!({"look": {"note": written}}),
                Reply::Look(Closer::Note(note)),
            ),
            (json!({"look": "stop"}), Reply::Look(Closer::Stop)),
            (json!({"repeating": "enough"}), Reply::Enough),
            (json!({"repeating": "stop"}), Reply::Stop),
        ]);
    }

    #[test]
    fn every_answer_at_a_decoder_has_a_form() {
        let acted = |position, stays_on| Reply::Saw(Saw::Acted { position, stays_on });
        mean([
            (json!({"task": "done"}), Reply::Did(Did::Done)),
            (json!({"task": "cannot"}), Reply::Did(Did::Cannot)),
            (json!({"task": "stop"}), Reply::Did(Did::Stop)),
            (json!({"lay-back": "done"}), Reply::Did(Did::Done)),
            (
                json!({"watch": {"acted": {"half": "straight"}}}),
                acted(Position::Straight, false),
            ),
            (
                json!({"watch": {"acted": {"half": "diverging", "stays_on": true}}}),
                acted(Position::Diverging, true),
            ),
            (
                json!({"watch": {"other-output": 4}}),
                Reply::Saw(Saw::OtherOutput(4)),
            ),
            (json!({"watch": "elsewhere"}), Reply::Saw(Saw::Elsewhere)),
            (json!({"watch": "nothing"}), Reply::Saw(Saw::Nothing)),
            (json!({"watch": "repeat"}), Reply::Saw(Saw::Repeat)),
            (json!({"watch": "cannot-see"}), Reply::Saw(Saw::CannotSee)),
            (json!({"watch": "stop"}), Reply::Saw(Saw::Stop)),
        ]);
    }

    #[test]
    fn every_answer_of_a_hunt_has_a_form() {
        let noticed = Reply::Noticed;
        mean([
            (json!({"hunt": "moved"}), noticed(Noticed::Moved(None))),
            (json!({"hunt": "did-not-move"}), noticed(Noticed::Still)),
            (json!({"hunt": "not-sure"}), noticed(Noticed::NotSure)),
            (json!({"hunt": "again"}), noticed(Noticed::Again)),
            (json!({"hunt": "stop"}), noticed(Noticed::Stop)),
            (
                json!({"hunt": {"lies": "straight"}}),
                noticed(Noticed::Lies(Position::Straight)),
            ),
            (
                json!({"hunt": {"lies": "diverging"}}),
                noticed(Noticed::Lies(Position::Diverging)),
            ),
        ]);
    }

    #[test]
    fn nothing_else_is_an_answer() {
        let others = [
            json!("stop"),
            json!({}),
            json!({"throw": "straight"}),
            json!({"throw": "Repeat"}),
            json!({"throw": "cant-see"}),
            json!({"throw": "unclear"}),
            json!({"throw": {"repeat": 1}}),
            json!({"throw": "repeat", "hand": "laid"}),
            json!({"throw": {"seen": {"observed": "proved"}}}),
            json!({"throw": {"seen": {"observed": "straight", "sure": true}}}),
            json!({"throw": {"seen": {"others": ["Q2"]}}}),
            json!({"throw": {"note": {"text": " \n"}}}),
            json!({"throw": {"note": {"text": "x".repeat(NOTE + 1)}}}),
            json!({"throw": {"note": {"photo": "x".repeat(PHOTO + 1)}}}),
            json!({"survey": {"differ": [{"id": "Q1", "lies": "no-movement"}]}}),
            json!({"survey": {"differ": [{"id": "Q1"}]}}),
            json!({"repeating": "good"}),
            json!({"task": "straight"}),
            json!({"task": true}),
            json!({"watch": "straight"}),
            json!({"hunt": "straight"}),
            json!({"hunt": {"lies": "between"}}),
            json!({"watch": {"acted": {"half": "between"}}}),
            json!({"watch": {"acted": {"stays_on": true}}}),
            json!({"watch": {"acted": {"half": "straight", "sure": true}}}),
            json!({"watch": {"other-output": 256}}),
            json!({"watch": {"other-output": -1}}),
        ];
        for form in others {
            assert_eq!(reply(&form), None, "{form}");
        }
        let odd = [
            &br#"{"session":"s","number":-1,"nonce":"n","reply":{"hand":"laid"}}"#[..],
            br#"{"session":"s","number":1.5,"nonce":"n","reply":{"hand":"laid"}}"#,
            br#"{"session":"s","number":1,"nonce":"n","reply":{"hand":"laid"},"by":"x"}"#,
            br#"{"session":"s","number":1,"number":2,"nonce":"n","reply":{"hand":"laid"}}"#,
            br#"{"session":"s","number":1,"nonce":"n","reply":{"hand":"laid"}} "#,
            br#"{"session":"s","number":1,"reply":{"hand":"laid"}}"#,
            b"",
            b"[]",
            b"\xff",
        ];
        let read: Vec<_> = odd.iter().map(|body| Given::parse(body).is_ok()).collect();
        assert_eq!(
            read,
            [false, false, false, false, true, false, false, false, false]
        );
    }

    /// Anything that JSON can say, made of the words of answers more often than not.
    fn any_json() -> impl Strategy<Value = Value> {
        let words = prop::sample::select(vec![
            "throw",
            "hand",
            "survey",
            "look",
            "repeating",
            "seen",
            "observed",
            "others",
            "note",
            "text",
            "photo",
            "differ",
            "id",
            "lies",
            "straight",
            "stop",
            "laid",
            "good",
            "enough",
            "aspect",
            "between",
            "task",
            "done",
            "watch",
            "acted",
            "half",
            "other-output",
        ]);
        let leaf = prop_oneof![
            words.clone().prop_map(Value::from),
            any::<i64>().prop_map(Value::from),
            any::<bool>().prop_map(Value::from),
            Just(Value::Null),
            ".{0,8}".prop_map(Value::from),
        ];
        leaf.prop_recursive(4, 24, 4, move |inner| {
            let words = words.clone();
            let pairs = prop::collection::vec((words, inner.clone()), 0..3);
            prop_oneof![
                prop::collection::vec(inner, 0..3).prop_map(Value::from),
                pairs.prop_map(|pairs| {
                    pairs
                        .into_iter()
                        .map(|(key, value)| (key.to_owned(), value))
                        .collect()
                }),
            ]
        })
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_turned_away(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _read = Given::parse(&bytes);
        }

        #[test]
        fn what_is_read_is_fit_to_be_shown(form in any_json()) {
            if let Ok(given) = Given::parse(&body(&form)) {
                prop_assert_eq!(given.number, 7);
                if let Reply::Answer(Answer::Note(note)) | Reply::Look(Closer::Note(note)) =
                    given.reply
                {
                    prop_assert!(!(note.text + &note.photo).chars().any(char::is_control));
                }
            }
        }
    }
}
