//! `sweep`.

use std::io::{self, IsTerminal};
use std::num::NonZeroU32;
use std::path::PathBuf;

use super::layout::{self, Reached, Way};
use super::options::Reach;
use super::{Exit, Failure, Format, runtime, stdout};
use crate::event::StopReason;
use crate::event::hub::Hub;
use crate::plan::{Id, Plan};
use crate::sweep::stop::stop_pair;
use crate::sweep::{Options, Summary, Sweep, SweepError};
use crate::toml_reader::nearest;
use crate::view::json::Json;
use crate::view::terminal::Terminal;

/// How many ids are listed when none is like the one that is not there.
const LISTED: usize = 16;

/// Shown below the options.
const EXAMPLES: &str = "\
Examples:
  throwproof sweep plan.toml
  throwproof sweep plan.toml --as-built as-built.toml
  throwproof sweep plan.toml --only Q1,Q2 --cycles 10 --format json";

/// Prove every turnout and signal of a plan
///
/// Each turnout is thrown both ways and each signal shows every aspect, and each throw is
/// observed. What was seen gives the verdict.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    plan: PathBuf,

    /// Only these turnouts and signals
    #[arg(long, value_name = "ID,ID", value_delimiter = ',')]
    only: Vec<String>,

    /// How often each position is visited
    #[arg(long, value_name = "N", default_value = "1")]
    cycles: NonZeroU32,

    /// Throw all turnouts of a place one after another and look at them together; what the plan
    /// gives no place is thrown one by one
    #[arg(long)]
    by_place: bool,

    #[command(flatten)]
    reach: Reach,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let plan = layout::plan(&args.plan, &args.reach)?;
    let only = chosen(&plan, &args.only)?;
    let (handle, stop) = stop_pair();
    let way = Way::named(&plan, None, &args.reach, handle.clone())?;
    let options = Options {
        only,
        cycles: args.cycles,
        allow_reserved: args.reach.allow_reserved,
        seed: way.seed(),
        reconnect: args.reach.patience(),
        by_place: args.by_place,
        ..Options::default()
    };

    let mut hub = Hub::new();
    match format {
        Format::Json => hub.add(Json::new(io::stdout())),
        Format::Text => {
            let progress = io::stderr().is_terminal().then(io::stderr);
            let turnouts = plan.turnouts.iter().map(|turnout| turnout.id.clone());
            let signals = plan.signals.iter().map(|signal| signal.id.clone());
            hub.add(Terminal::new(stdout(), progress).in_order(turnouts.chain(signals)));
        }
    }
    let summary = runtime::block_on(&handle, async {
        let Reached {
            mut link,
            mut witness,
        } = runtime::unless_asked(stop.clone(), way.open(&plan)).await?;
        let sweep = Sweep {
            plan: &plan,
            link: &mut *link,
            witness: &mut *witness,
            hub: &mut hub,
            stop,
            options,
        };
        let outcome = sweep.run().await;
        let closed = link.close().await;
        let summary = outcome?;
        closed.map_err(SweepError::Link)?;
        Ok(summary)
    });
    summary.map(|summary| super::with_views(&hub, exit(&summary)))
}

/// The ids to sweep, all of them in the plan.
fn chosen(plan: &Plan, only: &[String]) -> Result<Vec<Id>, Failure> {
    for word in only {
        if plan.turnout(word).is_none() && plan.signal(word).is_none() {
            return Err(no_such_id(plan, word));
        }
    }
    Ok(only.iter().map(|word| Id::new(word)).collect())
}

/// The plan has no such id; perhaps another that is like it.
pub(super) fn no_such_id(plan: &Plan, word: &str) -> Failure {
    let turnouts = plan.turnouts.iter().map(|turnout| turnout.id.as_str());
    let ids: Vec<_> = turnouts
        .chain(plan.signals.iter().map(|signal| signal.id.as_str()))
        .collect();
    let help = match nearest(word, ids.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if ids.is_empty() => "it has none at all".to_owned(),
        None if ids.len() <= LISTED => format!("it has {}", ids.join(", ")),
        None => "look at the ids of its [[turnout]] and [[signal]] tables".to_owned(),
    };
    Failure::usage(format!("the plan has no turnout or signal `{word}`"), help)
}

fn exit(summary: &Summary) -> Exit {
    match summary.stopped {
        Some(StopReason::Link) => Exit::Link,
        Some(
            StopReason::Operator
            | StopReason::Interrupt
            | StopReason::TerminalLost
            | StopReason::Fault,
        ) => Exit::Stopped,
        None if summary.failed + summary.skipped + summary.unreached > 0 => Exit::Found,
        None => Exit::Clean,
    }
}
