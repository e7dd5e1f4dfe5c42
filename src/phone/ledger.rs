//! What became of each answer, so that one that is sent again is not taken for another.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::watch;

use super::answer::Given;
use crate::witness::desk::{Answered, Reply, Seat, TurnedAway};

/// How many answers are remembered: more than can be on the way.
const KEPT: usize = 64;

/// How long the desk may take to say what became of an answer. It does at once, unless the
/// program is held up.
const PATIENCE: Duration = Duration::from_secs(5);

/// What is told of an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Outcome {
    /// It counts.
    Taken,
    /// The question had its answer already: this one, where it is known.
    Answered(Option<Answered>),
    /// The question was withdrawn before the answer was taken.
    Withdrawn,
    /// It is for another start of the program.
    Restarted,
    /// The question can't be answered so.
    DoesNotFit,
    /// Nothing is known yet; it may be sent again.
    Unknown,
}

/// An answer that was handed in.
#[derive(Debug)]
struct Line {
    number: u64,
    nonce: String,
    reply: Reply,
    /// Whether it was taken, once that is known.
    taken: watch::Receiver<Option<bool>>,
}

/// The answers of late.
#[derive(Debug, Default)]
struct Lines {
    handed_in: VecDeque<Line>,
    /// Questions that have their answer, wherever it was given.
    answered: VecDeque<Answered>,
}

/// Hands answers in, each once.
#[derive(Debug, Clone)]
pub(super) struct Ledger {
    seat: Seat,
    lines: Arc<Mutex<Lines>>,
}

impl Ledger {
    /// A ledger at that seat, which follows what is answered elsewhere too.
    pub(super) fn new(seat: Seat) -> Self {
        let ledger = Self {
            seat,
            lines: Arc::default(),
        };
        let (lines, seat) = (Arc::downgrade(&ledger.lines), ledger.seat.clone());
        let mut changes = seat.changes();
        tokio::spawn(async move {
            while changes.changed().await.is_ok() {
                let Some(lines) = lines.upgrade() else { break };
                if let Some(answered) = seat.scene().answered {
                    let mut lines = lines.lock().unwrap_or_else(PoisonError::into_inner);
                    lines.note(answered);
                }
            }
        });
        ledger
    }

    fn with<T>(&self, work: impl FnOnce(&mut Lines) -> T) -> T {
        work(&mut self.lines.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Hands an answer in, unless it was already, and tells what became of it.
    pub(super) async fn hand_in(&self, given: Given, by: &str) -> Outcome {
        if self.seat.scene().session != given.session {
            return Outcome::Restarted;
        }
        let number = given.number;
        let mut taken = match self.with(|lines| self.enter(lines, given, by)) {
            Ok(taken) => taken,
            Err(outcome) => return outcome,
        };
        let known = tokio::time::timeout(PATIENCE, taken.wait_for(Option::is_some)).await;
        match known.ok().and_then(Result::ok).and_then(|known| *known) {
            Some(true) => Outcome::Taken,
            Some(false) => match self.with(|lines| lines.of(number)) {
                None => Outcome::Withdrawn,
                answered => Outcome::Answered(answered),
            },
            None => Outcome::Unknown,
        }
    }

    fn enter(
        &self,
        lines: &mut Lines,
        given: Given,
        by: &str,
    ) -> Result<watch::Receiver<Option<bool>>, Outcome> {
        let known = lines
            .handed_in
            .iter()
            .find(|line| line.number == given.number);
        if let Some(line) = known.filter(|one| one.nonce == given.nonce && one.reply == given.reply)
        {
            return Ok(line.taken.clone());
        }
        match self.seat.answer(given.number, given.reply.clone(), by) {
            Ok(()) => {}
            Err(TurnedAway::DoesNotFit) => return Err(Outcome::DoesNotFit),
            Err(TurnedAway::NotOpen) => {
                return Err(Outcome::Answered(self.known(lines, given.number)));
            }
        }
        let (tell, taken) = watch::channel(None);
        tokio::spawn(follow(self.seat.clone(), given.number, tell));
        if lines.handed_in.len() >= KEPT {
            lines.handed_in.pop_front();
        }
        lines.handed_in.push_back(Line {
            number: given.number,
            nonce: given.nonce,
            reply: given.reply,
            taken: taken.clone(),
        });
        Ok(taken)
    }

    /// The answer that a question has or is about to have.
    fn known(&self, lines: &Lines, number: u64) -> Option<Answered> {
        let now = self
            .seat
            .scene()
            .answered
            .filter(|one| one.number == number);
        now.or_else(|| lines.of(number))
    }
}

impl Lines {
    fn of(&self, number: u64) -> Option<Answered> {
        self.answered
            .iter()
            .find(|one| one.number == number)
            .cloned()
    }

    fn note(&mut self, answered: Answered) {
        if self.answered.back() == Some(&answered) {
            return;
        }
        if self.answered.len() >= KEPT {
            self.answered.pop_front();
        }
        self.answered.push_back(answered);
    }
}

/// Tells whether the desk took the answer to that question, as soon as it did or the question is
/// closed without.
async fn follow(seat: Seat, number: u64, tell: watch::Sender<Option<bool>>) {
    let mut changes = seat.changes();
    loop {
        let scene = seat.scene();
        // A later question can have its answer only after this one was closed, and this task has
        // been waiting since before: what it sees is at most one question old.
        if scene
            .answered
            .is_some_and(|answered| answered.number >= number)
        {
            tell.send_replace(Some(true));
            return;
        }
        if scene.asked.is_none_or(|asked| asked.number != number) {
            tell.send_replace(Some(false));
            return;
        }
        if changes.changed().await.is_err() {
            return;
        }
    }
}
