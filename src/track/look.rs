//! What a person standing at the track sees of it.

use throwproof_protocol::address::Position;

use super::head::Head;
use super::{Group, Track};
use crate::plan::{Id, Sort};

/// Blades that moved less than this share of their travel were not seen to move.
const SEEN_TO_MOVE: f64 = 0.05;

/// What changed since the last [`Track::attend`].
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Look {
    /// Turnouts, by index in the plan, whose blades were seen to move, and the position in
    /// which they are closed now; `None` is between.
    pub moved: Vec<(usize, Option<Position>)>,
    /// Signals, by index in the plan, that changed, and the value they show now; `None` is dark,
    /// or gates that are neither open nor closed, or an uncoupler that is still up.
    pub changed: Vec<(usize, Option<u8>)>,
}

impl Track {
    /// What a signal changed to, if it changed.
    fn change_of(&self, signal: usize) -> Option<(usize, Option<u8>)> {
        let head = &self.heads[signal];
        let shows = head.visible(self.now);
        let (changed, shows) = if head.sort == Sort::Uncoupler {
            // Whoever looks sees it come down again, or not.
            (head.rose, (!head.is_up()).then_some(head.value()))
        } else {
            (shows != head.before, shows)
        };
        changed.then_some((signal, shows))
    }

    /// Whether the signal of that index in the plan is an uncoupler that is up.
    pub fn is_up(&self, signal: usize) -> bool {
        self.heads.get(signal).is_some_and(Head::is_up)
    }

    /// How a turnout lies; `None` when its blades are not closed, or its drives disagree.
    pub fn lies(&self, turnout: usize) -> Option<Position> {
        let mut lies = self.turnouts[turnout]
            .drives
            .iter()
            .map(|d| self.physics.drive(*d).lies());
        let first = lies.next()??;
        lies.all(|other| other == Some(first)).then_some(first)
    }

    /// How a drive of a turnout lies, that is all that its address moves; `None` when blades are
    /// not closed, or disagree.
    fn group_lies(&self, group: &Group) -> Option<Position> {
        let mut lies = group.drives.iter().map(|d| self.physics.drive(*d).lies());
        let first = lies.next()??;
        lies.all(|other| other == Some(first)).then_some(first)
    }

    /// How each drive of a turnout lies, in the order of the plan; of a simple one, how it lies.
    pub fn drives_lie(&self, turnout: usize) -> Vec<Option<Position>> {
        let groups = self.turnouts[turnout].groups.iter();
        groups.map(|group| self.group_lies(group)).collect()
    }

    /// The name of the position in which a turnout lies; `None` when blades are not closed, or its
    /// drives lie as in no position of it.
    pub fn lies_as(&self, turnout: usize) -> Option<Id> {
        let state = &self.turnouts[turnout];
        if state.positions.is_empty() {
            return self.lies(turnout).map(|lies| Id::new(lies.as_str()));
        }
        let lies: Option<Vec<_>> = self.drives_lie(turnout).into_iter().collect();
        let lies = lies?;
        let named = state.positions.iter().find(|one| one.drives == lies);
        named.map(|one| one.name.clone())
    }

    /// The value that each signal shows, in the order of the plan; `None` is dark.
    pub(super) fn shows(&self) -> Vec<Option<u8>> {
        self.heads
            .iter()
            .map(|head| head.visible(self.now))
            .collect()
    }

    /// Remembers how everything lies now, for the next [`Track::look`].
    pub fn attend(&mut self) {
        for drive in self.physics.take_touched() {
            self.before[drive] = self.physics.drive(drive).blades();
        }
        for head in std::mem::take(&mut self.changed) {
            let now = self.now;
            let head = &mut self.heads[head];
            (head.before, head.rose) = (head.visible(now), false);
        }
    }

    /// What changed since the last [`Track::attend`].
    pub fn look(&self) -> Look {
        let mut moved: Vec<_> = self
            .physics
            .touched()
            .iter()
            .filter(|drive| {
                let blades = self.physics.drive(**drive).blades();
                (blades - self.before[**drive]).abs() > SEEN_TO_MOVE
            })
            .map(|drive| self.turnout_of[*drive])
            .collect();
        moved.sort_unstable();
        moved.dedup();
        let mut changed: Vec<_> = self
            .changed
            .iter()
            .filter_map(|head| self.change_of(*head))
            .collect();
        changed.sort_unstable();
        changed.dedup();
        Look {
            moved: moved
                .into_iter()
                .map(|turnout| (turnout, self.lies(turnout)))
                .collect(),
            changed,
        }
    }
}
