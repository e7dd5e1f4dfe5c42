//! One throw, by the operator's word, with the same care as a throw of a sweep.

use std::time::Duration;

use super::SweepError;
use super::carries;
use super::prove::refused_reason;
use super::stop::StopToken;
use super::thrower::{Begun, Ended, Halt, Thrower, Told, unwound};
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
    /// Throw it there and back by itself, and ask for no observation.
    pub repeat: Option<Repeat>,
}

/// How something is thrown there and back by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Repeat {
    /// From one throw to the next; longer where the drive or its supply needs longer.
    pub every: Duration,
    /// How often it is sent to its position, at least once; without it, until the witness says
    /// that it is enough, or the run is asked to stop.
    pub count: Option<u32>,
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
    /// It was thrown there and back so many times in all, and sent to its position last.
    Repeated(u64),
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
            repeat,
        } = self;
        carries::check_throw(plan, link, &subject, &commanded)?;
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(reconnect);
        if let Some(repeat) = repeat {
            let body = repeated(&mut thrower, &subject, &commanded, repeat);
            let outcome = unwound(body).await;
            let mut throws = 0;
            let ended = thrower.end(outcome, |thrower| {
                throws = thrower.throws();
                None
            });
            return Ok(match ended.await? {
                Ended::Done(Some(reason)) => Outcome::Unseen(refused_reason(&reason)),
                Ended::Done(None) => Outcome::Repeated(throws),
                Ended::Stopped(reason) => Outcome::Stopped(reason),
            });
        }
        let body = async {
            let throw = thrower.throw(&subject, Step::Single, &commanded, false);
            throw.await
        };
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
            Ended::Done(Told::Skip | Told::SkipPlace | Told::Undo) => {
                Outcome::Unseen("nobody looked".to_owned())
            }
            Ended::Done(Told::Refused(reason)) => Outcome::Unseen(refused_reason(&reason)),
            Ended::Stopped(reason) => Outcome::Stopped(reason),
        })
    }
}

/// Throws it there and back by itself; the station's reason if it refuses. What the link or the
/// layout breaks off begins anew, with the count as it was.
async fn repeated(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    commanded: &Id,
    repeat: Repeat,
) -> Result<Option<String>, Halt> {
    loop {
        match repeated_once(thrower, subject, commanded, repeat).await {
            Err(halt) => thrower.recover(halt).await?,
            told => return told,
        }
    }
}

async fn repeated_once(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    commanded: &Id,
    repeat: Repeat,
) -> Result<Option<String>, Halt> {
    let first = match thrower.begin(subject, Step::Single, commanded).await? {
        Begun::Flies(first) => first,
        Begun::Refused(reason) => return Ok(Some(reason)),
    };
    let more = repeat.count.map(|count| count.saturating_sub(1));
    if more == Some(0) {
        thrower.settle(&first).await?;
        return Ok(None);
    }
    if thrower.hold(&first, repeat.every).await? {
        return Ok(None);
    }
    match thrower.keep_throwing(&first, repeat.every, more).await? {
        Begun::Flies(_) => Ok(None),
        Begun::Refused(reason) => Ok(Some(reason)),
    }
}
