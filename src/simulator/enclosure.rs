//! One enclosure as a physical thing: its thermal network, lamps, outputs and probes.

mod senses;

use chrono::{DateTime, TimeDelta, Utc};

use crate::science::thermal::{Motion, Node, Ramp};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Measures};
use crate::units::{Celsius, Level, Watts};

use super::condition::{EnclosureCondition, LampCondition, ProbeCondition};
use super::fault::Switch;
use super::gauge::{Gauge, Seat};
use super::lamp::LampPlant;
use super::layout::{Alteration, layout, warm_ups};
use super::message::Message;
use super::physics::{EnclosurePhysics, LampPhysics, Region};
use super::probe::{ProbePlant, said};
use super::random::SplitMix64;
use super::relay::RelayPlant;
use super::room::{Cursor, Piece, Room};
use super::uv::{Metres, UvSource};

/// The longest stretch without moving the network, ms: half an hour.
const LONGEST_PIECE: u64 = 1_800_000;

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
    /// When something happens next that is no reading.
    stirs: u64,
    /// The same but that a hold ends, after which nothing is warmer than it would have been.
    warms: u64,
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
            .map(|(i, physics)| Gauge::new(at, enclosure, i, *physics, SplitMix64::new(seed, stream + i as u64)));
        let mut cursor = Cursor::default();
        let piece = short(room.piece(0, &mut cursor));
        let mut plant = EnclosurePlant {
            motion: Motion::new(&layout.network, piece.value),
            places: layout.places,
            moved: 0,
            stirs: piece.until,
            warms: piece.until,
            piece,
            cursor,
            condition: EnclosureCondition::default(),
            lamps: lamps.collect(),
            probes: probes.collect(),
            alteration,
            built,
        };
        plant.keep_time(Measures::Temperature);
        plant.keep_time(Measures::Uvi);
        plant
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

    /// Up to and at when the place of thermometer number `probe` certainly stays below `most`: no longer than until something
    /// happens that may make it warmer than it would have been, and `now` where nobody can tell.
    pub fn stays_below(&self, now: u64, probe: usize, most: Celsius) -> Option<u64> {
        let gauge = self.probes.get(probe).filter(|gauge| gauge.measures == Measures::Temperature)?;
        let ahead = |at: u64| at.saturating_sub(self.moved);
        let Some(course) = self.motion.course(self.places[gauge.physics.place as usize], &self.ramp()) else {
            return Some(now);
        };
        let (line, early) =
            (|at| course.line + course.slope * ahead(at) as f64 / 1000.0, self.motion.decays(ahead(now)));
        // Of a line no point is above both its ends; what keeps the place too warm is most now, and what keeps it too cold is
        // least in the end.
        let hottest = |until: u64| {
            let late = self.motion.decays(ahead(until));
            let parts = course.parts.iter().zip(early.iter().zip(&late));
            let parts = parts.map(|(part, (early, late))| part * if *part > 0.0 { early } else { late });
            line(now).max(line(until)) + parts.sum::<f64>()
        };
        let mut until = self.warms.max(now);
        // What keeps it too warm may well be too little even if nothing kept it too cold.
        let parts = course.parts.iter().zip(&early);
        let warm: f64 = parts.map(|(part, early)| if *part < 0.0 { 0.0 } else { part * early }).sum();
        if line(now).max(line(until)) + warm < most.0 {
            return Some(until);
        }
        while until > now && !(hottest(until) < most.0) {
            until = now + (until - now) / 2;
        }
        Some(until)
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
        self.probes.iter().map(|gauge| gauge.probe.next()).fold(self.stirs, u64::min)
    }

    /// Moves the network up to `now`.
    pub fn move_to(&mut self, now: u64, around: &Surroundings) {
        while now > self.moved {
            let to = now.min(self.piece.until);
            self.motion.advance(to - self.moved, &self.ramp());
            self.moved = to;
            if to == self.piece.until {
                self.piece = short(around.room.piece(to, &mut self.cursor));
            }
            self.turn_off();
        }
    }

    /// From now on temperatures take another course.
    fn turn_off(&mut self) {
        self.probes.iter_mut().for_each(|gauge| gauge.track.leave());
    }

    /// Passes on to every lamp what its output and contactor let through at `now`.
    pub fn feed(&mut self, now: u64, around: &Surroundings) {
        let mut changed = false;
        for slot in &mut self.lamps {
            let level = if around.fed(slot.cut_off) && !self.condition.dark { slot.relay.level() } else { Level::OFF };
            changed |= slot.lamp.supply(now, level.share());
            changed |= self.motion.heat(slot.body) != slot.lamp.power();
        }
        if changed {
            self.move_to(now, around);
            self.lamps.iter().for_each(|slot| self.motion.set_heat(slot.body, slot.lamp.power()));
            self.turn_off();
        }
        self.plan();
    }

    /// Finds when something happens next that is no reading.
    pub fn plan(&mut self) {
        (self.stirs, self.warms) = (self.piece.until, self.piece.until);
        for slot in &self.lamps {
            let strikes = slot.lamp.strikes().unwrap_or(u64::MAX);
            self.stirs = self.stirs.min(slot.relay.next()).min(strikes);
            self.warms = self.warms.min(slot.relay.next_obeyed()).min(strikes);
        }
    }

    /// Lets happen what is due at `now`.
    pub fn pass(&mut self, now: u64, around: &Surroundings, out: &mut Vec<Message>) {
        if self.stirs <= now {
            self.stir(now, around, out);
        }
        for probe in 0..self.probes.len() {
            if self.probes[probe].probe.next() <= now {
                self.speak(now, probe, around, out);
            }
        }
    }

    /// Lets happen what is due at `now` but for readings.
    fn stir(&mut self, now: u64, around: &Surroundings, out: &mut Vec<Message>) {
        if self.piece.until <= now {
            self.move_to(now, around);
        }
        let mut switched = false;
        for slot in &mut self.lamps {
            switched |= slot.relay.pass(now, out) | slot.lamp.pass(now);
        }
        if switched {
            self.turn_off();
            self.feed(now, around);
        } else {
            self.plan();
        }
    }

    /// Probe number `probe` is read at `now`.
    fn read(&mut self, now: u64, probe: usize) -> Option<f64> {
        if self.probes[probe].is_well_seated() {
            let sensed = self.sense(now, probe);
            return self.probes[probe].probe.read(now, sensed, 0.0);
        }
        let gauge = &self.probes[probe];
        let seat = gauge.seat(now, probe, &self.probes);
        let (sensed, warmth) = (self.at_seat(now, gauge.measures, &seat), self.temperature(now, seat.physics.place).0);
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
        if before.dirt.within(1) != condition.dirt.within(1) {
            self.keep_time(Measures::Uvi);
        }
        self.turn_off();
        self.feed(now, around);
        if before.dark && !condition.dark { (0..self.lamps.len()).collect() } else { Vec::new() }
    }

    /// The condition of a lamp is this from `now` on.
    pub fn suffer_lamp(&mut self, now: u64, lamp: usize, condition: LampCondition, around: &Surroundings) {
        self.move_to(now, around);
        if let Some(slot) = self.lamps.get_mut(lamp) {
            let ages = slot.lamp.ages();
            slot.lamp.suffer(now, condition);
            if slot.lamp.ages() != ages {
                self.keep_time(Measures::Uvi);
            }
        }
        self.alter();
        self.turn_off();
        self.feed(now, around);
    }

    /// A new lamp is in the place of a lamp from `now` on, with this multiple of the UV its kind should have.
    pub fn change_lamp(&mut self, now: u64, lamp: usize, strength: f64, around: &Surroundings) {
        if let Some(slot) = self.lamps.get_mut(lamp) {
            slot.lamp.change(now, strength);
            self.turn_off();
            self.feed(now, around);
        }
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
            self.keep_time(Measures::Temperature);
            self.alteration = alteration;
        }
    }
}

/// The piece, but no longer than a network can look ahead.
fn short(piece: Piece) -> Piece {
    Piece { until: piece.until.min(piece.from.saturating_add(LONGEST_PIECE)), ..piece }
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
