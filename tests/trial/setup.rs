//! What an enclosure of the trial has: drawn from its seed, told to the core as a keeper would write it down.

use std::fmt::Write as _;

use lampwarden::config::{self, Source};
use lampwarden::settings::{Fitting, Settings};
use lampwarden::simulator::Pcg32;

/// The hardware of one enclosure, and the hand that keeps it. All shares and ranges are guesses.
#[derive(Clone, Debug)]
pub struct Setup {
    pub fitting: Fitting,
    pub lamps: usize,
    /// The second lamp comes on later and goes off earlier by so many hours.
    pub staged: u64,
    /// Seconds between readings of the UV probe and of those beside it.
    pub every: u64,
    /// Its step, what it reads too much, and its noise: in UVI, and as a share of the reading.
    pub step: f64,
    pub offset: f64,
    pub noise: (f64, f64),
    /// What it makes of a UVI, and how that drifts: logarithm per year.
    pub gain: f64,
    pub drift: f64,
    pub light: bool,
    pub power: bool,
    /// A halogen lamp with a thermostat.
    pub heat: bool,
    pub zone: u8,
    pub latitude: f64,
    /// Longest stay of the animal on the probe, s. It lies there for a third of the time.
    pub stays: f64,
    /// Greatest loss to dust, and days between cleanings.
    pub dust: (f64, u64),
    /// Standard deviation of a day, and how much of it lasts to the next.
    pub scatter: (f64, f64),
    /// Spares in stock; none: not counted.
    pub stock: Option<u32>,
    pub keeper: Keeper,
}

/// How the keeper goes about it.
#[derive(Clone, Copy, Debug)]
pub struct Keeper {
    /// What the hand-held meter shows of a UVI of 1, within ±10 % (common practice, no source); none: there is no meter.
    pub meter: Option<f64>,
    /// Days between rounds.
    pub walks: f64,
    /// Chance that a lamp change is logged, and that a round is not forgotten.
    pub logs: f64,
    pub walks_indeed: f64,
    /// Chance of a slip of the pen in a reading.
    pub slips: f64,
}

/// A number in a range.
pub fn range(generator: &mut Pcg32, from: f64, to: f64) -> f64 {
    from + (to - from) * generator.unit()
}

/// One of these, by weight.
pub fn pick<T: Copy>(generator: &mut Pcg32, of: &[(T, f64)]) -> T {
    let mut left = generator.unit() * of.iter().map(|(_, weight)| weight).sum::<f64>();
    for &(item, weight) in of {
        if left < weight {
            return item;
        }
        left -= weight;
    }
    of[of.len() - 1].0
}

impl Setup {
    pub fn drawn(seed: u64) -> Setup {
        let g = &mut Pcg32::new(seed, 1);
        let kinds = [
            (Fitting::FluorescentUvb, 0.6),
            (Fitting::CompactUvb, 0.25),
            (Fitting::MercuryVapour, 0.08),
            (Fitting::MetalHalide, 0.07),
        ];
        let fitting = pick(g, &kinds);
        let warms = fitting.traits().emits.heat;
        Setup {
            fitting,
            lamps: if !warms && g.unit() < 0.12 { 2 } else { 1 },
            staged: pick(g, &[(0, 0.5), (1, 0.5)]),
            every: pick(g, &[(30, 0.002), (60, 0.01), (120, 0.03), (300, 0.22), (600, 0.738)]),
            step: pick(g, &[(0.01, 0.7), (0.05, 0.15), (0.1, 0.15)]),
            offset: pick(g, &[(0.0, 0.7), (0.03, 0.2), (0.1, 0.1)]),
            noise: (range(g, 0.003, 0.012), range(g, 0.003, 0.012)),
            gain: libm::exp(0.15 * g.normal()).clamp(0.6, 1.6),
            drift: 0.02 * g.signed(),
            light: g.unit() < 0.2,
            power: g.unit() < 0.25,
            heat: !warms && g.unit() < 0.05,
            zone: pick(g, &[(2, 0.2), (3, 0.6), (4, 0.2)]),
            latitude: range(g, -35.0, 45.0),
            stays: range(g, 0.25, 4.0) * 3600.0,
            dust: (range(g, 0.0, 0.02), range(g, 20.0, 60.0) as u64),
            scatter: (range(g, 0.002, 0.012), range(g, 0.0, 0.6)),
            stock: if g.unit() < 0.5 { Some(u32::from(g.unit() < 0.5)) } else { None },
            keeper: Keeper {
                meter: (g.unit() < 0.92).then(|| 1.0 + 0.05 * g.normal().clamp(-2.0, 2.0)),
                walks: range(g, 25.0, 60.0),
                logs: 0.9,
                walks_indeed: 0.85,
                slips: 0.01,
            },
        }
    }

    /// Whether UV is all that tells of the lamps.
    pub fn sees_uv_alone(&self) -> bool {
        self.lamps == 1 && !self.light && !self.power && !self.heat && !self.fitting.traits().emits.heat
    }

    /// Seconds between readings of the temperature probe, where there is one.
    pub fn temperature_every(&self) -> Option<u64> {
        (self.heat || self.fitting.traits().emits.heat).then_some(if self.heat { 60 } else { 300 })
    }

    pub fn watts(&self) -> f64 {
        if self.fitting.traits().emits.heat { 100.0 } else { 24.0 }
    }

    /// The same as a keeper writes it.
    pub fn toml(&self) -> String {
        let Setup { zone, latitude, every, .. } = *self;
        let word = self.fitting.traits().word;
        let stock =
            self.stock.map_or_else(String::new, |count| format!("[[spare]]\nfitting = \"{word}\"\ncount = {count}\n"));
        let mut toml = format!(
            r#"
[site]
name = "trial"
timezone = "UTC"
latitude = 40.0
longitude = 0.0
uv_notice = "30d"

[broker]
url = "mqtt://127.0.0.1"

{stock}
[care.basker]
uv_zone = {zone}
basking = {{ day = 33.0, night = 20.0, cut = 44.0, limit = 50.0 }}
photoperiod = {{ follow = "latitude", latitude = {latitude:.1}, shortest = "10h", longest = "14h", noon = "13:00" }}

[[enclosure]]
id = "e"
care = "basker"

[enclosure.probes.uv]
measures = "uvi"
topic = "e/uv"
every = "{every}s"
stale = "3h"
"#
        );
        let mut probe = |name: &str, measures: &str, every: u64| {
            let head = format!("[enclosure.probes.{name}]\nmeasures = \"{measures}\"\n");
            let stale = if measures == "temperature" { "" } else { "stale = \"3h\"\n" };
            let _ = write!(toml, "{head}topic = \"e/{name}\"\nevery = \"{every}s\"\n{stale}");
        };
        if self.light {
            probe("lux", "illuminance", every);
        }
        for lamp in (0..self.lamps).filter(|_| self.power) {
            probe(&format!("power{lamp}"), "power", every);
        }
        if let Some(every) = self.temperature_every() {
            probe("basking", "temperature", every);
        }
        for lamp in 0..self.lamps {
            let watts = self.watts();
            let head =
                format!("[enclosure.lamps.lamp{lamp}]\nfitting = \"{word}\"\nwatts = {watts}\nlights = \"uv\"\n");
            let relay = format!("relay = {{ set = \"e/lamp{lamp}/set\", state = \"e/lamp{lamp}\", hold = \"12h\" }}\n");
            let staged = self.staged * lamp as u64;
            let stages = format!("when = \"day\"\nafter_dawn = \"{staged}h\"\nbefore_dusk = \"{staged}h\"\n");
            let power = if self.power { format!("power = \"power{lamp}\"\n") } else { String::new() };
            let guards = self.fitting.traits().emits.heat;
            let guard = if guards { "guards = [\"basking\"]\ncut = 48.0\nlimit = 54.0\n" } else { "" };
            toml += &[head, relay, stages, power, guard.to_owned()].concat();
        }
        if self.heat {
            toml += "[enclosure.lamps.heat]\nfitting = \"halogen\"\nwatts = 75\nwarms = \"basking\"\nwhen = \"day\"\n";
            toml += "relay = { set = \"e/heat/set\", state = \"e/heat\" }\n";
        }
        toml
    }

    pub fn settings(&self) -> Settings {
        let sources = [Source { name: "trial.toml".into(), text: self.toml() }];
        let checked = config::parse(&sources);
        match checked.settings {
            Some(settings) => settings,
            None => panic!("{}", config::render(&checked.findings, &sources, false)),
        }
    }
}
