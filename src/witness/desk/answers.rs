//! The desk as a witness: what the engine asks becomes a question, and its answer an answer.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::Position;

use super::{Asked, AskedKind, Desk, Open, Reply, is_handed_in, post};
use crate::event::Subject;
use crate::plan::{Look, Plan};
use crate::witness::bench::{Did, Saw, Task, Watch};
use crate::witness::diagnosis::{Query, Told};
use crate::witness::hunt::{Back, Inquiry, Noticed};
use crate::witness::{Answer, Closer, Question, Seen, Survey, Surveyed, Witness, WitnessError};

/// From where to look being said until the command goes out: an eye has to get there first
/// (common practice, no source).
const LEAD: Duration = Duration::from_secs(1);

impl Reply {
    /// Ends the run, or is taken for `instead`: seats hand in only what fits, a surface might
    /// not.
    fn stops_or<T>(&self, instead: T) -> Result<T, WitnessError> {
        match self {
            Self::Stop => Err(WitnessError::Stop),
            Self::Answer(_)
            | Self::Laid(_)
            | Self::Survey(_)
            | Self::Look(_)
            | Self::Enough
            | Self::Did(_)
            | Self::Saw(_)
            | Self::Noticed(_)
            | Self::Told(_) => Ok(instead),
        }
    }
}

/// The others that moved, in the order of the plan.
fn in_order(mut seen: Seen, plan: &Plan) -> Seen {
    let turnouts = plan.turnouts.iter().map(|turnout| &turnout.id);
    let ids: Vec<_> = turnouts
        .chain(plan.signals.iter().map(|signal| &signal.id))
        .collect();
    seen.others
        .sort_by_key(|id| ids.iter().position(|known| *known == id));
    seen
}

#[async_trait(?Send)]
impl Witness for Desk {
    fn name(&self) -> &'static str {
        self.name
    }

    fn is_person(&self) -> bool {
        true
    }

    fn can_survey(&self) -> bool {
        true
    }

    fn looks_closer(&self) -> bool {
        true
    }

    async fn attend(&mut self, _: &Question<'_>) -> Result<(), WitnessError> {
        match &mut self.surface {
            Some(surface) => surface.attend().map_err(WitnessError::TerminalLost),
            None => Ok(()),
        }
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        let reply = self.ask(AskedKind::throw(question)).await?;
        if let Reply::Answer(Answer::Seen(seen)) = reply {
            Ok(Answer::Seen(in_order(seen, question.plan)))
        } else if let Reply::Answer(answer) = reply {
            Ok(answer)
        } else {
            reply.stops_or(Answer::Repeat)
        }
    }

    async fn survey(&mut self, survey: &Survey<'_>) -> Result<Surveyed, WitnessError> {
        // Its drawing is where all were sent, which is hidden.
        if self.shared.state().scene.blind {
            return Ok(Surveyed::OneByOne);
        }
        let reply = self.ask(AskedKind::survey(survey)).await?;
        if let Reply::Survey(surveyed) = reply {
            Ok(surveyed)
        } else {
            reply.stops_or(Surveyed::Repeat)
        }
    }

    async fn look_closer(
        &mut self,
        plan: &Plan,
        subject: &Subject,
        look: &Look,
    ) -> Result<Closer, WitnessError> {
        let reply = self.ask(AskedKind::look(plan, subject, look)).await?;
        if let Reply::Look(closer) = reply {
            Ok(closer)
        } else {
            reply.stops_or(Closer::Later)
        }
    }

    async fn repeating(
        &mut self,
        question: &Question<'_>,
        time: Duration,
    ) -> Result<bool, WitnessError> {
        let ask = self.ask(AskedKind::repeating(question));
        match tokio::time::timeout(time, ask).await {
            Ok(reply) => reply?.stops_or(true),
            // An answer that was taken at the last moment counts.
            Err(_) => match self.shared.state().late.take() {
                Some((reply, _)) => reply.stops_or(true),
                None => Ok(false),
            },
        }
    }

    async fn do_by_hand(&mut self, task: &Task) -> Result<Did, WitnessError> {
        let reply = self.ask(AskedKind::task(task)).await?;
        if let Reply::Did(did) = reply {
            Ok(did)
        } else {
            reply.stops_or(Did::Cannot)
        }
    }

    async fn watch_begins(&mut self, watch: &Watch) -> Result<(), WitnessError> {
        self.shared.comes(watch);
        if let Some(surface) = &mut self.surface {
            surface
                .look_out(watch)
                .map_err(WitnessError::TerminalLost)?;
        }
        // A pulse is over before an eye has found its lamp.
        tokio::time::sleep(LEAD).await;
        Ok(())
    }

    async fn watch(&mut self, watch: &Watch) -> Result<Saw, WitnessError> {
        let reply = self.ask(AskedKind::watch(watch)).await?;
        if let Reply::Saw(saw) = reply {
            Ok(saw)
        } else {
            reply.stops_or(Saw::CannotSee)
        }
    }

    async fn glance(&mut self, inquiry: &Inquiry) -> Result<(), WitnessError> {
        if self.early.is_none() {
            let kind = AskedKind::Hunt {
                inquiry: inquiry.clone(),
                throwing: true,
            };
            self.early = Some(post(&self.shared, kind));
        }
        Ok(())
    }

    async fn has_noticed(&mut self) {
        if self.early.is_none() {
            std::future::pending::<()>().await;
        }
        let mut changes = self.shared.changes.subscribe();
        is_handed_in(&self.shared, &mut changes).await;
    }

    fn forget(&mut self) {
        if self.early.take().is_some() {
            drop(Open(&self.shared));
        }
    }

    async fn lay_back(&mut self, back: &Back) -> Result<Did, WitnessError> {
        let back = back.clone();
        let reply = self.ask(AskedKind::LayBack { back }).await?;
        if let Reply::Did(did) = reply {
            Ok(did)
        } else {
            reply.stops_or(Did::Cannot)
        }
    }

    async fn noticed(&mut self, inquiry: &Inquiry) -> Result<Noticed, WitnessError> {
        let kind = AskedKind::Hunt {
            inquiry: inquiry.clone(),
            throwing: false,
        };
        let reply = match self.early.take() {
            Some(early) => {
                let number = early.number;
                let asked = Arc::new(Asked { number, kind });
                self.shared.shows(&asked);
                self.answer_to(&asked).await?
            }
            None => self.ask(kind).await?,
        };
        if let Reply::Noticed(noticed) = reply {
            Ok(noticed)
        } else {
            reply.stops_or(Noticed::NotSure)
        }
    }

    async fn inquire(&mut self, query: &Query) -> Result<Told, WitnessError> {
        let query = query.clone();
        let reply = self.ask(AskedKind::Diagnosis { query }).await?;
        if let Reply::Told(told) = reply {
            Ok(told)
        } else {
            reply.stops_or(Told::NotSure)
        }
    }

    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError> {
        if matches!(question.subject, Subject::Signal(_)) {
            return Ok(false);
        }
        let reply = self.ask(AskedKind::hand(question, position)).await?;
        if let Reply::Laid(laid) = reply {
            Ok(laid)
        } else {
            reply.stops_or(false)
        }
    }
}
