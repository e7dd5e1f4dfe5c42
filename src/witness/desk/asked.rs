//! A question as every place shows it, and the answers that fit.

use serde::Serialize;
use throwproof_protocol::address::{KeyedAddress, Position};

use super::bench;
use crate::drawing::{Route, signal};
use crate::event::{Step, Subject};
use crate::plan::{Face, Id, Look, Plan, Shape, Sort};
use crate::witness::bench::{Did, Saw, Task, Watch};
use crate::witness::diagnosis::{Query, Stage, Told};
use crate::witness::hunt::{Back, Inquiry, Noticed};
use crate::witness::{Answer, Closer, Found, Observed, Question, Survey, Surveyed};

/// A question that is open.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Asked {
    /// Its number: no other question of the same session has it.
    pub number: u64,
    /// What is asked.
    #[serde(flatten)]
    pub kind: AskedKind,
}

/// Where to look.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sight {
    /// Turnout or signal.
    #[serde(flatten)]
    pub subject: Subject,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Keyed address.
    pub address: u16,
    /// Addresses of the further drives of a turnout that has several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub more_addresses: Vec<u16>,
    /// Shape of a turnout.
    pub shape: Option<Shape>,
    /// Names of a signal's aspects, in the order of the plan.
    pub aspects: Vec<Id>,
    /// Its lamps at each of them; `None` at one that the plan does not describe.
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        serialize_with = "signal::serialize"
    )]
    pub faces: Vec<Option<Face>>,
    /// What it is, where it is no turnout.
    pub sort: Sort,
    /// The positions of a turnout with several drives, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<PositionSight>,
}

/// A position of a turnout with several drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PositionSight {
    /// Its name in the plan.
    pub name: Id,
    /// The route by which it is drawn, where it can be.
    pub route: Option<Route>,
}

impl Sight {
    fn of(plan: &Plan, subject: &Subject) -> Self {
        let id = subject.id().as_str();
        let mut sight = Self {
            subject: subject.clone(),
            place: String::new(),
            address: 0,
            more_addresses: Vec::new(),
            shape: None,
            aspects: Vec::new(),
            positions: Vec::new(),
            faces: Vec::new(),
            sort: Sort::Signal,
        };
        match subject {
            Subject::Turnout(_) => {
                if let Some(turnout) = plan.turnout(id) {
                    sight.place.clone_from(&turnout.place);
                    sight.address = turnout.address.get();
                    let addresses = turnout.addresses().into_iter().skip(1);
                    sight.more_addresses = addresses.map(KeyedAddress::get).collect();
                    sight.shape = Some(turnout.shape);
                    let several = turnout.joint.iter().flat_map(|joint| &joint.positions);
                    let several = several.map(|one| PositionSight {
                        name: one.name.clone(),
                        route: Route::of(turnout.shape, one),
                    });
                    sight.positions = several.collect();
                }
            }
            Subject::Signal(_) => {
                if let Some(signal) = plan.signal(id) {
                    sight.place.clone_from(&signal.place);
                    sight.address = signal.address.get();
                    sight.aspects = signal.aspects.iter().map(|one| one.name.clone()).collect();
                    sight.sort = signal.sort;
                    if !signal.lamps.is_empty() {
                        let faces = signal.aspects.iter().map(|one| signal.face(one));
                        sight.faces = faces.collect();
                    }
                }
            }
        }
        sight
    }

    /// Whether its turnout can lie in the position of that name.
    fn can_lie(&self, name: &str) -> bool {
        if self.positions.is_empty() {
            return matches!(self.subject, Subject::Turnout(_)) && name.parse::<Position>().is_ok();
        }
        self.positions.iter().any(|one| one.name.as_str() == name)
    }
}

/// The position's word.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "what serde hands over")]
fn word<S: serde::Serializer>(position: &Position, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(position.as_str())
}

/// A turnout of a survey.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// Which, and where to look.
    #[serde(flatten)]
    pub sight: Sight,
    /// Where it was last sent.
    #[serde(serialize_with = "word")]
    pub sent: Position,
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

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// To [`AskedKind::Throw`].
    Answer(Answer),
    /// To [`AskedKind::Hand`]: whether it was done.
    Laid(bool),
    /// To [`AskedKind::Survey`].
    Survey(Surveyed),
    /// To [`AskedKind::Look`].
    Look(Closer),
    /// To [`AskedKind::Repeating`].
    Enough,
    /// To [`AskedKind::Task`] and [`AskedKind::LayBack`].
    Did(Did),
    /// To [`AskedKind::Watch`].
    Saw(Saw),
    /// To [`AskedKind::Hunt`].
    Noticed(Noticed),
    /// To [`AskedKind::Diagnosis`].
    Told(Told),
    /// To any: end the run.
    Stop,
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

/// All others of the plan, those of the same place first and then by how near their address is:
/// a wrong wire or a wrong block is seldom far off.
fn near(plan: &Plan, subject: &Subject) -> Vec<Id> {
    let own = Sight::of(plan, subject);
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    let signals = plan
        .signals
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    let mut others: Vec<_> = turnouts
        .chain(signals)
        .filter(|(id, ..)| *id != own.subject.id())
        .collect();
    others.sort_by_key(|(_, place, address)| {
        (**place != own.place, address.get().abs_diff(own.address))
    });
    others.into_iter().map(|(id, ..)| id.clone()).collect()
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

impl Reply {
    /// Whether it ends the run.
    pub fn ends(&self) -> bool {
        matches!(
            self,
            Self::Stop
                | Self::Answer(Answer::Stop)
                | Self::Survey(Surveyed::Stop)
                | Self::Look(Closer::Stop)
                | Self::Did(Did::Stop)
                | Self::Saw(Saw::Stop)
                | Self::Noticed(Noticed::Stop)
                | Self::Told(Told::Stop)
        )
    }

    /// A word for it: `straight`, `no-movement`, `repeat`, `confirmed`; `aspect NAME` for what a
    /// signal shows, `output NUMBER` for another output of a decoder.
    pub fn code(&self) -> String {
        let word = match self {
            Self::Answer(answer) => return answer_code(answer),
            Self::Laid(true) => "laid",
            Self::Laid(false) => "not-laid",
            Self::Survey(surveyed) => match surveyed {
                Surveyed::Differ(differ) if differ.is_empty() => "confirmed",
                Surveyed::Differ(_) => "differ",
                Surveyed::Repeat => "repeat",
                Surveyed::Undo => "undo",
                Surveyed::OneByOne => "one-by-one",
                Surveyed::SkipPlace => "skip-place",
                Surveyed::Stop => "stop",
            },
            Self::Look(closer) => match closer {
                Closer::Found(Found::Good) => "good",
                Closer::Found(Found::Bad) => "bad",
                Closer::KeepThrowing => "keep-throwing",
                Closer::Later => "later",
                Closer::Note(_) => "note",
                Closer::Stop => "stop",
            },
            Self::Enough => "enough",
            Self::Did(did) => bench::did_code(*did),
            Self::Saw(saw) => return bench::saw_code(*saw),
            Self::Noticed(noticed) => noticed.code(),
            Self::Told(told) => return told.code(),
            Self::Stop => "stop",
        };
        word.to_owned()
    }
}

fn answer_code(answer: &Answer) -> String {
    let word = match answer {
        Answer::Seen(seen) => match &seen.observed {
            Observed::Straight => "straight",
            Observed::Diverging => "diverging",
            Observed::NoMovement => "no-movement",
            Observed::Between => "between",
            Observed::Another => "another",
            // A signal may have an aspect called `stop`, which is another answer.
            Observed::Aspect(name) => return format!("aspect {name}"),
        },
        Answer::Repeat => "repeat",
        Answer::BackAndForth => "back-and-forth",
        Answer::KeepThrowing => "keep-throwing",
        Answer::Undo => "undo",
        Answer::Note(_) => "note",
        Answer::Skip => "skip",
        Answer::SkipPlace => "skip-place",
        Answer::CantSee(_) => "cant-see",
        Answer::Unclear => "unclear",
        Answer::Stop => "stop",
    };
    word.to_owned()
}
