//! No link at all: whoever is asked throws everything by their own controls.

use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::packet::Packet;

use super::clock::Clock;
use super::{Abilities, Link, LinkError, PositionReport, Taken};

/// A link over which nothing goes out.
#[derive(Debug)]
pub struct NoLink(Clock);

impl NoLink {
    /// One whose clock starts now.
    pub fn new() -> Self {
        Self(Clock::start())
    }
}

impl Default for NoLink {
    fn default() -> Self {
        Self::new()
    }
}

#[async_trait(?Send)]
impl Link for NoLink {
    fn name(&self) -> String {
        "none, thrown by hand".to_owned()
    }

    fn abilities(&self) -> Abilities {
        Abilities {
            raw_packets: false,
            position_reports: false,
            cv_access: false,
            power: false,
        }
    }

    fn now(&self) -> Duration {
        self.0.now()
    }

    async fn send(&mut self, _packet: &Packet) -> Result<Taken, LinkError> {
        Ok(Taken::Refused("there is no link".to_owned()))
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        tokio::time::sleep(time).await;
        Ok(())
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        Ok(Vec::new())
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}
