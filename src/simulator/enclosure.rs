//! One enclosure as a physical thing: its thermal network, lamps, outputs and probes.

use chrono::{DateTime, TimeDelta, Utc};

use crate::science::thermal::{Boundary, JoulesPerKelvin, Motion, Network, Node, WattsPerKelvin};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Measures, ProbeIx};
use crate::units::{Celsius, Level, Uvi, Watts};

use super::fault::Switch;
use super::lamp::LampPlant;
use super::message::Message;
use super::physics::{EnclosurePhysics, LampPhysics, ProbePhysics, Region};
use super::probe::{ProbePlant, said};
use super::random::Pcg32;
use super::relay::RelayPlant;
use super::room::Room;
use super::uv::UvSource;

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
/// Room temperature at which lamps are chosen, °C. A guess.
const ROOM_WHEN_CHOSEN: f64 = 20.0;
/// Longest time the room's temperature is held still, ms.
const GRID: u64 = 10_000;

/// The network of an enclosure, with its nodes in the order of [`Region::ALL`] and then the lamps.
struct Layout {
    /// The network.
    network: Network,
    /// Places.
    places: [Node; 4],
    /// Lamp bodies.
    bodies: Vec<Node>,
    /// The room.
    room: Boundary,
}

/// Builds the network of an enclosure whose lamps settle within `warm_ups` seconds.
fn layout(size: f64, lamps: &[LampPhysics], warm_ups: &[f64]) -> Layout {
    let mut network = Network::new();
    let places = CAPACITIES.map(|c| network.node(JoulesPerKelvin(size * c)));
    let room = network.boundary();
    for (pair, g) in places.windows(2).zip(BETWEEN) {
        network.link(pair[0], pair[1], WattsPerKelvin(size * g));
    }
    for (place, g) in places[1..].iter().zip(TO_ROOM) {
        network.lose(*place, room, WattsPerKelvin(size * g));
    }
    let mut bodies = Vec::with_capacity(lamps.len());
    for (lamp, warm_up) in lamps.iter().zip(warm_ups) {
        // Settled is 95 %: three time constants.
        let lag = (warm_up / 3.0).max(BODY_LAG_LEAST);
        let g = (lamp.watts.0 / BODY_RISE).max(1e-3);
        let body = network.node(JoulesPerKelvin(g * lag));
        let air = places[Region::BaskingAir as usize];
        network.link(body, places[lamp.aim as usize], WattsPerKelvin(g * lamp.beam));
        network.link(body, air, WattsPerKelvin(g * (1.0 - lamp.beam)));
        bodies.push(body);
    }
    Layout { network, places, bodies, room }
}

/// The size at which lamp number `lamp` alone, left on, just brings `need` to its spot.
pub(super) fn fitting_size(physics: &EnclosurePhysics, enclosure: &Enclosure, lamp: usize, need: Celsius) -> f64 {
    let Some(this) = physics.lamps.get(lamp) else { return 1.0 };
    let warm_ups = warm_ups(enclosure);
    let reached = |size: f64| {
        let layout = layout(size, &physics.lamps, &warm_ups);
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
fn warm_ups(enclosure: &Enclosure) -> Vec<f64> {
    enclosure.lamps.iter().map(|lamp| lamp.warm_up.as_secs_f64()).collect()
}

/// What surrounds an enclosure.
#[derive(Clone, Copy)]
pub(super) struct Surroundings<'a> {
    /// The room.
    pub room: &'a Room,
    /// Wall time at which the world began.
    pub start: DateTime<Utc>,
    /// Which contactors are closed.
    pub closed: &'a [bool],
}

impl Surroundings<'_> {
    /// Wall time `now` ms after the world began.
    pub fn wall(&self, now: u64) -> DateTime<Utc> {
        self.start + TimeDelta::milliseconds(now.min(i64::MAX as u64 / 2) as i64)
    }

    /// Whether a lamp under `cut_off` has voltage.
    fn fed(&self, cut_off: Option<CutOffIx>) -> bool {
        cut_off.is_none_or(|cut_off| self.closed.get(cut_off.0).copied().unwrap_or(true))
    }
}

/// A lamp with its output.
#[derive(Clone, Debug)]
pub(super) struct Slot {
    /// The lamp.
    pub lamp: LampPlant,
    /// What switches it.
    pub relay: RelayPlant,
    /// The contactor above it.
    cut_off: Option<CutOffIx>,
    /// Its UV.
    uv: Option<UvSource>,
    /// Its illuminance at a probe, lux.
    lux: f64,
    /// Its body in the network.
    body: Node,
}

/// A probe with where it sits.
#[derive(Clone, Debug)]
pub(super) struct Gauge {
    /// The probe.
    pub probe: ProbePlant,
    /// What it measures.
    measures: Measures,
    /// The probe in whose document it speaks: the first on its topic, often itself.
    leader: usize,
    /// The lamps a power probe measures.
    wired: Vec<usize>,
    /// Its place, distance and exposure.
    physics: ProbePhysics,
}

/// An enclosure in motion. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct EnclosurePlant {
    /// Its thermal network.
    motion: Motion,
    /// Places in the network.
    places: [Node; 4],
    /// Heat into each node, W.
    heat: Vec<f64>,
    /// Up to when the network has been moved.
    moved: u64,
    /// Lamps, in the order of the settings.
    pub lamps: Vec<Slot>,
    /// Probes, in the order of the settings.
    pub probes: Vec<Gauge>,
}

impl EnclosurePlant {
    /// `enclosure` at rest at `room`, all lamps off. Each probe draws from a stream of its own, counted from `stream`.
    pub fn new(
        at: EnclosureIx,
        enclosure: &Enclosure,
        physics: &EnclosurePhysics,
        room: Celsius,
        seed: u64,
        stream: u64,
    ) -> EnclosurePlant {
        let layout = layout(physics.size, &physics.lamps, &warm_ups(enclosure));
        debug_assert_eq!(layout.room.index(), 0, "the room is the only boundary");
        let heat = vec![0.0; layout.network.nodes()];
        let lamps = enclosure.lamps.iter().zip(&physics.lamps).zip(&layout.bodies).enumerate();
        let lamps =
            lamps.map(|(l, ((lamp, physics), body))| slot(lamp, physics, *body, Switch::Lamp(at, LampIx(l)))).collect();
        let probes = enclosure.probes.iter().zip(&physics.probes).enumerate().map(|(i, (probe, physics))| {
            let generator = Pcg32::new(seed, stream + i as u64);
            let wired = |lamp: &crate::settings::Lamp| lamp.power_probe == Some(ProbeIx(i));
            let own: Vec<usize> = (0..enclosure.lamps.len()).filter(|l| wired(&enclosure.lamps[*l])).collect();
            // A power probe that no lamp claims measures the enclosure's supply.
            let wired = if own.is_empty() { (0..enclosure.lamps.len()).collect() } else { own };
            let measures = probe.measures;
            let leader = enclosure.probes.iter().position(|other| other.topic == probe.topic).unwrap_or(i);
            let mut plant = ProbePlant::new((at, ProbeIx(i)), probe, physics.accuracy, generator);
            if leader != i {
                plant.follow();
            }
            Gauge { probe: plant, measures, leader, wired, physics: *physics }
        });
        let probes = probes.collect();
        let motion = Motion::new(layout.network, room.0, &[GRID]);
        EnclosurePlant { motion, places: layout.places, heat, moved: 0, lamps, probes }
    }

    /// Temperature of a place, as of the last movement.
    pub fn temperature(&self, place: Region) -> Celsius {
        Celsius(self.motion.at(self.places[place as usize]))
    }

    /// UVI at a place at `now`, at this distance from the lamps, unshaded.
    fn uvi(&self, now: u64, physics: &ProbePhysics) -> Uvi {
        let one = |slot: &Slot| slot.uv.map_or(0.0, |source| source.at(physics.distance).0 * slot.lamp.uv(now));
        Uvi(physics.exposure * self.lamps.iter().map(one).sum::<f64>())
    }

    /// Power that lamp number `lamp` draws; none where there is no such lamp.
    pub fn power(&self, lamp: usize) -> Option<Watts> {
        self.lamps.get(lamp).map(|slot| Watts(slot.lamp.power()))
    }

    /// What probe number `probe` would say at `now` if it were perfect, in its kept unit.
    pub fn truth(&self, now: u64, probe: usize) -> Option<f64> {
        let gauge = self.probes.get(probe)?;
        Some(match gauge.measures {
            Measures::Temperature => self.temperature(gauge.physics.place).0,
            Measures::Uvi => self.uvi(now, &gauge.physics).0,
            Measures::Illuminance => {
                gauge.physics.exposure * self.lamps.iter().map(|slot| slot.lux * slot.lamp.light(now)).sum::<f64>()
            }
            Measures::Power => gauge.wired.iter().filter_map(|lamp| self.power(*lamp)).map(|w| w.0).sum(),
            Measures::Humidity => humidity(self.temperature(gauge.physics.place)),
        })
    }

    /// When something happens here next.
    pub fn next(&self) -> u64 {
        let spoken = self.probes.iter().map(|gauge| gauge.probe.next());
        let strikes = self.lamps.iter().filter_map(|slot| slot.lamp.strikes());
        let releases = self.lamps.iter().filter_map(|slot| slot.relay.releases());
        let grid = self.moved / GRID * GRID + GRID;
        spoken.chain(strikes).chain(releases).fold(grid, u64::min)
    }

    /// Moves the network up to `now`.
    pub fn move_to(&mut self, now: u64, around: &Surroundings) {
        if now > self.moved {
            // The room is held at its middle value, which is exact to the second order.
            let room = around.room.at(around.wall(self.moved + (now - self.moved) / 2)).0;
            self.motion.advance(now - self.moved, &[room], &self.heat);
            self.moved = now;
        }
    }

    /// Passes on to every lamp what its output and contactor let through at `now`.
    pub fn feed(&mut self, now: u64, around: &Surroundings) {
        self.move_to(now, around);
        for slot in &mut self.lamps {
            let level = if around.fed(slot.cut_off) { slot.relay.level() } else { Level::OFF };
            slot.lamp.supply(now, level.share());
            self.heat[slot.body.index()] = slot.lamp.power();
        }
    }

    /// Lets happen what is due at `now`.
    pub fn pass(&mut self, now: u64, around: &Surroundings, out: &mut Vec<Message>) {
        self.move_to(now, around);
        for slot in &mut self.lamps {
            if slot.relay.pass(now) {
                out.extend(slot.relay.report());
            }
            slot.lamp.pass(now);
        }
        self.feed(now, around);
        for probe in 0..self.probes.len() {
            if self.probes[probe].probe.next() <= now {
                self.speak(now, probe, around.wall(now), out);
            }
        }
    }

    /// Probe number `leader` speaks, with those that share its topic.
    fn speak(&mut self, now: u64, leader: usize, wall: DateTime<Utc>, out: &mut Vec<Message>) {
        self.probes[leader].probe.beat();
        let mut read = Vec::with_capacity(1);
        for probe in 0..self.probes.len() {
            if self.probes[probe].leader == leader {
                let truth = self.truth(now, probe).unwrap_or(f64::NAN);
                read.extend(self.probes[probe].probe.read(truth).map(|value| (probe, value)));
            }
        }
        let readings: Vec<_> = read.iter().map(|(probe, value)| (&self.probes[*probe].probe, *value)).collect();
        out.extend(said(&readings, wall));
    }
}

/// A lamp in its slot, off.
fn slot(lamp: &crate::settings::Lamp, physics: &LampPhysics, body: Node, switch: Switch) -> Slot {
    let millis = |span: std::time::Duration| span.as_millis() as u64;
    let restrike = millis(lamp.fitting.traits().restrike.value);
    let warm_up = millis(lamp.warm_up);
    Slot {
        lamp: LampPlant::new(lamp.fitting, physics.watts.0, warm_up, restrike, physics.ageing, physics.burnt),
        relay: RelayPlant::new(&lamp.output, Level::OFF, switch),
        cut_off: lamp.cut_off,
        uv: physics.uv,
        lux: physics.lux,
        body,
    }
}

/// Relative humidity in percent of air that holds as much water as air of 50 % at 22 °C (a guess), by the Magnus formula
/// with the coefficients 17.62 and 243.12 °C (WMO No. 8, from memory).
fn humidity(air: Celsius) -> f64 {
    let saturation = |t: f64| libm::exp(17.62 * t / (243.12 + t));
    (50.0 * saturation(22.0) / saturation(air.0)).clamp(0.0, 100.0)
}
