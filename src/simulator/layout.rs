//! The thermal network of an enclosure: which parts there are and how heat gets from one to another.

use crate::science::thermal::{Boundary, JoulesPerKelvin, Network, Node, WattsPerKelvin};
use crate::settings::Enclosure;
use crate::units::Celsius;

use super::physics::{EnclosurePhysics, LampPhysics, Region};
use super::uv::REFERENCE;

/// Heat capacities of the places in a box of 120 × 60 × 60 cm, J/K: stone of 2 kg, air with fittings, air with walls
/// and substrate. Guesses in the order of mass times specific heat.
const CAPACITIES: [f64; 4] = [1500.0, 2500.0, 8000.0, 9000.0];
/// Conductances between neighbouring places, W/K: surface to the air above it, basking end to warm side, warm side to
/// cool side. Guesses.
const BETWEEN: [f64; 3] = [1.4, 6.0, 4.0];
/// Conductances of basking air, warm side and cool side to the room, W/K: walls of 2.9 m² at about 2.5 W/(m²·K) with
/// some ventilation. Guesses.
const TO_ROOM: [f64; 3] = [1.5, 3.0, 3.5];
/// How much hotter than its surroundings a lamp's body runs at full power, K. A guess.
const BODY_RISE: f64 = 150.0;
/// Shortest time constant of a lamp's body, s. A guess.
const BODY_LAG_LEAST: f64 = 5.0;
/// Nearest that a lamp's beam can hang, m.
const NEAREST: f64 = 0.05;
/// Room temperature at which lamps are chosen, °C. A guess.
const ROOM_WHEN_CHOSEN: f64 = 20.0;

/// The network of an enclosure, with its nodes in the order of [`Region::ALL`] and then the lamps.
pub(super) struct Layout {
    /// The network.
    pub network: Network,
    /// Places.
    pub places: [Node; 4],
    /// Lamp bodies.
    pub bodies: Vec<Node>,
    /// The room.
    pub room: Boundary,
}

/// What changes an enclosure's network.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Alteration {
    /// Losses to the room, as a multiple.
    pub draught: f64,
    /// How much further off each lamp hangs, m.
    pub further: Vec<f64>,
}

/// Most of a lamp's heat that goes straight to its spot, however near it hangs. A guess.
const BEAM_MOST: f64 = 0.95;

/// Builds the network of an enclosure whose lamps settle within `warm_ups` seconds.
pub(super) fn layout(size: f64, lamps: &[LampPhysics], warm_ups: &[f64], alteration: &Alteration) -> Layout {
    let mut network = Network::new();
    let places = CAPACITIES.map(|c| network.node(JoulesPerKelvin(size * c)));
    let room = network.boundary();
    for (pair, g) in places.windows(2).zip(BETWEEN) {
        network.link(pair[0], pair[1], WattsPerKelvin(size * g));
    }
    for (place, g) in places[1..].iter().zip(TO_ROOM) {
        network.lose(*place, room, WattsPerKelvin(size * g * alteration.draught));
    }
    let mut bodies = Vec::with_capacity(lamps.len());
    for ((lamp, warm_up), further) in lamps.iter().zip(warm_ups).zip(&alteration.further) {
        // Settled is 95 %: three time constants.
        let lag = (warm_up / 3.0).max(BODY_LAG_LEAST);
        let g = (lamp.watts.0 / BODY_RISE).max(1e-3);
        let body = network.node(JoulesPerKelvin(g * lag));
        let air = places[Region::BaskingAir as usize];
        // Of a beam that spreads, a spot of given size catches less with the square of the distance.
        let nearer = REFERENCE.0 / (REFERENCE.0 + further).max(NEAREST);
        let beam = if *further == 0.0 { lamp.beam } else { (lamp.beam * nearer * nearer).min(BEAM_MOST) };
        network.link(body, places[lamp.aim as usize], WattsPerKelvin(g * beam));
        network.link(body, air, WattsPerKelvin(g * (1.0 - beam)));
        bodies.push(body);
    }
    Layout { network, places, bodies, room }
}

/// The size at which lamp number `lamp` alone, left on, just brings `need` to its spot.
pub(super) fn fitting_size(physics: &EnclosurePhysics, enclosure: &Enclosure, lamp: usize, need: Celsius) -> f64 {
    let Some(this) = physics.lamps.get(lamp) else { return 1.0 };
    let warm_ups = warm_ups(enclosure);
    let as_built = Alteration { draught: 1.0, further: vec![0.0; physics.lamps.len()] };
    let reached = |size: f64| {
        let layout = layout(size, &physics.lamps, &warm_ups, &as_built);
        let mut heat = vec![0.0; layout.network.nodes()];
        heat[layout.bodies[lamp].index()] = this.watts.0;
        let steady = layout.network.steady(&[ROOM_WHEN_CHOSEN], &heat);
        steady.map_or(ROOM_WHEN_CHOSEN, |t| t[layout.places[this.aim as usize].index()])
    };
    // The larger the box, the cooler the spot: bisection on a logarithmic scale, to one part in a million.
    let (mut small, mut large) = (0.02_f64, 50.0_f64);
    for _ in 0..30 {
        let middle = (small * large).sqrt();
        if reached(middle) > need.0 { small = middle } else { large = middle }
    }
    small
}

/// Warm-up of each lamp in seconds.
pub(super) fn warm_ups(enclosure: &Enclosure) -> Vec<f64> {
    enclosure.lamps.iter().map(|lamp| lamp.warm_up.as_secs_f64()).collect()
}
