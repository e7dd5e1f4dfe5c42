//! The end of a diagnosis: whether it is mended, and the proof.

use std::fmt::Write as _;
use std::num::NonZeroU32;

use super::seen::Seen;
use super::whole::{At, Setting};
use crate::cli::Failure;
use crate::cli::layout::SEED;
use crate::cli::sinks::tell_unkept;
use crate::diagnose::cause::{Cause, NOTHING_WRONG};
use crate::diagnose::run::{Proof, words};
use crate::diagnose::{Conclusion, Kind};
use crate::event::StopReason;
use crate::plan::Id;
use crate::record::RunKind;
use crate::sweep::{Options, Sweep};
use crate::track::Track;
use crate::track::as_built::{AsBuilt, AsBuiltError};
use crate::verdict::Verdict;
use crate::witness::WitnessError;
use crate::witness::diagnosis::{Query, Stage, Told};

/// No more causes than these are asked about where several remain.
const ASKED: usize = 4;

/// How often each position is visited to prove something where a person is asked about each
/// throw: enough to see whether it misses, and no more than they bear.
const CYCLES_ASKED: u32 = 2;

/// What the operator says at the end.
pub(super) enum Said {
    /// That cause is mended.
    Mended(&'static Cause),
    /// Nothing is, now.
    NotNow,
    /// They want to stop.
    Stop,
}

impl Setting<'_> {
    /// Asks whether what was found is mended, where somebody is there; a simulated track is built
    /// anew for it.
    pub(super) async fn is_mended(
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
        let mut query = self.mended_query(id, &causes);
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
                Err(error) => query.amiss = not_built(&error),
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
            let _ = write!(text, "{}: {} ", words::briefly(cause), cause.mend);
        }
        if let (Some(path), Some(_)) = (&self.reach.as_built, &self.track) {
            let _ = write!(
                text,
                "The track is simulated: mend it in {}, which is read anew.",
                path.display()
            );
        }
        let (ask, mut choices) = match causes {
            [_] => {
                let mended = "it is mended, prove it now".to_owned();
                ("Is it mended?", vec![mended])
            }
            several => {
                let each = several.iter().map(|cause| words::briefly(cause).to_owned());
                ("Which of them is mended, to be proved now?", each.collect())
            }
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
            amiss: String::new(),
            parts: vec![words::part(ask, &choices)],
            repeats: false,
        }
    }

    /// Reads anew what is really there, and builds the simulated track by it.
    fn rebuilt(&self) -> Result<(), AsBuiltError> {
        if let (Some(path), Some(track)) = (&self.reach.as_built, &self.track) {
            let plan = &self.kept.plan;
            let as_built = AsBuilt::load(path, plan)?;
            let seed = self.reach.seed.or(as_built.seed).unwrap_or(SEED);
            track.replace(Track::new(plan, &as_built, seed));
        }
        Ok(())
    }

    /// Sweeps what a proof needs; why it ended where it ended before its end.
    pub(super) async fn prove(
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
        let mut hub = self.hub(RunKind::Sweep, only, true)?;
        let sweep = Sweep {
            plan: &self.kept.plan,
            link: &mut *at.link,
            witness: &mut *at.witness,
            hub: &mut hub,
            stop: self.stop.clone(),
            options: Options {
                only: only.to_vec(),
                cycles: NonZeroU32::new(cycles).unwrap_or(NonZeroU32::MIN),
                about: self.about.clone(),
                ..Options::default()
            },
        };
        let summary = sweep.run().await;
        tell_unkept(&hub);
        let summary = summary?;
        Ok(match summary.stopped {
            Some(reason) => Err(reason),
            None => Ok(Seen(summary.so_far)),
        })
    }
}

/// Why the simulated track is not built anew: what is wrong first in its file, and how to mend it.
fn not_built(error: &AsBuiltError) -> String {
    let why = match error {
        AsBuiltError::File(error) => format!("{error} ({})", error.mend()),
        AsBuiltError::Problems(problems) => problems.to_string(),
    };
    let mut lines = why.lines();
    let first = lines.next().unwrap_or_default();
    let rest = match lines.count() {
        0 => String::new(),
        more => format!(", and {more} more"),
    };
    format!(
        "The simulated track can't be built: {first}{rest}. Correct the file, then say once more \
         what is mended."
    )
}

/// What came of a proof.
pub(super) fn proof(cause: &Cause, proves: &[Id], seen: &Seen) -> Proof {
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
