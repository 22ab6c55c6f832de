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

/// Modes are worked on in groups, side by side; what fills up the last group stays at zero.
const WIDTH: usize = 4;
/// A number for each mode of a group.
type Group = [f64; WIDTH];

/// A network in motion, exact for any whole number of milliseconds. A mode runs as `z(t) = p(t) + (z(0) −
/// p(0))·e^(−λt)` about the line `p` it is drawn to; its exponential is the product of three that are stored. Nothing
/// allocates after the beginning.
#[derive(Clone, Debug)]
pub struct Motion {
    /// How many nodes and modes there are.
    n: usize,
    /// How many groups of modes.
    groups: usize,
    /// Modes from node temperatures, row by row.
    coordinates: Vec<f64>,
    /// What each mode brings to a node, one row of groups a node.
    nodes: Vec<Group>,
    /// Where a watt into a node draws each mode, one row of groups a node.
    warmth: Vec<Group>,
    /// Where one degree of each boundary draws each mode, one row of groups a boundary.
    pull: Vec<Group>,
    /// Time constant of each mode, s; zero marks one that has no way out.
    lags: Vec<Group>,
    /// Whether there is such a mode.
    still: bool,
    /// `e^(−λt)` of each mode for every value of each group of bits of a step's milliseconds.
    tables: [Vec<Group>; TABLES],
    /// Where each mode stands.
    state: Vec<Group>,
    /// Heat into each node, W.
    heat: Vec<f64>,
    /// Where heat alone draws each mode: drive over rate, or drive where there is no way out.
    target: Vec<Group>,
}

/// Most modes of a network whose nodes have a [`Course`].
pub const COURSE: usize = 8;

/// How one node's temperature runs while heat and slopes hold: a straight line and one exponential for each mode.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Course {
    /// The line now, °C.
    pub line: f64,
    /// How it changes, K/s.
    pub slope: f64,
    /// How far each mode keeps the node off the line now, K; each dies away at its rate ([`Motion::decays`]).
    pub parts: [f64; COURSE],
}

impl Course {
    /// The temperature (°C) where the line stands at `line` and the modes at `parts`: two lanes side by side, always in
    /// the same order.
    #[inline]
    pub fn sum(line: f64, parts: &[f64; COURSE]) -> f64 {
        let [a, b, c, d, e, f, g, h] = *parts;
        let lanes = [(a + c) + (e + g), (b + d) + (f + h)];
        line + (lanes[0] + lanes[1])
    }
}

/// A step to take.
struct Step {
    /// Its length, s.
    seconds: f64,
    /// Rows of the tables.
    rows: [usize; TABLES],
}

impl Motion {
    /// `network`, every node at `temperature` (°C), no heat.
    pub fn new(network: &Network, temperature: f64) -> Motion {
        let modes = Modes::of(network);
        let n = network.nodes();
        let groups = n.div_ceil(WIDTH);
        let lag = |mode: usize| if modes.rates[mode] > STILL { 1.0 / modes.rates[mode] } else { 0.0 };
        let scale = |mode: usize| if lag(mode) > 0.0 { lag(mode) } else { 1.0 };
        let table = |bits: u32| {
            let passed = |row: usize| ((row as u64) << (BITS * bits)) as f64 / 1000.0;
            grouped(1 << BITS, n, |row, mode| libm::exp(-modes.rates[mode] * passed(row)))
        };
        let mut motion = Motion {
            n,
            groups,
            nodes: grouped(n, n, |node, mode| modes.nodes[node * n + mode]),
            warmth: grouped(n, n, |node, mode| modes.heat[mode * n + node] * scale(mode)),
            pull: grouped(network.boundaries, n, |boundary, mode| modes.boundaries[boundary * n + mode] * scale(mode)),
            lags: grouped(1, n, |_, mode| lag(mode)),
            still: (0..n).any(|mode| lag(mode) == 0.0),
            tables: [table(0), table(1), table(2)],
            state: vec![[0.0; WIDTH]; groups],
            heat: vec![0.0; n],
            target: vec![[0.0; WIDTH]; groups],
            coordinates: modes.coordinates,
        };
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
        for (mode, row) in self.coordinates.chunks(self.n.max(1)).enumerate() {
            self.state[mode / WIDTH][mode % WIDTH] = row.iter().zip(temperatures).map(|(c, t)| c * t).sum();
        }
    }

    /// Computes anew where heat draws each mode.
    fn aim(&mut self) {
        self.target.fill([0.0; WIDTH]);
        for (node, watts) in self.heat.iter().enumerate() {
            if *watts != 0.0 {
                let row = &self.warmth[node * self.groups..(node + 1) * self.groups];
                for (target, warmth) in self.target.iter_mut().zip(row) {
                    (0..WIDTH).for_each(|k| target[k] += warmth[k] * watts);
                }
            }
        }
    }

    /// Temperatures of all nodes, °C.
    pub fn temperatures(&self) -> Vec<f64> {
        (0..self.n).map(|node| self.at(Node(node))).collect()
    }

    /// Temperature of one node, °C.
    pub fn at(&self, node: Node) -> f64 {
        sum(self.row(node).iter().zip(&self.state))
    }

    /// What each mode brings to a node.
    fn row(&self, node: Node) -> &[Group] {
        &self.nodes[node.0 * self.groups..(node.0 + 1) * self.groups]
    }

    /// Sets the temperature of one node, °C.
    pub fn set(&mut self, node: Node, temperature: f64) {
        let mut temperatures = self.temperatures();
        temperatures[node.0] = temperature;
        self.place(&temperatures);
    }

    /// Heat that flows into a node, W.
    pub fn heat(&self, node: Node) -> f64 {
        self.heat[node.0]
    }

    /// Heat flows into a node from now on, W.
    pub fn set_heat(&mut self, node: Node, watts: f64) {
        if self.heat[node.0] != watts {
            self.heat[node.0] = watts;
            self.aim();
        }
    }

    /// Moves on by `millis`. Another number of ramps than there are boundaries is a programming error and moves
    /// nothing.
    pub fn advance(&mut self, millis: u64, boundaries: &[Ramp]) {
        if boundaries.len() * self.groups != self.pull.len() {
            debug_assert!(false, "one ramp for each boundary");
            return;
        }
        let mut done = 0;
        while done < millis {
            let length = (millis - done).min(LONGEST);
            let step = Step::of(length);
            for group in 0..self.groups {
                self.state[group] = self.moved(group, &step, done as f64 / 1000.0, boundaries);
            }
            done += length;
        }
    }

    /// The temperature (°C) of a node `millis` ahead, which stays below 35 minutes.
    pub fn ahead(&self, node: Node, millis: u64, boundaries: &[Ramp]) -> f64 {
        let step = Step::of(millis.min(LONGEST));
        let moved: [Group; 2] = std::array::from_fn(|group| {
            if group < self.groups { self.moved(group, &step, 0.0, boundaries) } else { [0.0; WIDTH] }
        });
        let row = self.row(node);
        let first = sum(row.iter().zip(&moved));
        // Most enclosures have no more than eight modes.
        let rest = row.iter().enumerate().skip(moved.len());
        first + rest.map(|(group, v)| sum([(v, &self.moved(group, &step, 0.0, boundaries))].into_iter())).sum::<f64>()
    }

    /// How the temperature of a node runs from now on; none where there are too many modes, or one has no way out.
    pub fn course(&self, node: Node, boundaries: &[Ramp]) -> Option<Course> {
        if self.still || self.groups * WIDTH > COURSE || boundaries.len() * self.groups != self.pull.len() {
            return None;
        }
        let mut course = Course::default();
        let (mut line, mut slope) = ([0.0; WIDTH], [0.0; WIDTH]);
        for (group, row) in self.row(node).iter().enumerate() {
            let (mut drawn, mut rate) = (self.target[group], [0.0; WIDTH]);
            for (boundary, ramp) in boundaries.iter().enumerate() {
                let pull = &self.pull[boundary * self.groups + group];
                for k in 0..WIDTH {
                    drawn[k] += pull[k] * ramp.start;
                    rate[k] += pull[k] * ramp.slope;
                }
            }
            for k in 0..WIDTH {
                drawn[k] -= rate[k] * self.lags[group][k];
                line[k] += row[k] * drawn[k];
                slope[k] += row[k] * rate[k];
                course.parts[group * WIDTH + k] = row[k] * (self.state[group][k] - drawn[k]);
            }
        }
        course.line = (line[0] + line[1]) + (line[2] + line[3]);
        course.slope = (slope[0] + slope[1]) + (slope[2] + slope[3]);
        Some(course)
    }

    /// What is left of each part of a [`Course`] after `millis`, of which there are less than 35 minutes.
    pub fn decays(&self, millis: u64) -> [f64; COURSE] {
        let step = Step::of(millis.min(LONGEST));
        let mut decays = [0.0; COURSE];
        for (group, decays) in decays.chunks_exact_mut(WIDTH).enumerate().take(self.groups) {
            let part = |table: usize| &self.tables[table][step.rows[table] * self.groups + group];
            let (a, b, c) = (part(0), part(1), part(2));
            (0..WIDTH).for_each(|k| decays[k] = a[k] * b[k] * c[k]);
        }
        decays
    }

    /// Where a group of modes stands after a step, the ramps having run for `from` seconds before.
    #[inline]
    fn moved(&self, group: usize, step: &Step, from: f64, boundaries: &[Ramp]) -> Group {
        let (mut target, mut slope) = (self.target[group], [0.0; WIDTH]);
        for (boundary, ramp) in boundaries.iter().enumerate() {
            let (pull, start) = (&self.pull[boundary * self.groups + group], ramp.start + ramp.slope * from);
            for k in 0..WIDTH {
                target[k] += pull[k] * start;
                slope[k] += pull[k] * ramp.slope;
            }
        }
        let part = |table: usize| &self.tables[table][step.rows[table] * self.groups + group];
        let (a, b, c) = (part(0), part(1), part(2));
        let (z, lags) = (&self.state[group], &self.lags[group]);
        let mut moved = [0.0; WIDTH];
        for k in 0..WIDTH {
            let line = target[k] - slope[k] * lags[k];
            moved[k] = line + slope[k] * step.seconds + (z[k] - line) * (a[k] * b[k] * c[k]);
        }
        if self.still {
            for k in (0..WIDTH).filter(|k| lags[*k] == 0.0) {
                moved[k] = z[k] + (target[k] + slope[k] * step.seconds / 2.0) * step.seconds;
            }
        }
        moved
    }
}

impl Step {
    /// A step of `millis`, at most [`LONGEST`].
    fn of(millis: u64) -> Step {
        let mask = (1 << BITS) - 1;
        let rows = std::array::from_fn(|table| (millis >> (BITS as usize * table)) as usize & mask);
        Step { seconds: millis as f64 / 1000.0, rows }
    }
}

/// Rows of numbers, each filled up to whole groups with zeros.
fn grouped(rows: usize, n: usize, entry: impl Fn(usize, usize) -> f64) -> Vec<Group> {
    let group = |row: usize, group: usize| {
        std::array::from_fn(|k| {
            let mode = group * WIDTH + k;
            if mode < n { entry(row, mode) } else { 0.0 }
        })
    };
    (0..rows).flat_map(|row| (0..n.div_ceil(WIDTH)).map(move |at| (row, at))).map(|(row, at)| group(row, at)).collect()
}

/// The sum of products, lane by lane first.
#[inline]
fn sum<'a>(pairs: impl Iterator<Item = (&'a Group, &'a Group)>) -> f64 {
    let mut lanes = [0.0; WIDTH];
    for (a, b) in pairs {
        (0..WIDTH).for_each(|k| lanes[k] += a[k] * b[k]);
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}
