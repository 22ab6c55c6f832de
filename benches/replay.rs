//! How long a month of one enclosure takes, a reading every 10 s from each of two probes.
//!
//! `cargo bench --bench replay` plays it from memory, and in turn with that reads the same lines alone: JSON and time, by
//! the same libraries. Read the ratio: absolute figures are of one machine on one day.

#![allow(clippy::disallowed_methods, clippy::unwrap_used, reason = "a benchmark reads clocks and fails by panics")]

use std::fmt::Write as _;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta};
use lampwarden::config::{self, Source};
use lampwarden::replay::{Replay, Survey};
use lampwarden::settings::Settings;
use serde::Deserialize;

/// Days in the recording.
const DAYS: i64 = 30;
/// Seconds from one reading of a probe to the next.
const EVERY_S: i64 = 10;
/// Rounds; the fastest of each kind counts, since anything else is the machine's.
const ROUNDS: usize = 7;

/// One enclosure in Lisbon with a heat lamp and a UV tube.
const ROOM: &str = r#"
[site]
name = "garden-room"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14

[broker]
url = "mqtt://127.0.0.1"

[care.woodland-basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0 }
photoperiod = { follow = "latitude", latitude = -18.9, shortest = "10h30m", longest = "13h30m", noon = "13:00" }

[[enclosure]]
id = "e1"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "garden/e1/basking"
every = "10s"

[enclosure.probes.basking-uv]
measures = "uvi"
topic = "garden/e1/uv"
pointer = "/uvi"
every = "10s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = { set = "garden/e1/heat/set", state = "garden/e1/heat", hold = "5m" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "basking-uv"
relay = { set = "garden/e1/uvb/set", state = "garden/e1/uvb" }
after_dawn = "1h"
before_dusk = "1h"
"#;

/// The keys of a message.
#[derive(Deserialize)]
struct Line<'a> {
    t: &'a str,
}

fn main() {
    let checked = config::parse(&[Source { name: "room.toml".into(), text: ROOM.into() }]);
    let settings = checked.settings.unwrap();
    let recording = recording();
    let (mut reading, mut playing) = (Duration::MAX, Duration::MAX);
    let mut told = 0;
    for _ in 0..ROUNDS {
        let start = Instant::now();
        read(&recording);
        reading = reading.min(start.elapsed());
        let start = Instant::now();
        told = play(&settings, &recording);
        playing = playing.min(start.elapsed());
    }
    let lines = recording.lines().count();
    let (reading, playing) = (reading.as_secs_f64(), playing.as_secs_f64());
    println!("{DAYS} days, {lines} lines, {told} things told; the fastest of {ROUNDS} rounds");
    println!("reading the lines alone {reading:.3} s, the replay {playing:.3} s, ratio {:.2}", playing / reading);
}

/// A basking spot that swings about its target in an hour and by night about another, and a UVI that hardly moves.
fn recording() -> String {
    let start = DateTime::from_timestamp(1_772_323_200, 0).unwrap();
    let mut text = String::new();
    for step in 0..DAYS * 86_400 / EVERY_S {
        let t = (start + TimeDelta::seconds(step * EVERY_S)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
        let seconds = (step * EVERY_S) as f64;
        let swing = (seconds / 3600.0 * std::f64::consts::TAU).sin();
        let middle = if (8.0..19.0).contains(&(seconds / 3600.0 % 24.0)) { 32.0 } else { 21.0 };
        let (temperature, uvi) = (middle + 1.5 * swing, 4.0 + 0.1 * swing);
        writeln!(text, r#"{{"t":"{t}","topic":"garden/e1/basking","payload":"{temperature:.2}"}}"#).unwrap();
        writeln!(text, r#"{{"t":"{t}","topic":"garden/e1/uv","payload":"{{\"uvi\": {uvi:.2}}}"}}"#).unwrap();
    }
    text
}

/// Reads every line and its time.
fn read(recording: &str) {
    for line in recording.lines() {
        let line: Line = serde_json::from_str(line).unwrap();
        std::hint::black_box(DateTime::parse_from_rfc3339(line.t).unwrap());
    }
}

/// Plays the recording as the command does; tells how much there was to tell.
fn play(settings: &Settings, recording: &str) -> usize {
    let mut survey = Survey::new(settings);
    for line in recording.lines() {
        survey.look(line.as_bytes());
    }
    let mut replay = Replay::new(settings.clone(), survey);
    let (mut out, mut text) = (Vec::new(), String::new());
    let mut told = 0;
    for line in recording.lines() {
        replay.play(line.as_bytes(), &mut out).unwrap();
        told += out.len();
        text.clear();
        out.drain(..).for_each(|happening| text.push_str(&happening.json(settings)));
    }
    replay.end(&mut out);
    told + out.len()
}
