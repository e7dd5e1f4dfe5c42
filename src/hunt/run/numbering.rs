//! Finds how the station numbers, from turnouts whose decoders are known.

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, PairBit};

use super::Hunter;
use crate::event::hunt::Outcome;
use crate::plan::{Id, Plan, Turnout};
use crate::sweep::thrower::Halt;
use crate::witness::hunt::Noticed;

/// So many turnouts are thrown, each of another decoder: one alone can't tell a station that
/// counts otherwise from a decoder that is set otherwise.
const KNOWN: usize = 3;

/// So often one is thrown for somebody who is not sure.
const PATIENCE: u32 = 3;

/// What a station may send for the number of a turnout.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Reading {
    /// What this program sends that as.
    address: KeyedAddress,
    /// The numberings that make it so; none where it is four higher than any.
    fits: Vec<Numbering>,
}

/// The turnouts that tell how a station numbers: each of another decoder, and one where linear and
/// non-linear differ, if there is one.
pub fn telling(plan: &Plan) -> Vec<Id> {
    let mut known: Vec<&Turnout> = Vec::new();
    let can_tell = |one: &&Turnout| one.joint.is_none();
    let differs = |one: &&Turnout| {
        let binary = |numbering| one.address.binary(numbering);
        binary(Numbering::Linear) != binary(Numbering::NonLinear)
    };
    let turnouts = plan.turnouts.iter().filter(can_tell);
    known.extend(turnouts.clone().find(differs));
    for turnout in turnouts {
        let board = |one: &Turnout| one.output.map(|output| output.decoder);
        let is_new = known.iter().all(|other| {
            other.id != turnout.id && (board(other) != board(turnout) || board(turnout).is_none())
        });
        if known.len() < KNOWN && is_new {
            known.push(turnout);
        }
    }
    known.into_iter().map(|one| one.id.clone()).collect()
}

/// The addresses that are thrown to tell it by those turnouts, in ascending order.
pub fn thrown_for(plan: &Plan, known: &[Id]) -> Vec<KeyedAddress> {
    let known = known.iter().filter_map(|id| plan.turnout(id.as_str()));
    let readings = known.flat_map(|turnout| readings(plan, turnout));
    let mut addresses: Vec<_> = readings.map(|reading| reading.address).collect();
    addresses.sort_unstable();
    addresses.dedup();
    addresses
}

/// The plan's own numbering first, then the others, then four higher.
fn readings(plan: &Plan, turnout: &Turnout) -> Vec<Reading> {
    let own = plan.layout.numbering;
    let others = Numbering::ALL.into_iter().filter(|other| *other != own);
    let mut readings: Vec<(BinaryAddress, Vec<Numbering>)> = Vec::new();
    for numbering in [own].into_iter().chain(others) {
        let binary = turnout.address.binary(numbering);
        match readings.iter_mut().find(|(known, _)| *known == binary) {
            Some((_, fits)) => fits.push(numbering),
            None => readings.push((binary, vec![numbering])),
        }
    }
    let higher = turnout.address.binary(Numbering::Linear).get() + 4;
    readings.extend(
        BinaryAddress::new(higher)
            .ok()
            .map(|binary| (binary, Vec::new())),
    );
    let readings = readings
        .into_iter()
        .filter(|(binary, _)| !binary.is_broadcast());
    readings
        .map(|(binary, fits)| Reading {
            address: binary.keyed(own),
            fits,
        })
        .collect()
}

impl Hunter<'_, '_, '_> {
    pub(super) async fn numbering(&mut self) -> Result<(), Halt> {
        let mut possible = Numbering::ALL.to_vec();
        let mut told = 0;
        let mut amiss = Vec::new();
        for id in self.asked.known.clone() {
            let Some(turnout) = self.plan.turnout(id.as_str()) else {
                continue;
            };
            self.target = Some(id.clone());
            match self.read(&readings(self.plan, turnout)).await? {
                None => amiss.push(format!(
                    "{id} did not move for any numbering: its decoder has another address \
                     (`throwproof hunt --target {id}`) or does not work."
                )),
                Some(fits) if fits.is_empty() => amiss.push(format!(
                    "{id} answers four higher than any numbering has it: its decoder is set a \
                     block too high, or the station counts boards from another number."
                )),
                Some(fits) => {
                    told += 1;
                    possible.retain(|one| fits.contains(one));
                    if possible.is_empty() {
                        amiss.push(format!(
                            "{id} answers to another numbering than those before it: one decoder \
                             is set four off, the station is the same for all."
                        ));
                        break;
                    }
                }
            }
        }
        let is_found = told > 0 && !possible.is_empty();
        let outcome = match (is_found, told) {
            (true, _) => Outcome::Proved,
            (false, 0) if amiss.len() == self.asked.known.len() => Outcome::Nobody,
            (false, _) => Outcome::Unclear,
        };
        self.tally.outcome.set(Some(outcome));
        if is_found {
            self.advise_numbering(&possible, told);
            let names = possible.iter().map(|one| one.as_str().to_owned());
            self.tally.numberings.borrow_mut().extend(names);
        }
        for line in amiss {
            self.tally.advise(line);
        }
        Ok(())
    }

    /// Which of the readings moves it: the numberings that it fits.
    async fn read(&mut self, readings: &[Reading]) -> Result<Option<Vec<Numbering>>, Halt> {
        for reading in readings {
            let group = [reading.address];
            for _ in 0..PATIENCE {
                let answered = self.ask(&group, None).await?;
                self.tell(&answered, None).await?;
                match answered.noticed {
                    Noticed::NotSure => continue,
                    Noticed::Moved(_) | Noticed::Lies(_) => {}
                    Noticed::Still | Noticed::Again | Noticed::Stop => break,
                }
                // One answer may be wrong.
                let again = self.ask(&group, Some(PairBit::Zero)).await?;
                self.tell(&again, None).await?;
                match again.noticed {
                    Noticed::Lies(_) => {
                        let back = self.ask(&group, Some(PairBit::One)).await?;
                        self.tell(&back, None).await?;
                        return Ok(Some(reading.fits.clone()));
                    }
                    Noticed::Moved(_)
                    | Noticed::Still
                    | Noticed::NotSure
                    | Noticed::Again
                    | Noticed::Stop => {}
                }
            }
        }
        Ok(None)
    }

    fn advise_numbering(&self, possible: &[Numbering], told: usize) {
        let own = self.plan.layout.numbering;
        if possible.contains(&own) {
            self.tally
                .advise(format!("That is as the plan has it: `{}`.", own.as_str()));
        } else if let Some(other) = possible.first() {
            self.tally.advise(format!(
                "Write `numbering = \"{}\"` into [layout] of the plan.",
                other.as_str()
            ));
        }
        if possible.contains(&Numbering::Linear) && possible.contains(&Numbering::NonLinear) {
            self.tally.advise(
                "Linear and non-linear differ at 253 to 256, 509 to 512 and so on only, and \
                 nothing that was thrown is there.",
            );
        }
        if told == 1 && !possible.contains(&own) {
            self.tally.advise(
                "One decoder alone can't tell a station that counts otherwise from a decoder that \
                 is set four off: try one on another decoder, with --target.",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(addresses: &[u16]) -> Plan {
        use std::fmt::Write as _;
        let mut text = "[layout]\nname = \"Kestrel Bay\"\n".to_owned();
        for address in addresses {
            write!(
                text,
                "[[turnout]]\nid = \"Q{address}\"\naddress = {address}\nshape = \"left\"\n"
            )
            .unwrap();
        }
        Plan::from_text("plan.toml", &text).unwrap()
    }

    fn thrown(address: u16) -> Vec<(u16, Vec<&'static str>)> {
        let plan = plan(&[address]);
        let readings = readings(&plan, &plan.turnouts[0]);
        let named = readings.into_iter().map(|one| {
            let fits = one.fits.into_iter().map(Numbering::as_str).collect();
            (one.address.get(), fits)
        });
        named.collect()
    }

    #[test]
    fn every_numbering_is_tried_once_and_four_higher() {
        assert_eq!(
            thrown(9),
            [
                (9, vec!["linear", "non-linear"]),
                (5, vec!["from-zero"]),
                (13, vec![])
            ]
        );
        // clause: S-9.2.1 (January 2025), second-hand: non-linear, 253 is binary 0.
        assert_eq!(
            thrown(253),
            [
                (253, vec!["linear"]),
                (2045, vec!["non-linear"]),
                (249, vec!["from-zero"]),
                (257, vec![])
            ]
        );
    }

    #[test]
    fn what_tells_most_is_thrown() {
        let ids = telling(&plan(&[1, 2, 254, 3]));
        let ids: Vec<_> = ids.iter().map(Id::as_str).collect();
        assert_eq!(ids, ["Q254", "Q1", "Q2"]);
    }
}
