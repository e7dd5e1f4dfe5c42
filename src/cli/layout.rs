//! The layout that a command works on: its plan, how it is reached, who looks.

use std::cell::RefCell;
use std::io::{self, IsTerminal as _};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::{Arc, OnceLock};

use throwproof_protocol::address::{KeyedAddress, Numbering};

use super::find_plan::Here;
use super::lines::Line;
use super::options::{Asking, Reach, WitnessName};
use super::{Failure, bench, cautions, runtime};
use crate::link::Link;
use crate::link::none::NoLink;
use crate::phone::{Door, Listen, Phone};
use crate::plan::{Id, Plan};
use crate::settings;
use crate::sweep::stop::{StopHandle, StopToken};
use crate::sweep::{SweepError, is_reserved};
use crate::track::as_built::AsBuilt;
use crate::track::{self, Track, TrackLink, TrackWitness};
use crate::witness::ask::keys::TerminalKeys;
use crate::witness::ask::{Ask, Cue, KeyMap, Manner};
use crate::witness::desk::{Desk, Follower, Progress, Seat};
use crate::witness::lines::Lines;
use crate::witness::reports::Reports;
use crate::witness::{Witness, WitnessError};

/// Seed of the simulated track where nothing gives one.
pub(super) const SEED: u64 = 1;

/// How a layout is reached and who looks, opened.
pub(super) struct Reached {
    pub(super) link: Box<dyn Link>,
    pub(super) witness: Box<dyn Witness>,
    /// The page that phones have open, if they are asked.
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
    path_or_none(named)
        .map(|path| plan(&path, reach))
        .transpose()
}

/// Where the plan is: as named, or else the one of the current folder.
pub(super) fn path_or_none(named: Option<&PathBuf>) -> Option<PathBuf> {
    named.cloned().or_else(|| Here::look().or_none())
}

/// Opens the layout, has `work` done on it, and leaves it whatever came of that.
pub(super) fn drive<T>(
    way: Way,
    plan: &Plan,
    (handle, stop): (&StopHandle, &StopToken),
    work: impl AsyncFnOnce(&mut dyn Link, &mut dyn Witness) -> Result<T, Failure>,
) -> Result<T, Failure> {
    drive_with_track(way, plan, (handle, stop), async |link, witness, _| {
        work(link, witness).await
    })
}

/// The same, with the simulated track itself where that is what is reached.
pub(super) fn drive_with_track<T>(
    way: Way,
    plan: &Plan,
    (handle, stop): (&StopHandle, &StopToken),
    work: impl AsyncFnOnce(
        &mut dyn Link,
        &mut dyn Witness,
        Option<Rc<RefCell<Track>>>,
    ) -> Result<T, Failure>,
) -> Result<T, Failure> {
    runtime::block_on(handle, async {
        let (reached, track) = runtime::unless_asked(stop.clone(), way.open(plan)).await?;
        let Reached {
            mut link,
            mut witness,
            phone,
        } = reached;
        let came = work(&mut *link, &mut *witness, track).await;
        let closed = leave(link, phone).await;
        let came = came?;
        closed?;
        Ok(came)
    })
}

/// Closes the link; phones are shown how it ended.
pub(super) async fn leave(mut link: Box<dyn Link>, phone: Option<Phone>) -> Result<(), SweepError> {
    let closed = link.close().await;
    if let Some(phone) = phone {
        phone.farewell().await;
    }
    closed.map_err(SweepError::Link)
}

/// What the options name to reach a layout, read and not yet opened.
pub(super) struct Way {
    line: Option<Line>,
    as_built: AsBuilt,
    seed: u64,
    operator: Operator,
    /// Where the page for phones is served, if they are asked.
    listen: Option<Listen>,
    /// Whether an earlier run is carried on.
    resumes: bool,
    /// Whether the program throws anything at all.
    drives: bool,
}

/// Who is asked.
pub(super) struct Asked<'a> {
    /// How.
    pub(super) asking: &'a Asking,
    /// The plan that they see.
    pub(super) plan: &'a Plan,
    /// The turnouts and signals that they are asked about; empty for all of the plan.
    pub(super) only: &'a [Id],
    /// Whether an earlier run is carried on, and phones go on with the page that they have.
    pub(super) resumes: bool,
    /// How they end the run.
    pub(super) stop: StopHandle,
}

/// The witness that the options name, where it is not the simulated track, and the desk that the
/// operator sits at, if they are asked.
#[derive(Default)]
struct Operator {
    witness: Option<Box<dyn Witness>>,
    follower: Option<Follower>,
    seat: Option<Seat>,
    /// What the terminal shows again to invite phones.
    invitation: Arc<OnceLock<String>>,
}

impl Way {
    /// Reads what the options name. `as_built` is what has been thought up for the track.
    pub(super) fn named(
        plan: &Plan,
        as_built: Option<AsBuilt>,
        reach: &Reach,
        asked: Asked<'_>,
    ) -> Result<Self, Failure> {
        if reach.listen.is_some() && reach.witness() != WitnessName::Phone {
            return Err(Failure::usage(
                "`--listen` says where the phone page is served, and there is none",
                "take `--witness phone` with it",
            ));
        }
        let line = Line::named(reach)?;
        if line.is_some() {
            cautions::before_driving(reach)?;
        }
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
        let resumes = asked.resumes;
        let by_phone = reach.witness() == WitnessName::Phone;
        let operator = match reach.witness() {
            WitnessName::Phone => Operator::on_phones(asked)?,
            WitnessName::Ask => Operator::at_terminal(asked)?,
            WitnessName::Reports => Operator::behind_reports(asked)?,
            WitnessName::Track => Operator::default(),
        };
        Ok(Self {
            seed: reach.seed.or(as_built.seed).unwrap_or(SEED),
            line,
            as_built,
            operator,
            listen: by_phone.then(|| reach.listen.unwrap_or_default()),
            resumes,
            drives: true,
        })
    }

    /// Nothing is thrown by the program: whoever is asked does it all.
    pub(super) fn by_hands(reach: &Reach, asked: Asked<'_>) -> Result<Self, Failure> {
        let by_phone = reach.witness == Some(WitnessName::Phone);
        let operator = match reach.witness {
            Some(WitnessName::Phone) => Operator::on_phones(asked)?,
            Some(WitnessName::Ask) | None => match Operator::at_terminal(asked) {
                Err(Failure::Witness(WitnessError::NoTerminal)) => Operator {
                    witness: Some(Box::new(Lines::new(
                        io::BufReader::new(io::stdin()),
                        io::stderr(),
                    ))),
                    ..Operator::default()
                },
                operator => operator?,
            },
            Some(WitnessName::Reports | WitnessName::Track) => {
                return Err(Failure::usage(
                    "with --hands you make each test, and nothing else can say what it shows",
                    "leave --witness out, or take `--witness phone`",
                ));
            }
        };
        Ok(Self {
            line: None,
            as_built: AsBuilt::default(),
            seed: reach.seed.unwrap_or(SEED),
            operator,
            listen: by_phone.then(|| reach.listen.unwrap_or_default()),
            resumes: false,
            drives: false,
        })
    }

    /// What keeps the desk up to date, to be added to the hub; `None` where nobody is asked.
    pub(super) fn follower(&self) -> Option<Follower> {
        self.operator.follower.clone()
    }

    /// The seed of the simulated track, if that is what is reached.
    pub(super) fn seed(&self) -> Option<u64> {
        (self.line.is_none() && self.drives).then_some(self.seed)
    }

    /// Opens link and witness; gives the simulated track as well, where that is what is reached.
    async fn open(self, plan: &Plan) -> Result<(Reached, Option<Rc<RefCell<Track>>>), Failure> {
        let Self {
            line,
            as_built,
            seed,
            operator,
            listen,
            resumes,
            drives,
        } = self;
        let phone = match (listen, operator.seat) {
            (Some(listen), Some(seat)) => {
                let phone = phone(listen, &plan.source, resumes, seat).await?;
                let invitation = phone.invitation(io::stderr().is_terminal());
                super::tell(&invitation);
                let _only_one_page = operator.invitation.set(invitation);
                Some(phone)
            }
            _ => None,
        };
        let (real, asked) = match (line, operator.witness) {
            (Some(real), Some(witness)) => {
                let link = Box::new(real.open().await?);
                let reached = Reached {
                    link,
                    witness,
                    phone,
                };
                return Ok((reached, None));
            }
            (None, Some(witness)) if !drives => {
                let link = Box::new(NoLink::new());
                let reached = Reached {
                    link,
                    witness,
                    phone,
                };
                return Ok((reached, None));
            }
            other => other,
        };
        debug_assert!(real.is_none(), "no witness sees a real layout by itself");
        let (track, witness): (TrackLink, TrackWitness) = track::open(plan, &as_built, seed);
        let itself = Rc::clone(track.track());
        let reached = Reached {
            link: Box::new(track),
            witness: asked.unwrap_or_else(|| Box::new(witness)),
            phone,
        };
        Ok((reached, Some(itself)))
    }
}

impl Operator {
    /// At the terminal that the program runs in.
    fn at_terminal(asked: Asked<'_>) -> Result<Self, Failure> {
        let desk = desk("ask", &asked)?;
        let desk = desk.with_surface(Box::new(terminal(asked, Arc::default())?));
        Ok(Self::at(desk))
    }

    /// On phones, and at the terminal that the program runs in, if there is one.
    fn on_phones(asked: Asked<'_>) -> Result<Self, Failure> {
        let desk = desk("phone", &asked)?;
        let invitation = Arc::default();
        let desk = match terminal(asked, Arc::clone(&invitation)) {
            Ok(terminal) => desk.with_surface(Box::new(terminal)),
            Err(Failure::Witness(WitnessError::NoTerminal)) => desk,
            Err(error) => return Err(error),
        };
        Ok(Self {
            invitation,
            ..Self::at(desk)
        })
    }

    /// Position reports, and the operator for what has none, if there is a terminal to ask at.
    fn behind_reports(asked: Asked<'_>) -> Result<Self, Failure> {
        let desk = desk("ask", &asked)?;
        let plan = asked.plan;
        let terminal = match terminal(asked, Arc::default()) {
            Ok(terminal) => terminal,
            Err(Failure::Witness(WitnessError::NoTerminal)) => {
                return Ok(Self {
                    witness: Some(Box::new(Reports::new(None).watching(plan))),
                    ..Self::default()
                });
            }
            Err(error) => return Err(error),
        };
        let operator = Self::at(desk.with_surface(Box::new(terminal)));
        Ok(Self {
            witness: Some(Box::new(Reports::new(operator.witness).watching(plan))),
            ..operator
        })
    }

    fn at(desk: Desk) -> Self {
        Self {
            follower: Some(desk.follower()),
            seat: Some(desk.seat()),
            witness: Some(Box::new(desk)),
            invitation: Arc::default(),
        }
    }
}

/// A desk for those turnouts and signals.
fn desk(name: &'static str, asked: &Asked<'_>) -> Result<Desk, Failure> {
    let random = getrandom::u64().map_err(|error| Failure::Setup(io::Error::other(error)))?;
    let progress = Progress::of(asked.plan).only(asked.only);
    let desk = Desk::new(name, format!("{random:016x}"), progress);
    Ok(desk
        .stopped_by(asked.stop.clone())
        .blind(asked.asking.blind))
}

/// Serves the page that phones open. A run that is carried on keeps the key of before.
async fn phone(listen: Listen, plan: &Path, resumes: bool, seat: Seat) -> Result<Phone, Failure> {
    let door = if resumes {
        Door::kept(plan)?
    } else {
        Door::fresh(plan)?
    };
    Ok(Phone::open(listen, door, seat).await?)
}

/// The terminal that the program runs in; `invitation` is what invites phones, once it is there.
fn terminal(
    asked: Asked<'_>,
    invitation: Arc<OnceLock<String>>,
) -> Result<Ask<TerminalKeys, impl io::Write + use<>>, Failure> {
    let Asked {
        asking, plan, stop, ..
    } = asked;
    let beside_plan = plan.source.parent().unwrap_or(Path::new(""));
    let manner = Manner {
        keys: keys()?,
        plain: asking.plain,
        blind: asking.blind,
        cue: Cue::new(asking.bell, asking.say.as_deref()),
        invitation,
        photos: beside_plan.to_owned(),
        ..Manner::default()
    };
    Ok(Ask::open(stop, manner)?)
}

/// The keys that the user's settings name; the usual ones where there is no place for settings.
fn keys() -> Result<KeyMap, Failure> {
    match settings::default_path() {
        Ok(path) => Ok(settings::keys(&path)?),
        Err(_) => Ok(KeyMap::default()),
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
