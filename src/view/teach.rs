//! What teaching a decoder shows on a terminal: each step, what was sent, what was seen.

use std::io::{self, Write};

use super::line;
use super::terminal::{BAD, GOOD, OPEN};
use crate::event::hub::Sink;
use crate::event::teach::{Method, Outcome, Purpose, Sight};
use crate::event::{Event, EventKind, Taught};

/// Writes a line for each step as it comes.
#[derive(Debug)]
pub struct Teach<W> {
    out: W,
    steps: u32,
}

impl<W: Write> Teach<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out, steps: 0 }
    }

    fn taught(&mut self, taught: &Taught) -> io::Result<()> {
        let steps = self.steps;
        match taught {
            Taught::TeachStarted { .. } => self.start(taught),
            Taught::ByHand {
                step, text, done, ..
            } => {
                let not = if *done { "" } else { "  NOT DONE" };
                writeln!(self.out, "{step:>3} of {steps}  hand  {text}{not}")
            }
            Taught::TaughtSent {
                step,
                purpose,
                text,
                packet,
                acknowledged,
                ..
            } => {
                let answer = match acknowledged {
                    None => "",
                    Some(true) => "  answer: yes",
                    Some(false) => "  answer: none",
                };
                let what = match purpose {
                    Purpose::Verify => "  to verify",
                    Purpose::Teach | Purpose::Write | Purpose::Prove => "",
                };
                writeln!(
                    self.out,
                    "{step:>3} of {steps}  sent  {text}{what}  [{packet}]{answer}"
                )
            }
            Taught::TaughtSeen {
                step,
                saw,
                as_expected,
                ..
            } => {
                let seen = seen(*saw);
                if *as_expected {
                    writeln!(self.out, "{step:>3} of {steps}  seen  {GOOD}{seen}{GOOD:#}")
                } else {
                    writeln!(
                        self.out,
                        "{step:>3} of {steps}  seen  {BAD}{seen}{BAD:#}, not as it should be"
                    )
                }
            }
            Taught::CvRead {
                step, value, text, ..
            } => match value {
                Some(value) => writeln!(
                    self.out,
                    "{step:>3} of {steps}  read  {text}: {value} (bits {value:08b})"
                ),
                None => writeln!(self.out, "{step:>3} of {steps}  read  {text}: no answer"),
            },
            Taught::TeachDone { .. } => self.end(taught),
        }
    }

    fn start(&mut self, taught: &Taught) -> io::Result<()> {
        let Taught::TeachStarted {
            decoder,
            place,
            method,
            first_address,
            outputs,
            from,
            steps,
            notes,
        } = taught
        else {
            return Ok(());
        };
        self.steps = *steps;
        let last = first_address + u16::from(*outputs) - 1;
        let by = match method {
            Method::FirstCommand => "by its first command",
            Method::Main => "by CVs on the layout",
            Method::ProgrammingTrack => "by CVs on the programming track",
            Method::Switches => "by its switches",
        };
        let at = if place.is_empty() {
            String::new()
        } else {
            format!(" ({place})")
        };
        writeln!(
            self.out,
            "{decoder}{at} is given addresses {first_address} to {last} {by}; it has {from} as \
             far as is known."
        )?;
        for note in notes {
            writeln!(self.out, "{OPEN}Mind{OPEN:#}: {note}")?;
        }
        Ok(())
    }

    fn end(&mut self, taught: &Taught) -> io::Result<()> {
        let Taught::TeachDone {
            decoder,
            outcome,
            first_address,
            amiss,
            next,
            ..
        } = taught
        else {
            return Ok(());
        };
        match outcome {
            Outcome::Proved => writeln!(
                self.out,
                "{GOOD}{decoder} is taught and proved{GOOD:#}: address {first_address} was sent, \
                 and every output was seen to answer."
            )?,
            Outcome::NotProved => writeln!(
                self.out,
                "{BAD}{decoder} is not proved{BAD:#} at address {first_address}: not all was seen as \
                 it should be."
            )?,
            Outcome::BrokenOff => writeln!(
                self.out,
                "{OPEN}{decoder} was broken off half-way{OPEN:#}; every output is released."
            )?,
        }
        for line in amiss {
            writeln!(self.out, "  - {line}")?;
        }
        if !next.is_empty() {
            writeln!(self.out, "What to do now:")?;
        }
        for line in next {
            writeln!(self.out, "  {line}")?;
        }
        Ok(())
    }
}

/// What was seen, in a few words.
pub(crate) fn seen(saw: Sight) -> String {
    match saw {
        Sight::Acted {
            position,
            stays_on: true,
        } => format!("{position}, and it is on still"),
        Sight::Acted {
            position,
            stays_on: false,
        } => format!("{position}, and off again"),
        Sight::OtherOutput { other } => format!("output {other} acted"),
        Sight::Elsewhere => "something else on the layout acted".to_owned(),
        Sight::Nothing => "nothing of it acted".to_owned(),
        Sight::CannotSee => "it can't be seen".to_owned(),
    }
}

impl<W: Write> Sink for Teach<W> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Teach(taught) = &event.kind {
            self.taught(taught)?;
        } else if let Some(line) = line::of_link(&event.kind, ", the last step is done again") {
            writeln!(self.out, "{line}")?;
        }
        self.out.flush()
    }
}
