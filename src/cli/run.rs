//! `sweep`.

use std::io::{self, IsTerminal};
use std::num::NonZeroU32;
use std::path::PathBuf;

use super::carry::{self, Carried};
use super::diagnose::{self, At, Seen, Setting};
use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Way};
use super::options::{Asking, Reach, RecordAt};
use super::report::Reports;
use super::{Exit, Failure, Format, runtime, sinks, stdout, together};
use crate::event::hub::Sink;
use crate::plan::{Id, Plan};
use crate::record::RunKind;
use crate::sweep::stop::stop_pair;
use crate::sweep::{Options, Summary, Sweep};
use crate::toml_reader::nearest;
use crate::view::terminal::Terminal;

/// How many ids are listed when none is like the one that is not there.
const LISTED: usize = 16;

/// Shown below the options.
const EXAMPLES: &str = "\
Examples:
  throwproof sweep plan.toml
  throwproof sweep plan.toml --as-built as-built.toml
  throwproof sweep plan.toml --link lcc:/dev/ttyUSB0 --tester Ada
  throwproof sweep plan.toml --link lcc:/dev/ttyUSB0 --resume --report proof.html
  throwproof sweep plan.toml --only Q1,Q2 --cycles 10 --format json
  throwproof sweep plan.toml --together Quay";

/// Prove every turnout and signal of a plan
///
/// Each turnout is thrown both ways and each signal shows every aspect, and each throw is
/// observed. What was seen gives the verdict.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan [default: plan.toml in this folder]
    pub(super) plan: Option<PathBuf>,

    /// Throw these turnouts one after another as a route would, those of a place or these ids, and
    /// find the shortest gap between throws with which all arrive; --cycles says how often it has
    /// to hold [default: 3]
    #[arg(long, value_name = "PLACE|ID,ID")]
    #[arg(conflicts_with_all = ["only", "resume", "report", "by_place"])]
    together: Option<String>,

    /// Only these turnouts and signals
    #[arg(long, value_name = "ID,ID", value_delimiter = ',')]
    only: Vec<String>,

    /// How often each position is visited [default: 1, or as the run that is carried on]
    #[arg(long, value_name = "N")]
    pub(super) cycles: Option<NonZeroU32>,

    /// Carry on the last run that did not come to its end
    #[arg(long)]
    resume: bool,

    /// Who tests, for the record
    #[arg(
        long,
        value_name = "NAME",
        env = "THROWPROOF_TESTER",
        hide_env_values = true
    )]
    #[arg(default_value = "", hide_default_value = true)]
    pub(super) tester: String,

    /// Write a report here when the run is over; its kind is in the ending: .html, .xml (JUnit),
    /// .csv, .json or .md. May be given several times
    #[arg(long, value_name = "FILE")]
    report: Vec<PathBuf>,

    #[command(flatten)]
    pub(super) record: RecordAt,

    /// Throw all turnouts of a place one after another and look at them together; what the plan
    /// gives no place is thrown one by one
    #[arg(long)]
    by_place: bool,

    #[command(flatten)]
    pub(super) reach: Reach,

    #[command(flatten)]
    pub(super) asking: Asking,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    runtime::heed_file_size_limit()?;
    if let Some(group) = &args.together {
        return together::run(args, group, format);
    }
    let reports = Reports::prepared(&args.report)?;
    let kept = KeptPlan::read(args.plan.as_ref(), &args.reach)?;
    let plan = &kept.plan;
    let only = chosen(plan, &args.only)?;
    let is_rehearsal = args.reach.is_rehearsal();
    let mut record = keep::open(plan, &args.record, is_rehearsal)?;
    let carried = carry::from(record.as_ref(), &kept, is_rehearsal, args.resume, format)?;
    let is_kept = record.is_some();
    let reports = reports.kept_in(&mut record)?;
    let (handle, stop) = stop_pair();
    let only = if only.is_empty() {
        carried.only.clone()
    } else {
        only
    };
    let asked = Asked {
        asking: &args.asking,
        plan,
        only: &only,
        resumes: carried.run.is_some(),
        stop: handle.clone(),
    };
    let way = Way::named(plan, None, &args.reach, asked)?;
    let options = options(args, &kept, only, carried, way.seed());

    let keeps = kept.keeps(RunKind::Sweep, &options.only, is_rehearsal);
    let record_path = record.as_ref().map(|record| record.path().to_owned());
    let record = record.map(|record| (record, keeps));
    let mut hub = sinks::hub(record, &way, format, || view(plan))?;
    let mut setting = Setting {
        is_rehearsal,
        about: options.about.clone(),
        ..Setting::new(&kept, &args.reach, format, stop.clone())
    };
    setting.record = record_path;
    setting.follower = way.follower();
    let mut views = Exit::Clean;
    let summary =
        layout::drive_with_track(way, plan, (&handle, &stop), async |link, witness, track| {
            setting.track = track;
            let sweep = Sweep {
                plan,
                link: &mut *link,
                witness: &mut *witness,
                hub: &mut hub,
                stop: stop.clone(),
                options,
            };
            let summary = sweep.run().await?;
            let seen = Seen(summary.so_far.clone());
            let failing = seen.failing(plan);
            if summary.stopped.is_some() || failing.is_empty() || hub.is_behind() {
                return Ok(summary);
            }
            if !witness.can_be_asked() {
                diagnose::tell_how(plan, &args.reach, &failing);
                return Ok(summary);
            }
            // The record takes one run at a time.
            views = super::with_views(&std::mem::take(&mut hub), Exit::Clean);
            let mut at = At { link, witness };
            setting.look_into(&mut at, &seen, &failing).await?;
            Ok(summary)
        });
    // Whatever ended the run: what was seen until then is worth a report.
    let reported = reports.write(&kept, is_rehearsal);
    sinks::tell_unkept(&hub);
    let summary = summary?;
    if summary.stopped.is_some() && is_kept {
        super::remark("what was seen is kept; --resume carries the run on");
    }
    let exit = super::with_views(&hub, exit(&summary));
    let exit = if exit == Exit::Clean { views } else { exit };
    reported.map(|()| exit)
}

/// What is asked for: what the options say, else what the run that is carried on was asked for.
fn options(
    args: &Args,
    kept: &KeptPlan,
    only: Vec<Id>,
    carried: Carried,
    seed: Option<u64>,
) -> Options {
    let before = carried.run.as_ref();
    let cycles = before.and_then(|run| NonZeroU32::new(run.cycles));
    Options {
        only,
        cycles: args.cycles.or(cycles).unwrap_or(NonZeroU32::MIN),
        allow_reserved: args.reach.allow_reserved,
        about: kept.about(&args.reach, &args.tester, seed),
        continues: before.map(|run| run.id),
        so_far: carried.so_far,
        by_place: args.by_place,
    }
}

/// What shows the run.
fn view(plan: &Plan) -> impl Sink + use<> {
    let progress = io::stderr().is_terminal().then(io::stderr);
    let turnouts = plan.turnouts.iter().map(|turnout| turnout.id.clone());
    let signals = plan.signals.iter().map(|signal| signal.id.clone());
    let sorts = plan
        .signals
        .iter()
        .map(|signal| (signal.id.clone(), signal.sort));
    let terminal = Terminal::new(stdout(), progress).in_order(turnouts.chain(signals));
    terminal.knowing(sorts)
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
        Some(reason) => reason.into(),
        None if summary.failed + summary.skipped + summary.unreached > 0 => Exit::Found,
        None => Exit::Clean,
    }
}
