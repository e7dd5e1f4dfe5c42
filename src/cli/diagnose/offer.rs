//! What a sweep offers at its end: to find out why something fails.

use super::{At, Seen, Setting};
use crate::cli::options::Reach;
use crate::cli::{Failure, remark};
use crate::diagnose::run::words;
use crate::plan::{Id, Plan};
use crate::witness::diagnosis::{Query, Stage, Told};

/// No more than these are offered; the rest are as good as any to begin with another time.
const OFFERED: usize = 12;

/// Where that is from which the sweep has seen.
const FROM: &str = "this sweep";

impl Setting<'_> {
    /// Finds out why one of those fails that the operator names, if they want to.
    pub(in crate::cli) async fn look_into(
        &self,
        at: &mut At<'_>,
        seen: &Seen,
        failing: &[Id],
    ) -> Result<(), Failure> {
        let plan = &self.kept.plan;
        let Some(first) = failing.first() else {
            return Ok(());
        };
        let told = self.inquire(at, &query(plan, first, failing)).await?;
        let Told::Chosen(chosen) = told else {
            return Ok(());
        };
        let choice = chosen.first();
        let target = choice.and_then(|choice| offered(failing).get(*choice));
        let target = target.and_then(|id| plan.turnouts.iter().position(|one| one.id == *id));
        if let Some(target) = target {
            let known = seen.evidence(plan, FROM);
            self.diagnose(at, Some(target), known).await?;
        }
        Ok(())
    }
}

fn offered(failing: &[Id]) -> &[Id] {
    failing.get(..OFFERED).unwrap_or(failing)
}

fn query(plan: &Plan, first: &Id, failing: &[Id]) -> Query {
    let ids: Vec<_> = failing.iter().map(Id::as_str).collect();
    let all = offered(failing).iter();
    let choices = all.map(|id| format!("find out why {id} fails"));
    let choices: Vec<_> = choices.chain(["no, that is all".to_owned()]).collect();
    let choices: Vec<&str> = choices.iter().map(String::as_str).collect();
    let turnout = plan.turnout(first.as_str());
    Query {
        number: 0,
        stage: Stage::Which,
        turnout: first.clone(),
        place: turnout.map_or_else(String::new, |it| it.place.clone()),
        test: String::new(),
        text: format!("Not proved: {}.", ids.join(", ")),
        mind: String::new(),
        amiss: String::new(),
        parts: vec![words::part(
            "Find out why, in a handful of tests?",
            &choices,
        )],
        repeats: false,
    }
}

/// Says by which command it is found out why one of those fails.
pub(in crate::cli) fn tell_how(plan: &Plan, reach: &Reach, failing: &[Id]) {
    let Some(first) = failing.first() else {
        return;
    };
    let mut command = format!("throwproof diagnose {} {first}", plan.source.display());
    if let Some(path) = &reach.as_built {
        command = format!("{command} --as-built {}", path.display());
    }
    if let Some(link) = &reach.link.typed() {
        command = format!("{command} --link {link}");
    }
    remark(&format!("why does {first} fail? `{command}` finds out"));
}
