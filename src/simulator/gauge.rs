//! A probe where it sits, or lies: what it senses there.

use crate::settings::{Enclosure, EnclosureIx, Measures, ProbeIx};

use super::condition::ProbeCondition;
use super::physics::{ProbePhysics, Region};
use super::probe::ProbePlant;
use super::random::SplitMix64;
use super::track::Track;

/// Skin of an animal that has basked, °C. A guess within the common range of preferred body temperatures.
const BODY: f64 = 33.0;
/// Share of a covered thermometer's temperature that comes to be the animal's. A guess.
const TOUCH: f64 = 0.7;
/// Time constant with which that comes and goes, ms. A guess.
const TOUCH_LAG: f64 = 120_000.0;
/// When the touch of an animal that has left is over, ms: thirty time constants.
const TOUCH_OVER: u64 = 3_600_000;
/// Share of light and UV that passes an animal. A guess.
const PAST_ANIMAL: f64 = 0.05;
/// Share of light and UV that finds a probe that has fallen behind the branch, and one in the water. Guesses.
const FALLEN: f64 = 0.1;
const DROWNED: f64 = 0.05;
/// How far evaporation keeps the water in a bowl below the cool side, K. A guess.
const EVAPORATION: f64 = 1.5;

/// The touch of an animal.
#[derive(Clone, Copy, Debug)]
struct Touch {
    /// Whether it lies there.
    on: bool,
    /// Since when it does, or does not, ms.
    since: u64,
    /// How much it counted then, 0..=1.
    weight: f64,
}

impl Touch {
    /// How much it counts at `now`.
    fn at(self, now: u64) -> f64 {
        let passed = now.saturating_sub(self.since);
        let goal = if self.on { TOUCH } else { 0.0 };
        if !self.on && passed >= TOUCH_OVER {
            return 0.0;
        }
        goal + (self.weight - goal) * libm::exp(-(passed as f64) / TOUCH_LAG)
    }
}

/// A probe with where it sits.
#[derive(Clone, Debug)]
pub(super) struct Gauge {
    /// The probe.
    pub probe: ProbePlant,
    /// What it measures.
    pub measures: Measures,
    /// The probe in whose document it speaks: the first on its topic, often itself.
    pub leader: usize,
    /// Whether others speak in its document.
    pub followed: bool,
    /// The lamps a power probe measures.
    pub wired: Vec<usize>,
    /// Its place, distance and exposure.
    pub physics: ProbePhysics,
    /// What it senses while it is well seated.
    pub track: Track,
    /// The animal on it, where there ever was one.
    touch: Option<Touch>,
}

/// Where a probe is and what comes between.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seat {
    /// The probe whose place and wires it has.
    pub of: usize,
    /// Its place, distance and exposure.
    pub physics: ProbePhysics,
    /// Share of UVA that it takes for UVB.
    pub uva: f64,
    /// Added to a temperature, K.
    pub colder: f64,
    /// How much of its temperature is an animal's.
    pub touch: f64,
}

impl Seat {
    /// A temperature as it is felt here, °C.
    pub fn felt(&self, temperature: f64) -> f64 {
        let there = temperature - self.colder;
        there + self.touch * (BODY - there)
    }
}

impl Gauge {
    /// Probe number `i` of an enclosure, drawing from `generator`.
    pub fn new(
        at: EnclosureIx,
        enclosure: &Enclosure,
        i: usize,
        physics: ProbePhysics,
        generator: SplitMix64,
    ) -> Gauge {
        let probe = &enclosure.probes[i];
        let own: Vec<usize> =
            (0..enclosure.lamps.len()).filter(|lamp| enclosure.lamps[*lamp].power_probe == Some(ProbeIx(i))).collect();
        let leader = enclosure.probes.iter().position(|other| other.topic == probe.topic).unwrap_or(i);
        let mut plant = ProbePlant::new((at, ProbeIx(i)), probe, physics.accuracy, generator);
        if leader != i {
            plant.follow();
        }
        Gauge {
            probe: plant,
            measures: probe.measures,
            leader,
            followed: enclosure.probes.iter().skip(i + 1).any(|other| other.topic == probe.topic),
            // A power probe that no lamp claims measures the enclosure's supply.
            wired: if own.is_empty() { (0..enclosure.lamps.len()).collect() } else { own },
            physics,
            track: Track::new(),
            touch: None,
        }
    }

    /// Its condition is this from `now` on.
    pub fn suffer(&mut self, now: u64, condition: ProbeCondition) {
        let covered = self.probe.condition().is_some_and(|condition| condition.covered);
        if covered != condition.covered {
            let weight = self.touch.map_or(0.0, |touch| touch.at(now));
            self.touch = Some(Touch { on: condition.covered, since: now, weight });
        }
        self.probe.suffer(now, condition);
    }

    /// Whether it sits where it should and nothing lies on it.
    pub fn is_well_seated(&self) -> bool {
        self.probe.condition().is_none() && self.touch.is_none()
    }

    /// Whether it has nothing to say but plain readings of the place it should be in.
    pub fn is_plain(&self) -> bool {
        !self.followed && self.is_well_seated() && self.probe.is_calm()
    }

    /// Where probe number `i` of `all` is at `now`.
    pub fn seat(&self, now: u64, i: usize, all: &[Gauge]) -> Seat {
        let condition = self.probe.condition().copied().unwrap_or_default();
        let of = condition.instead.filter(|other| *other < all.len()).unwrap_or(i);
        let mut physics = all[of].physics;
        physics.distance.0 += condition.further;
        let mut colder = 0.0;
        if condition.fallen {
            physics.exposure *= FALLEN;
            physics.place = match physics.place {
                Region::BaskingSurface => Region::BaskingAir,
                Region::BaskingAir => Region::WarmSide,
                Region::WarmSide | Region::CoolSide => Region::CoolSide,
            };
        }
        if condition.drowned {
            physics.exposure *= DROWNED;
            physics.place = Region::CoolSide;
            colder = EVAPORATION;
        }
        if condition.covered {
            physics.exposure *= PAST_ANIMAL;
        }
        Seat { of, physics, uva: condition.uva, colder, touch: self.touch.map_or(0.0, |touch| touch.at(now)) }
    }
}
