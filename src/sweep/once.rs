//! One throw, by the operator's word, with the same care as a throw of a sweep.

use std::time::Duration;

use super::SweepError;
use super::carries;
use super::prove::refused_reason;
use super::stop::StopToken;
use super::thrower::{Ended, Thrower, Told, unwound};
use crate::event::hub::Hub;
use crate::event::{Step, StopReason, Subject};
use crate::link::Link;
use crate::plan::{Id, Plan};
use crate::verdict::Evidence;
use crate::witness::{Seen, Witness};

/// One throw or one aspect.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness"
)]
pub struct Once<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who says what was seen.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// The turnout or signal.
    pub subject: Subject,
    /// The position or aspect to send it to.
    pub commanded: Id,
    /// How long a lost link is waited for.
    pub reconnect: Duration,
}

/// What a single throw came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It was seen to go where it was sent, and nothing else moved.
    AsSent(Seen),
    /// Something else was seen.
    Otherwise(Seen),
    /// It was not observed, and why.
    Unseen(String),
    /// The operator stopped it.
    Stopped(StopReason),
}

impl Once<'_, '_> {
    /// Makes the throw.
    ///
    /// # Errors
    /// When the link, an essential sink or the witness fails.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Outcome, SweepError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            subject,
            commanded,
            reconnect,
        } = self;
        carries::check_throw(plan, link, &subject, &commanded)?;
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(reconnect);
        let body = async { thrower.throw(&subject, Step::Single, &commanded).await };
        let outcome = unwound::<Told>(body).await;
        Ok(match thrower.end(outcome, |_| None).await? {
            Ended::Done(Told::Seen(seen)) => {
                let seen_with = seen.clone();
                let evidence = Evidence::new(plan, &subject, Step::Single, commanded, seen_with);
                if evidence.arrived() && !evidence.is_stray() {
                    Outcome::AsSent(seen)
                } else {
                    Outcome::Otherwise(seen)
                }
            }
            Ended::Done(Told::Unseen(reason)) => Outcome::Unseen(reason),
            Ended::Done(Told::Skip) => Outcome::Unseen("nobody looked".to_owned()),
            Ended::Done(Told::Refused(reason)) => Outcome::Unseen(refused_reason(&reason)),
            Ended::Stopped(reason) => Outcome::Stopped(reason),
        })
    }
}
