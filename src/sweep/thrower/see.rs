//! What the witness sees of a throw, and the hand that it lends.

use std::time::Duration;

use throwproof_protocol::address::Position;

use super::{Flight, Halt, Thrower, cancellable};
use crate::event::{EventKind, Step, Subject};
use crate::link::Link as _;
use crate::plan::Id;
use crate::sweep::route;
use crate::witness::{Answer, Question, Seen};

/// How long a position report is waited for after the usual time to settle.
const LATE_REPORT: Duration = Duration::from_millis(500);

/// How often reports are looked for while a throw settles.
const BETWEEN_REPORTS: Duration = Duration::from_millis(20);

impl Thrower<'_, '_> {
    /// Waits until there is something to see.
    pub(in crate::sweep) async fn settle(&mut self, flight: &Flight) -> Result<(), Halt> {
        if !self.witness.goes_by_reports() {
            return self.pause(flight.due.saturating_sub(self.link.now())).await;
        }
        // A report that is late is still a report: it is waited for, but not for long.
        let last = flight.due + LATE_REPORT;
        loop {
            self.bring_reports().await?;
            let now = self.link.now();
            let enough = self
                .witness
                .has_seen_enough(&flight.question(self.plan), now);
            if enough || now >= last {
                return Ok(());
            }
            self.pause(BETWEEN_REPORTS.min(last.saturating_sub(now)))
                .await?;
        }
    }

    /// Whether the witness can tell that throw from others that are under way.
    pub(in crate::sweep) fn tells_apart(&self, subject: &Subject, commanded: &Id) -> bool {
        let question = Question {
            plan: self.plan,
            throw: self.throws + 1,
            step: Step::Visit,
            subject,
            commanded,
            at: self.link.now(),
        };
        self.witness.overlap(&question).is_some()
    }

    /// Asks the witness what was seen of a throw.
    pub(in crate::sweep) async fn look(&mut self, flight: &Flight) -> Result<Answer, Halt> {
        self.bring_reports().await?;
        let question = flight.question(self.plan);
        cancellable(&self.stop, self.witness.observe(&question)).await
    }

    pub(in crate::sweep) async fn say_seen(
        &mut self,
        flight: &Flight,
        seen: &Seen,
    ) -> Result<(), Halt> {
        self.say(EventKind::Observation {
            subject: flight.subject.clone(),
            throw: flight.throw,
            step: flight.step,
            commanded: flight.commanded.clone(),
            seen: seen.clone(),
            carried: false,
        })
        .await
    }

    /// Brings the witness the position reports that came.
    pub(super) async fn bring_reports(&mut self) -> Result<(), Halt> {
        if self.witness.goes_by_reports() {
            for report in self.link.reports().await? {
                self.witness.hear(&report);
            }
        }
        Ok(())
    }

    /// Has the turnout laid by hand; `false` if that can't be done.
    pub(in crate::sweep) async fn lay_by_hand(
        &mut self,
        subject: &Subject,
        position: Position,
    ) -> Result<bool, Halt> {
        let commanded = route::id_of(position);
        let plan = self.plan;
        let question = Question {
            plan,
            throw: self.throws + 1,
            step: Step::AfterHand,
            subject,
            commanded: &commanded,
            at: self.link.now(),
        };
        let laid = self.witness.lay_by_hand(&question, position);
        let laid = cancellable(&self.stop, laid).await?;
        if laid {
            self.say(EventKind::LaidByHand {
                subject: subject.clone(),
                position: commanded,
            })
            .await?;
        }
        Ok(laid)
    }
}
