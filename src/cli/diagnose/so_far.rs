//! What goes on from one failing turnout to the next.

use crate::cli::Exit;
use crate::diagnose::Swept;
use crate::diagnose::common::Round;
use crate::diagnose::run::{Beyond, Evidence};
use crate::plan::{Id, Plan};

/// What goes on from one failing turnout to the next.
pub(super) struct SoFar<'p> {
    pub(super) round: Round<'p>,
    pub(super) known: Vec<Evidence>,
    pub(super) beyond: Beyond,
    pub(super) exit: Exit,
    /// Those that were diagnosed, each with what its cause explains.
    pub(super) closed: Vec<(usize, Vec<usize>)>,
}

impl<'p> SoFar<'p> {
    pub(super) fn ends(&mut self, exit: Exit) {
        if self.exit == Exit::Clean {
            self.exit = exit;
        }
    }

    pub(super) fn closes(&mut self, target: usize, explains: &[usize]) {
        self.round.close(target, explains);
        self.closed.push((target, explains.to_vec()));
    }

    /// What was seen to move beside it.
    pub(super) fn seen_beside(&self, target: usize) -> Vec<Id> {
        let own = self.known.iter().filter(|one| one.swept.turnout == target);
        own.flat_map(|one| one.swept.others.clone()).collect()
    }

    /// What a proof has shown counts instead of what was known before of those.
    pub(super) fn learns(&mut self, plan: &'p Plan, of: &[usize], shown: Vec<Evidence>) {
        self.known.retain(|one| !of.contains(&one.swept.turnout));
        self.known.extend(shown);
        self.closed.retain(|(target, _)| !of.contains(target));
        self.round = Round::new(plan, &swept(&self.known));
        for (target, explains) in &self.closed {
            self.round.close(*target, explains);
        }
    }
}

pub(super) fn swept(known: &[Evidence]) -> Vec<Swept> {
    known.iter().map(|one| one.swept.clone()).collect()
}
