//! The world of one enclosure, light enough for ten thousand years: lamps that warm up, age and fail, an animal that lies
//! on the probe, dust, and probes that are coarse, noisy and drift. Its lamps age by the curves of the lamp swarm; nothing
//! else is shared with the simulator but its generator, and nothing with the core.

use lampwarden::simulator::Pcg32;

use super::lamp_swarm::Curve;
use super::setup::{Setup, range};

pub const DAY: u64 = 86_400;
/// Time constant of the basking spot, s.
const SPOT_LAG: f64 = 720.0;
/// What a lamp that warms adds at the basking spot, K.
const RISE: f64 = 18.0;
/// Full light at the illuminance probe, lux.
const LUX: f64 = 5000.0;

/// A UV lamp in its place.
#[derive(Clone, Debug)]
pub struct UvLamp {
    pub curve: Curve,
    /// UVI at the basking spot when new and warm.
    pub strength: f64,
    pub hours: f64,
    pub broken: bool,
    pub no_uv: bool,
    /// The contacts of its relay stay open, whatever it reports.
    pub open: bool,
    /// What its relay was told last, and since when.
    pub told: bool,
    pub told_at: u64,
    warmth: f64,
    /// The share left, as of so many hours.
    left: (f64, f64),
}

impl UvLamp {
    pub fn new(curve: Curve, strength: f64) -> UvLamp {
        UvLamp {
            curve,
            strength,
            hours: 0.0,
            broken: false,
            no_uv: false,
            open: false,
            told: false,
            told_at: 0,
            warmth: 0.0,
            left: (-1.0, 1.0),
        }
    }

    /// Another lamp in the same place.
    pub fn change(&mut self, curve: Curve, strength: f64) {
        let (told, told_at, open) = (self.told, self.told_at, self.open);
        *self = UvLamp { told, told_at, open, ..UvLamp::new(curve, strength) };
    }

    /// Whether current flows through it.
    fn burns(&self, supply: bool) -> bool {
        self.told && supply && !self.open && !self.broken
    }

    /// UVI it gives at the spot when warm.
    pub fn full(&self) -> f64 {
        self.strength * self.curve.left(self.hours)
    }
}

/// What the UV probe does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Eye {
    Sees,
    Unplugged,
    Frozen(f64),
}

#[derive(Clone, Debug)]
pub struct Plant {
    pub setup: Setup,
    pub lamps: Vec<UvLamp>,
    pub supply: bool,
    pub heat_broken: bool,
    pub heat_told: bool,
    pub eye: Eye,
    /// What a thing that lies there lets through, and what a move of lamp or probe made of the UV there.
    pub shade: f64,
    pub moved: f64,
    /// What the probe makes of a UVI, its drift left aside.
    pub gain: f64,
    pub generator: Pcg32,
    at: u64,
    /// What is left of warmth, and of the warmth of the spot, after so many seconds.
    keeps: (f64, f64, f64),
    spot: f64,
    last_uv: f64,
    /// Until when the animal stays where it is, whether it lies on the probe, when it turns over, and what it leaves.
    animal: (f64, bool, f64, f64),
    /// What the day adds, as a logarithm, and which day it is.
    of_day: (f64, u64),
}

impl Plant {
    pub fn new(setup: Setup, lamps: Vec<UvLamp>, seed: u64) -> Plant {
        Plant {
            lamps,
            supply: true,
            heat_broken: false,
            heat_told: false,
            eye: Eye::Sees,
            shade: 1.0,
            moved: 1.0,
            gain: setup.gain,
            generator: Pcg32::new(seed, 2),
            at: 0,
            keeps: (0.0, 1.0, 1.0),
            spot: 22.0,
            last_uv: 0.0,
            animal: (0.0, false, 0.0, 0.05),
            of_day: (0.0, 0),
            setup,
        }
    }

    /// Brings everything on to second `now`.
    pub fn pass(&mut self, now: u64) {
        let passed = (now - self.at) as f64;
        if passed == 0.0 {
            return;
        }
        self.at = now;
        if self.keeps.0 != passed {
            let lag = self.setup.fitting.traits().warm_up.value.as_secs_f64().max(3.0) / 3.0;
            self.keeps = (passed, libm::exp(-passed / lag), libm::exp(-passed / SPOT_LAG));
        }
        let (_, keeps, spot_keeps) = self.keeps;
        let mut warms = false;
        for lamp in &mut self.lamps {
            let burns = lamp.burns(self.supply);
            warms |= burns;
            let goal = if burns { 1.0 } else { 0.0 };
            lamp.warmth = goal + (lamp.warmth - goal) * keeps;
            if burns {
                lamp.hours += passed / 3600.0;
                // Nothing changes within a quarter of an hour that anybody could see.
                if (lamp.hours - lamp.left.0).abs() > 0.25 {
                    lamp.left = (lamp.hours, lamp.curve.left(lamp.hours));
                }
            }
        }
        if self.setup.temperature_every().is_some() {
            let heated = self.heat_told && self.supply && !self.heat_broken;
            let burns = if self.setup.heat { heated } else { warms };
            let goal = self.room() + if burns { RISE } else { 0.0 };
            self.spot = goal + (self.spot - goal) * spot_keeps;
        }
        if now / DAY != self.of_day.1 {
            let (deviation, lasts) = self.setup.scatter;
            let new = libm::sqrt(1.0 - lasts * lasts) * deviation * self.generator.normal();
            self.of_day = (lasts * self.of_day.0 + new, now / DAY);
        }
        self.roam(now as f64);
    }

    /// Temperature of the room: its seasons and its days.
    fn room(&self) -> f64 {
        let turn = |span: f64| libm::sin(std::f64::consts::TAU * self.at as f64 / span);
        21.0 + 2.0 * turn(365.25 * DAY as f64) + 1.0 * turn(DAY as f64)
    }

    /// The animal lies down, turns over every quarter of an hour, and gets up.
    fn roam(&mut self, now: f64) {
        let (until, lies, turns, _) = self.animal;
        if lies && now >= turns {
            self.animal.2 = now - 900.0 * libm::log(1.0 - self.generator.unit());
            // Half of the time as much as the simulated animal leaves; else anything from less than that to half.
            let even = self.generator.unit() < 0.5;
            self.animal.3 = if even { 0.05 } else { 0.03 * libm::pow(16.7, self.generator.unit()) };
        }
        if now >= until {
            // It lies there a third of the time; once in two thousand stays all day.
            let most = if !lies && self.generator.unit() < 0.0005 { 12.0 * 3600.0 } else { self.setup.stays };
            let span = range(&mut self.generator, 0.1, 1.0) * most * if lies { 2.0 } else { 1.0 };
            self.animal = (now + span, !lies, now, self.animal.3);
        }
    }

    pub fn animal_lies_there(&self) -> bool {
        self.animal.1
    }

    pub fn animal_in_words(&self) -> String {
        if self.animal.1 { format!("leaves {:.3}", self.animal.3) } else { "elsewhere".to_owned() }
    }

    /// What the dust lets through, about one.
    pub fn dust(&self) -> f64 {
        let (most, every) = self.setup.dust;
        let phase = (self.at % (every * DAY)) as f64 / (every * DAY) as f64;
        1.0 - most * (phase - 0.5)
    }

    /// What the probe makes of a UVI now.
    pub fn gain_now(&self) -> f64 {
        self.gain * libm::exp(self.setup.drift * self.at as f64 / (365.25 * DAY as f64))
    }

    /// UVI at the spot now, no animal there. A discharge that has ended gives no UV, however warm its lamp is yet (its phosphor
    /// glows on for milliseconds; common practice, no source), and may be struck again warm.
    pub fn uvi(&self) -> f64 {
        let lamp = |lamp: &&UvLamp| !lamp.no_uv && lamp.burns(self.supply);
        let gives = |lamp: &UvLamp| lamp.strength * lamp.left.1 * lamp.warmth;
        self.moved * self.dust() * self.lamps.iter().filter(lamp).map(gives).sum::<f64>()
    }

    /// The same with every lamp warm and well, and the mesh as on average.
    pub fn uvi_when_lit(&self) -> f64 {
        self.moved * self.lamps.iter().map(UvLamp::full).sum::<f64>()
    }

    fn noisy(&mut self, value: f64, noise: f64, step: f64) -> f64 {
        let noisy = value + noise * self.generator.normal();
        (noisy.max(0.0) / step).round() * step
    }

    pub fn read_uv(&mut self) -> f64 {
        let past = if self.animal.1 { self.animal.3 } else { 1.0 };
        let shines = self.uvi() * past * self.shade * self.gain_now() * libm::exp(self.of_day.0);
        let (least, share) = self.setup.noise;
        let read = self.noisy(shines + self.setup.offset, least + share * shines, self.setup.step);
        match self.eye {
            Eye::Sees => self.last_uv = read,
            Eye::Unplugged => return 0.0,
            Eye::Frozen(at) => return at,
        }
        read
    }

    /// The probe keeps to its last reading from now on.
    pub fn freeze(&mut self) {
        self.eye = Eye::Frozen(self.last_uv);
    }

    pub fn read_light(&mut self) -> f64 {
        let share = |lamp: &UvLamp| if lamp.burns(self.supply) { lamp.warmth } else { 0.0 };
        let lit = self.lamps.iter().map(share).sum::<f64>() / self.lamps.len() as f64;
        let lit = LUX * lit * self.dust();
        self.noisy(lit + 20.0, 0.01 * lit, 1.0)
    }

    pub fn read_power(&mut self, lamp: usize) -> f64 {
        let watts = if self.lamps[lamp].burns(self.supply) { self.setup.watts() } else { 0.3 };
        self.noisy(watts, 0.01 * watts, 0.1)
    }

    pub fn read_temperature(&mut self) -> f64 {
        let spot = self.spot;
        self.noisy(spot, 0.06, 0.0625)
    }
}
