//! Where a diagnosis takes place: the failing turnout, and those beside it that tell something.

use std::collections::BTreeSet;

use throwproof_protocol::address::{KeyedAddress, Position};

use super::Swept;
use super::steps::Steps;
use super::test::Test;
use crate::electric::figures::UNNAMED_VOLTS;
use crate::electric::power::{Corner, Power};
use crate::plan::{Drive, Id, OutputRef, Part, Plan, Turnout};

/// Addresses this close belong together: a decoder has four, and counting from another number
/// is four off.
const CLOSE: u16 = 4;

/// No more turnouts than these are asked what a sweep saw of them; each is worked out for every
/// draw of every cause.
const MOST_TELLING: usize = 14;

/// So many that fail on other decoders, the nearest ones.
const FAILING: usize = 2;

/// So many of the failing turnout's own decoder, of other decoders on its supply and of other
/// supplies, the nearest ones.
const OF_DECODER: usize = 7;
const OF_SUPPLY: usize = 4;
const OF_SUPPLIES: usize = 3;

/// A plan, the turnout that fails, and the others that tests throw; all as indices in
/// [`Plan::turnouts`].
#[derive(Debug, Clone)]
pub struct Site {
    /// The plan.
    pub plan: Plan,
    /// The turnout that fails.
    pub target: usize,
    /// Another turnout of its decoder.
    pub mate: Option<usize>,
    /// A turnout of another decoder on its supply.
    pub supply_mate: Option<usize>,
    /// A turnout of another supply, or the furthest one where there is but one supply.
    pub elsewhere: Option<usize>,
    /// Addresses of drives that must not be thrown by themselves, whatever else is: others of
    /// their turnout may be in the way.
    guarded: BTreeSet<u16>,
}

impl Site {
    /// The whole plan around the turnout of that index.
    pub fn of(plan: &Plan, target: usize) -> Self {
        Self::without(plan, target, &[])
    }

    /// The same, with tests that throw none of those turnouts unless there is no other: they
    /// are known to fail for a reason of their own.
    pub fn without(plan: &Plan, target: usize, failing: &[usize]) -> Self {
        let own = plan.turnouts[target].output;
        let supply_of = |output: Option<OutputRef>| supply_of(plan, output);
        let decoder = own.map(|output| output.decoder);
        let supply = supply_of(own);
        let nearest = |fits: &dyn Fn(Option<OutputRef>) -> bool| {
            let others = (0..plan.turnouts.len()).filter(|index| *index != target);
            others
                .filter(|index| {
                    let other = &plan.turnouts[*index];
                    // One with several drives is thrown in an order of its own.
                    other.joint.is_none()
                        && other.part.is_none()
                        && other.address != plan.turnouts[target].address
                        && fits(other.output)
                })
                .min_by_key(|index| (failing.contains(index), index.abs_diff(target)))
        };
        let mate = nearest(&|other| decoder.is_some() && other.map(|it| it.decoder) == decoder);
        let supply_mate = nearest(&|other| {
            supply.is_some() && supply_of(other) == supply && other.map(|it| it.decoder) != decoder
        });
        let elsewhere = nearest(&|other| supply_of(other) != supply);
        Self {
            plan: plan.clone(),
            target,
            mate,
            supply_mate,
            elsewhere,
            guarded: guarded(plan),
        }
    }

    /// The decoder of the failing turnout, if the plan names it.
    pub fn decoder(&self) -> Option<usize> {
        self.plan.turnouts[self.target].output.map(|it| it.decoder)
    }

    /// The supply of the failing turnout, if the plan names it.
    pub fn supply(&self) -> Option<usize> {
        self.plan.decoders.get(self.decoder()?)?.supply
    }

    /// The keyed address that far from the failing turnout's, if there is one that may be used:
    /// 2041 and above is the broadcast (S-9.2.1 section D, 2012).
    pub fn address_off_by(&self, offset: i16) -> Option<KeyedAddress> {
        let own = self.plan.turnouts[self.target].address.get();
        let number = own.checked_add_signed(offset)?;
        KeyedAddress::new(number).ok().filter(|_| number <= 2040)
    }

    /// Whether that turnout is another drive of the one that the failing one is a drive of.
    fn is_beside(&self, turnout: usize) -> bool {
        let of = |index: usize| self.plan.turnouts[index].part.as_ref().map(|part| &part.of);
        of(turnout).is_some() && of(turnout) == of(self.target)
    }

    /// The throws of other turnouts that have to come before one is thrown, as indices: those of
    /// the other drives of the turnout that it is a drive of.
    pub fn before(&self, turnout: usize) -> Vec<(usize, Position)> {
        let Some(part) = &self.plan.turnouts[turnout].part else {
            return Vec::new();
        };
        let index = |drive: usize| {
            self.plan.turnouts.iter().position(|one| {
                let its = one.part.as_ref();
                its.is_some_and(|its| its.of == part.of && its.drive == drive)
            })
        };
        let way = part.way.iter();
        way.filter_map(|(drive, position)| Some((index(*drive)?, *position)))
            .collect()
    }

    /// Whether a test throws no address of a drive that must not be thrown by itself.
    pub fn spares(&self, test: Test) -> bool {
        match Steps::of(self, test) {
            Steps::Addresses(thrown) => !thrown.iter().any(|it| self.guarded.contains(&it.get())),
            Steps::Nothing | Steps::Turnout { .. } | Steps::Plain { .. } => true,
        }
    }

    /// The supply of a turnout, if the plan names it.
    fn supply_of(&self, turnout: usize) -> Option<usize> {
        supply_of(&self.plan, self.plan.turnouts[turnout].output)
    }

    /// The block of four keyed addresses among which an untaught decoder has the output of the
    /// failing turnout: 1 to 4 for its first four outputs (S-9.2.2 leaves CV 1 at 1).
    pub fn first_addresses(&self) -> std::ops::RangeInclusive<u16> {
        let output = self.plan.turnouts[self.target].output;
        let output = output.map_or(1, |it| u16::from(it.number));
        let first = (output.max(1) - 1) / 4 * 4 + 1;
        first..=first + 3
    }

    /// Turnouts whose sweep tells something about the failing one, which comes first: those that
    /// tests throw, those with addresses up to four away, those of its decoder, one of each other
    /// decoder on its supply and of each other supply. A dozen or so, however large the plan.
    pub fn telling(&self) -> Vec<usize> {
        self.telling_of(&[])
    }

    /// The same where sweeps have seen how some fare: of a decoder on which some fail and some
    /// do not, one of either sort, and of those left some that fail alike.
    pub fn telling_of(&self, swept: &[Swept]) -> Vec<usize> {
        let mut picked = Picked {
            site: self,
            swept,
            turnouts: vec![self.target],
        };
        for role in [self.mate, self.supply_mate, self.elsewhere] {
            picked.turnouts.extend(role);
        }
        picked.turnouts.dedup();
        let own = self.plan.turnouts[self.target].address.get();
        let close = |it: &usize| self.plan.turnouts[*it].address.get().abs_diff(own) <= CLOSE;
        picked.add(MOST_TELLING, close);
        let decoder = self.decoder();
        let on = |it: &usize| self.plan.turnouts[*it].output.map(|it| it.decoder);
        let supply = self.supply();
        // Leads that are on each other's outputs make two fail.
        let fails = |it: &usize| {
            swept
                .iter()
                .any(|one| one.turnout == *it && one.motion.is_wrong())
        };
        picked.add(FAILING, |it| on(it) != decoder && fails(it));
        picked.one_of_each(OF_SUPPLY, |it| {
            let is_beside = supply.is_some() && self.supply_of(*it) == supply;
            on(it).filter(|of| is_beside && Some(*of) != decoder)
        });
        picked.one_of_each(OF_SUPPLIES, |it| {
            self.supply_of(*it).filter(|of| Some(*of) != supply)
        });
        picked.add(OF_DECODER, |it| decoder.is_some() && on(it) == decoder);
        if let Some(target) = swept.iter().find(|one| one.turnout == self.target) {
            let alike = |it: &usize| {
                let seen = swept.iter().find(|one| one.turnout == *it);
                seen.is_some_and(|one| one.fails() && one.motion == target.motion)
            };
            picked.add(MOST_TELLING, alike);
        }
        picked.turnouts
    }

    /// A smaller site that behaves alike: the failing turnout, those that tests throw, those
    /// that tell something after what sweeps saw, and those named. Decoders without any of them
    /// are left out, but for what they draw while nothing is thrown.
    #[must_use]
    pub fn near(&self, swept: &[Swept], named: &[Id]) -> Self {
        let plan = &self.plan;
        let own = plan.turnouts[self.target].address.get();
        let mut kept: BTreeSet<usize> = self.telling_of(swept).into_iter().collect();
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let is_near = turnout.address.get().abs_diff(own) <= CLOSE;
            if is_near || named.contains(&turnout.id) || self.is_beside(index) {
                kept.insert(index);
            }
        }
        let kept: Vec<usize> = kept.into_iter().collect();
        let resting = self.resting_without(&kept);
        let decoders = self.decoders_for(&kept, &resting);
        let turnouts = kept.iter().map(|index| {
            let mut turnout = plan.turnouts[*index].clone();
            // Its first drive stands for all of it.
            turnout.joint = None;
            turnout.output = turnout.output.and_then(|output| {
                let decoder = decoders.iter().position(|it| *it == output.decoder)?;
                Some(OutputRef { decoder, ..output })
            });
            turnout
        });
        let place = |index: Option<usize>| kept.iter().position(|it| Some(*it) == index);
        let smaller = decoders.iter().map(|index| {
            let mut decoder = plan.decoders[*index].clone();
            if let Some(run) = &mut decoder.wire {
                let from = run.from;
                run.from = decoders.iter().position(|it| Some(*it) == from);
            }
            let resting = resting[*index];
            decoder.idle_amps = (resting > 0.0).then_some(resting);
            decoder
        });
        Self {
            plan: Plan {
                source: plan.source.clone(),
                layout: plan.layout.clone(),
                supplies: plan.supplies.clone(),
                decoders: smaller.collect(),
                turnouts: turnouts.collect(),
                signals: Vec::new(),
            },
            target: place(Some(self.target)).unwrap_or_default(),
            mate: place(self.mate),
            supply_mate: place(self.supply_mate),
            elsewhere: place(self.elsewhere),
            guarded: self.guarded.clone(),
        }
    }

    /// What each decoder draws while nothing is thrown, amperes, without those turnouts: its
    /// electronics, and drives that stay powered once they were thrown.
    fn resting_without(&self, kept: &[usize]) -> Vec<f64> {
        let mut rest = self.plan.clone();
        let stays = |index: usize| {
            let turnout = &self.plan.turnouts[index];
            // A memory wire that lies straight is off.
            let is_off = turnout.drive == Drive::MemoryWire && turnout.rest == Position::Straight;
            !kept.contains(&index) && !is_off
        };
        let left = self.plan.turnouts.iter().enumerate();
        let left = left.filter(|(index, _)| stays(*index));
        rest.turnouts = left.map(|(_, turnout)| turnout.clone()).collect();
        let power = Power::of(&rest);
        let resting = power.at_rest(Corner::TYPICAL, None);
        let each = resting.into_iter().zip(&self.plan.decoders);
        each.map(|(siemens, decoder)| {
            let supply = decoder.supply.map(|it| self.plan.supplies[it].volts);
            siemens * supply.unwrap_or(UNNAMED_VOLTS)
        })
        .collect()
    }

    /// Decoders that a smaller site needs: those of its turnouts, those on their supplies that
    /// draw something at rest, and those through which the power of any of these comes.
    fn decoders_for(&self, kept: &[usize], resting: &[f64]) -> Vec<usize> {
        let plan = &self.plan;
        let of = |index: &usize| plan.turnouts[*index].output.map(|it| it.decoder);
        let mut decoders: BTreeSet<usize> = kept.iter().filter_map(of).collect();
        let supplies: BTreeSet<_> = decoders
            .iter()
            .map(|it| plan.decoders[*it].supply)
            .collect();
        let drawing = (0..plan.decoders.len())
            .filter(|it| resting[*it] > 0.0 && supplies.contains(&plan.decoders[*it].supply));
        decoders.extend(drawing);
        while let Some(before) = decoders
            .iter()
            .filter_map(|it| plan.decoders[*it].wire?.from)
            .find(|before| !decoders.contains(before))
        {
            decoders.insert(before);
        }
        decoders.into_iter().collect()
    }
}

fn supply_of(plan: &Plan, output: Option<OutputRef>) -> Option<usize> {
    output.and_then(|output| plan.decoders.get(output.decoder)?.supply)
}

/// Whether a turnout can be thrown as one that has a single drive.
pub(super) fn can_be_thrown(turnout: &Turnout) -> bool {
    let alone = turnout.part.as_ref().is_none_or(Part::is_thrown_alone);
    // One with several drives has other positions than these tests know of.
    turnout.joint.is_none() && alone
}

/// Addresses of drives that others of their turnout may be in the way of.
fn guarded(plan: &Plan) -> BTreeSet<u16> {
    let turnouts = plan.turnouts.iter().filter(|turnout| {
        let joint = turnout.joint.as_ref().map(|it| it.free_passage);
        let part = turnout.part.as_ref().map(|it| it.free_passage);
        joint.or(part) == Some(false)
    });
    let addresses = turnouts.flat_map(Turnout::addresses);
    addresses.map(KeyedAddress::get).collect()
}

/// Turnouts that are picked one after the other, nearest first.
struct Picked<'a> {
    site: &'a Site,
    swept: &'a [Swept],
    turnouts: Vec<usize>,
}

impl Picked<'_> {
    /// Those that are not picked yet and that such tests can throw, the nearest first.
    fn left(&self) -> Vec<usize> {
        let plan = &self.site.plan;
        let mut left: Vec<usize> = (0..plan.turnouts.len())
            .filter(|it| can_be_thrown(&plan.turnouts[*it]) && !self.turnouts.contains(it))
            .collect();
        left.sort_by_key(|it| it.abs_diff(self.site.target));
        left
    }

    fn take(&mut self, turnout: usize) {
        if self.turnouts.len() < MOST_TELLING && !self.turnouts.contains(&turnout) {
            self.turnouts.push(turnout);
        }
    }

    /// At most that many of those that fit.
    fn add(&mut self, most: usize, fits: impl Fn(&usize) -> bool) {
        let left = self.left();
        for turnout in left.into_iter().filter(fits).take(most) {
            self.take(turnout);
        }
    }

    /// One of each group that has none yet, of at most that many groups; where some of it fail
    /// and some do not, one of either sort.
    fn one_of_each(&mut self, most: usize, group: impl Fn(&usize) -> Option<usize>) {
        let left = self.left();
        let mut groups: Vec<usize> = Vec::new();
        for of in left.iter().filter_map(&group) {
            if !groups.contains(&of) {
                groups.push(of);
            }
        }
        for of in groups.into_iter().take(most) {
            let all = self.turnouts.iter().chain(&left).copied();
            let all: Vec<usize> = all.filter(|it| group(it) == Some(of)).collect();
            let sort = |fails: bool| {
                let is_such = |it: &usize| {
                    let seen = self.swept.iter().find(|one| one.turnout == *it);
                    seen.map(Swept::fails) == Some(fails)
                };
                all.iter().copied().find(is_such)
            };
            let chosen = [sort(false), sort(true)];
            let is_known = chosen.iter().any(Option::is_some);
            for turnout in chosen.into_iter().flatten() {
                self.take(turnout);
            }
            let has_one = all.iter().any(|it| self.turnouts.contains(it));
            if let Some(nearest) = all.first().copied().filter(|_| !is_known && !has_one) {
                self.take(nearest);
            }
        }
    }
}
