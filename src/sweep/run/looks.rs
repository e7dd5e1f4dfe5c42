//! The acceptance list of a turnout.

use super::Run;
use crate::event::{EventKind, StopReason, Subject};
use crate::plan::{Look, Turnout};
use crate::sweep::thrower::Halt;
use crate::verdict::Verdict;
use crate::witness::{Closer, Found};

impl Run<'_, '_, '_> {
    /// Does the next thing for the acceptance list of a turnout; `true` if there is none.
    pub(super) async fn looks(&mut self, turnout: &Turnout) -> Result<bool, Halt> {
        let subject = Subject::Turnout(turnout.id.clone());
        let so_far = self.thrower.so_far();
        let is_proved = so_far.verdict(&subject) == Some(Verdict::Proved);
        if turnout.accept.is_empty() || !is_proved || so_far.is_accepted(&subject) {
            return Ok(true);
        }
        let found = |look: &&Look| so_far.look(&subject, look);
        let is_good = |look: &&Look| found(look) == Some(Found::Good);
        if self.told.insert(subject.clone()) {
            let known = turnout.accept.iter().filter(is_good);
            for look in known.cloned().collect::<Vec<_>>() {
                let subject = subject.clone();
                self.say_looked(subject, look, Found::Good, true).await?;
            }
            return Ok(false);
        }
        if turnout.accept.iter().all(|look| is_good(&look)) {
            self.thrower.say(EventKind::Accepted { subject }).await?;
            return Ok(true);
        }
        let is_open = |look: &&Look| {
            let left = (subject.clone(), (*look).clone());
            found(look).is_none() && !self.later.contains(&left)
        };
        let next = turnout.accept.iter().find(is_open).cloned();
        let Some(look) = next.filter(|_| self.thrower.looks_closer()) else {
            return Ok(true);
        };
        match self.thrower.look_closer(&subject, &look).await? {
            Closer::Found(found) => self.say_looked(subject, look, found, false).await?,
            Closer::KeepThrowing => self.throw_for_look(&subject, turnout).await?,
            Closer::Later => {
                self.later.insert((subject, look));
            }
            Closer::Note(note) => {
                let throw = self.thrower.last_throw();
                let noted = EventKind::Noted {
                    subject,
                    throw,
                    note,
                };
                self.thrower.say(noted).await?;
            }
            Closer::Stop => return Err(Halt::Stop(StopReason::Operator)),
        }
        Ok(false)
    }

    /// Throws it there and back for whoever looks closer, and leaves it at rest. What breaks that
    /// off is waited out; the look is then asked for again.
    async fn throw_for_look(&mut self, subject: &Subject, turnout: &Turnout) -> Result<(), Halt> {
        let rest = turnout.rest_name();
        let thrown = self.thrower.keep_throwing_to(subject, &rest).await;
        match thrown {
            Err(halt) => self.thrower.recover(halt).await,
            Ok(()) => Ok(()),
        }
    }

    async fn say_looked(
        &mut self,
        subject: Subject,
        look: Look,
        found: Found,
        carried: bool,
    ) -> Result<(), Halt> {
        self.thrower
            .say(EventKind::Looked {
                subject,
                look,
                found,
                carried,
            })
            .await
    }
}
