//! What teaching a decoder takes, step by step, worked out before anything is sent.

use throwproof_protocol::address::{KeyedAddress, Position};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::packet::Packet;

use super::{Options, Refusal};
use crate::event::teach::Method;
use crate::plan::{Decoder, Plan};
use crate::witness::bench::Job;

mod desk;
mod hand;
mod main_line;
mod programming;
mod proof;
mod refuse;
mod whereabouts;

use desk::{Desk, FACTORY};
pub use whereabouts::{State, whereabouts};

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What is done.
    pub act: Act,
    /// The same as a sentence.
    pub text: String,
    /// What to mind; may be empty.
    pub mind: String,
    /// What to do if something by hand is where it ends, a sentence each.
    pub if_stopped: Vec<String>,
    /// How the decoder may be when it is done.
    pub after: State,
}

/// What is done in a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Something by hand.
    Hand(Job),
    /// A command that gives an address in learn mode.
    Teach {
        /// The address, as it is keyed.
        address: KeyedAddress,
        /// The position, in the standard's sense.
        position: Position,
    },
    /// A CV is written on the layout.
    Write {
        /// The packet.
        packet: Packet,
        /// The CV, by its lower number.
        cv: CvNumber,
        /// The address that it is sent to.
        address: KeyedAddress,
    },
    /// Whether the decoder answers at all on the programming track.
    TestDirect,
    /// A CV is read on the programming track, before anything is written or after.
    Read {
        /// The CV.
        cv: CvNumber,
        /// What it is to hold; what else it holds in other bits does not matter.
        wanted: Option<(u8, u8)>,
        /// Whether it is before.
        before: bool,
    },
    /// A CV is written on the programming track, and verified there.
    Serve {
        /// The CV.
        cv: CvNumber,
        /// What is written.
        operation: CvOperation,
    },
    /// A command that shows what answers.
    Prove(Proof),
}

/// A command that shows what answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proof {
    /// The address, as it is keyed.
    pub address: KeyedAddress,
    /// The position.
    pub position: Position,
    /// The output that is to act; `None` where nothing of the decoder is to.
    pub output: Option<u8>,
    /// What is to be seen.
    pub expect: Expect,
    /// Whether the power was away before.
    pub after_power: bool,
}

/// What is to be seen of a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Expect {
    /// The output acts.
    Acts,
    /// Nothing of the decoder acts.
    Nothing,
    /// Either: a decoder that forgets may have kept its address.
    Either,
}

/// The whole of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Lesson {
    /// Index of the decoder in the plan.
    pub decoder: usize,
    /// How it takes its address.
    pub method: Method,
    /// The address that its first output is to have, as it is keyed.
    pub to: KeyedAddress,
    /// The address that it has, as far as is known.
    pub from: KeyedAddress,
    /// What has to be known before it begins.
    pub notes: Vec<String>,
    /// How the decoder may be before the first step.
    pub before: State,
    /// The steps.
    pub steps: Vec<Step>,
}

impl Lesson {
    /// What it takes to teach that decoder of the plan.
    ///
    /// # Errors
    /// When it would strand a decoder, or can't be done.
    pub fn new(plan: &Plan, decoder: usize, options: &Options) -> Result<Self, Refusal> {
        let Some(board) = plan.decoders.get(decoder) else {
            return Err(Refusal::new(
                "the plan has no such decoder",
                "name one of the plan",
            ));
        };
        let desk = Desk::new(plan, decoder, board, options);
        refuse::check(&desk)?;
        let mut steps = Steps::new(&desk);
        match desk.method {
            Method::FirstCommand => hand::first_command(&desk, &mut steps),
            Method::Switches => hand::switches(&desk, &mut steps)?,
            Method::Main => main_line::write(&desk, &mut steps)?,
            Method::ProgrammingTrack => programming::write(&desk, &mut steps),
        }
        proof::prove(&desk, &mut steps);
        Ok(Self {
            decoder,
            method: desk.method,
            to: desk.to,
            from: desk.from,
            notes: desk.notes(),
            before: desk.before(),
            steps: steps.done(plan, board),
        })
    }

    /// How the decoder may be when that many steps are done and the next, if there is one, may
    /// have been begun.
    pub fn state(&self, done: usize) -> State {
        let before = match done.checked_sub(1) {
            None => &self.before,
            Some(at) => self.steps.get(at).map_or(&self.before, |step| &step.after),
        };
        match self.steps.get(done) {
            Some(next) => before.or(&next.after),
            None => before.clone(),
        }
    }
}

/// Steps as they are put together.
pub(super) struct Steps {
    steps: Vec<Step>,
    state: State,
}

impl Steps {
    fn new(desk: &Desk<'_>) -> Self {
        Self {
            steps: Vec::new(),
            state: desk.before(),
        }
    }

    /// Adds a step that leaves the decoder as it was.
    fn add(&mut self, act: Act, text: String) {
        self.change(act, text, "", |_| {});
    }

    /// Adds a step after which the decoder is another; `mind` is what to mind while it is done.
    fn change(&mut self, act: Act, text: String, mind: &str, change: impl FnOnce(&mut State)) {
        change(&mut self.state);
        self.steps.push(Step {
            act,
            text,
            mind: mind.to_owned(),
            if_stopped: Vec::new(),
            after: self.state.clone(),
        });
    }

    /// All of them, each with what to do if it is interrupted.
    fn done(self, plan: &Plan, board: &Decoder) -> Vec<Step> {
        let mut steps = self.steps;
        let mut before: Option<State> = None;
        for step in &mut steps {
            let meanwhile = match &before {
                Some(before) => before.or(&step.after),
                None => step.after.clone(),
            };
            before = Some(step.after.clone());
            if let Act::Hand(_) = step.act {
                step.if_stopped = whereabouts(plan, board, &meanwhile);
            }
        }
        steps
    }
}
