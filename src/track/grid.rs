//! The wires between supplies and boards, as a tree of resistances, and boards that protect
//! themselves as a whole.

use super::clock::Nanos;

/// The end of a run of wire: a board's terminals.
#[derive(Debug, Clone, Copy)]
struct Node {
    supply: usize,
    /// The node at which its run begins; the supply's terminals where there is none. Always one
    /// that was added before.
    from: Option<usize>,
    /// Resistance of the run, out and back, ohms.
    ohms: f64,
    /// Conductance at rest that hangs on it, siemens.
    resting: f64,
    /// Conductance of live drives on it, in this step.
    live: f64,
    /// Conductance behind its end, all told.
    behind: f64,
    /// Its voltage in this step.
    volts: f64,
}

/// The wires of a track. Supplies without any are not in it.
#[derive(Debug, Clone, Default)]
pub struct Grid {
    nodes: Vec<Node>,
}

impl Grid {
    /// Adds a run of that resistance; the index of its end.
    pub fn add(&mut self, supply: usize, from: Option<usize>, ohms: f64) -> usize {
        self.nodes.push(Node {
            supply,
            from,
            ohms,
            resting: 0.0,
            live: 0.0,
            behind: 0.0,
            volts: 0.0,
        });
        self.nodes.len() - 1
    }

    /// Changes what hangs on a node at rest.
    pub fn rest(&mut self, node: usize, by: f64) {
        let resting = &mut self.nodes[node].resting;
        *resting = (*resting + by).max(0.0);
    }

    /// Forgets the live drives of the step before.
    pub fn clear(&mut self) {
        for node in &mut self.nodes {
            node.live = 0.0;
        }
    }

    /// Hangs a live drive on a node for this step.
    pub fn load(&mut self, node: usize, conductance: f64) {
        self.nodes[node].live += conductance;
    }

    /// What a supply sees of its wires, siemens: of all that hangs on them, or of what rests.
    pub fn seen(&mut self, supply: usize, live: bool) -> f64 {
        for node in &mut self.nodes {
            node.behind = node.resting + if live { node.live } else { 0.0 };
        }
        let mut seen = 0.0;
        for index in (0..self.nodes.len()).rev() {
            let node = self.nodes[index];
            if node.supply != supply {
                continue;
            }
            let brought = node.behind / (1.0 + node.ohms * node.behind);
            match node.from {
                Some(from) => self.nodes[from].behind += brought,
                None => seen += brought,
            }
        }
        seen
    }

    /// Spreads a supply's voltage over its wires, with what [`Grid::seen`] last found.
    pub fn spread(&mut self, supply: usize, volts: f64) {
        for index in 0..self.nodes.len() {
            let node = self.nodes[index];
            if node.supply == supply {
                let above = node.from.map_or(volts, |from| self.nodes[from].volts);
                self.nodes[index].volts = above / (1.0 + node.ohms * node.behind);
            }
        }
    }

    /// The voltage of a node in this step.
    pub fn volts(&self, node: usize) -> f64 {
        self.nodes[node].volts
    }
}

/// A board that switches all its outputs off when together they carry too much.
#[derive(Debug, Clone)]
pub struct Board {
    /// What they may carry together, amperes.
    pub limit_amps: f64,
    /// Its drives.
    pub drives: Vec<usize>,
    /// How long they have carried more.
    pub over: Nanos,
    /// How often it has switched off.
    pub cuts: u32,
}
