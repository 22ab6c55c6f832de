//! `lampwarden wiring`, the built program, against the real mosquitto with a played room.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests fail by panics and touch the world")]

mod support;

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde_json::Value;
use support::mosquitto::{Folder, Mosquitto};
use support::soon;

/// One enclosure with a guarded lamp and a dimmer that nobody answers for.
fn configuration(port: u16, folder: &Folder) -> PathBuf {
    let state = folder.path().join("state");
    folder.file(
        "room.toml",
        &format!(
            r#"
            [site]
            name = "garden-room"
            timezone = "Europe/Lisbon"
            latitude = 38.72
            longitude = -9.14
            state_directory = "{}"
            [broker]
            url = "mqtt://127.0.0.1:{port}"
            [care.woodland-basker]
            uv_zone = 3
            basking = {{ day = 32.0, night = 20.0, cut = 40.0 }}
            photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}
            [[enclosure]]
            id = "e1"
            care = "woodland-basker"
            [enclosure.probes.basking]
            measures = "temperature"
            topic = "garden/e1/basking"
            pointer = "/t"
            every = "1s"
            [enclosure.probes.basking-uv]
            measures = "uvi"
            topic = "garden/e1/uv"
            every = "1s"
            [enclosure.lamps.heat]
            fitting = "halogen"
            watts = 75
            warms = "basking"
            when = "day"
            relay = {{ set = "garden/e1/heat/set", state = "garden/e1/heat", on = "ON", off = "OFF", hold = "5m" }}
            "#,
            state.display()
        ),
    )
}

/// Plays sensors, and a relay that reports what it is told; notes what the relay is told.
struct Player {
    client: AsyncClient,
    told: Arc<Mutex<Vec<String>>>,
    task: tokio::task::JoinHandle<()>,
}

impl Player {
    async fn start(port: u16, readings: &'static [(&'static str, &'static str)]) -> Player {
        Player::start_answering(port, readings, None).await
    }

    /// One that also says `on_heat` as soon as the lamp is on.
    async fn start_answering(
        port: u16,
        readings: &'static [(&'static str, &'static str)],
        on_heat: Option<(&'static str, &'static str)>,
    ) -> Player {
        let (client, mut eventloop) = AsyncClient::new(MqttOptions::new("player", "127.0.0.1", port), 64);
        client.subscribe("garden/e1/heat/set", QoS::AtLeastOnce).await.unwrap();
        let told = Arc::new(Mutex::new(Vec::new()));
        let (relay, notes) = (client.clone(), Arc::clone(&told));
        let polling = async move {
            while let Ok(event) = eventloop.poll().await {
                if let Event::Incoming(Packet::Publish(publish)) = event {
                    let said = String::from_utf8(publish.payload.to_vec()).unwrap();
                    notes.lock().unwrap().push(said.clone());
                    if let (Some((topic, payload)), "ON") = (on_heat, said.as_str()) {
                        relay.try_publish(topic, QoS::AtLeastOnce, false, payload).unwrap();
                    }
                    relay.try_publish("garden/e1/heat", QoS::AtLeastOnce, false, said).unwrap();
                }
            }
        };
        let sensors = client.clone();
        let speaking = async move {
            loop {
                for (topic, payload) in readings {
                    sensors.publish(*topic, QoS::AtLeastOnce, false, *payload).await.unwrap();
                }
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        };
        let task = tokio::spawn(async move {
            tokio::join!(polling, speaking);
        });
        Player { client, told, task }
    }

    /// Waits until the relay has been told `what`.
    async fn wait_until_told(&self, what: &str) {
        let wait = async {
            while !self.told().iter().any(|told| told == what) {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        soon(wait).await;
    }

    fn told(&self) -> Vec<String> {
        self.told.lock().unwrap().clone()
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn program(config: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampwarden"));
    command.arg("wiring").arg("-c").arg(config).args(arguments).stdin(Stdio::null());
    command
}

async fn wiring(config: &Path, arguments: &[&str]) -> Output {
    let mut command = program(config, arguments);
    soon(tokio::task::spawn_blocking(move || command.output())).await.unwrap().unwrap()
}

/// The report of a run with `--json`, with its exit code.
async fn report(config: &Path, arguments: &[&str]) -> (Value, Option<i32>) {
    let output = wiring(config, &[&["--json"], arguments].concat()).await;
    let report = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)));
    (report, output.status.code())
}

fn item<'a>(report: &'a Value, name: &str) -> &'a Value {
    report["items"].as_array().unwrap().iter().find(|item| item["name"] == name).unwrap()
}

const GOOD: &[(&str, &str)] = &[("garden/e1/basking", r#"{"t": 25.5}"#), ("garden/e1/uv", "3.2")];
const HOT: &[(&str, &str)] = &[("garden/e1/basking", r#"{"t": 40.0}"#), ("garden/e1/uv", "3.2")];
const BAD: &[(&str, &str)] = &[("garden/e1/basking", "25.5"), ("garden/e1/uv", "85.0")];

#[tokio::test]
async fn a_room_that_is_wired_well_has_no_findings_and_its_relay_obeys() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    let player = Player::start(broker.port, GOOD).await;
    let (report, code) = report(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    assert_eq!((code, &report["findings"]), (Some(0), &Value::from(0)), "{report:#}");
    assert_eq!(item(&report, "e1 basking")["value"], 25.5);
    assert_eq!(item(&report, "e1 basking")["says"], "25.5 °C");
    assert_eq!(item(&report, "e1 heat (state)")["says"], "off");
    assert_eq!(report["relays"][0]["outcome"], "worked");
    assert!(report["broker"]["acknowledged_ms"].as_f64().unwrap() > 0.0);
    assert_eq!(report["broker"]["hint"], Value::Null);
    assert_eq!(player.told(), ["OFF", "ON", "OFF"]);
}

#[tokio::test]
async fn what_is_silent_or_not_understood_is_told() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    let player = Player::start(broker.port, BAD).await;
    player.client.publish("garden/e1/heat/set", QoS::AtLeastOnce, true, "ON").await.unwrap();
    let (report, code) = report(&config, &["--for", "1s"]).await;
    assert_eq!(code, Some(1));
    let fault = |name| item(&report, name)["fault"].as_str().unwrap().to_owned();
    assert_eq!(fault("e1 basking"), "the payload has nothing at /t: \"25.5\"");
    assert!(fault("e1 basking-uv").contains("not plausible"), "{}", fault("e1 basking-uv"));
    assert_eq!(report["retained_commands"][0]["topic"], "garden/e1/heat/set");

    let silent = configuration(broker.port, &folder);
    drop(player);
    let output = wiring(&silent, &["--for", "1s"]).await;
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("silent; it speaks every 1 s, so listen longer") && text.ends_with("findings\n"), "{text}");
}

#[tokio::test]
async fn a_lamp_is_not_tried_against_its_guard() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    let player = Player::start(broker.port, HOT).await;
    let (hot, code) = report(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    assert_eq!(code, Some(1));
    let note = hot["relays"][0]["note"].as_str().unwrap();
    assert!(note.starts_with("not tried, the guard refuses: tripped at 40.0 °C"), "{note}");
    // Guard law 3: no fresh reading, no heat.
    drop(player);
    let player = Player::start(broker.port, &[]).await;
    let (silent, _) = report(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    let note = silent["relays"][0]["note"].as_str().unwrap();
    assert!(note.starts_with("not tried, the guard refuses: "), "{note}");
    // Guard law 4: the trip of the first run is remembered.
    drop(player);
    let player = Player::start(broker.port, GOOD).await;
    let (again, _) = report(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    let note = again["relays"][0]["note"].as_str().unwrap();
    assert!(note.contains("tripped at 40.0 °C"), "{note}");
    assert!(!player.told().contains(&"ON".to_owned()), "{:?}", player.told());
}

#[tokio::test]
async fn relays_are_tried_neither_beside_the_daemon_nor_with_nobody_there() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    let player = Player::start(broker.port, GOOD).await;
    let alone = wiring(&config, &["--for", "1s", "--try-relays"]).await;
    assert_eq!(alone.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&alone.stderr).contains("nobody is there to be asked"));
    player.client.publish("lampwarden/garden-room/status", QoS::AtLeastOnce, true, "online").await.unwrap();
    let beside = wiring(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    assert_eq!(beside.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&beside.stderr).contains("the daemon of this site is running"));
    assert_eq!(player.told(), [] as [String; 0]);
}

#[tokio::test]
async fn a_recording_holds_every_message_as_the_design_writes_it() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    let player = Player::start(broker.port, GOOD).await;
    player.client.publish("garden/e1/heat", QoS::AtLeastOnce, true, "OFF").await.unwrap();
    let recording = folder.path().join("recording.jsonl");
    wiring(&config, &["--for", "1s", "--record", recording.to_str().unwrap()]).await;
    let text = std::fs::read_to_string(&recording).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let times: Vec<&str> = lines.iter().map(|line| line["t"].as_str().unwrap()).collect();
    assert!(times.is_sorted() && times.iter().all(|t| t.ends_with('Z')), "{text}");
    let find = |topic: &str| lines.iter().find(|line| line["topic"] == topic).unwrap();
    assert_eq!(find("garden/e1/basking")["payload"], r#"{"t": 25.5}"#);
    assert_eq!(find("garden/e1/basking").get("retained"), None);
    assert_eq!(find("garden/e1/heat")["retained"], true);
    assert!(lines.iter().all(|line| line["topic"].as_str().unwrap().starts_with("garden/")), "{text}");
}

#[tokio::test]
async fn a_lamp_that_is_being_tried_goes_off_whatever_ends_the_trial() {
    let (broker, folder) = (Mosquitto::start(), Folder::new());
    let config = configuration(broker.port, &folder);
    // A person at the keyboard.
    let player = Player::start(broker.port, GOOD).await;
    let mut child = program(&config, &["--for", "1s", "--try-relays", "--yes"]).stdout(Stdio::null()).spawn().unwrap();
    player.wait_until_told("ON").await;
    let began = Instant::now();
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    soon(tokio::task::spawn_blocking(move || child.wait())).await.unwrap().unwrap();
    assert_eq!(player.told(), ["OFF", "ON", "OFF"]);
    assert!(began.elapsed() < Duration::from_secs(2), "and not only when its two seconds are over");
    drop(player);
    // Its guard.
    let player = Player::start_answering(broker.port, GOOD, Some(("garden/e1/basking", r#"{"t": 45.0}"#))).await;
    let (report, code) = report(&config, &["--for", "1s", "--try-relays", "--yes"]).await;
    let note = report["relays"][0]["note"].as_str().unwrap();
    assert!(note.starts_with("switched off at once by the guard: "), "{note}");
    assert_eq!((code, player.told()), (Some(1), ["OFF", "ON", "OFF"].map(str::to_owned).to_vec()));
}

/// Nagle's algorithm and Linux's delayed acknowledgement of 40 ms (`TCP_DELACK_MIN`, include/net/tcp.h).
#[tokio::test]
async fn a_broker_that_holds_small_packets_back_is_noticed() {
    let folder = Folder::new();
    let broker = Mosquitto::start_with(Folder::new(), "allow_anonymous true\nset_tcp_nodelay false\n");
    let (report, _) = report(&configuration(broker.port, &folder), &["--for", "1s"]).await;
    assert!(report["broker"]["hint"].as_str().unwrap().contains("set_tcp_nodelay true"));
}
