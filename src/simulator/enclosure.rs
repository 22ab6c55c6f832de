//! One enclosure as a physical thing: its thermal network, lamps, outputs and probes.

use chrono::{DateTime, TimeDelta, Utc};

use crate::science::thermal::{Boundary, JoulesPerKelvin, Motion, Network, Node, Ramp, WattsPerKelvin};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Measures, ProbeIx};
use crate::units::{Celsius, Level, Watts};

use super::condition::{EnclosureCondition, LampCondition, ProbeCondition};
use super::fault::Switch;
use super::gauge::{Gauge, Seat};
use super::lamp::LampPlant;
use super::message::Message;
use super::physics::{EnclosurePhysics, LampPhysics, Region};
use super::probe::{ProbePlant, said};
use super::random::Pcg32;
use super::relay::RelayPlant;
use super::room::{Cursor, Piece, Room};
use super::uv::{Metres, REFERENCE, UvSource};

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

/// What changes an enclosure's network.
#[derive(Clone, Debug, PartialEq)]
struct Alteration {
    /// Losses to the room, as a multiple.
    draught: f64,
    /// How much further off each lamp hangs, m.
    further: Vec<f64>,
}

/// Most of a lamp's heat that goes straight to its spot, however near it hangs. A guess.
const BEAM_MOST: f64 = 0.95;

/// Builds the network of an enclosure whose lamps settle within `warm_ups` seconds.
fn layout(size: f64, lamps: &[LampPhysics], warm_ups: &[f64], alteration: &Alteration) -> Layout {
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

/// An enclosure in motion. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct EnclosurePlant {
    /// Its size, its lamps and their warm-ups in seconds, from which its network is built.
    built: (f64, Vec<LampPhysics>, Vec<f64>),
    /// What has changed its network since.
    alteration: Alteration,
    /// Its thermal network.
    motion: Motion,
    /// Places in the network.
    places: [Node; 4],
    /// Up to when the network has been moved.
    moved: u64,
    /// The room from then on.
    piece: Piece,
    /// Spares work with the room.
    cursor: Cursor,
    /// What is wrong with it.
    condition: EnclosureCondition,
    /// Lamps, in the order of the settings.
    pub lamps: Vec<Slot>,
    /// Probes, in the order of the settings.
    pub probes: Vec<Gauge>,
}

impl EnclosurePlant {
    /// `enclosure` at rest at the temperature of `room`, all lamps off. Each probe draws from a stream of its own,
    /// counted from `stream`.
    pub fn new(
        (at, enclosure): (EnclosureIx, &Enclosure),
        physics: &EnclosurePhysics,
        room: &Room,
        seed: u64,
        stream: u64,
    ) -> EnclosurePlant {
        let built = (physics.size, physics.lamps.clone(), warm_ups(enclosure));
        let alteration = Alteration { draught: 1.0, further: vec![0.0; physics.lamps.len()] };
        let layout = layout(built.0, &built.1, &built.2, &alteration);
        debug_assert_eq!(layout.room.index(), 0, "the room is the only boundary");
        let lamps = enclosure.lamps.iter().zip(&physics.lamps).zip(&layout.bodies).enumerate();
        let lamps = lamps.map(|(l, ((lamp, physics), body))| slot(lamp, physics, *body, Switch::Lamp(at, LampIx(l))));
        let probes = physics
            .probes
            .iter()
            .take(enclosure.probes.len())
            .enumerate()
            .map(|(i, physics)| Gauge::new(at, enclosure, i, *physics, Pcg32::new(seed, stream + i as u64)));
        let mut cursor = Cursor::default();
        let piece = room.piece(0, &mut cursor);
        EnclosurePlant {
            motion: Motion::new(&layout.network, piece.value),
            places: layout.places,
            moved: 0,
            piece,
            cursor,
            condition: EnclosureCondition::default(),
            lamps: lamps.collect(),
            probes: probes.collect(),
            alteration,
            built,
        }
    }

    /// The room from the last movement on.
    fn ramp(&self) -> [Ramp; 1] {
        let since = (self.moved - self.piece.from) as f64 / 1000.0;
        [Ramp { start: self.piece.value + self.piece.slope * since, slope: self.piece.slope }]
    }

    /// Temperature of a place at `now`.
    pub fn temperature(&self, now: u64, place: Region) -> Celsius {
        let node = self.places[place as usize];
        Celsius(match now.saturating_sub(self.moved) {
            0 => self.motion.at(node),
            ahead => self.motion.ahead(node, ahead, &self.ramp()),
        })
    }

    /// UVI at `now` that `share` of the lamps' light makes at `distance`; of UVA, the UVI it would be as UVB.
    fn uvi(&self, now: u64, distance: Metres, shine: impl Fn(&LampPlant) -> f64) -> f64 {
        let one = |slot: &Slot| {
            let distance = Metres(distance.0 + slot.lamp.further());
            slot.uv.map_or(0.0, |source| source.at(distance).0 * shine(&slot.lamp))
        };
        self.lamps.iter().map(one).sum::<f64>() * self.clean(now)
    }

    /// Share of light and UV that dirt lets through at `now`.
    fn clean(&self, now: u64) -> f64 {
        libm::exp(self.condition.dirt.at(now))
    }

    /// Power that lamp number `lamp` draws; none where there is no such lamp.
    pub fn power(&self, lamp: usize) -> Option<Watts> {
        self.lamps.get(lamp).map(|slot| Watts(slot.lamp.power()))
    }

    /// What probe number `probe` would say at `now` if it were perfect and in its place, in its kept unit.
    pub fn truth(&self, now: u64, probe: usize) -> Option<f64> {
        let gauge = self.probes.get(probe)?;
        Some(self.at_seat(
            now,
            gauge.measures,
            &Seat { of: probe, physics: gauge.physics, uva: 0.0, colder: 0.0, touch: 0.0 },
        ))
    }

    /// What a sensor of this kind senses in a seat at `now`, kept unit.
    fn at_seat(&self, now: u64, measures: Measures, seat: &Seat) -> f64 {
        let physics = &seat.physics;
        match measures {
            Measures::Temperature => seat.felt(self.temperature(now, physics.place).0),
            Measures::Uvi => {
                let uva = if seat.uva > 0.0 { self.uvi(now, physics.distance, |lamp| lamp.uva(now)) } else { 0.0 };
                physics.exposure * (self.uvi(now, physics.distance, |lamp| lamp.uv(now)) + seat.uva * uva)
            }
            Measures::Illuminance => {
                let light = self.lamps.iter().map(|slot| slot.lux * slot.lamp.light(now)).sum::<f64>();
                physics.exposure * self.clean(now) * light
            }
            Measures::Power => {
                let wired = &self.probes[seat.of].wired;
                wired.iter().filter_map(|lamp| self.power(*lamp)).map(|w| w.0).sum()
            }
            Measures::Humidity => humidity(self.temperature(now, physics.place)),
        }
    }

    /// When something happens here next.
    pub fn next(&self) -> u64 {
        let spoken = self.probes.iter().map(|gauge| gauge.probe.next());
        let outputs = self.lamps.iter().map(|slot| slot.relay.next().min(slot.lamp.strikes().unwrap_or(u64::MAX)));
        spoken.chain(outputs).fold(self.piece.until, u64::min)
    }

    /// Moves the network up to `now`.
    pub fn move_to(&mut self, now: u64, around: &Surroundings) {
        while now > self.moved {
            let to = now.min(self.piece.until);
            self.motion.advance(to - self.moved, &self.ramp());
            self.moved = to;
            if to == self.piece.until {
                self.piece = around.room.piece(to, &mut self.cursor);
            }
        }
    }

    /// Passes on to every lamp what its output and contactor let through at `now`.
    pub fn feed(&mut self, now: u64, around: &Surroundings) {
        self.move_to(now, around);
        for slot in &mut self.lamps {
            let level = if around.fed(slot.cut_off) && !self.condition.dark { slot.relay.level() } else { Level::OFF };
            slot.lamp.supply(now, level.share());
            self.motion.set_heat(slot.body, slot.lamp.power());
        }
    }

    /// Lets happen what is due at `now`.
    pub fn pass(&mut self, now: u64, around: &Surroundings, out: &mut Vec<Message>) {
        self.stir(now, around, out);
        for probe in 0..self.probes.len() {
            if self.probes[probe].probe.next() <= now {
                self.speak(now, probe, around, out);
            }
        }
    }

    /// Lets happen what is due at `now`, handing plain readings to `takes` until something else is said, or a reading
    /// that it refuses: that stands in `out`, and what is due after it waits.
    pub fn glide(
        &mut self,
        now: u64,
        around: &Surroundings,
        takes: &mut impl FnMut(u64, EnclosureIx, ProbeIx, f64) -> bool,
        out: &mut Vec<Message>,
    ) {
        let before = out.len();
        self.stir(now, around, out);
        for at in 0..self.probes.len() {
            if out.len() > before {
                return;
            }
            if self.probes[at].probe.next() > now {
                continue;
            }
            if !self.probes[at].is_plain() {
                self.speak(now, at, around, out);
                continue;
            }
            if let Some(value) = self.read(now, at) {
                let probe = &mut self.probes[at].probe;
                let (enclosure, ix) = probe.ix();
                if !takes(now, enclosure, ix, probe.number(value).number()) {
                    out.push(probe.said(value, || around.wall(now)));
                }
                probe.beat();
            }
        }
    }

    /// Lets happen what is due at `now` but for readings.
    fn stir(&mut self, now: u64, around: &Surroundings, out: &mut Vec<Message>) {
        self.move_to(now, around);
        let mut switched = false;
        for slot in &mut self.lamps {
            switched |= slot.relay.pass(now, out) | slot.lamp.pass(now);
        }
        if switched {
            self.feed(now, around);
        }
    }

    /// Probe number `probe` is read at `now`.
    fn read(&mut self, now: u64, probe: usize) -> Option<f64> {
        let gauge = &self.probes[probe];
        let (sensed, warmth) = if gauge.is_well_seated() {
            (self.truth(now, probe)?, 0.0)
        } else {
            let seat = gauge.seat(now, probe, &self.probes);
            (self.at_seat(now, gauge.measures, &seat), self.temperature(now, seat.physics.place).0)
        };
        self.probes[probe].probe.read(now, sensed, warmth)
    }

    /// Probe number `leader` speaks, with those that share its topic.
    fn speak(&mut self, now: u64, leader: usize, around: &Surroundings, out: &mut Vec<Message>) {
        let message = if self.probes[leader].followed {
            let own = |probe: &usize| self.probes[*probe].leader == leader;
            let group: Vec<usize> = (leader..self.probes.len()).filter(own).collect();
            let read: Vec<_> = group.into_iter().filter_map(|probe| Some((probe, self.read(now, probe)?))).collect();
            let readings: Vec<(&ProbePlant, f64)> =
                read.iter().map(|(probe, value)| (&self.probes[*probe].probe, *value)).collect();
            (!readings.is_empty()).then(|| said(&readings, around.wall(now)))
        } else {
            let value = self.read(now, leader);
            value.map(|value| self.probes[leader].probe.said(value, || around.wall(now)))
        };
        let probe = &mut self.probes[leader].probe;
        if let Some(message) = message {
            probe.utter(message, out);
        }
        probe.beat();
    }

    /// Its condition is this from `now` on. Returns the lamps whose outputs have booted.
    pub fn suffer(&mut self, now: u64, condition: EnclosureCondition, around: &Surroundings) -> Vec<usize> {
        self.move_to(now, around);
        let before = std::mem::replace(&mut self.condition, condition);
        if before.dark != condition.dark {
            self.lamps.iter_mut().for_each(|slot| slot.relay.set_dark(now, condition.dark));
            self.probes.iter_mut().for_each(|gauge| gauge.probe.set_dark(condition.dark));
        }
        self.alter();
        self.feed(now, around);
        if before.dark && !condition.dark { (0..self.lamps.len()).collect() } else { Vec::new() }
    }

    /// The condition of a lamp is this from `now` on.
    pub fn suffer_lamp(&mut self, now: u64, lamp: usize, condition: LampCondition, around: &Surroundings) {
        self.move_to(now, around);
        if let Some(slot) = self.lamps.get_mut(lamp) {
            slot.lamp.suffer(now, condition);
        }
        self.alter();
        self.feed(now, around);
    }

    /// The condition of a probe is this from `now` on.
    pub fn suffer_probe(&mut self, now: u64, probe: usize, condition: ProbeCondition) {
        if let Some(gauge) = self.probes.get_mut(probe) {
            gauge.suffer(now, condition);
        }
    }

    /// Builds the network anew where draughts or lamps that hang elsewhere have changed it.
    fn alter(&mut self) {
        let further = self.lamps.iter().map(|slot| slot.lamp.further()).collect();
        let alteration = Alteration { draught: self.condition.draught, further };
        if alteration != self.alteration {
            let layout = layout(self.built.0, &self.built.1, &self.built.2, &alteration);
            if let Some(motion) = self.motion.within(&layout.network) {
                self.motion = motion;
            }
            self.alteration = alteration;
        }
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

/// Relative humidity in percent of air that holds as much water as air of 50 % at 22 °C (a guess), by the Magnus
/// formula with the coefficients 17.62 and 243.12 °C (WMO No. 8, from memory).
fn humidity(air: Celsius) -> f64 {
    let saturation = |t: f64| libm::exp(17.62 * t / (243.12 + t));
    (50.0 * saturation(22.0) / saturation(air.0)).clamp(0.0, 100.0)
}
