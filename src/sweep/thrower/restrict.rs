//! Signals are left at their most restrictive aspect, gates and lights at rest.

use super::end::HURRY;
use super::{Halt, Thrower, Unwound};
use crate::event::{EventKind, Step, Subject};
use crate::link::{Link as _, LinkError, Taken};
use crate::plan::{Id, Sort};
use crate::sweep::command::Command;

impl Thrower<'_, '_> {
    /// Whether that is the aspect to leave a signal at; `None` for what is no signal, and for an
    /// uncoupler, which falls by itself.
    fn is_restrictive(&self, subject: &Subject, commanded: &Id) -> Option<bool> {
        let Subject::Signal(id) = subject else {
            return None;
        };
        let signal = self.plan.signal(id.as_str())?;
        let last = signal.most_restrictive()?;
        (signal.sort != Sort::Uncoupler).then_some(last.name == *commanded)
    }

    /// A command goes out: one that nobody knows the end of may have done what it says, or not.
    /// Gives whether the signal was to be sent back before it.
    pub(super) fn aspect_leaves(&mut self, subject: &Subject, commanded: &Id) -> bool {
        let before = self.open.contains(subject.id());
        if self.is_restrictive(subject, commanded) == Some(false) {
            self.open.insert(subject.id().clone());
        }
        before
    }

    /// The command was refused.
    pub(super) fn aspect_stays(&mut self, subject: &Subject, before: bool) {
        if !before {
            self.open.remove(subject.id());
        }
    }

    /// The command was taken.
    pub(super) fn aspect_arrived(&mut self, subject: &Subject, commanded: &Id) {
        if self.is_restrictive(subject, commanded) == Some(true) {
            self.open.remove(subject.id());
        }
    }

    /// Sends every signal that this run left at another aspect to its most restrictive one, and
    /// gates and lights to where they are left; nothing on a link that has failed or a layout that
    /// wants nothing sent. An operator who asks a second time to leave waits no longer than
    /// [`HURRY`].
    pub(super) async fn restrict<R>(&mut self, outcome: &Unwound<R>) -> Result<(), LinkError> {
        let is_told = match outcome {
            Ok(Err(Halt::Link(_) | Halt::Held(_))) => return Ok(()),
            // What keeps events has failed: it is done, and not said.
            Ok(Err(Halt::Sink(_))) => false,
            Ok(Ok(_) | Err(Halt::Stop(_) | Halt::Witness(_) | Halt::Command(_))) | Err(_) => true,
        };
        if !self.restricts || self.open.is_empty() {
            return Ok(());
        }
        let stop = self.stop.clone();
        let hurry = async {
            stop.asked_twice().await;
            tokio::time::sleep(HURRY).await;
        };
        tokio::select! {
            biased;
            sent = self.send_all_back(is_told) => sent,
            () = hurry => {
                let late = "it did not take the last aspects in time".to_owned();
                Err(LinkError::Lost(late))
            }
        }
    }

    async fn send_all_back(&mut self, is_told: bool) -> Result<(), LinkError> {
        for signal in &self.plan.signals {
            let Some(aspect) = signal.most_restrictive() else {
                continue;
            };
            let subject = Subject::Signal(signal.id.clone());
            let Ok(command) = Command::new(self.plan, &subject, &aspect.name) else {
                continue;
            };
            if !self.open.contains(&signal.id) {
                continue;
            }
            self.throws += 1;
            if !self.send_last(&command).await? {
                tracing::warn!(id = %signal.id, "the station refused its most restrictive aspect");
                continue;
            }
            self.open.remove(&signal.id);
            if is_told {
                self.mention(EventKind::ThrowSent {
                    subject,
                    throw: self.throws,
                    step: Step::Rest,
                    commanded: aspect.name.clone(),
                    address: command.address.get(),
                    packet: command.packet.to_string(),
                    further: Vec::new(),
                });
            }
        }
        Ok(())
    }

    /// Activates and releases, whoever wants to stop; `false` if the station refuses.
    async fn send_last(&mut self, command: &Command) -> Result<bool, LinkError> {
        if let Taken::Refused(_) = self.link.send(&command.packet).await? {
            return Ok(false);
        }
        if let Some((hold, release)) = &command.release {
            self.link.pause(*hold).await?;
            self.link.send(release).await?;
            self.link.release_all().await?;
        }
        Ok(true)
    }
}
