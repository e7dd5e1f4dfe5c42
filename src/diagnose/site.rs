//! Where a diagnosis takes place: the failing turnout, and those beside it that tell something.

use std::collections::BTreeSet;

use throwproof_protocol::address::KeyedAddress;

use crate::plan::{Id, OutputRef, Plan};

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
}

impl Site {
    /// The whole plan around the turnout of that index.
    pub fn of(plan: &Plan, target: usize) -> Self {
        let own = plan.turnouts[target].output;
        let supply_of = |output: Option<OutputRef>| {
            output.and_then(|output| plan.decoders.get(output.decoder)?.supply)
        };
        let decoder = own.map(|output| output.decoder);
        let supply = supply_of(own);
        let nearest = |fits: &dyn Fn(Option<OutputRef>) -> bool| {
            let others = (0..plan.turnouts.len()).filter(|index| *index != target);
            others
                .filter(|index| {
                    let other = &plan.turnouts[*index];
                    // One with several drives is thrown in an order of its own.
                    other.joint.is_none()
                        && other.address != plan.turnouts[target].address
                        && fits(other.output)
                })
                .min_by_key(|index| index.abs_diff(target))
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

    /// The block of four keyed addresses among which an untaught decoder has the output of the
    /// failing turnout: 1 to 4 for its first four outputs (S-9.2.2 leaves CV 1 at 1).
    pub fn first_addresses(&self) -> std::ops::RangeInclusive<u16> {
        let output = self.plan.turnouts[self.target].output;
        let output = output.map_or(1, |it| u16::from(it.number));
        let first = (output.max(1) - 1) / 4 * 4 + 1;
        first..=first + 3
    }

    /// Turnouts whose sweep tells something about the failing one, which comes first: those that
    /// tests throw, and those with addresses up to four away.
    pub fn telling(&self) -> Vec<usize> {
        let own = self.plan.turnouts[self.target].address.get();
        let mut turnouts = vec![self.target];
        let roles = [self.mate, self.supply_mate, self.elsewhere];
        turnouts.extend(roles.into_iter().flatten());
        for (index, turnout) in self.plan.turnouts.iter().enumerate() {
            // One with several drives has other positions than these tests know of.
            let is_near = turnout.address.get().abs_diff(own) <= 4 && turnout.joint.is_none();
            if is_near && !turnouts.contains(&index) {
                turnouts.push(index);
            }
        }
        turnouts
    }

    /// A smaller site that behaves alike: the failing turnout, those that tests throw, those
    /// four and less away, and those named. Decoders without any of them are left out.
    #[must_use]
    pub fn near(&self, named: &[Id]) -> Self {
        let plan = &self.plan;
        let own = plan.turnouts[self.target].address.get();
        let roles = [
            Some(self.target),
            self.mate,
            self.supply_mate,
            self.elsewhere,
        ];
        let mut kept: BTreeSet<usize> = roles.into_iter().flatten().collect();
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            let is_near = turnout.address.get().abs_diff(own) <= 4;
            if is_near || named.contains(&turnout.id) {
                kept.insert(index);
            }
        }
        let kept: Vec<usize> = kept.into_iter().collect();
        let decoder_of = |index: &usize| plan.turnouts[*index].output.map(|it| it.decoder);
        let mut decoders: BTreeSet<usize> = kept.iter().filter_map(decoder_of).collect();
        // Those through which the power of others comes belong to it as well.
        while let Some(before) = decoders
            .iter()
            .filter_map(|it| plan.decoders[*it].wire?.from)
            .find(|before| !decoders.contains(before))
        {
            decoders.insert(before);
        }
        let decoders: Vec<usize> = decoders.into_iter().collect();
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
        Self {
            plan: Plan {
                source: plan.source.clone(),
                layout: plan.layout.clone(),
                supplies: plan.supplies.clone(),
                decoders: decoders
                    .iter()
                    .map(|it| {
                        let mut decoder = plan.decoders[*it].clone();
                        if let Some(run) = &mut decoder.wire {
                            let from = run.from;
                            run.from = decoders.iter().position(|it| Some(*it) == from);
                        }
                        decoder
                    })
                    .collect(),
                turnouts: turnouts.collect(),
                signals: Vec::new(),
            },
            target: place(Some(self.target)).unwrap_or_default(),
            mate: place(self.mate),
            supply_mate: place(self.supply_mate),
            elsewhere: place(self.elsewhere),
        }
    }
}
