//! Turnouts with several drives that are one thing: three-way turnouts, slips, scissors
//! crossovers.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};

use super::{Id, OutputRef, Plan, Turnout};

pub mod part;
pub mod passage;

/// What a turnout with several drives has beyond one with a single drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Joint {
    /// Its drives, in the order of the plan; the first one's address and output are the
    /// turnout's own.
    pub drives: Vec<JointDrive>,
    /// The positions it may lie in, in the order of the plan. Any other combination of its
    /// drives is forbidden.
    pub positions: Vec<NamedPosition>,
    /// Name of the position it is left in.
    pub rest: Id,
    /// Whether a forbidden combination may be passed through, as by the two ends of a crossover;
    /// otherwise the drives are thrown in an order that never comes to one.
    pub free_passage: bool,
}

/// How one of several drives is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JointDrive {
    /// The number a person keys to throw it.
    pub address: KeyedAddress,
    /// The decoder output that drives it, as for a turnout.
    pub output: Option<OutputRef>,
    /// The pair bit that commands its own `straight`.
    pub straight_bit: PairBit,
}

/// A position of a turnout with several drives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedPosition {
    /// Its name in the plan: `left`.
    pub name: Id,
    /// How each drive lies then, in their order.
    pub drives: Vec<Position>,
}

impl JointDrive {
    /// The pair bit that commands `position`.
    pub fn pair_bit(&self, position: Position) -> PairBit {
        match position {
            Position::Straight => self.straight_bit,
            Position::Diverging => self.straight_bit.opposite(),
        }
    }

    /// Where that pair bit sends it.
    pub fn position(&self, pair_bit: PairBit) -> Position {
        if pair_bit == self.straight_bit {
            Position::Straight
        } else {
            Position::Diverging
        }
    }
}

impl Joint {
    /// The position of that name.
    pub fn named(&self, name: &str) -> Option<&NamedPosition> {
        self.positions.iter().find(|one| one.name.as_str() == name)
    }

    /// The name of the position in which its drives lie so; `None` for a forbidden combination.
    pub fn name_of(&self, drives: &[Position]) -> Option<&Id> {
        let found = self.positions.iter().find(|one| one.drives == drives);
        found.map(|one| &one.name)
    }

    /// The throws of single drives, by index, that bring it to a position from wherever it lies.
    ///
    /// `None` for a position that it does not have. That there is a way to each of its positions
    /// was seen to when the plan was read.
    pub fn way_to(&self, name: &str) -> Option<Vec<(usize, Position)>> {
        let goal = self.named(name)?;
        if self.free_passage {
            return Some(goal.drives.iter().copied().enumerate().collect());
        }
        let allowed: Vec<_> = self.positions.iter().map(|one| &*one.drives).collect();
        passage::find(&allowed, &goal.drives)
    }
}

impl Turnout {
    /// How each of its drives is reached, the first one first.
    pub fn reached(&self) -> Vec<JointDrive> {
        match &self.joint {
            Some(joint) => joint.drives.clone(),
            None => vec![JointDrive {
                address: self.address,
                output: self.output,
                straight_bit: self.straight_bit,
            }],
        }
    }

    /// Every address that throws it or a drive of it, its own first.
    pub fn addresses(&self) -> Vec<KeyedAddress> {
        self.reached().iter().map(|drive| drive.address).collect()
    }

    /// The positions it may lie in, in the order of the plan.
    pub fn positions(&self) -> Vec<Id> {
        match &self.joint {
            Some(joint) => joint.positions.iter().map(|one| one.name.clone()).collect(),
            None => [Position::Straight, Position::Diverging]
                .map(|position| Id::new(position.as_str()))
                .into(),
        }
    }

    /// How its drives lie in a position that is not that one, the one it is left in if it can be.
    pub fn elsewhere(&self, name: &Id) -> Vec<Position> {
        let Some(joint) = &self.joint else {
            let simple: Result<Position, _> = name.as_str().parse();
            return vec![simple.map_or(self.rest, Position::opposite)];
        };
        let rest = joint.named(joint.rest.as_str()).into_iter();
        let mut others = rest.chain(&joint.positions);
        let other = others.find(|one| one.name != *name);
        other.map_or_else(Vec::new, |one| one.drives.clone())
    }

    /// Name of the position it is left in.
    pub fn rest_name(&self) -> Id {
        match &self.joint {
            Some(joint) => joint.rest.clone(),
            None => Id::new(self.rest.as_str()),
        }
    }
}
