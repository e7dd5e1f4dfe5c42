//! The simulated track at the other end of a wire: a pseudo-terminal or TCP, for whatever speaks
//! to a command station.
//!
//! ```text
//! client -> line (pty, tcp) -> Input -> server -> lcc or profile -> rails -> track
//! client <- line <- outlet  <-------------------- lcc or profile <- rails <- track
//! ```
//!
//! One task owns all that has state: the track, the node or station, the clients. Each client has
//! a task or two that move bytes: bounded queues lead there and back, so a client that floods is
//! slowed down and one that does not read loses what it does not read; neither holds up others.

mod lcc;
mod line;
mod outlet;
mod profile;
#[cfg(unix)]
mod pty;
mod rails;
#[cfg(unix)]
mod stable_name;
mod tcp;
mod wire_log;

use std::fmt;
use std::fs::File;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use throwproof_protocol::lcc::{NodeId, NodeInformationError};
use tokio::sync::mpsc;
use tokio::task::LocalSet;

use self::lcc::LccStation;
use self::line::{Input, Wire};
use self::profile::ProfileStation;
use self::rails::{Happened, Rails};
use crate::plan::Plan;
use crate::profile::{CannotServe, Profile};
use crate::track::as_built::AsBuilt;

/// How fast the model's clock goes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Pace {
    /// As the wall clock.
    #[default]
    Real,
    /// Ahead of it after each command, until all has happened that the command makes happen: one
    /// second at most. In between as the wall clock.
    Fast,
}

/// What is spoken.
#[derive(Debug, Clone)]
pub enum Speaks {
    /// LCC, as the node of this id.
    Lcc(NodeId),
    /// A station's own protocol.
    Profile(Arc<Profile>),
}

/// Where clients find it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A new pseudo-terminal, and a symlink to it.
    Pty {
        /// The symlink.
        link: Option<PathBuf>,
    },
    /// A TCP port.
    Tcp(SocketAddr),
}

/// What to serve, and where.
#[derive(Debug)]
pub struct Options {
    /// What is spoken.
    pub speaks: Speaks,
    /// Where.
    pub place: Place,
    /// How fast.
    pub pace: Pace,
    /// Seed of the track.
    pub seed: u64,
    /// A log of every byte.
    pub log: Option<File>,
}

/// What the operator of a served track can ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// An LCC node starts anew, as if it had been switched off and on; clients stay.
    Restart,
    /// It ends.
    End,
}

/// Where it was put.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Served {
    /// The pseudo-terminal's name.
    Pty(PathBuf),
    /// The address, with the real port.
    Tcp(SocketAddr),
}

impl fmt::Display for Served {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Pty(path) => write!(f, "{}", path.display()),
            Self::Tcp(address) => write!(f, "{address}"),
        }
    }
}

/// What was done in all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// Clients that came.
    pub clients: u64,
    /// Frames or messages understood.
    pub messages: u64,
    /// Commands put on the rails.
    pub commands: u64,
    /// Commands not put on the rails: too many at once, or no power.
    pub refused: u64,
    /// Position contacts made or broken.
    pub contacts: u64,
    /// Times that bytes were no frame or message.
    pub garbage: u64,
    /// Messages that a client did not read in time.
    pub unread: u64,
}

/// Why it can't be served.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    /// The port can't be had.
    #[error("can't listen at {address}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// No pseudo-terminal can be had.
    #[error("the system gives no pseudo-terminal")]
    Pty(#[source] io::Error),
    /// There are none here.
    #[error("this system has no pseudo-terminals that the program can use")]
    NoPtys,
    /// Something is in the way of the symlink.
    #[error("{} is there already and is no symlink; it is left alone", path.display())]
    InTheWay {
        /// The place of the symlink.
        path: PathBuf,
    },
    /// The symlink can't be made.
    #[error("can't make the symlink {}", path.display())]
    Symlink {
        /// The place of the symlink.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// The profile can't be served.
    #[error(transparent)]
    Profile(#[from] CannotServe),
    /// The layout's name does not fit.
    #[error("the layout's name does not fit into the node information")]
    Information(#[source] NodeInformationError),
}

/// The one that answers.
#[derive(Debug)]
enum Station {
    Lcc(Box<LccStation>),
    Profile(Box<ProfileStation>),
}

impl Station {
    fn input(&mut self, input: Input, now: Duration, rails: &mut Rails, tally: &mut Tally) {
        match self {
            Self::Lcc(station) => station.input(input, now, rails, tally),
            Self::Profile(station) => station.input(input, now, rails, tally),
        }
    }

    fn step(&mut self, now: Duration, rails: &mut Rails, tally: &mut Tally) {
        let mut happened = Vec::new();
        rails.run(now, &mut happened);
        let contacts = happened
            .iter()
            .filter(|one| matches!(one, Happened::Contact { .. }));
        tally.contacts += contacts.count() as u64;
        match self {
            Self::Lcc(station) => station.step(now, &happened),
            Self::Profile(station) => station.step(now, &happened, rails, tally),
        }
    }

    fn next(&self) -> Option<Duration> {
        match self {
            Self::Lcc(station) => station.next(),
            Self::Profile(station) => station.next(),
        }
    }

    fn restart(&mut self) {
        match self {
            Self::Lcc(station) => station.restart(),
            Self::Profile(_) => tracing::info!("a station of a profile has nothing to start anew"),
        }
    }

    fn end(&mut self, now: Duration, tally: &mut Tally) {
        match self {
            Self::Lcc(station) => station.end(now, tally),
            Self::Profile(station) => station.end(tally),
        }
    }
}

/// How long clients have to read the last words.
const LAST_WORDS: Duration = Duration::from_millis(200);

/// Serves a track until it is wished to end, or nobody is left to wish it. `ready` is told where,
/// once clients can come, and again if that has to change.
///
/// # Errors
/// When it can't be served there, or the profile can't be served at all; or what `ready` says.
pub async fn serve<E: From<ServeError>>(
    plan: &Plan,
    as_built: &AsBuilt,
    options: Options,
    mut ready: impl FnMut(&Served) -> Result<(), E>,
    mut wishes: mpsc::Receiver<Wish>,
) -> Result<Tally, E> {
    let mut rails = Rails::new(plan, as_built, options.seed, options.pace);
    let mut station = match options.speaks {
        Speaks::Lcc(node) => {
            let station = LccStation::new(node, &plan.layout.name, &rails);
            Station::Lcc(Box::new(station.map_err(ServeError::Information)?))
        }
        Speaks::Profile(profile) => {
            let station = ProfileStation::new(profile, &mut rails).map_err(ServeError::from)?;
            Station::Profile(Box::new(station))
        }
    };
    let wire = Wire::new(options.log);
    let (sender, mut inputs) = mpsc::channel(line::INPUTS);
    let tasks = LocalSet::new();
    let outcome = tasks
        .run_until(async {
            let (served, kept) = line::open(options.place, sender, wire.clone()).await?;
            ready(&served)?;
            let mut tally = Tally::default();
            loop {
                let now = wire.now();
                station.step(now, &mut rails, &mut tally);
                wire.flush();
                let next = rails.next(now).into_iter().chain(station.next()).min();
                tokio::select! {
                    biased;
                    wish = wishes.recv() => match wish {
                        Some(Wish::Restart) => station.restart(),
                        Some(Wish::End) | None => break,
                    },
                    Some(input) = inputs.recv() => match input {
                        Input::Moved(served) => ready(&served)?,
                        input @ (Input::Came { .. } | Input::Said { .. } | Input::Gone { .. }) => {
                            station.input(input, wire.now(), &mut rails, &mut tally);
                        }
                    },
                    () = wire.until(next) => {}
                }
            }
            inputs.close();
            station.end(wire.now(), &mut tally);
            kept.end(LAST_WORDS).await;
            Ok(tally)
        })
        .await;
    wire.flush();
    outcome
}
