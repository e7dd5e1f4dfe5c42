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

use throwproof_protocol::address::{KeyedAddress, Position};

use crate::event::hub::{Hub, SinkError};
use crate::event::{EventKind, FORMAT, Step, StopReason, Subject};
use crate::link::{Link, LinkError};
use crate::plan::{Drive, Id, Plan, Signal, SignalKind, Turnout};
use crate::verdict::{Evidence, Verdict, judge};
use crate::witness::{Witness, WitnessError};

mod command;
mod once;
mod route;
pub mod stop;
mod thrower;

pub use command::CommandError;
pub use once::{Once, Outcome};
use stop::StopToken;
use thrower::{Ended, Halt, Thrower, Told, unwound};

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
}

impl Default for Options {
    fn default() -> Self {
        Self {
            only: Vec::new(),
            cycles: NonZeroU32::MIN,
            allow_reserved: false,
            seed: None,
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
    /// Who or what ended it before its end.
    pub stopped: Option<StopReason>,
}

/// Why a run failed.
#[derive(Debug, thiserror::Error)]
pub enum SweepError {
    /// The link failed.
    #[error(transparent)]
    Link(#[from] LinkError),
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
        let mut tally = Tally::default();
        let mut thrower = Thrower::new(plan, link, witness, hub, stop);
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
    };
    thrower.say(started)?;
    for turnout in turnouts {
        let finding = prove_turnout(thrower, turnout, options).await?;
        tally.take(thrower, finding)?;
    }
    for signal in signals {
        let finding = prove_signal(thrower, signal, options).await?;
        tally.take(thrower, finding)?;
    }
    Ok(())
}

/// A verdict on its way out.
struct Judged {
    subject: Subject,
    place: String,
    address: KeyedAddress,
    verdict: Verdict,
    detail: String,
}

impl Tally {
    /// Counts a verdict and says it.
    fn take(&mut self, thrower: &mut Thrower<'_, '_>, judged: Judged) -> Result<(), Halt> {
        let Judged {
            subject,
            place,
            address,
            verdict,
            detail,
        } = judged;
        match verdict {
            Verdict::Proved => self.proved += 1,
            Verdict::Skipped => self.skipped += 1,
            Verdict::Reversed
            | Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray => self.failed += 1,
        }
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
        } = *self;
        Summary {
            proved,
            failed,
            skipped,
            unreached: total - proved - failed - skipped,
            throws: thrower.throws(),
            elapsed: thrower.elapsed(),
            stopped: None,
        }
    }
}

impl Summary {
    fn event(&self) -> EventKind {
        EventKind::Summary {
            proved: self.proved,
            failed: self.failed,
            skipped: self.skipped,
            unreached: self.unreached,
            throws: self.throws,
            elapsed_us: u64::try_from(self.elapsed.as_micros()).unwrap_or(u64::MAX),
        }
    }
}

/// What came of the throws of one turnout or signal: evidence, or why there is none.
enum Tried {
    Evidence(Vec<Evidence>),
    LeftOut(String),
}

async fn prove_turnout(
    thrower: &mut Thrower<'_, '_>,
    turnout: &Turnout,
    options: &Options,
) -> Result<Judged, Halt> {
    let subject = Subject::Turnout(turnout.id.clone());
    let reserved = is_reserved(thrower.plan, turnout.address);
    let throws = route::of_turnout(turnout.rest, options.cycles.get());
    let mut tried = if reserved && !options.allow_reserved {
        Tried::LeftOut(reserved_reason(turnout.address))
    } else {
        try_throws(thrower, &subject, throws).await?
    };
    if let Tried::Evidence(evidence) = &mut tried
        && turnout.drive == Drive::TwinCoil
        && judge(evidence) == Some(Verdict::Still)
    {
        let left_out = try_by_hand(thrower, &subject, turnout.rest, evidence).await?;
        if let Some(reason) = left_out {
            tried = Tried::LeftOut(reason);
        }
    }
    Ok(judged(subject, &turnout.place, turnout.address, tried))
}

async fn prove_signal(
    thrower: &mut Thrower<'_, '_>,
    signal: &Signal,
    options: &Options,
) -> Result<Judged, Halt> {
    let subject = Subject::Signal(signal.id.clone());
    let tried = match signal_obstacle(thrower.plan, signal, options) {
        Some(reason) => Tried::LeftOut(reason),
        None => {
            let throws = route::of_signal(signal, options.cycles.get());
            try_throws(thrower, &subject, throws).await?
        }
    };
    Ok(judged(subject, &signal.place, signal.address, tried))
}

/// Why a signal must not be driven, or can't be.
fn signal_obstacle(plan: &Plan, signal: &Signal, options: &Options) -> Option<String> {
    for aspect in &signal.aspects {
        let address = match signal.kind {
            SignalKind::Extended => signal.address,
            SignalKind::Pairs => match command::pair_address(signal, aspect.value) {
                Some(address) => address,
                None => {
                    let error = CommandError::BeyondLastAddress {
                        subject: signal.id.clone(),
                        aspect: aspect.name.clone(),
                    };
                    return Some(error.to_string());
                }
            },
        };
        if is_reserved(plan, address) && !options.allow_reserved {
            return Some(reserved_reason(address));
        }
    }
    None
}

/// Does this address also mean "all decoders" or "stop"? Standards: S-9.2.1 (July 2012),
/// section D, basic broadcast; RCN-211 (second-hand), emergency stop.
pub fn is_reserved(plan: &Plan, address: KeyedAddress) -> bool {
    address.binary(plan.layout.numbering).is_broadcast()
}

fn reserved_reason(address: KeyedAddress) -> String {
    format!(
        "address {address} is also the broadcast to every decoder or the emergency stop; \
         --allow-reserved drives it all the same"
    )
}

/// Makes the throws one after another until one is not observed.
async fn try_throws(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    throws: impl IntoIterator<Item = (Step, Id)>,
) -> Result<Tried, Halt> {
    let mut evidence = Vec::new();
    for (step, commanded) in throws {
        match thrower.throw(subject, step, &commanded).await? {
            Told::Seen(seen) => {
                evidence.push(Evidence::new(thrower.plan, subject, step, commanded, seen))
            }
            Told::Skip => return Ok(Tried::LeftOut(skip_reason(&commanded))),
            Told::Refused(reason) => return Ok(Tried::LeftOut(refused_reason(&reason))),
        }
    }
    Ok(Tried::Evidence(evidence))
}

fn skip_reason(commanded: &Id) -> String {
    format!("skipped by the operator; last sent to {commanded}")
}

fn refused_reason(reason: &str) -> String {
    format!("the station refused it: {reason}")
}

/// Lays a turnout that no throw has moved by hand, on one side and then the other, and throws it
/// across; then sees to it that it lies at rest. Gives a reason if it is left out after all.
async fn try_by_hand(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    rest: Position,
    evidence: &mut Vec<Evidence>,
) -> Result<Option<String>, Halt> {
    let mut by_hand = false;
    let mut lies = None;
    for laid in [Position::Diverging, Position::Straight] {
        if !thrower.lay_by_hand(subject, laid).await? {
            break;
        }
        by_hand = true;
        lies = Some(laid);
        let across = (Step::AfterHand, route::id_of(laid.opposite()));
        if let Some(reason) = add_throw(thrower, subject, across, evidence).await? {
            return Ok(Some(reason));
        }
        if let Some(moved) = evidence.last().filter(|one| one.moved()) {
            lies = moved.position();
            let to_rest = (Step::Rest, route::id_of(rest));
            if lies != Some(rest) {
                if let Some(reason) = add_throw(thrower, subject, to_rest, evidence).await? {
                    return Ok(Some(reason));
                }
                lies = evidence.last().and_then(Evidence::position).or(lies);
            }
            break;
        }
    }
    if by_hand && lies != Some(rest) {
        thrower.lay_by_hand(subject, rest).await?;
    }
    Ok(None)
}

/// Makes one more throw and adds it to the evidence, or gives a reason to leave it out.
async fn add_throw(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    throw: (Step, Id),
    evidence: &mut Vec<Evidence>,
) -> Result<Option<String>, Halt> {
    match try_throws(thrower, subject, [throw]).await? {
        Tried::Evidence(more) => evidence.extend(more),
        Tried::LeftOut(reason) => return Ok(Some(reason)),
    }
    Ok(None)
}

fn judged(subject: Subject, place: &str, address: KeyedAddress, tried: Tried) -> Judged {
    let (verdict, detail) = match tried {
        Tried::LeftOut(reason) => (Verdict::Skipped, reason),
        Tried::Evidence(evidence) => match judge(&evidence) {
            Some(verdict) => (verdict, others(&evidence)),
            None => (Verdict::Skipped, "it has no aspects to show".to_owned()),
        },
    };
    Judged {
        subject,
        place: place.to_owned(),
        address,
        verdict,
        detail,
    }
}

/// Which others moved, each once, in the order they were first seen.
fn others(evidence: &[Evidence]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for id in evidence.iter().flat_map(|one| &one.seen.others) {
        if !names.contains(&id.as_str()) {
            names.push(id.as_str());
        }
    }
    names.join(", ")
}

#[cfg(test)]
mod tests;
