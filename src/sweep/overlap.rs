//! Several throws at a time, for a witness that can tell them apart.
//!
//! Outputs are still active one at a time: a throw starts when the one before it has moved what
//! it moves. What overlaps is the rest: settling, and the recovery of the supplies, each of which
//! is kept as when throws are made one by one.
//!
//! Only what is plain counts. A turnout that is not proved this way, for whatever reason, is
//! left to be swept again alone, and then only that evidence counts.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::command::Command;
use super::prove::Judged;
use super::thrower::{Begun, Flight, Halt, Thrower};
use super::{Options, is_reserved, route};
use crate::event::{EventKind, Step, Subject};
use crate::plan::{Id, Plan, Turnout};
use crate::verdict::{Evidence, Verdict, judge};
use crate::witness::Answer;

/// One turnout on its way to a verdict.
struct Lane<'p> {
    turnout: &'p Turnout,
    subject: Subject,
    /// Throws still to make, and how long one takes.
    steps: VecDeque<(Step, Id)>,
    each: Duration,
    evidence: Vec<Evidence>,
    flight: Option<Flight>,
}

/// What can be swept several at a time, of what has no verdict yet.
pub(super) fn part<'p>(
    thrower: &Thrower<'_, '_>,
    turnouts: &[&'p Turnout],
    options: &Options,
) -> Vec<&'p Turnout> {
    let apart = |turnout: &&Turnout| {
        let subject = Subject::Turnout(turnout.id.clone());
        let reserved = is_reserved(thrower.plan, turnout.address);
        // One with several drives is thrown in several steps, which nothing may come between.
        turnout.joint.is_none()
            && thrower.so_far().verdict(&subject).is_none()
            && thrower.tells_apart(&subject, &route::id_of(turnout.rest))
            && (options.allow_reserved || !reserved)
    };
    let together: Vec<_> = turnouts.iter().copied().filter(apart).collect();
    // One turnout has nothing to overlap with.
    if together.len() < 2 {
        Vec::new()
    } else {
        together
    }
}

/// Sweeps turnouts, several at a time. Those that are not proved are left without a verdict.
pub(super) async fn sweep(
    thrower: &mut Thrower<'_, '_>,
    turnouts: &[&Turnout],
    options: &Options,
) -> Result<(), Halt> {
    let mut lanes = Vec::new();
    for turnout in turnouts {
        lanes.push(Lane::new(thrower.plan, turnout, options)?);
    }
    let mut clear = thrower.now();
    loop {
        let mut over = false;
        match turn(thrower, &mut lanes, &mut clear).await {
            Ok(more) => over = !more,
            // What was under way is broken off with it, and is left to be swept alone.
            Err(halt) => {
                thrower.recover(halt).await?;
                for lane in lanes.iter_mut().filter(|lane| lane.flight.is_some()) {
                    lane.give_up();
                }
            }
        }
        while let Some(index) = lanes.iter().position(Lane::is_over) {
            let lane = lanes.swap_remove(index);
            lane.conclude(thrower).await?;
        }
        if over {
            return Ok(());
        }
    }
}

/// Looks at what has settled and starts what may start, or else waits until there is something
/// to do; `false` when there is nothing left.
async fn turn(
    thrower: &mut Thrower<'_, '_>,
    lanes: &mut [Lane<'_>],
    clear: &mut Duration,
) -> Result<bool, Halt> {
    while let Some(index) = settled(lanes, thrower.now()) {
        lanes[index].look(thrower).await?;
    }
    let next = next_lane(thrower, lanes)?;
    let starts = next.map(|(_, ready)| ready.max(*clear));
    let due = lanes
        .iter()
        .filter_map(|lane| Some(lane.flight.as_ref()?.due))
        .min();
    match (next, starts, due) {
        (Some((index, _)), Some(starts), _) if starts <= thrower.now() => {
            if let Some(free) = lanes[index].begin(thrower).await? {
                *clear = free;
            }
        }
        (_, Some(starts), due) => {
            thrower
                .wait_until(due.map_or(starts, |due| due.min(starts)))
                .await?;
        }
        (_, None, Some(due)) => thrower.wait_until(due).await?,
        (_, None, None) => return Ok(false),
    }
    Ok(true)
}

/// A lane whose throw has settled.
fn settled(lanes: &[Lane<'_>], now: Duration) -> Option<usize> {
    lanes
        .iter()
        .position(|lane| lane.flight.as_ref().is_some_and(|flight| flight.due <= now))
}

/// The lane to throw next, and when its supply is ready: the soonest, and of those the one with
/// most still to do, so that none is left over at the end.
fn next_lane(
    thrower: &Thrower<'_, '_>,
    lanes: &[Lane<'_>],
) -> Result<Option<(usize, Duration)>, Halt> {
    let mut best: Option<(usize, Duration)> = None;
    let mut most = Duration::ZERO;
    let now = thrower.now();
    for (index, lane) in lanes.iter().enumerate() {
        let (None, Some((_, commanded))) = (&lane.flight, lane.steps.front()) else {
            continue;
        };
        let ready = thrower.supply_ready(&lane.subject, commanded)?.max(now);
        let left = lane.left();
        let better = match best {
            None => true,
            Some((_, soonest)) => ready < soonest || (ready == soonest && left > most),
        };
        if better {
            best = Some((index, ready));
            most = left;
        }
    }
    Ok(best)
}

impl<'p> Lane<'p> {
    fn new(plan: &Plan, turnout: &'p Turnout, options: &Options) -> Result<Self, Halt> {
        let subject = Subject::Turnout(turnout.id.clone());
        let command = Command::new(plan, &subject, &route::id_of(turnout.rest))?;
        Ok(Self {
            turnout,
            subject,
            steps: route::of_turnout(turnout, options.cycles.get()).into(),
            each: command.takes(),
            evidence: Vec::new(),
            flight: None,
        })
    }

    /// Time that its remaining throws take at the least.
    fn left(&self) -> Duration {
        self.each * u32::try_from(self.steps.len()).unwrap_or(u32::MAX)
    }

    fn is_over(&self) -> bool {
        self.flight.is_none() && self.steps.is_empty()
    }

    /// Begins its next throw; when another may start.
    async fn begin(&mut self, thrower: &mut Thrower<'_, '_>) -> Result<Option<Duration>, Halt> {
        let Some((step, commanded)) = self.steps.pop_front() else {
            return Ok(None);
        };
        match thrower.begin(&self.subject, step, &commanded).await {
            Ok(Begun::Flies(flight)) => {
                let clear = flight.clear;
                self.flight = Some(flight);
                Ok(Some(clear))
            }
            Ok(Begun::Refused(_)) => {
                self.give_up();
                Ok(None)
            }
            Err(halt) => {
                self.give_up();
                Err(halt)
            }
        }
    }

    /// Looks at its throw.
    async fn look(&mut self, thrower: &mut Thrower<'_, '_>) -> Result<(), Halt> {
        let Some(flight) = self.flight.take() else {
            return Ok(());
        };
        if let Answer::Seen(seen) = thrower.look(&flight).await? {
            thrower.say_seen(&flight, &seen).await?;
            let Flight {
                step, commanded, ..
            } = flight;
            let evidence = Evidence::new(thrower.plan, &self.subject, step, commanded, seen);
            self.evidence.push(evidence);
        } else {
            self.give_up();
        }
        Ok(())
    }

    /// Leaves the rest of its throws to be made alone.
    fn give_up(&mut self) {
        self.flight = None;
        self.steps.clear();
        self.evidence.clear();
    }

    /// Says its verdict if it is proved; else that it is left to be swept alone.
    async fn conclude(self, thrower: &mut Thrower<'_, '_>) -> Result<(), Halt> {
        if judge(&self.evidence) == Some(Verdict::Proved) {
            let judged = Judged::turnout(self.turnout, Verdict::Proved, String::new());
            return thrower.say(judged.event()).await;
        }
        let subject = self.subject;
        thrower.say(EventKind::SweptAgain { subject }).await
    }
}

/// The least time in which those turnouts can be swept, whoever plans the throws: the packets
/// follow each other on the rails, a turnout is thrown when it has settled, a supply when it has
/// recovered.
pub(super) fn lower_bound(
    plan: &Plan,
    turnouts: &[&Turnout],
    options: &Options,
) -> Result<Duration, Halt> {
    let mut on_rails = Duration::ZERO;
    let mut longest = Duration::ZERO;
    // For each supply: the recoveries, the shortest of them, and the shortest last throw.
    let mut supplies: BTreeMap<Option<usize>, (Duration, Duration, Duration)> = BTreeMap::new();
    for turnout in turnouts {
        let subject = Subject::Turnout(turnout.id.clone());
        let mut chain = Duration::ZERO;
        for (_, commanded) in route::of_turnout(turnout, options.cycles.get()) {
            let command = Command::new(plan, &subject, &commanded)?;
            on_rails += command.on_rails();
            chain += command.takes();
            if let Some(coils) = command.coils {
                let unknown = (Duration::ZERO, Duration::MAX, Duration::MAX);
                let (sum, shortest, last) = supplies.entry(coils.supply).or_insert(unknown);
                *sum += coils.recovery;
                *shortest = (*shortest).min(coils.recovery);
                *last = (*last).min(command.takes());
            }
        }
        longest = longest.max(chain);
    }
    // The last throw on a supply need not recover.
    let by_supply = supplies
        .values()
        .map(|(sum, least, last)| sum.saturating_sub(*least) + *last);
    Ok(by_supply
        .chain([on_rails, longest])
        .max()
        .unwrap_or_default())
}
