//! The layout that a command works on: its plan, how it is reached, who looks.

use std::io::{self, IsTerminal as _};
use std::path::{Path, PathBuf};

use throwproof_protocol::address::{KeyedAddress, Numbering};

use super::lines::Line;
use super::options::{Reach, WitnessName};
use super::{Failure, bench};
use crate::link::Link;
use crate::phone::{Door, Listen, Phone};
use crate::plan::{Id, Plan};
use crate::sweep::is_reserved;
use crate::sweep::stop::StopHandle;
use crate::track::as_built::AsBuilt;
use crate::track::{self, TrackLink, TrackWitness};
use crate::witness::ask::Ask;
use crate::witness::desk::{Desk, Follower, Progress, Seat};
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
    /// The page that phones open.
    pub(super) phone: Option<Phone>,
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

/// What the options name to reach a layout, read and not yet opened.
pub(super) struct Way {
    line: Option<Line>,
    as_built: AsBuilt,
    seed: u64,
    asked: Option<Box<dyn Witness>>,
    follower: Option<Follower>,
    seat: Option<Seat>,
    listen: Listen,
    resumes: bool,
}

impl Way {
    /// Reads what the options name. `as_built` is what has been thought up for the track.
    pub(super) fn named(
        plan: &Plan,
        as_built: Option<AsBuilt>,
        only: &[Id],
        reach: &Reach,
        stop: StopHandle,
    ) -> Result<Self, Failure> {
        if reach.listen.is_some() && reach.witness() != WitnessName::Phone {
            return Err(Failure::usage(
                "`--listen` says where the phone page is served, and there is none",
                "take `--witness phone` with it",
            ));
        }
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
        let (mut follower, mut seat) = (None, None);
        // Now, so that nothing is opened for a terminal that is not there.
        let asked: Option<Box<dyn Witness>> = match reach.witness() {
            WitnessName::Ask => Some(Box::new(Ask::open(stop)?)),
            WitnessName::Phone => {
                let desk = desk("phone", plan, only)?;
                (follower, seat) = (Some(desk.follower()), Some(desk.seat()));
                Some(Box::new(desk))
            }
            WitnessName::Reports => Some(Box::new(reports(stop)?)),
            WitnessName::Track => None,
        };
        Ok(Self {
            follower,
            seat,
            listen: reach.listen.unwrap_or_default(),
            resumes: false,
            seed: reach.seed.or(as_built.seed).unwrap_or(SEED),
            line,
            as_built,
            asked,
        })
    }

    /// What keeps the desk up to date, to be added to the hub; `None` where there is none.
    pub(super) fn follower(&mut self) -> Option<Follower> {
        self.follower.take()
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
            seat,
            listen,
            resumes,
            ..
        } = self;
        let phone = match seat {
            Some(seat) => Some(phone(listen, &plan.source, resumes, seat).await?),
            None => None,
        };
        let (real, asked) = match (line, asked) {
            (Some(real), Some(witness)) => {
                let link = Box::new(real.open().await?);
                return Ok(Reached {
                    link,
                    witness,
                    phone,
                });
            }
            other => other,
        };
        debug_assert!(real.is_none(), "no witness sees a real layout by itself");
        let (track, witness): (TrackLink, TrackWitness) = track::open(plan, &as_built, seed);
        Ok(Reached {
            link: Box::new(track),
            witness: asked.unwrap_or_else(|| Box::new(witness)),
            phone,
        })
    }
}

/// A desk for those turnouts and signals.
fn desk(name: &'static str, plan: &Plan, only: &[Id]) -> Result<Desk, Failure> {
    let random = getrandom::u64().map_err(|error| Failure::Setup(io::Error::other(error)))?;
    let progress = Progress::of(plan).only(only);
    Ok(Desk::new(name, format!("{random:016x}"), progress))
}

/// Serves the page that phones open, and says on standard error where. A run that is carried on
/// keeps the key of before.
async fn phone(listen: Listen, plan: &Path, resumes: bool, seat: Seat) -> Result<Phone, Failure> {
    let door = if resumes {
        Door::kept(plan)?
    } else {
        Door::fresh(plan)?
    };
    let phone = Phone::open(listen, door, seat).await?;
    super::tell(&phone.invitation(io::stderr().is_terminal()));
    Ok(phone)
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
