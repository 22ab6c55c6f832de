//! `lampwarden wiring commission` over the real mosquitto, in a simulated room that lives a hundred times as fast.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests fail by panics and touch the world")]

mod support;

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use chrono::{DateTime, Utc};
use lampwarden::commands::wiring::commission::{Options, commission};
use lampwarden::commands::wiring::record::Record;
use lampwarden::config::{Source, parse};
use lampwarden::daemon::Clock;
use lampwarden::settings::{EnclosureIx, LampIx, ProbeIx, Settings};
use lampwarden::simulator::{Fault, Message, Physics, TimedFault, World};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use support::mosquitto::{Folder, Mosquitto};
use support::soon;

/// How fast the room lives. A reading counts for five minutes here, so that a loaded machine has three seconds for it.
const SPEED: f64 = 100.0;

/// Two enclosures; `swapped`: the keeper has written each basking probe's topic at the other enclosure.
fn written(port: u16, folder: &Folder, swapped: bool) -> Source {
    let mut text = format!(
        r#"
[site]
name = "garden-room"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14
state_directory = "{}"
[broker]
url = "mqtt://127.0.0.1:{port}"
[care.basker]
uv_zone = 3
basking = {{ day = 33.0, night = 20.0, cut = 42.0 }}
photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}
"#,
        folder.path().join("state").display()
    );
    for e in 0..2 {
        let topic = if swapped { 1 - e } else { e };
        text += &format!(
            r#"[[enclosure]]
id = "e{e}"
care = "basker"
probes.basking = {{ measures = "temperature", every = "10s", stale = "5m", topic = "garden/e{topic}/basking" }}
probes.uv = {{ measures = "uvi", every = "10s", stale = "5m", topic = "garden/e{e}/uv" }}
[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"
when = "day"
relay = {{ set = "garden/e{e}/heat/set", state = "garden/e{e}/heat" }}
[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = {{ set = "garden/e{e}/uvb/set", state = "garden/e{e}/uvb" }}
"#
        );
    }
    Source { name: "room.toml".to_owned(), text }
}

fn settings(source: &Source) -> Settings {
    let checked = parse(std::slice::from_ref(source));
    let findings: Vec<_> = checked.findings.iter().map(|finding| finding.wrong.clone()).collect();
    checked.settings.unwrap_or_else(|| panic!("{findings:?}"))
}

/// A simulated room on the broker, by a clock that runs fast.
struct Play {
    clock: Clock,
    task: tokio::task::JoinHandle<()>,
}

impl Play {
    async fn start(truth: &Settings, faults: &[TimedFault]) -> Play {
        let start: DateTime<Utc> = "2026-03-01T09:00:00Z".parse().unwrap();
        let clock = Clock::scaled(start, SPEED);
        let mut world = World::new(truth, &Physics::plausible(truth), start, 11, faults);
        let (client, mut events) = AsyncClient::new(MqttOptions::new("room", "127.0.0.1", truth.broker.port), 4096);
        for topic in world.command_topics() {
            client.subscribe(topic, QoS::AtLeastOnce).await.unwrap();
        }
        // Ready once the broker has taken the last subscription.
        let mut wanted = world.command_topics().count();
        while wanted > 0 {
            if let Event::Incoming(Packet::SubAck(_)) = soon(events.poll()).await.unwrap() {
                wanted -= 1;
            }
        }
        let lives = clock.clone();
        let task = tokio::spawn(async move {
            let mut said: Vec<Message> = Vec::new();
            let mut beat = tokio::time::interval(Duration::from_millis(5));
            loop {
                let incoming = tokio::select! {
                    event = events.poll() => match event.unwrap() {
                        Event::Incoming(Packet::Publish(publish)) => Some(publish),
                        _ => None,
                    },
                    _ = beat.tick() => None,
                };
                world.advance_to(lives.now().mono.since_start(), &mut said);
                if let Some(publish) = incoming {
                    world.incoming(&publish.topic, &publish.payload, &mut said);
                }
                for message in said.drain(..) {
                    let payload = message.payload().into_owned();
                    client.try_publish(message.topic(), QoS::AtMostOnce, message.retained(), payload).unwrap();
                }
            }
        });
        Play { clock, task }
    }
}

impl Drop for Play {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn commissioned(source: &Source, play: &Play, folder: &Folder, step: Option<Duration>) -> Vec<Record> {
    let settings = settings(source);
    let options = Options {
        enclosures: vec![EnclosureIx(0), EnclosureIx(1)],
        by: "A. Keeper".to_owned(),
        step,
        yes: true,
        signed: true,
        state_directory: folder.path().join("state"),
        clock: play.clock.clone(),
    };
    let done = commission(&settings, std::slice::from_ref(source), &options);
    tokio::time::timeout(Duration::from_secs(180), done)
        .await
        .expect("it ends")
        .unwrap()
        .expect("it was not ended early")
}

/// What `wiring records` lists, by the built program.
fn listed(source: &Source, folder: &Folder, arguments: &[&str]) -> (String, Option<i32>) {
    let config: PathBuf = folder.file("room.toml", &source.text);
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampwarden"));
    command.args(["wiring", "records", "-c"]).arg(config).args(arguments).stdin(Stdio::null());
    let output = command.output().unwrap();
    (String::from_utf8(output.stdout).unwrap(), output.status.code())
}

#[tokio::test]
async fn exchanged_probes_are_found_and_named_with_file_and_line() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let truth = settings(&written(broker.port, &folder, false));
    let source = written(broker.port, &folder, true);
    let play = Play::start(&truth, &[]).await;
    let records = commissioned(&source, &play, &folder, Some(Duration::from_secs(1200))).await;
    let findings = &records[0].findings;
    assert_eq!(findings.iter().map(|finding| &*finding.kind).collect::<Vec<_>>(), ["crossed"], "{findings:#?}");
    // Each basking probe should listen where the other does, and stands in a line of its own.
    for (e, there) in [(0, "\"garden/e0/basking\""), (1, "\"garden/e1/basking\"")] {
        let change = findings[0].changes.iter().find(|change| change.of == format!("e{e} probes.basking")).unwrap();
        assert_eq!((&*change.key, &*change.to, change.file.as_deref()), ("topic", there, Some("room.toml")));
        let line = source.text.lines().nth(change.line.unwrap() - 1).unwrap();
        assert!(line.starts_with("probes.basking") && line.contains(&format!("garden/e{}/basking", 1 - e)), "{line}");
    }
    let heat = &records[0].lamps[0];
    assert!(heat.step.is_none(), "no step where the wrong probe answers: {heat:#?}");
    assert!(records[0].lamps[1].answers.iter().any(|answer| answer.expected), "the tube is wired well");
}

#[tokio::test]
async fn a_room_that_is_wired_well_leaves_a_signed_record_with_its_figures() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let source = written(broker.port, &folder, false);
    let play = Play::start(&settings(&source), &[]).await;
    let records = commissioned(&source, &play, &folder, Some(Duration::from_secs(1200))).await;
    let record = &records[0];
    assert_eq!((&record.findings[..], record.signed, &*record.by), (&[][..], true, "A. Keeper"));
    let heat = &record.lamps[0];
    let step = heat.step.as_ref().expect("it was measured");
    assert!(step.gain_k > 5.0 && step.hottest_c < 42.0 && step.time_constants_seen > 0.3, "{step:#?}");
    assert!(heat.reported_on_s.is_some() && heat.reported_off, "{heat:#?}");
    assert!(heat.answers.iter().any(|answer| answer.expected && answer.change > 0.5), "{heat:#?}");
    let slew = heat.proposed.iter().find(|figure| figure.key == "slew").expect("its rise was measured");
    let line = source.text.lines().nth(slew.line.unwrap() - 1).unwrap();
    assert_eq!((&*slew.table, line), ("e0: lamps.heat", "[enclosure.lamps.heat]"));

    // It is in the journal, for a person and for programs, and stays when it is read again.
    let (text, code) = listed(&source, &folder, &[]);
    assert_eq!(code, Some(0));
    assert!(text.contains("signed off by A. Keeper") && text.contains("time constant"), "{text}");
    let (json, _) = listed(&source, &folder, &["e1", "--json"]);
    let again: Vec<Record> = serde_json::from_str(&json).unwrap();
    assert_eq!(again, [records[1].clone()]);

    // And a replay of that journal does nothing by it.
    let mut replay = Command::new(env!("CARGO_BIN_EXE_lampwarden"));
    replay.args(["replay", "-c"]).arg(folder.path().join("room.toml")).arg(folder.path().join("state/journal.db"));
    let output = replay.stdin(Stdio::null()).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

#[tokio::test]
async fn a_lamp_is_not_tried_where_a_probe_is_silent_or_hot() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let source = written(broker.port, &folder, false);
    let always = |fault| TimedFault { at: Duration::ZERO, until: None, fault };
    let faults = [
        always(Fault::ProbeIsSilent(EnclosureIx(0), ProbeIx(0))),
        // 25 K more than the truth is over the cut.
        always(Fault::ProbeOffset(EnclosureIx(1), ProbeIx(0), 25.0)),
        always(Fault::LampBreaks(EnclosureIx(1), LampIx(1))),
    ];
    let play = Play::start(&settings(&source), &faults).await;
    let records = commissioned(&source, &play, &folder, Some(Duration::from_secs(1200))).await;
    assert!(
        records.iter().flat_map(|record| &record.lamps).all(|lamp| lamp.on_s == 0.0 || lamp.lamp == "uvb"),
        "{records:#?}"
    );
    let kinds: Vec<_> = records[0].findings.iter().map(|finding| &*finding.kind).collect();
    assert!(kinds.contains(&"silent-probe") && kinds.contains(&"not-tried"), "{kinds:?}");
}
