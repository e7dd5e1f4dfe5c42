//! What hands do at the decoders of the simulated track, what is seen of their outputs, and its
//! programming track.

use throwproof_protocol::address::PairBit;
use throwproof_protocol::service::{Listen, ServiceStep};

use super::Track;
use super::clock::Nanos;

/// What is on the bench.
#[derive(Debug, Clone, Default)]
pub(super) struct Bench {
    /// The decoder on the programming track, which no more hears the main.
    programming: Option<usize>,
    /// Whether what is sent goes to the programming track.
    pub(super) is_programming: bool,
    /// Whether somebody looks at outputs.
    is_watching: bool,
    /// What came on since then: decoder, output, half.
    acted: Vec<(usize, usize, PairBit)>,
    /// Half-bits on the rails, if somebody listens in.
    tap: Option<Vec<Nanos>>,
}

impl Bench {
    /// Whether that decoder hears what is sent now.
    pub(super) fn hears(&self, unit: usize) -> bool {
        (self.programming == Some(unit)) == self.is_programming
    }

    /// Whether somebody listens in on the rails.
    pub(super) fn is_tapped(&self) -> bool {
        self.tap.is_some()
    }

    /// Half-bits went over the rails.
    pub(super) fn tap(&mut self, halves: &[Nanos]) {
        if let Some(tap) = &mut self.tap {
            tap.extend_from_slice(halves);
        }
    }

    /// An output came on.
    pub(super) fn note(&mut self, unit: usize, output: usize, half: PairBit) {
        if self.is_watching {
            self.acted.push((unit, output, half));
        }
    }
}

impl Track {
    /// Takes a decoder's power away, or gives it power.
    pub fn set_power(&mut self, decoder: usize, on: bool) {
        if self.units[decoder].is_off != on {
            return;
        }
        self.settle();
        self.units[decoder].is_off = !on;
        let mut acts = Vec::new();
        if on {
            self.units[decoder].decoder.power_up();
        } else {
            self.units[decoder].decoder.lose_power(&mut acts);
        }
        self.apply(decoder, &acts);
        self.settle();
    }

    /// Sets the switches on a decoder's board.
    pub fn set_switches(&mut self, decoder: usize, on: Vec<bool>) {
        self.units[decoder].decoder.set_switches(on);
    }

    /// Connects that decoder, and it alone, to the programming track; with `None`, the one that is
    /// there goes back to the layout.
    pub fn connect_to_programming_track(&mut self, decoder: Option<usize>) {
        self.bench.programming = decoder;
    }

    /// Begins to look at outputs.
    pub fn watch_outputs(&mut self) {
        self.settle();
        self.bench.is_watching = true;
        self.bench.acted.clear();
    }

    /// What came on since [`Track::watch_outputs`]: decoder, output and half, each an index.
    pub fn outputs_that_acted(&self) -> &[(usize, usize, PairBit)] {
        &self.bench.acted
    }

    /// Which half of an output is on.
    pub fn output_is_on(&self, decoder: usize, output: usize) -> Option<PairBit> {
        self.units.get(decoder)?.decoder.is_on(output)
    }

    /// Listens in on the rails from now on: every half-bit as it leaves the station.
    pub fn listen_in(&mut self) {
        self.bench.tap = Some(Vec::new());
    }

    /// What was listened in on since [`Track::listen_in`], which ends with it.
    pub fn listened_in(&mut self) -> Vec<Nanos> {
        self.bench.tap.take().unwrap_or_default()
    }

    /// Carries out one step of service mode on the programming track: that packet, that often,
    /// with that preamble. Says whether an acknowledgement came, where the step listens: at least
    /// 60 mA for 6 ms ± 1 ms (S-9.2.3, July 2012, section E).
    pub fn serve(&mut self, step: &ServiceStep) -> Option<bool> {
        self.bench.is_programming = true;
        let deaf = match step.listen {
            Listen::No => None,
            Listen::FromEndOf(packets) => Some(packets.min(step.count)),
            Listen::Throughout => Some(0),
        };
        let deaf_for = deaf.unwrap_or(step.count);
        let send = |track: &mut Self, times: u8| {
            if times > 0 {
                track.send_times(step.packet, step.preamble, u32::from(times));
            }
        };
        send(self, deaf_for);
        let since = self.now();
        send(self, step.count - deaf_for);
        self.bench.is_programming = false;
        deaf.map(|_| {
            let lasting = self.acknowledged(since);
            let lasting = throwproof_protocol::timing::Nanos::from_millis(lasting.0 / 1_000_000);
            throwproof_protocol::service::ACKNOWLEDGEMENT.contains(lasting)
        })
    }
}
