//! Supplies and drives in time.

use super::clock::Nanos;
use super::drive::Drive;
use super::supply::Supply;

/// The longest step while a coil moves anything, or an output or a supply is about to cut off: a
/// fortieth of the quickest drive's travel.
const STEP: Nanos = Nanos::from_micros(500);

/// The longest step while coils only get warm and other drives move: a fortieth of the quickest
/// of those, a memory wire.
const SLOW_STEP: Nanos = Nanos::from_millis(10);

/// The longest step while no drive is live and a supply recharges or holds off.
const REST_STEP: Nanos = Nanos::from_millis(20);

/// Supplies and the drives they feed, and the time they have reached.
#[derive(Debug, Default)]
pub struct Physics {
    now: Nanos,
    /// The supplies.
    supplies: Vec<Supply>,
    /// The drives, and the index of the supply of each.
    drives: Vec<Drive>,
    feeds: Vec<usize>,
    /// What each drive at rest has in its supply's resting load, siemens.
    resting: Vec<f64>,
    /// Drives about which time changes something.
    live: Vec<usize>,
    is_live: Vec<bool>,
    /// Supplies that carry live drives or have not settled since.
    restless: Vec<usize>,
    is_restless: Vec<bool>,
    /// Load of the live drives of each supply, in this step.
    loads: Vec<f64>,
    /// Drives that have been live since the last call of [`Physics::take_touched`].
    touched: Vec<usize>,
    is_touched: Vec<bool>,
}

impl Physics {
    /// Adds a supply; its index.
    pub fn add_supply(&mut self, supply: Supply) -> usize {
        self.supplies.push(supply);
        self.loads.push(0.0);
        self.is_restless.push(false);
        let index = self.supplies.len() - 1;
        self.disturb(index);
        index
    }

    /// Adds a drive fed by the supply of that index; the drive's index.
    pub fn add_drive(&mut self, drive: Drive, feed: usize) -> usize {
        let index = self.drives.len();
        self.drives.push(drive);
        self.feeds.push(feed);
        self.resting.push(0.0);
        self.is_live.push(false);
        self.is_touched.push(false);
        self.wake(index);
        index
    }

    /// The time reached.
    pub fn now(&self) -> Nanos {
        self.now
    }

    /// The supply of that index.
    pub fn supply(&self, index: usize) -> &Supply {
        &self.supplies[index]
    }

    /// Terminal voltage of the supply of that index, as loaded as it is, volts.
    pub fn volts(&self, index: usize) -> f64 {
        let live = self
            .live
            .iter()
            .filter(|drive| self.feeds[**drive] == index);
        let load = live.map(|drive| self.drives[*drive].load()).sum();
        self.supplies[index].volts(load)
    }

    /// The drive of that index.
    pub fn drive(&self, index: usize) -> &Drive {
        &self.drives[index]
    }

    /// Every drive.
    pub fn drives(&self) -> &[Drive] {
        &self.drives
    }

    /// Drives that may have moved since the last call of [`Physics::take_touched`].
    pub fn touched(&self) -> &[usize] {
        &self.touched
    }

    /// The drive of that index, to ask what its contact says.
    pub(super) fn drive_mut(&mut self, index: usize) -> &mut Drive {
        &mut self.drives[index]
    }

    /// The drive of that index, to change it at the time reached.
    pub fn touch(&mut self, index: usize) -> &mut Drive {
        self.wake(index);
        &mut self.drives[index]
    }

    /// Drives that may have moved since the last call.
    pub fn take_touched(&mut self) -> Vec<usize> {
        for index in &self.touched {
            self.is_touched[*index] = false;
        }
        // What still moves will have moved at the next call too.
        let still = self.live.clone();
        let touched = std::mem::take(&mut self.touched);
        for index in still {
            self.mark(index);
        }
        touched
    }

    /// Whether the next moment may differ from this one.
    pub fn is_settled(&self) -> bool {
        self.live.is_empty() && self.restless.is_empty()
    }

    /// Lets time pass.
    pub fn advance(&mut self, until: Nanos) {
        while self.now < until {
            if self.live.is_empty() {
                self.rest(until);
                return;
            }
            let quick = self.live.iter().any(|it| self.drives[*it].is_quick());
            let cutting = |it: &usize| self.supplies[*it].is_about_to_trip();
            let longest = if quick || self.restless.iter().any(cutting) {
                STEP
            } else {
                SLOW_STEP
            };
            self.step(longest.min(until - self.now));
        }
    }

    /// With no drive live, only supplies change, each by itself.
    fn rest(&mut self, until: Nanos) {
        for position in (0..self.restless.len()).rev() {
            let index = self.restless[position];
            let mut now = self.now;
            while now < until && !self.supplies[index].is_settled() {
                let time = REST_STEP.min(until - now);
                self.supplies[index].step(now, time, 0.0);
                now += time;
            }
            self.calm(position);
        }
        self.now = until;
    }

    fn step(&mut self, time: Nanos) {
        for index in &self.restless {
            self.loads[*index] = 0.0;
        }
        for index in &self.live {
            self.loads[self.feeds[*index]] += self.drives[*index].load();
        }
        let mut position = 0;
        while let Some(&index) = self.live.get(position) {
            let feed = self.feeds[index];
            let volts = self.supplies[feed].volts(self.loads[feed]);
            self.drives[index].step(self.now, time, volts);
            if self.drives[index].is_live() {
                position += 1;
            } else {
                self.live.swap_remove(position);
                self.is_live[index] = false;
                self.resting[index] = self.drives[index].load();
                self.supplies[feed].resting_load += self.resting[index];
            }
        }
        for position in (0..self.restless.len()).rev() {
            let index = self.restless[position];
            self.supplies[index].step(self.now, time, self.loads[index]);
            if self.loads[index] == 0.0 {
                self.calm(position);
            }
        }
        self.now += time;
    }

    fn disturb(&mut self, supply: usize) {
        if !self.is_restless[supply] {
            self.is_restless[supply] = true;
            self.restless.push(supply);
        }
    }

    /// Leaves a supply alone if it has settled.
    fn calm(&mut self, position: usize) {
        let index = self.restless[position];
        if self.supplies[index].is_settled() {
            self.is_restless[index] = false;
            self.restless.swap_remove(position);
        }
    }

    fn mark(&mut self, index: usize) {
        if !self.is_touched[index] {
            self.is_touched[index] = true;
            self.touched.push(index);
        }
    }

    fn wake(&mut self, index: usize) {
        self.mark(index);
        if !self.is_live[index] {
            self.is_live[index] = true;
            self.live.push(index);
            let feed = self.feeds[index];
            self.disturb(feed);
            let supply = &mut self.supplies[feed];
            supply.resting_load = (supply.resting_load - self.resting[index]).max(0.0);
            self.resting[index] = 0.0;
        }
    }
}
