//! A question as every place shows it, and the answers that fit.

use serde::Serialize;
use throwproof_protocol::address::Position;

use super::bench;
use crate::event::{Step, Subject};
use crate::plan::{Id, Look, Plan};
use crate::witness::bench::{Task, Watch};
use crate::witness::diagnosis::{Query, Stage, Told};
use crate::witness::hunt::{Back, Inquiry};
use crate::witness::{Answer, Observed, Question, Survey, Surveyed};

mod reply;
mod sight;

pub use reply::Reply;
pub use sight::{PositionSight, Shown, Sight};
use sight::{near, word};

/// A question that is open.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Asked {
    /// Its number: no other question of the same session has it.
    pub number: u64,
    /// What is asked.
    #[serde(flatten)]
    pub kind: AskedKind,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum AskedKind {
    /// What do you see of this throw? Answered by [`Reply::Answer`].
    Throw {
        /// Where to look.
        #[serde(flatten)]
        sight: Sight,
        /// Number of the throw in the run.
        throw: u64,
        /// Why it was thrown.
        step: Step,
        /// The position or aspect sent.
        commanded: Id,
        /// Ids of others of the plan that may have moved instead, the likeliest first.
        near: Vec<Id>,
    },
    /// Lay it by hand. Answered by [`Reply::Laid`].
    Hand {
        /// Where to look.
        #[serde(flatten)]
        sight: Sight,
        /// Where it is to be laid.
        #[serde(serialize_with = "word")]
        position: Position,
    },
    /// How do all these lie? Answered by [`Reply::Survey`].
    Survey {
        /// The place.
        place: String,
        /// Which look it is, from 1.
        round: u32,
        /// Of how many.
        rounds: u32,
        /// The turnouts.
        shown: Vec<Shown>,
    },
    /// A point of the acceptance list. Answered by [`Reply::Look`].
    Look {
        /// Where to look.
        #[serde(flatten)]
        sight: Sight,
        /// What to look for.
        look: Look,
        /// The same as a question.
        question: String,
    },
    /// It is thrown there and back by itself. Answered by [`Reply::Enough`].
    Repeating {
        /// Where to look.
        #[serde(flatten)]
        sight: Sight,
        /// Where it was just sent.
        commanded: Id,
    },
    /// Something to be done by hand at a decoder. Answered by [`Reply::Did`].
    Task {
        /// What is to be done.
        #[serde(flatten)]
        task: Task,
        /// The switches of its board as an SVG element, where they are to be set.
        #[serde(skip_serializing_if = "Option::is_none")]
        picture: Option<String>,
    },
    /// What did an output do that was commanded? Answered by [`Reply::Saw`].
    Watch {
        /// What was commanded, and where to look.
        #[serde(flatten)]
        watch: Watch,
    },
    /// Did the thing move whose address is looked for? Answered by [`Reply::Noticed`].
    Hunt {
        /// What was thrown, and what is watched.
        #[serde(flatten)]
        inquiry: Inquiry,
        /// They are being thrown still; that it moved may be said already.
        #[serde(skip_serializing_if = "std::ops::Not::not")]
        throwing: bool,
    },
    /// Lay that thing back as it lay before it moved. Answered by [`Reply::Did`].
    LayBack {
        /// What is to be laid.
        #[serde(flatten)]
        back: Back,
    },
    /// What a diagnosis wants to know. Answered by [`Reply::Told`].
    Diagnosis {
        /// What is asked.
        #[serde(flatten)]
        query: Query,
    },
}

impl AskedKind {
    /// What is seen of a throw?
    pub fn throw(question: &Question<'_>) -> Self {
        Self::Throw {
            sight: Sight::of(question.plan, question.subject),
            throw: question.throw,
            step: question.step,
            commanded: question.commanded.clone(),
            near: near(question.plan, question.subject),
        }
    }

    /// Lay it by hand.
    pub fn hand(question: &Question<'_>, position: Position) -> Self {
        Self::Hand {
            sight: Sight::of(question.plan, question.subject),
            position,
        }
    }

    /// How do they lie?
    pub fn survey(survey: &Survey<'_>) -> Self {
        let shown = survey.sent.iter().map(|(subject, sent)| Shown {
            sight: Sight::of(survey.plan, subject),
            sent: *sent,
        });
        Self::Survey {
            place: survey.place.to_owned(),
            round: survey.round,
            rounds: survey.rounds,
            shown: shown.collect(),
        }
    }

    /// A closer look.
    pub fn look(plan: &Plan, subject: &Subject, look: &Look) -> Self {
        Self::Look {
            sight: Sight::of(plan, subject),
            look: look.clone(),
            question: look.question().to_owned(),
        }
    }

    /// It is thrown by itself.
    pub fn repeating(question: &Question<'_>) -> Self {
        Self::Repeating {
            sight: Sight::of(question.plan, question.subject),
            commanded: question.commanded.clone(),
        }
    }
}

impl Asked {
    /// What it is about, in one word: an id or a place.
    pub fn about(&self) -> &str {
        match &self.kind {
            AskedKind::Throw { sight, .. }
            | AskedKind::Hand { sight, .. }
            | AskedKind::Look { sight, .. }
            | AskedKind::Repeating { sight, .. } => sight.subject.id().as_str(),
            AskedKind::Survey { place, .. } => place,
            AskedKind::Task { task, .. } => task.decoder.as_str(),
            AskedKind::Watch { watch } => watch.decoder.as_str(),
            AskedKind::Hunt { inquiry, .. } => &inquiry.thing,
            AskedKind::LayBack { back } => &back.thing,
            AskedKind::Diagnosis { query } => query.turnout.as_str(),
        }
    }

    /// Whether that is an answer by which the work goes on after the end of a sweep: any but the
    /// last choice of what fails, which is none.
    pub(super) fn begins_more(&self, reply: &Reply) -> bool {
        let AskedKind::Diagnosis { query } = &self.kind else {
            return false;
        };
        let Reply::Told(Told::Chosen(chosen)) = reply else {
            return false;
        };
        let last = query.parts.first().map(|part| part.choices.len());
        let next = chosen.first().map(|chosen| chosen + 1);
        query.stage == Stage::Which && next < last
    }

    /// Whether that is an answer to it.
    pub fn fits(&self, reply: &Reply) -> bool {
        match (&self.kind, reply) {
            (AskedKind::Throw { sight, near, .. }, Reply::Answer(Answer::Seen(seen))) => {
                let can_be_seen = match (&seen.observed, &sight.subject) {
                    (Observed::Straight, _) => sight.can_lie("straight"),
                    (Observed::Diverging, _) => sight.can_lie("diverging"),
                    (Observed::Between, Subject::Signal(_)) => sight.sort.can_be_between(),
                    (Observed::Aspect(name), Subject::Signal(_)) => sight.aspects.contains(name),
                    (Observed::Aspect(name), Subject::Turnout(_)) => sight.can_lie(name.as_str()),
                    (Observed::Between | Observed::NoMovement | Observed::Another, _) => true,
                };
                can_be_seen && seen.others.iter().all(|id| near.contains(id))
            }
            (AskedKind::Survey { shown, .. }, Reply::Survey(Surveyed::Differ(differ))) => {
                differ.iter().all(|(id, observed)| {
                    let known = shown.iter().any(|one| one.sight.subject.id() == id);
                    known
                        && matches!(
                            observed,
                            Observed::Straight | Observed::Diverging | Observed::Between
                        )
                })
            }
            (AskedKind::Watch { watch }, Reply::Saw(saw)) => bench::can_be_seen(watch, *saw),
            (AskedKind::Hunt { inquiry, throwing }, Reply::Noticed(noticed)) => {
                inquiry.fits(*noticed, *throwing)
            }
            (AskedKind::Diagnosis { query }, Reply::Told(told)) => query.fits(told),
            (AskedKind::Throw { .. }, Reply::Answer(_))
            | (AskedKind::Hand { .. }, Reply::Laid(_))
            | (AskedKind::Survey { .. }, Reply::Survey(_))
            | (AskedKind::Look { .. }, Reply::Look(_))
            | (AskedKind::Repeating { .. }, Reply::Enough)
            | (AskedKind::Task { .. } | AskedKind::LayBack { .. }, Reply::Did(_))
            | (_, Reply::Stop) => true,
            (
                _,
                Reply::Answer(_)
                | Reply::Laid(_)
                | Reply::Survey(_)
                | Reply::Look(_)
                | Reply::Enough
                | Reply::Did(_)
                | Reply::Saw(_)
                | Reply::Noticed(_)
                | Reply::Told(_),
            ) => false,
        }
    }
}
