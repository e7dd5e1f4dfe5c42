//! Throws every turnout to every position, shows every aspect of every signal, and has each
//! throw observed.
//!
//! A turnout is *primed* first: thrown to the position it is left in. Then it *visits* the other
//! position and comes back, so that each visit has to be seen to move and the turnout ends where
//! it belongs. When no throw was seen to move a twin-coil drive, the witness is asked to lay it
//! by hand: a drive that moves one way only, and already lay there, is told from one that is
//! dead.
//!
//! The engine prints nothing and reads no clock but the link's. Whatever ends a run, every
//! output that it activated is released, see [`crate::link::guard`].

use std::num::NonZeroU32;
use std::time::Duration;

use throwproof_protocol::address::KeyedAddress;

use crate::event::hub::{Hub, SinkError};
use crate::event::{EventKind, FORMAT, StopReason, Subject};
use crate::link::{CannotCarry, Link, LinkError};
use crate::plan::{Id, Plan, Signal, Turnout};
use crate::verdict::Verdict;
use crate::witness::{Witness, WitnessError};

mod carries;
mod command;
mod once;
mod overlap;
mod prove;
mod route;
mod so_far;
pub mod stop;
mod thrower;

pub use command::CommandError;
pub use once::{Once, Outcome};
use prove::Judged;
pub use so_far::SoFar;
use stop::StopToken;
use thrower::{Ended, Halt, Thrower, unwound};

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
    /// The seed of the simulated track, for the first event.
    pub seed: Option<u64>,
    /// How long a lost link is waited for.
    pub reconnect: Duration,
    /// What is known from the runs that this one carries on.
    pub so_far: SoFar,
    /// Who tests, if they gave a name.
    pub tester: String,
    /// SHA-256 of the plan file, hexadecimal; empty for a plan that is no file.
    pub fingerprint: String,
    /// The run of the record that this one carries on.
    pub continues: Option<i64>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            only: Vec::new(),
            cycles: NonZeroU32::MIN,
            allow_reserved: false,
            seed: None,
            reconnect: RECONNECT,
            so_far: SoFar::default(),
            tester: String::new(),
            fingerprint: String::new(),
            continues: None,
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
    /// How many throws were made.
    pub throws: u64,
    /// Time on the link's clock.
    pub elapsed: Duration,
    /// Time that throws made several at a time took, and the least that they could take by
    /// packet time, travel, settling and the supplies' recovery.
    pub together: Option<(Duration, Duration)>,
    /// Who or what ended it before its end.
    pub stopped: Option<StopReason>,
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

/// What counts up while a run goes on.
#[derive(Debug, Default)]
struct Tally {
    proved: usize,
    failed: usize,
    skipped: usize,
    /// Time that throws made together took, and the least that they could take.
    together: Option<Duration>,
    bound: Option<Duration>,
}

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
        let chosen = |id: &Id| options.only.is_empty() || options.only.contains(id);
        let turnouts: Vec<_> = plan.turnouts.iter().filter(|one| chosen(&one.id)).collect();
        let signals: Vec<_> = plan.signals.iter().filter(|one| chosen(&one.id)).collect();
        carries::check(plan, link, &turnouts, &signals, &options)?;
        let mut tally = Tally::default();
        let asked = turnouts.iter().map(|one| Subject::Turnout(one.id.clone()));
        let signs = signals.iter().map(|one| Subject::Signal(one.id.clone()));
        for subject in asked.chain(signs) {
            options
                .so_far
                .verdict(&subject)
                .into_iter()
                .for_each(|verdict| tally.count(verdict));
        }
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(options.reconnect);
        let body = sweep_all(&mut thrower, &mut tally, &turnouts, &signals, &options);
        let outcome = unwound(body).await;

        let mut summary = Summary::default();
        let ended = thrower.end(outcome, |thrower| {
            summary = tally.summary(turnouts.len() + signals.len(), thrower);
            Some(summary.event())
        });
        summary.stopped = match ended.await? {
            Ended::Done(()) => None,
            Ended::Stopped(reason) => Some(reason),
        };
        Ok(summary)
    }
}

async fn sweep_all(
    thrower: &mut Thrower<'_, '_>,
    tally: &mut Tally,
    turnouts: &[&Turnout],
    signals: &[&Signal],
    options: &Options,
) -> Result<(), Halt> {
    let started = EventKind::RunStarted {
        format: FORMAT,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        layout: thrower.plan.layout.name.clone(),
        plan: thrower.plan.source.display().to_string(),
        link: thrower.link_name(),
        witness: thrower.witness_name().to_owned(),
        seed: options.seed,
        turnouts: turnouts.len(),
        signals: signals.len(),
        cycles: options.cycles.get(),
        tester: options.tester.clone(),
        fingerprint: options.fingerprint.clone(),
        continues: options.continues,
    };
    thrower.say(started)?;
    let is_open = |subject: &Subject| options.so_far.verdict(subject).is_none();
    let open: Vec<&Turnout> = turnouts
        .iter()
        .copied()
        .filter(|one| is_open(&Subject::Turnout(one.id.clone())))
        .collect();
    let turnouts = &open[..];
    let (together, alone) = overlap::part(thrower, turnouts, options);
    let mut again = Vec::new();
    if !together.is_empty() {
        tally.bound = Some(overlap::lower_bound(thrower.plan, &together, options)?);
        let began = thrower.now();
        again = overlap::sweep(thrower, tally, &together, options).await?;
        tally.together = Some(thrower.now().saturating_sub(began));
    }
    // In the order of the plan.
    let left = |turnout: &&&Turnout| {
        let is_it = |other: &&Turnout| other.id == turnout.id;
        alone.iter().any(is_it) || again.iter().any(is_it)
    };
    for turnout in turnouts.iter().filter(left) {
        let finding = prove::turnout(thrower, turnout, options).await?;
        tally.take(thrower, finding)?;
    }
    let open = |one: &&&Signal| is_open(&Subject::Signal(one.id.clone()));
    for signal in signals.iter().filter(open) {
        let finding = prove::signal(thrower, signal, options).await?;
        tally.take(thrower, finding)?;
    }
    Ok(())
}

impl Tally {
    fn count(&mut self, verdict: Verdict) {
        match verdict {
            Verdict::Proved => self.proved += 1,
            Verdict::Skipped => self.skipped += 1,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => self.failed += 1,
        }
    }

    /// Counts a verdict and says it.
    fn take(&mut self, thrower: &mut Thrower<'_, '_>, judged: Judged) -> Result<(), Halt> {
        let Judged {
            subject,
            place,
            address,
            verdict,
            detail,
        } = judged;
        self.count(verdict);
        let address = address.get();
        thrower.say(EventKind::Verdict {
            subject,
            verdict,
            place,
            address,
            detail,
        })?;
        Ok(())
    }

    fn summary(&self, total: usize, thrower: &Thrower<'_, '_>) -> Summary {
        let Self {
            proved,
            failed,
            skipped,
            together,
            bound,
        } = *self;
        Summary {
            proved,
            failed,
            skipped,
            unreached: total - proved - failed - skipped,
            throws: thrower.throws(),
            elapsed: thrower.elapsed(),
            together: together.zip(bound),
            stopped: None,
        }
    }
}

impl Summary {
    fn event(&self) -> EventKind {
        let micros = |time: Duration| u64::try_from(time.as_micros()).unwrap_or(u64::MAX);
        EventKind::Summary {
            together_us: self.together.map(|(took, _)| micros(took)),
            bound_us: self.together.map(|(_, bound)| micros(bound)),
            accepted: None,
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
