//! What a run that sweeps has seen, as evidence for a diagnosis.

use crate::diagnose::known;
use crate::diagnose::run::Evidence;
use crate::event::Subject;
use crate::plan::{Id, Plan};
use crate::sweep::SoFar;
use crate::verdict::Verdict;

/// What a run has seen that came to its end.
#[derive(Debug, Clone)]
pub(in crate::cli) struct Seen(pub(in crate::cli) SoFar);

impl Seen {
    /// The turnouts with one drive that were not proved, as the plan has them.
    pub(in crate::cli) fn failing(&self, plan: &Plan) -> Vec<Id> {
        let turnouts = plan.turnouts.iter().filter(|one| one.joint.is_none());
        let failing = turnouts.filter(|one| self.verdict(&one.id).is_some_and(Verdict::is_failure));
        failing.map(|one| one.id.clone()).collect()
    }

    /// What became of that turnout.
    pub(in crate::cli) fn verdict(&self, id: &Id) -> Option<Verdict> {
        self.0.verdict(&Subject::Turnout(id.clone()))
    }

    /// All of it as evidence.
    pub(in crate::cli) fn evidence(&self, plan: &Plan, from: &str) -> Vec<Evidence> {
        let turnouts = 0..plan.turnouts.len();
        let swept = turnouts.filter_map(|turnout| known::seen_in(&self.0, plan, turnout));
        let each = swept.map(|swept| Evidence {
            swept,
            from: from.to_owned(),
        });
        each.collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::diagnose::sight::Motion;
    use crate::event::EventKind;

    const PLAN: &str = "[layout]\nname = \"Kestrel Bay\"\n\n[[turnout]]\nid = \"Q1\"\nshape = \"left\"\naddress = 1\n\n[[turnout]]\n\
                        id = \"Q2\"\nshape = \"left\"\naddress = 2\n";

    #[test]
    fn what_is_taken_back_is_no_evidence_and_neither_is_what_came_after_it() {
        let plan = Plan::from_text("plan.toml", PLAN).unwrap();
        let seen = |throw: u64, commanded: &str, observed: &str| {
            json!({"event": "observation", "turnout": "Q1", "throw": throw, "step": "visit",
                   "commanded": commanded, "observed": observed})
        };
        let verdict = json!({"event": "verdict", "turnout": "Q1", "verdict": "still",
                             "place": "", "address": 1, "detail": ""});
        let told = [
            seen(1, "diverging", "no-movement"),
            seen(2, "straight", "no-movement"),
            verdict,
            json!({"event": "withdrawn", "turnout": "Q1", "throw": 1}),
            seen(3, "diverging", "diverging"),
            seen(4, "straight", "no-movement"),
        ];
        let events = told.iter().map(|one| {
            let kind: EventKind = serde_json::from_value(one.clone()).unwrap();
            crate::event::Event {
                seq: 1,
                at_us: 0,
                kind,
            }
        });
        let events: Vec<_> = events.collect();
        let mut so_far = SoFar::default();
        so_far.take_run(&plan, &|_| true, &events[..3]);
        let before = Seen(so_far.clone());
        assert_eq!(before.failing(&plan), [Id::new("Q1")]);
        assert_eq!(before.evidence(&plan, "now")[0].swept.motion, Motion::Still);
        so_far.take_run(&plan, &|_| true, &events[3..]);
        let after = Seen(so_far);
        assert!(after.failing(&plan).is_empty());
        let evidence = after.evidence(&plan, "now");
        assert_eq!(evidence.len(), 1);
        assert_eq!(evidence[0].from, "now");
        assert_eq!(evidence[0].swept.motion, Motion::OnlyDiverging);
    }
}
