//! What a run does while an address is looked for: it throws addresses that may be in no plan, and
//! asks what moved.

use std::time::Duration;

use super::{Halt, Thrower, cancellable};
use crate::event::StopReason;
use crate::link::Link as _;
use crate::witness::bench::Did;
use crate::witness::hunt::{Back, Inquiry, Noticed};

impl Thrower<'_, '_> {
    /// Time on the link's clock.
    pub(crate) fn clock(&self) -> Duration {
        self.link.now()
    }

    /// Time on it since the run began.
    pub(crate) fn lasted(&self) -> Duration {
        self.elapsed()
    }

    /// Lets time pass, or less where the witness has its answer: then `true`.
    pub(crate) async fn rest_unless_noticed(&mut self, time: Duration) -> Result<bool, Halt> {
        let has_noticed = tokio::select! {
            biased;
            reason = self.stop.asked() => return Err(Halt::Stop(reason)),
            () = self.witness.has_noticed() => true,
            paused = self.link.pause(time) => {
                paused?;
                false
            }
        };
        let held = self.link.held();
        held.map_or(Ok(has_noticed), |why| Err(Halt::Held(why)))
    }

    /// Has the thing laid back by hand; `false` if it is not.
    pub(crate) async fn lay_back(&mut self, back: &Back) -> Result<bool, Halt> {
        match cancellable(&self.stop, self.witness.lay_back(back)).await? {
            Did::Done => Ok(true),
            Did::Cannot => Ok(false),
            Did::Stop => Err(Halt::Stop(StopReason::Operator)),
        }
    }

    /// Has the witness take note of how the thing is.
    pub(crate) async fn glance(&mut self, inquiry: &Inquiry) -> Result<(), Halt> {
        self.bring_reports().await?;
        cancellable(&self.stop, self.witness.glance(inquiry)).await
    }

    /// Asks the witness whether it moved.
    pub(crate) async fn noticed(&mut self, inquiry: &Inquiry) -> Result<Noticed, Halt> {
        self.bring_reports().await?;
        let noticed = cancellable(&self.stop, self.witness.noticed(inquiry)).await?;
        if noticed == Noticed::Stop {
            return Err(Halt::Stop(StopReason::Operator));
        }
        Ok(noticed)
    }
}
