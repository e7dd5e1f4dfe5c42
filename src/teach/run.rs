//! Carries a lesson out, step by step.

use std::cell::{Cell, RefCell};
use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;
use throwproof_protocol::packet::Packet;

use super::Outcome;
use super::lesson::{Act, Lesson, State, Step, whereabouts};
use crate::event::hub::Hub;
use crate::event::teach::Purpose;
use crate::event::{EventKind, StopReason, Taught};
use crate::link::{Link, Taken};
use crate::plan::{Decoder, Plan};
use crate::sweep::stop::StopToken;
use crate::sweep::thrower::{self, Extent, Halt, Thrower, unwound};
use crate::sweep::{About, SweepError};
use crate::witness::Witness;
use crate::witness::bench::{Job, Task};

mod packets;
mod prove;
mod serve;

use packets::{bit, carries, command, word};

/// Between two writes on the layout, so that the decoder has stored the first (RCN-214,
/// second-hand: about 100 ms where nothing confirms it).
const BETWEEN_WRITES: Duration = Duration::from_millis(100);

/// How long a command that teaches stays on: what a twin-coil drive bears in any case.
const TEACHING: Duration = Duration::from_millis(100);

/// A decoder that is given its address.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness"
)]
pub struct Teach<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who does what is to be done by hand, and says what was seen.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// What is to be done.
    pub lesson: &'a Lesson,
    /// What else is known of the run before it begins.
    pub about: About,
}

/// How it ended, if no error ended it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// At its end, or where it could not go on.
    With(Outcome),
    /// Before it.
    Stopped(StopReason),
}

/// What a lesson has come to.
#[derive(Debug, Default)]
struct Course {
    /// How many steps are done.
    done: Cell<usize>,
    /// Whether it came to its end, or where it could not go on.
    is_over: Cell<bool>,
    /// Whether service mode was entered and not left.
    in_service: Cell<bool>,
    /// Whether the decoder answers on the programming track; `None` before it was asked.
    answers: Cell<Option<bool>>,
    /// Looks at the first output that saw nothing.
    silent: Cell<u8>,
    /// What was not as it should be.
    amiss: RefCell<Vec<String>>,
}

/// Whether to go on after a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Go {
    On,
    End,
}

impl Teach<'_, '_> {
    /// Carries the lesson out.
    ///
    /// # Errors
    /// When the link, an essential sink or the witness fails. Outputs are released, and service
    /// mode is left, all the same.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Ended, SweepError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            lesson,
            about,
        } = self;
        let Some(board) = plan.decoders.get(lesson.decoder) else {
            return Ok(Ended::With(Outcome::NotProved));
        };
        carries(plan, board, lesson, link).map_err(|source| SweepError::CannotCarry {
            ids: vec![board.id.clone()],
            source,
        })?;
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(about.reconnect);
        let course = Course::default();
        let mut run = Run {
            thrower: &mut thrower,
            plan,
            board,
            lesson,
            course: &course,
        };
        let outcome = unwound(run.go(&about)).await;
        if course.in_service.get() {
            run.leave_for_good().await;
        }
        let ended = thrower.end(outcome, |_| Some(done(plan, board, lesson, &course)));
        Ok(match ended.await? {
            thrower::Ended::Done(()) => Ended::With(course.outcome()),
            thrower::Ended::Stopped(reason) => Ended::Stopped(reason),
        })
    }
}

impl Course {
    fn outcome(&self) -> Outcome {
        if !self.is_over.get() {
            Outcome::BrokenOff
        } else if self.amiss.borrow().is_empty() {
            Outcome::Proved
        } else {
            Outcome::NotProved
        }
    }

    fn blame(&self, what: String) {
        self.amiss.borrow_mut().push(what);
    }
}

/// The last event: what it came to, and what is left to do.
fn done(plan: &Plan, board: &Decoder, lesson: &Lesson, course: &Course) -> EventKind {
    let outcome = course.outcome();
    let done = course.done.get();
    let state = match outcome {
        Outcome::Proved => State::at(lesson.to, None),
        // It may not have taken what it was sent.
        Outcome::NotProved => lesson.before.or(&lesson.state(done)),
        Outcome::BrokenOff => lesson.state(done),
    };
    let next = match outcome {
        Outcome::Proved => Vec::new(),
        Outcome::NotProved | Outcome::BrokenOff => whereabouts(plan, board, &state),
    };
    let addresses = state.addresses().into_iter();
    let may_be_at = addresses.map(KeyedAddress::get).collect();
    EventKind::Teach(Taught::TeachDone {
        decoder: board.id.clone(),
        outcome,
        first_address: lesson.to.get(),
        amiss: course.amiss.borrow().clone(),
        may_be_at,
        next,
    })
}

/// A lesson that is being carried out.
struct Run<'r, 'a, 'h> {
    thrower: &'r mut Thrower<'a, 'h>,
    plan: &'a Plan,
    board: &'a Decoder,
    lesson: &'r Lesson,
    course: &'r Course,
}

impl Run<'_, '_, '_> {
    async fn go(&mut self, about: &About) -> Result<(), Halt> {
        self.begin(about).await?;
        let lesson = self.lesson;
        while let Some(step) = lesson.steps.get(self.course.done.get()) {
            match self.step(step).await {
                Ok(Go::On) => self.course.done.set(self.course.done.get() + 1),
                Ok(Go::End) => break,
                // What the link or the layout broke off is done again.
                Err(halt) => self.thrower.recover(halt).await?,
            }
        }
        self.course.is_over.set(true);
        Ok(())
    }

    async fn begin(&mut self, about: &About) -> Result<(), Halt> {
        self.thrower.begin_run(about, Extent::NO_SWEEP).await?;
        let lesson = self.lesson;
        self.say(Taught::TeachStarted {
            decoder: self.board.id.clone(),
            place: self.board.place.clone(),
            method: lesson.method,
            first_address: lesson.to.get(),
            outputs: self.board.outputs,
            from: lesson.from.get(),
            steps: self.steps(),
            notes: lesson.notes.clone(),
        })
        .await
    }

    async fn say(&mut self, taught: Taught) -> Result<(), Halt> {
        self.thrower.say(EventKind::Teach(taught)).await
    }

    /// Number of the step, from 1.
    fn number(&self) -> u32 {
        u32::try_from(self.course.done.get() + 1).unwrap_or(u32::MAX)
    }

    /// How many steps there are.
    fn steps(&self) -> u32 {
        u32::try_from(self.lesson.steps.len()).unwrap_or(u32::MAX)
    }

    async fn step(&mut self, step: &Step) -> Result<Go, Halt> {
        match &step.act {
            Act::Hand(job) => self.by_hand(step, job).await,
            Act::Teach { address, position } => {
                let packet = command(self.plan, self.board, *address, bit(*position), true);
                let release = command(self.plan, self.board, *address, bit(*position), false);
                let taken = self.thrower.put(&packet).await?;
                self.thrower.rest(TEACHING).await?;
                self.thrower.put(&release).await?;
                self.say_sent(step, Purpose::Teach, Some(*address), None, &packet, None)
                    .await?;
                self.thrower.rest(BETWEEN_WRITES).await?;
                Ok(self.heed(&taken))
            }
            Act::Write {
                packet,
                cv,
                address,
            } => {
                let taken = self.thrower.put(packet).await?;
                let cv = Some(cv.get());
                self.say_sent(step, Purpose::Write, Some(*address), cv, packet, None)
                    .await?;
                self.thrower.rest(BETWEEN_WRITES).await?;
                Ok(self.heed(&taken))
            }
            Act::TestDirect => self.test_direct(step).await,
            Act::Read { cv, wanted, before } => self.read(step, *cv, *wanted, *before).await,
            Act::Serve { cv, operation } => self.write(step, *cv, *operation).await,
            Act::Prove(proof) => self.prove(step, *proof).await,
        }
    }

    /// Ends the lesson where the station refuses what it needs.
    fn heed(&self, taken: &Taken) -> Go {
        match taken {
            Taken::Acknowledged | Taken::Unanswered => Go::On,
            Taken::Refused(reason) => {
                self.course
                    .blame(format!("the station refused it: {reason}"));
                Go::End
            }
        }
    }

    async fn by_hand(&mut self, step: &Step, job: &Job) -> Result<Go, Halt> {
        if self.is_silent() {
            return Ok(Go::On);
        }
        if *job == Job::BackToLayout {
            self.leave_service().await?;
        }
        let task = Task {
            decoder: self.board.id.clone(),
            place: self.board.place.clone(),
            step: self.number(),
            steps: self.steps(),
            job: job.clone(),
            text: step.text.clone(),
            mind: step.mind.clone(),
            if_stopped: step.if_stopped.clone(),
        };
        let is_done = self.thrower.by_hand(&task).await?;
        self.say(Taught::ByHand {
            decoder: self.board.id.clone(),
            step: self.number(),
            job: word(job).to_owned(),
            text: step.text.clone(),
            done: is_done,
        })
        .await?;
        if is_done {
            return Ok(Go::On);
        }
        self.course
            .blame(format!("it could not be done: {}", step.text));
        Ok(Go::End)
    }

    async fn say_sent(
        &mut self,
        step: &Step,
        purpose: Purpose,
        address: Option<KeyedAddress>,
        cv: Option<u16>,
        packet: &Packet,
        acknowledged: Option<bool>,
    ) -> Result<(), Halt> {
        self.say(Taught::TaughtSent {
            decoder: self.board.id.clone(),
            step: self.number(),
            purpose,
            text: step.text.clone(),
            address: address.map(KeyedAddress::get),
            cv,
            packet: packet.to_string(),
            acknowledged,
        })
        .await
    }
}
