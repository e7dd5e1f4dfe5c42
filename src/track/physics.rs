//! Supplies and drives in time.

use super::clock::Nanos;
use super::drive::Drive;
use super::grid::{Board, Grid};
use super::supply::Supply;

/// The longest step while a coil moves anything, or an output or a supply is about to cut off: a
/// fortieth of the quickest drive's travel.
const STEP: Nanos = Nanos::from_micros(500);

/// The longest step while coils only get warm and other drives move: a fortieth of the quickest
/// of those, a memory wire.
const SLOW_STEP: Nanos = Nanos::from_millis(10);

/// The longest step while no drive is live and a supply recharges or holds off.
const REST_STEP: Nanos = Nanos::from_millis(20);

/// How long a board carries too much before it switches its outputs off; from memory.
const PROTECT_AFTER: Nanos = Nanos::from_millis(20);

/// Supplies and the drives they feed, and the time they have reached.
#[derive(Debug, Clone, Default)]
pub struct Physics {
    now: Nanos,
    /// The supplies.
    supplies: Vec<Supply>,
    /// The drives, and the index of the supply of each.
    drives: Vec<Drive>,
    feeds: Vec<usize>,
    /// Wires, and at the end of which run each drive is, for supplies that have any.
    grid: Grid,
    ends: Vec<Option<usize>>,
    is_wired: Vec<bool>,
    /// Boards that protect themselves, and the one of each drive.
    boards: Vec<Board>,
    /// What each drive at rest has in its supply's resting load, siemens.
    resting: Vec<f64>,
    /// Drives about which time changes something.
    live: Vec<usize>,
    /// The load of each of those, in this step.
    live_loads: Vec<f64>,
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
        self.is_wired.push(false);
        self.is_restless.push(false);
        let index = self.supplies.len() - 1;
        self.disturb(index);
        index
    }

    /// Adds a run of wire of that resistance, ohms, from a supply or from the end of another run;
    /// the index of its end.
    pub fn add_run(&mut self, supply: usize, from: Option<usize>, ohms: f64) -> usize {
        self.is_wired[supply] = true;
        self.grid.add(supply, from, ohms)
    }

    /// Adds electronics of that conductance, siemens.
    pub fn add_idle(&mut self, supply: usize, end: Option<usize>, conductance: f64) {
        self.rest_by(supply, end, conductance);
        self.disturb(supply);
    }

    /// Adds a board whose outputs together bear that current, amperes; its index.
    pub fn add_board(&mut self, limit_amps: f64) -> usize {
        self.boards.push(Board {
            limit_amps,
            drives: Vec::new(),
            over: Nanos::ZERO,
            cuts: 0,
        });
        self.boards.len() - 1
    }

    /// Adds a drive fed by the supply of that index, at the end of a run of its wires where it
    /// has any, on a board; the drive's index.
    pub fn add_drive(
        &mut self,
        drive: Drive,
        feed: usize,
        end: Option<usize>,
        board: Option<usize>,
    ) -> usize {
        let index = self.drives.len();
        self.drives.push(drive);
        self.feeds.push(feed);
        self.ends.push(end);
        if let Some(board) = board {
            self.boards[board].drives.push(index);
        }
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

    /// How often boards have switched all their outputs off.
    pub fn board_cuts(&self) -> u32 {
        self.boards.iter().map(|board| board.cuts).sum()
    }

    /// Voltage at the output of a drive, as loaded as it is, volts.
    pub fn volts_at(&mut self, drive: usize) -> f64 {
        self.disturb(self.feeds[drive]);
        self.weigh();
        self.volts_of(drive)
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
        self.live.is_empty() && self.restless.is_empty() && !self.boards_wait()
    }

    /// Lets time pass.
    pub fn advance(&mut self, until: Nanos) {
        while self.now < until {
            if self.live.is_empty() && !self.boards_wait() {
                self.rest(until);
                return;
            }
            let quick = self.live.iter().any(|it| self.drives[*it].is_quick());
            let cutting = |it: &usize| self.supplies[*it].is_about_to_trip();
            let cutting = self.restless.iter().any(cutting) || self.boards_wait();
            let longest = if quick || cutting { STEP } else { SLOW_STEP };
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
        self.weigh();
        let mut position = 0;
        while let Some(&index) = self.live.get(position) {
            let feed = self.feeds[index];
            let volts = self.volts_of(index);
            let load = self.live_loads[position];
            self.drives[index].step(self.now, time, volts, load);
            if self.drives[index].is_live() {
                position += 1;
            } else {
                self.live.swap_remove(position);
                self.live_loads.swap_remove(position);
                self.is_live[index] = false;
                self.resting[index] = self.drives[index].load();
                self.rest_by(feed, self.ends[index], self.resting[index]);
            }
        }
        for position in (0..self.restless.len()).rev() {
            let index = self.restless[position];
            self.supplies[index].step(self.now, time, self.loads[index]);
            if self.loads[index] == 0.0 {
                self.calm(position);
            }
        }
        self.protect(time);
        self.now += time;
    }

    /// Finds the load of the live drives on each supply, and the voltages that it leaves.
    fn weigh(&mut self) {
        for index in &self.restless {
            self.loads[*index] = 0.0;
        }
        self.grid.clear();
        self.live_loads.clear();
        for index in &self.live {
            let load = self.drives[*index].load();
            self.live_loads.push(load);
            self.loads[self.feeds[*index]] += load;
            if let Some(end) = self.ends[*index] {
                self.grid.load(end, load);
            }
        }
        for supply in 0..self.supplies.len() {
            if self.is_wired[supply] && (self.is_restless[supply] || !self.boards.is_empty()) {
                let seen = self.grid.seen(supply, true);
                if self.loads[supply] > 0.0 {
                    self.loads[supply] = (seen - self.supplies[supply].resting_load).max(0.0);
                }
                let volts = self.supplies[supply].volts(self.loads[supply]);
                self.grid.spread(supply, volts);
            }
        }
    }

    /// The voltage at the output of a drive, in this step.
    fn volts_of(&self, drive: usize) -> f64 {
        let feed = self.feeds[drive];
        match self.ends[drive] {
            Some(end) => self.grid.volts(end),
            None => self.supplies[feed].volts(self.loads[feed]),
        }
    }

    /// Changes what rests on a supply, at the end of a run where it has wires.
    fn rest_by(&mut self, supply: usize, end: Option<usize>, by: f64) {
        let resting = if let Some(end) = end {
            self.grid.rest(end, by);
            self.grid.seen(supply, false)
        } else {
            (self.supplies[supply].resting_load + by).max(0.0)
        };
        self.supplies[supply].resting_load = resting;
    }

    /// Whether a board is about to switch off.
    fn boards_wait(&self) -> bool {
        self.boards.iter().any(|board| board.over > Nanos::ZERO)
    }

    /// Boards whose outputs together carry too much for too long switch them all off.
    fn protect(&mut self, time: Nanos) {
        for board in 0..self.boards.len() {
            let drives = self.boards[board].drives.iter();
            let amps = drives.map(|drive| self.volts_of(*drive) * self.drives[*drive].load());
            let over = amps.sum::<f64>() > self.boards[board].limit_amps;
            let it = &mut self.boards[board];
            it.over = if over { it.over + time } else { Nanos::ZERO };
            if it.over < PROTECT_AFTER {
                continue;
            }
            it.over = Nanos::ZERO;
            it.cuts += 1;
            for drive in it.drives.clone() {
                self.touch(drive).cut_off();
            }
        }
    }

    /// Feeds a drive from another supply, by wires of its own.
    pub fn feed_from(&mut self, drive: usize, supply: usize) {
        // While it is live its load is not among those at rest.
        self.wake(drive);
        self.feeds[drive] = supply;
        self.ends[drive] = None;
        self.disturb(supply);
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
        let feed = self.feeds[index];
        // Also of a drive that is live without drawing anything, as a wire that cools: its supply
        // may have been left alone.
        self.disturb(feed);
        if !self.is_live[index] {
            self.is_live[index] = true;
            self.live.push(index);
            self.rest_by(feed, self.ends[index], -self.resting[index]);
            self.resting[index] = 0.0;
        }
    }
}
