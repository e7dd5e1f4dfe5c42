//! `diagnose`.

use std::path::PathBuf;

use clap::ValueEnum;

use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Reached, Way};
use super::options::{Asking, Reach, RecordAt, WitnessName};
use super::report::Reports;
use super::{Exit, Failure, Format, runtime};
use crate::diagnose::run::{Beyond, Evidence};
use crate::diagnose::site::Site;
use crate::plan::Plan;
use crate::record::Record;
use crate::sweep::stop::stop_pair;
use crate::toml_reader::nearest;
use crate::witness::Witness;

mod offer;
mod seen;
mod tester;
mod whole;

use self::tester::Tester;

pub(super) use self::offer::tell_how;
pub(super) use self::seen::Seen;
pub(super) use self::whole::{At, Setting};

const EXAMPLES: &str = "\
Examples:
  throwproof diagnose plan.toml Q1 --as-built as-built.toml
  throwproof diagnose plan.toml Q1 --link lcc:/dev/ttyUSB0 --tester Ada
  throwproof diagnose plan.toml Q1 --link lcc:/dev/ttyUSB0 --witness phone
  throwproof diagnose plan.toml Q1 --hands

Ends with 0 if nothing is wrong with the turnout or it was mended and proved, else with 1.";

/// Find out why a turnout fails, in a handful of tests
///
/// Each test is the one that tells most about the cause for what it costs. The program throws what
/// it can, when whoever is asked is ready; the rest is told step by step. `k` leaves a test out, `u`
/// says that you are not sure, `q` ends. Once the cause is named and mended, it is proved by a
/// sweep. On the simulated track with `--witness ask` or `phone`, change the file of `--as-built`
/// as you would mend the layout, and say that it is mended: the file is read anew.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    #[arg(value_name = "PLAN")]
    plan: PathBuf,

    /// The turnout that fails
    #[arg(value_name = "ID")]
    id: String,

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
    let target = find(plan, &args.id)?;
    let is_rehearsal = reach.is_rehearsal() && !args.hands;
    let mut record = keep::open(plan, &args.record, is_rehearsal)?;
    let mut known = known(record.as_ref(), &kept, target, is_rehearsal)?;
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
    let mut way = if args.hands {
        Way::by_hands(reach, asked)?
    } else {
        Way::named(plan, None, reach, asked)?
    };
    let mut setting = Setting {
        kept: &kept,
        reach,
        record,
        tester: &args.tester,
        format,
        follower: way.follower(),
        stop: stop.clone(),
        is_rehearsal,
        by_hands: args.hands,
        beyond: args.beyond_plan.into(),
        seed: way.seed(),
        track: None,
    };
    let exit = runtime::block_on(&handle, async {
        let opened = runtime::unless_asked(stop, way.open_with_track(plan)).await?;
        let Reached {
            mut link,
            mut witness,
            phone,
        } = opened.0;
        setting.track = opened.1;
        if reach.witness() == WitnessName::Track
            && let Some(track) = &setting.track
            && !args.hands
        {
            let tester = Tester::new(Site::of(plan, target), track.clone());
            // What is there now, not what was there in other rehearsals.
            known = tester.sweep();
            witness = Box::new(tester) as Box<dyn Witness>;
        }
        let mut at = At {
            link: &mut *link,
            witness: &mut *witness,
        };
        let outcome = setting.diagnose(&mut at, target, known).await;
        let closed = layout::leave(link, phone).await;
        let exit = outcome?;
        closed?;
        Ok(exit)
    });
    let reported = reports.write(&kept, is_rehearsal);
    let exit = exit?;
    reported.map(|()| exit)
}

/// What the record knows of turnouts that tell something.
#[expect(
    clippy::unnecessary_wraps,
    reason = "a record that is damaged can't be read"
)]
fn known(
    _record: Option<&Record>,
    _kept: &KeptPlan,
    _target: usize,
    _is_rehearsal: bool,
) -> Result<Vec<Evidence>, Failure> {
    Ok(Vec::new())
}

fn find(plan: &Plan, id: &str) -> Result<usize, Failure> {
    let found = plan.turnouts.iter().position(|it| it.id.as_str() == id);
    if plan.turnout(id).is_some_and(|it| it.joint.is_some()) {
        return Err(Failure::usage(
            format!("{id} has several drives, and only those with one are diagnosed"),
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
