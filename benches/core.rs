//! The hot functions of the core by themselves, by criterion: what a message costs from its bytes to its effects.
//!
//! `cargo bench --bench core --no-default-features` compares with the run before and says what has changed; absolute
//! figures are of one machine on one day.

#![allow(clippy::unwrap_used, reason = "a benchmark fails by panics")]

use std::hint::black_box;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use lampwarden::config::{self, Source};
use lampwarden::control::{Controller, Event};
use lampwarden::message::Routes;
use lampwarden::science::sun;
use lampwarden::settings::Settings;
use lampwarden::time::{Moment, Mono};

const ENCLOSURES: usize = 100;

/// A rack of enclosures with a guarded heater and a tube each. Invented.
const ROOM: &str = r#"
[site]
name = "bench"
timezone = "Etc/UTC"
latitude = 38.72
longitude = -9.14

[broker]
url = "mqtt://127.0.0.1"

[care.woodland-basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0 }
photoperiod = { follow = "clock", on = "08:00", off = "20:00" }

[[rack]]
id = "r"
bays = "00..99"
care = "woodland-basker"

[rack.probes.basking]
measures = "temperature"
topic = "r/{bay}/basking"
every = "10s"

[rack.probes.uv]
measures = "uvi"
topic = "r/{bay}/uv"
pointer = "/uvi"
every = "10s"

[rack.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = { set = "r/{bay}/heat/set", state = "r/{bay}/heat", hold = "5m" }

[rack.lamps.uvb]
fitting = "fluorescent-uvb"
lights = "uv"
relay = { set = "r/{bay}/uvb/set", state = "r/{bay}/uvb" }
"#;

fn settings() -> Settings {
    let checked = config::parse(&[Source { name: "room.toml".into(), text: ROOM.into() }]);
    checked.settings.unwrap()
}

fn ten() -> DateTime<Utc> {
    DateTime::from_timestamp(1_772_359_200, 0).unwrap()
}

/// `after` seconds past ten in the morning.
fn at(after: f64) -> Moment {
    let after = Duration::from_secs_f64(after);
    Moment { mono: Mono::new(Duration::from_secs(1) + after), wall: ten() + TimeDelta::from_std(after).unwrap() }
}

/// The site at ten in the morning, connected, every basking spot told.
struct Site {
    settings: Settings,
    routes: Routes,
    controller: Controller,
    events: Vec<Event>,
}

impl Site {
    fn new() -> Site {
        let settings = settings();
        let routes = Routes::new(&settings);
        let controller = Controller::new(settings.clone(), at(0.0), &[]);
        let mut site = Site { settings, routes, controller, events: Vec::new() };
        let mut effects = Vec::new();
        site.controller.handle(at(0.0), Event::LinkUp, &mut effects);
        for round in 0..4 {
            for bay in 0..ENCLOSURES {
                site.hear(at(f64::from(round) * 10.0), &format!("r/{bay:02}/basking"), b"32.0", &mut effects);
            }
        }
        site
    }

    /// A message from its bytes to its effects.
    fn hear(&mut self, now: Moment, topic: &str, payload: &[u8], out: &mut Vec<lampwarden::control::Effect>) {
        self.routes.decode(topic, payload, false, &self.settings, &mut self.events).unwrap();
        for event in self.events.drain(..) {
            self.controller.handle(now, event, out);
        }
    }
}

fn messages(c: &mut Criterion) {
    let mut group = c.benchmark_group("message");
    let site = std::cell::RefCell::new(Site::new());
    // The readings in turn over the rack, each a little later than the last, with a time of their own in each group.
    let mut turn = 0_u32;
    let mut effects = Vec::new();
    let topics: Vec<_> = (0..ENCLOSURES).map(|bay| format!("r/{bay:02}/basking")).collect();
    let objects: Vec<_> = (0..ENCLOSURES).map(|bay| format!("r/{bay:02}/uv")).collect();
    group.bench_function("a reading of which nothing comes", |b| {
        b.iter(|| {
            turn += 1;
            let now = at(40.0 + f64::from(turn) * 1e-4);
            site.borrow_mut().hear(now, &topics[turn as usize % ENCLOSURES], black_box(b"32.1"), &mut effects);
            effects.clear();
        });
    });
    group.bench_function("a reading inside JSON of which nothing comes", |b| {
        b.iter(|| {
            turn += 1;
            let now = at(40.0 + f64::from(turn) * 1e-4);
            let payload = black_box(br#"{"uvi": 4.1, "uva": 12}"#);
            site.borrow_mut().hear(now, &objects[turn as usize % ENCLOSURES], payload, &mut effects);
            effects.clear();
        });
    });
    group.bench_function("a message that nobody waits for", |b| {
        b.iter(|| {
            site.borrow_mut().hear(at(40.0), "somebody/else", black_box(b"1"), &mut effects);
        });
    });
    group.bench_function("a reading over the cut: the heater goes off", |b| {
        b.iter_batched(
            || (Site::new(), Vec::with_capacity(64)),
            |(mut site, mut effects)| {
                site.hear(at(41.0), "r/42/basking", black_box(b"41.5"), &mut effects);
                assert!(!effects.is_empty());
                (site, effects)
            },
            BatchSize::LargeInput,
        );
    });
    group.finish();
}

fn starts(c: &mut Criterion) {
    let mut group = c.benchmark_group("start");
    group.bench_function("a configuration of 100 enclosures", |b| b.iter(settings));
    let settings = settings();
    group.bench_function("a controller of 100 enclosures", |b| {
        b.iter_batched(|| settings.clone(), |settings| Controller::new(settings, at(0.0), &[]), BatchSize::LargeInput);
    });
    let place = settings.site.place;
    group.bench_function("a day of the sun", |b| {
        b.iter(|| sun::sun_day(place.latitude, place.longitude, black_box(ten())))
    });
    group.finish();
}

criterion_group!(benches, messages, starts);
criterion_main!(benches);
