mod bench;
mod diagnosis;

use std::collections::VecDeque;
use std::fs;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use futures_util::FutureExt;
use throwproof_protocol::address::Position;
use unicode_width::UnicodeWidthStr;

use super::questions::spoken;
use super::*;

mod lamps;
use crate::event::{Event, EventKind, Step, Subject};
use crate::plan::{Look, Plan};
use crate::verdict::Verdict;
use crate::witness::desk::{AskedKind, Progress, Shown};
use crate::witness::{Answer, Closer, Found, Note, Observed, Question, Seen, Survey, Surveyed};

/// Keys in a row; then the terminal is gone.
#[derive(Debug, Default)]
struct Script {
    keys: VecDeque<Key>,
    raw: bool,
    suspended: usize,
    /// Nothing is pressed any more, and the terminal stays.
    silent: bool,
}

/// Letters as they are, `\n` for Enter, `<` for Backspace, `^` for Escape, `~` for Ctrl-Z.
fn keys(text: &str) -> VecDeque<Key> {
    let key = |letter| match letter {
        '\n' => Key::Enter,
        '<' => Key::Backspace,
        '^' => Key::Esc,
        '~' => Key::Suspend,
        letter => Key::Char(letter),
    };
    text.chars().map(key).collect()
}

#[async_trait(?Send)]
impl Keys for Script {
    fn attend(&mut self) -> io::Result<()> {
        self.raw = true;
        Ok(())
    }

    async fn forget_early(&mut self) {}

    async fn next(&mut self) -> io::Result<Key> {
        assert!(self.raw, "keys are taken one by one only in raw mode");
        match self.keys.pop_front() {
            Some(key) => Ok(key),
            None if self.silent => std::future::pending().await,
            None => Err(io::ErrorKind::UnexpectedEof.into()),
        }
    }

    fn rest(&mut self) {
        self.raw = false;
    }

    fn suspend(&mut self) -> io::Result<()> {
        self.suspended += 1;
        Ok(())
    }
}

const PLAN: &str = r#"
[layout]
name = "Kestrel Bay"

[[turnout]]
id = "Q1"
place = "Quay throat"
shape = "left"
address = 1

[[turnout]]
id = "Q2"
place = "Quay throat"
shape = "right"
address = 2

[[turnout]]
id = "F1"
place = "Fish dock"
shape = "wye"
address = 9

[[signal]]
id = "S1"
place = "Quay gate"
address = 60
kind = "extended"
aspects = { stop = 0, proceed = 1, caution = 2 }
"#;

fn plan() -> Plan {
    Plan::from_text("plan.toml", PLAN).unwrap()
}

fn subject(id: &str) -> Subject {
    if id.starts_with('S') {
        Subject::Signal(Id::new(id))
    } else {
        Subject::Turnout(Id::new(id))
    }
}

fn throw_of(id: &str, commanded: &str, step: Step) -> AskedKind {
    AskedKind::throw(&Question {
        plan: &plan(),
        throw: 7,
        step,
        subject: &subject(id),
        commanded: &Id::new(commanded),
        at: Duration::ZERO,
    })
}

fn survey(count: usize) -> AskedKind {
    let sent = [
        (subject("Q1"), Position::Straight),
        (subject("Q2"), Position::Diverging),
    ];
    let mut kind = AskedKind::survey(&Survey {
        plan: &plan(),
        place: "Quay throat",
        round: 1,
        rounds: 3,
        sent: &sent,
    });
    if let AskedKind::Survey { shown, .. } = &mut kind {
        for number in 3..=count {
            let one: Shown = shown[0].clone();
            shown.push(one);
            let Some(last) = shown.last_mut() else { break };
            last.sight.subject = subject(&format!("Q{number}"));
        }
    }
    kind
}

fn scene(progress: Progress) -> Scene {
    Scene {
        blind: false,
        session: String::new(),
        asked: None,
        coming: None,
        answered: None,
        progress: Arc::new(progress),
    }
}

/// An operator with those keys at hand.
struct Operator {
    ask: Ask<Script, Vec<u8>>,
    scene: Scene,
    number: u64,
}

impl Operator {
    fn new(manner: Manner) -> Self {
        Self {
            ask: Ask::new(Script::default(), Vec::new(), manner),
            scene: scene(Progress::of(&plan())),
            number: 0,
        }
    }

    /// What the keys answer, and what was shown.
    fn asked(&mut self, kind: AskedKind, pressed: &[Key]) -> (io::Result<Reply>, String) {
        self.ask.keys.keys = pressed.to_vec().into();
        self.ask.out.clear();
        self.number += 1;
        let asked = Asked {
            number: self.number,
            kind,
        };
        let answer = self.ask.answer(&asked, &self.scene).now_or_never().unwrap();
        if let Ok(reply) = &answer {
            assert!(asked.fits(reply), "{reply:?}");
        }
        (answer, self.shown())
    }

    /// Without what only looks good.
    fn shown(&self) -> String {
        let text = String::from_utf8(self.ask.out.clone()).unwrap();
        anstream::adapter::strip_str(&text).to_string()
    }
}

fn asked(kind: AskedKind, pressed: &str) -> (Reply, String) {
    asked_in(Manner::default(), kind, pressed)
}

fn asked_in(manner: Manner, kind: AskedKind, pressed: &str) -> (Reply, String) {
    let pressed: Vec<_> = keys(pressed).into();
    let (answer, shown) = Operator::new(manner).asked(kind, &pressed);
    (answer.unwrap(), shown)
}

fn turnout(pressed: &str) -> (Answer, String) {
    let (reply, shown) = asked(throw_of("Q1", "diverging", Step::Visit), pressed);
    let Reply::Answer(answer) = reply else {
        panic!("{reply:?}")
    };
    (answer, shown)
}

fn signal(pressed: &str) -> Answer {
    let (reply, _) = asked(throw_of("S1", "caution", Step::Visit), pressed);
    let Reply::Answer(answer) = reply else {
        panic!("{reply:?}")
    };
    answer
}

fn plainly(observed: Observed) -> Answer {
    Answer::Seen(Seen {
        observed,
        others: Vec::new(),
    })
}

fn note(text: &str, photo: &str) -> Note {
    Note {
        text: text.to_owned(),
        photo: photo.to_owned(),
    }
}

#[test]
fn one_key_answers() {
    for (pressed, answer) in [
        ("s", plainly(Observed::Straight)),
        ("d", plainly(Observed::Diverging)),
        ("n", plainly(Observed::NoMovement)),
        ("b", plainly(Observed::Between)),
        ("r", Answer::Repeat),
        ("t", Answer::BackAndForth),
        ("a", Answer::KeepThrowing),
        ("u", Answer::Undo),
        ("k", Answer::Skip),
        ("l", Answer::SkipPlace),
        ("qq", Answer::Stop),
        ("D", plainly(Observed::Diverging)),
    ] {
        assert_eq!(turnout(pressed).0, answer, "{pressed}");
    }
}

#[test]
fn the_question_says_where_to_look_and_what_was_sent() {
    let (_, shown) = turnout("s");
    let rule = "-".repeat(80);
    assert_eq!(
        shown,
        format!(
            r"
{rule}
0 of 4 done
Quay throat 0 of 2   Fish dock 0 of 1   Quay gate 0 of 1

Quay throat
Q1   left-hand turnout, address 1

      diverging \   | straight
                 \  |
                  \ |
                   \|
                    |
                   toe

Sent: diverging (throw 7).
What do you see?
   s straight        d diverging       n nothing moved   b between
   o another moved   r repeat          t three times     a keep throwing
   u undo            w note            p photo           k skip
   l skip place      q stop
> straight
"
        )
    );
}

#[test]
fn every_question_fits_a_screen_of_80_by_24() {
    let look = Look::from(Arc::from("power-cycle"));
    let kinds = [
        throw_of("Q1", "diverging", Step::Prime),
        throw_of("F1", "straight", Step::Keep),
        throw_of("S1", "stop", Step::Visit),
        survey(40),
        AskedKind::look(&plan(), &subject("Q1"), &look),
    ];
    for unicode in [false, true] {
        for kind in kinds.clone() {
            let manner = Manner {
                unicode,
                invitation: Arc::new(OnceLock::from("The phone page is at\n".to_owned())),
                ..Manner::default()
            };
            let mut operator = Operator::new(manner);
            let mut progress = Progress::of(&plan());
            progress.verdicts = [
                (Verdict::Proved, 120),
                (Verdict::Reversed, 12),
                (Verdict::OneWay, 3),
                (Verdict::Stray, 4),
                (Verdict::Skipped, 11),
            ]
            .into();
            progress.left_s = Some(5400);
            operator.scene = scene(progress);
            let (_, shown) = operator.asked(kind, &[]);
            assert!(shown.lines().count() <= 24, "{shown}");
            assert!(shown.lines().all(|line| line.width() <= 80), "{shown}");
            assert_eq!(shown.is_ascii(), !unicode, "{shown}");
            let header =
                "\n0 of 4 done   about 90 minutes left   120 proved   19 not proved   11 skipped\n";
            assert!(shown.contains(header), "{shown}");
        }
    }
}

#[test]
fn what_invites_phones_is_shown_again_at_a_key() {
    let text = "The phone page is at\n  http://192.168.1.20:17845/#key\n";
    let manner = || Manner {
        invitation: Arc::new(OnceLock::from(text.to_owned())),
        ..Manner::default()
    };
    let kind = || throw_of("Q1", "diverging", Step::Visit);
    let (reply, shown) = asked_in(manner(), kind(), "#d");
    assert!(
        shown.contains("   # code and address for phones\n"),
        "{shown}"
    );
    assert!(
        shown.contains(&format!("> \n{text}> diverging\n")),
        "{shown}"
    );
    assert!(matches!(reply, Reply::Answer(Answer::Seen(_))), "{reply:?}");
    // Without a page it is a key like any other that means nothing.
    let (_, shown) = asked_in(Manner::default(), kind(), "#d");
    assert!(shown.contains("`#` is none of the keys"), "{shown}");
    assert!(!shown.contains("for phones"), "{shown}");
}

#[test]
fn every_shape_is_drawn_and_told() {
    for shape in [
        "left",
        "right",
        "wye",
        "curved",
        "three-way",
        "single-slip",
        "double-slip",
        "crossover",
        "scissors",
    ] {
        let plan = Plan::from_text(
            "plan.toml",
            &PLAN.replace("shape = \"left\"", &format!("shape = \"{shape}\"")),
        )
        .unwrap();
        let kind = AskedKind::throw(&Question {
            plan: &plan,
            throw: 1,
            step: Step::Visit,
            subject: &subject("Q1"),
            commanded: &Id::new("straight"),
            at: Duration::ZERO,
        });
        let (_, drawn) = asked(kind.clone(), "s");
        assert!(drawn.contains("toe"), "{drawn}");
        assert!(drawn.lines().count() <= 24, "{drawn}");
        let reader = Manner {
            plain: true,
            ..Manner::default()
        };
        let (_, told) = asked_in(reader, kind, "s");
        assert!(!told.contains(['|', '\\', '/']), "{told}");
        assert!(told.contains("traight"), "{told}");
    }
}

#[test]
fn positions_of_several_drives_have_keys_a_drawing_and_words() {
    for (shape, own, names) in [
        ("three-way", "1 left", ["left", "right"]),
        ("double-slip", "1 across", ["across", "left"]),
        (
            "scissors",
            "1 first-diagonal",
            ["first-diagonal", "second-diagonal"],
        ),
    ] {
        let plan = PLAN.replace("shape = \"left\"\naddress = 1", "SHAPE");
        let several = format!("shape = \"{shape}\"\naddresses = [1, 3]");
        let plan = Plan::from_text("plan.toml", &plan.replace("SHAPE", &several)).unwrap();
        let commanded = Id::new(names[1]);
        let question = Question {
            plan: &plan,
            throw: 1,
            step: Step::Visit,
            subject: &subject("Q1"),
            commanded: &commanded,
            at: Duration::ZERO,
        };
        let kind = AskedKind::throw(&question);
        for (key, observed) in [
            ("s", Observed::Straight),
            ("1", Observed::Aspect(Id::new(names[0]))),
            ("2", Observed::Aspect(Id::new(names[1]))),
            // There is no such position: the key means nothing.
            ("db", Observed::Between),
        ] {
            let (reply, shown) = asked(kind.clone(), key);
            assert_eq!(reply, Reply::Answer(plainly(observed)), "{key}");
            assert!(
                shown.contains(own) && shown.contains("s straight"),
                "{shown}"
            );
            assert!(!shown.contains("diverging"), "{shown}");
            assert!(shown.contains("toe") && shown.contains("addresses 1, 3"));
            // A wrong key is told below.
            let fits = shown.lines().count() <= 24;
            assert!(fits || key.len() > 1, "{shown}");
        }
        let reader = Manner {
            plain: true,
            ..Manner::default()
        };
        let (_, told) = asked_in(reader, kind, "1");
        assert!(!told.contains(['|', '\\', '/']), "{told}");
        assert!(
            told.to_lowercase().contains(&format!("1: {}.", names[0])),
            "{told}"
        );
    }
}

#[test]
fn the_header_tells_how_far_it_is() {
    let mut operator = Operator::new(Manner::default());
    let mut progress = Progress::of(&plan());
    for (id, verdict) in [("Q1", Verdict::Proved), ("Q2", Verdict::OneWay)] {
        progress.take(&Event {
            kind: EventKind::Verdict {
                carried: false,
                subject: subject(id),
                verdict,
                place: "Quay throat".to_owned(),
                address: 1,
                detail: String::new(),
            },
            seq: 0,
            at_us: 0,
        });
    }
    progress.left_s = Some(170);
    operator.scene = scene(progress);
    let (_, shown) = operator.asked(throw_of("F1", "straight", Step::Prime), &[]);
    assert!(
        shown.contains("\n2 of 4 done   about 3 minutes left   1 proved   1 one-way\n"),
        "{shown}"
    );
    let places = "\nFish dock 0 of 1   Quay gate 0 of 1   Quay throat 2 of 2\n";
    assert!(shown.contains(places), "{shown}");
    assert!(
        shown.contains("Sent: straight (throw 7). It may have lain so before.\n"),
        "{shown}"
    );
}

#[test]
fn a_wrong_key_is_told_which_keys_there_are() {
    let (answer, shown) = turnout("x\nd");
    assert_eq!(answer, plainly(Observed::Diverging));
    assert!(
        shown.contains("`x` is none of the keys; they are s d n b o r t a u w p k l q\n> "),
        "{shown}"
    );
    assert!(shown.contains("`enter` is none of the keys"), "{shown}");
}

#[test]
fn a_question_mark_shows_the_question_again() {
    let (_, shown) = turnout("?s");
    assert_eq!(shown.matches("What do you see?").count(), 2);
}

#[test]
fn stopping_is_asked_once_more() {
    let (answer, shown) = turnout("qsd");
    assert_eq!(answer, plainly(Observed::Diverging), "s only went back");
    assert!(
        shown.contains("Nothing is lost; --resume carries on."),
        "{shown}"
    );
    assert!(
        shown.contains("> back to the question\n> diverging\n"),
        "{shown}"
    );
}

#[test]
fn aspects_are_numbered() {
    assert_eq!(signal("3"), plainly(Observed::Aspect(Id::new("caution"))));
    assert_eq!(signal("1"), plainly(Observed::Aspect(Id::new("stop"))));
    assert_eq!(signal("n"), plainly(Observed::NoMovement));
    assert_eq!(
        signal("s4dbqq"),
        Answer::Stop,
        "keys of turnouts mean nothing here"
    );
    let (_, shown) = asked(throw_of("S1", "caution", Step::Visit), "3");
    assert!(
        shown.contains(
            "   1 stop      2 proceed   3 caution\n   n nothing changed   o another moved"
        ),
        "{shown}"
    );
    assert!(shown.ends_with("> caution\n"), "{shown}");
}

#[test]
fn another_one_is_named_and_this_one_asked_for_too() {
    let others = |ids: &[&str]| ids.iter().map(|id| Id::new(id)).collect::<Vec<_>>();
    let answer = |observed, ids: &[&str]| {
        Answer::Seen(Seen {
            observed,
            others: others(ids),
        })
    };
    assert_eq!(turnout("oq2\nn").0, answer(Observed::Another, &["Q2"]));
    assert_eq!(
        turnout("oF1 q2\nd").0,
        answer(Observed::Diverging, &["Q2", "F1"])
    );
    assert_eq!(turnout("o\nn").0, answer(Observed::Another, &[]));
    assert_eq!(turnout("oQ3<2\nb").0, answer(Observed::Between, &["Q2"]));
    assert_eq!(
        turnout("oQ^s").0,
        plainly(Observed::Straight),
        "Escape goes back"
    );
}

#[test]
fn ids_near_by_are_offered_and_slips_caught() {
    let (answer, shown) = turnout("oF11\nQ1\nF1\nn");
    let others = vec![Id::new("F1")];
    assert_eq!(
        answer,
        Answer::Seen(Seen {
            observed: Observed::Another,
            others
        })
    );
    assert!(shown.contains("near by: Q2 F1 S1\n"), "{shown}");
    assert!(
        shown.contains("The plan has no F11; did you mean F1?"),
        "{shown}"
    );
    assert!(
        shown.contains("Q1 is the one that was sent; which other one moved?"),
        "{shown}"
    );
}

#[test]
fn notes_are_kept_or_dropped() {
    assert_eq!(turnout("wstifff<\n").0, Answer::Note(note("stiff", "")));
    let (answer, shown) = turnout("wdirt^w  \ns");
    assert_eq!(answer, plainly(Observed::Straight));
    assert!(shown.contains("left as it was"), "{shown}");
    assert!(shown.contains("nothing to keep"), "{shown}");
    assert_eq!(
        turnout("wKupplung lose, 岸\n").0,
        Answer::Note(note("Kupplung lose, 岸", ""))
    );
}

#[test]
fn the_name_of_a_photo_is_kept_whether_it_is_there_or_not() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("q1.jpg"), "").unwrap();
    let manner = || Manner {
        photos: folder.path().to_owned(),
        ..Manner::default()
    };
    let kind = || throw_of("Q1", "diverging", Step::Visit);
    let (reply, shown) = asked_in(manner(), kind(), "pq1.jpg\n");
    assert_eq!(reply, Reply::Answer(Answer::Note(note("", "q1.jpg"))));
    assert!(!shown.contains("is not in"), "{shown}");
    let (reply, shown) = asked_in(manner(), kind(), "pq2.jpg\n");
    assert_eq!(reply, Reply::Answer(Answer::Note(note("", "q2.jpg"))));
    assert!(shown.contains("q2.jpg is not in "), "{shown}");
}

#[test]
fn blind_hides_what_was_sent_until_the_answer_is_in() {
    let blind = || Manner {
        blind: true,
        ..Manner::default()
    };
    for step in [Step::Prime, Step::Visit, Step::Keep] {
        let mut operator = Operator::new(blind());
        operator.ask.keys.silent = true;
        let kind = throw_of("Q2", "straight", step);
        let asked = Asked { number: 1, kind };
        let pending = operator.ask.answer(&asked, &operator.scene).now_or_never();
        assert!(pending.is_none());
        let before = operator.shown();
        assert!(!before.contains("Sent"), "{before}");
        // The word is a route of the drawing and a key, and no more.
        assert_eq!(before.matches("straight").count(), 2, "{before}");
        let (_, shown) = operator.asked(asked.kind, &[Key::Char('d')]);
        assert!(
            shown.ends_with("> diverging\nIt was sent to straight.\n"),
            "{shown}"
        );
    }
    let (reply, _) = asked_in(blind(), survey(2), "");
    assert_eq!(reply, Reply::Survey(Surveyed::OneByOne));
}

#[test]
fn plain_is_one_sentence_a_line_and_never_moves_the_cursor() {
    let plain = || Manner {
        plain: true,
        unicode: true,
        ..Manner::default()
    };
    let mut operator = Operator::new(plain());
    let kind = throw_of("Q1", "diverging", Step::Prime);
    let pressed: Vec<_> = keys("wab<c\n").into();
    let (_, shown) = operator.asked(kind.clone(), &pressed);
    let expected = "
Look at Quay throat, left-hand turnout Q1, address 1.
Seen from the toe, straight goes ahead.
Diverging goes to the left.
Sent: diverging (throw 7).
It may have lain so before.
What do you see?
0 of 4 are done.
Quay throat: 0 of 2.
Question mark: all of this again.
s: straight.
d: diverging.
";
    assert!(shown.starts_with(expected), "{shown}");
    assert!(shown.is_ascii(), "{shown}");
    assert!(!shown.contains(['\u{8}', '\r', '\u{1b}']), "{shown:?}");
    let (_, again) = operator.asked(kind, &[Key::Char('s')]);
    assert!(
        !again.contains("d: diverging."),
        "the keys were told: {again}"
    );
    assert!(again.contains("Question mark: this again, and the keys."));
    let (_, listed) = operator.asked(survey(2), &[Key::Enter]);
    assert!(
        listed.contains("\n1: Q1 straight.\n2: Q2 diverging.\n"),
        "{listed}"
    );
}

#[test]
fn keys_may_be_others() {
    let map = KeyMap::with([
        ("straight", vec!["pageup"]),
        ("diverging", vec!["pagedown", "1"]),
        ("repeat", vec!["2"]),
    ])
    .unwrap();
    let manner = || Manner {
        keys: map.clone(),
        ..Manner::default()
    };
    let seen = |pressed: &[Key]| {
        let kind = throw_of("Q1", "diverging", Step::Visit);
        let (answer, shown) = Operator::new(manner()).asked(kind, pressed);
        (answer.unwrap(), shown)
    };
    let (reply, shown) = seen(&[Key::PageUp]);
    assert_eq!(reply, Reply::Answer(plainly(Observed::Straight)));
    assert!(
        shown.contains("   pageup straight      pagedown diverging"),
        "{shown}"
    );
    assert!(shown.lines().all(|line| line.width() <= 80), "{shown}");
    assert_eq!(
        seen(&[Key::Char('s'), Key::Char('1')]).0,
        Reply::Answer(plainly(Observed::Diverging))
    );
    // Aspects leave out what is an answer's: 1 and 2 here.
    let (reply, shown) = asked_in(manner(), throw_of("S1", "stop", Step::Visit), "4");
    let caution = Observed::Aspect(Id::new("proceed"));
    assert_eq!(reply, Reply::Answer(plainly(caution)), "{shown}");
}

#[test]
fn laying_by_hand_is_confirmed_or_not() {
    let laid = |pressed: &str| {
        let kind = AskedKind::hand(
            &Question {
                plan: &plan(),
                throw: 4,
                step: Step::Visit,
                subject: &subject("Q1"),
                commanded: &Id::new("straight"),
                at: Duration::ZERO,
            },
            Position::Diverging,
        );
        asked(kind, pressed)
    };
    assert_eq!(laid("\n").0, Reply::Laid(true));
    assert_eq!(laid("x\n").0, Reply::Laid(true));
    assert_eq!(laid("k").0, Reply::Laid(false));
    assert_eq!(laid("qq").0, Reply::Stop);
    let (_, shown) = laid("\n");
    assert!(shown.contains("\nLay Q1 diverging by hand.\n"), "{shown}");
    assert!(
        shown.contains("   enter it lies so   k can't be done    q stop\n"),
        "{shown}"
    );
}

#[test]
fn a_survey_confirms_all_but_those_that_are_turned() {
    let differ = |list: &[(&str, Observed)]| {
        let list = list.iter().map(|(id, seen)| (Id::new(id), seen.clone()));
        Reply::Survey(Surveyed::Differ(list.collect()))
    };
    for (pressed, reply) in [
        ("\n", differ(&[])),
        ("1\n", differ(&[("Q1", Observed::Diverging)])),
        ("2\n", differ(&[("Q2", Observed::Straight)])),
        ("11\n", differ(&[("Q1", Observed::Between)])),
        ("111\n", differ(&[])),
        (
            "122\n",
            differ(&[("Q1", Observed::Diverging), ("Q2", Observed::Between)]),
        ),
        ("r", Reply::Survey(Surveyed::Repeat)),
        ("u", Reply::Survey(Surveyed::Undo)),
        ("e", Reply::Survey(Surveyed::OneByOne)),
        ("l", Reply::Survey(Surveyed::SkipPlace)),
        ("qq", Reply::Survey(Surveyed::Stop)),
    ] {
        assert_eq!(asked(survey(2), pressed).0, reply, "{pressed}");
    }
    let (_, shown) = asked(survey(2), "1\n");
    assert!(
        shown.contains("\nQuay throat   All were thrown, look 1 of 3.\n"),
        "{shown}"
    );
    assert!(
        shown.contains("\n   1 Q1 straight    2 Q2 diverging\n"),
        "{shown}"
    );
    assert!(
        shown.ends_with("> Q1 lies diverging, not straight.\n> Q1 diverging; the rest as sent\n"),
        "{shown}"
    );
}

#[test]
fn a_large_place_has_a_key_for_each() {
    let mut operator = Operator::new(Manner::default());
    let (reply, shown) = operator.asked(survey(40), &[Key::Char('a'), Key::Char('A'), Key::Enter]);
    let Reply::Survey(Surveyed::Differ(differ)) = reply.unwrap() else {
        panic!("{shown}")
    };
    let ids: Vec<_> = differ.iter().map(|(id, _)| id.as_str()).collect();
    assert_eq!(ids.len(), 2, "small and capital letters are two: {shown}");
    assert_eq!(ids[0], "Q10");
}

#[test]
fn a_closer_look_is_good_or_not_or_later() {
    let look = Look::from(Arc::from("frog-polarity"));
    let kind = || AskedKind::look(&plan(), &subject("Q1"), &look);
    for (pressed, closer) in [
        ("g", Closer::Found(Found::Good)),
        ("b", Closer::Found(Found::Bad)),
        ("k", Closer::Later),
        ("a", Closer::KeepThrowing),
        ("wdirty\n", Closer::Note(note("dirty", ""))),
        ("w^g", Closer::Found(Found::Good)),
        ("qq", Closer::Stop),
    ] {
        assert_eq!(asked(kind(), pressed).0, Reply::Look(closer), "{pressed}");
    }
    let (_, shown) = asked(kind(), "g");
    let question = "Measure from the frog to the rail it belongs to, both ways.";
    assert!(shown.contains(question), "{shown}");
    assert!(
        shown.contains("   g good            b not good        a keep throwing"),
        "{shown}"
    );
}

fn repeating(commanded: &str) -> AskedKind {
    AskedKind::repeating(&Question {
        plan: &plan(),
        throw: 4,
        step: Step::Single,
        subject: &subject("Q1"),
        commanded: &Id::new(commanded),
        at: Duration::ZERO,
    })
}

#[tokio::test(start_paused = true)]
async fn any_key_ends_the_repeating_and_positions_are_heard() {
    let manner = Manner {
        cue: Cue::new(true, None),
        ..Manner::default()
    };
    let mut operator = Operator::new(manner);
    operator.ask.keys.silent = true;
    let second = Duration::from_secs(1);
    for (number, commanded, strokes) in [(1, "straight", 1), (2, "diverging", 2)] {
        operator.ask.out.clear();
        let kind = repeating(commanded);
        let asked = Asked { number, kind };
        let answer = operator.ask.answer(&asked, &operator.scene);
        assert!(tokio::time::timeout(second, answer).await.is_err());
        assert!(operator.ask.keys.raw, "keys are taken between positions");
        let shown = String::from_utf8(operator.ask.out.clone()).unwrap();
        assert_eq!(shown.matches('\u{7}').count(), strokes);
        assert!(shown.contains(commanded), "{shown}");
        assert_eq!(shown.contains("Any key ends it"), number == 1);
    }
    operator.ask.keys.keys.push_back(Key::PageDown);
    let kind = repeating("straight");
    let asked = Asked { number: 3, kind };
    let reply = operator.ask.answer(&asked, &operator.scene).await.unwrap();
    assert_eq!(reply, Reply::Enough);
}

#[test]
fn a_bell_opens_a_question_if_it_is_wanted() {
    let bells = |bell| {
        let manner = Manner {
            cue: Cue::new(bell, None),
            ..Manner::default()
        };
        let mut operator = Operator::new(manner);
        let kind = throw_of("Q1", "diverging", Step::Visit);
        operator.asked(kind, &[Key::Char('s')]).0.unwrap();
        let strokes = operator.ask.out.iter().filter(|byte| **byte == 7);
        strokes.count()
    };
    assert_eq!((bells(false), bells(true)), (0, 1));
}

#[test]
fn what_can_not_speak_is_told_once() {
    let manner = Manner {
        cue: Cue::new(false, Some("no-such-speaker-here")),
        ..Manner::default()
    };
    let mut operator = Operator::new(manner);
    let kind = || throw_of("Q1", "diverging", Step::Visit);
    let (_, first) = operator.asked(kind(), &[Key::Char('s')]);
    assert!(
        first.contains("`no-such-speaker-here` does not speak: "),
        "{first}"
    );
    let (_, second) = operator.asked(kind(), &[Key::Char('s')]);
    assert!(!second.contains("does not speak"), "{second}");
}

#[test]
fn what_is_spoken_names_place_and_id_and_hides_what_is_hidden() {
    let kind = throw_of("Q1", "diverging", Step::Visit);
    assert_eq!(
        spoken(&kind, false),
        "Quay throat. Q1. diverging. What do you see?"
    );
    assert_eq!(spoken(&kind, true), "Quay throat. Q1. What do you see?");
    let kind = throw_of("S1", "stop", Step::Visit);
    assert_eq!(
        spoken(&kind, false),
        "Quay gate. S1. stop. What does it show?"
    );
}

#[test]
fn an_answer_from_elsewhere_is_told() {
    let mut operator = Operator::new(Manner::default());
    let answered = Answered {
        number: 3,
        about: "Q1".to_owned(),
        reply: "no-movement".to_owned(),
        by: "phone".to_owned(),
    };
    operator.ask.answered_elsewhere(&answered).unwrap();
    assert!(
        operator.ask.keys.raw,
        "a key during the next throw is no signal"
    );
    assert_eq!(
        operator.shown(),
        "\nQ1: nothing moved, answered on a phone\n"
    );
}

#[test]
fn ctrl_z_lends_the_terminal_to_the_shell_and_shows_the_question_again() {
    let mut operator = Operator::new(Manner::default());
    let kind = throw_of("Q1", "diverging", Step::Visit);
    let pressed: Vec<_> = keys("~wa~b\n").into();
    let (reply, shown) = operator.asked(kind, &pressed);
    assert_eq!(reply.unwrap(), Reply::Answer(Answer::Note(note("ab", ""))));
    assert_eq!(operator.ask.keys.suspended, 2);
    assert_eq!(shown.matches("What do you see?").count(), 2);
    assert!(shown.ends_with("Note: a\nNote: ab\n"), "{shown}");
}

#[test]
fn a_lost_terminal_is_no_answer() {
    let mut operator = Operator::new(Manner::default());
    let kind = throw_of("Q1", "diverging", Step::Visit);
    let (answer, _) = operator.asked(kind, &[Key::Char('x')]);
    assert!(answer.is_err());
    assert!(!operator.ask.keys.raw);
}

#[test]
fn the_terminal_is_given_back_when_a_question_is_dropped_or_the_run_ends() {
    let mut operator = Operator::new(Manner::default());
    operator.ask.keys.silent = true;
    let kind = throw_of("Q1", "diverging", Step::Visit);
    let asked = Asked {
        number: 1,
        kind: kind.clone(),
    };
    let dropped = operator.ask.answer(&asked, &operator.scene).now_or_never();
    assert!(dropped.is_none());
    assert!(!operator.ask.keys.raw);
    assert!(
        operator.shown().ends_with("> \n"),
        "what follows has its own line"
    );
    let pressed: Vec<_> = keys("qq").into();
    operator.asked(kind, &pressed).0.unwrap();
    assert!(!operator.ask.keys.raw);
}
