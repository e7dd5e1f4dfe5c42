//! Carries a hunt out: throws, asks, tells.

use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::among::runs;
use super::forecast::Forecast;
use super::pace::{Pace, SETTLE};
use super::search::Search;
use super::{Asked, Goal, Outcome, Thing};
use crate::event::hub::Hub;
use crate::event::hunt::Bystander;
use crate::event::{EventKind, Hunted, StopReason};
use crate::link::{Link, Taken};
use crate::plan::{Id, Plan};
use crate::sweep::SweepError;
use crate::sweep::stop::StopToken;
use crate::sweep::thrower::{self, Extent, Halt, Thrower, unwound};
use crate::witness::Witness;
use crate::witness::hunt::{Inquiry, Noticed};

mod find;
mod map;
pub(super) mod numbering;
mod one_way;

/// What a person needs to look up, think and press a key; estimated.
const TO_ANSWER: Duration = Duration::from_secs(5);

/// A hunt.
#[expect(
    missing_debug_implementations,
    reason = "it borrows a link and a witness"
)]
pub struct Hunt<'a, 'h> {
    /// What should be there.
    pub plan: &'a Plan,
    /// How packets leave the computer.
    pub link: &'a mut dyn Link,
    /// Who says what moved.
    pub witness: &'a mut dyn Witness,
    /// Where events go.
    pub hub: &'a mut Hub<'h>,
    /// How the run is asked to end.
    pub stop: StopToken,
    /// What is asked for.
    pub asked: Asked,
}

/// How it ended, if no error ended it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// At its end.
    With(Came),
    /// Before it.
    Stopped(StopReason),
}

/// What came of a hunt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Came {
    /// In a word.
    pub outcome: Outcome,
    /// What was found.
    pub things: Vec<Thing>,
    /// How the station numbers, where that was looked for: each way that fits what was seen.
    pub numberings: Vec<String>,
}

/// What a hunt has come to.
#[derive(Debug, Default)]
struct Tally {
    questions: Cell<u32>,
    throws: Cell<u64>,
    outcome: Cell<Option<Outcome>>,
    found: RefCell<Vec<Thing>>,
    numberings: RefCell<Vec<String>>,
    advice: RefCell<Vec<String>>,
}

impl Hunt<'_, '_> {
    /// Carries it out.
    ///
    /// # Errors
    /// When the link, an essential sink or the witness fails. Outputs are released all the same.
    ///
    /// # Panics
    /// When the link, the witness or a sink does; after the releases.
    pub async fn run(self) -> Result<Ended, SweepError> {
        let Self {
            plan,
            link,
            witness,
            hub,
            stop,
            mut asked,
        } = self;
        keep_what_can_be_sent(plan, link, &mut asked)?;
        let thrower = Thrower::new(plan, link, witness, hub, stop);
        let mut thrower = thrower.waiting_for_link(asked.about.reconnect);
        let tally = Tally::default();
        let mut hunter = Hunter {
            pace: Pace::new(plan, asked.quick),
            thrower: &mut thrower,
            plan,
            asked: &asked,
            tally: &tally,
            target: asked.target.clone(),
            left: BTreeSet::new(),
        };
        let outcome = unwound(hunter.go()).await;
        let ended = thrower.end(outcome, |thrower| {
            let elapsed_us = u64::try_from(thrower.lasted().as_micros()).unwrap_or(u64::MAX);
            Some(EventKind::Hunt(Hunted::HuntDone {
                goal: asked.goal,
                outcome: tally.outcome(),
                found: tally.found.borrow().clone(),
                numberings: tally.numberings.borrow().clone(),
                questions: tally.questions.get(),
                throws: tally.throws.get(),
                elapsed_us,
                advice: tally.advice.borrow().clone(),
            }))
        });
        Ok(match ended.await? {
            thrower::Ended::Done(()) => Ended::With(Came {
                outcome: tally.outcome(),
                things: tally.found.take(),
                numberings: tally.numberings.take(),
            }),
            thrower::Ended::Stopped(reason) => Ended::Stopped(reason),
        })
    }
}

impl Tally {
    fn outcome(&self) -> Outcome {
        self.outcome.get().unwrap_or(Outcome::BrokenOff)
    }

    fn advise(&self, line: impl Into<String>) {
        self.advice.borrow_mut().push(line.into());
    }
}

/// Leaves out what the link can never carry, and says so; refuses if nothing is left.
fn keep_what_can_be_sent(
    plan: &Plan,
    link: &dyn Link,
    asked: &mut Asked,
) -> Result<(), SweepError> {
    let mut refused = None;
    let before = asked.among.len();
    asked.among.retain(|address| {
        let packet = packet(plan, *address, PairBit::One, true);
        let can = link.can_carry(&packet);
        refused = can.err().or(refused.take());
        link.can_carry(&packet).is_ok()
    });
    let Some(source) = refused else { return Ok(()) };
    if asked.among.is_empty() {
        let ids = asked.target.iter().cloned().collect();
        return Err(SweepError::CannotCarry { ids, source });
    }
    asked.notes.push(format!(
        "{} addresses are left out: {}",
        before - asked.among.len(),
        source.reason
    ));
    Ok(())
}

/// The packet that switches one half of an address on or off.
fn packet(plan: &Plan, address: KeyedAddress, pair_bit: PairBit, activate: bool) -> Packet {
    let command = BasicAccessory {
        address: address.binary(plan.layout.numbering),
        pair_bit,
        activate,
    };
    command.emit()
}

/// The position that a half commands in the standard's sense.
const fn standard(pair_bit: PairBit) -> Position {
    match pair_bit {
        PairBit::One => Position::Straight,
        PairBit::Zero => Position::Diverging,
    }
}

/// A question that has its answer.
struct Answered {
    inquiry: Inquiry,
    noticed: Noticed,
    /// What was really thrown, in ascending order: a station may refuse some.
    thrown: Vec<KeyedAddress>,
    /// When each command went out.
    shots: Vec<(KeyedAddress, Duration)>,
    took: Duration,
    /// When the last of it was over, and whether that was because the answer came.
    ended: Duration,
    is_early: bool,
}

impl Answered {
    /// What was thrown at most that long before that time, in ascending order.
    fn thrown_before(&self, time: Duration, at_most: Duration) -> Vec<KeyedAddress> {
        let earliest = time.saturating_sub(at_most);
        let shots = self.shots.iter();
        let near = shots.filter(|(_, begun)| (earliest..=time).contains(begun));
        let mut near: Vec<_> = near.map(|(address, _)| *address).collect();
        near.sort_unstable();
        near.dedup();
        near
    }
}

/// A hunt that is carried out.
struct Hunter<'r, 'a, 'h> {
    thrower: &'r mut Thrower<'a, 'h>,
    plan: &'a Plan,
    asked: &'r Asked,
    pace: Pace<'a>,
    tally: &'r Tally,
    /// What is watched now, where the plan has it.
    target: Option<Id>,
    /// Addresses that were thrown one way and not back, as an answer came early.
    left: BTreeSet<KeyedAddress>,
}

impl Hunter<'_, '_, '_> {
    async fn go(&mut self) -> Result<(), Halt> {
        self.begin().await?;
        match self.asked.goal {
            Goal::Address => self.find().await?,
            Goal::Numbering => self.numbering().await?,
            Goal::All => self.map().await?,
        }
        self.leave().await
    }

    /// Throws back what was thrown one way only, where the plan has it.
    async fn leave(&mut self) -> Result<(), Halt> {
        let is_planned = |address: &&KeyedAddress| {
            let mut turnouts = self.plan.turnouts.iter();
            turnouts.any(|one| one.address == **address)
        };
        let back: Vec<_> = self.left.iter().filter(is_planned).copied().collect();
        if !back.is_empty() {
            self.way(&back, PairBit::One, &mut Vec::new()).await?;
        }
        Ok(())
    }

    async fn say(&mut self, hunted: Hunted) -> Result<(), Halt> {
        self.thrower.say(EventKind::Hunt(hunted)).await
    }

    async fn begin(&mut self) -> Result<(), Halt> {
        let about = &self.asked.about;
        self.thrower.begin_run(about, Extent::NO_SWEEP).await?;
        let among = &self.asked.among;
        let (at_most, about, longest) = self.forecast();
        self.say(Hunted::HuntStarted {
            goal: self.asked.goal,
            thing: self.thing(),
            addresses: count(among.len()),
            runs: runs(among),
            will_move: bystanders(self.plan, among),
            at_most,
            about_s: about.as_secs(),
            longest_s: longest.as_secs(),
            notes: self.asked.notes.clone(),
        })
        .await
    }

    fn forecast(&self) -> (u32, Duration, Duration) {
        match self.asked.goal {
            Goal::Address => self.find_forecast(),
            Goal::Numbering => self.numbering_forecast(),
            Goal::All => self.map_forecast(),
        }
    }

    /// Each alone there and back, and what moves two ways more.
    fn numbering_forecast(&self) -> (u32, Duration, Duration) {
        let answer = self.answer();
        let among = self.asked.among.iter();
        let longest = among
            .map(|one| self.pace.estimate(&[*one], 2) + answer)
            .sum::<Duration>();
        let proofs = self.asked.known.len();
        let proofs = u32::try_from(proofs).unwrap_or(u32::MAX);
        let proof = self.asked.among.first();
        let proof = proof.map_or(Duration::ZERO, |one| {
            self.pace.estimate(&[*one], 3) + answer * 2
        });
        let most = u32::from(count(self.asked.among.len())) + 2 * proofs;
        // Mostly the first is the one.
        let first = self.asked.among.first();
        let first = first.map_or(Duration::ZERO, |one| {
            self.pace.estimate(&[*one], 2) + answer
        });
        (most, (first + proof) * proofs, longest + proof * proofs)
    }

    /// What an answer takes.
    fn answer(&self) -> Duration {
        if self.thrower.is_person() {
            TO_ANSWER
        } else {
            Duration::ZERO
        }
    }

    fn find_forecast(&self) -> (u32, Duration, Duration) {
        let answer = self.answer();
        let search = Search::new(self.asked.likely(self.plan), self.asked.doubt);
        let Forecast {
            at_most,
            about,
            longest,
        } = Forecast::of(&search, &self.pace, answer);
        (at_most, about, longest)
    }

    /// What is watched, in words.
    fn thing(&self) -> String {
        let target = self.target.as_ref();
        let target = target.and_then(|id| self.plan.turnout(id.as_str()));
        match target {
            None if self.asked.goal == Goal::All => "anything".to_owned(),
            None => "it".to_owned(),
            Some(turnout) if turnout.place.is_empty() => turnout.id.to_string(),
            Some(turnout) => format!("{} ({})", turnout.id, turnout.place),
        }
    }

    /// Throws those and has it said what moved; one alone one way. What the link or the layout
    /// breaks off, and what nobody looked at, is thrown again.
    async fn ask(
        &mut self,
        group: &[KeyedAddress],
        alone: Option<PairBit>,
    ) -> Result<Answered, Halt> {
        self.tally.questions.set(self.tally.questions.get() + 1);
        let inquiry = Inquiry {
            number: self.tally.questions.get(),
            thing: self.thing(),
            target: self.target.clone(),
            addresses: count(group.len()),
            runs: runs(group),
            sent: alone.map(standard),
        };
        loop {
            match self.thrown(&inquiry, group, alone).await {
                Ok(answered) if answered.noticed == Noticed::Again => {
                    self.tell(&answered, None).await?;
                }
                Ok(answered) => return Ok(answered),
                Err(halt) => self.thrower.recover(halt).await?,
            }
        }
    }

    async fn thrown(
        &mut self,
        inquiry: &Inquiry,
        group: &[KeyedAddress],
        alone: Option<PairBit>,
    ) -> Result<Answered, Halt> {
        let ways: &[PairBit] = match alone {
            Some(PairBit::Zero) => &[PairBit::Zero],
            Some(PairBit::One) => &[PairBit::One],
            None => &[PairBit::Zero, PairBit::One],
        };
        let planned = bystanders(self.plan, group);
        let takes = self.pace.estimate(group, count(ways.len()).into());
        self.say(Hunted::HuntThrows {
            question: inquiry.number,
            addresses: inquiry.addresses,
            runs: inquiry.runs.clone(),
            sent: inquiry.sent.map(|position| Id::new(position.as_str())),
            will_move: planned.into_iter().map(|one| one.id).collect(),
            about_s: takes.as_secs(),
        })
        .await?;
        let mut shots = Vec::new();
        if alone == Some(PairBit::Zero) {
            // It may lie there already: it is to be seen to move.
            self.way(group, PairBit::One, &mut Vec::new()).await?;
        }
        self.thrower.glance(inquiry).await?;
        let begun = self.thrower.clock();
        let mut is_early = false;
        for way in ways {
            is_early = self.way(group, *way, &mut shots).await?;
            if is_early {
                break;
            }
            self.thrower.glance(inquiry).await?;
        }
        let ended = self.thrower.clock();
        let took = ended.saturating_sub(begun);
        let mut thrown: Vec<_> = shots.iter().map(|(address, _)| *address).collect();
        thrown.sort_unstable();
        thrown.dedup();
        Ok(Answered {
            inquiry: inquiry.clone(),
            noticed: self.thrower.noticed(inquiry).await?,
            thrown,
            shots,
            took,
            ended,
            is_early,
        })
    }

    /// Throws all of a group one way, one after another, and lets them settle. Ends with `true` as
    /// soon as the witness has its answer, between two throws.
    async fn way(
        &mut self,
        group: &[KeyedAddress],
        pair_bit: PairBit,
        shots: &mut Vec<(KeyedAddress, Duration)>,
    ) -> Result<bool, Halt> {
        let mut waiting = Pace::ordered(group);
        while let Some((address, at)) = self.pace.take(&mut waiting, self.thrower.clock()) {
            let wait = at.saturating_sub(self.thrower.clock());
            if self.thrower.rest_unless_noticed(wait).await? {
                return Ok(true);
            }
            let begun = self.thrower.clock();
            let on = packet(self.plan, address, pair_bit, true);
            let off = packet(self.plan, address, pair_bit, false);
            self.tally.throws.set(self.tally.throws.get() + 1);
            if let Taken::Refused(reason) = self.thrower.put(&on).await? {
                tracing::info!(%address, reason, "the station refused it");
                continue;
            }
            self.thrower.rest(self.pace.hold(address)).await?;
            self.thrower.put(&off).await?;
            shots.push((address, begun));
            match pair_bit {
                PairBit::Zero => self.left.insert(address),
                PairBit::One => self.left.remove(&address),
            };
        }
        self.thrower.rest_unless_noticed(SETTLE).await
    }

    /// Says what was answered, and what the search makes of it.
    async fn tell(&mut self, answered: &Answered, search: Option<&Search>) -> Result<(), Halt> {
        let Answered {
            inquiry,
            noticed,
            shots,
            took,
            ..
        } = answered;
        let leader = search.and_then(Search::leader);
        self.say(Hunted::HuntAnswer {
            question: inquiry.number,
            addresses: inquiry.addresses,
            runs: inquiry.runs.clone(),
            sent: inquiry.sent.map(|position| Id::new(position.as_str())),
            throws: u32::try_from(shots.len()).unwrap_or(u32::MAX),
            took_us: u64::try_from(took.as_micros()).unwrap_or(u64::MAX),
            answer: noticed.code().to_owned(),
            left: count(search.map_or(0, Search::left)),
            leader: leader.map(|(address, _)| address.get()),
            likely_percent: leader.map_or(0, |(_, likely)| percent(likely)),
        })
        .await
    }
}

/// What the plan has at those addresses.
fn bystanders(plan: &Plan, addresses: &[KeyedAddress]) -> Vec<Bystander> {
    let turnouts = plan.turnouts.iter();
    let turnouts = turnouts.map(|one| (&one.id, &one.place, one.address));
    let signals = plan.signals.iter();
    let signals = signals.map(|one| (&one.id, &one.place, one.address));
    let here = turnouts
        .chain(signals)
        .filter(|(.., address)| addresses.binary_search(address).is_ok());
    here.map(|(id, place, address)| Bystander {
        id: id.clone(),
        place: place.clone(),
        address: address.get(),
    })
    .collect()
}

fn count(number: usize) -> u16 {
    u16::try_from(number).unwrap_or(u16::MAX)
}

/// Rounded down, so that what is not certain never looks so.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and 100"
)]
fn percent(share: f64) -> u8 {
    (share * 100.0).floor().clamp(0.0, 100.0) as u8
}
