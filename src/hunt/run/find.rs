//! Finds the address of one thing.

use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};

use super::one_way::OneWay;
use super::{Answered, Hunter};
use crate::event::Hunted;
use crate::event::hunt::{Outcome, Thing};
use crate::hunt::among::runs;
use crate::hunt::search::{Next, Search};
use crate::sweep::thrower::Halt;
use crate::witness::hunt::Noticed;

/// What moved was thrown at most so long before: a stall motor needs 1 to 4 s for its full travel
/// (common practice, no source).
const LATEST: Duration = Duration::from_secs(4);

/// Who says that it moved as soon as it does saw it move at most so long before: a second or two
/// to be sure and to find the button, after what a motor takes to be seen to move; common
/// practice, no source.
const AT_ONCE: Duration = Duration::from_secs(6);

impl Hunter<'_, '_, '_> {
    pub(super) async fn find(&mut self) -> Result<(), Halt> {
        let mut search = Search::new(self.asked.likely(self.plan), self.asked.doubt);
        let mut one_way = OneWay::default();
        while self.tally.questions.get() < self.asked.most {
            self.lay_back_before(&mut one_way).await?;
            match search.next() {
                Next::Nobody => {
                    if self.moves_after_all(&mut search, &mut one_way).await? {
                        continue;
                    }
                    self.nobody();
                    return Ok(());
                }
                Next::Ask(group) => {
                    let answered = self.ask(&group, None).await?;
                    learn(&mut search, &answered);
                    self.tell(&answered, Some(&search)).await?;
                    self.suspect(&mut search, &mut one_way, &answered).await?;
                }
                Next::Prove(address) if one_way.is_known() => {
                    let proved = self.prove_one_way(&mut search, &mut one_way, address);
                    if let Some(thing) = proved.await? {
                        return self.found(thing, Outcome::OneWay).await;
                    }
                }
                Next::Prove(address) => {
                    let proved = self.prove(&mut search, &mut one_way, address);
                    if let Some((thing, outcome)) = proved.await? {
                        return self.found(thing, outcome).await;
                    }
                }
            }
        }
        self.tally.outcome.set(Some(Outcome::Unclear));
        let most = self.asked.most;
        self.tally.advise(format!(
            "{most} questions did not lead to one address: answers contradict each other. Is it \
             just one thing that you watch, and does nobody else throw turnouts?"
        ));
        self.tally.advise(ONE_WAY);
        Ok(())
    }

    /// Throws one alone, one way and the other; what it is if that moved the thing both ways.
    async fn prove(
        &mut self,
        search: &mut Search,
        one_way: &mut OneWay,
        address: KeyedAddress,
    ) -> Result<Option<(Thing, Outcome)>, Halt> {
        let alone = [address];
        let there = self.ask(&alone, Some(PairBit::Zero)).await?;
        let zero = lies(&there);
        if there.noticed != Noticed::NotSure {
            search.answered(&alone, zero.is_some());
        }
        self.tell(&there, Some(search)).await?;
        let Some(zero) = zero else {
            self.suspect(search, one_way, &there).await?;
            return Ok(None);
        };
        let fits_all = search.is_proved(address);
        for is_last in [false, true] {
            let back = self.ask(&alone, Some(PairBit::One)).await?;
            let returned = lies(&back).is_some_and(|one| one != zero);
            if returned || is_last && back.noticed != Noticed::NotSure {
                search.returned(address, returned);
            }
            self.tell(&back, Some(search)).await?;
            if returned {
                let is_proved = search.is_proved(address);
                return Ok(is_proved.then(|| (self.thing_at(address, Some(zero)), Outcome::Proved)));
            }
            if is_last && fits_all && back.noticed == Noticed::Still {
                return Ok(Some((self.thing_at(address, None), Outcome::OneWay)));
            }
        }
        Ok(None)
    }

    /// What that address moves; `zero` is how it lay after the half for bit 0 was sent.
    pub(super) fn thing_at(&self, address: KeyedAddress, zero: Option<Position>) -> Thing {
        let turnouts = self.plan.turnouts.iter();
        let here = turnouts.filter(|one| one.address == address);
        Thing {
            address: address.get(),
            binary_address: address.binary(self.plan.layout.numbering).get(),
            // 1 is the standard's sense.
            straight_output: zero.map(|zero| match zero {
                Position::Diverging => 1,
                Position::Straight => 0,
            }),
            planned: here.map(|one| one.id.clone()).collect(),
        }
    }

    async fn found(&mut self, thing: Thing, outcome: Outcome) -> Result<(), Halt> {
        self.tally.outcome.set(Some(outcome));
        self.advise_on(&thing, outcome);
        self.tally.found.borrow_mut().push(thing.clone());
        self.say(Hunted::HuntFound { thing }).await
    }

    fn advise_on(&self, thing: &Thing, outcome: Outcome) {
        let address = thing.address;
        if outcome == Outcome::OneWay {
            self.tally.advise(format!(
                "Address {address} moved it one way and not back: look at the other coil, its \
                 lead and its end-off contact."
            ));
        }
        let target = self.asked.target.as_ref();
        let target = target.and_then(|id| self.plan.turnout(id.as_str()));
        if let Some(target) = target {
            let (id, planned) = (&target.id, target.address.get());
            if planned == address {
                self.tally.advise(format!("{id} is where the plan has it."));
            } else {
                let off = i32::from(address) - i32::from(planned);
                self.tally.advise(format!(
                    "{id} is planned at address {planned} and answers to {address}, {off:+}: teach \
                     its decoder anew, or correct the plan."
                ));
                if off.abs() == 4 {
                    self.tally.advise(
                        "Just four off: the station may count boards from another number than the \
                         decoder. `throwproof hunt --numbering` tells.",
                    );
                }
            }
        } else if thing.planned.is_empty() {
            let straight = thing.straight_output.unwrap_or(1);
            self.tally.advise(format!(
                "Nothing of the plan has it. To put it there: `address = {address}` and \
                 `straight_output = {straight}`."
            ));
        }
        let straight = self.plan.turnouts.iter().find(|one| {
            one.address.get() == address && target.is_none_or(|target| target.id == one.id)
        });
        if let Some((turnout, seen)) = straight.zip(thing.straight_output) {
            let planned = match turnout.straight_bit {
                PairBit::One => 1,
                PairBit::Zero => 0,
            };
            if planned != seen {
                self.tally.advise(format!(
                    "{} lies the other way than the plan has it: exchange its leads, or write \
                     `straight_output = {seen}`.",
                    turnout.id
                ));
            }
        }
    }

    fn nobody(&self) {
        self.tally.outcome.set(Some(Outcome::Nobody));
        let among = runs(&self.asked.among);
        self.tally.advise(format!(
            "None of these addresses moves it: {among}. It may have one that was left out, no \
             feed, or a dead output."
        ));
        self.tally.advise(ONE_WAY);
    }
}

const ONE_WAY: &str = "If it moved once and never again, it moves one way only: lay it back by \
                       hand before each question.";

/// How it lies, if it moved.
fn lies(answered: &Answered) -> Option<Position> {
    match answered.noticed {
        Noticed::Lies(position) => Some(position),
        Noticed::Moved(_) | Noticed::Still | Noticed::NotSure | Noticed::Again | Noticed::Stop => {
            None
        }
    }
}

/// Takes an answer in.
pub(super) fn learn(search: &mut Search, answered: &Answered) {
    let thrown = &answered.thrown;
    match answered.noticed {
        Noticed::Moved(Some(at)) => {
            let near = answered.thrown_before(at, LATEST);
            search.answered(if near.is_empty() { thrown } else { &near }, true);
        }
        Noticed::Moved(None) if answered.is_early => {
            let near = answered.thrown_before(answered.ended, AT_ONCE);
            search.pressed(if near.is_empty() { thrown } else { &near }, thrown);
        }
        Noticed::Moved(None) | Noticed::Lies(_) => search.answered(thrown, true),
        Noticed::Still => search.answered(thrown, false),
        Noticed::NotSure | Noticed::Again | Noticed::Stop => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::witness::hunt::Inquiry;

    fn address(number: u16) -> KeyedAddress {
        KeyedAddress::new(number).unwrap()
    }

    /// A hundred addresses, a quarter of a second each, of which that many were thrown.
    fn moved(count: u16, is_early: bool) -> Answered {
        let each = Duration::from_millis(250);
        let shots = (1..=count).map(|number| (address(number), each * u32::from(number)));
        Answered {
            inquiry: Inquiry {
                number: 1,
                thing: "it".to_owned(),
                target: None,
                addresses: 100,
                runs: "1-100".to_owned(),
                sent: None,
            },
            noticed: Noticed::Moved(None),
            thrown: (1..=count).map(address).collect(),
            shots: shots.collect(),
            took: each * u32::from(count),
            ended: each * u32::from(count),
            is_early,
        }
    }

    #[test]
    fn what_moved_was_thrown_shortly_before_it_was_said() {
        let all = || (1..=200).map(|number| (address(number), 1.0));
        let mut search = Search::new(all(), 0.05);
        learn(&mut search, &moved(80, true));
        // 6 s at 4 a second, and the one that began then.
        let Next::Ask(group) = search.next() else {
            panic!("it asks on");
        };
        assert!(
            group.iter().all(|it| (56..=80).contains(&it.get())),
            "{group:?}"
        );
        // Said in the end, it may be any that was thrown.
        let mut search = Search::new(all(), 0.05);
        learn(&mut search, &moved(100, false));
        let Next::Ask(group) = search.next() else {
            panic!("it asks on");
        };
        assert_eq!(group.len(), 50);
    }
}
