//! Throws that are looked at together, and looks closer than at where a turnout lies.

use std::time::Duration;

use super::{Begun, Halt, Thrower, cancellable};
use crate::event::{Step, Subject};
use crate::link::Link;
use crate::plan::{Id, Look};
use crate::witness::{Closer, Survey, Surveyed};

impl Thrower<'_, '_> {
    /// Whether all turnouts of a place can be looked at together.
    pub(in crate::sweep) fn can_survey(&self) -> bool {
        self.witness.can_survey()
    }

    /// Whether the witness can look closer.
    pub(in crate::sweep) fn looks_closer(&self) -> bool {
        self.witness.looks_closer()
    }

    /// Makes those throws one after another, each as soon as its supply has recovered, and waits
    /// until the last has settled; the station's reason if it refuses one.
    pub(in crate::sweep) async fn throw_all(
        &mut self,
        throws: &[(Subject, Step, Id)],
    ) -> Result<Option<String>, Halt> {
        if let Some(reason) = self.link.held() {
            return Err(Halt::Held(reason));
        }
        let mut due = Duration::ZERO;
        for (subject, step, commanded) in throws {
            match self.begin(subject, *step, commanded).await? {
                Begun::Flies(flight) => due = due.max(flight.due),
                Begun::Refused(reason) => return Ok(Some(reason)),
            }
        }
        self.wait_until(due).await?;
        Ok(None)
    }

    /// Has all turnouts of a place looked at together.
    pub(in crate::sweep) async fn survey(&mut self, survey: &Survey<'_>) -> Result<Surveyed, Halt> {
        cancellable(&self.stop, self.witness.survey(survey)).await
    }

    /// Has a turnout looked at closer.
    pub(in crate::sweep) async fn look_closer(
        &mut self,
        subject: &Subject,
        look: &Look,
    ) -> Result<Closer, Halt> {
        let looked = self.witness.look_closer(self.plan, subject, look);
        cancellable(&self.stop, looked).await
    }
}
