//! Finds everything that moves among addresses, for a layout without papers.

use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, PairBit};

use super::Hunter;
use crate::event::Hunted;
use crate::event::hunt::{Outcome, Thing};
use crate::sweep::thrower::Halt;
use crate::witness::hunt::Noticed;

/// So many addresses are thrown at first, as many as boards have outputs: what is there is mostly
/// there together.
const FIRST: usize = 8;

/// So often all that moved nothing is thrown once more, until nothing moves.
const ROUNDS: u32 = 3;

impl Hunter<'_, '_, '_> {
    pub(super) async fn map(&mut self) -> Result<(), Halt> {
        let among = self.asked.among.clone();
        for group in among.chunks(FIRST) {
            self.map_in(group, false).await?;
        }
        // What an answer has missed is found when all of it is thrown again.
        let mut is_quiet = false;
        for _ in 0..ROUNDS {
            let found = self.tally.found.borrow().clone();
            let mut rest = among.clone();
            rest.retain(|one| found.iter().all(|thing| thing.address != one.get()));
            is_quiet = rest.is_empty() || !self.moves(&rest).await?;
            if is_quiet {
                break;
            }
            for group in rest.chunks(FIRST) {
                self.map_in(group, false).await?;
            }
        }
        let is_empty = self.tally.found.borrow().is_empty();
        self.tally.outcome.set(Some(if !is_quiet {
            Outcome::Unclear
        } else if is_empty {
            Outcome::Nobody
        } else {
            Outcome::Proved
        }));
        if !is_quiet {
            self.tally.advise(
                "Something moved while all others were thrown together, and by none of them \
                 alone: it moves one way only, or an answer was wrong.",
            );
        }
        Ok(())
    }

    /// Finds what moves in a group; `is_known` says that something does. Whether something was
    /// found.
    async fn map_in(&mut self, group: &[KeyedAddress], is_known: bool) -> Result<bool, Halt> {
        if let [address] = group {
            return self.map_one(*address).await;
        }
        if !is_known && !self.moves(group).await? {
            return Ok(false);
        }
        let (first, second) = group.split_at(group.len() / 2);
        let in_first = Box::pin(self.map_in(first, false)).await?;
        // Something moved: if not in the first half, then in the second.
        let in_second = Box::pin(self.map_in(second, !in_first)).await?;
        Ok(in_first || in_second)
    }

    /// Whether anything moves when those are thrown. Who is not sure is shown more.
    async fn moves(&mut self, group: &[KeyedAddress]) -> Result<bool, Halt> {
        let answered = self.ask(group, None).await?;
        self.tell(&answered, None).await?;
        Ok(match answered.noticed {
            Noticed::Moved(_) | Noticed::Lies(_) | Noticed::NotSure => true,
            Noticed::Still | Noticed::Again | Noticed::Stop => false,
        })
    }

    /// Throws one alone, one way and the other.
    async fn map_one(&mut self, address: KeyedAddress) -> Result<bool, Halt> {
        let mut seen = Vec::new();
        for way in [PairBit::Zero, PairBit::One] {
            let answered = self.ask(&[address], Some(way)).await?;
            self.tell(&answered, None).await?;
            match answered.noticed {
                Noticed::Lies(position) => seen.push(position),
                Noticed::Moved(_) | Noticed::NotSure => {}
                Noticed::Still | Noticed::Again | Noticed::Stop => return Ok(false),
            }
        }
        let zero = match seen[..] {
            [zero, one] if zero != one => Some(zero),
            _ => None,
        };
        let thing = self.thing_at(address, zero);
        if zero.is_none() {
            self.tally.advise(format!(
                "Address {address} moves something, and it was not seen to lie both ways."
            ));
        }
        self.keep(thing).await?;
        Ok(true)
    }

    async fn keep(&mut self, thing: Thing) -> Result<(), Halt> {
        self.tally.found.borrow_mut().push(thing.clone());
        self.say(Hunted::HuntFound { thing }).await
    }

    /// How many questions and how long it takes: if nothing moves, and if everything does.
    pub(super) fn map_forecast(&self) -> (u32, Duration, Duration) {
        let among = &self.asked.among;
        let answer = self.answer();
        let groups = among.chunks(FIRST);
        let once: Duration = groups
            .map(|group| self.pace.estimate(group, 2) + answer)
            .sum();
        let again = self.pace.estimate(among, 2) + answer;
        let all = u32::try_from(among.len()).unwrap_or(u32::MAX);
        // Each alone, two ways and one before, and as many groups of two or more at the most.
        let each = among.first().map_or(Duration::ZERO, |one| {
            (self.pace.estimate(&[*one], 3) + answer * 2)
                + (self.pace.estimate(&[*one], 2) + answer)
        });
        (
            all.saturating_mul(3).saturating_add(1),
            once + again,
            once + each * all,
        )
    }
}
