//! Reports of fixed runs, and of runs with nasty words in them.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use throwproof::event::Event;
use throwproof::plan::{Id, Look, Plan};
use throwproof::record::{Logged, RunInfo, RunKind, RunLog, cases, fingerprint, marks};
use throwproof::report::{Basis, Nature, PlanSource, Report};

pub(crate) const PLAN: &str = include_str!("../../fixtures/report/plan.toml");
pub(crate) const RUNS: &str = include_str!("../../fixtures/report/runs.json");

#[derive(Deserialize)]
struct Kept {
    run: i64,
    started: Timestamp,
    complete: bool,
    rehearsal: bool,
    #[serde(default)]
    diagnosis: bool,
    link: String,
    witness: String,
    tester: String,
    only: Vec<Id>,
    continues: Option<i64>,
    events: Vec<Event>,
}

/// The plan, with acceptance lists.
pub(crate) fn plan(text: &str) -> Plan {
    let mut plan = Plan::from_text("plan.toml", text).expect("a sound plan");
    for turnout in plan.turnouts.iter_mut().take(2) {
        turnout.accept = vec![Look::BladesTight, Look::FrogPolarity];
    }
    plan
}

/// The runs, all made with that plan.
pub(crate) fn runs(text: &str, plan: &Plan) -> Vec<RunLog> {
    let kept: Vec<Kept> = serde_json::from_str(text).expect("runs");
    let logs = kept.into_iter().map(|kept| {
        let events = kept.events.into_iter().map(|event| {
            let after = SignedDuration::from_micros(event.at_us.try_into().expect("short"));
            let at = kept.started.checked_add(after).expect("in range");
            Logged { at, event }
        });
        let events: Vec<_> = events.collect();
        RunLog {
            info: RunInfo {
                id: kept.run,
                started: kept.started,
                ended: events.last().expect("events").at,
                is_complete: kept.complete,
                version: "0.1.0".to_owned(),
                layout: plan.layout.name.clone(),
                plan: "plan.toml".to_owned(),
                fingerprint: fingerprint(PLAN.as_bytes()),
                link: kept.link,
                kind: if kept.diagnosis {
                    RunKind::Diagnose
                } else {
                    RunKind::Sweep
                },
                is_rehearsal: kept.rehearsal,
                witness: kept.witness,
                tester: kept.tester,
                cycles: 1,
                only: kept.only,
                continues: kept.continues,
            },
            plan_text: PLAN.to_owned(),
            marks: marks(plan),
            events,
        }
    });
    logs.collect()
}

/// The runs on the layout, or the rehearsals.
pub(crate) fn of_nature(runs: Vec<RunLog>, nature: Nature) -> Vec<RunLog> {
    let wanted = nature == Nature::Rehearsal;
    let runs = runs.into_iter();
    runs.filter(|log| log.info.is_rehearsal == wanted).collect()
}

/// The report of those runs.
pub(crate) fn report(runs: &[RunLog], plan: &Plan, nature: Nature) -> Report {
    let (diagnoses, runs): (Vec<_>, Vec<_>) = runs
        .iter()
        .cloned()
        .partition(|run| run.info.kind == RunKind::Diagnose);
    Report::of(&Basis {
        runs: &runs,
        nature,
        plan,
        plan_text: PLAN,
        source: PlanSource::File,
        cases: &cases::of(&diagnoses),
        marks: Some(&marks(plan)),
        zone: &TimeZone::UTC,
    })
}

/// The report of the fixed runs.
pub(crate) fn fixed(nature: Nature) -> Report {
    let plan = plan(PLAN);
    let runs = of_nature(runs(RUNS, &plan), nature);
    report(&runs, &plan, nature)
}
