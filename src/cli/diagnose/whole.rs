//! A diagnosis from its first test to the proof that it is mended, run after run.

use std::cell::RefCell;
use std::io::{self, Write as _};
use std::path::PathBuf;
use std::rc::Rc;

use super::mend::{Said, proof};
use super::so_far::{SoFar, swept};
use crate::cli::keep::KeptPlan;
use crate::cli::layout::SEED;
use crate::cli::options::Reach;
use crate::cli::sinks::tell_unkept;
use crate::cli::{Exit, Failure, Format, stdout, with_views};
use crate::diagnose::cause::NOTHING_WRONG;
use crate::diagnose::common::Round;
use crate::diagnose::run::{Asked, Beyond, Ended, Evidence, Examination, Proof};
use crate::diagnose::{Conclusion, Kind};
use crate::event::hub::Hub;
use crate::event::{Diagnosed, EventKind};
use crate::link::Link;
use crate::plan::Id;
use crate::record::{Record, RunKind, Sink};
use crate::sweep::stop::StopToken;
use crate::sweep::{About, SweepError};
use crate::track::Track;
use crate::view::diagnosis::Diagnosis as DiagnosisView;
use crate::view::json::Json;
use crate::view::terminal::Terminal;
use crate::witness::Witness;
use crate::witness::desk::Follower;

/// Where that is from which a proof has shown.
const FROM_PROOF: &str = "the sweep after it was mended";

/// All that stays the same from run to run.
pub(in crate::cli) struct Setting<'s> {
    pub(in crate::cli) kept: &'s KeptPlan,
    pub(in crate::cli) reach: &'s Reach,
    /// Where runs are kept, if they are.
    pub(in crate::cli) record: Option<PathBuf>,
    pub(in crate::cli) format: Format,
    pub(in crate::cli) follower: Option<Follower>,
    pub(in crate::cli) stop: StopToken,
    pub(in crate::cli) is_rehearsal: bool,
    /// Nothing is thrown by the program.
    pub(in crate::cli) by_hands: bool,
    pub(in crate::cli) beyond: Beyond,
    /// What is known of each run before it begins.
    pub(in crate::cli) about: About,
    /// Turnouts that fail for a reason that is known, for the track that makes its own tests.
    pub(in crate::cli) explained: Rc<RefCell<Vec<usize>>>,
    /// The simulated track, where it is one.
    pub(in crate::cli) track: Option<Rc<RefCell<Track>>>,
}

/// A link and who looks.
pub(in crate::cli) struct At<'l> {
    pub(in crate::cli) link: &'l mut dyn Link,
    pub(in crate::cli) witness: &'l mut dyn Witness,
}

impl<'s> Setting<'s> {
    /// What a run by the program itself has, kept nowhere.
    pub(in crate::cli) fn new(
        kept: &'s KeptPlan,
        reach: &'s Reach,
        format: Format,
        stop: StopToken,
    ) -> Self {
        Self {
            kept,
            reach,
            record: None,
            format,
            follower: None,
            stop,
            is_rehearsal: reach.is_rehearsal(),
            by_hands: false,
            beyond: Beyond::Ask,
            about: kept.about(reach, "", None),
            explained: Rc::default(),
            track: None,
        }
    }

    /// A hub with the record and the views for a run of that kind.
    pub(super) fn hub(
        &self,
        kind: RunKind,
        only: &[Id],
        is_asked: bool,
    ) -> Result<Hub<'static>, Failure> {
        let mut hub = Hub::new();
        if let Some(path) = &self.record {
            let keeps = self.kept.keeps(kind, only, self.is_rehearsal);
            hub.add_essential(Sink::new(Record::open(path)?, keeps)?);
        }
        if let Some(follower) = &self.follower {
            hub.add(follower.clone());
        }
        if self.format == Format::Text && kind == RunKind::Sweep {
            let turnouts = self.kept.plan.turnouts.iter().map(|one| one.id.clone());
            hub.add(Terminal::new(stdout(), None::<io::Stderr>).in_order(turnouts));
        } else {
            add_view(&mut hub, self.format, is_asked);
        }
        Ok(hub)
    }

    /// Finds out why the turnout of that index fails, or else why each of those does that are
    /// known to, those with one cause together; what is said to be mended is proved, and what
    /// still fails then looked into anew.
    pub(in crate::cli) async fn diagnose(
        &self,
        at: &mut At<'_>,
        only: Option<usize>,
        known: Vec<Evidence>,
    ) -> Result<Exit, Failure> {
        let plan = &self.kept.plan;
        let mut so_far = SoFar {
            round: Round::new(plan, &swept(&known)),
            known,
            beyond: self.beyond,
            exit: Exit::Clean,
            closed: Vec::new(),
        };
        let mut next = only.or_else(|| so_far.round.next());
        if next.is_none() && self.format == Format::Text {
            writeln!(stdout(), "Nothing is known to fail.")?;
        }
        while let Some(target) = next {
            if let Some(ended) = self.one(at, target, &mut so_far).await? {
                return Ok(ended);
            }
            next = only.map_or_else(|| so_far.round.next(), |_| None);
        }
        Ok(so_far.exit)
    }

    /// One of them; how to end, where it is not to be gone on.
    async fn one(
        &self,
        at: &mut At<'_>,
        target: usize,
        so_far: &mut SoFar<'s>,
    ) -> Result<Option<Exit>, Failure> {
        let plan = &self.kept.plan;
        let id = plan.turnouts[target].id.clone();
        let only = [id.clone()];
        let mut mended: Vec<&'static str> = Vec::new();
        let mut before: Option<Proof> = None;
        loop {
            let is_asked = at.witness.can_be_asked();
            let mut hub = self.hub(RunKind::Diagnose, &only, is_asked)?;
            let asked = self.asked(target, so_far, &mended, before.take());
            let examination = Examination {
                plan,
                link: &mut *at.link,
                witness: &mut *at.witness,
                hub: &mut hub,
                stop: self.stop.clone(),
                asked,
            };
            let ended = examination.run().await;
            tell_unkept(&hub);
            let done = match ended? {
                Ended::Stopped(reason) => return Ok(Some(with_views(&hub, reason.into()))),
                Ended::With(done) => done,
            };
            let Some(conclusion) = done.conclusion else {
                so_far.ends(with_views(&hub, Exit::Clean));
                return Ok(None);
            };
            so_far.beyond = done.beyond;
            so_far.closes(target, &done.explains);
            let cause = match self.is_mended(at, &id, &conclusion).await? {
                Said::Mended(cause) => cause,
                Said::NotNow => {
                    so_far.ends(with_views(&hub, exit(&conclusion)));
                    return Ok(None);
                }
                Said::Stop => return Ok(Some(with_views(&hub, Exit::Stopped))),
            };
            let proves = cause
                .prove
                .turnouts(plan, target, &so_far.seen_beside(target));
            let ids: Vec<Id> = proves
                .iter()
                .map(|it| plan.turnouts[*it].id.clone())
                .collect();
            let fact = Diagnosed::DiagnosisMended {
                turnout: id.clone(),
                cause: cause.name.to_owned(),
                proves: ids.clone(),
            };
            // The clock of a track that was built anew begins anew.
            let since = at.link.now().saturating_sub(done.began);
            let told = hub.emit(since, EventKind::Diagnosis(fact));
            told.map_err(|error| Failure::Run(SweepError::Sink(error)))?;
            // The record takes one run at a time.
            drop(hub);
            let seen = match self.prove(at, cause, &ids).await? {
                Ok(seen) => seen,
                Err(reason) => return Ok(Some(reason.into())),
            };
            before = Some(proof(cause, &ids, &seen));
            mended.push(cause.name);
            so_far.learns(plan, &proves, seen.evidence(plan, FROM_PROOF));
        }
    }

    fn asked(
        &self,
        target: usize,
        so_far: &SoFar<'_>,
        mended: &[&'static str],
        proof: Option<Proof>,
    ) -> Asked {
        let open = so_far.round.open().iter().copied();
        let explained = so_far.round.explained();
        self.explained.replace(explained.to_vec());
        Asked {
            target,
            known: so_far.known.clone(),
            others: open.filter(|it| *it != target).collect(),
            explained: explained.to_vec(),
            mended: mended.to_vec(),
            seed: self.reach.seed.unwrap_or(SEED),
            beyond: so_far.beyond,
            by_hands: self.by_hands,
            notes: Vec::new(),
            proof,
            about: self.about.clone(),
        }
    }
}

/// Adds what shows a diagnosis.
pub(super) fn add_view(hub: &mut Hub<'_>, format: Format, is_asked: bool) {
    match format {
        Format::Json => hub.add(Json::new(io::stdout())),
        Format::Text => hub.add(DiagnosisView::new(stdout()).beside_questions(is_asked)),
    }
}

/// How a diagnosis ends that came to that, and of which nothing is mended.
pub(super) fn exit(conclusion: &Conclusion) -> Exit {
    let first = conclusion.causes.first().map(|it| it.cause.name);
    if conclusion.kind == Kind::Named && first == Some(NOTHING_WRONG) {
        Exit::Clean
    } else {
        Exit::Found
    }
}
