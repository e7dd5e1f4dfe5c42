//! All that fails on the simulated track, one diagnosis after the other, drive by drive.
//!
//! Not a run like any other: drives of one turnout are told here by ids that the plan does not have,
//! so there is nothing that a record could keep, no link that could throw them and nobody to ask. What
//! it is set up of and how it ends is that of any other diagnosis.

use std::time::Duration;

use super::Args;
use super::whole::{add_view, exit};
use crate::cli::layout::SEED;
use crate::cli::{Exit, Failure, Format, remark, with_views};
use crate::diagnose::belief::Options;
use crate::diagnose::common::{self, Round};
use crate::diagnose::facts::{self, Effort, Made};
use crate::diagnose::perform::perform;
use crate::diagnose::{Conclusion, Diagnosis, Next};
use crate::event::hub::Hub;
use crate::event::{Diagnosed, EventKind};
use crate::plan::{Part, Plan};
use crate::sweep::SweepError;
use crate::track::Track;
use crate::track::as_built::AsBuilt;

/// Sweeps the simulated track and goes on until the reason is known of all that fails, or of the
/// drives of that turnout.
pub(super) fn run(
    args: &Args,
    whole: &Plan,
    only: Option<&str>,
    format: Format,
) -> Result<Exit, Failure> {
    // A fault is in one drive, whatever it belongs to.
    let plan = whole.apart();
    let mut only = only.map(|id| drives(&plan, id)).transpose()?;
    let as_built = match &args.reach.as_built {
        Some(path) => AsBuilt::load(path, whole)?.apart(whole),
        None => AsBuilt::default(),
    };
    let seed = args.reach.seed.or(as_built.seed).unwrap_or(SEED);
    let mut track = Track::new(&plan, &as_built, seed);
    let swept = common::sweep(&plan, &mut track);
    if let Some(drives) = &mut only {
        drives.retain(|it| swept.iter().any(|one| one.turnout == *it && one.fails()));
    }
    let options = Options {
        seed: args.reach.seed.unwrap_or(SEED),
        ..Options::default()
    };
    let mut hub = Hub::new();
    add_view(&mut hub, format, false);
    let mut round = Round::new(&plan, &swept);
    let mut ends = Exit::Clean;
    let next = |round: &Round<'_>| match &only {
        Some(drives) => drives.iter().copied().find(|it| round.open().contains(it)),
        None => round.next(),
    };
    if next(&round).is_none() {
        remark("a sweep sees nothing fail");
    }
    while let Some(target) = next(&round) {
        let (diagnosis, conclusion) = one(&plan, &round, target, &options, &mut track, &mut hub)?;
        if exit(&conclusion) == Exit::Found {
            ends = Exit::Found;
        }
        let explained = round.conclude(target, &conclusion, options.seed);
        let id = &plan.turnouts[target].id;
        let mut fact = facts::came(&plan, id, &diagnosis, &conclusion, (0, 0));
        if let Diagnosed::Diagnosis { explains, .. } = &mut fact {
            explains.extend(explained.iter().map(|it| plan.turnouts[*it].id.clone()));
        }
        say(&mut hub, &track, fact)?;
    }
    Ok(with_views(&hub, ends))
}

fn say(hub: &mut Hub<'_>, track: &Track, fact: Diagnosed) -> Result<(), Failure> {
    let at = Duration::from(track.now());
    let kept = hub.emit(at, EventKind::Diagnosis(fact));
    kept.map_err(|error| Failure::Run(SweepError::Sink(error)))
}

/// The diagnosis of one of them, test by test.
fn one(
    plan: &Plan,
    round: &Round<'_>,
    target: usize,
    options: &Options,
    track: &mut Track,
    hub: &mut Hub<'_>,
) -> Result<(Diagnosis, Conclusion), Failure> {
    let site = round.site(target);
    let mut diagnosis = round.diagnosis(target, options);
    let id = &plan.turnouts[target].id;
    let mut number = 0;
    loop {
        let test = match diagnosis.choose() {
            Next::Done(conclusion) => return Ok((diagnosis, conclusion)),
            Next::Test(test) => test,
        };
        number += 1;
        let asked = Diagnosed::DiagnosisTest {
            turnout: id.clone(),
            number,
            test: test.name().to_owned(),
            action: test.told_to_do(diagnosis.belief().site()),
            caution: test.caution().map(|it| it.code.to_owned()),
            by: facts::by(test),
            will_move: Vec::new(),
            beyond_plan: Vec::new(),
        };
        say(hub, track, asked)?;
        let answer = perform(&site, track, test);
        diagnosis.tell(test, answer);
        let (made, effort) = (Made::Answer(answer), Effort::default());
        let told = facts::answered(id, number, test, made, effort, Some(&diagnosis));
        say(hub, track, told)?;
    }
}

/// The drives of a turnout that can be thrown by themselves.
fn drives(plan: &Plan, id: &str) -> Result<Vec<usize>, Failure> {
    let mut drives = plan.drives_of(id);
    drives.retain(|it| {
        let part = plan.turnouts[*it].part.as_ref();
        part.is_none_or(Part::is_thrown_alone)
    });
    if drives.is_empty() {
        return Err(Failure::usage(
            format!("no drive of {id} can be thrown without another of its drives"),
            format!("`throwproof sweep --only {id}` says which of its drives fits what is seen"),
        ));
    }
    Ok(drives)
}
