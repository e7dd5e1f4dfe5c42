//! Lines: how clients come, speak, listen and go, whatever they come by.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::Duration;

use bytes::BytesMut;
use tokio::sync::mpsc::Sender;
use tokio::task::JoinHandle;
use tokio::time::Instant;

use super::outlet::Outlet;
#[cfg(unix)]
use super::stable_name::StableName;
use super::wire_log::WireLog;
use super::{Place, ServeError, Served, tcp};
use crate::link::wire::Way;

/// Inputs that may wait before clients are slowed down.
pub(super) const INPUTS: usize = 32;

/// Bytes read at once.
pub(super) const READ: usize = 8 * 1024;

/// A client, as long as it is there.
pub(super) type ClientId = u64;

/// What comes from a line.
#[derive(Debug)]
pub(super) enum Input {
    /// A client is there.
    Came {
        client: ClientId,
        name: Rc<str>,
        outlet: Outlet,
    },
    /// A client said something.
    Said { client: ClientId, bytes: BytesMut },
    /// A client is gone.
    Gone { client: ClientId },
    /// It is served elsewhere from now on.
    Moved(Served),
}

/// The clock and the log, which all lines share.
#[derive(Debug, Clone)]
pub(super) struct Wire {
    start: Instant,
    log: Rc<RefCell<WireLog>>,
}

impl Wire {
    pub(super) fn new(log: Option<File>) -> Self {
        Self {
            start: Instant::now(),
            log: Rc::new(RefCell::new(WireLog::new(log))),
        }
    }

    /// Time since it was opened.
    pub(super) fn now(&self) -> Duration {
        self.start.elapsed()
    }

    /// Waits until then; for ever without a time.
    pub(super) async fn until(&self, time: Option<Duration>) {
        match time {
            None => std::future::pending().await,
            // Due already: others have their turn first.
            Some(time) if time <= self.now() => tokio::task::yield_now().await,
            Some(time) => tokio::time::sleep_until(self.start + time).await,
        }
    }

    pub(super) fn note(&self, client: &str, way: Way, bytes: &[u8]) {
        self.log.borrow_mut().note(self.now(), client, way, bytes);
    }

    pub(super) fn flush(&self) {
        self.log.borrow_mut().flush();
    }
}

/// What has to be kept while it is served.
#[derive(Debug)]
pub(super) struct Kept {
    tasks: Tasks,
}

/// Tasks that write to clients.
pub(super) type Tasks = Rc<RefCell<BTreeMap<ClientId, JoinHandle<()>>>>;

impl Kept {
    /// Waits until all is written, but no longer than that.
    pub(super) async fn end(self, longest: Duration) {
        let writers = std::mem::take(&mut *self.tasks.borrow_mut());
        let written = async {
            for writer in writers.into_values() {
                if let Err(error) = writer.await {
                    tracing::debug!(%error, "a writer failed");
                }
            }
        };
        if tokio::time::timeout(longest, written).await.is_err() {
            tracing::info!("a client did not read to the end");
        }
    }
}

/// Opens the line.
pub(super) async fn open(
    place: Place,
    inputs: Sender<Input>,
    wire: Wire,
) -> Result<(Served, Kept), ServeError> {
    let tasks = Tasks::default();
    let served = match place {
        Place::Tcp(address) => {
            let listening = tcp::listen(address, inputs, wire, Rc::clone(&tasks)).await?;
            Served::Tcp(listening)
        }
        Place::Pty { link } => open_pty(link, inputs, wire, &tasks)?,
    };
    Ok((served, Kept { tasks }))
}

#[cfg(unix)]
fn open_pty(
    link: Option<PathBuf>,
    inputs: Sender<Input>,
    wire: Wire,
    tasks: &Tasks,
) -> Result<Served, ServeError> {
    let pty = super::pty::Pty::open().map_err(ServeError::Pty)?;
    let path = pty.path().to_owned();
    let stable = link.map(|link| StableName::make(link, &path)).transpose()?;
    let task = tokio::task::spawn_local(super::pty::serve(pty, stable, inputs, wire));
    tasks.borrow_mut().insert(0, task);
    Ok(Served::Pty(path))
}

#[cfg(not(unix))]
fn open_pty(
    _: Option<PathBuf>,
    _: Sender<Input>,
    _: Wire,
    _: &Tasks,
) -> Result<Served, ServeError> {
    Err(ServeError::NoPtys)
}
