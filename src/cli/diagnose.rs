//! `diagnose`.

use std::path::PathBuf;
use std::rc::Rc;

use clap::ValueEnum;
use jiff::tz::TimeZone;

use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Way};
use super::options::{Asking, Reach, RecordAt, WitnessName};
use super::report::Reports;
use super::{Exit, Failure, Format, runtime};
use crate::diagnose::known;
use crate::diagnose::run::{Beyond, Evidence};
use crate::link::Link;
use crate::plan::Plan;
use crate::record::Record;
use crate::sweep::stop::stop_pair;
use crate::toml_reader::nearest;
use crate::witness::Witness;

mod mend;
mod offer;
mod seen;
mod several;
mod so_far;
mod tester;
mod whole;

use self::tester::Tester;

pub(super) use self::offer::tell_how;
pub(super) use self::seen::Seen;
pub(super) use self::whole::{At, Setting};

const EXAMPLES: &str = "\
Examples:
  throwproof diagnose plan.toml Q1 --as-built as-built.toml
  throwproof diagnose plan.toml --as-built as-built.toml
  throwproof diagnose plan.toml Q1 --link lcc:/dev/ttyUSB0 --tester Ada
  throwproof diagnose plan.toml Q1 --link lcc:/dev/ttyUSB0 --witness phone
  throwproof diagnose plan.toml Q1 --hands

Ends with 0 if nothing is wrong, or all that was is mended and proved, else with 1.";

/// Find out why a turnout fails, in a handful of tests
///
/// Each test is the one that tells most about the cause for what it costs. The program throws what
/// it can, when whoever is asked is ready; the rest is told step by step. `k` leaves a test out, `u`
/// says that you are not sure, `q` ends. Once the cause is named and mended, it is proved by a
/// sweep. On the simulated track with `--witness ask` or `phone`, change the file of `--as-built`
/// as you would mend the layout, and say that it is mended: the file is read anew. Without an ID
/// every turnout is looked into that is known to fail, those with one common cause together.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    #[arg(value_name = "PLAN")]
    plan: PathBuf,

    /// The turnout that fails; without it, every one that does, by the record or on the simulated
    /// track
    #[arg(value_name = "ID")]
    id: Option<String>,

    /// Nothing is thrown by the program: make each test by your own controls, and answer; where
    /// there is no terminal, by the numbers of the answers, a line each
    #[arg(long, conflicts_with_all = ["link", "as_built"])]
    hands: bool,

    /// Whether addresses that the plan does not have may be thrown: `ask`, once, when it would tell
    /// something; `yes`; `no`
    #[arg(long, value_enum, value_name = "WHETHER", default_value = "ask")]
    #[arg(hide_possible_values = true)]
    beyond_plan: Whether,

    /// Who tests, for the record
    #[arg(
        long,
        value_name = "NAME",
        env = "THROWPROOF_TESTER",
        hide_env_values = true
    )]
    #[arg(default_value = "", hide_default_value = true)]
    tester: String,

    /// Write a report here at the end; its kind is in the ending, as for `sweep`
    #[arg(long, value_name = "FILE")]
    report: Vec<PathBuf>,

    #[command(flatten)]
    record: RecordAt,

    #[command(flatten)]
    reach: Reach,

    #[command(flatten)]
    asking: Asking,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Whether {
    Ask,
    Yes,
    No,
}

impl From<Whether> for Beyond {
    fn from(whether: Whether) -> Self {
        match whether {
            Whether::Ask => Self::Ask,
            Whether::Yes => Self::Allowed,
            Whether::No => Self::Never,
        }
    }
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    runtime::heed_file_size_limit()?;
    let reports = Reports::prepared(&args.report)?;
    let reach = &args.reach;
    let kept = KeptPlan::read(Some(&args.plan), reach)?;
    let plan = &kept.plan;
    // What has several drives is looked into drive by drive.
    let is_by_track = makes_tests(args) && reach.is_rehearsal();
    let several = match args.id.as_deref() {
        None => plan.turnouts.iter().any(|it| it.joint.is_some()),
        Some(id) => has_several(plan, id),
    };
    if is_by_track && several {
        return several::run(args, plan, args.id.as_deref(), format);
    }
    let target = args.id.as_ref().map(|id| find(plan, id)).transpose()?;
    let is_rehearsal = reach.is_rehearsal() && !args.hands;
    let mut record = keep::open(plan, &args.record, is_rehearsal)?;
    let mut known = known(record.as_ref(), &kept, is_rehearsal)?;
    if target.is_none() && !known.iter().any(|one| one.swept.fails()) && !makes_tests(args) {
        return Err(Failure::usage(
            "which turnout fails is not known: the record has none that did when it was last seen",
            "name it: throwproof diagnose PLAN ID; or sweep first",
        ));
    }
    let reports = reports.kept_in(&mut record)?;
    // Each run opens it anew, as it takes one at a time.
    let record = record.map(|record| record.path().to_owned());
    let (handle, stop) = stop_pair();
    let asked = Asked {
        asking: &args.asking,
        plan,
        only: &[],
        resumes: false,
        stop: handle.clone(),
    };
    let way = if args.hands {
        Way::by_hands(reach, asked)?
    } else {
        Way::named(plan, None, reach, asked)?
    };
    let mut setting = Setting {
        record,
        follower: way.follower(),
        is_rehearsal,
        by_hands: args.hands,
        beyond: args.beyond_plan.into(),
        about: kept.about(reach, &args.tester, way.seed()),
        ..Setting::new(&kept, reach, format, stop.clone())
    };
    let work = async |link: &mut dyn Link, mut witness: &mut dyn Witness, track| {
        setting.track = track;
        let mut tester = None;
        if makes_tests(args)
            && let Some(track) = &setting.track
        {
            let explained = Rc::clone(&setting.explained);
            let tester = tester.insert(Tester::new(plan, Rc::clone(track), explained));
            // What is there now, not what was there in other rehearsals.
            known = tester.sweep();
            witness = tester;
        }
        let mut at = At { link, witness };
        setting.diagnose(&mut at, target, known).await
    };
    let exit = layout::drive_with_track(way, plan, (&handle, &stop), work);
    let reported = reports.write(&kept, is_rehearsal);
    let exit = exit?;
    reported.map(|()| exit)
}

/// Whether the simulated track makes the tests by itself.
fn makes_tests(args: &Args) -> bool {
    args.reach.witness() == WitnessName::Track && !args.hands
}

/// What the record knows of turnouts.
fn known(
    record: Option<&Record>,
    kept: &KeptPlan,
    is_rehearsal: bool,
) -> Result<Vec<Evidence>, Failure> {
    let Some(record) = record else {
        return Ok(Vec::new());
    };
    let zone = TimeZone::system();
    let all = known::read(record, &kept.plan, &kept.marks, is_rehearsal)?;
    Ok(all.iter().filter_map(|one| one.evidence(&zone)).collect())
}

fn has_several(plan: &Plan, id: &str) -> bool {
    plan.turnout(id).is_some_and(|it| it.joint.is_some())
}

fn find(plan: &Plan, id: &str) -> Result<usize, Failure> {
    let found = plan.turnouts.iter().position(|it| it.id.as_str() == id);
    if has_several(plan, id) {
        return Err(Failure::usage(
            format!("{id} has several drives, which are looked into on the simulated track alone"),
            format!("`throwproof sweep --only {id}` says which of its drives fits what is seen"),
        ));
    }
    found.ok_or_else(|| {
        let known = plan.turnouts.iter().map(|it| it.id.as_str());
        Failure::Usage {
            message: format!("the plan has no turnout `{id}`"),
            help: match nearest(id, known) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "name a turnout of the plan; signals can't be diagnosed".to_owned(),
            },
        }
    })
}
