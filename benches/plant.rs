//! How many enclosure-years of plant go by in a second, beside a bare loop in the same run.
//!
//! `cargo bench --bench plant` runs a year of one enclosure at 10 s steps: as the bare minimum, a loop of four nodes by
//! Euler's rule with an on/off thermostat and a check against the limit; then the simulated world with the same
//! thermostat: gliding over all readings at which it does not switch, with one probe and as a fuller enclosure is
//! equipped, and where nobody switches anything; then message by message; asked for the temperature itself; and with every payload as text. All take turns,
//! several times over, and the best of each counts, in time on the processor where the system tells that. Read the
//! ratios: absolute figures are of one machine on one day.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads clocks, and the system's count of its own")]

mod bare;

use std::hint::black_box;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeZone, Utc};
use lampwarden::config::{self, Source};
use lampwarden::settings::{EnclosureIx, ProbeIx, Settings};
use lampwarden::simulator::{Message, Physics, Region, World};

use bare::{Done, RUNS, STEPS, Thermostat, bare};

/// From step to step.
const STEP: Duration = Duration::from_secs(10);

/// An enclosure as it is commonly equipped. Invented.
const ENCLOSURE: &str = r#"
[site]
name = "bench"
timezone = "UTC"
latitude = 40.0
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1:1883"

[care.basker]
uv_zone = 3
basking = { day = 33.0, night = 20.0, cut = 42.0 }
photoperiod = { follow = "clock", on = "07:00", off = "19:00" }

[[enclosure]]
id = "e"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e/basking"
every = "EVERY"
spot = "basking"

[enclosure.probes.cool]
measures = "temperature"
topic = "e/cool"
every = "60s"
spot = "cool"

[enclosure.probes.uv]
measures = "uvi"
topic = "e/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"
relay = { set = "e/heat/set", state = "e/heat", on = "ON", off = "OFF" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e/uvb/set", state = "e/uvb" }
"#;

/// The settings, its basking probe speaking every `every`.
fn settings(every: &str) -> Settings {
    let sources = [Source { name: "bench.toml".to_owned(), text: ENCLOSURE.replace("EVERY", every) }];
    let checked = config::parse(&sources);
    match checked.settings {
        Some(settings) => settings,
        None => panic!("{}", config::render(&checked.findings, &sources, false)),
    }
}

fn start() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).single().expect("a plain UTC time")
}

/// The world without probes, asked for the temperature every step.
fn asked() -> Done {
    let settings = settings("10s");
    let mut physics = Physics::plausible(&settings);
    physics.enclosures[0].probes.clear();
    let mut world = World::new(&settings, &physics, start(), 1, &[]);
    let mut thermostat = Thermostat::default();
    let mut said: Vec<Message> = Vec::new();
    for step in 1..=STEPS {
        world.advance_to(STEP * step as u32, &mut said);
        let temperature = world.temperature(EnclosureIx(0), Region::BaskingSurface).map_or(f64::NAN, |t| t.0);
        if thermostat.step(temperature) {
            world.incoming("e/heat/set", thermostat.word(), &mut said);
        }
        thermostat.done.messages += said.drain(..).count() as u64;
    }
    thermostat.done
}

/// The world with its probes, going from event to event; `text`: every payload is made.
fn heard(settings: &Settings, probes: usize, text: bool) -> Done {
    let mut physics = Physics::plausible(settings);
    physics.enclosures[0].probes.truncate(probes);
    let mut world = World::new(settings, &physics, start(), 1, &[]);
    let mut thermostat = Thermostat::default();
    let (mut said, mut commands): (Vec<Message>, Vec<Message>) = (Vec::new(), Vec::new());
    let end = STEP * STEPS as u32;
    while let Some(next) = world.next_event().filter(|next| *next <= end) {
        world.advance_to(next, &mut said);
        for message in said.drain(..) {
            thermostat.done.messages += 1;
            if text {
                black_box(message.payload());
            }
            if message.topic() == "e/basking" && thermostat.step(message.number().unwrap_or(f64::NAN)) {
                world.incoming("e/heat/set", thermostat.word(), &mut commands);
            }
        }
        thermostat.done.messages += commands.drain(..).count() as u64;
    }
    thermostat.done
}

/// The world with its probes, gliding from one switching of the thermostat to the next.
fn glided(settings: &Settings, probes: usize) -> Done {
    let mut physics = Physics::plausible(settings);
    physics.enclosures[0].probes.truncate(probes);
    let mut world = World::new(settings, &physics, start(), 1, &[]);
    let mut thermostat = Thermostat::default();
    let mut readings = 0_u64;
    let mut said: Vec<Message> = Vec::new();
    let end = STEP * STEPS as u32;
    let mut lit = false;
    loop {
        let mut switches = false;
        let mut takes = |_at: u64, _: EnclosureIx, probe: ProbeIx, value: f64| {
            readings += 1;
            if probe == ProbeIx(0) {
                switches = thermostat.step(value);
                !switches
            } else {
                black_box(value) < f64::INFINITY
            }
        };
        let reached = world.glide(end, &mut takes, &mut said);
        if switches {
            world.incoming("e/heat/set", thermostat.word(), &mut said);
        }
        // The UV lamp burns twelve hours a day.
        let day = reached.as_secs() % 86_400 < 43_200;
        if probes > 1 && day != lit {
            lit = day;
            world.incoming("e/uvb/set", if day { b"ON" } else { b"OFF" }, &mut said);
        }
        said.clear();
        if reached >= end {
            thermostat.done.messages = readings;
            return thermostat.done;
        }
    }
}

/// The same where nobody switches anything: readings alone.
fn calm(settings: &Settings) -> Done {
    let mut physics = Physics::plausible(settings);
    physics.enclosures[0].probes.truncate(1);
    let mut world = World::new(settings, &physics, start(), 1, &[]);
    let mut done = Done::default();
    let mut takes = |_: u64, _: EnclosureIx, _: ProbeIx, value: f64| {
        done.messages += 1;
        black_box(value) < f64::INFINITY
    };
    let (end, mut said) = (STEP * STEPS as u32, Vec::new());
    while world.glide(end, &mut takes, &mut said) < end {}
    done
}

/// Time spent so far: on the processor where the system tells (Linux: the first number in `schedstat`, ns), else by the
/// clock.
fn spent(since: Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanos = told.and_then(|text| text.split_whitespace().next()?.parse().ok());
    nanos.map_or_else(|| since.elapsed(), Duration::from_nanos)
}

/// A way to spend a year.
type Run<'a> = Box<dyn Fn() -> Done + 'a>;

fn main() {
    let (quick, common) = (settings("10s"), settings("30s"));
    let rows: [(&str, Run); 7] = [
        ("bare loop, Euler", Box::new(bare)),
        ("glides, nobody switches", Box::new(|| calm(&quick))),
        ("glides, a probe every 10 s", Box::new(|| glided(&quick, 1))),
        ("glides, 10/60/60 s, two lamps", Box::new(|| glided(&quick, 3))),
        ("speaks, a probe every 10 s", Box::new(|| heard(&quick, 1, false))),
        ("asked every 10 s", Box::new(asked)),
        ("speaks, 30/60/60 s, as text", Box::new(|| heard(&common, 3, true))),
    ];
    let only = std::env::args().skip(1).find(|arg| !arg.starts_with('-'));
    let rows: Vec<_> =
        rows.iter().filter(|(name, _)| only.as_ref().is_none_or(|only| name.contains(&**only))).collect();
    let mut best = vec![(0.0_f64, Done::default()); rows.len()];
    let begin = Instant::now();
    for _ in 0..2 * RUNS {
        for ((_, run), best) in rows.iter().zip(&mut best) {
            let before = spent(begin);
            let done = black_box(run());
            *best = (best.0.max(1.0 / (spent(begin) - before).as_secs_f64()), done);
        }
    }
    println!("\none enclosure for a year, best of {} runs in turn, one core\n", 2 * RUNS);
    println!("| the world                     | enclosure-years/s | of the bare loop | switched | messages |");
    println!("|-------------------------------|-------------------|------------------|----------|----------|");
    for ((name, _), (rate, done)) in rows.iter().zip(&best) {
        let share = rate / best[0].0;
        println!("| {name:<29} | {rate:17.2} | {share:16.3} | {:8} | {:8} |", done.switched, done.messages);
    }
}
