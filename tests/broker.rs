//! The connection against the real mosquitto: what the standard promises, and what happens when the broker goes away. The
//! numbers in brackets are statements of the OASIS standard MQTT 3.1.1, which 5.0 repeats.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests fail by panics and touch the world")]

mod support;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use lampwarden::settings::{ClientIdentity, Protocol, Tls};
use lampwarden::wire::{Inbound, Inbox, Lane, Link, LinkOptions, Patience};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet as Sent, QoS};
use support::link::{PROTOCOLS, STATUS, delivered, down, next, note, options, start, switch};
use support::mosquitto::{Folder, Mosquitto, certificates};
use support::soon;

/// Waits for the delivery of a command; by MQTT 3.1.1 it comes back to us as well.
async fn delivery(inbox: &mut Inbox, enclosure: usize, ticket: u64) {
    loop {
        match next(inbox).await {
            Inbound::Message { retained: false, .. } => {}
            other => return assert_eq!(other, delivered(enclosure, ticket)),
        }
    }
}

/// A second client, to look on.
struct Watcher {
    client: AsyncClient,
    messages: tokio::sync::mpsc::UnboundedReceiver<(String, String, bool)>,
}

impl Watcher {
    async fn start(port: u16, filter: &str) -> Watcher {
        let mut mqtt = MqttOptions::new(format!("watcher-{port}-{}", filter.len()), "127.0.0.1", port);
        mqtt.set_keep_alive(Duration::from_secs(30));
        let (client, mut eventloop) = AsyncClient::new(mqtt, 64);
        let (sender, messages) = tokio::sync::mpsc::unbounded_channel();
        client.subscribe(filter, QoS::AtLeastOnce).await.unwrap();
        let (ready, subscribed) = tokio::sync::oneshot::channel();
        let mut ready = Some(ready);
        tokio::spawn(async move {
            while let Ok(event) = eventloop.poll().await {
                match event {
                    Event::Incoming(Sent::Publish(publish)) => {
                        let text = String::from_utf8_lossy(&publish.payload).into_owned();
                        if sender.send((publish.topic, text, publish.retain)).is_err() {
                            break;
                        }
                    }
                    Event::Incoming(Sent::SubAck(_)) => drop(ready.take().map(|ready| ready.send(()))),
                    _ => {}
                }
            }
        });
        soon(subscribed).await.unwrap();
        Watcher { client, messages }
    }

    /// The next message.
    async fn next(&mut self) -> (String, String, bool) {
        soon(self.messages.recv()).await.expect("the watcher lost its connection")
    }

    async fn publish(&self, topic: &str, payload: &str, retain: bool) {
        self.client.publish(topic, QoS::AtLeastOnce, retain, payload).await.unwrap();
    }
}

fn message(topic: &str, payload: &str, retain: bool) -> (String, String, bool) {
    (topic.to_owned(), payload.to_owned(), retain)
}

fn announced(port: u16, protocol: Protocol) -> LinkOptions {
    LinkOptions { announce: true, ..options(port, protocol) }
}

#[tokio::test]
async fn the_status_is_online_while_connected_and_offline_after_either_end() {
    for protocol in PROTOCOLS {
        let broker = Mosquitto::start();
        let mut watcher = Watcher::start(broker.port, STATUS).await;
        let (link, _inbox) = start(announced(broker.port, protocol));
        assert_eq!(watcher.next().await, message(STATUS, "online", false));
        // Dropped without DISCONNECT: the last will is published [MQTT-3.1.2-8] …
        drop(link);
        assert_eq!(watcher.next().await, message(STATUS, "offline", false));
        // … and retained [MQTT-3.1.2-17], so that who comes later sees it [MQTT-3.3.1-8].
        let mut later = Watcher::start(broker.port, "lampwarden/garden-room/+").await;
        assert_eq!(later.next().await, message(STATUS, "offline", true));
        let (link, _inbox) = start(announced(broker.port, protocol));
        assert_eq!(watcher.next().await, message(STATUS, "online", false));
        soon(link.stop()).await;
        assert_eq!(watcher.next().await, message(STATUS, "offline", false));
    }
}

#[tokio::test]
async fn a_retained_command_is_found_and_cleared() {
    for protocol in PROTOCOLS {
        let broker = Mosquitto::start();
        let mut watcher = Watcher::start(broker.port, "garden/#").await;
        watcher.publish("garden/e1/heat/set", "ON", true).await;
        assert_eq!(watcher.next().await, message("garden/e1/heat/set", "ON", false));
        let (link, mut inbox) = start(announced(broker.port, protocol));
        // A broker may send what it has kept before or after it acknowledges the subscription.
        let found = match next(&mut inbox).await {
            Inbound::Up => next(&mut inbox).await,
            found => found,
        };
        let Inbound::Message { topic, retained: true, .. } = found else { panic!("{found:?}") };
        link.clear_retained(topic);
        // [MQTT-3.3.1-10]: a retained message of no bytes deletes.
        assert_eq!(watcher.next().await, message("garden/e1/heat/set", "", false));
        watcher.publish("garden/after", "", false).await;
        assert_eq!(watcher.next().await, message("garden/after", "", false));
        let mut later = Watcher::start(broker.port, "garden/e1/#").await;
        later.publish("garden/e1/after", "", false).await;
        assert_eq!(later.next().await, message("garden/e1/after", "", false), "nothing is retained any more");
    }
}

#[tokio::test]
async fn a_command_retained_while_we_listen_is_found_by_mqtt_5() {
    let broker = Mosquitto::start();
    let (_link, mut inbox) = start(announced(broker.port, Protocol::V5));
    assert_eq!(next(&mut inbox).await, Inbound::Up);
    let watcher = Watcher::start(broker.port, "nothing").await;
    watcher.publish("garden/e1/heat/set", "ON", true).await;
    let found = next(&mut inbox).await;
    assert!(matches!(found, Inbound::Message { retained: true, .. }), "{found:?}");
    // While a reading that is retained from now on was just sent, and its age is known.
    watcher.publish("garden/e1/basking", "33.1", true).await;
    let found = next(&mut inbox).await;
    assert!(matches!(found, Inbound::Message { retained: false, .. }), "{found:?}");
}

#[tokio::test]
async fn everything_is_asserted_within_five_seconds_of_the_brokers_return() {
    for protocol in PROTOCOLS {
        let broker = Mosquitto::start();
        let mut patient = announced(broker.port, protocol);
        patient.patience = Patience::default();
        let (link, mut inbox) = start(patient);
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        link.document("lampwarden/garden-room/e1/state".to_owned(), b"{}".to_vec(), Lane::State);
        let (port, folder) = broker.kill();
        assert!(matches!(next(&mut inbox).await, Inbound::Down { .. }));
        // Long enough for the pauses between attempts to grow.
        tokio::time::sleep(Duration::from_millis(1500)).await;
        let broker = Mosquitto::start_on(port, folder, "allow_anonymous true\n");
        let returned = Instant::now();
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        switch(&link, 1, "OFF", 1);
        delivery(&mut inbox, 1, 1).await;
        assert!(returned.elapsed() < Duration::from_secs(5), "{:?}", returned.elapsed());
        // The broker had lost its memory.
        let mut watcher = Watcher::start(broker.port, "lampwarden/garden-room/#").await;
        let mut seen = [watcher.next().await, watcher.next().await];
        seen.sort();
        assert_eq!(seen[0].1, "{}");
        assert_eq!(seen[1], message(STATUS, "online", seen[1].2));
    }
}

#[tokio::test]
async fn a_broker_that_hangs_gets_the_command_again_when_it_wakes() {
    let broker = Mosquitto::start();
    let mut hasty = announced(broker.port, Protocol::V5);
    hasty.patience.ack = Duration::from_millis(300);
    let (link, mut inbox) = start(hasty);
    let mut watcher = Watcher::start(broker.port, "garden/#").await;
    assert_eq!(next(&mut inbox).await, Inbound::Up);
    broker.signal("STOP");
    switch(&link, 1, "OFF", 1);
    assert_eq!(next(&mut inbox).await, down("the broker acknowledges no messages"));
    broker.signal("CONT");
    assert_eq!(next(&mut inbox).await, Inbound::Up);
    switch(&link, 1, "OFF", 2);
    delivery(&mut inbox, 1, 2).await;
    assert_eq!(watcher.next().await, message("garden/e1/heat/set", "OFF", false));
}

#[tokio::test]
async fn tls_trusts_its_own_authority_and_shows_its_own_certificate() {
    let folder = Folder::new();
    certificates(&folder);
    let file = |name: &str| folder.path().join(name);
    let lines = format!(
        "allow_anonymous true\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
        file("ca.crt").display(),
        file("broker.crt").display(),
        file("broker.key").display()
    );
    let broker = Mosquitto::start_with(Folder::new(), &lines);
    let client = ClientIdentity { certificate_file: file("client.crt"), key_file: file("client.key") };
    let tls = |ca: PathBuf, client: Option<ClientIdentity>, protocol| {
        let mut options = announced(broker.port, protocol);
        options.broker.tls = Some(Tls { ca_file: ca, client });
        options
    };
    for protocol in PROTOCOLS {
        let (link, mut inbox) = start(tls(file("ca.crt"), Some(client.clone()), protocol));
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        switch(&link, 1, "OFF", 1);
        delivery(&mut inbox, 1, 1).await;
    }
    let (_link, mut inbox) = start(tls(file("ca.crt"), None, Protocol::V5));
    assert!(note(&mut inbox).await.starts_with("no connection to the broker"), "without a certificate");
    let other = Folder::new();
    certificates(&other);
    let (_link, mut inbox) = start(tls(other.path().join("ca.crt"), Some(client.clone()), Protocol::V5));
    let said = note(&mut inbox).await;
    assert!(said.contains("certificate"), "{said}");

    let unusable = folder.file("empty.pem", "");
    for (ca, identity, culprit) in [
        (file("nowhere.crt"), None, "nowhere.crt"),
        (unusable.clone(), None, "empty.pem"),
        (file("ca.crt"), Some(ClientIdentity { key_file: unusable, ..client.clone() }), "empty.pem"),
        (file("ca.crt"), Some(ClientIdentity { certificate_file: file("ca.key"), ..client.clone() }), "ca.key"),
    ] {
        let error = Link::start(tls(ca, identity, Protocol::V5)).unwrap_err();
        assert!(error.to_string().contains(culprit), "{error}");
    }
}

#[tokio::test]
async fn user_and_password_come_from_a_file() {
    let folder = Folder::new();
    let passwords = folder.path().join("passwords");
    let made = std::process::Command::new("mosquitto_passwd")
        .args(["-b", "-c", passwords.to_str().unwrap(), "keeper", "heather"])
        .status();
    assert!(made.unwrap().success());
    let lines = format!("allow_anonymous false\npassword_file {}\n", passwords.display());
    let broker = Mosquitto::start_with(Folder::new(), &lines);
    let login = |password: &str, protocol| {
        let mut options = announced(broker.port, protocol);
        options.broker.username = Some("keeper".to_owned());
        options.broker.password_file = Some(folder.file("secret", password));
        options
    };
    for protocol in PROTOCOLS {
        let (link, mut inbox) = start(login("heather\nand nothing more\n", protocol));
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        soon(link.stop()).await;
        let (_link, mut inbox) = start(login("clover\n", protocol));
        let refused = ": the broker refuses this user and password";
        let said = note(&mut inbox).await;
        assert!(said.starts_with("no connection to the broker at ") && said.ends_with(refused), "{said}");
    }
    let error = Link::start(login("", Protocol::V5)).unwrap_err();
    assert!(error.to_string().ends_with("secret: the first line holds no password"), "{error}");
}

/// Nagle's algorithm against delayed acknowledgements costs some 40 ms in each exchange where two small packets follow
/// each other: our acknowledgement of a reading, and the command that answers it. Half of the exchanges taking less
/// than half of that shows that it is off, on however busy a machine.
#[tokio::test]
async fn two_small_packets_do_not_wait_for_each_other() {
    for protocol in PROTOCOLS {
        let broker = Mosquitto::start();
        let (link, mut inbox) = start(announced(broker.port, protocol));
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        let mut relay = Watcher::start(broker.port, "garden/e1/heat/set").await;
        let probe = Watcher::start(broker.port, "none").await;
        let mut times = Vec::new();
        for ticket in 0..21 {
            let began = Instant::now();
            probe.publish("garden/e1/basking", "41", false).await;
            while !matches!(next(&mut inbox).await, Inbound::Message { topic, .. } if topic.ends_with("basking")) {}
            switch(&link, 1, "OFF", ticket);
            relay.next().await;
            times.push(began.elapsed());
        }
        times.sort();
        assert!(times[10] < Duration::from_millis(20), "{times:?}");
    }
}
