//! What became of decoders that were given their address: what was sent, and what was seen.

use jiff::Timestamp;
use serde::Serialize;

use super::RunLog;
use crate::event::teach::{Method, Outcome, Purpose, Sight};
use crate::event::{EventKind, Taught};
use crate::plan::Id;

/// One time that a decoder was given an address.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Lesson {
    /// The decoder.
    pub decoder: Id,
    /// The run.
    pub run: i64,
    /// How.
    pub method: Method,
    /// Keyed address that its first output was to have.
    pub first_address: u16,
    /// When that was sent last; `None` if it never was.
    pub sent: Option<Timestamp>,
    /// When its first output was last seen to answer to it; `None` if it never was.
    pub seen: Option<Timestamp>,
    /// What it came to; `None` where the run was cut off.
    pub outcome: Option<Outcome>,
}

impl Lesson {
    /// What is known of it, in a sentence; `time` writes a time.
    pub fn sentence(&self, time: impl Fn(Timestamp) -> String) -> String {
        let address = self.first_address;
        let sent = match self.sent {
            Some(sent) => format!("address {address} was sent on {}", time(sent)),
            None => format!("address {address} was never sent"),
        };
        let seen = match self.seen {
            Some(seen) => format!("seen to answer on {}", time(seen)),
            None => "never seen to answer".to_owned(),
        };
        let outcome = match self.outcome {
            Some(Outcome::Proved) => "proved",
            Some(Outcome::NotProved) => "not proved",
            Some(Outcome::BrokenOff) => "broken off",
            None => "cut off",
        };
        format!("{}: {sent}, {seen}; {outcome}", self.decoder)
    }
}

/// The last lesson of each decoder, in the order in which they first came up. The runs are given
/// oldest first.
pub fn last_of_each(runs: &[RunLog]) -> Vec<Lesson> {
    let mut lessons: Vec<Lesson> = Vec::new();
    for lesson in runs.iter().filter_map(of) {
        match lessons
            .iter_mut()
            .find(|known| known.decoder == lesson.decoder)
        {
            Some(known) => *known = lesson,
            None => lessons.push(lesson),
        }
    }
    lessons
}

/// The lesson of a run.
pub fn of(run: &RunLog) -> Option<Lesson> {
    let mut found: Option<Lesson> = None;
    for logged in &run.events {
        let EventKind::Teach(taught) = &logged.event.kind else {
            continue;
        };
        if let Taught::TeachStarted {
            decoder,
            method,
            first_address,
            ..
        } = taught
        {
            found = Some(Lesson {
                decoder: decoder.clone(),
                run: run.info.id,
                method: *method,
                first_address: *first_address,
                // Switches are set by hand.
                sent: None,
                seen: None,
                outcome: None,
            });
        }
        if let Some(lesson) = &mut found {
            lesson.take(taught, logged.at);
        }
    }
    found
}

impl Lesson {
    fn take(&mut self, taught: &Taught, at: Timestamp) {
        match taught {
            Taught::TaughtSent {
                purpose: Purpose::Teach | Purpose::Write,
                ..
            } => self.sent = Some(at),
            Taught::ByHand {
                job, done: true, ..
            } if job == "switches" => self.sent = Some(at),
            Taught::TaughtSeen {
                address,
                output: Some(1),
                saw: Sight::Acted { .. },
                as_expected: true,
                ..
            } if *address == self.first_address => self.seen = Some(at),
            Taught::TeachDone { outcome, .. } => self.outcome = Some(*outcome),
            Taught::TeachStarted { .. }
            | Taught::ByHand { .. }
            | Taught::TaughtSent { .. }
            | Taught::TaughtSeen { .. }
            | Taught::CvRead { .. } => {}
        }
    }
}
