//! The layout that a command works on: its plan, how it is reached, who looks.

use std::path::{Path, PathBuf};

use throwproof_protocol::address::{KeyedAddress, Numbering};

use super::options::{LinkName, Reach, WitnessName};
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
    /// The seed of the simulated track.
    pub(super) seed: Option<u64>,
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
    if let Some(path) = named {
        return plan(path, reach).map(Some);
    }
    let here = Path::new(PLAN_HERE);
    if !here.exists() {
        return Ok(None);
    }
    super::remark(&format!("using {PLAN_HERE} in this folder"));
    plan(here, reach).map(Some)
}

/// Opens the link and the witness that the options name.
pub(super) fn reach(plan: &Plan, reach: &Reach, stop: StopHandle) -> Result<Reached, Failure> {
    let as_built = match &reach.as_built {
        Some(path) => AsBuilt::load(path, plan)?,
        None => AsBuilt::default(),
    };
    reach_built(plan, &as_built, reach, stop)
}

/// The same with a track that has been thought up.
pub(super) fn reach_built(
    plan: &Plan,
    as_built: &AsBuilt,
    reach: &Reach,
    stop: StopHandle,
) -> Result<Reached, Failure> {
    let LinkName::Track = reach.link;
    // First, so that nothing is built for a terminal that is not there.
    let asked: Option<Box<dyn Witness>> = match reach.witness {
        WitnessName::Ask => Some(Box::new(Ask::open(stop)?)),
        WitnessName::Reports => Some(Box::new(reports(stop)?)),
        WitnessName::Track => None,
    };
    let seed = reach.seed.or(as_built.seed).unwrap_or(SEED);
    let (link, witness): (TrackLink, TrackWitness) = track::open(plan, as_built, seed);
    let witness: Box<dyn Witness> = asked.unwrap_or_else(|| Box::new(witness));
    Ok(Reached {
        link: Box::new(link),
        witness,
        seed: Some(seed),
    })
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
