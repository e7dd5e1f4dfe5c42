//! What a throw does when the link goes away under it, or the layout wants nothing sent: it
//! waits, has everything released, and is made again.

use std::time::Duration;

use throwproof_protocol::address::Position;
use throwproof_protocol::packet::Packet;

use super::{Halt, Thrower, Told, cancellable};
use crate::event::{EventKind, Step, Subject};
use crate::link::guard::Guard;
use crate::link::{Link, LinkError};
use crate::plan::Id;

/// Between two tries to open a lost link.
const BETWEEN_TRIES: Duration = Duration::from_millis(250);

/// Between two looks whether the layout may be driven again.
const BETWEEN_LOOKS: Duration = Duration::from_millis(100);

impl Thrower<'_, '_> {
    /// Throws `subject` to `commanded`, as often as the witness wants it repeated, and says what
    /// was seen of it. A throw that the link or the layout breaks off is no evidence: it is made
    /// again. `again` says that this one was broken off before, or its evidence is no more: nobody
    /// knows how it lies.
    pub(in crate::sweep) async fn throw(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
        mut again: bool,
    ) -> Result<Told, Halt> {
        loop {
            let told = self.one_more(subject, step, commanded, again).await;
            again = true;
            match told {
                Err(halt) => self.recover(halt).await?,
                told => return told,
            }
        }
    }

    /// Waits out what broke a throw off, if it can be waited for.
    pub(crate) async fn recover(&mut self, halt: Halt) -> Result<(), Halt> {
        match halt {
            Halt::Link(error @ LinkError::Lost(_)) => self.wait_for_link(error).await?,
            Halt::Held(reason) => self.wait_for_layout(reason).await?,
            halt @ (Halt::Stop(_)
            | Halt::Link(_)
            | Halt::Sink(_)
            | Halt::Witness(_)
            | Halt::Command(_)) => return Err(halt),
        }
        self.witness.forget();
        Ok(())
    }

    async fn one_more(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
        again: bool,
    ) -> Result<Told, Halt> {
        if let Some(reason) = self.link.held() {
            return Err(Halt::Held(reason));
        }
        if again {
            self.set_back(subject, step, commanded).await?;
        }
        self.attempt(subject, step, commanded).await
    }

    /// The throw that was broken off may have moved it all the same: it is brought back, so that
    /// the next can be seen to move it.
    async fn set_back(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
    ) -> Result<(), Halt> {
        let position: Option<Position> = commanded.as_str().parse().ok();
        match (step, position) {
            // Whether these move is nobody's evidence.
            (Step::Prime | Step::Back, _) => Ok(()),
            (Step::AfterHand, Some(position)) => {
                self.lay_by_hand(subject, position.opposite()).await?;
                Ok(())
            }
            (
                Step::AfterHand
                | Step::Visit
                | Step::Rest
                | Step::Single
                | Step::Keep
                | Step::Group,
                _,
            ) => self.throw_back(subject, commanded).await,
        }
    }

    /// Waits until a lost link is back and everything is released.
    async fn wait_for_link(&mut self, error: LinkError) -> Result<(), Halt> {
        if !self.link.returns() || self.reconnect.is_zero() {
            return Err(Halt::Link(error));
        }
        // An output may be active: nothing waits for a record that can't be written.
        self.mention(EventKind::LinkLost {
            reason: reason_of(&error),
            patience_s: self.reconnect.as_secs(),
        });
        let back = reopened(&mut self.link, reason_of(&error), self.reconnect);
        cancellable(&self.stop, back).await?;
        self.say(EventKind::LinkReturned {}).await
    }

    /// Waits until the layout may be driven again. Releases are sent all the same.
    async fn wait_for_layout(&mut self, reason: String) -> Result<(), Halt> {
        self.mention(EventKind::Held { reason });
        loop {
            let waited = match self.link.release_all().await {
                Ok(()) => cancellable(&self.stop, self.link.pause(BETWEEN_LOOKS)).await,
                // A station without power may well refuse; it is tried until it does not.
                Err(LinkError::NotReleased { .. }) => {
                    let pause = async {
                        tokio::time::sleep(BETWEEN_LOOKS).await;
                        Ok::<_, LinkError>(())
                    };
                    cancellable(&self.stop, pause).await
                }
                Err(error) => Err(error.into()),
            };
            match waited {
                Err(Halt::Link(error @ LinkError::Lost(_))) => self.wait_for_link(error).await?,
                waited => waited?,
            }
            if self.link.held().is_none() && !self.link.is_active() {
                break;
            }
        }
        self.say(EventKind::Resumed {}).await
    }

    pub(super) async fn say_unanswered(
        &mut self,
        subject: &Subject,
        packets: Vec<Packet>,
    ) -> Result<(), Halt> {
        for packet in packets {
            self.say(EventKind::Unanswered {
                subject: subject.clone(),
                throw: self.last_throw(),
                packet: packet.to_string(),
            })
            .await?;
        }
        Ok(())
    }
}

fn reason_of(error: &LinkError) -> String {
    match error {
        LinkError::Lost(reason) => reason.clone(),
        LinkError::StaysLost { .. }
        | LinkError::NoReturn(_)
        | LinkError::NoService(_)
        | LinkError::NotReleased { .. } => error.to_string(),
    }
}

/// Releases everything; on a link that is lost, when it is back within `patience`.
pub(super) async fn release_all(
    link: &mut Guard<&mut dyn Link>,
    patience: Duration,
) -> Result<(), LinkError> {
    match link.release_all().await {
        Err(error @ LinkError::Lost(_))
            if link.is_active() && link.returns() && !patience.is_zero() =>
        {
            tracing::warn!("an output may be active and the link is gone: waiting for it");
            reopened(link, reason_of(&error), patience).await
        }
        outcome => outcome,
    }
}

/// Opens a lost link again and releases everything first of all; tries until `patience` is over.
async fn reopened(
    link: &mut Guard<&mut dyn Link>,
    mut reason: String,
    patience: Duration,
) -> Result<(), LinkError> {
    let tries = async {
        loop {
            let opened = match link.reconnect().await {
                Ok(()) => link.release_all().await,
                Err(error) => Err(error),
            };
            match opened {
                Err(LinkError::Lost(why)) => reason = why,
                other => return other,
            }
            tokio::time::sleep(BETWEEN_TRIES).await;
        }
    };
    match tokio::time::timeout(patience, tries).await {
        Ok(outcome) => outcome,
        Err(_) => Err(LinkError::StaysLost {
            reason,
            waited: patience,
        }),
    }
}
