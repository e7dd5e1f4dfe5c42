//! What is asked at the terminal of whoever watches a thing whose address is looked for.

use std::io::{self, Write};

use throwproof_protocol::address::Position;

use super::keymap::Action;
use super::keys::Keys;
use super::page::Page;
use super::session::Session;
use super::sheet::Choice;
use super::text::bold;
use crate::witness::desk::Reply;
use crate::witness::hunt::{Back, Inquiry, Noticed, Why};

impl<K: Keys, W: Write> Session<'_, K, W> {
    pub(super) async fn noticed(&mut self) -> io::Result<Reply> {
        self.begin().await?;
        let choice = self.choose().await?;
        let noticed = match choice {
            // It was asked once more, and has its word.
            Choice::Do(Action::Stop) => return Ok(Reply::Noticed(Noticed::Stop)),
            Choice::Do(Action::Moved) => Noticed::Moved(None),
            Choice::Do(Action::Straight) => Noticed::Lies(Position::Straight),
            Choice::Do(Action::Diverging) => Noticed::Lies(Position::Diverging),
            Choice::Do(Action::Nothing) => Noticed::Still,
            Choice::Do(Action::Repeat) => Noticed::Again,
            Choice::Do(_) | Choice::Aspect(_) | Choice::Other(_) => Noticed::NotSure,
        };
        let label = self.sheet.label(&choice).to_owned();
        self.say(&format!("{label}\n"))?;
        Ok(Reply::Noticed(noticed))
    }
}

impl Page<'_> {
    /// What was thrown, and what to say of it.
    pub(super) fn inquiry(&mut self, inquiry: &Inquiry) {
        let question = bold(&format!("Question {}", inquiry.number));
        let what = thrown(inquiry);
        self.told(&format!("{question}   {what}"));
        self.say(bold(&asked(inquiry)));
    }

    /// What is to be laid back by hand.
    pub(super) fn lay_back(&mut self, back: &Back) {
        match back.why {
            Why::Moved => {}
            Why::Doubted => self.told(DOUBTED),
            Why::Never => self.told(NEVER),
        }
        self.say(bold(&to_lay_back(back)));
    }
}

/// Why it may be asked for.
const DOUBTED: &str =
    "The answers do not fit each other, as they would where it moves one way only.";

const NEVER: &str = "Nothing moved it. It may move one way only, and lie there already.";

/// What is to be laid back by hand.
pub(super) fn to_lay_back(back: &Back) -> String {
    let thing = &back.thing;
    match back.why {
        Why::Moved => format!("Lay {thing} back by hand, as it lay before."),
        Why::Doubted => format!("If {thing} does not lie as it did at first, lay it back by hand."),
        Why::Never => format!("Lay {thing} the other way by hand."),
    }
}

/// What was thrown.
fn thrown(inquiry: &Inquiry) -> String {
    let Inquiry {
        addresses, runs, ..
    } = inquiry;
    match inquiry.sent {
        Some(_) => format!("Address {runs} was thrown alone, one way."),
        None if *addresses == 1 => format!("Address {runs} was thrown there and back."),
        None => format!("{addresses} addresses were thrown there and back: {runs}."),
    }
}

/// The question.
fn asked(inquiry: &Inquiry) -> String {
    let thing = &inquiry.thing;
    match inquiry.sent {
        Some(_) => format!("Did {thing} move, and how does it lie?"),
        None => format!("Did {thing} move?"),
    }
}

/// Whether an action is an answer to that.
pub(super) fn may(inquiry: &Inquiry, action: Action) -> bool {
    match action {
        Action::Straight | Action::Diverging => inquiry.sent.is_some(),
        Action::Moved => inquiry.sent.is_none(),
        Action::Nothing
        | Action::Between
        | Action::Another
        | Action::Repeat
        | Action::ThreeTimes
        | Action::KeepThrowing
        | Action::Undo
        | Action::Note
        | Action::Photo
        | Action::Skip
        | Action::SkipPlace
        | Action::Stop
        | Action::Confirm
        | Action::OneByOne
        | Action::Good
        | Action::Bad
        | Action::StaysOn
        | Action::Elsewhere
        | Action::CannotSee
        | Action::NotSure => true,
    }
}

/// What an answer is called where it is not called as in other questions.
pub(super) fn label(inquiry: &Inquiry, action: Action) -> Option<&'static str> {
    let labels = [
        (Action::Straight, "it moved and lies straight"),
        (Action::Diverging, "it moved and lies diverging"),
        (Action::Moved, "it moved"),
        (Action::Nothing, "it did not move"),
        (Action::NotSure, "not sure"),
        (Action::Repeat, "throw again"),
    ];
    // Whatever is watched may be no turnout: the first two say which way only.
    let own = labels.into_iter().find(|(known, _)| *known == action);
    own.filter(|_| may(inquiry, action)).map(|(_, label)| label)
}

/// What is spoken when the question opens.
pub(super) fn spoken(inquiry: &Inquiry) -> String {
    asked(inquiry)
}
