//! The MQTT connection.
//!
//! A [`Link`] keeps one connection to the broker alive and never gives up. Its rules come from what the client library
//! does and does not do:
//!
//! * **One client, one connection.** The library forgets messages at a reconnect without an error and can be wedged by
//!   a packet identifier that is taken twice. So a client is never used for a second connection: whatever goes wrong,
//!   it is dropped with all it holds, and a new one starts from nothing. `tests/wire.rs` plays each such fault.
//! * **The core keeps the wanted state.** [`Inbound::Up`] is told once every subscription is acknowledged; the core
//!   then asserts every output. Commands that were not acknowledged when a connection ends are thrown away.
//! * **The poll loop only polls.** It awaits nothing but the library's `poll`; everything else is done between two
//!   polls, without waiting, under one short lock.
//! * **OFF first.** What goes out stands in lanes ([`Lane`]): OFF, clearing a retained command, ON, alarms, states.
//!   Only the newest of each output and each topic is kept, and only few messages are handed to the library at a time,
//!   so an OFF waits behind a handful of packets at most.
//! * **Acknowledgements must come.** Where one is overdue, where the library reports a collision, or where our own
//!   heartbeat through the broker does not come back, the connection is ended and built anew.
//!
//! ```text
//! daemon ── LinkHandle::command ──▶ outbox ──▶ session ──▶ client library ──▶ broker
//! daemon ◀─ Inbox::recv ◀── inbox ◀── session ◀── poll loop ◀────────────────────┘
//! ```

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room touches the world")]

mod client;
mod deliver;
mod dial;
mod inbox;
mod link;
mod outbox;
mod session;

use std::fmt;
use std::time::Duration;

pub use deliver::deliver;
pub use inbox::{Inbound, Inbox};
pub use link::{Link, LinkHandle};
pub use outbox::Lane;

use crate::message::Subscription;
use crate::settings::{Broker, Settings};

/// Largest packet taken in or sent, in bytes.
pub const PACKET_BYTES_MAX: u32 = 256 * 1024;

/// What a [`Link`] needs to know.
#[derive(Clone, Debug)]
pub struct LinkOptions {
    /// How the broker is reached.
    pub broker: Broker,
    /// The site's name in topics.
    pub site: String,
    /// MQTT client identifier. Two connections with the same one end each other.
    pub client_id: String,
    /// What is listened to.
    pub subscriptions: Vec<Subscription>,
    /// Whether this is the daemon itself: it leaves a last will, says `online` and `offline`, and clears alarms that an
    /// earlier run left behind.
    pub announce: bool,
    /// How long to wait for what.
    pub patience: Patience,
}

impl LinkOptions {
    /// The options of the daemon.
    pub fn daemon(settings: &Settings, subscriptions: Vec<Subscription>) -> LinkOptions {
        let site = settings.site.name.clone();
        LinkOptions {
            broker: settings.broker.clone(),
            client_id: settings.broker.client_id.clone().unwrap_or_else(|| format!("lampwarden-{site}")),
            site,
            subscriptions,
            announce: true,
            patience: Patience::default(),
        }
    }
}

/// How long to wait for what. All are our own choices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// For the acknowledgement of a message before the client is built anew.
    pub ack: Duration,
    /// For the acknowledgement of all subscriptions.
    pub subscribe: Duration,
    /// Between two heartbeats through the broker.
    pub pulse_every: Duration,
    /// For a heartbeat to come back.
    pub pulse: Duration,
    /// Before the first attempt after a loss.
    pub retry_first: Duration,
    /// Between two attempts at most, so that everything is reconciled within 5 s of the broker's return.
    pub retry_most: Duration,
    /// For the last commands and the farewell to be acknowledged when stopping.
    pub stop: Duration,
}

impl Default for Patience {
    fn default() -> Patience {
        Patience {
            ack: Duration::from_secs(5),
            subscribe: Duration::from_secs(10),
            pulse_every: Duration::from_secs(5),
            pulse: Duration::from_secs(12),
            retry_first: Duration::from_millis(100),
            retry_most: Duration::from_secs(2),
            stop: Duration::from_secs(2),
        }
    }
}

/// Why a connection cannot even be tried, as a sentence that names the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WireError(pub String);

impl fmt::Display for WireError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for WireError {}
