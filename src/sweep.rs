//! Throws every turnout to every position, shows every aspect of every signal, and has each
//! throw observed.
//!
//! A turnout is *primed* first: thrown to the position it is left in. Then it *visits* the other
//! position and comes back, so that each visit has to be seen to move and the turnout ends where
//! it belongs. When no throw was seen to move a twin-coil drive, the witness is asked to lay it
//! by hand: a drive that moves one way only, and already lay there, is told from one that is
//! dead.
//!
//! What is next is always worked out from what the run has come to, [`so_far`], which is a fold
//! over its events: so a run that is carried on tomorrow, or in which an answer is taken back,
//! does what it would have done had it been there all along.
//!
//! The engine prints nothing and reads no clock but the link's. Whatever ends a run, every
//! output that it activated is released, see [`crate::link::guard`].

use std::collections::BTreeSet;
use std::num::NonZeroU32;
use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;

use crate::event::hub::{Hub, SinkError};
use crate::event::{EventKind, StopReason, Subject};
use crate::link::{CannotCarry, Link, LinkError};
use crate::plan::{Id, Plan, Signal, Turnout};
use crate::verdict::Verdict;
use crate::witness::{Witness, WitnessError};

mod carries;
mod carry_on;
pub(crate) mod command;
mod once;
mod overlap;
mod place;
mod prove;
mod route;
mod run;
pub mod so_far;
pub mod stop;
pub(crate) mod thrower;
pub mod together;

pub use command::CommandError;
pub(crate) use command::{hold, recovery};
pub use once::{Once, Outcome, Repeat};
use place::Place;
use run::{Item, Run};
pub use so_far::SoFar;
use stop::StopToken;
pub use thrower::About;
use thrower::{Ended, Extent, Halt, Thrower, unwound};

/// How long a lost link is waited for, unless asked otherwise: time to find a plug and put it
/// back.
pub const RECONNECT: Duration = Duration::from_secs(60);

/// What a run is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// The turnouts and signals to sweep; empty for all of the plan.
    pub only: Vec<Id>,
    /// How often each position is visited.
    pub cycles: NonZeroU32,
    /// Whether to drive the addresses that also are broadcast and emergency stop.
    pub allow_reserved: bool,
    /// What earlier parts of the run came to, if it is carried on.
    pub so_far: SoFar,
    /// What else is known of the run before it begins.
    pub about: About,
    /// The run of the record that this one carries on, for the first event.
    pub continues: Option<i64>,
    /// Whether all turnouts of a place are looked at together, where the witness can.
    pub by_place: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            only: Vec::new(),
            cycles: NonZeroU32::MIN,
            allow_reserved: false,
            so_far: SoFar::default(),
            about: About {
                reconnect: RECONNECT,
                ..About::default()
            },
            continues: None,
            by_place: false,
        }
    }
}

/// What a run came to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// How many turnouts and signals were proved.
    pub proved: usize,
    /// How many were not.
    pub failed: usize,
    /// How many were skipped.
    pub skipped: usize,
    /// How many were not reached.
    pub unreached: usize,
    /// How many throws were made, not counting those of earlier parts.
    pub throws: u64,
    /// Time on the link's clock.
    pub elapsed: Duration,
    /// Time that throws made several at a time took, and the least that they could take by
    /// packet time, travel, settling and the supplies' recovery.
    pub together: Option<(Duration, Duration)>,
    /// Where the plan has acceptance lists: how many of the turnouts with one have passed it.
    pub accepted: Option<usize>,
    /// Who or what ended it before its end.
    pub stopped: Option<StopReason>,
    /// What became of each turnout and signal, earlier parts of the run included.
    pub so_far: SoFar,
}

/// Why a run failed.
#[derive(Debug, thiserror::Error)]
pub enum SweepError {
    /// The link failed.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The link can't carry what the plan needs; nothing was sent.
    #[error("{source}; {} needs it", needing(ids))]
    CannotCarry {
        /// The turnouts and signals that need such packets.
        ids: Vec<Id>,
        /// The first packet, and why not.
        source: CannotCarry,
    },
    /// The witness can't answer.
    #[error(transparent)]
    Witness(#[from] WitnessError),
    /// What must be kept could not be kept.
    #[error(transparent)]
    Sink(#[from] SinkError),
    /// Something can't be commanded as the plan has it.
    #[error(transparent)]
    Command(#[from] CommandError),
}

/// `Q1`, or `Q1 (and 5 more)`.
fn needing(ids: &[Id]) -> String {
    match ids {
        [] => "the plan".to_owned(),
        [one] => one.to_string(),
        [first, rest @ ..] => format!("{first} (and {} more)", rest.len()),
    }
}

/// A run over the whole plan.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness, which need not be"
)]
pub struct Sweep<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who says what was seen.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// What is asked for.
    pub options: Options,
}

/// Time that throws made together took, and the least that they could take.
type Together = Option<(Duration, Duration)>;

impl Sweep<'_, '_> {
    /// Sweeps the plan.
    ///
    /// A run that is asked to stop, or whose terminal goes away, is no error: its summary says
    /// so.
    ///
    /// # Errors
    /// When the link, an essential sink or the witness fails. Active outputs are released all
    /// the same, as far as the link still carries anything.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Summary, SweepError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            options,
        } = self;
        let mut options = options;
        let chosen = |id: &Id| options.only.is_empty() || options.only.contains(id);
        let turnouts: Vec<_> = plan.turnouts.iter().filter(|one| chosen(&one.id)).collect();
        let signals: Vec<_> = plan.signals.iter().filter(|one| chosen(&one.id)).collect();
        carries::check(plan, link, &turnouts, &signals, &options)?;
        let mut so_far = std::mem::take(&mut options.so_far);
        let swept: BTreeSet<_> = turnouts
            .iter()
            .map(|one| Subject::Turnout(one.id.clone()))
            .chain(signals.iter().map(|one| Subject::Signal(one.id.clone())))
            .collect();
        so_far.retain(&|subject| swept.contains(subject));
        let mut together = None;
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower
            .waiting_for_link(options.about.reconnect)
            .restricting()
            .carrying_on(so_far);
        let body = sweep_all(&mut thrower, &mut together, &turnouts, &signals, &options);
        let outcome = unwound(body).await;

        let mut summary = Summary::default();
        let ended = thrower.end(outcome, |thrower| {
            let total = turnouts.len() + signals.len();
            summary = Summary::of(thrower, total, together);
            let has_list = turnouts.iter().any(|one| !one.accept.is_empty());
            summary.accepted = has_list.then(|| thrower.so_far().accepted());
            Some(summary.event())
        });
        summary.stopped = match ended.await? {
            Ended::Done(()) => None,
            Ended::Stopped(reason) => Some(reason),
        };
        Ok(summary)
    }
}

async fn sweep_all<'p>(
    thrower: &mut Thrower<'p, '_>,
    took: &mut Together,
    turnouts: &[&'p Turnout],
    signals: &[&'p Signal],
    options: &Options,
) -> Result<(), Halt> {
    let extent = Extent {
        turnouts: turnouts.len(),
        signals: signals.len(),
        cycles: options.cycles.get(),
        continues: options.continues,
    };
    thrower.begin_run(&options.about, extent).await?;
    let items = agenda(thrower, turnouts, signals, options);
    let together = overlap::part(thrower, turnouts, options);
    let subjects = together.iter();
    let subjects: Vec<_> = subjects
        .map(|one| Subject::Turnout(one.id.clone()))
        .collect();
    let places: Vec<_> = items.iter().filter_map(Item::place).collect();
    let cycles = options.cycles.get();
    let stale = carry_on::carry_on(thrower, &places, &subjects, cycles).await?;
    if !together.is_empty() {
        let bound = overlap::lower_bound(thrower.plan, &together, options)?;
        let began = thrower.now();
        overlap::sweep(thrower, &together, options).await?;
        *took = Some((thrower.now().saturating_sub(began), bound));
    }
    Run::new(thrower, options, items, stale).go().await
}

/// What there is to do, in order: as the plan has it, or place after place. Looks at a place that
/// are not those that it needs are forgotten.
fn agenda<'p>(
    thrower: &mut Thrower<'p, '_>,
    turnouts: &[&'p Turnout],
    signals: &[&'p Signal],
    options: &Options,
) -> Vec<Item<'p>> {
    let plan = thrower.plan;
    let by_place = options.by_place && thrower.can_survey();
    let mut items = Vec::new();
    let mut names: Vec<&str> = Vec::new();
    let of_turnouts = turnouts.iter().map(|one| one.place.as_str());
    for name in of_turnouts.chain(signals.iter().map(|one| one.place.as_str())) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    for name in &names {
        let place = by_place.then(|| Place::new(plan, name, turnouts, options));
        let place = place.flatten().filter(|place| {
            place.are_its(thrower.so_far().rounds(name)) && place.is_whole(thrower)
        });
        if place.is_none() {
            thrower.so_far_mut().drop_rounds(name);
        }
        if by_place {
            items.extend(place.map(Item::Place));
            let here = turnouts.iter().filter(|one| one.place == *name);
            items.extend(here.clone().map(|one| Item::Turnout(one)));
            let signals = signals.iter().filter(|one| one.place == *name);
            items.extend(signals.map(|one| Item::Signal(one)));
            items.extend(here.map(|one| Item::Looks(one)));
        }
    }
    if !by_place {
        let each = turnouts.iter();
        items.extend(each.flat_map(|one| [Item::Turnout(one), Item::Looks(one)]));
        items.extend(signals.iter().map(|one| Item::Signal(one)));
    }
    items
}

impl Summary {
    fn of(thrower: &Thrower<'_, '_>, total: usize, together: Together) -> Self {
        let so_far = thrower.so_far();
        let proved = so_far.count_verdicts(|verdict| verdict == Verdict::Proved);
        let failed = so_far.count_verdicts(Verdict::is_failure);
        let skipped = so_far.count_verdicts(|verdict| verdict == Verdict::Skipped);
        Self {
            proved,
            failed,
            skipped,
            unreached: total.saturating_sub(proved + failed + skipped),
            throws: thrower.throws(),
            elapsed: thrower.elapsed(),
            together,
            accepted: None,
            stopped: None,
            so_far: so_far.clone(),
        }
    }

    fn event(&self) -> EventKind {
        let micros = |time: Duration| u64::try_from(time.as_micros()).unwrap_or(u64::MAX);
        EventKind::Summary {
            together_us: self.together.map(|(took, _)| micros(took)),
            bound_us: self.together.map(|(_, bound)| micros(bound)),
            accepted: self.accepted,
            proved: self.proved,
            failed: self.failed,
            skipped: self.skipped,
            unreached: self.unreached,
            throws: self.throws,
            elapsed_us: micros(self.elapsed),
        }
    }
}

/// Does this address also mean "all decoders" or "stop"? Standards: S-9.2.1 (July 2012),
/// section D, basic broadcast; RCN-211 (second-hand), emergency stop.
pub fn is_reserved(plan: &Plan, address: KeyedAddress) -> bool {
    address.binary(plan.layout.numbering).is_broadcast()
}

#[cfg(test)]
mod tests;
