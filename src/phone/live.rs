//! The stream of scenes to each tab that is open.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::response::Sse;
use axum::response::sse::Event;
use futures_util::stream::{self, Stream};
use tokio::sync::{oneshot, watch};
use tokio::time::{Interval, MissedTickBehavior, interval};

use super::door::Device;
use crate::witness::desk::Seat;

/// How often a stream says that it is alive, so that the page knows when it is not.
const BEAT: Duration = Duration::from_secs(10);

/// Streams of all phones together.
const ALL: usize = 32;

/// Streams of one phone; a further one ends its oldest.
const ONE: usize = 5;

/// The longest name of a tab.
const TAB: usize = 32;

/// The streams that are open.
#[derive(Debug, Clone)]
pub(super) struct Streams {
    seat: Seat,
    open: Arc<Mutex<VecDeque<Open>>>,
    closing: Arc<watch::Sender<bool>>,
}

/// A stream, as who may have to end it sees it.
struct Open {
    device: Device,
    tab: String,
    number: u64,
    /// Dropped to end it.
    _end: oneshot::Sender<Infallible>,
}

impl fmt::Debug for Open {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Open")
            .field("number", &self.number)
            .finish_non_exhaustive()
    }
}

/// Takes the stream off the list when the tab is gone.
struct Listed {
    open: Arc<Mutex<VecDeque<Open>>>,
    number: u64,
}

impl Drop for Listed {
    fn drop(&mut self) {
        lock(&self.open).retain(|one| one.number != self.number);
    }
}

/// What a stream goes by.
struct Feed {
    seat: Seat,
    changes: watch::Receiver<u64>,
    closing: watch::Receiver<bool>,
    beat: Interval,
    ended: oneshot::Receiver<Infallible>,
    /// The scene as it was last sent: a change that nobody sees is not sent again.
    shown: String,
    /// The program ends.
    is_over: bool,
    /// That was said.
    is_ended: bool,
    _listed: Listed,
}

impl Streams {
    pub(super) fn new(seat: Seat) -> Self {
        Self {
            seat,
            open: Arc::default(),
            closing: Arc::new(watch::channel(false).0),
        }
    }

    /// Ends all streams, each with the scene as it is then.
    pub(super) fn close(&self) {
        self.closing.send_replace(true);
    }

    /// Opens a stream, in the place of the one that the same tab had. `None` when there are too
    /// many.
    pub(super) fn open(
        &self,
        device: Device,
        tab: &str,
    ) -> Option<Sse<impl Stream<Item = Result<Event, Infallible>> + use<>>> {
        let tab: String = tab.chars().take(TAB).collect();
        let mut open = lock(&self.open);
        open.retain(|one| one.device != device || one.tab != tab);
        while open.iter().filter(|one| one.device == device).count() >= ONE {
            let oldest = open.iter().position(|one| one.device == device);
            oldest.and_then(|at| open.remove(at));
        }
        if open.len() >= ALL {
            return None;
        }
        let (end, ended) = oneshot::channel();
        let number = open.back().map_or(0, |last| last.number + 1);
        open.push_back(Open {
            device,
            tab,
            number,
            _end: end,
        });
        drop(open);
        let mut beat = interval(BEAT);
        beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        beat.reset();
        let feed = Feed {
            changes: self.seat.changes(),
            seat: self.seat.clone(),
            closing: self.closing.subscribe(),
            beat,
            ended,
            shown: String::new(),
            is_over: false,
            is_ended: false,
            _listed: Listed {
                open: Arc::clone(&self.open),
                number,
            },
        };
        Some(Sse::new(stream::unfold(feed, Feed::next)))
    }
}

impl Feed {
    /// The scene when it is another one, else a sign of life.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        loop {
            if self.is_ended {
                return None;
            }
            self.is_over = *self.closing.borrow_and_update();
            let scene = serde_json::to_string(&self.seat.scene()).unwrap_or_default();
            if self.shown != scene {
                let event = Event::default().event("scene").data(&scene);
                self.shown = scene;
                return Some((Ok(event), self));
            }
            if self.is_over {
                self.is_ended = true;
                return Some((Ok(Event::default().event("end").data("end")), self));
            }
            tokio::select! {
                biased;
                _ = &mut self.ended => return None,
                changed = self.closing.changed() => changed.ok()?,
                changed = self.changes.changed() => changed.ok()?,
                _ = self.beat.tick() => {
                    return Some((Ok(Event::default().event("beat").data("beat")), self));
                }
            }
        }
    }
}

fn lock(open: &Mutex<VecDeque<Open>>) -> MutexGuard<'_, VecDeque<Open>> {
    // Nothing that holds it leaves it half done.
    open.lock().unwrap_or_else(PoisonError::into_inner)
}
