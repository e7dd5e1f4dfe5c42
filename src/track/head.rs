//! A signal in its place, or whatever else is switched like one.

use throwproof_protocol::address::PairBit;

use super::Track;
use super::as_built::{self, OutputState};
use super::clock::Nanos;
use crate::plan::{self, SignalKind, Sort};

/// Full travel of crossing gates: a few seconds (common practice, no source).
const GATES_TRAVEL: Nanos = Nanos::from_millis(3_000);

/// A signal in its place.
#[derive(Debug, Clone)]
pub(super) struct Head {
    pub(super) kind: SignalKind,
    pub(super) sort: Sort,
    /// Values it can show.
    knows: Vec<u8>,
    /// The last of them, which gates that are blocked never reach; the one of lights that are on.
    far: u8,
    /// What is wrong with it.
    built: as_built::Signal,
    exchanged: Option<(u8, u8)>,
    /// What it shows, or where it is on its way to. An uncoupler shows something while it is up.
    shows: Option<u8>,
    /// When gates are where they were sent.
    arrives: Nanos,
    /// An uncoupler rose since the last [`Track::attend`].
    pub(super) rose: bool,
    pub(super) before: Option<u8>,
}

impl Head {
    /// The head of a signal; gates are found as `found_far` says.
    pub(super) fn new(
        signal: &plan::Signal,
        built: &as_built::Signal,
        exchanged: Option<(u8, u8)>,
        found_far: bool,
    ) -> Self {
        let knows: Vec<_> = signal.aspects.iter().map(|aspect| aspect.value).collect();
        let near = knows.first().copied().unwrap_or_default();
        let far = knows.last().copied().unwrap_or_default();
        let mut head = Self {
            kind: signal.kind,
            sort: signal.sort,
            knows,
            far,
            built: built.clone(),
            exchanged,
            shows: match signal.sort {
                Sort::Signal | Sort::Uncoupler => None,
                Sort::Gates if found_far => Some(far),
                Sort::Gates | Sort::Lights => Some(near),
            },
            arrives: Nanos::ZERO,
            rose: false,
            before: None,
        };
        if let Some(OutputState::Stuck(half)) = built.output {
            let value = head.at_head(half).as_u8();
            if head.knows.contains(&value) {
                head.shows = Some(value);
            }
        }
        head.before = head.visible(Nanos::ZERO);
        head
    }

    /// The half that its leads make of one of the output.
    fn at_head(&self, half: PairBit) -> PairBit {
        if self.built.leads_swapped {
            half.opposite()
        } else {
            half
        }
    }

    /// Whether a half is always on, so that no command changes anything.
    fn is_stuck(&self) -> bool {
        matches!(self.built.output, Some(OutputState::Stuck(_)))
    }

    /// The half that reaches it: a dead one does not.
    fn reaches(&self, half: Option<PairBit>) -> Option<PairBit> {
        let half = half.filter(|half| match self.built.output {
            None | Some(OutputState::Stuck(_)) => true,
            Some(OutputState::Dead) => false,
            Some(OutputState::HalfDead(dead)) => *half != dead,
        });
        half.map(|half| self.at_head(half))
    }

    /// The value it shows; `None` when it is dark, or gates are on their way.
    pub(super) fn visible(&self, now: Nanos) -> Option<u8> {
        let shows = self.shows.filter(|_| !self.built.dark)?;
        let is_between = now < self.arrives || self.built.blocked && shows == self.far;
        if self.sort == Sort::Gates && is_between {
            return None;
        }
        Some(match self.exchanged {
            Some((one, other)) if shows == one => other,
            Some((one, other)) if shows == other => one,
            _ => shows,
        })
    }

    /// The only value of an uncoupler.
    pub(super) fn value(&self) -> u8 {
        self.far
    }

    /// Whether it is an uncoupler that is up.
    pub(super) fn is_up(&self) -> bool {
        self.sort == Sort::Uncoupler && self.shows.is_some()
    }
}

impl Track {
    /// An output on which there is a head switches.
    pub(super) fn switch_heads(&mut self, unit: usize, output: usize, half: Option<PairBit>) {
        for index in 0..self.units[unit].heads[output].len() {
            let (at, place) = self.units[unit].heads[output][index];
            let head = &self.heads[at];
            if head.kind != SignalKind::Pairs || head.is_stuck() {
                continue;
            }
            let value = head.reaches(half).map(|half| 2 * place + half.as_u8());
            match (head.sort, value) {
                (Sort::Uncoupler, value) => self.lift(at, value),
                (Sort::Signal | Sort::Gates | Sort::Lights, Some(value)) => self.show(at, value),
                // Lights have no latch: they are on while their output is.
                (Sort::Lights, None) => self.show(at, self.heads[at].knows[0]),
                (Sort::Signal | Sort::Gates, None) => {}
            }
        }
    }

    /// An output on which there is a head has got an aspect.
    pub(super) fn show_aspect(&mut self, unit: usize, output: usize, value: u8) {
        for index in 0..self.units[unit].heads[output].len() {
            let (at, _) = self.units[unit].heads[output][index];
            let head = &self.heads[at];
            if head.kind == SignalKind::Extended && head.built.output != Some(OutputState::Dead) {
                self.show(at, value);
            }
        }
    }

    /// An uncoupler is up while its half of the output is on.
    fn lift(&mut self, at: usize, value: Option<u8>) {
        let head = &mut self.heads[at];
        let up = value.filter(|value| head.knows.contains(value));
        head.rose |= up.is_some() && head.shows.is_none();
        head.shows = up;
        self.note_change(at);
    }

    /// A signal that does not know an aspect keeps the one it shows (NEM 672, 2015).
    fn show(&mut self, at: usize, value: u8) {
        let now = self.now;
        let head = &mut self.heads[at];
        if head.knows.contains(&value) {
            if head.sort == Sort::Gates && head.shows != Some(value) {
                head.arrives = now + GATES_TRAVEL;
            }
            head.shows = Some(value);
            self.note_change(at);
        }
    }

    fn note_change(&mut self, head: usize) {
        if !self.changed.contains(&head) {
            self.changed.push(head);
        }
    }
}
