//! The wires from supplies to decoders: each a run from its supply or from another decoder.

use super::copper;
use crate::plan::Plan;

/// The wires of a plan. Decoders are named by their index in [`Plan::decoders`], supplies by
/// theirs in [`Plan::supplies`]; the supply that the plan does not name comes after the last.
#[derive(Debug, Clone, PartialEq)]
pub struct Tree {
    /// Resistance of each decoder's run, out and back, ohms.
    runs: Vec<f64>,
    /// The decoder at which it begins.
    from: Vec<Option<usize>>,
    /// The supply behind each decoder.
    supply: Vec<usize>,
    /// Decoders, each behind the one that its run begins at.
    order: Vec<usize>,
    supplies: usize,
}

/// The supply as it appears at one decoder: what a load there gets and what it takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Port {
    /// Share of the voltage at the supply's terminals that is there without the load.
    pub share: f64,
    /// Resistance between, ohms, with the terminals taken as firm.
    pub ohms: f64,
    /// Conductance that the supply sees without the load, siemens.
    pub input: f64,
}

impl Port {
    /// Voltage at the decoder, for a voltage at the terminals and a load of that conductance.
    pub fn volts(&self, terminals: f64, load: f64) -> f64 {
        terminals * self.share / (1.0 + self.ohms * load)
    }

    /// Conductance that the supply sees with that load.
    pub fn seen(&self, load: f64) -> f64 {
        self.input + self.share * self.share * load / (1.0 + self.ohms * load)
    }
}

/// A tree with what hangs on it at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded<'t> {
    tree: &'t Tree,
    /// Conductance that each decoder's run brings to where it begins.
    upward: Vec<f64>,
    /// Conductance behind the end of each decoder's run.
    behind: Vec<f64>,
    /// Conductance that each supply sees.
    inputs: Vec<f64>,
}

impl Tree {
    /// The wires of a plan.
    pub fn of(plan: &Plan) -> Self {
        let supplies = plan.supplies.len();
        let run = |decoder: &crate::plan::Decoder| {
            decoder.wire.map_or(0.0, |run| copper::loop_ohms(run.wire))
        };
        let runs = plan.decoders.iter().map(run).collect();
        let from: Vec<_> = plan
            .decoders
            .iter()
            .map(|decoder| decoder.wire.and_then(|run| run.from))
            .collect();
        let supply = plan.decoders.iter();
        let supply = supply.map(|decoder| decoder.supply.unwrap_or(supplies));
        let mut tree = Self {
            runs,
            supply: supply.collect(),
            order: Vec::new(),
            from,
            supplies,
        };
        tree.order = tree.in_order();
        tree
    }

    /// Decoders by how many boards there are before them.
    fn in_order(&self) -> Vec<usize> {
        let mut order: Vec<_> = (0..self.runs.len()).collect();
        order.sort_by_key(|decoder| self.path(*decoder).len());
        order
    }

    /// The decoder and those before it, back to the supply. A sound plan has no loops; one that
    /// did would end there.
    fn path(&self, decoder: usize) -> Vec<usize> {
        let mut path = vec![decoder];
        let mut at = self.from.get(decoder).copied().flatten();
        while let Some(next) = at
            && path.len() <= self.runs.len()
        {
            path.push(next);
            at = self.from.get(next).copied().flatten();
        }
        path
    }

    /// Resistance of wire from the supply to a decoder, out and back, ohms.
    pub fn ohms_to(&self, decoder: usize) -> f64 {
        let path = self.path(decoder);
        path.iter().filter_map(|at| self.runs.get(*at)).sum()
    }

    /// Resistance of a decoder's own run, ohms.
    pub fn run_ohms(&self, decoder: usize) -> f64 {
        self.runs.get(decoder).copied().unwrap_or_default()
    }

    /// The decoder at which a decoder's run begins.
    pub fn begins_at(&self, decoder: usize) -> Option<usize> {
        self.from.get(decoder).copied().flatten()
    }

    /// Index of the supply behind a decoder.
    pub fn supply_of(&self, decoder: usize) -> usize {
        self.supply.get(decoder).copied().unwrap_or(self.supplies)
    }

    /// Decoders, each behind the one that its run begins at.
    pub fn order(&self) -> &[usize] {
        &self.order
    }

    /// Hangs a conductance, siemens, on each decoder. What hangs on the unnamed supply without a
    /// decoder is not in it.
    pub fn with(&self, loads: &[f64]) -> Loaded<'_> {
        let mut behind = loads.to_vec();
        behind.resize(self.runs.len(), 0.0);
        let mut upward = vec![0.0; self.runs.len()];
        let mut inputs = vec![0.0; self.supplies + 1];
        for decoder in self.order.iter().rev().copied() {
            let load = behind.get(decoder).copied().unwrap_or_default();
            let brought = load / (1.0 + self.run_ohms(decoder) * load);
            if let Some(up) = upward.get_mut(decoder) {
                *up = brought;
            }
            let place = match self.begins_at(decoder) {
                Some(from) => behind.get_mut(from),
                None => inputs.get_mut(self.supply_of(decoder)),
            };
            if let Some(place) = place {
                *place += brought;
            }
        }
        Loaded {
            tree: self,
            upward,
            behind,
            inputs,
        }
    }
}

impl Loaded<'_> {
    /// Conductance that a supply sees.
    pub fn input(&self, supply: usize) -> f64 {
        self.inputs.get(supply).copied().unwrap_or_default()
    }

    /// The supply as it appears at a decoder.
    pub fn port(&self, decoder: usize) -> Port {
        let mut path = self.tree.path(decoder);
        path.reverse();
        let (mut share, mut ohms) = (1.0, 0.0);
        for (index, at) in path.iter().copied().enumerate() {
            ohms += self.tree.run_ohms(at);
            // Whatever hangs there beside the next run of the path.
            let behind = self.behind.get(at).copied().unwrap_or_default();
            let next = path.get(index + 1).and_then(|next| self.upward.get(*next));
            let beside = behind - next.copied().unwrap_or_default();
            let held = 1.0 + ohms * beside;
            share /= held;
            ohms /= held;
        }
        Port {
            share,
            ohms,
            input: self.input(self.tree.supply_of(decoder)),
        }
    }
}
