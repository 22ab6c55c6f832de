//! The connection against a scripted broker, one test for each known fault of the client library, and against the real
//! mosquitto. The numbers in brackets are statements of the OASIS standard MQTT 3.1.1, which 5.0 repeats.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests fail by panics and touch the world")]

mod support;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use lampwarden::control::OutputRef;
use lampwarden::message::{Subscription, Watch};
use lampwarden::settings::{Broker, ClientIdentity, EnclosureIx, LampIx, Protocol, Tls};
use lampwarden::wire::{Inbound, Inbox, Lane, Link, LinkHandle, LinkOptions, Patience};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet as Sent, QoS};
use support::mosquitto::{Folder, Mosquitto, certificates};
use support::scripted::{Packet, Peer, Script};
use support::soon;

const PROTOCOLS: [Protocol; 2] = [Protocol::V311, Protocol::V5];
const STATUS: &str = "lampwarden/garden-room/status";

fn heat(enclosure: usize) -> OutputRef {
    OutputRef::Lamp(EnclosureIx(enclosure), LampIx(0))
}

fn listen(filter: &str, watch: Watch) -> Subscription {
    Subscription { filter: filter.to_owned(), watch }
}

/// A link that gives up only on what the test is about.
fn options(port: u16, protocol: Protocol) -> LinkOptions {
    let long = Duration::from_secs(60);
    LinkOptions {
        broker: Broker {
            host: "127.0.0.1".to_owned(),
            port,
            protocol,
            tls: None,
            username: None,
            password_file: None,
            client_id: None,
            keep_alive: Duration::from_secs(30),
        },
        site: "garden-room".to_owned(),
        client_id: "lampwarden-garden-room".to_owned(),
        subscriptions: vec![listen("garden/e1/basking", Watch::Reports), listen("garden/e1/heat/set", Watch::Commands)],
        announce: false,
        patience: Patience {
            ack: long,
            subscribe: long,
            pulse_every: long,
            pulse: long,
            retry_first: Duration::from_millis(10),
            ..Patience::default()
        },
    }
}

fn start(options: LinkOptions) -> (LinkHandle, Inbox) {
    Link::start(options).unwrap()
}

fn switch(link: &LinkHandle, enclosure: usize, payload: &str, ticket: u64) {
    let topic = format!("garden/e{enclosure}/heat/set");
    link.command(topic, payload.into(), heat(enclosure), ticket, payload == "OFF");
}

/// Waits for the delivery of a command; by MQTT 3.1.1 it comes back to us as well.
async fn delivery(inbox: &mut Inbox, enclosure: usize, ticket: u64) {
    loop {
        match next(inbox).await {
            Inbound::Message { retained: false, .. } => {}
            other => return assert_eq!(other, delivered(enclosure, ticket)),
        }
    }
}

/// The next thing that is no note.
async fn next(inbox: &mut Inbox) -> Inbound {
    loop {
        match soon(inbox.recv()).await.expect("the link ended") {
            Inbound::Note(_) => {}
            inbound => return inbound,
        }
    }
}

async fn note(inbox: &mut Inbox) -> String {
    match soon(inbox.recv()).await {
        Some(Inbound::Note(note)) => note,
        other => panic!("{other:?} is no note"),
    }
}

fn delivered(enclosure: usize, ticket: u64) -> Inbound {
    Inbound::Delivered { output: heat(enclosure), ticket }
}

fn down(why: &str) -> Inbound {
    Inbound::Down { why: why.to_owned() }
}

fn published(packet: &Packet) -> (&str, &str, u8, bool) {
    match packet {
        Packet::Publish { topic, payload, qos, retain, .. } => (topic, payload, *qos, *retain),
        other => panic!("{other:?} is no message"),
    }
}

/// A broker and a link that is up.
async fn connected(options: impl Fn(u16) -> LinkOptions) -> (Script, Peer, LinkHandle, Inbox) {
    let script = Script::start().await;
    let (link, mut inbox) = start(options(script.port));
    let peer = script.accept_subscribed().await;
    assert_eq!(next(&mut inbox).await, Inbound::Up);
    (script, peer, link, inbox)
}

// ---- what the library forgets or breaks ----

#[tokio::test]
async fn a_command_without_acknowledgement_is_asserted_again_on_the_next_connection() {
    for protocol in PROTOCOLS {
        let (script, mut peer, link, mut inbox) = connected(|port| options(port, protocol)).await;
        // More than are handed over at a time, so that some still wait when the connection ends.
        for enclosure in 10..60 {
            switch(&link, enclosure, "OFF", 1);
        }
        let written = peer.next().await;
        assert_eq!(published(&written), ("garden/e10/heat/set", "OFF", 1, false), "QoS 1 and never retained");
        drop(peer);
        assert!(matches!(next(&mut inbox).await, Inbound::Down { .. }), "and no delivery");

        // Commands of the time without a connection are thrown away: the core asserts all of them once it is up.
        switch(&link, 2, "ON", 3);
        let mut peer = script.accept_subscribed().await;
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        switch(&link, 1, "OFF", 4);
        let first = peer.next().await;
        assert_eq!(published(&first), ("garden/e1/heat/set", "OFF", 1, false), "nothing of the old connection comes");
        peer.answer(&first).await;
        assert_eq!(next(&mut inbox).await, delivered(1, 4));
    }
}

#[tokio::test]
async fn where_acknowledgements_stop_the_client_is_built_anew() {
    for protocol in PROTOCOLS {
        let hasty = |port| {
            let mut options = options(port, protocol);
            options.patience.ack = Duration::from_millis(100);
            options
        };
        let (script, mut peer, link, mut inbox) = connected(hasty).await;
        switch(&link, 1, "OFF", 1);
        assert!(peer.next().await.is_for("garden/e1/heat/set"));
        assert_eq!(next(&mut inbox).await, down("the broker acknowledges no messages"));
        let mut peer = script.accept_subscribed().await;
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        switch(&link, 1, "OFF", 2);
        let command = peer.next().await;
        peer.answer(&command).await;
        assert_eq!(next(&mut inbox).await, delivered(1, 2));
    }
}

#[tokio::test]
async fn a_packet_identifier_that_is_still_in_use_does_not_wedge_the_link() {
    for protocol in PROTOCOLS {
        let (script, mut peer, link, mut inbox) = connected(|port| options(port, protocol)).await;
        // The first command stays without acknowledgement while the others go round all identifiers.
        for enclosure in 0..150 {
            switch(&link, enclosure, "ON", 0);
        }
        let first = peer.next().await;
        assert!(first.is_for("garden/e0/heat/set"));
        let broker = tokio::spawn(async move { peer.answer_all().await });
        let lost = loop {
            match next(&mut inbox).await {
                Inbound::Delivered { output, .. } => assert_ne!(output, heat(0)),
                other => break other,
            }
        };
        assert_eq!(lost, down("a packet identifier was still in use"));
        broker.await.unwrap();
        let mut peer = script.accept_subscribed().await;
        tokio::spawn(async move { peer.answer_all().await });
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        switch(&link, 0, "OFF", 7);
        assert_eq!(next(&mut inbox).await, delivered(0, 7));
    }
}

#[tokio::test]
async fn a_message_of_eleven_kilobytes_is_read_and_ends_nothing() {
    for protocol in PROTOCOLS {
        let (_script, mut peer, link, mut inbox) = connected(|port| options(port, protocol)).await;
        peer.publish("garden/e1/basking", &[b'x'; 11_000], true).await;
        let Inbound::Message { payload, retained: true, .. } = next(&mut inbox).await else { panic!() };
        assert_eq!(payload.len(), 11_000);
        switch(&link, 1, "OFF", 1);
        let command = peer.next().await;
        peer.answer(&command).await;
        assert_eq!(next(&mut inbox).await, delivered(1, 1));
    }
}

#[tokio::test]
async fn an_acknowledgement_of_nothing_ends_the_connection_and_the_next_one_works() {
    let (script, mut peer, link, mut inbox) = connected(|port| options(port, Protocol::V5)).await;
    peer.puback(77).await;
    assert!(matches!(next(&mut inbox).await, Inbound::Down { .. }));
    let mut peer = script.accept_subscribed().await;
    assert_eq!(next(&mut inbox).await, Inbound::Up);
    switch(&link, 1, "OFF", 1);
    let command = peer.next().await;
    peer.answer(&command).await;
    assert_eq!(next(&mut inbox).await, delivered(1, 1));
}

#[tokio::test]
async fn a_half_open_connection_is_noticed_by_the_heartbeat() {
    for protocol in PROTOCOLS {
        let beating = |port| {
            let mut options = options(port, protocol);
            options.patience.pulse_every = Duration::from_millis(40);
            options.patience.pulse = Duration::from_millis(400);
            options
        };
        let (script, mut peer, _link, mut inbox) = connected(beating).await;
        peer.hide_pulses = false;
        for _ in 0..2 {
            let beat = peer.next().await;
            assert!(beat.is_for("lampwarden/garden-room/pulse"));
            peer.answer(&beat).await;
        }
        // From here on the broker reads nothing and says nothing; the connection stays open.
        assert_eq!(next(&mut inbox).await, down("our own heartbeat does not come back from the broker"));
        let _peer = script.accept_subscribed().await;
        assert_eq!(next(&mut inbox).await, Inbound::Up);
    }
}

#[tokio::test]
async fn a_broker_that_forbids_the_heartbeat_is_not_left_for_it() {
    let beating = |port| {
        let mut options = options(port, Protocol::V311);
        options.patience.pulse_every = Duration::from_millis(20);
        options.patience.pulse = Duration::from_millis(100);
        options
    };
    let (_script, mut peer, link, mut inbox) = connected(beating).await;
    peer.hide_pulses = false;
    assert!(note(&mut inbox).await.contains("access rules"));
    switch(&link, 1, "OFF", 1);
    let command = peer.answer_until(|packet| packet.is_for("garden/e1/heat/set")).await;
    peer.answer(&command).await;
    assert_eq!(next(&mut inbox).await, delivered(1, 1));
}

#[tokio::test]
async fn a_silent_broker_is_noticed_by_the_keep_alive() {
    let quick = |port| {
        let mut options = options(port, Protocol::V311);
        options.broker.keep_alive = Duration::from_secs(1);
        options
    };
    let (_script, mut peer, _link, mut inbox) = connected(quick).await;
    // [MQTT-3.1.2-23]: the client must send PINGREQ.
    assert_eq!(peer.next().await, Packet::Ping);
    assert_eq!(next(&mut inbox).await, down("the broker answers no keep-alive"));
}

#[tokio::test]
async fn a_refusal_of_mqtt_5_says_what_to_set() {
    let script = Script::start().await;
    let (_link, mut inbox) = start(options(script.port, Protocol::V5));
    // MQTT 5.0, section 3.1.2.2: CONNACK 0x84, Unsupported Protocol Version.
    let mut peer = script.accept().await;
    assert_eq!(peer.next().await, Packet::Connect { level: 5, clean: true });
    peer.send(&[0x20, 3, 0, 0x84, 0]).await;
    let expected = "this broker does not speak MQTT 5: set protocol = \"3.1.1\" under [broker]";
    assert_eq!(note(&mut inbox).await, format!("no connection to the broker: {expected}"));
    // MQTT 3.1.1, section 3.1.2.2: CONNACK 0x01, then the connection is closed.
    let mut peer = script.accept().await;
    peer.next().await;
    peer.send(&[0x20, 2, 0, 1]).await;
    drop(peer);
    let said = note(&mut inbox).await;
    assert!(said.ends_with("if it does not speak MQTT 5, set protocol = \"3.1.1\" under [broker]"), "{said}");
}

#[tokio::test]
async fn a_broker_that_wants_no_keep_alive_is_not_pinged_to_death() {
    let script = Script::start().await;
    let (link, mut inbox) = start(options(script.port, Protocol::V5));
    let mut peer = script.accept().await;
    peer.next().await;
    // MQTT 5.0, section 3.2.2.3.14: property 0x13, Server Keep Alive, here 0: the mechanism is off.
    peer.send(&[0x20, 6, 0, 0, 3, 0x13, 0, 0]).await;
    let mut pings = 0;
    for n in 0..20 {
        let packet = peer.answer_until(|packet| *packet == Packet::Ping || packet.is_for("garden/e1/heat/set")).await;
        peer.answer(&packet).await;
        match packet {
            Packet::Ping => pings += 1,
            _ => assert_eq!(next(&mut inbox).await, delivered(1, n)),
        }
        if n == 0 {
            assert_eq!(next(&mut inbox).await, Inbound::Up);
        }
        switch(&link, 1, "OFF", n + 1);
    }
    assert_eq!(pings, 1);
}

// ---- what goes out, and in which order ----

#[tokio::test]
async fn an_off_overtakes_a_thousand_state_documents() {
    for protocol in PROTOCOLS {
        let (_script, mut peer, link, mut inbox) = connected(|port| options(port, protocol)).await;
        for n in 0..1000 {
            link.document(format!("lampwarden/garden-room/e{n}/state"), b"{}".to_vec(), Lane::State);
        }
        let first = peer.next().await;
        switch(&link, 1, "OFF", 1);
        let mut before = vec![first];
        loop {
            let packet = peer.next().await;
            if packet.is_for("garden/e1/heat/set") {
                peer.answer(&packet).await;
                break;
            }
            before.push(packet);
        }
        assert!(before.len() <= 8, "{} documents went before the OFF", before.len());
        assert_eq!(next(&mut inbox).await, delivered(1, 1));
        let mut documents = before.len();
        for packet in before {
            peer.answer(&packet).await;
        }
        while documents < 1000 {
            let packet = peer.next().await;
            let (_, _, qos, retain) = published(&packet);
            assert_eq!((qos, retain), (1, true));
            peer.answer(&packet).await;
            documents += 1;
        }
    }
}

#[tokio::test]
async fn documents_are_published_again_on_every_connection_and_the_newest_alone() {
    let (script, mut peer, link, mut inbox) = connected(|port| options(port, Protocol::V5)).await;
    link.document("lampwarden/garden-room/e1/state".to_owned(), b"1".to_vec(), Lane::State);
    let packet = peer.next().await;
    peer.answer(&packet).await;
    drop(peer);
    assert!(matches!(next(&mut inbox).await, Inbound::Down { .. }));
    link.document("lampwarden/garden-room/e1/state".to_owned(), b"2".to_vec(), Lane::State);
    link.document("lampwarden/garden-room/alarms/e1/lamp-dark".to_owned(), Vec::new(), Lane::Alarm);
    let mut peer = script.accept_subscribed().await;
    let alarm = peer.next().await;
    assert_eq!(published(&alarm), ("lampwarden/garden-room/alarms/e1/lamp-dark", "", 1, true));
    let state = peer.next().await;
    assert_eq!(published(&state), ("lampwarden/garden-room/e1/state", "2", 1, true));
}

#[tokio::test]
async fn a_command_that_the_broker_refuses_does_not_count_as_delivered() {
    let (_script, mut peer, link, mut inbox) = connected(|port| options(port, Protocol::V5)).await;
    switch(&link, 1, "OFF", 1);
    let Packet::Publish { id, .. } = peer.next().await else { panic!() };
    // MQTT 5.0, table 3-4: 0x87, Not authorized.
    peer.puback_with(id, 0x87).await;
    assert_eq!(note(&mut inbox).await, "the broker did not pass on garden/e1/heat/set: NotAuthorized");
    switch(&link, 1, "OFF", 2);
    let command = peer.next().await;
    peer.answer(&command).await;
    assert_eq!(next(&mut inbox).await, delivered(1, 2));
}

#[tokio::test]
async fn stopping_sends_what_waits_says_offline_and_parts() {
    for protocol in PROTOCOLS {
        let script = Script::start().await;
        let (link, mut inbox) = start(LinkOptions { announce: true, ..options(script.port, protocol) });
        let mut peer = script.accept_subscribed().await;
        assert_eq!(next(&mut inbox).await, Inbound::Up);
        let online = peer.next().await;
        assert_eq!(published(&online), (STATUS, "online", 1, true));
        peer.answer(&online).await;
        switch(&link, 1, "OFF", 1);
        let stopped = tokio::spawn(link.stop());
        let off = peer.next().await;
        assert_eq!(published(&off), ("garden/e1/heat/set", "OFF", 1, false));
        peer.answer(&off).await;
        let offline = peer.next().await;
        assert_eq!(published(&offline), (STATUS, "offline", 1, true));
        peer.answer(&offline).await;
        assert_eq!(peer.next().await, Packet::Disconnect);
        soon(stopped).await.unwrap();
        assert_eq!(next(&mut inbox).await, delivered(1, 1));
        assert_eq!(soon(inbox.recv()).await, None);
    }
}

// ---- subscriptions ----

#[tokio::test]
async fn it_is_up_once_every_subscription_is_acknowledged() {
    let script = Script::start().await;
    let mut many = options(script.port, Protocol::V5);
    many.subscriptions = (0..200).map(|n| listen(&format!("garden/e{n}/basking"), Watch::Reports)).collect();
    let (_link, mut inbox) = start(many);
    let mut peer = script.accept().await;
    let mut asked = Vec::new();
    while asked.iter().map(|(_, n)| n).sum::<usize>() < 201 {
        match peer.next().await {
            Packet::Subscribe { id, filters } => asked.push((id, filters.len())),
            other => peer.answer(&other).await,
        }
    }
    assert!(asked.len() > 1, "in more than one packet");
    let (last, others) = asked.split_last().unwrap();
    for (id, filters) in others {
        peer.suback(*id, &vec![1; *filters]).await;
    }
    peer.publish("garden/e1/basking", b"33.1", false).await;
    assert!(matches!(next(&mut inbox).await, Inbound::Message { .. }), "not up before the last one");
    // MQTT 5.0, section 3.9.3: 0x87, Not authorized.
    let mut codes = vec![1; last.1];
    codes[0] = 0x87;
    peer.suback(last.0, &codes).await;
    assert!(note(&mut inbox).await.ends_with(": NotAuthorized"));
    assert_eq!(next(&mut inbox).await, Inbound::Up);
}

#[tokio::test]
async fn our_own_commands_do_not_come_back_by_mqtt_5_and_their_retained_flag_stays() {
    let script = Script::start().await;
    let (_link, _inbox) = start(options(script.port, Protocol::V5));
    let mut peer = script.accept().await;
    let Packet::Subscribe { filters, .. } = peer.answer_until(|p| matches!(p, Packet::Subscribe { .. })).await else {
        panic!()
    };
    // MQTT 5.0, section 3.8.3.1: bits 0-1 QoS, bit 2 No Local, bit 3 Retain As Published.
    let expected =
        [("garden/e1/basking", 0b0001), ("garden/e1/heat/set", 0b1101), ("lampwarden/garden-room/pulse", 0b0001)];
    assert_eq!(filters, expected.map(|(filter, bits)| (filter.to_owned(), bits)));
}

#[tokio::test]
async fn a_reload_changes_only_what_is_listened_to_anew() {
    let (_script, mut peer, link, mut inbox) = connected(|port| options(port, Protocol::V5)).await;
    link.resubscribe(vec![listen("garden/e1/basking", Watch::Reports), listen("garden/e2/basking", Watch::Reports)]);
    let packet = peer.next().await;
    let Packet::Unsubscribe { filters, .. } = &packet else { panic!("{packet:?}") };
    assert_eq!(filters, &["garden/e1/heat/set"]);
    peer.answer(&packet).await;
    let packet = peer.next().await;
    let Packet::Subscribe { filters, .. } = &packet else { panic!("{packet:?}") };
    assert_eq!(filters, &[("garden/e2/basking".to_owned(), 1)]);
    peer.answer(&packet).await;
    peer.publish("garden/e2/basking", b"1", true).await;
    assert!(matches!(next(&mut inbox).await, Inbound::Message { retained: true, .. }), "and it is not up anew");
}

#[tokio::test]
async fn alarms_of_an_earlier_run_are_cleared_and_those_that_stand_are_not() {
    let script = Script::start().await;
    let (link, mut inbox) = start(LinkOptions { announce: true, ..options(script.port, Protocol::V311) });
    let alarm = |kind: &str| format!("lampwarden/garden-room/alarms/e1/{kind}");
    link.document(alarm("lamp-dark"), b"{}".to_vec(), Lane::Alarm);
    let mut peer = script.accept().await;
    let subscribe = peer.answer_until(|packet| matches!(packet, Packet::Subscribe { .. })).await;
    peer.publish(&alarm("lamp-dark"), b"{}", true).await;
    peer.publish(&alarm("heat-weak"), b"{}", true).await;
    peer.answer(&subscribe).await;
    let mut seen = Vec::new();
    while seen.len() < 3 {
        let packet = peer.next().await;
        seen.push((published(&packet).0.to_owned(), published(&packet).1.to_owned()));
        peer.answer(&packet).await;
    }
    seen.sort();
    let pair = |topic: String, payload: &str| (topic, payload.to_owned());
    assert_eq!(seen, [pair(alarm("heat-weak"), ""), pair(alarm("lamp-dark"), "{}"), pair(STATUS.to_owned(), "online")]);
    // One that stands may come after we are up, from the broker's memory.
    peer.publish(&alarm("lamp-dark"), b"{}", true).await;
    peer.publish("garden/e1/basking", b"", false).await;
    assert!(matches!(next(&mut inbox).await, Inbound::Up));
    assert!(matches!(next(&mut inbox).await, Inbound::Message { .. }));
    link.document(alarm("probe-silent"), b"{}".to_vec(), Lane::Alarm);
    assert_eq!(published(&peer.next().await).0, alarm("probe-silent"));
}

// ---- against the real mosquitto ----

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
        let refused = "no connection to the broker: the broker refuses this user and password";
        assert_eq!(note(&mut inbox).await, refused);
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
