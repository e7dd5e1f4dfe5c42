//! Since when a turnout is as it is.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use crate::event::Subject;
use crate::plan::{Id, Plan};
use crate::record::{RunLog, cases, taught};

/// Since when a turnout is as it is.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Changed {
    /// The last run with which it was another.
    run: i64,
    /// When something of it was last mended.
    mended: Option<Timestamp>,
}

impl Changed {
    /// Whether what was seen then was seen before.
    pub(super) fn is_after(self, at: Timestamp, run: i64) -> bool {
        run <= self.run || self.mended.is_some_and(|mended| at <= mended)
    }
}

/// Since when each turnout is as it is: the plan had it otherwise before, or something was sent to
/// give its decoder an address, or somebody mended what a diagnosis had found.
pub(super) fn changes(
    plan: &Plan,
    marks: &BTreeMap<Subject, String>,
    runs: &[&RunLog],
) -> BTreeMap<usize, Changed> {
    let mut changes: BTreeMap<usize, Changed> = BTreeMap::new();
    for run in runs {
        let lesson = taught::of(run).filter(|lesson| lesson.sent.is_some());
        let decoders: BTreeSet<&Id> = lesson.iter().map(|lesson| &lesson.decoder).collect();
        let cases = cases::of(std::slice::from_ref(*run));
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let subject = Subject::Turnout(turnout.id.clone());
            let decoder = turnout.output.map(|output| &plan.decoders[output.decoder]);
            let is_taught = decoder.is_some_and(|decoder| decoders.contains(&decoder.id));
            if is_taught || run.marks.get(&subject) != marks.get(&subject) {
                changes.entry(index).or_default().run = run.info.id;
            }
            for case in &cases {
                let mended = case.mended.as_ref().filter(|mended| {
                    case.is_about(&turnout.id) || mended.proves.contains(&turnout.id)
                });
                if let Some(mended) = mended {
                    changes.entry(index).or_default().mended = Some(mended.at);
                }
            }
        }
    }
    changes
}
