//! How a run begins, whatever it does.

use std::time::Duration;

use super::{Halt, Thrower};
use crate::event::{EventKind, FORMAT};

/// What is known of a run before it begins, whatever it does.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct About {
    /// The seed of the simulated track, where there is one.
    pub seed: Option<u64>,
    /// Who tests, if they gave a name.
    pub tester: String,
    /// SHA-256 of the plan file, hexadecimal; empty for a plan that is no file.
    pub fingerprint: String,
    /// How long a lost link, or a record that can't be written, is waited for.
    pub reconnect: Duration,
}

/// How much a run has before it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Extent {
    pub(crate) turnouts: usize,
    pub(crate) signals: usize,
    pub(crate) cycles: u32,
    /// The run of the record that this one carries on.
    pub(crate) continues: Option<i64>,
}

impl Extent {
    /// Of a run that sweeps nothing.
    pub(crate) const NO_SWEEP: Self = Self {
        turnouts: 0,
        signals: 0,
        cycles: 1,
        continues: None,
    };
}

impl Thrower<'_, '_> {
    /// Says that the run begins: the first event of every run.
    pub(crate) async fn begin_run(&mut self, about: &About, extent: Extent) -> Result<(), Halt> {
        let started = EventKind::RunStarted {
            format: FORMAT,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            layout: self.plan.layout.name.clone(),
            plan: self.plan.source.display().to_string(),
            link: self.link_name(),
            witness: self.witness_name().to_owned(),
            seed: about.seed,
            turnouts: extent.turnouts,
            signals: extent.signals,
            cycles: extent.cycles,
            tester: about.tester.clone(),
            fingerprint: about.fingerprint.clone(),
            continues: extent.continues,
        };
        self.say(started).await
    }
}
