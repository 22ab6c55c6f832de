//! What the settings do not say: how large, how near, how noisy. Plain data with defaults, each sourced or a guess.

use crate::settings::{Enclosure, Fitting, Lamp, Measures, Probe, Settings, When};
use crate::units::{Celsius, Kelvin, Uvi, Watts};

use super::lamp::Ageing;
use super::layout;
use super::probe::Accuracy;
use super::room::{Climate, Weather};
use super::uv::{Metres, REFERENCE, Spread, UvSource};

/// The physical side of a site.
#[derive(Clone, Debug, PartialEq)]
pub struct Physics {
    /// How the room's temperature runs.
    pub climate: Climate,
    /// Where it comes from.
    pub weather: Weather,
    /// Each enclosure, in the order of the settings.
    pub enclosures: Vec<EnclosurePhysics>,
}

/// The physical side of an enclosure.
#[derive(Clone, Debug, PartialEq)]
pub struct EnclosurePhysics {
    /// Conductances and heat capacities against those of a wooden box of 120 × 60 × 60 cm.
    pub size: f64,
    /// Each lamp, in the order of the settings.
    pub lamps: Vec<LampPhysics>,
    /// Each probe, in the order of the settings.
    pub probes: Vec<ProbePhysics>,
}

/// The physical side of a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampPhysics {
    /// Power at full level.
    pub watts: Watts,
    /// What it shines on or lies under.
    pub aim: Region,
    /// Share of its heat that goes there straight; the rest warms the air of the basking end.
    pub beam: f64,
    /// Its UV, where it has any.
    pub uv: Option<UvSource>,
    /// How its UV fades.
    pub ageing: Ageing,
    /// Hours burnt before the world began.
    pub burnt: f64,
    /// Illuminance it gives at a probe, lux.
    pub lux: f64,
}

/// The physical side of a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbePhysics {
    /// Where it sits.
    pub place: Region,
    /// How well it measures.
    pub accuracy: Accuracy,
    /// How far the lamps are.
    pub distance: Metres,
    /// Share of their light that finds it.
    pub exposure: f64,
}

/// A part of an enclosure with a temperature of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Region {
    /// The stone or branch under the lamp.
    BaskingSurface,
    /// The air above it.
    BaskingAir,
    /// The warm side.
    WarmSide,
    /// The cool side.
    CoolSide,
}

impl Region {
    /// Every place, in the order of the network's nodes.
    pub const ALL: [Region; 4] = [Region::BaskingSurface, Region::BaskingAir, Region::WarmSide, Region::CoolSide];

    /// Where a probe at this spot sits; a spot of unknown name is air at the basking end.
    pub fn of_spot(spot: &str) -> Region {
        match spot {
            "basking" => Region::BaskingSurface,
            "warm" => Region::WarmSide,
            "cool" | "retreat" => Region::CoolSide,
            _ => Region::BaskingAir,
        }
    }

    /// Share of the basking spot's light that arrives here. Guesses.
    fn exposure(self) -> f64 {
        match self {
            Region::BaskingSurface | Region::BaskingAir => 1.0,
            Region::WarmSide => 0.3,
            Region::CoolSide => 0.05,
        }
    }
}

/// How much hotter than its target a lamp can make its spot, left on for ever: a guess at how keepers choose wattage.
const HEADROOM: Kelvin = Kelvin(8.0);
/// The same for a lamp that must cool before it strikes: chosen to stay on, just below the target. A guess.
const HEADROOM_OF_DISCHARGE: Kelvin = Kelvin(-1.0);
/// How far below its cut a lamp without a thermostat settles. A guess.
const BELOW_CUT: Kelvin = Kelvin(6.0);
/// UVI to aim at where the settings name no band. A guess.
const UVI_WITHOUT_BAND: Uvi = Uvi(2.0);
/// Share of UV that mesh lets through: it cuts 30–50 % (Blackwell's Five-Minute Veterinary Consult, UVB chapter).
const MESH: f64 = 0.65;
/// Burn hours behind a lamp: past its burn-in. A guess.
const BURNT: f64 = 200.0;

impl Physics {
    /// Plausible physics for `settings`: boxes sized so that each lamp can do its work, UV lamps chosen and hung so
    /// that the middle of the band is met at the basking spot.
    pub fn plausible(settings: &Settings) -> Physics {
        let enclosures = settings.enclosures.iter().map(EnclosurePhysics::plausible).collect();
        Physics { climate: Climate::default(), weather: Weather::default(), enclosures }
    }
}

impl EnclosurePhysics {
    /// Plausible physics for one enclosure.
    fn plausible(enclosure: &Enclosure) -> EnclosurePhysics {
        let probes = enclosure.probes.iter().map(ProbePhysics::plausible).collect();
        let sources = enclosure.lamps.iter().filter(|lamp| lamp.fitting.traits().emits.uv).count();
        let wanted = enclosure.care.uv.map_or(UVI_WITHOUT_BAND.0, |band| (band.low.0 + band.high.0) / 2.0);
        // What is left of the new lamp's UV is made good, so that the band is met as the world begins.
        let left = Ageing::default().left(BURNT) * MESH;
        let reference = Uvi(wanted / sources.max(1) as f64 / left);
        let lamps = enclosure.lamps.iter().map(|lamp| LampPhysics::plausible(enclosure, lamp, reference)).collect();
        let mut physics = EnclosurePhysics { size: 1.0, lamps, probes };
        let needs = enclosure.lamps.iter().enumerate().filter_map(|(i, lamp)| Some((i, needed(lamp)?)));
        let sizes = needs.map(|(i, need)| layout::fitting_size(&physics, enclosure, i, need));
        physics.size = sizes.reduce(f64::min).unwrap_or(1.0);
        physics
    }
}

/// The temperature that `lamp` alone, left on, should bring to its spot; none for a lamp that need not warm.
fn needed(lamp: &Lamp) -> Option<Celsius> {
    let slow = !lamp.fitting.traits().restrike.value.is_zero();
    let headroom = if slow { HEADROOM_OF_DISCHARGE } else { HEADROOM };
    let target = |heat: &crate::settings::Heat| match lamp.window.when {
        When::Day => heat.target.day,
        When::Night => heat.target.night,
        When::Always => Celsius(heat.target.day.0.max(heat.target.night.0)),
    };
    match (&lamp.heat, &lamp.guard) {
        (Some(heat), _) => Some(target(heat) + headroom),
        (None, Some(guard)) => Some(guard.cut - BELOW_CUT),
        (None, None) => None,
    }
}

impl LampPhysics {
    /// Plausible physics for one lamp whose UV, where it has any, is `reference` when new.
    fn plausible(enclosure: &Enclosure, lamp: &Lamp, reference: Uvi) -> LampPhysics {
        let (watts, beam, lux) = of_fitting(lamp.fitting);
        let probe = lamp.heat.map(|heat| heat.probe).or(lamp.guard.as_ref().and_then(|g| g.probes.first().copied()));
        let spot = probe.and_then(|probe| enclosure.probes.get(probe.0)).map(|probe| Region::of_spot(&probe.spot));
        let tube = lamp.fitting == Fitting::FluorescentUvb;
        let spread = if tube { Spread::Line } else { Spread::Point };
        let uv = lamp.fitting.traits().emits.uv.then_some(UvSource { reference, spread, mesh: MESH });
        LampPhysics {
            watts: lamp.power.unwrap_or(watts),
            aim: spot.unwrap_or(Region::BaskingAir),
            beam,
            uv,
            ageing: Ageing::default(),
            burnt: BURNT,
            lux,
        }
    }
}

/// Power where the settings give none, share of heat that goes straight where the lamp aims, and illuminance at a probe
/// in lux: guesses, in the order of common lamps of that kind.
fn of_fitting(fitting: Fitting) -> (Watts, f64, f64) {
    match fitting {
        Fitting::Halogen => (Watts(75.0), 0.6, 5000.0),
        Fitting::CeramicEmitter => (Watts(100.0), 0.5, 0.0),
        Fitting::HeatMat => (Watts(20.0), 0.85, 0.0),
        Fitting::RadiantPanel => (Watts(80.0), 0.6, 0.0),
        Fitting::FluorescentUvb => (Watts(24.0), 0.0, 3000.0),
        Fitting::CompactUvb => (Watts(23.0), 0.0, 2000.0),
        Fitting::MercuryVapour => (Watts(125.0), 0.5, 8000.0),
        Fitting::MetalHalide => (Watts(70.0), 0.5, 15_000.0),
        Fitting::Led => (Watts(20.0), 0.0, 6000.0),
    }
}

impl ProbePhysics {
    /// Plausible physics for one probe.
    fn plausible(probe: &Probe) -> ProbePhysics {
        let place = Region::of_spot(&probe.spot);
        let accuracy = Accuracy::common(probe.measures);
        let lit = matches!(probe.measures, Measures::Uvi | Measures::Illuminance);
        ProbePhysics { place, accuracy, distance: REFERENCE, exposure: if lit { place.exposure() } else { 0.0 } }
    }
}
