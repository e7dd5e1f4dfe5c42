//! `throw` and `aspect`: one command, and what was seen of it.

use std::io::{self, IsTerminal};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::time::Duration;

use throwproof_protocol::address::Position;

use self::job::{
    Job, address_without_plan, no_such_position, no_such_value, planned_aspect, planned_throw,
};
use super::bench::Thing;
use super::layout::{self, Asked, Way};
use super::options::{Asking, Reach};
use super::{Exit, Failure, Format, sinks, stdout};
use crate::plan::Plan;
use crate::sweep::stop::stop_pair;
use crate::sweep::{Once, Outcome, Repeat};
use crate::track::as_built::{self, AsBuilt};
use crate::view::single::{Bell, Single};

mod job;

/// Longest time between throws that repeat by themselves, seconds.
const LONGEST_REPEAT: f64 = 3600.0;

const THROW_EXAMPLES: &str = "\
Examples:
  throwproof throw 1 diverging
  throwproof throw Q1 straight --plan plan.toml
  throwproof throw T1 left --plan plan.toml
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

    /// Where to: `straight` or `diverging`, or the name of a position in the plan
    #[arg(value_name = "POSITION")]
    position: String,

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
        let job = planned_throw(plan, target, position)?;
        let as_built = common.reach.as_built.is_none().then(|| {
            // A single throw on a rehearsal has to be seen: it starts from elsewhere.
            let mut as_built = AsBuilt::default();
            let id = job.subject.id();
            let turnout = job.plan.turnout(id.as_str());
            let lies = turnout.map(|turnout| turnout.elsewhere(&job.commanded));
            let built = lies.map(|lies| lying(&lies));
            as_built
                .turnouts
                .insert(id.clone(), built.unwrap_or_default());
            as_built
        });
        Job { as_built, ..job }
    } else {
        let address = address_without_plan(target)?;
        let simple = position.parse().map_err(|_| no_such_position(position))?;
        let (plan, as_built) = made_up(Thing::Turnout(address, simple), common)?;
        Job {
            as_built: Some(as_built),
            ..planned_throw(plan, target, position)?
        }
    };
    send(job, common, format, repeat, !quiet)
}

/// A turnout whose drives lie so before anything is thrown.
fn lying(drives: &[Position]) -> as_built::Turnout {
    let one = |lies: &Position| as_built::Turnout {
        lies: Some(*lies),
        ..as_built::Turnout::default()
    };
    as_built::Turnout {
        further: drives.iter().skip(1).map(one).collect(),
        ..drives.first().map(one).unwrap_or_default()
    }
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
        addresses,
    } = job;
    for address in addresses {
        layout::refuse_reserved(&plan, address, &common.reach)?;
    }
    let (handle, stop) = stop_pair();
    let reconnect = common.reach.patience();
    let asked = Asked {
        asking: &common.asking,
        plan: &plan,
        only: &[subject.id().clone()],
        resumes: false,
        stop: handle.clone(),
    };
    let way = Way::named(&track, as_built, &common.reach, asked)?;
    let mut hub = sinks::hub(None, &way, format, || Single::new(stdout()))?;
    if let Some(bell) = bell(rings && repeat.is_some()) {
        hub.add(Bell::new(bell));
    }
    let outcome = layout::drive(way, &track, (&handle, &stop), async |link, witness| {
        if repeat.is_some_and(|repeat| repeat.count.is_none()) && !witness.is_person() {
            return Err(Failure::usage(
                "nobody is there to say when `--repeat` is enough",
                "say how often with --count, or take `--witness ask`",
            ));
        }
        let once = Once {
            plan: &plan,
            link,
            witness,
            hub: &mut hub,
            stop: stop.clone(),
            subject,
            commanded,
            reconnect,
            repeat,
        };
        Ok(once.run().await?)
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
