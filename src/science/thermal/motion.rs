//! A network in motion.

use super::modes::Modes;
use super::{Network, Node};

/// The temperature of a boundary during a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    /// At the beginning of the step, °C.
    pub start: f64,
    /// How it changes, K/s.
    pub slope: f64,
}

impl Ramp {
    /// A temperature (°C) that holds still.
    pub const fn still(temperature: f64) -> Ramp {
        Ramp { start: temperature, slope: 0.0 }
    }

    /// The temperature `seconds` into the step, °C.
    pub fn after(self, seconds: f64) -> f64 {
        self.start + self.slope * seconds
    }
}

/// Bits of a step's milliseconds that one table serves.
const BITS: u32 = 7;
/// How many tables there are.
const TABLES: usize = 3;
/// The longest step taken at once, ms: 35 minutes.
const LONGEST: u64 = (1 << (BITS * TABLES as u32)) - 1;
/// A mode slower than this, 1/s, has no way out: three hundred years.
const STILL: f64 = 1e-10;

/// A network in motion, exact for any whole number of milliseconds. A mode runs as `z(t) = p(t) + (z(0) − p(0))·e^(−λt)`
/// about the line `p` it is drawn to; its exponential is the product of three that are stored. Nothing allocates after
/// the beginning.
#[derive(Clone, Debug)]
pub struct Motion {
    /// What moves, taken apart.
    modes: Modes,
    /// How many modes there are.
    n: usize,
    /// Where each mode stands.
    state: Vec<f64>,
    /// Heat into each node, W.
    heat: Vec<f64>,
    /// Where heat alone draws each mode: drive over rate, or drive where there is no way out.
    target: Vec<f64>,
    /// Where one degree of each boundary draws each mode, one row a boundary.
    pull: Vec<f64>,
    /// Time constant of each mode, s; zero marks one that has no way out.
    lags: Vec<f64>,
    /// `e^(−λt)` of each mode for every value of each group of bits of a step's milliseconds.
    tables: [Vec<f64>; TABLES],
}

impl Motion {
    /// `network`, every node at `temperature` (°C), no heat.
    pub fn new(network: &Network, temperature: f64) -> Motion {
        let modes = Modes::of(network);
        let n = network.nodes();
        let lags: Vec<f64> = modes.rates.iter().map(|rate| if *rate > STILL { 1.0 / rate } else { 0.0 }).collect();
        let scale = |mode: usize| if lags[mode] > 0.0 { lags[mode] } else { 1.0 };
        let pull = modes.boundaries.iter().enumerate().map(|(at, drive)| drive * scale(at % n)).collect();
        let table = |group: u32| {
            let step = |at: usize| (at as u64) << (BITS * group);
            let entry = |at: usize| libm::exp(-modes.rates[at % n] * step(at / n) as f64 / 1000.0);
            (0..n << BITS).map(entry).collect()
        };
        let tables = [table(0), table(1), table(2)];
        let mut motion =
            Motion { n, state: vec![0.0; n], heat: vec![0.0; n], target: vec![0.0; n], pull, lags, tables, modes };
        motion.place(&vec![temperature; n]);
        motion
    }

    /// The same temperatures and heat in `network`, which has as many nodes; none where it has not.
    pub fn within(&self, network: &Network) -> Option<Motion> {
        if network.nodes() != self.n {
            return None;
        }
        let mut motion = Motion::new(network, 0.0);
        motion.place(&self.temperatures());
        motion.heat.copy_from_slice(&self.heat);
        motion.aim();
        Some(motion)
    }

    /// Puts every node where `temperatures` (°C) say.
    fn place(&mut self, temperatures: &[f64]) {
        for (state, row) in self.state.iter_mut().zip(self.modes.coordinates.chunks(self.n.max(1))) {
            *state = row.iter().zip(temperatures).map(|(c, t)| c * t).sum();
        }
    }

    /// Computes anew where heat draws each mode.
    fn aim(&mut self) {
        for ((target, row), lag) in self.target.iter_mut().zip(self.modes.heat.chunks(self.n.max(1))).zip(&self.lags) {
            let drive: f64 = row.iter().zip(&self.heat).map(|(h, p)| h * p).sum();
            *target = drive * if *lag > 0.0 { *lag } else { 1.0 };
        }
    }

    /// Temperatures of all nodes, °C.
    pub fn temperatures(&self) -> Vec<f64> {
        (0..self.n).map(|node| self.at(Node(node))).collect()
    }

    /// Temperature of one node, °C.
    pub fn at(&self, node: Node) -> f64 {
        self.row(node).iter().zip(&self.state).map(|(v, z)| v * z).sum()
    }

    /// What each mode brings to a node.
    fn row(&self, node: Node) -> &[f64] {
        &self.modes.nodes[node.0 * self.n..(node.0 + 1) * self.n]
    }

    /// Sets the temperature of one node, °C.
    pub fn set(&mut self, node: Node, temperature: f64) {
        let mut temperatures = self.temperatures();
        temperatures[node.0] = temperature;
        self.place(&temperatures);
    }

    /// Heat flows into a node from now on, W.
    pub fn set_heat(&mut self, node: Node, watts: f64) {
        if self.heat[node.0] != watts {
            self.heat[node.0] = watts;
            self.aim();
        }
    }

    /// Moves on by `millis`. Another number of ramps than there are boundaries is a programming error and moves nothing.
    pub fn advance(&mut self, millis: u64, boundaries: &[Ramp]) {
        if boundaries.len() * self.n != self.pull.len() {
            debug_assert!(false, "one ramp for each boundary");
            return;
        }
        let mut done = 0;
        while done < millis {
            let step = (millis - done).min(LONGEST);
            for mode in 0..self.n {
                self.state[mode] = self.moved(mode, step, done as f64 / 1000.0, boundaries, self.state[mode]);
            }
            done += step;
        }
    }

    /// The temperature (°C) of a node `millis` ahead, which stays below 35 minutes.
    pub fn ahead(&self, node: Node, millis: u64, boundaries: &[Ramp]) -> f64 {
        let millis = millis.min(LONGEST);
        let modes = self.row(node).iter().zip(&self.state).enumerate();
        modes.map(|(mode, (v, z))| v * self.moved(mode, millis, 0.0, boundaries, *z)).sum()
    }

    /// Where a mode that stands at `z` stands `step` ms later, the ramps having run for `from` seconds before.
    fn moved(&self, mode: usize, step: u64, from: f64, boundaries: &[Ramp], z: f64) -> f64 {
        let seconds = step as f64 / 1000.0;
        let (mut target, mut slope) = (self.target[mode], 0.0);
        for (boundary, ramp) in boundaries.iter().enumerate() {
            let pull = self.pull[boundary * self.n + mode];
            target += pull * (ramp.start + ramp.slope * from);
            slope += pull * ramp.slope;
        }
        let lag = self.lags[mode];
        if lag == 0.0 {
            return z + (target + slope * seconds / 2.0) * seconds;
        }
        let line = target - slope * lag;
        let part = |group: usize| {
            let at = (step >> (BITS as usize * group)) as usize & ((1 << BITS) - 1);
            self.tables[group][at * self.n + mode]
        };
        line + slope * seconds + (z - line) * (part(0) * part(1) * part(2))
    }
}
