//! The simulated track as a link.

use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceStep;

use super::Track;
use super::clock::Nanos;
use crate::link::{Abilities, Link, LinkError, PositionReport, Taken};

/// How much simulated time passes between two chances for others to run: an interrupt must not
/// wait for a long pause to end.
const SLICE: Nanos = Nanos::from_millis(100);

/// A link to a simulated track, which takes no time but that of computing it.
#[derive(Debug)]
pub struct TrackLink {
    track: Rc<RefCell<Track>>,
}

impl TrackLink {
    pub(super) fn new(track: Rc<RefCell<Track>>) -> Self {
        Self { track }
    }

    /// The track itself, to look at or to lay hands on.
    pub fn track(&self) -> &Rc<RefCell<Track>> {
        &self.track
    }
}

#[async_trait(?Send)]
impl Link for TrackLink {
    fn name(&self) -> String {
        "simulated track".to_owned()
    }

    fn abilities(&self) -> Abilities {
        Abilities {
            raw_packets: true,
            position_reports: true,
            cv_access: true,
            power: false,
        }
    }

    fn now(&self) -> Duration {
        self.track.borrow().now().into()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        self.track.borrow_mut().send(*packet);
        tokio::task::yield_now().await;
        Ok(Taken::Acknowledged)
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        let end = self.track.borrow().now() + time.into();
        loop {
            let now = self.track.borrow().now();
            if now >= end {
                return Ok(());
            }
            self.track.borrow_mut().advance(end.min(now + SLICE));
            tokio::task::yield_now().await;
        }
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        Ok(self.track.borrow_mut().take_reports())
    }

    fn can_serve(&self) -> Result<(), String> {
        Ok(())
    }

    async fn serve(&mut self, step: &ServiceStep) -> Result<Option<bool>, LinkError> {
        let answer = self.track.borrow_mut().serve(step);
        tokio::task::yield_now().await;
        Ok(answer)
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}
