//! The simulated room as its neighbours see it: through messages, and through what is so.

use std::time::Duration;

use chrono::{DateTime, NaiveTime, TimeZone, Utc};

use super::*;
use crate::settings::*;
use crate::units::{Celsius, Degrees, Kelvin, KelvinPerSecond, KelvinSeconds, Level, Uvi, Watts};

mod ahead;
mod effects;
mod faults;
mod same;

const HEAT: LampIx = LampIx(0);
const UVB: LampIx = LampIx(1);
const BASKING: ProbeIx = ProbeIx(0);
const UV: ProbeIx = ProbeIx(1);
const ONLY: EnclosureIx = EnclosureIx(0);

fn probe(name: &str, measures: Measures) -> Probe {
    Probe {
        name: name.to_owned(),
        measures,
        topic: format!("e/{name}"),
        pointer: None,
        stamp_pointer: None,
        unit: PayloadUnit::Kept,
        every: Duration::from_secs(30),
        stale: Duration::from_secs(90),
        spot: if name == "cool" { "cool" } else { "basking" }.to_owned(),
        plausible: (-50.0, 200_000.0),
        reject: Vec::new(),
        fastest: None,
    }
}

fn lamp(name: &str, fitting: Fitting, watts: f64) -> Lamp {
    let pi = Pi { band: Kelvin(2.0), integral: Duration::from_secs(600) };
    let warms = fitting.traits().emits.heat;
    let heat = Heat {
        probe: BASKING,
        target: Target { day: Celsius(36.0), night: Celsius(20.0) },
        law: HeatLaw::Dim { pi },
        weak: HeatWeak { deficit: KelvinSeconds(1e6), gain: Kelvin(1.0), within: Duration::from_secs(600) },
    };
    let guard = Guard {
        probes: vec![BASKING],
        cut: Celsius(42.0),
        limit: Celsius(48.0),
        gap: Kelvin(2.0),
        rest: Duration::from_secs(300),
        slew: KelvinPerSecond(0.1),
        twins_apart: Kelvin(5.0),
        twins_for: Duration::from_secs(300),
        frozen_after: Duration::from_secs(1800),
        unstoppable_after: Duration::from_secs(300),
    };
    let kind = OutputKind::Relay {
        on: "ON".to_owned(),
        off: "OFF".to_owned(),
        reports_on: "ON".to_owned(),
        reports_off: "OFF".to_owned(),
    };
    let hold = warms.then(|| Duration::from_secs(300));
    let output =
        Output { set: format!("e/{name}/set"), state: Some(format!("e/{name}")), state_pointer: None, kind, hold };
    Lamp {
        name: name.to_owned(),
        fitting,
        power: Some(Watts(watts)),
        output,
        cut_off: None,
        circuit: None,
        priority: 5,
        window: Window {
            when: When::Day,
            after_dawn: Duration::ZERO,
            before_dusk: Duration::ZERO,
            ramp: Duration::ZERO,
            level: Level::FULL,
        },
        year: None,
        heat: warms.then_some(heat),
        guard: warms.then_some(guard),
        lights: fitting.traits().emits.uv.then_some(UV),
        uv_ceiling: None,
        power_probe: (name == "uvb").then_some(ProbeIx(2)),
        min_on: Duration::ZERO,
        min_off: Duration::ZERO,
        warm_up: fitting.traits().warm_up.value,
    }
}

fn settings(lamps: Vec<Lamp>) -> Settings {
    let noon = |h| NaiveTime::from_hms_opt(h, 0, 0).expect("a time of day");
    let uv = UvBand { zone: Some(3), low: Uvi(2.9), high: Uvi(7.4), ceiling: Uvi(8.0) };
    let care = Care {
        name: "basker".to_owned(),
        photoperiod: Photoperiod::Clock { on: noon(7), off: noon(19) },
        program: None,
        uv: Some(uv),
    };
    let probes = vec![
        probe("basking", Measures::Temperature),
        probe("uv", Measures::Uvi),
        probe("power", Measures::Power),
        probe("cool", Measures::Temperature),
    ];
    Settings {
        site: Site {
            name: "test".to_owned(),
            timezone: chrono_tz::UTC,
            place: Place { latitude: Degrees(50.0), longitude: Degrees(0.0) },
            on_exit: OnExit::HeatOff,
            accept_commands: false,
            state_directory: None,
            uv_notice: Duration::from_secs(30 * 86_400),
            spare_horizon: Duration::from_secs(60 * 86_400),
        },
        broker: Broker {
            host: "127.0.0.1".to_owned(),
            port: 1883,
            protocol: Protocol::V311,
            tls: None,
            username: None,
            password_file: None,
            client_id: None,
            keep_alive: Duration::from_secs(5),
        },
        spares: Vec::new(),
        telling: Default::default(),
        cut_offs: Vec::new(),
        circuits: Vec::new(),
        tariff: None,
        enclosures: vec![Enclosure {
            id: "e".to_owned(),
            title: "e".to_owned(),
            rack: None,
            care,
            probes,
            lamps,
            out_of_service: None,
        }],
    }
}

fn basker() -> Settings {
    settings(vec![lamp("heat", Fitting::Halogen, 75.0), lamp("uvb", Fitting::FluorescentUvb, 24.0)])
}

fn start() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 4, 18, 6, 30, 0).single().expect("a plain UTC time")
}

fn minutes(n: u64) -> Duration {
    Duration::from_secs(60 * n)
}

/// A world with its faults, and everything it has said.
struct Told {
    world: World,
    said: Vec<Message>,
}

impl Told {
    fn new(settings: &Settings, faults: &[TimedFault]) -> Told {
        let world = World::new(settings, &Physics::plausible(settings), start(), 11, faults);
        Told { world, said: Vec::new() }
    }

    fn tell(&mut self, topic: &str, payload: &str) {
        self.world.incoming(topic, payload.as_bytes(), &mut self.said);
    }

    /// Runs until `to`, repeating `payload` on `topic` every minute, as a daemon refreshes a hold.
    fn hold(&mut self, topic: &str, payload: &str, to: u64) {
        while self.world.now() < minutes(to) {
            self.tell(topic, payload);
            let next = self.world.now() + minutes(1);
            self.world.advance_to(next, &mut self.said);
        }
    }

    fn run(&mut self, to: u64) {
        self.world.advance_to(minutes(to), &mut self.said);
    }

    fn last(&self, topic: &str) -> std::borrow::Cow<'_, str> {
        self.said.iter().rfind(|m| m.topic() == topic).expect("something was said there").payload()
    }
}

#[test]
fn a_lamp_that_warms_brings_its_spot_past_the_target_and_no_further_than_plausible() {
    let mut told = Told::new(&basker(), &[]);
    told.hold("e/heat/set", "ON", 600);
    let at = |place| told.world.temperature(ONLY, place).expect("it is there").0;
    // Sized to stand 8 K above the target of 36 °C in a room of 20 °C, give or take the room.
    let basking = at(Region::BaskingSurface);
    assert!((42.0..46.0).contains(&basking), "{basking} °C");
    let (air, warm, cool) = (at(Region::BaskingAir), at(Region::WarmSide), at(Region::CoolSide));
    assert!(basking > air && air > warm && warm > cool, "{basking} {air} {warm} {cool}");
    // A cool retreat stays some degrees above the room and well below the basking spot.
    assert!((20.0..28.0).contains(&cool), "{cool} °C");
    let said: f64 = told.last("e/basking").parse().expect("a number");
    assert!((said - basking).abs() < 0.5, "the probe says {said}");
}

#[test]
fn everything_starts_at_room_temperature_and_stays_there_unheated() {
    let mut told = Told::new(&basker(), &[]);
    let cold = told.world.temperature(ONLY, Region::BaskingSurface).expect("it is there").0;
    told.run(60);
    let later = told.world.temperature(ONLY, Region::BaskingSurface).expect("it is there").0;
    assert!((15.0..24.0).contains(&cold) && (later - cold).abs() < 1.0);
}

#[test]
fn the_hold_ends_the_heat() {
    let mut told = Told::new(&basker(), &[]);
    told.tell("e/heat/set", "ON");
    told.run(4);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(75.0)));
    told.run(6);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(0.0)));
    assert_eq!(told.last("e/heat"), "OFF", "and it says so");
}

#[test]
fn a_dead_uv_lamp_gives_no_uv_and_draws_as_before() {
    let fault = TimedFault { at: minutes(60), until: None, fault: Fault::UvDies(ONLY, UVB) };
    let mut told = Told::new(&basker(), &[fault]);
    told.tell("e/uvb/set", "ON");
    told.run(59);
    let before: f64 = told.last("e/uv").parse().expect("a number");
    // The lamp was chosen for the middle of the band 2.9..7.4.
    assert!((before - 5.15).abs() < 0.5, "{before}");
    told.run(62);
    let after: f64 = told.last("e/uv").parse().expect("a number");
    let power: f64 = told.last("e/power").parse().expect("a number");
    assert!(after < 0.1, "{after}");
    assert!((power - 24.0).abs() < 1.0, "{power} W");
    assert_eq!(told.last("e/uvb"), "ON");
}

#[test]
fn two_uv_sources_add() {
    // A fact of the trade: common practice, no source.
    let lamps = |n: usize| settings((0..n).map(|i| lamp(&format!("uvb{i}"), Fitting::CompactUvb, 23.0)).collect());
    let source = UvSource { reference: Uvi(3.0), spread: Spread::Point, mesh: 0.65 };
    let uvi = |n: usize, on: &[usize]| {
        let settings = lamps(n);
        let mut physics = Physics::plausible(&settings);
        physics.enclosures[0].lamps.iter_mut().for_each(|lamp| lamp.uv = Some(source));
        let mut world = World::new(&settings, &physics, start(), 1, &[]);
        on.iter().for_each(|i| world.incoming(&format!("e/uvb{i}/set"), b"ON", &mut Vec::new()));
        world.advance_to(minutes(60), &mut Vec::new());
        world.truth(ONLY, UV).expect("it is there")
    };
    let (first, second, both) = (uvi(2, &[0]), uvi(2, &[1]), uvi(2, &[0, 1]));
    assert!(first > 1.0 && (both - first - second).abs() < 1e-9, "{first} {second} {both}");
}

#[test]
fn a_mercury_vapour_lamp_gives_neither_heat_nor_uv_until_it_has_cooled() {
    let settings = settings(vec![lamp("heat", Fitting::MercuryVapour, 125.0)]);
    let mut told = Told::new(&settings, &[]);
    told.hold("e/heat/set", "ON", 120);
    told.tell("e/heat/set", "OFF");
    told.run(121);
    told.hold("e/heat/set", "ON", 134);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(0.0)), "hot: 14 min after it went out");
    assert_eq!(told.world.truth(ONLY, UV), Some(0.0));
    told.hold("e/heat/set", "ON", 136);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(125.0)), "cool enough: 16 min after");
}

#[test]
fn a_contactor_ends_a_welded_lamp() {
    let mut settings = basker();
    let output = Output {
        set: "cut/set".to_owned(),
        state: Some("cut".to_owned()),
        state_pointer: None,
        kind: settings.enclosures[0].lamps[0].output.kind.clone(),
        hold: None,
    };
    settings.cut_offs.push(CutOff { name: "mains".to_owned(), output });
    settings.enclosures[0].lamps[0].cut_off = Some(CutOffIx(0));
    let fault = TimedFault { at: minutes(10), until: None, fault: Fault::RelayWelds(Switch::Lamp(ONLY, HEAT)) };
    let mut told = Told::new(&settings, &[fault]);
    told.hold("e/heat/set", "ON", 12);
    told.tell("e/heat/set", "OFF");
    told.run(30);
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(75.0)), "welded: it heats on");
    assert_eq!([told.last("e/heat"), told.last("cut")], ["OFF", "ON"]);
    told.tell("cut/set", "OFF");
    assert_eq!(told.world.power(ONLY, HEAT), Some(Watts(0.0)));
    assert_eq!((&*told.last("cut"), told.world.is_closed(CutOffIx(0))), ("OFF", Some(false)));
}

#[test]
fn a_silent_probe_comes_back_with_its_power_up_value() {
    let fault = TimedFault { at: minutes(10), until: Some(minutes(20)), fault: Fault::ProbeIsSilent(ONLY, BASKING) };
    let mut told = Told::new(&basker(), &[fault]);
    told.run(10);
    told.said.clear();
    told.run(20);
    assert!(told.said.iter().all(|m| m.topic() != "e/basking"));
    told.run(21);
    let first = told.said.iter().find(|m| m.topic() == "e/basking").expect("it is back");
    assert_eq!(first.payload(), "85");
}

#[test]
fn the_room_can_be_warmer() {
    let fault = TimedFault { at: minutes(1), until: Some(minutes(600)), fault: Fault::RoomWarms(Kelvin(12.0)) };
    let (mut usual, mut warm) = (Told::new(&basker(), &[]), Told::new(&basker(), &[fault]));
    let cool = |told: &mut Told, to| {
        told.run(to);
        told.world.temperature(ONLY, Region::CoolSide).expect("it is there").0
    };
    assert!((cool(&mut warm, 590) - cool(&mut usual, 590) - 12.0).abs() < 0.2);
    assert!((cool(&mut warm, 1500) - cool(&mut usual, 1500)).abs() < 0.2, "and it passes");
}

#[test]
fn nothing_is_understood_that_was_not_configured() {
    let mut told = Told::new(&basker(), &[]);
    told.run(1);
    told.said.clear();
    for (topic, payload) in
        [("e/heat/set", &b"on"[..]), ("e/heat/set", &[0xff, 0xfe]), ("e/heat", b"ON"), ("e/basking", b"99"), ("", b"")]
    {
        told.world.incoming(topic, payload, &mut told.said);
    }
    assert_eq!(told.said, []);
    assert_eq!(told.world.command_topics().collect::<Vec<_>>(), ["e/heat/set", "e/uvb/set"]);
}

#[test]
fn one_seed_gives_one_room_byte_for_byte_however_it_is_stepped() {
    let faults = [TimedFault { at: minutes(33), until: Some(minutes(44)), fault: Fault::ProbeIsSilent(ONLY, BASKING) }];
    let said = |seed: u64, step: u64| {
        let settings = basker();
        let mut world = World::new(&settings, &Physics::plausible(&settings), start(), seed, &faults);
        let mut said = Vec::new();
        for (from, payload) in [(0, "ON"), (40, "OFF"), (70, "ON")] {
            while world.now() < minutes(from) {
                let to = (world.now() + Duration::from_millis(step)).min(minutes(from));
                world.advance_to(to, &mut said);
            }
            world.incoming("e/heat/set", payload.as_bytes(), &mut said);
        }
        world.advance_to(minutes(120), &mut said);
        said
    };
    let once = said(5, 60_000);
    assert!(once.len() > 400);
    assert_eq!(once, said(5, 60_000));
    assert_eq!(once, said(5, 7_919), "uneven steps change nothing");
    assert_ne!(once, said(6, 60_000));
}

#[test]
fn the_next_event_is_told_and_nothing_happens_before_it() {
    let mut told = Told::new(&basker(), &[]);
    told.world.advance_to(Duration::ZERO, &mut told.said);
    told.said.clear();
    for _ in 0..50 {
        let next = told.world.next_event().expect("probes speak for ever");
        told.world.advance_to(next - Duration::from_millis(1), &mut told.said);
        assert_eq!(told.said, []);
        told.world.advance_to(next, &mut told.said);
        told.said.clear();
        assert!(told.world.next_event().is_some_and(|after| after > next));
    }
}

#[test]
fn probes_that_share_a_topic_speak_in_one_document() {
    let mut settings = basker();
    for (probe, pointer) in [(0, "/surface"), (3, "/air/cool")] {
        let probe = &mut settings.enclosures[0].probes[probe];
        probe.topic = "e/box".to_owned();
        probe.pointer = Some(pointer.to_owned());
        probe.stamp_pointer = Some("/at".to_owned());
    }
    let fault = TimedFault { at: minutes(30), until: None, fault: Fault::ProbeIsSilent(ONLY, BASKING) };
    let mut told = Told::new(&settings, &[fault]);
    told.run(20);
    let document: serde_json::Value = serde_json::from_str(&told.last("e/box")).expect("JSON");
    let number = |pointer| document.pointer(pointer).and_then(serde_json::Value::as_f64);
    assert!(number("/surface").is_some() && number("/air/cool").is_some() && document["at"].is_string(), "{document}");
    told.run(40);
    let document: serde_json::Value = serde_json::from_str(&told.last("e/box")).expect("JSON");
    assert!(document.pointer("/surface").is_none() && document.pointer("/air/cool").is_some(), "{document}");
}
