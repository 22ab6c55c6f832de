//! A link under test, and what it tells.

use std::time::Duration;

use lampwarden::control::OutputRef;
use lampwarden::message::{Subscription, Watch};
use lampwarden::settings::{Broker, EnclosureIx, LampIx, Protocol};
use lampwarden::wire::{Inbound, Inbox, Link, LinkHandle, LinkOptions, Patience};

use super::soon;

pub const PROTOCOLS: [Protocol; 2] = [Protocol::V311, Protocol::V5];
pub const STATUS: &str = "lampwarden/garden-room/status";

pub fn heat(enclosure: usize) -> OutputRef {
    OutputRef::Lamp(EnclosureIx(enclosure), LampIx(0))
}

pub fn listen(filter: &str, watch: Watch) -> Subscription {
    Subscription { filter: filter.to_owned(), watch }
}

/// A link that gives up only on what the test is about.
pub fn options(port: u16, protocol: Protocol) -> LinkOptions {
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

pub fn start(options: LinkOptions) -> (LinkHandle, Inbox) {
    Link::start(options).unwrap()
}

pub fn switch(link: &LinkHandle, enclosure: usize, payload: &str, ticket: u64) {
    let topic = format!("garden/e{enclosure}/heat/set");
    link.command(topic, payload.into(), heat(enclosure), ticket, payload == "OFF");
}

/// The next thing that is no note.
pub async fn next(inbox: &mut Inbox) -> Inbound {
    loop {
        match soon(inbox.recv()).await.expect("the link ended") {
            Inbound::Note(_) => {}
            inbound => return inbound,
        }
    }
}

pub async fn note(inbox: &mut Inbox) -> String {
    match soon(inbox.recv()).await {
        Some(Inbound::Note(note)) => note,
        other => panic!("{other:?} is no note"),
    }
}

pub fn delivered(enclosure: usize, ticket: u64) -> Inbound {
    Inbound::Delivered { output: heat(enclosure), ticket }
}

pub fn down(why: &str) -> Inbound {
    Inbound::Down { why: why.to_owned() }
}
