//! The layout that a command works on: its plan, how it is reached, who looks.

use std::path::{Path, PathBuf};

use throwproof_protocol::address::{KeyedAddress, Numbering};

use super::lines::Line;
use super::options::{Reach, WitnessName};
use super::{Failure, bench};
use crate::link::Link;
use crate::plan::Plan;
use crate::sweep::is_reserved;
use crate::sweep::stop::StopHandle;
use crate::track::as_built::AsBuilt;
use crate::track::{self, TrackLink, TrackWitness};
use crate::witness::ask::Ask;
use crate::witness::reports::Reports;
use crate::witness::{Witness, WitnessError};

/// Seed of the simulated track where nothing gives one.
pub(super) const SEED: u64 = 1;

/// The plan that is taken when none is named.
const PLAN_HERE: &str = "plan.toml";

/// How a layout is reached and who looks, opened.
pub(super) struct Reached {
    pub(super) link: Box<dyn Link>,
    pub(super) witness: Box<dyn Witness>,
}

/// Reads a plan.
pub(super) fn plan(path: &Path, reach: &Reach) -> Result<Plan, Failure> {
    Ok(Plan::load_assuming(
        path,
        reach.numbering.unwrap_or_default(),
    )?)
}

/// The plan that is named, or else the one in the current folder; `None` without either.
pub(super) fn plan_or_none(
    named: Option<&PathBuf>,
    reach: &Reach,
) -> Result<Option<Plan>, Failure> {
    path_or_none(named)
        .map(|path| plan(&path, reach))
        .transpose()
}

/// Where the plan is, which may be in the current folder; `None` if none is named nor there.
pub(super) fn path_or_none(named: Option<&PathBuf>) -> Option<PathBuf> {
    let here = Path::new(PLAN_HERE);
    if named.is_some() || !here.exists() {
        return named.cloned();
    }
    super::remark(&format!("using {PLAN_HERE} in this folder"));
    Some(here.to_owned())
}

/// What the options name to reach a layout, read and not yet opened.
pub(super) struct Way {
    line: Option<Line>,
    as_built: AsBuilt,
    seed: u64,
    asked: Option<Box<dyn Witness>>,
}

impl Way {
    /// Reads what the options name. `as_built` is what has been thought up for the track.
    pub(super) fn named(
        plan: &Plan,
        as_built: Option<AsBuilt>,
        reach: &Reach,
        stop: StopHandle,
    ) -> Result<Self, Failure> {
        let line = Line::named(reach)?;
        if line.is_some() && reach.witness() == WitnessName::Track {
            return Err(Failure::usage(
                "`--witness track` sees the simulated track only, and --link names a real layout",
                "take `--witness ask`, or `--witness reports`",
            ));
        }
        let as_built = match (as_built, &reach.as_built) {
            (Some(as_built), _) => as_built,
            (None, Some(path)) => AsBuilt::load(path, plan)?,
            (None, None) => AsBuilt::default(),
        };
        // Now, so that nothing is opened for a terminal that is not there.
        let asked: Option<Box<dyn Witness>> = match reach.witness() {
            WitnessName::Ask => Some(Box::new(Ask::open(stop)?)),
            WitnessName::Reports => Some(Box::new(reports(stop)?)),
            WitnessName::Track => None,
        };
        Ok(Self {
            seed: reach.seed.or(as_built.seed).unwrap_or(SEED),
            line,
            as_built,
            asked,
        })
    }

    /// The seed of the simulated track, if that is what is reached.
    pub(super) fn seed(&self) -> Option<u64> {
        self.line.is_none().then_some(self.seed)
    }

    /// Opens link and witness.
    pub(super) async fn open(self, plan: &Plan) -> Result<Reached, Failure> {
        let Self {
            line,
            as_built,
            seed,
            asked,
        } = self;
        let (real, asked) = match (line, asked) {
            (Some(real), Some(witness)) => {
                let link = Box::new(real.open().await?);
                return Ok(Reached { link, witness });
            }
            other => other,
        };
        debug_assert!(real.is_none(), "no witness sees a real layout by itself");
        let (track, witness): (TrackLink, TrackWitness) = track::open(plan, &as_built, seed);
        Ok(Reached {
            link: Box::new(track),
            witness: asked.unwrap_or_else(|| Box::new(witness)),
        })
    }
}

/// Position reports, and the operator for what has none, if there is a terminal to ask at.
fn reports(stop: StopHandle) -> Result<Reports, WitnessError> {
    match Ask::open(stop) {
        Ok(ask) => Ok(Reports::new(Some(Box::new(ask)))),
        Err(WitnessError::NoTerminal) => Ok(Reports::new(None)),
        Err(error) => Err(error),
    }
}

/// A made-up plan for a command that has none, and what is really there.
pub(super) fn made_up(
    thing: bench::Thing,
    numbering: Option<Numbering>,
) -> Result<(Plan, AsBuilt), Failure> {
    let plan = bench::plan(thing, numbering.unwrap_or_default())?;
    let as_built = bench::as_built(thing, &plan);
    Ok((plan, as_built))
}

/// Refuses an address that means all decoders as well, unless the operator insists.
pub(super) fn refuse_reserved(
    plan: &Plan,
    address: KeyedAddress,
    reach: &Reach,
) -> Result<(), Failure> {
    if is_reserved(plan, address) && !reach.allow_reserved {
        let binary = address.binary(plan.layout.numbering);
        return Err(Failure::usage(
            format!(
                "address {address} is not driven: as binary address {binary} it is the broadcast \
                 to every decoder or the emergency stop as well"
            ),
            "if that is what you want, say --allow-reserved",
        ));
    }
    Ok(())
}
