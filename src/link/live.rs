//! A link over a line: it opens, sends, is lost, and is opened again.

use std::fmt;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::packet::Packet;
use tokio::sync::oneshot;

use super::actor::{Handle, Request, State};
use super::clock::Clock;
use super::driver::Driver;
use super::transport::{OpenError, Opener};
use super::{Abilities, CannotCarry, Link, LinkError, PositionReport, Taken};

/// How long the greeting may take: an alias of LCC takes 200 ms, several tries some more; a
/// station's start messages may each take all their tries.
const GREETING_LIMIT: Duration = Duration::from_secs(10);

/// How long a command may stay without an outcome before the line counts as lost. Longer than
/// any time-out and retries of a profile.
const OUTCOME_LIMIT: Duration = Duration::from_secs(60);

/// How long a farewell may take.
const FAREWELL_LIMIT: Duration = Duration::from_secs(2);

/// A protocol that is spoken over lines.
pub trait Protocol {
    /// What a person calls it: `LCC bus`.
    fn name(&self) -> String;

    /// What it can do.
    fn abilities(&self) -> Abilities;

    /// Can it carry this packet?
    ///
    /// # Errors
    /// Why not.
    fn can_carry(&self, packet: &Packet) -> Result<(), String>;
}

/// A protocol, and how a new engine of it is made for each line.
pub(super) trait Engine: Protocol {
    fn driver(&self) -> Box<dyn Driver>;
}

/// How long a link is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// How long the greeting may take.
    pub greeting: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self {
            greeting: GREETING_LIMIT,
        }
    }
}

/// A link over a line.
pub struct Live {
    engine: Box<dyn Engine>,
    opener: Box<dyn Opener>,
    clock: Clock,
    patience: Patience,
    handle: Option<Handle>,
    /// Why there is none.
    lost: String,
}

impl fmt::Debug for Live {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Live")
            .field("name", &self.name())
            .field("handle", &self.handle)
            .finish_non_exhaustive()
    }
}

impl Live {
    pub(super) async fn open(
        engine: Box<dyn Engine>,
        opener: Box<dyn Opener>,
        patience: Patience,
    ) -> Result<Self, OpenError> {
        let mut link = Self {
            engine,
            opener,
            clock: Clock::start(),
            patience,
            handle: None,
            lost: String::new(),
        };
        link.connect().await?;
        Ok(link)
    }

    /// What the operator should be told, since the last call.
    pub fn remarks(&mut self) -> Vec<String> {
        let handle = self.handle.as_ref();
        handle.map_or_else(Vec::new, |handle| {
            handle.look(|seen| seen.remarks.drain(..).collect())
        })
    }

    async fn connect(&mut self) -> Result<(), OpenError> {
        if let Some(mut old) = self.handle.take() {
            self.lost = old.lost().unwrap_or_default();
            // The port can't be opened again while the old task still has it.
            old.end().await;
        }
        let line = self.opener.open().await?;
        let mut handle = Handle::start(line, self.engine.driver(), self.clock);
        let greeted = handle.state.wait_for(|state| *state != State::Greeting);
        let greeted = tokio::time::timeout(self.patience.greeting, greeted).await;
        let reason = match greeted.map(|state| state.map(|state| state.clone())) {
            Ok(Ok(State::Ready)) => None,
            Ok(Ok(State::Lost(reason))) => Some(reason),
            Ok(_) => Some("it was closed".to_owned()),
            Err(_) => Some(format!(
                "its greeting took more than {} s",
                self.patience.greeting.as_secs()
            )),
        };
        if let Some(reason) = reason {
            handle.end().await;
            let name = self.opener.name();
            return Err(OpenError::NoGreeting { name, reason });
        }
        self.handle = Some(handle);
        Ok(())
    }

    fn line(&self) -> Result<&Handle, LinkError> {
        let handle = self.handle.as_ref();
        let handle = handle.ok_or_else(|| LinkError::Lost(self.lost.clone()))?;
        match handle.lost() {
            Some(reason) => Err(LinkError::Lost(reason)),
            None => Ok(handle),
        }
    }

    fn gone(&self) -> LinkError {
        let reason = self.handle.as_ref().and_then(Handle::lost);
        LinkError::Lost(reason.unwrap_or_else(|| "its task ended".to_owned()))
    }
}

#[async_trait(?Send)]
impl Link for Live {
    fn name(&self) -> String {
        format!("{} on {}", self.engine.name(), self.opener.name())
    }

    fn abilities(&self) -> Abilities {
        self.engine.abilities()
    }

    fn now(&self) -> Duration {
        self.clock.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        let (answer, taken) = oneshot::channel();
        let request = Request::Send(*packet, answer);
        if self.line()?.requests.send(request).await.is_err() {
            return Err(self.gone());
        }
        match tokio::time::timeout(OUTCOME_LIMIT, taken).await {
            Ok(Ok(taken)) => Ok(taken),
            Ok(Err(_)) => Err(self.gone()),
            Err(_) => {
                if let Some(mut handle) = self.handle.take() {
                    handle.end().await;
                }
                "a command had no outcome".clone_into(&mut self.lost);
                Err(LinkError::Lost(self.lost.clone()))
            }
        }
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        let until = self.clock.at(self.now() + time);
        let mut state = self.line()?.state.clone();
        let ended = state.wait_for(|state| matches!(state, State::Lost(_) | State::Left));
        tokio::select! {
            biased;
            ended = ended => {
                drop(ended);
                Err(self.gone())
            }
            () = tokio::time::sleep_until(until) => Ok(()),
        }
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        let Some(handle) = self.handle.as_ref() else {
            return Err(LinkError::Lost(self.lost.clone()));
        };
        let (reports, lost) = handle.look(|seen| {
            let lost = std::mem::take(&mut seen.reports_lost);
            (Vec::from(std::mem::take(&mut seen.reports)), lost)
        });
        if lost > 0 {
            tracing::warn!(
                lost,
                "position reports came faster than they were looked at"
            );
        }
        Ok(reports)
    }

    fn can_carry(&self, packet: &Packet) -> Result<(), CannotCarry> {
        self.engine.can_carry(packet).map_err(|reason| CannotCarry {
            link: self.engine.name(),
            packet: *packet,
            reason,
        })
    }

    fn held(&self) -> Option<String> {
        self.handle.as_ref()?.look(|seen| seen.hold.look())
    }

    fn returns(&self) -> bool {
        true
    }

    async fn reconnect(&mut self) -> Result<(), LinkError> {
        self.connect()
            .await
            .map_err(|error| LinkError::Lost(error.whole()))
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        let Some(mut handle) = self.handle.take() else {
            return Ok(());
        };
        "it was closed".clone_into(&mut self.lost);
        // What went wrong before is known already, and nothing is left to be said.
        if handle.requests.send(Request::Leave).await.is_ok() {
            let left = handle
                .state
                .wait_for(|state| matches!(state, State::Lost(_) | State::Left));
            if tokio::time::timeout(FAREWELL_LIMIT, left).await.is_err() {
                tracing::info!("the farewell took too long");
            }
        }
        let dropped = handle.look(|seen| seen.dropped.clone());
        if !dropped.is_empty() {
            tracing::info!(dropped, "not understood on the line");
        }
        handle.end().await;
        Ok(())
    }
}
