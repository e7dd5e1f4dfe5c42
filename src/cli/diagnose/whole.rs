//! A diagnosis from its first test to the proof that it is mended, run after run.

use std::cell::RefCell;
use std::io::{self, Write as _};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::rc::Rc;

use super::seen::Seen;
use crate::cli::keep::KeptPlan;
use crate::cli::layout::SEED;
use crate::cli::options::Reach;
use crate::cli::sinks::tell_unkept;
use crate::cli::{Exit, Failure, Format, remark, stdout, with_views};
use crate::diagnose::cause::{Cause, NOTHING_WRONG};
use crate::diagnose::common::Round;
use crate::diagnose::run::{About, Asked, Beyond, Ended, Evidence, Examination, Proof, words};
use crate::diagnose::{Conclusion, Kind, Swept};
use crate::event::hub::Hub;
use crate::event::{Diagnosed, EventKind, StopReason};
use crate::link::Link;
use crate::plan::{Id, Plan};
use crate::record::{About as Kept, Record, RunKind, Sink};
use crate::sweep::stop::StopToken;
use crate::sweep::{Options, Sweep, SweepError};
use crate::track::Track;
use crate::track::as_built::AsBuilt;
use crate::verdict::Verdict;
use crate::view::diagnosis::Diagnosis as DiagnosisView;
use crate::view::json::Json;
use crate::view::terminal::Terminal;
use crate::witness::desk::Follower;
use crate::witness::diagnosis::{Query, Stage, Told};
use crate::witness::{Witness, WitnessError};

/// No more causes than these are asked about where several remain.
const ASKED: usize = 4;

/// How often each position is visited to prove something where a person is asked about each
/// throw: enough to see whether it misses, and no more than they bear.
const CYCLES_ASKED: u32 = 2;

/// Where that is from which a proof has shown.
const FROM_PROOF: &str = "the sweep after it was mended";

/// All that stays the same from run to run.
pub(in crate::cli) struct Setting<'s> {
    pub(in crate::cli) kept: &'s KeptPlan,
    pub(in crate::cli) reach: &'s Reach,
    /// Where runs are kept, if they are.
    pub(in crate::cli) record: Option<PathBuf>,
    pub(in crate::cli) tester: &'s str,
    pub(in crate::cli) format: Format,
    pub(in crate::cli) follower: Option<Follower>,
    pub(in crate::cli) stop: StopToken,
    pub(in crate::cli) is_rehearsal: bool,
    /// Nothing is thrown by the program.
    pub(in crate::cli) by_hands: bool,
    pub(in crate::cli) beyond: Beyond,
    /// Seed of the simulated track, where it is one.
    pub(in crate::cli) seed: Option<u64>,
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

/// What goes on from one failing turnout to the next.
struct SoFar<'p> {
    round: Round<'p>,
    known: Vec<Evidence>,
    beyond: Beyond,
    exit: Exit,
    /// Those that were diagnosed, each with what its cause explains.
    closed: Vec<(usize, Vec<usize>)>,
}

impl<'p> SoFar<'p> {
    fn ends(&mut self, exit: Exit) {
        if self.exit == Exit::Clean {
            self.exit = exit;
        }
    }

    fn closes(&mut self, target: usize, explains: &[usize]) {
        self.round.close(target, explains);
        self.closed.push((target, explains.to_vec()));
    }

    /// What was seen to move beside it.
    fn seen_beside(&self, target: usize) -> Vec<Id> {
        let own = self.known.iter().filter(|one| one.swept.turnout == target);
        own.flat_map(|one| one.swept.others.clone()).collect()
    }

    /// What a proof has shown counts instead of what was known before of those.
    fn learns(&mut self, plan: &'p Plan, of: &[usize], shown: Vec<Evidence>) {
        self.known.retain(|one| !of.contains(&one.swept.turnout));
        self.known.extend(shown);
        self.closed.retain(|(target, _)| !of.contains(target));
        self.round = Round::new(plan, &swept(&self.known));
        for (target, explains) in &self.closed {
            self.round.close(*target, explains);
        }
    }
}

fn swept(known: &[Evidence]) -> Vec<Swept> {
    known.iter().map(|one| one.swept.clone()).collect()
}

/// What the operator says at the end.
enum Said {
    /// That cause is mended.
    Mended(&'static Cause),
    /// Nothing is, now.
    NotNow,
    /// They want to stop.
    Stop,
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
            tester: "",
            format,
            follower: None,
            stop,
            is_rehearsal: reach.is_rehearsal(),
            by_hands: false,
            beyond: Beyond::Ask,
            seed: None,
            explained: Rc::default(),
            track: None,
        }
    }

    /// A hub with the record and the views for a run of that kind.
    fn hub(&self, kind: RunKind, only: &[Id], is_asked: bool) -> Result<Hub<'static>, Failure> {
        let mut hub = Hub::new();
        if let Some(path) = &self.record {
            let about = Kept {
                kind,
                ..self.kept.about(only, self.is_rehearsal)
            };
            hub.add_essential(Sink::new(Record::open(path)?, about)?);
        }
        if let Some(follower) = &self.follower {
            hub.add(follower.clone());
        }
        match (self.format, kind) {
            (Format::Json, _) => hub.add(Json::new(io::stdout())),
            (Format::Text, RunKind::Sweep) => {
                let turnouts = self.kept.plan.turnouts.iter().map(|one| one.id.clone());
                hub.add(Terminal::new(stdout(), None::<io::Stderr>).in_order(turnouts));
            }
            (Format::Text, RunKind::Diagnose | RunKind::Teach | RunKind::Hunt) => {
                hub.add(DiagnosisView::new(stdout()).beside_questions(is_asked));
            }
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
            about: About {
                seed: self.seed,
                tester: self.tester.to_owned(),
                fingerprint: self.kept.fingerprint.clone(),
                reconnect: self.reach.patience(),
            },
        }
    }

    /// Asks whether what was found is mended, where somebody is there; a simulated track is built
    /// anew for it.
    async fn is_mended(
        &self,
        at: &mut At<'_>,
        id: &Id,
        conclusion: &Conclusion,
    ) -> Result<Said, Failure> {
        let likely = match conclusion.kind {
            Kind::Named => conclusion.named(),
            Kind::Remain => &conclusion.causes,
            Kind::NoneFits => &[],
        };
        let causes = likely.iter().map(|likely| likely.cause);
        let causes = causes.filter(|cause| cause.name != NOTHING_WRONG);
        let causes: Vec<&'static Cause> = causes.take(ASKED).collect();
        if causes.is_empty() || self.by_hands || !at.witness.can_be_asked() {
            return Ok(Said::NotNow);
        }
        let query = self.mended_query(id, &causes);
        loop {
            let told = self.inquire(at, &query).await?;
            let Told::Chosen(chosen) = told else {
                return Ok(match told {
                    Told::Stop => Said::Stop,
                    Told::Chosen(_) | Told::NotSure | Told::Again | Told::Skip | Told::Nobody => {
                        Said::NotNow
                    }
                });
            };
            let Some(cause) = chosen.first().and_then(|choice| causes.get(*choice)) else {
                return Ok(Said::NotNow);
            };
            match self.rebuilt() {
                Ok(()) => return Ok(Said::Mended(cause)),
                Err(failure) => remark(&format!("the simulated track can't be built: {failure}")),
            }
        }
    }

    /// Asks the witness, unless the run is to end.
    pub(super) async fn inquire(&self, at: &mut At<'_>, query: &Query) -> Result<Told, Failure> {
        let told = tokio::select! {
            biased;
            _ = self.stop.asked() => return Ok(Told::Stop),
            told = at.witness.inquire(query) => told,
        };
        match told {
            Err(WitnessError::Stop) => Ok(Told::Stop),
            told => Ok(told?),
        }
    }

    fn mended_query(&self, id: &Id, causes: &[&'static Cause]) -> Query {
        let mut text = String::new();
        for cause in causes {
            text.push_str(&format!("{}: {} ", cause.name, cause.mend));
        }
        if let (Some(path), Some(_)) = (&self.reach.as_built, &self.track) {
            text.push_str(&format!(
                "The track is simulated: mend it in {}, which is read anew.",
                path.display()
            ));
        }
        let mut choices: Vec<String> = match causes {
            [_] => vec!["it is mended, prove it now".to_owned()],
            several => several
                .iter()
                .map(|cause| format!("{} is mended, prove it now", cause.name))
                .collect(),
        };
        choices.push("not now".to_owned());
        let choices: Vec<&str> = choices.iter().map(String::as_str).collect();
        let caution = causes.first().and_then(|cause| cause.caution);
        let turnout = self.kept.plan.turnout(id.as_str());
        Query {
            number: 0,
            stage: Stage::Mended,
            turnout: id.clone(),
            place: turnout.map_or_else(String::new, |it| it.place.clone()),
            test: String::new(),
            text: text.trim_end().to_owned(),
            mind: caution.map_or_else(String::new, |it| it.text.to_owned()),
            parts: vec![words::part("Is it mended?", &choices)],
            repeats: false,
        }
    }

    /// Reads anew what is really there, and builds the simulated track by it.
    fn rebuilt(&self) -> Result<(), Failure> {
        if let (Some(path), Some(track)) = (&self.reach.as_built, &self.track) {
            let plan = &self.kept.plan;
            let as_built = AsBuilt::load(path, plan)?;
            let seed = self.reach.seed.or(as_built.seed).unwrap_or(SEED);
            track.replace(Track::new(plan, &as_built, seed));
        }
        Ok(())
    }

    /// Sweeps what a proof needs; why it ended where it ended before its end.
    async fn prove(
        &self,
        at: &mut At<'_>,
        cause: &Cause,
        only: &[Id],
    ) -> Result<Result<Seen, StopReason>, Failure> {
        let cycles = if at.witness.can_be_asked() {
            cause.prove.cycles.min(CYCLES_ASKED)
        } else {
            cause.prove.cycles
        };
        let seen = Seen::default();
        let mut hub = self.hub(RunKind::Sweep, only, true)?;
        hub.add(seen.clone());
        let sweep = Sweep {
            plan: &self.kept.plan,
            link: &mut *at.link,
            witness: &mut *at.witness,
            hub: &mut hub,
            stop: self.stop.clone(),
            options: Options {
                only: only.to_vec(),
                cycles: NonZeroU32::new(cycles).unwrap_or(NonZeroU32::MIN),
                seed: self.seed,
                reconnect: self.reach.patience(),
                tester: self.tester.to_owned(),
                fingerprint: self.kept.fingerprint.clone(),
                ..Options::default()
            },
        };
        let summary = sweep.run().await;
        tell_unkept(&hub);
        Ok(match summary?.stopped {
            Some(reason) => Err(reason),
            None => Ok(seen),
        })
    }
}

/// What came of a proof.
fn proof(cause: &Cause, proves: &[Id], seen: &Seen) -> Proof {
    let still_fail: Vec<Id> = proves
        .iter()
        .filter(|id| seen.verdict(id) != Some(Verdict::Proved))
        .cloned()
        .collect();
    let told = still_fail.iter().map(|id| {
        let verdict = seen.verdict(id).map_or("not reached", Verdict::as_str);
        format!("{id} {verdict}")
    });
    let told: Vec<_> = told.collect();
    let words = if told.is_empty() {
        let all: Vec<_> = proves.iter().map(Id::as_str).collect();
        format!("{} proved", all.join(", "))
    } else {
        told.join(", ")
    };
    Proof {
        cause: cause.name,
        words,
        proved: still_fail.is_empty(),
        still_fail,
    }
}

fn exit(conclusion: &Conclusion) -> Exit {
    let first = conclusion.causes.first().map(|it| it.cause.name);
    if conclusion.kind == Kind::Named && first == Some(NOTHING_WRONG) {
        Exit::Clean
    } else {
        Exit::Found
    }
}
