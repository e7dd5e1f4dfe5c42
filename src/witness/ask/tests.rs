use std::collections::VecDeque;

use futures_util::FutureExt;

use super::*;
use crate::plan::Plan;

/// Keys in a row; then the terminal is gone.
struct Script {
    keys: VecDeque<Key>,
    raw: bool,
}

impl Script {
    /// Letters as they are, `\n` for Enter, `<` for Backspace.
    fn new(keys: &str) -> Self {
        let key = |letter| match letter {
            '\n' => Key::Enter,
            '<' => Key::Backspace,
            letter => Key::Char(letter),
        };
        Self {
            keys: keys.chars().map(key).collect(),
            raw: false,
        }
    }
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
        self.keys
            .pop_front()
            .ok_or_else(|| io::ErrorKind::UnexpectedEof.into())
    }

    fn rest(&mut self) {
        self.raw = false;
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

/// What the keys answer, and what was shown.
fn asked(subject: &Subject, commanded: &str, keys: &str) -> (Result<Answer, WitnessError>, String) {
    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    let mut ask = Ask::new(Script::new(keys), Vec::new());
    let commanded = Id::new(commanded);
    let question = Question {
        plan: &plan,
        throw: 7,
        step: crate::event::Step::Visit,
        subject,
        commanded: &commanded,
        at: std::time::Duration::ZERO,
    };
    ask.attend(&question).now_or_never().unwrap().unwrap();
    let answer = ask.observe(&question).now_or_never().unwrap();
    assert!(!ask.keys.raw, "the terminal is given back");
    (
        answer,
        String::from_utf8(ask.out).unwrap().replace("\r\n", "\n"),
    )
}

fn turnout(keys: &str) -> (Answer, String) {
    let (answer, shown) = asked(&Subject::Turnout(Id::new("Q1")), "diverging", keys);
    (answer.unwrap(), shown)
}

fn signal(keys: &str) -> Answer {
    asked(&Subject::Signal(Id::new("S1")), "caution", keys)
        .0
        .unwrap()
}

fn plainly(observed: Observed) -> Answer {
    Answer::Seen(Seen {
        observed,
        others: Vec::new(),
    })
}

#[test]
fn one_key_answers() {
    for (keys, answer) in [
        ("s", plainly(Observed::Straight)),
        ("d", plainly(Observed::Diverging)),
        ("n", plainly(Observed::NoMovement)),
        ("b", plainly(Observed::Between)),
        ("r", Answer::Repeat),
        ("k", Answer::Skip),
        ("q", Answer::Stop),
        ("D", plainly(Observed::Diverging)),
    ] {
        assert_eq!(turnout(keys).0, answer, "{keys}");
    }
}

#[test]
fn the_question_says_where_to_look_and_what_was_sent() {
    let (_, shown) = turnout("s");
    assert_eq!(
        shown,
        "\nQuay throat, left-hand turnout Q1, address 1\n\
         Throw 7: diverging was sent. Which way does it lie now?\n  \
           s lies straight  d lies diverging  n nothing moved  b between, not closed\n  \
           o another one moved  r throw it again  k skip it  q stop here\n\
         > straight\n"
    );
}

#[test]
fn a_wrong_key_is_told_which_keys_there_are() {
    let (answer, shown) = turnout("x\nd");
    assert_eq!(answer, plainly(Observed::Diverging));
    assert!(
        shown.contains("`x` is none of the keys; they are s d n b o r k q\n> "),
        "{shown}"
    );
    assert!(shown.contains("that is none of the keys"), "{shown}");
}

#[test]
fn aspects_are_numbered() {
    assert_eq!(signal("3"), plainly(Observed::Aspect(Id::new("caution"))));
    assert_eq!(signal("1"), plainly(Observed::Aspect(Id::new("stop"))));
    assert_eq!(signal("n"), plainly(Observed::NoMovement));
    assert_eq!(
        signal("s4q"),
        Answer::Stop,
        "keys of turnouts mean nothing here"
    );
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
fn a_lost_terminal_is_no_answer() {
    let (answer, _) = asked(&Subject::Turnout(Id::new("Q1")), "diverging", "x");
    assert!(matches!(answer, Err(WitnessError::TerminalLost(_))));
}

#[test]
fn laying_by_hand_is_confirmed_or_not() {
    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    let commanded = Id::new("straight");
    let laid = |subject: &Subject, keys: &str| {
        let mut ask = Ask::new(Script::new(keys), Vec::new());
        let question = Question {
            plan: &plan,
            throw: 4,
            step: crate::event::Step::Visit,
            subject,
            commanded: &commanded,
            at: std::time::Duration::ZERO,
        };
        ask.lay_by_hand(&question, Position::Diverging)
            .now_or_never()
            .unwrap()
    };
    let turnout = Subject::Turnout(Id::new("Q1"));
    assert!(laid(&turnout, "\n").unwrap());
    assert!(laid(&turnout, "x\n").unwrap());
    assert!(!laid(&turnout, "k").unwrap());
    assert!(matches!(laid(&turnout, "q"), Err(WitnessError::Stop)));
    assert!(matches!(
        laid(&turnout, ""),
        Err(WitnessError::TerminalLost(_))
    ));
    assert!(
        !laid(&Subject::Signal(Id::new("S1")), "").unwrap(),
        "nothing to lay"
    );
}

#[test]
fn a_question_that_is_dropped_gives_the_terminal_back() {
    struct Silent(bool);

    #[async_trait(?Send)]
    impl Keys for Silent {
        fn attend(&mut self) -> io::Result<()> {
            self.0 = true;
            Ok(())
        }

        async fn forget_early(&mut self) {}

        async fn next(&mut self) -> io::Result<Key> {
            std::future::pending().await
        }

        fn rest(&mut self) {
            self.0 = false;
        }
    }

    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    let (subject, commanded) = (Subject::Turnout(Id::new("Q1")), Id::new("straight"));
    let question = Question {
        plan: &plan,
        throw: 1,
        step: crate::event::Step::Visit,
        subject: &subject,
        commanded: &commanded,
        at: std::time::Duration::ZERO,
    };
    let mut ask = Ask::new(Silent(false), Vec::new());
    assert!(ask.observe(&question).now_or_never().is_none());
    assert!(!ask.keys.0);
}
