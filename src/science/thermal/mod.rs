//! Linear thermal networks, solved exactly.
//!
//! Nodes with a heat capacity exchange heat with each other and with boundaries, whose temperatures run along straight
//! lines within a step. While heat inputs hold still such a network is `C·x' = −K·x + P + L·T(t)` with a symmetric `K`.
//! Its modes are the eigenvectors of `C^(−½)·K·C^(−½)`: in them every part runs alone, each an exponential towards a
//! line, so a step of any length costs a few operations for each mode and has no error but rounding ([`Motion`]).

mod modes;
mod motion;

pub use motion::{COURSE, Course, Motion, Ramp};

/// A heat capacity in joules per kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct JoulesPerKelvin(pub f64);

/// A thermal conductance in watts per kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct WattsPerKelvin(pub f64);

/// A node of a [`Network`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Node(usize);

impl Node {
    /// Where the node stands in slices of temperatures and heat inputs.
    pub const fn index(self) -> usize {
        self.0
    }
}

/// A boundary of a [`Network`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Boundary(usize);

impl Boundary {
    /// Where the boundary stands in slices of boundary temperatures.
    pub const fn index(self) -> usize {
        self.0
    }
}

/// Nodes, boundaries and the conductances between them.
#[derive(Clone, Debug, Default)]
pub struct Network {
    /// Heat capacity of each node, J/K.
    capacities: Vec<f64>,
    /// How many boundaries there are.
    boundaries: usize,
    /// Pairs of nodes with their conductance, W/K.
    links: Vec<(usize, usize, f64)>,
    /// Nodes with a boundary and their conductance, W/K.
    losses: Vec<(usize, usize, f64)>,
}

/// The least heat capacity a node can have, J/K: smaller ones, and NaN, are taken as this. A gram of air has one joule
/// per kelvin (specific heat 1.005 J/(g·K), physics), and nothing in an enclosure is a thousand times lighter.
const LEAST_CAPACITY: f64 = 1e-3;

impl Network {
    /// An empty network.
    pub fn new() -> Network {
        Network::default()
    }

    /// Adds a node. A capacity that is not above zero is taken as one millijoule per kelvin.
    pub fn node(&mut self, capacity: JoulesPerKelvin) -> Node {
        self.capacities.push(if capacity.0 > LEAST_CAPACITY { capacity.0 } else { LEAST_CAPACITY });
        Node(self.capacities.len() - 1)
    }

    /// Adds a boundary, whose temperature is given with each step.
    pub fn boundary(&mut self) -> Boundary {
        self.boundaries += 1;
        Boundary(self.boundaries - 1)
    }

    /// Joins two nodes. A conductance that is not above zero, or from a node to itself, joins nothing.
    pub fn link(&mut self, a: Node, b: Node, conductance: WattsPerKelvin) {
        if conductance.0 > 0.0 && a != b {
            self.links.push((a.0, b.0, conductance.0));
        }
    }

    /// Joins a node to a boundary. A conductance that is not above zero joins nothing.
    pub fn lose(&mut self, node: Node, boundary: Boundary, conductance: WattsPerKelvin) {
        if conductance.0 > 0.0 {
            self.losses.push((node.0, boundary.0, conductance.0));
        }
    }

    /// How many nodes there are.
    pub fn nodes(&self) -> usize {
        self.capacities.len()
    }

    /// `A` of `x' = A·x + b`, row by row, in 1/s.
    fn rates(&self) -> Vec<f64> {
        let n = self.nodes();
        let mut rates = vec![0.0; n * n];
        for &(a, b, g) in &self.links {
            for (i, j) in [(a, b), (b, a)] {
                rates[i * n + i] -= g / self.capacities[i];
                rates[i * n + j] += g / self.capacities[i];
            }
        }
        for &(i, _, g) in &self.losses {
            rates[i * n + i] -= g / self.capacities[i];
        }
        rates
    }

    /// Writes `b` of `x' = A·x + b` in K/s: heat inputs in W, and what the boundaries, in °C, bring in.
    fn drive(&self, boundaries: &[f64], heat: &[f64], b: &mut [f64]) {
        b.copy_from_slice(heat);
        for &(i, boundary, g) in &self.losses {
            b[i] += g * boundaries[boundary];
        }
        for (b, c) in b.iter_mut().zip(&self.capacities) {
            *b /= c;
        }
    }

    /// The temperatures (°C) the network settles at with these boundary temperatures (°C) and heat inputs (W); none
    /// where some node has no way to a boundary, or a slice is of the wrong length.
    ///
    /// Gaussian elimination with partial pivoting on `A·x = −b`.
    pub fn steady(&self, boundaries: &[f64], heat: &[f64]) -> Option<Vec<f64>> {
        let n = self.nodes();
        if boundaries.len() != self.boundaries || heat.len() != n {
            return None;
        }
        let mut a = self.rates();
        let mut x = vec![0.0; n];
        self.drive(boundaries, heat, &mut x);
        x.iter_mut().for_each(|b| *b = -*b);
        for column in 0..n {
            let pivot = (column..n).max_by(|&i, &j| a[i * n + column].abs().total_cmp(&a[j * n + column].abs()))?;
            let scale = a[pivot * n + column];
            // Relative to the rates of the row itself: without a way out the last pivot is rounding error alone.
            let largest = (0..n).map(|j| self.rate_scale(j)).fold(0.0, f64::max);
            if scale.abs() <= 1e-13 * largest {
                return None;
            }
            for j in 0..n {
                a.swap(pivot * n + j, column * n + j);
            }
            x.swap(pivot, column);
            for i in column + 1..n {
                let factor = a[i * n + column] / a[column * n + column];
                for j in column..n {
                    a[i * n + j] -= factor * a[column * n + j];
                }
                x[i] -= factor * x[column];
            }
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|j| a[i * n + j] * x[j]).sum();
            x[i] = (x[i] - known) / a[i * n + i];
        }
        Some(x)
    }

    /// The fastest rate of a node, 1/s.
    fn rate_scale(&self, node: usize) -> f64 {
        let through = |ends: (usize, usize), g: f64| if ends.0 == node || ends.1 == node { g } else { 0.0 };
        let inner: f64 = self.links.iter().map(|&(a, b, g)| through((a, b), g)).sum();
        let outer: f64 = self.losses.iter().map(|&(i, _, g)| through((i, i), g)).sum();
        (inner + outer) / self.capacities[node]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance, "{a} is not within {tolerance} of {b}");
    }

    /// Surface, air, warm side, cool side and a quick lamp body, to one room.
    fn enclosure() -> (Network, Vec<f64>) {
        let mut network = Network::new();
        let [surface, air, warm, cool, body] =
            [1500.0, 2500.0, 8000.0, 9000.0, 20.0].map(|c| network.node(JoulesPerKelvin(c)));
        let room = network.boundary();
        for (a, b, g) in
            [(body, surface, 0.3), (body, air, 0.2), (surface, air, 1.4), (air, warm, 6.0), (warm, cool, 4.0)]
        {
            network.link(a, b, WattsPerKelvin(g));
        }
        for (node, g) in [(air, 1.5), (warm, 3.0), (cool, 3.5)] {
            network.lose(node, room, WattsPerKelvin(g));
        }
        (network, vec![0.0, 0.0, 0.0, 0.0, 75.0])
    }

    /// Sets the heat into every node, W.
    fn warm(motion: &mut Motion, heat: &[f64]) {
        heat.iter().enumerate().for_each(|(node, watts)| motion.set_heat(Node(node), *watts));
    }

    #[test]
    fn a_single_node_follows_the_analytic_exponential() {
        // x(t) = x∞ + (x0 − x∞)·e^(−t·G/C), x∞ = room + P/G: textbook solution of a first-order lag.
        let mut network = Network::new();
        let node = network.node(JoulesPerKelvin(1200.0));
        let room = network.boundary();
        network.lose(node, room, WattsPerKelvin(2.0));
        let mut motion = Motion::new(&network, 5.0);
        motion.set_heat(node, 30.0);
        motion.advance(777_123, &[Ramp::still(20.0)]);
        close(motion.at(node), 35.0 + (5.0 - 35.0) * (-777.123_f64 * 2.0 / 1200.0).exp(), 1e-10);
    }

    #[test]
    fn a_course_runs_where_the_network_goes() {
        let (network, heat) = enclosure();
        let mut motion = Motion::new(&network, 19.0);
        warm(&mut motion, &heat);
        motion.advance(100_000, &[Ramp::still(19.0)]);
        let ramp = [Ramp { start: 19.0, slope: 0.002 }];
        for node in (0..5).map(Node) {
            let course = motion.course(node, &ramp).expect("five modes, all with a way out");
            let mut parts = course.parts;
            let mut followed = 0;
            for beat in [1, 9_987, 127_000, 1_700_000] {
                followed += beat;
                let decays = motion.decays(beat);
                parts.iter_mut().zip(decays).for_each(|(part, decay)| *part *= decay);
                let own = Course::sum(course.line + course.slope * followed as f64 / 1000.0, &parts);
                let mut moved = motion.clone();
                moved.advance(followed, &ramp);
                close(own, moved.at(node), 1e-10);
            }
        }
        let mut closed = Network::new();
        let node = closed.node(JoulesPerKelvin(1.0));
        assert_eq!(Motion::new(&closed, 0.0).course(node, &[]), None, "no way out");
    }

    #[test]
    fn it_settles_at_the_direct_solution() {
        let (network, heat) = enclosure();
        let steady = network.steady(&[21.0], &heat).expect("every node has a way to the room");
        let mut motion = Motion::new(&network, 21.0);
        warm(&mut motion, &heat);
        motion.advance(30 * 86_400_000, &[Ramp::still(21.0)]);
        for (moved, direct) in motion.temperatures().iter().zip(&steady) {
            close(*moved, *direct, 1e-8);
        }
        // In the steady state all heat leaves to the room: Σ G·(T − room) = P.
        close(1.5 * (steady[1] - 21.0) + 3.0 * (steady[2] - 21.0) + 3.5 * (steady[3] - 21.0), 75.0, 1e-9);
    }

    #[test]
    fn a_network_without_a_way_out_has_no_steady_state() {
        let mut network = Network::new();
        let (a, b) = (network.node(JoulesPerKelvin(100.0)), network.node(JoulesPerKelvin(333.0)));
        network.link(a, b, WattsPerKelvin(0.7));
        assert_eq!(network.steady(&[], &[1.0, 0.0]), None);
        assert_eq!(network.steady(&[20.0], &[1.0, 0.0]), None, "a temperature for a boundary that is not there");
    }

    #[test]
    fn an_isolated_network_keeps_its_heat() {
        let mut network = Network::new();
        let capacities = [900.0, 4000.0, 70.0];
        let nodes = capacities.map(|c| network.node(JoulesPerKelvin(c)));
        network.link(nodes[0], nodes[1], WattsPerKelvin(3.0));
        network.link(nodes[1], nodes[2], WattsPerKelvin(0.4));
        let mut motion = Motion::new(&network, 20.0);
        motion.set(nodes[0], 80.0);
        let heat = |motion: &Motion| motion.temperatures().iter().zip(capacities).map(|(t, c)| t * c).sum::<f64>();
        let before = heat(&motion);
        warm(&mut motion, &[5.0, 0.0, 1.5]);
        motion.advance(3_600_000, &[]);
        close(heat(&motion), before + 6.5 * 3600.0, 1e-6);
    }

    #[test]
    fn one_long_step_is_many_short_ones() {
        let (network, heat) = enclosure();
        let mut long = Motion::new(&network, 20.0);
        warm(&mut long, &heat);
        let (mut short, mut uneven) = (long.clone(), long.clone());
        // The room warms by a kelvin an hour all the while.
        let ramp = |passed: u64| [Ramp { start: 18.0 + passed as f64 / 3.6e6, slope: 1.0 / 3600.0 }];
        long.advance(3_000_000, &ramp(0));
        (0..3000).for_each(|s| short.advance(1000, &ramp(1000 * s)));
        let mut passed = 0;
        for ms in (0..50).flat_map(|_| [1, 59, 940, 12_345, 46_655]) {
            uneven.advance(ms, &ramp(passed));
            passed += ms;
        }
        for ((a, b), c) in long.temperatures().iter().zip(short.temperatures()).zip(uneven.temperatures()) {
            close(*a, b, 1e-9);
            close(*a, c, 1e-9);
        }
    }

    #[test]
    fn a_node_behind_a_warming_room_lags_by_its_time_constant() {
        // x' = (T(t) − x)/τ with T = s·t has x = s·(t − τ) + s·τ·e^(−t/τ), x(0) = 0: textbook response to a ramp.
        let mut network = Network::new();
        let node = network.node(JoulesPerKelvin(1200.0));
        let room = network.boundary();
        network.lose(node, room, WattsPerKelvin(2.0));
        let mut motion = Motion::new(&network, 0.0);
        let ramp = [Ramp { start: 0.0, slope: 0.01 }];
        let expected = 0.01 * (1500.0 - 600.0) + 0.01 * 600.0 * (-1500.0_f64 / 600.0).exp();
        close(motion.ahead(node, 1_500_000, &ramp), expected, 1e-12);
        motion.advance(1_500_000, &ramp);
        close(motion.at(node), expected, 1e-12);
    }

    #[test]
    fn another_network_takes_over_the_temperatures() {
        let (network, heat) = enclosure();
        let mut motion = Motion::new(&network, 20.0);
        warm(&mut motion, &heat);
        motion.advance(1_000_000, &[Ramp::still(18.0)]);
        let mut draughty = network.clone();
        draughty.lose(Node(3), Boundary(0), WattsPerKelvin(9.0));
        let mut other = motion.within(&draughty).expect("as many nodes");
        for (a, b) in motion.temperatures().iter().zip(other.temperatures()) {
            close(*a, b, 1e-12);
        }
        other.advance(30 * 86_400_000, &[Ramp::still(18.0)]);
        for (a, b) in draughty.steady(&[18.0], &heat).expect("a way out").iter().zip(other.temperatures()) {
            close(*a, b, 1e-8);
        }
        assert!(motion.within(&Network::new()).is_none());
    }

    fn fixture() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/fixtures/thermal.json")).expect("the fixture is JSON")
    }

    fn numbers(value: &serde_json::Value) -> Vec<f64> {
        value.as_array().expect("a list").iter().map(|x| x.as_f64().expect("a number")).collect()
    }

    /// The network a case of the fixture describes, with this many boundaries, at its start.
    fn written(case: &serde_json::Value, boundaries: usize) -> Motion {
        let mut network = Network::new();
        let nodes: Vec<Node> =
            numbers(&case["capacities"]).into_iter().map(|c| network.node(JoulesPerKelvin(c))).collect();
        let rooms: Vec<Boundary> = (0..boundaries).map(|_| network.boundary()).collect();
        for link in case["links"].as_array().expect("a list") {
            let link = numbers(link);
            network.link(nodes[link[0] as usize], nodes[link[1] as usize], WattsPerKelvin(link[2]));
        }
        for loss in case["losses"].as_array().expect("a list") {
            let loss = numbers(loss);
            network.lose(nodes[loss[0] as usize], rooms[loss[1] as usize], WattsPerKelvin(loss[2]));
        }
        let mut motion = Motion::new(&network, 0.0);
        for (node, start) in nodes.iter().zip(numbers(&case["start"])) {
            motion.set(*node, start);
        }
        motion
    }

    #[test]
    fn a_switched_lamp_in_a_changing_room_agrees_with_scipy() {
        // scipy.integrate.solve_ivp from corner to corner: tests/references/thermal.py. Its tolerance is 10⁻¹¹ a step.
        let fixture = fixture();
        let case = &fixture["driven"];
        let mut motion = written(case, 1);
        let steps = case["steps"].as_array().expect("a list");
        assert_eq!(steps.len(), 8);
        for (step, after) in steps.iter().zip(case["after"].as_array().expect("a list")) {
            let [millis, start, slope, watts] = numbers(step)[..] else { panic!("four numbers") };
            motion.set_heat(Node(4), watts);
            motion.advance(millis as u64, &[Ramp { start, slope }]);
            for (own, ivp) in motion.temperatures().iter().zip(numbers(after)) {
                close(*own, ivp, 1e-6);
            }
        }
    }

    #[test]
    fn it_agrees_with_scipy() {
        // scipy.linalg.expm and scipy.integrate.solve_ivp on the same networks: tests/references/thermal.py.
        let fixture = fixture();
        let cases = fixture["cases"].as_array().expect("a list");
        assert!(cases.len() >= 4);
        for case in cases {
            let mut motion = written(case, numbers(&case["boundaries"]).len());
            let millis = case["millis"].as_u64().expect("whole milliseconds");
            warm(&mut motion, &numbers(&case["heat"]));
            let still: Vec<Ramp> = numbers(&case["boundaries"]).into_iter().map(Ramp::still).collect();
            motion.advance(millis, &still);
            for (own, (expm, ivp)) in
                motion.temperatures().iter().zip(numbers(&case["expm"]).iter().zip(numbers(&case["solve_ivp"])))
            {
                close(*own, *expm, 1e-9);
                close(*own, ivp, 1e-6);
            }
        }
    }

    proptest! {
        #[test]
        fn temperatures_stay_between_the_coldest_and_the_hottest_without_heat(
            start in 0.0..60.0_f64, room in 0.0..60.0_f64, millis in 0..10_000_000_u64,
        ) {
            // The maximum principle: heat flows from hot to cold alone.
            let (network, _) = enclosure();
            let mut motion = Motion::new(&network, start);
            motion.advance(millis, &[Ramp::still(room)]);
            for t in motion.temperatures() {
                prop_assert!(t >= start.min(room) - 1e-9 && t <= start.max(room) + 1e-9);
            }
        }
    }
}
