//! A layout as it may be, on which tests are tried.

use super::belief::seed_of;
use super::perform::{perform, swept};
use super::sight::{Answer, Other};
use super::site::{Site, can_be_thrown};
use super::test::Test;
use crate::plan::Id;
use crate::track::Track;
use crate::track::as_built::AsBuilt;

/// A site that is built in one way. It is put together once; whatever is tried begins there.
#[derive(Debug)]
pub(super) struct Layout {
    /// How it is built.
    pub(super) built: AsBuilt,
    /// Decides what chance does there.
    pub(super) seed: u64,
    /// Whether chance decides what is heard, so that the next time may be another.
    pub(super) by_chance: bool,
    track: Track,
}

impl Layout {
    /// A site as built.
    pub(super) fn new(site: &Site, built: AsBuilt, seed: u64) -> Self {
        let mut track = Track::new(&site.plan, &built, seed);
        for turnout in exchanged(site, &built) {
            swept(site, &mut track, turnout);
        }
        Self {
            track,
            by_chance: is_by_chance(&built),
            built,
            seed,
        }
    }

    /// What a sweep shows of the turnout of that index of the site.
    pub(super) fn sweep(&self, site: &Site, turnout: usize) -> Answer {
        let mut track = self.track.clone();
        let (motion, others) = swept(site, &mut track, turnout);
        Answer::Motion(motion, Other::of(&site.plan, turnout, others))
    }

    /// What a test shows when it is made for so manieth time; after the decoder was given its
    /// address anew, if it is `retaught`.
    pub(super) fn make(&self, site: &Site, (test, times): (Test, u32), retaught: bool) -> Answer {
        let mut track = self.track.clone();
        track.stir(seed_of(self.seed, test.name(), times));
        if retaught {
            perform(site, &mut track, Test::Reteach);
        }
        perform(site, &mut track, test)
    }
}

/// Turnouts whose leads are on each other's outputs. A sweep has been there already: what stays
/// on after a throw is on now, and may be at a drive that bears it badly.
fn exchanged(site: &Site, built: &AsBuilt) -> Vec<usize> {
    let index = |id: &Id| site.plan.turnouts.iter().position(|it| it.id == *id);
    let pairs = built
        .turnouts
        .iter()
        .filter_map(|(id, it)| Some([index(id)?, index(it.exchanged_with.as_ref()?)?]));
    let thrown = |it: &usize| can_be_thrown(&site.plan.turnouts[*it]);
    pairs.flatten().filter(thrown).collect()
}

/// Packets that get lost, or a moment sooner or later at a decoder that is deaf for a while.
fn is_by_chance(built: &AsBuilt) -> bool {
    let losses = built.decoders.values().map(|it| it.packet_loss);
    let some = |loss: Option<f64>| loss.is_some_and(|it| it > 0.0 && it < 1.0);
    losses.chain([built.rails.packet_loss]).any(some)
        || built.decoders.values().any(|it| it.busy_ms > Some(0))
}
