//! Recordings written here, through the control core in their own time, and the built program over them.

#![allow(clippy::disallowed_methods, reason = "the program is run on files")]

mod room;

use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use lampwarden::replay::{Finding, Replay, Summary, Survey};
use proptest::prelude::*;
use serde_json::{Value, json};

use room::{Room, settings};

/// One enclosure in Lisbon: day from 08:00 to 20:00, a heat lamp at 32/20 °C guarded at 40 °C, a UV tube.
const SITE: &str = r#"
[site]
name = "attic"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14

[broker]
url = "mqtt://127.0.0.1"

[cut_off.main]
relay = { set = "main/set" }

[care.basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0 }
photoperiod = { follow = "clock", on = "08:00", off = "20:00" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e1/basking"
every = "30s"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
min_on = "0s"
min_off = "0s"
cut_off = "main"
relay = { set = "e1/heat/set", state = "e1/heat", hold = "5m" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }
"#;

/// What a replay came to, as a program sees it.
struct Played {
    lines: Vec<Value>,
    text: String,
    findings: Vec<Finding>,
    summary: Summary,
}

impl Played {
    /// Levels of a lamp of `e1`, or of a contactor: time of day and level.
    fn levels(&self, lamp: &str) -> Vec<(&str, f64)> {
        let of_lamp = self.lines.iter().filter(|line| line["effect"] == "relay" && line["lamp"] == lamp);
        of_lamp.map(|line| (&text(&line["t"])[11..], line["level"].as_f64().expect("a number"))).collect()
    }

    /// Alarms of a kind: time of day and state.
    fn alarms(&self, kind: &str) -> Vec<(&str, &str)> {
        let of_kind = self.lines.iter().filter(|line| line["effect"] == "alarm" && line["kind"] == kind);
        of_kind.map(|line| (&text(&line["t"])[11..], text(&line["state"]))).collect()
    }
}

fn text(value: &Value) -> &str {
    value.as_str().expect("text")
}

/// A recording through a configuration.
fn play(toml: &str, recording: &[u8]) -> Played {
    let settings = settings(toml);
    let lines = || recording.split_inclusive(|byte| *byte == b'\n');
    let mut survey = Survey::new(&settings);
    lines().for_each(|line| survey.look(line));
    let mut replay = Replay::new(settings, survey);
    let (mut out, mut findings) = (Vec::new(), Vec::new());
    lines().for_each(|line| findings.extend(replay.play(line, &mut out).err()));
    let summary = replay.end(&mut out);
    let text: String = out.iter().map(|happening| happening.json(replay.settings())).collect();
    let lines = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    Played { lines, text, findings, summary }
}

fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("RFC 3339")
}

/// A recording under construction.
struct Tape {
    now: DateTime<Utc>,
    text: String,
}

impl Tape {
    fn new(start: &str) -> Tape {
        Tape { now: time(start), text: String::new() }
    }

    fn line(&mut self, mut line: Value) {
        line["t"] = self.now.to_rfc3339_opts(SecondsFormat::AutoSi, true).into();
        self.text += &format!("{line}\n");
    }

    fn say(&mut self, topic: &str, payload: &str) {
        self.line(json!({"topic": topic, "payload": payload}));
    }

    fn wait(&mut self, seconds: i64) {
        self.now += TimeDelta::seconds(seconds);
    }

    /// The basking probe says `celsius` now and every 30 s, for `seconds`; a thousandth more each other time, as a live
    /// probe would. Ends where the next one would be due.
    fn basking(&mut self, celsius: f64, seconds: i64) {
        for step in 0..seconds / 30 {
            self.say("e1/basking", &format!("{:.3}", celsius + (step % 2) as f64 * 0.001));
            self.wait(30);
        }
    }

    fn play(&self) -> Played {
        let played = play(SITE, self.text.as_bytes());
        assert_eq!(played.findings, []);
        played
    }
}

#[test]
fn a_thermostat_switches_with_the_readings_that_tell_it_to() {
    // On at target − hysteresis, off at target + hysteresis; by day the target is 32 °C, and the hysteresis 0.5 K.
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    for celsius in ["31.0", "32.4", "32.6", "32.0", "31.4"] {
        tape.say("e1/basking", celsius);
        tape.wait(30);
    }
    let played = tape.play();
    assert_eq!(played.levels("heat"), [("12:00:00Z", 1.0), ("12:01:00Z", 0.0), ("12:02:00Z", 1.0)]);
    assert_eq!(
        played.lines.iter().find(|line| line["lamp"] == "heat"),
        Some(&json!({
            "t": "2026-03-01T12:00:00Z", "effect": "relay", "enclosure": "e1", "lamp": "heat", "level": 1.0,
            "reason": "basking at 31.0 °C, target 32.0 °C",
        }))
    );
    let keys = r#"{"t":"2026-03-01T12:00:00Z","effect":"relay","enclosure":"e1","lamp":"heat","level":1.0,"reason":"#;
    assert!(played.text.contains(keys), "the keys stand in the stated order: {}", played.text);
}

#[test]
fn a_cut_and_its_rest_come_at_their_exact_times() {
    // Guard law 2: off at the cut, until below cut − 2 K for 5 minutes.
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    tape.basking(30.0, 600);
    tape.say("e1/basking", "40.0");
    tape.wait(10);
    tape.say("e1/basking", "37.9");
    tape.wait(20);
    tape.basking(30.0, 600);
    let played = tape.play();
    assert_eq!(played.levels("heat"), [("12:00:00Z", 1.0), ("12:10:00Z", 0.0), ("12:15:10Z", 1.0)]);
    assert_eq!(played.alarms("over-temperature"), [("12:10:00Z", "raised"), ("12:15:10Z", "cleared")]);
    let alarm = played.lines.iter().find(|line| line["kind"] == "over-temperature").expect("it was raised");
    let keys: Vec<_> = ["t", "effect", "enclosure", "kind", "state", "priority", "text"].into();
    assert!(keys.iter().all(|key| alarm[key].is_string()), "{alarm}");
    assert_eq!((&alarm["enclosure"], &alarm["priority"]), (&json!("e1"), &json!("critical")));
    let at = keys.iter().map(|key| played.text.find(&format!("\"{key}\":")));
    assert!(
        at.clone().all(|at| at.is_some())
            && played.text.contains("\"effect\":\"alarm\",\"enclosure\":\"e1\",\"kind\":")
    );
}

#[test]
fn silence_begins_after_three_times_every_and_not_at_it() {
    // Guard law 3: older than three times `every`. 20 °C is far enough below the cut for no late reading to reach it.
    let with_next_after = |seconds: i64| {
        let mut tape = Tape::new("2026-03-01T12:00:00Z");
        tape.say("e1/uv", "0");
        tape.say("e1/basking", "15.0");
        tape.wait(seconds);
        tape.say("e1/basking", "15.1");
        tape.play()
    };
    assert_eq!(with_next_after(90).alarms("probe-silent"), []);
    assert_eq!(with_next_after(90).levels("heat"), [("12:00:00Z", 1.0)]);
    let late = with_next_after(91);
    assert_eq!(late.alarms("probe-silent"), [("12:01:30Z", "raised"), ("12:01:31Z", "cleared")]);
    assert_eq!(late.levels("heat"), [("12:00:00Z", 1.0), ("12:01:30Z", 0.0), ("12:01:31Z", 1.0)]);
}

#[test]
fn a_retained_ghost_warms_nothing() {
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    tape.line(json!({"topic": "e1/basking", "payload": "31.0", "retained": true}));
    tape.wait(30);
    tape.line(json!({"topic": "e1/heat/set", "payload": "ON", "retained": true}));
    let played = tape.play();
    assert_eq!(played.levels("heat"), []);
    assert_eq!(played.alarms("retained-command"), [("12:00:30Z", "raised")]);
    assert_eq!(played.summary.unknown, 0, "its own command topic is known");
}

#[test]
fn a_day_over_the_change_of_the_clock_ends_by_the_local_clock() {
    // The IANA database: clocks in Lisbon went back from 02:00 to 01:00 at 01:00 UTC on 25 October 2026.
    let mut tape = Tape::new("2026-10-24T12:00:00Z");
    tape.say("e1/uv", "4");
    tape.wait(48 * 3600);
    tape.say("e1/uv", "4");
    let played = tape.play();
    let lit: Vec<_> = played
        .lines
        .iter()
        .filter(|line| line["lamp"] == "uvb")
        .map(|line| (text(&line["t"]), &line["level"]))
        .collect();
    let (on, off) = (json!(1.0), json!(0.0));
    assert_eq!(
        lit,
        [
            ("2026-10-24T12:00:00Z", &on),
            ("2026-10-24T19:00:00Z", &off),
            ("2026-10-25T08:00:00Z", &on),
            ("2026-10-25T20:00:00Z", &off),
            ("2026-10-26T08:00:00Z", &on),
        ]
    );
}

#[test]
fn a_relay_whose_state_was_recorded_is_what_it_said() {
    // Guard law 6: an alarm within 30 s; the core says 25.
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    tape.say("e1/heat", "OFF");
    tape.basking(31.0, 60);
    assert_eq!(tape.play().alarms("relay-deaf"), [("12:00:25Z", "raised")]);
    // One that speaks only at the end has been in the recording from the first line on.
    let mut late = Tape::new("2026-03-01T12:00:00Z");
    late.basking(31.0, 60);
    late.say("e1/heat", "ON");
    assert_eq!(late.play().alarms("relay-deaf"), [("12:00:25Z", "raised"), ("12:01:00Z", "cleared")]);
    // And one that is not in it obeys.
    let mut obeys = Tape::new("2026-03-01T12:00:00Z");
    obeys.basking(31.0, 60);
    assert_eq!(obeys.play().alarms("relay-deaf"), []);
}

#[test]
fn a_contactor_that_opens_is_told() {
    // Reported on for a minute after it was told off: cut off upstream (guard law 6; the minute is our own).
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    tape.say("e1/heat", "ON");
    tape.basking(31.0, 60);
    tape.basking(33.0, 180);
    let played = tape.play();
    assert_eq!(played.levels("heat"), [("12:00:00Z", 1.0), ("12:01:00Z", 0.0)]);
    assert_eq!(played.levels("main"), [("12:02:00Z", 0.0)]);
    let opened = played.lines.iter().find(|line| line["lamp"] == "main").expect("it opened");
    assert_eq!(opened["enclosure"], "site");
    assert!(text(&opened["reason"]).contains("heat of e1"), "{opened}");
}

#[test]
fn a_deadline_comes_before_a_line_of_the_same_time_and_lines_keep_their_order() {
    // The rest after a cut is over five minutes after 12:10:10, and at that very time it is too hot again.
    let mut tape = Tape::new("2026-03-01T12:10:00Z");
    tape.say("e1/basking", "40.0");
    tape.wait(10);
    tape.say("e1/basking", "30.0");
    tape.wait(20);
    tape.basking(30.0, 270);
    tape.wait(10);
    tape.say("e1/basking", "41.0");
    assert_eq!(tape.play().levels("heat"), [("12:15:10Z", 1.0), ("12:15:10Z", 0.0)]);
    // Lights off is at 20:00; the reading of that very moment meets the night's target.
    let mut tape = Tape::new("2026-03-01T19:59:30Z");
    tape.say("e1/basking", "31.0");
    tape.wait(30);
    tape.say("e1/basking", "31.1");
    tape.say("e1/basking", "19.0");
    tape.say("e1/basking", "21.0");
    let played = tape.play();
    assert_eq!(played.levels("heat"), [("19:59:30Z", 1.0), ("20:00:00Z", 0.0), ("20:00:00Z", 1.0), ("20:00:00Z", 0.0)]);
}

#[test]
fn a_bad_line_is_a_finding_and_the_replay_goes_on() {
    let mut tape = Tape::new("2026-03-01T12:00:00Z");
    tape.say("e1/basking", "31.0");
    let big = "x".repeat(100_000);
    let lines: [(&[u8], Option<&str>); 9] = [
        (b"\r\n", None),
        (b"{\"t\": \"2026-03-01T12:00:30Z\", \"topic\": \"e1/basking\", \"payload\": \"31.1\"}\r\n", None),
        (b"{\"t\": \"2026-03-01T12:00:29Z\", \"topic\": \"e1/basking\", \"payload\": \"50\"}\n", Some("before")),
        (b"{\"t\": \"2026-03-01T12:00:40Z\", \"topic\": \"e1/basking\", \"payload\": 50}\n", Some("expected a string")),
        (b"{\"t\": \"2026-03-01T12:00:40Z\", \"topic\": \"e1/basking\", \"payload\": \"\xFF\"}\n", Some("UTF-8")),
        (b"so hot today\n", Some("no JSON object")),
        (
            b"{\"t\": \"2026-03-01T12:00:40Z\", \"act\": \"lamp-change\", \"enclosure\": \"e1\", \"lamp\": \"uv\"}\n",
            Some("no lamp \"uv\""),
        ),
        (
            b"{\"t\": \"2026-03-01T12:00:40Z\", \"act\": \"lamp-change\", \"enclosure\": \"e1\", \"lamp\": \"uvb\"}\n",
            None,
        ),
        // 13:01 by an offset of an hour; the last line has no end.
        (b"{\"t\": \"2026-03-01T13:01:00+01:00\", \"topic\": \"e1/basking\", \"payload\": \"33.0\"}", None),
    ];
    let mut recording = b"\xEF\xBB\xBF".to_vec();
    recording.extend_from_slice(tape.text.as_bytes());
    recording.extend_from_slice(
        format!("{{\"t\": \"2026-03-01T12:00:10Z\", \"topic\": \"e1/uv\", \"payload\": \"{big}\"}}\n").as_bytes(),
    );
    lines.iter().for_each(|(line, _)| recording.extend_from_slice(line));
    let played = play(SITE, &recording);
    let expected = (3..).zip(lines).filter_map(|(number, (_, wrong))| Some((number, wrong?)));
    assert_eq!(played.findings.len(), 5, "{:?}", played.findings);
    for (finding, (number, wrong)) in played.findings.iter().zip(expected) {
        assert!(finding.line == number && finding.wrong.contains(wrong) && !finding.right.is_empty(), "{finding:?}");
    }
    assert_eq!(played.levels("heat"), [("12:00:00Z", 1.0), ("12:01:00Z", 0.0)]);
    assert_eq!(played.alarms("probe-doubtful"), [("12:00:10Z", "raised")], "100 kB are no UVI");
    assert_eq!((played.summary.findings, played.summary.messages, played.summary.acts), (5, 4, 1));
}

#[test]
fn a_leap_of_years_is_told_and_costs_nothing() {
    let mut tape = Tape::new("1970-01-01T00:00:00Z");
    tape.say("e1/basking", "31.0");
    tape.now = time("2026-03-01T12:00:00Z");
    tape.basking(31.0, 60);
    let played = play(SITE, tape.text.as_bytes());
    assert_eq!(played.findings.len(), 1);
    assert!(played.findings[0].line == 2 && played.findings[0].wrong.contains("days after line 1"));
    assert_eq!(played.levels("heat").last(), Some(&("12:00:00Z", 1.0)), "what comes after the leap counts");
}

/// A day of readings that swing about the targets, with a silence, a peak, and a relay that does not obey at times.
fn a_day() -> String {
    let mut tape = Tape::new("2026-03-28T20:00:00Z");
    for step in 0..2880_i64 {
        let swing = (step % 97 - 48) as f64 / 24.0;
        let celsius = if step == 1500 { 40.5 } else { 26.0 + swing * 3.5 };
        if !(700..760).contains(&step) {
            tape.say("e1/basking", &format!("{celsius:.2}"));
        }
        if step % 3 == 0 {
            tape.say("e1/uv", &format!("{:.2}", 3.5 + swing));
        }
        if step % 500 == 0 {
            tape.say("e1/uvb", if step % 1000 == 0 { "ON" } else { "OFF" });
        }
        tape.wait(30);
    }
    tape.text
}

/// The same by hand: the core in a rig that was made for its own tests.
#[test]
fn a_replay_is_the_core_and_nothing_more() {
    let recording = a_day();
    let no_cut_off = SITE.replace("cut_off = \"main\"\n", "");
    let played = play(&no_cut_off, recording.as_bytes());
    let lines: Vec<Value> = recording.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let mut room = Room::new(&no_cut_off, text(&lines[0]["t"]));
    room.relay("e1/uvb", room::Relay::Deaf);
    for line in &lines {
        room.wait_until(text(&line["t"]));
        room.say(text(&line["topic"]), text(&line["payload"]));
    }
    room.wait(0);
    let zone = room.controller.settings().site.timezone;
    let mut last = std::collections::BTreeMap::new();
    let told = played.lines.iter().filter_map(|line| {
        let local = time(text(&line["t"])).with_timezone(&zone).format("%H:%M:%S");
        let (enclosure, get) = (text(&line["enclosure"]), |key| text(&line[key]));
        if line["effect"] == "relay" {
            let level = if line["level"] == 0.0 { "off" } else { "on" };
            return Some(format!("{local} {enclosure}/{} {level}: {}", get("lamp"), get("reason")));
        }
        // The rig keeps news of an alarm that stands to itself.
        let news = last.insert((enclosure, get("kind")), get("state")) != Some(get("state"));
        news.then(|| format!("{local} {} {enclosure} {}", get("state"), get("kind")))
    });
    let told: Vec<_> = told.collect();
    assert!(told.len() > 50, "{}", told.len());
    assert_eq!(told, room.log);
}

#[test]
fn times_never_run_backwards_and_one_recording_gives_the_same_bytes() {
    let recording = a_day();
    let played = play(SITE, recording.as_bytes());
    let times: Vec<_> = played.lines.iter().map(|line| time(text(&line["t"]))).collect();
    assert!(times.is_sorted());
    assert_eq!(played.text, play(SITE, recording.as_bytes()).text);
}

fn any_line() -> impl Strategy<Value = Vec<u8>> {
    let t = prop_oneof![
        (0..200_000_i64).prop_map(|s| (time("2026-03-01T00:00:00Z") + TimeDelta::seconds(s)).to_rfc3339()),
        Just("0000-01-01T00:00:00Z".to_owned()),
        Just("9999-12-31T23:59:59.999999999Z".to_owned()),
        ".{0,20}",
    ];
    let topic = prop_oneof![Just("e1/basking".to_owned()), Just("e1/heat".to_owned()), ".{0,9}"];
    let payload = prop_oneof!["-?[0-9]{1,3}\\.[0-9]", "ON|OFF", ".{0,20}"];
    let message = (t.clone(), topic, payload, any::<bool>()).prop_map(|(t, topic, payload, retained)| {
        json!({"t": t, "topic": topic, "payload": payload, "retained": retained}).to_string().into_bytes()
    });
    let act = (t, ".{0,9}", -1.0..1e9).prop_map(|(t, spot, uvi)| {
        json!({"t": t, "act": "meter-reading", "enclosure": "e1", "spot": spot, "uvi": uvi}).to_string().into_bytes()
    });
    prop_oneof![4 => message, 1 => act, 1 => prop::collection::vec(any::<u8>(), 0..60)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_lines_whatever_end_a_replay(lines in prop::collection::vec(any_line(), 0..12)) {
        let recording = lines.join(&b'\n');
        let played = play(SITE, &recording);
        let times: Vec<_> = played.lines.iter().map(|line| time(text(&line["t"]))).collect();
        prop_assert!(times.is_sorted());
    }
}

/// A folder for one test, gone with it.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Folder {
        let folder = std::env::temp_dir().join(format!("lampwarden-replay-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        Folder(folder)
    }

    fn file(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).expect("written");
        path.to_str().expect("UTF-8").to_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What is left in the system's folder for such things harms nobody.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn lampwarden(arguments: &[&str], input: &str) -> (Output, String, String) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_lampwarden"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    // A program that refuses its arguments does not read.
    let _ = program.stdin.take().expect("piped").write_all(input.as_bytes());
    let done = program.wait_with_output().expect("it ends");
    let (out, err) = (String::from_utf8(done.stdout.clone()), String::from_utf8(done.stderr.clone()));
    (done, out.expect("UTF-8"), err.expect("UTF-8"))
}

#[test]
fn the_program_tells_what_happened_and_ends_with_the_stated_codes() {
    let folder = Folder::new("codes");
    let config = folder.file("room.toml", SITE);
    let recording = folder.file("day.jsonl", &a_day());
    let (done, from_file, err) = lampwarden(&["replay", "-c", &config, &recording, "--json"], "");
    assert_eq!((done.status.code(), err.as_str()), (Some(0), ""));
    assert_eq!(from_file, play(SITE, a_day().as_bytes()).text, "standard output holds the lines and nothing else");
    let (done, from_pipe, _) = lampwarden(&["replay", "-c", &config, "-", "--json"], &a_day());
    assert_eq!((done.status.code(), from_pipe), (Some(0), from_file));

    let (done, out, _) = lampwarden(&["replay", "-c", &config, &recording], "");
    assert_eq!(done.status.code(), Some(0));
    assert!(out.starts_with("2026-03-28 20:00:00 +00:00  "), "{out}");
    // Clocks in Lisbon went forward at 01:00 UTC on 29 March 2026 (the IANA database).
    assert!(
        out.contains("2026-03-28 20:00:00 +00:00 to 2026-03-29 20:59:30 +01:00: 23 h 59 min, 3786 messages"),
        "{out}"
    );
    assert!(out.contains("e1/heat: on for "), "{out}");

    let wrong = folder.file("wrong.jsonl", "\n{\"t\": \"2026-03-01T12:00:00Z\", \"topic\": \"e9/basking\"}\n");
    let (done, out, err) = lampwarden(&["replay", "-c", &config, &wrong, "--json"], "");
    assert_eq!((done.status.code(), out.as_str()), (Some(1), ""));
    assert!(err.contains("wrong.jsonl:2: error: a message without `payload`"), "{err}");

    let elsewhere = r#"{"t": "2026-03-01T12:00:00Z", "topic": "e9/basking", "payload": "31"}"#;
    let (done, _, err) = lampwarden(&["replay", "-c", &config, "-"], elsewhere);
    assert_eq!(done.status.code(), Some(1), "none of its topics is known");
    assert!(
        err.contains("1 of 1 messages are on topics that this configuration does not know: \"e9/basking\" (1)"),
        "{err}"
    );

    let refused = folder.file("refused.toml", "[site]\n");
    for (config, recording) in [(&config, "/nowhere/day.jsonl"), (&config, "/"), (&refused, recording.as_str())] {
        let (done, out, err) = lampwarden(&["replay", "-c", config, recording, "--json"], "");
        assert_eq!((done.status.code(), out.as_str()), (Some(2), ""), "{err}");
        assert!(!err.is_empty());
    }
}
