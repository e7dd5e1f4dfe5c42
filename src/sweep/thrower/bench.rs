//! What a run does at a decoder on the bench: hands, single packets, service mode, and looks at
//! outputs.

use std::time::Duration;

use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceStep;

use super::{Halt, Thrower, cancellable};
use crate::event::StopReason;
use crate::link::{Link as _, Taken};
use crate::witness::bench::{Did, Saw, Task, Watch};

impl Thrower<'_, '_> {
    /// Whether a person looks, who takes their time.
    pub(crate) fn is_person(&self) -> bool {
        self.witness.is_person()
    }

    /// Has something done by hand; `false` if it can't be.
    pub(crate) async fn by_hand(&mut self, task: &Task) -> Result<bool, Halt> {
        match cancellable(&self.stop, self.witness.do_by_hand(task)).await? {
            Did::Done => Ok(true),
            Did::Cannot => Ok(false),
            Did::Stop => Err(Halt::Stop(StopReason::Operator)),
        }
    }

    /// Sends one packet, unless the run is to end or the layout wants nothing sent.
    pub(crate) async fn put(&mut self, packet: &Packet) -> Result<Taken, Halt> {
        self.heed()?;
        Ok(self.link.send(packet).await?)
    }

    /// Carries out one step of service mode.
    pub(crate) async fn serve(&mut self, step: &ServiceStep) -> Result<Option<bool>, Halt> {
        self.heed()?;
        Ok(self.link.serve(step).await?)
    }

    /// The same when the run ends, whatever ends it.
    pub(crate) async fn serve_last(&mut self, step: &ServiceStep) {
        if let Err(error) = self.link.serve(step).await {
            tracing::warn!(%error, "service mode was not left in good order");
        }
    }

    /// Has the witness take note of how outputs are.
    pub(crate) async fn watch_begins(&mut self, watch: &Watch) -> Result<(), Halt> {
        cancellable(&self.stop, self.witness.watch_begins(watch)).await
    }

    /// Asks the witness what an output did.
    pub(crate) async fn watch(&mut self, watch: &Watch) -> Result<Saw, Halt> {
        let saw = cancellable(&self.stop, self.witness.watch(watch)).await?;
        if saw == Saw::Stop {
            return Err(Halt::Stop(StopReason::Operator));
        }
        Ok(saw)
    }

    /// Lets time pass.
    pub(crate) async fn rest(&mut self, time: Duration) -> Result<(), Halt> {
        self.pause(time).await
    }

    fn heed(&self) -> Result<(), Halt> {
        if let Some(reason) = self.stop.reason() {
            return Err(Halt::Stop(reason));
        }
        self.link.held().map_or(Ok(()), |why| Err(Halt::Held(why)))
    }
}
