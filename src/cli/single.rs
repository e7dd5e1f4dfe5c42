//! `throw` and `aspect`: one command, and what was seen of it.

use std::io::{self, IsTerminal};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};

use super::bench::Thing;
use super::layout::{self, Asked, Reached, Way};
use super::options::{Asking, Reach};
use super::run::no_such_id;
use super::{Exit, Failure, Format, runtime, stdout};
use crate::event::Subject;
use crate::event::hub::Hub;
use crate::plan::{Aspect, Drive, Id, Plan, Shape, Signal, SignalKind, Turnout};
use crate::sweep::stop::stop_pair;
use crate::sweep::{Once, Outcome, Repeat, SweepError};
use crate::track::as_built::AsBuilt;
use crate::view::json::Json;
use crate::view::single::{Bell, Single};

/// Longest time between throws that repeat by themselves, seconds.
const LONGEST_REPEAT: f64 = 3600.0;

const THROW_EXAMPLES: &str = "\
Examples:
  throwproof throw 1 diverging
  throwproof throw Q1 straight --plan plan.toml
  throwproof throw Q1 straight --plan plan.toml --witness ask

  throwproof throw Q1 straight --plan plan.toml --witness ask --repeat 3

Ends with 0 if it was seen to go where it was sent and nothing else moved, else with 1.
With --repeat nothing is asked: it ends with 0 as soon as a key or the count ends it.";

const ASPECT_EXAMPLES: &str = "\
Examples:
  throwproof aspect 60 5
  throwproof aspect S1 proceed --plan plan.toml";

/// Throw one turnout and say what was seen
#[derive(Debug, clap::Args)]
#[command(after_help = THROW_EXAMPLES)]
pub(super) struct ThrowArgs {
    /// The address that a person keys, 1 to 2048, or the turnout's id in the plan
    #[arg(value_name = "ADDRESS|ID")]
    target: String,

    /// Where to: `straight` or `diverging`
    #[arg(value_name = "POSITION")]
    position: Position,

    /// Throw it there and back by itself, every so many seconds, while hands are busy; a bell for
    /// each throw, one for straight and two for diverging. A key ends it, at POSITION
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    repeat: Option<Duration>,

    /// End after it was thrown to POSITION so often
    #[arg(long, value_name = "N", requires = "repeat")]
    count: Option<NonZeroU32>,

    /// No bell
    #[arg(long, requires = "repeat")]
    quiet: bool,

    #[command(flatten)]
    common: Common,
}

/// Show one aspect of a signal and say what was seen
#[derive(Debug, clap::Args)]
#[command(after_help = ASPECT_EXAMPLES)]
pub(super) struct AspectArgs {
    /// The address that a person keys, 1 to 2048, or the signal's id in the plan
    #[arg(value_name = "ADDRESS|ID")]
    target: String,

    /// The aspect's value, 0 to 255, or its name in the plan
    #[arg(value_name = "VALUE|NAME")]
    aspect: String,

    #[command(flatten)]
    common: Common,
}

#[derive(Debug, clap::Args)]
struct Common {
    /// The plan [default: plan.toml in this folder, or else no plan]
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,

    #[command(flatten)]
    reach: Reach,

    #[command(flatten)]
    asking: Asking,
}

/// What to send where.
struct Job {
    /// The plan that the track is built by.
    track: Plan,
    /// What is really there, where that is made up as well.
    as_built: Option<AsBuilt>,
    /// The plan that is driven: with what was named by its address alone added to it.
    plan: Plan,
    subject: Subject,
    commanded: Id,
    address: KeyedAddress,
}

pub(super) fn throw(args: &ThrowArgs, format: Format) -> Result<Exit, Failure> {
    let ThrowArgs {
        target,
        position,
        repeat,
        count,
        quiet,
        common,
    } = args;
    let repeat = repeat.map(|every| Repeat {
        every,
        count: count.map(NonZeroU32::get),
    });
    let plan = layout::plan_or_none(common.plan.as_ref(), &common.reach)?;
    let job = if let Some(plan) = plan {
        let job = planned_throw(plan, target, *position)?;
        let as_built = common.reach.as_built.is_none().then(|| {
            // A single throw on a rehearsal has to be seen: it starts from the other side.
            let mut as_built = AsBuilt::default();
            let turnout = as_built.turnouts.entry(job.subject.id().clone());
            turnout.or_default().lies = Some(position.opposite());
            as_built
        });
        Job { as_built, ..job }
    } else {
        let address = address_without_plan(target)?;
        let thing = Thing::Turnout(address, *position);
        let (plan, as_built) = made_up(thing, common)?;
        Job {
            as_built: Some(as_built),
            ..planned_throw(plan, target, *position)?
        }
    };
    send(job, common, format, repeat, !quiet)
}

pub(super) fn aspect(args: &AspectArgs, format: Format) -> Result<Exit, Failure> {
    let AspectArgs {
        target,
        aspect,
        common,
    } = args;
    let plan = layout::plan_or_none(common.plan.as_ref(), &common.reach)?;
    let job = if let Some(plan) = plan {
        planned_aspect(plan, target, aspect)?
    } else {
        let address = address_without_plan(target)?;
        let value = aspect.parse().map_err(|_| no_such_value(aspect))?;
        let (plan, as_built) = made_up(Thing::Signal(address, value), common)?;
        Job {
            as_built: Some(as_built),
            ..planned_aspect(plan, target, aspect)?
        }
    };
    send(job, common, format, None, false)
}

fn made_up(thing: Thing, common: &Common) -> Result<(Plan, AsBuilt), Failure> {
    if common.reach.as_built.is_some() {
        return Err(Failure::usage(
            "there is no plan for the as-built file to differ from",
            "name the plan with --plan",
        ));
    }
    let (plan, as_built) = layout::made_up(thing, common.reach.numbering)?;
    if let Some(decoder) = plan.decoders.first() {
        let first = decoder.first_address.get();
        let last = first + u16::from(decoder.outputs) - 1;
        super::remark(&format!(
            "no plan given: the simulated track has one decoder, addresses {first} to {last}"
        ));
    }
    Ok((plan, as_built))
}

fn address_without_plan(target: &str) -> Result<KeyedAddress, Failure> {
    if is_number(target) {
        return address(target);
    }
    Err(Failure::usage(
        format!("there is no plan to look `{target}` up in"),
        "name the plan with --plan, or give the address that a person keys",
    ))
}

/// Is it an address? No id of a plan is a bare number.
fn is_number(target: &str) -> bool {
    target.bytes().all(|byte| byte.is_ascii_digit())
}

fn address(target: &str) -> Result<KeyedAddress, Failure> {
    target.parse().map_err(|error| {
        Failure::usage(
            format!("{error}"),
            "give the number that a person keys to throw it",
        )
    })
}

fn no_such_value(aspect: &str) -> Failure {
    Failure::usage(
        format!("`{aspect}` is no aspect"),
        "give a value from 0 to 255, or a name that the plan has for this signal",
    )
}

fn planned_throw(mut plan: Plan, target: &str, position: Position) -> Result<Job, Failure> {
    let track = plan.clone();
    let by_id = plan.turnout(target).cloned();
    if let (None, Some(signal)) = (&by_id, plan.signal(target)) {
        let id = &signal.id;
        return Err(Failure::usage(
            format!("{id} is a signal"),
            format!("write `throwproof aspect {id} ASPECT`"),
        ));
    }
    let turnout = match by_id {
        Some(turnout) => turnout,
        None if is_number(target) => turnout_at(&mut plan, address(target)?)?,
        None => return Err(no_such_id(&plan, target)),
    };
    Ok(Job {
        track,
        as_built: None,
        plan,
        address: turnout.address,
        subject: Subject::Turnout(turnout.id),
        commanded: Id::new(position.as_str()),
    })
}

/// The turnout at an address; one that the plan does not have is added to it.
fn turnout_at(plan: &mut Plan, address: KeyedAddress) -> Result<Turnout, Failure> {
    if let Some(turnout) = plan
        .turnouts
        .iter()
        .find(|turnout| turnout.address == address)
    {
        return Ok(turnout.clone());
    }
    if let Some(signal) = signal_at(plan, address) {
        let id = &signal.id;
        return Err(Failure::usage(
            format!("address {address} belongs to signal {id}"),
            format!("write `throwproof aspect {id} ASPECT`"),
        ));
    }
    super::remark(&format!(
        "the plan has nothing at address {address}; it is thrown all the same"
    ));
    let turnout = Turnout {
        id: Id::new(&address.to_string()),
        place: String::new(),
        shape: Shape::Left,
        address,
        output: None,
        drive: Drive::TwinCoil,
        drives: 1,
        straight_bit: PairBit::One,
        amps: None,
        position_reports: false,
        rest: plan.layout.rest,
        shares_address: false,
        accept: Vec::new(),
        line: 0,
    };
    plan.turnouts.push(turnout.clone());
    Ok(turnout)
}

fn signal_at(plan: &Plan, address: KeyedAddress) -> Option<&Signal> {
    plan.signals.iter().find(|signal| {
        let first = signal.address.get();
        (first..first + u16::from(signal.addresses())).contains(&address.get())
    })
}

fn planned_aspect(mut plan: Plan, target: &str, aspect: &str) -> Result<Job, Failure> {
    let track = plan.clone();
    let by_id = plan
        .signals
        .iter()
        .position(|signal| signal.id.as_str() == target);
    if let (None, Some(turnout)) = (by_id, plan.turnout(target)) {
        return Err(is_turnout(turnout));
    }
    let index = match by_id {
        Some(index) => index,
        None if is_number(target) => signal_index_at(&mut plan, address(target)?)?,
        None => return Err(no_such_id(&plan, target)),
    };
    let Some(signal) = plan.signals.get_mut(index) else {
        return Err(no_such_id(&plan, target));
    };
    let commanded = aspect_of(signal, aspect)?;
    let (subject, address) = (Subject::Signal(signal.id.clone()), signal.address);
    Ok(Job {
        track,
        as_built: None,
        plan,
        subject,
        commanded,
        address,
    })
}

fn is_turnout(turnout: &Turnout) -> Failure {
    let id = &turnout.id;
    Failure::usage(
        format!("{id} is a turnout"),
        format!("write `throwproof throw {id} straight` or `diverging`"),
    )
}

/// The signal at an address; one that the plan does not have is added to it.
fn signal_index_at(plan: &mut Plan, address: KeyedAddress) -> Result<usize, Failure> {
    if let Some(index) = plan
        .signals
        .iter()
        .position(|signal| signal.address == address)
    {
        return Ok(index);
    }
    if let Some(turnout) = plan
        .turnouts
        .iter()
        .find(|turnout| turnout.address == address)
    {
        return Err(is_turnout(turnout));
    }
    super::remark(&format!(
        "the plan has nothing at address {address}; it is sent all the same"
    ));
    plan.signals.push(Signal {
        id: Id::new(&address.to_string()),
        place: String::new(),
        address,
        kind: SignalKind::Extended,
        output: None,
        aspects: Vec::new(),
        line: 0,
    });
    Ok(plan.signals.len() - 1)
}

/// The aspect of that name or value. A value that the plan gives no name is added, where the
/// signal takes any.
fn aspect_of(signal: &mut Signal, aspect: &str) -> Result<Id, Failure> {
    if let Some(named) = signal
        .aspects
        .iter()
        .find(|one| one.name.as_str() == aspect)
    {
        return Ok(named.name.clone());
    }
    let value: u8 = aspect.parse().map_err(|_| no_such_value(aspect))?;
    if let Some(valued) = signal.aspects.iter().find(|one| one.value == value) {
        return Ok(valued.name.clone());
    }
    if signal.kind == SignalKind::Pairs {
        return Err(no_such_value(aspect));
    }
    let name = Id::new(aspect);
    signal.aspects.push(Aspect {
        name: name.clone(),
        value,
    });
    Ok(name)
}

/// A time between throws.
fn seconds(text: &str) -> Result<Duration, String> {
    let seconds: f64 = text.parse().map_err(|_| "it is no number".to_owned())?;
    if (0.0..=LONGEST_REPEAT).contains(&seconds) {
        Ok(Duration::from_secs_f64(seconds))
    } else {
        Err(format!("it is not from 0 to {LONGEST_REPEAT}"))
    }
}

/// The terminal's bell, where there is a terminal to hear it at.
fn bell(is_wanted: bool) -> Option<io::Stderr> {
    (is_wanted && io::stderr().is_terminal()).then(io::stderr)
}

fn send(
    job: Job,
    common: &Common,
    format: Format,
    repeat: Option<Repeat>,
    rings: bool,
) -> Result<Exit, Failure> {
    let Job {
        track,
        as_built,
        plan,
        subject,
        commanded,
        address,
    } = job;
    layout::refuse_reserved(&plan, address, &common.reach)?;
    let (handle, stop) = stop_pair();
    let reconnect = common.reach.patience();
    let asked = Asked {
        asking: &common.asking,
        plan: &plan,
        only: &[subject.id().clone()],
        resumes: false,
        stop: handle.clone(),
    };
    let mut way = Way::named(&track, as_built, &common.reach, asked)?;
    let mut hub = Hub::new();
    if let Some(follower) = way.follower() {
        hub.add(follower);
    }
    match format {
        Format::Json => hub.add(Json::new(io::stdout())),
        Format::Text => hub.add(Single::new(stdout())),
    }
    if let Some(bell) = bell(rings && repeat.is_some()) {
        hub.add(Bell::new(bell));
    }
    let outcome = runtime::block_on(&handle, async {
        let Reached {
            mut link,
            mut witness,
            phone,
        } = runtime::unless_asked(stop.clone(), way.open(&track)).await?;
        if repeat.is_some_and(|repeat| repeat.count.is_none()) && !witness.is_person() {
            return Err(Failure::usage(
                "nobody is there to say when `--repeat` is enough",
                "say how often with --count, or take `--witness ask`",
            ));
        }
        let once = Once {
            plan: &plan,
            link: &mut *link,
            witness: &mut *witness,
            hub: &mut hub,
            stop,
            subject,
            commanded,
            reconnect,
            repeat,
        };
        let outcome = once.run().await;
        let closed = link.close().await;
        if let Some(phone) = phone {
            phone.farewell().await;
        }
        let outcome = outcome?;
        closed.map_err(SweepError::Link)?;
        Ok(outcome)
    });
    let exit = match outcome? {
        Outcome::AsSent(_) => Exit::Clean,
        Outcome::Repeated(throws) => {
            super::remark(&format!("{throws} throws; nothing was observed"));
            Exit::Clean
        }
        Outcome::Otherwise(_) => Exit::Found,
        Outcome::Unseen(reason) => {
            super::remark(&reason);
            Exit::Found
        }
        Outcome::Stopped(_) => Exit::Stopped,
    };
    Ok(super::with_views(&hub, exit))
}
