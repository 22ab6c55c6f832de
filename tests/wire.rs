//! The connection against a scripted broker: one test for each known fault of the client library, and what goes out in
//! which order. The numbers in brackets are statements of the OASIS standard MQTT 3.1.1, which 5.0 repeats.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests fail by panics and touch the world")]

mod support;

use std::time::Duration;

use lampwarden::message::Watch;
use lampwarden::settings::Protocol;
use lampwarden::wire::{Inbound, Inbox, Lane, LinkHandle, LinkOptions};
use support::link::{PROTOCOLS, STATUS, delivered, down, heat, listen, next, note, options, start, switch};
use support::scripted::{Packet, Peer, Script};
use support::soon;

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
    let place = format!("127.0.0.1:{}", script.port);
    assert_eq!(note(&mut inbox).await, format!("no connection to the broker at {place}: {expected}"));
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

#[tokio::test]
async fn a_last_will_that_comes_late_is_put_right() {
    let announced = |port| LinkOptions { announce: true, ..options(port, Protocol::V311) };
    let (_script, mut peer, _link, _inbox) = connected(announced).await;
    let online = peer.next().await;
    assert_eq!(published(&online), (STATUS, "online", 1, true));
    peer.answer(&online).await;
    peer.publish(STATUS, b"offline", false).await;
    assert_eq!(published(&peer.next().await), (STATUS, "online", 1, true));
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
