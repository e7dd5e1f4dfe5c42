//! The task that owns an open line and the protocol engine on it.
//!
//! It reads at all times, whatever the operator is being asked: other nodes of an LCC bus must be
//! answered within 750 ms.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bytes::BytesMut;
use throwproof_protocol::packet::Packet;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, ReadHalf, WriteHalf};
use tokio::sync::{mpsc, oneshot, watch};

use super::clock::Clock;
use super::driver::{Driver, News, Ticket};
use super::transport::Transport;
use super::{PositionReport, Taken, wire};

/// How many bytes are read at once.
const READ: usize = 16 * 1024;

/// How long a line may refuse to take bytes before it counts as lost.
pub(super) const WRITE_LIMIT: Duration = Duration::from_secs(2);

/// How many position reports wait for an owner that does not look; the oldest go first.
const MAX_REPORTS: usize = 65_536;

/// How many remarks wait.
const MAX_REMARKS: usize = 64;

/// How far the line is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum State {
    /// The greeting is under way.
    Greeting,
    /// Commands go out.
    Ready,
    /// It ended in good order.
    Left,
    /// It is gone, and why.
    Lost(String),
}

/// What the owner of a link sees of it without asking.
#[derive(Debug, Default)]
pub(super) struct Seen {
    pub(super) reports: VecDeque<PositionReport>,
    pub(super) reports_lost: u64,
    pub(super) hold: Hold,
    pub(super) remarks: VecDeque<String>,
    pub(super) dropped: String,
}

/// Why the layout wants nothing sent. One that began and ended between two looks is told all the
/// same, once: what was sent meanwhile may not have been carried out.
#[derive(Debug, Default)]
pub(super) struct Hold {
    reason: Option<String>,
    is_told: bool,
    missed: Option<String>,
}

impl Hold {
    fn change(&mut self, reason: Option<String>) {
        let before = std::mem::replace(&mut self.reason, reason);
        if self.reason.is_none() && !self.is_told {
            self.missed = before.or(self.missed.take());
        }
        // One hold may change its reason; told once, it is known until it is over.
        self.is_told &= self.reason.is_some();
    }

    /// Why nothing must be sent, now or since the last look.
    pub(super) fn look(&mut self) -> Option<String> {
        let missed = self.missed.take();
        self.is_told = self.reason.is_some();
        self.reason.clone().or(missed)
    }
}

/// What the owner asks.
#[derive(Debug)]
pub(super) enum Request {
    /// Put this on the rails.
    Send(Packet, oneshot::Sender<Taken>),
    /// End in good order.
    Leave,
}

/// The owner's end of an actor.
#[derive(Debug)]
pub(super) struct Handle {
    pub(super) requests: mpsc::Sender<Request>,
    pub(super) state: watch::Receiver<State>,
    pub(super) seen: Arc<Mutex<Seen>>,
    task: tokio::task::JoinHandle<()>,
}

impl Handle {
    /// Starts an actor on an open line.
    pub(super) fn start(line: Transport, driver: Box<dyn Driver>, clock: Clock) -> Self {
        let (requests, receiver) = mpsc::channel(64);
        let (sender, state) = watch::channel(State::Greeting);
        let seen = Arc::default();
        let (reader, writer) = tokio::io::split(line);
        let actor = Actor {
            reader,
            writer,
            driver,
            clock,
            seen: Arc::clone(&seen),
            state: Stated(sender),
            waiting: BTreeMap::new(),
            next_ticket: 0,
            source: BytesMut::new(),
            out: BytesMut::new(),
            out_since: None,
        };
        let task = tokio::spawn(actor.run(receiver));
        Self {
            requests,
            state,
            seen,
            task,
        }
    }

    /// Looks at what there is to see.
    pub(super) fn look<T>(&self, look: impl FnOnce(&mut Seen) -> T) -> T {
        look(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Why it is lost, if it is.
    pub(super) fn lost(&self) -> Option<String> {
        match &*self.state.borrow() {
            State::Lost(reason) => Some(reason.clone()),
            State::Left => Some("it was closed".to_owned()),
            State::Greeting | State::Ready => None,
        }
    }

    /// Ends the task, and waits until the port is closed.
    pub(super) async fn end(&mut self) {
        self.task.abort();
        if let Err(error) = (&mut self.task).await
            && error.is_panic()
        {
            tracing::error!("the task of the link panicked");
        }
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Says that the line is lost even if the task panics or is ended.
#[derive(Debug)]
struct Stated(watch::Sender<State>);

impl Drop for Stated {
    fn drop(&mut self) {
        self.0.send_if_modified(|state| {
            let ended = matches!(state, State::Lost(_) | State::Left);
            if !ended {
                *state = State::Lost("its task ended".to_owned());
            }
            !ended
        });
    }
}

struct Actor {
    reader: ReadHalf<Transport>,
    writer: WriteHalf<Transport>,
    driver: Box<dyn Driver>,
    clock: Clock,
    seen: Arc<Mutex<Seen>>,
    state: Stated,
    waiting: BTreeMap<Ticket, oneshot::Sender<Taken>>,
    next_ticket: Ticket,
    /// What came in and is not understood yet.
    source: BytesMut,
    /// What is to be written, and since when it waits.
    out: BytesMut,
    out_since: Option<Duration>,
}

/// The actor is at its end, and why.
struct End(State);

impl Actor {
    async fn run(mut self, mut requests: mpsc::Receiver<Request>) {
        self.driver.opened(self.clock.now());
        let End(state) = loop {
            if let Err(end) = self.turn(&mut requests).await {
                break end;
            }
        };
        if let State::Lost(reason) = &state {
            tracing::info!(reason, "link lost");
        }
        // Whoever waits for an answer hears of it after the reason stands.
        self.state.0.send_replace(state);
        self.waiting.clear();
    }

    /// Does what is due, then waits for the next thing to happen.
    async fn turn(&mut self, requests: &mut mpsc::Receiver<Request>) -> Result<(), End> {
        let now = self.clock.now();
        self.driver.tick(&mut self.source, now);
        if self.out.is_empty() {
            self.driver.output(&mut self.out, now);
            self.out_since = (!self.out.is_empty()).then_some(now);
        }
        self.tell()?;
        let stuck = self.out_since.map(|since| since + WRITE_LIMIT);
        if stuck.is_some_and(|stuck| stuck <= now) {
            let reason = format!("it took no bytes for {} s", WRITE_LIMIT.as_secs());
            return Err(End(State::Lost(reason)));
        }
        let due = [self.driver.deadline(), stuck].into_iter().flatten().min();
        let wake = due.map(|due| self.clock.at(due));
        self.source.reserve(READ);
        let has_output = !self.out.is_empty();
        tokio::select! {
            request = requests.recv() => self.request(request),
            read = self.reader.read_buf(&mut self.source) => return self.read(read),
            written = self.writer.write(&self.out), if has_output => return self.wrote(written),
            () = sleep(wake) => {}
        }
        Ok(())
    }

    fn request(&mut self, request: Option<Request>) {
        let now = self.clock.now();
        match request {
            Some(Request::Send(packet, answer)) => {
                let ticket = self.next_ticket;
                self.next_ticket += 1;
                self.waiting.insert(ticket, answer);
                self.driver.submit(ticket, &packet, now);
            }
            // Without an owner there is nothing to stay for.
            Some(Request::Leave) | None => self.driver.leave(now),
        }
    }

    fn read(&mut self, read: std::io::Result<usize>) -> Result<(), End> {
        match read {
            // A serial port whose other end is gone reads as ended for ever.
            Ok(0) => Err(End(State::Lost("the other end is gone".to_owned()))),
            Ok(count) => {
                let start = self.source.len() - count;
                wire::received(self.source.get(start..).unwrap_or_default());
                self.driver.receive(&mut self.source, self.clock.now());
                self.tell()
            }
            Err(error) => Err(End(State::Lost(error.to_string()))),
        }
    }

    fn wrote(&mut self, written: std::io::Result<usize>) -> Result<(), End> {
        match written {
            Ok(0) => Err(End(State::Lost("it takes no bytes".to_owned()))),
            Ok(count) => {
                let written = self.out.split_to(count);
                wire::sent(&written);
                let now = self.clock.now();
                if self.out.is_empty() {
                    self.out_since = None;
                    self.driver.written(now);
                } else {
                    self.out_since = Some(now);
                }
                Ok(())
            }
            Err(error) => Err(End(State::Lost(error.to_string()))),
        }
    }

    /// Hands on what the driver tells.
    fn tell(&mut self) -> Result<(), End> {
        let mut end = Ok(());
        while let Some(news) = self.driver.news() {
            match news {
                News::Ready => {
                    self.state.0.send_replace(State::Ready);
                }
                News::Taken(ticket, taken) => {
                    if let Some(answer) = self.waiting.remove(&ticket) {
                        // An owner that did not wait needs no answer.
                        drop(answer.send(taken));
                    }
                }
                News::Broken(reason) => end = Err(End(State::Lost(reason))),
                News::Left => end = Err(End(State::Left)),
                News::Position(report) => self.see(|seen| {
                    if seen.reports.len() == MAX_REPORTS {
                        seen.reports.pop_front();
                        seen.reports_lost += 1;
                    }
                    seen.reports.push_back(report);
                }),
                News::Held(held) => self.see(|seen| seen.hold.change(held)),
                News::Remark(remark) => {
                    tracing::warn!(remark, "link");
                    self.see(|seen| {
                        if seen.remarks.len() < MAX_REMARKS {
                            seen.remarks.push_back(remark);
                        }
                    });
                }
            }
        }
        if end.is_err() {
            let dropped = self.driver.dropped();
            self.see(|seen| seen.dropped = dropped);
        }
        end
    }

    fn see(&self, see: impl FnOnce(&mut Seen)) {
        see(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

async fn sleep(until: Option<tokio::time::Instant>) {
    match until {
        Some(until) => tokio::time::sleep_until(until).await,
        None => std::future::pending().await,
    }
}
