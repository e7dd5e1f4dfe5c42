//! The desk: one question at a time, shown at every place where the operator may answer.
//!
//! The terminal and the phones are equals. Each shows the same [`Scene`], and the first answer
//! counts; an answer to any other question than the one that is open is turned away, so that it
//! can never count for another throw. The engine knows none of this: to it the desk is a witness.

use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use async_trait::async_trait;
use tokio::sync::watch;
use tokio::time::Instant;

use super::WitnessError;
use super::bench::Watch;
use crate::event::hub::Sink;
use crate::event::{Event, StopReason};
use crate::sweep::stop::StopHandle;

mod answers;
mod asked;
mod bench;
mod pace;
mod progress;

pub use asked::{Asked, AskedKind, PositionSight, Reply, Shown, Sight};
pub use progress::{DiagnosisProgress, HuntProgress, PlaceProgress, Progress};

/// All that a place to answer at has to show.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Scene {
    /// Drawn at random when the program starts: an answer for another start of it is turned away.
    pub session: String,
    /// Where something was sent is not to be shown before the answer is in.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub blind: bool,
    /// The question that is open.
    pub asked: Option<Arc<Asked>>,
    /// The output that is commanded in a moment, to be looked at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coming: Option<Arc<Watch>>,
    /// What became of the question before.
    pub answered: Option<Answered>,
    /// How far the run is.
    pub progress: Arc<Progress>,
}

/// A question that has its answer.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Answered {
    /// Its number.
    pub number: u64,
    /// What it was about, in one word: `Q1`, `Quay throat`.
    pub about: String,
    /// The answer's code: `straight`, `no-movement`, `repeat`.
    pub reply: String,
    /// Where it was given: `terminal`, `phone`.
    pub by: String,
}

/// Why an answer was turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TurnedAway {
    /// That question has its answer, or was withdrawn; another may be open.
    #[error("that question is not open any more")]
    NotOpen,
    /// The question can't be answered so.
    #[error("that is no answer to this question")]
    DoesNotFit,
}

/// Where a person answers at a terminal, as the desk uses it.
#[async_trait(?Send)]
pub trait Surface {
    /// What it is called: `terminal`.
    fn name(&self) -> &'static str;

    /// A throw goes out now: what is typed from here on is no answer to anything before.
    ///
    /// # Errors
    /// When it is gone.
    fn attend(&mut self) -> io::Result<()>;

    /// An output is commanded in a moment: says where to look.
    ///
    /// # Errors
    /// When it is gone.
    fn look_out(&mut self, watch: &Watch) -> io::Result<()>;

    /// Shows the question and waits for an answer that fits. Dropped when another place is
    /// quicker.
    ///
    /// # Errors
    /// When it is gone.
    async fn answer(&mut self, asked: &Asked, scene: &Scene) -> io::Result<Reply>;

    /// Another place was quicker.
    ///
    /// # Errors
    /// When it is gone.
    fn answered_elsewhere(&mut self, answered: &Answered) -> io::Result<()>;
}

#[derive(Debug)]
struct State {
    scene: Scene,
    reply: Option<(Reply, String)>,
    /// The question that is open has its answer, and no other can be given.
    is_settled: bool,
    /// An answer that came while its question was withdrawn.
    late: Option<(Reply, String)>,
    next: u64,
    /// When the question was opened from which the operator's pace is measured.
    paced_from: Option<Instant>,
}

#[derive(Debug)]
struct Shared {
    state: Mutex<State>,
    /// Counts changes of the scene.
    changes: watch::Sender<u64>,
    /// Ends the run.
    stop: Option<StopHandle>,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        // Nothing that holds it leaves it half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn changed(&self) {
        self.changes.send_modify(|count| *count += 1);
    }
}

/// A seat at the desk: shows the scene and hands in answers. Can be given to other threads.
#[derive(Debug, Clone)]
pub struct Seat(Arc<Shared>);

impl Seat {
    /// The scene as it is now.
    pub fn scene(&self) -> Scene {
        self.0.state().scene.clone()
    }

    /// Follows changes: each new value means that the scene may have changed.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.0.changes.subscribe()
    }

    /// Ends the run, also while nothing is asked; `false` where it can't be ended so.
    pub fn stop(&self) -> bool {
        let handle = self.0.stop.as_ref();
        handle.map(|stop| stop.ask(StopReason::Operator)).is_some()
    }

    /// Hands in an answer to the question of that number.
    ///
    /// # Errors
    /// When another question is open, or none, or this one can't be answered so.
    pub fn answer(&self, number: u64, reply: Reply, by: &str) -> Result<(), TurnedAway> {
        let mut state = self.0.state();
        let open = state.scene.asked.as_ref();
        let is_open = |asked: &&Arc<Asked>| asked.number == number && !state.is_settled;
        let open = open.filter(is_open);
        if !open.ok_or(TurnedAway::NotOpen)?.fits(&reply) {
            return Err(TurnedAway::DoesNotFit);
        }
        state.reply = Some((reply, by.to_owned()));
        state.is_settled = true;
        drop(state);
        self.0.changed();
        Ok(())
    }
}

/// The desk itself.
pub struct Desk {
    name: &'static str,
    shared: Arc<Shared>,
    surface: Option<Box<dyn Surface>>,
    /// A question that is open while what it is about is still being thrown.
    early: Option<Arc<Asked>>,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Desk")
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

/// Closes the question that is open, however the wait for its answer ends.
struct Open<'a>(&'a Shared);

impl Drop for Open<'_> {
    fn drop(&mut self) {
        let mut state = self.0.state();
        state.scene.asked = None;
        state.late = state.reply.take();
        drop(state);
        self.0.changed();
    }
}

impl Desk {
    /// A desk where nobody sits yet. `name` is the witness's name: `ask`, `phone`; `session`
    /// something random.
    pub fn new(name: &'static str, session: String, progress: Progress) -> Self {
        let scene = Scene {
            session,
            blind: false,
            asked: None,
            coming: None,
            answered: None,
            progress: Arc::new(progress),
        };
        let state = State {
            scene,
            reply: None,
            is_settled: false,
            late: None,
            next: 1,
            paced_from: None,
        };
        let shared = Shared {
            state: Mutex::new(state),
            changes: watch::channel(0).0,
            stop: None,
        };
        Self {
            name,
            shared: Arc::new(shared),
            surface: None,
            early: None,
        }
    }

    /// Lets every seat end the run with that handle, also while nothing is asked. To be said
    /// before anybody sits.
    #[must_use]
    pub fn stopped_by(mut self, stop: StopHandle) -> Self {
        if let Some(shared) = Arc::get_mut(&mut self.shared) {
            shared.stop = Some(stop);
        }
        self
    }

    /// Hides where something was sent until the answer is in.
    #[must_use]
    pub fn blind(self, blind: bool) -> Self {
        self.shared.state().scene.blind = blind;
        self
    }

    /// The terminal that the program runs in.
    #[must_use]
    pub fn with_surface(mut self, surface: Box<dyn Surface>) -> Self {
        self.surface = Some(surface);
        self
    }

    /// Another seat.
    pub fn seat(&self) -> Seat {
        Seat(Arc::clone(&self.shared))
    }

    /// Keeps the progress in the scene up to date; to be added to the hub.
    pub fn follower(&self) -> Follower {
        Follower(Arc::clone(&self.shared))
    }

    /// Opens a question and waits for its answer, wherever it comes from.
    async fn ask(&mut self, kind: AskedKind) -> Result<Reply, WitnessError> {
        let asked = post(&self.shared, kind);
        self.answer_to(&asked).await
    }

    /// Waits for the answer to a question that is open, and closes it.
    async fn answer_to(&mut self, asked: &Asked) -> Result<Reply, WitnessError> {
        let shared = Arc::clone(&self.shared);
        let _open = Open(&shared);
        self.reply_to(asked).await
    }

    async fn reply_to(&mut self, asked: &Asked) -> Result<Reply, WitnessError> {
        let shared = Arc::clone(&self.shared);
        let mut changes = shared.changes.subscribe();
        let scene = shared.state().scene.clone();
        let Some(surface) = &mut self.surface else {
            let (reply, by) = handed_in(&shared, &mut changes).await;
            shared.settle(asked, &reply, &by);
            return Ok(reply);
        };
        let elsewhere = tokio::select! {
            biased;
            handed_in = handed_in(&shared, &mut changes) => handed_in,
            reply = surface.answer(asked, &scene) => {
                let reply = reply.map_err(WitnessError::TerminalLost)?;
                let Some(quicker) = shared.quicker() else {
                    shared.settle(asked, &reply, surface.name());
                    return Ok(reply);
                };
                quicker
            }
        };
        let (reply, by) = elsewhere;
        let answered = shared.settle(asked, &reply, &by);
        surface
            .answered_elsewhere(&answered)
            .map_err(WitnessError::TerminalLost)?;
        Ok(reply)
    }
}

fn post(shared: &Shared, kind: AskedKind) -> Arc<Asked> {
    let now = Instant::now();
    let mut state = shared.state();
    let asked = Arc::new(Asked {
        number: state.next,
        kind,
    });
    state.next += 1;
    state.reply = None;
    state.is_settled = false;
    state.late = None;
    let since = state
        .paced_from
        .map(|before| now.saturating_duration_since(before));
    let progress = Arc::make_mut(&mut state.scene.progress);
    if since.is_none_or(|since| progress.question_opens(since)) {
        state.paced_from = Some(now);
    }
    state.scene.asked = Some(Arc::clone(&asked));
    state.scene.coming = None;
    drop(state);
    shared.changed();
    asked
}

/// Comes back when an answer was handed in at a seat.
async fn is_handed_in(shared: &Shared, changes: &mut watch::Receiver<u64>) {
    while shared.state().reply.is_none() {
        if changes.changed().await.is_err() {
            // The desk holds the sender itself.
            std::future::pending::<()>().await;
        }
    }
}

/// The answer that was handed in at a seat.
async fn handed_in(shared: &Shared, changes: &mut watch::Receiver<u64>) -> (Reply, String) {
    loop {
        if let Some(reply) = shared.state().reply.take() {
            return reply;
        }
        is_handed_in(shared, changes).await;
    }
}

impl Shared {
    /// Another place was quicker than the terminal by a hair; if none was, none can be any more.
    fn quicker(&self) -> Option<(Reply, String)> {
        let mut state = self.state();
        state.is_settled = true;
        state.reply.take()
    }

    /// Shows the open question anew, as it is now; whoever has answered it already has.
    fn shows(&self, asked: &Arc<Asked>) {
        self.state().scene.asked = Some(Arc::clone(asked));
        self.changed();
    }

    /// Says in the scene what is to be looked at next.
    fn comes(&self, watch: &Watch) {
        self.state().scene.coming = Some(Arc::new(watch.clone()));
        self.changed();
    }

    /// Says in the scene that the question has its answer.
    fn settle(&self, asked: &Asked, reply: &Reply, by: &str) -> Answered {
        let answered = Answered {
            number: asked.number,
            about: asked.about().to_owned(),
            reply: reply.code(),
            by: by.to_owned(),
        };
        let mut state = self.state();
        state.scene.answered = Some(answered.clone());
        if asked.begins_more(reply) {
            Arc::make_mut(&mut state.scene.progress).goes_on = true;
        }
        answered
    }
}

/// Keeps the progress in the scene up to date.
#[derive(Debug, Clone)]
pub struct Follower(Arc<Shared>);

impl Sink for Follower {
    fn name(&self) -> &'static str {
        "the desk"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        let mut state = self.0.state();
        Arc::make_mut(&mut state.scene.progress).take(event);
        drop(state);
        self.0.changed();
        Ok(())
    }
}

#[cfg(test)]
mod tests;
