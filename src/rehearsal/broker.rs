//! The broker and the daemon's connection to it, modelled: what is kept, what is lost, what comes late, and when anybody
//! notices.
//!
//! Modelled after what the live connection does (`wire`): quality of service 1 towards the broker, commands thrown away
//! while there is no connection, a heartbeat through the broker, attempts at most two seconds apart, and everything
//! retained delivered before the connection counts as up.

use std::collections::BTreeMap;
use std::ops::Bound;

use crate::control::OutputRef;
use crate::message::topics;
use crate::simulator::{Message, Pcg32};

/// A command reaches its output after this, ms: a guess at a wireless network at home.
pub(super) const COMMAND_TAKES: u64 = 12;
/// … and is acknowledged after this, ms: by then it has reached the broker, and here for simplicity its output too.
const ACK_TAKES: u64 = COMMAND_TAKES;
/// The heartbeat that stays out is noticed between these, ms: sent every 5 s, missed after 12 s (`wire::Patience`).
const SILENCE_NOTICED: (u64, u64) = (7_000, 12_000);
/// A command without its acknowledgement is noticed after this, ms (`wire::Patience`).
const ACK_MISSED: u64 = 5_000;
/// From one attempt to the next, first and longest, ms (`wire::Patience`).
const RETRY: (u64, u64) = (100, 2_000);
/// Greeting and subscriptions take this long, ms; a guess.
const HANDSHAKE: u64 = 60;

/// What the broker hands on.
#[derive(Clone, Debug)]
pub(super) enum Delivery {
    /// A device's words to the core.
    Said(Message),
    /// Something else for the core: kept for unknown time, or sent by another program.
    Other {
        /// Topic.
        topic: String,
        /// Payload.
        payload: Vec<u8>,
        /// Whether it comes with the retained flag.
        retained: bool,
    },
    /// A command to a device.
    Command {
        /// Topic.
        topic: String,
        /// Payload.
        payload: Vec<u8>,
    },
    /// The broker has acknowledged a command.
    Acknowledged {
        /// Which output was commanded.
        output: OutputRef,
        /// The ticket that comes back.
        ticket: u64,
    },
    /// The daemon's connection is up.
    Up,
    /// The daemon has noticed that its connection is lost.
    Down,
}

impl Delivery {
    /// Whether it travels on the daemon's connection, and ends with it.
    fn is_for_core(&self) -> bool {
        !matches!(self, Delivery::Command { .. })
    }
}

/// The daemon's connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Link {
    /// There is no daemon.
    Absent,
    /// It tries to connect.
    Trying {
        /// When it tries next.
        next: u64,
        /// The pause after that.
        pause: u64,
    },
    /// It works.
    Up,
    /// It is dead and looks alive.
    Dead {
        /// When that is noticed.
        noticed: u64,
    },
}

/// The broker, and everything on its way.
#[derive(Debug)]
pub(super) struct Broker {
    chance: Pcg32,
    running: bool,
    link: Link,
    kept: BTreeMap<String, Vec<u8>>,
    /// The newest of each document that the daemon has published, which it publishes again on every connection.
    documents: BTreeMap<String, Vec<u8>>,
    /// Where the daemon says that it is there, and what the topics of its alarms begin with.
    status: String,
    alarms: String,
    /// What the daemon listens to, in order.
    topics: Vec<String>,
    /// On the way with the moment it arrives, the soonest last; of those at one moment the first sent. They are few.
    parcels: Vec<(u64, Delivery)>,
    /// Share of messages from and to devices that is lost.
    pub(super) loss: f64,
    /// Messages take up to this long, ms.
    pub(super) lateness: u64,
    /// When the last message of each topic arrives, so that within a topic nothing overtakes.
    last_of_topic: BTreeMap<String, u64>,
}

impl Broker {
    /// A running broker that keeps nothing yet. `topics` is what the daemon of `site` listens to.
    pub(super) fn new(seed: u64, topics: Vec<String>, site: &str) -> Broker {
        Broker {
            // A stream of its own, so that the plant's chance is untouched by what the broker draws.
            chance: Pcg32::new(seed, u64::MAX / 4),
            running: true,
            link: Link::Absent,
            kept: BTreeMap::new(),
            documents: BTreeMap::new(),
            status: topics::status(site),
            alarms: topics::alarms(site),
            topics,
            parcels: Vec::new(),
            loss: 0.0,
            lateness: 0,
            last_of_topic: BTreeMap::new(),
        }
    }

    /// When something arrives or happens next.
    pub(super) fn next(&self) -> Option<u64> {
        let own = match self.link {
            Link::Trying { next, .. } => Some(next),
            Link::Dead { noticed } => Some(noticed),
            Link::Absent | Link::Up => None,
        };
        let parcel = self.parcels.last().map(|(at, _)| *at);
        [own, parcel].into_iter().flatten().min()
    }

    /// The next thing that has arrived or happened by `now`.
    pub(super) fn pop(&mut self, now: u64) -> Option<Delivery> {
        match self.link {
            Link::Dead { noticed } if noticed <= now => return Some(self.lose(now)),
            Link::Trying { next, pause } if next <= now => self.attempt(next, pause),
            _ => {}
        }
        self.parcels.pop_if(|(at, _)| *at <= now).map(|(_, parcel)| parcel)
    }

    fn attempt(&mut self, now: u64, pause: u64) {
        if !self.running {
            let spread = (f64::from(u32::try_from(pause).unwrap_or(u32::MAX)) * self.chance.unit()) as u64;
            let next = now + (pause / 2).max(1) + spread / 2;
            self.link = Link::Trying { next, pause: (pause * 2).min(RETRY.1) };
            return;
        }
        self.link = Link::Up;
        let kept: Vec<_> =
            self.topics.iter().filter_map(|topic| Some((topic.clone(), self.kept.get(topic)?.clone()))).collect();
        for (topic, payload) in kept {
            self.send(now + HANDSHAKE, Delivery::Other { topic, payload, retained: true });
        }
        self.send(now + HANDSHAKE, Delivery::Up);
        self.assert_documents();
    }

    /// Publishes every document of the daemon's again, and deletes alarms of an earlier run that do not stand any more.
    fn assert_documents(&mut self) {
        let stands = |topic: &String| self.documents.get(topic).is_some_and(|payload| !payload.is_empty());
        let alarms = &self.alarms;
        self.kept.retain(|topic, _| !topic.starts_with(alarms.as_str()) || stands(topic));
        self.kept.insert(self.status.clone(), b"online".to_vec());
        for (topic, payload) in self.documents.clone() {
            self.keep(&topic, &payload);
        }
    }

    /// The daemon publishes a document, to be kept: now, or with the next connection.
    pub(super) fn document(&mut self, topic: String, payload: Vec<u8>) {
        if self.link == Link::Up {
            self.keep(&topic, &payload);
        }
        self.documents.insert(topic, payload);
    }

    /// The broker has lost the daemon, and publishes its last will.
    fn last_will(&mut self) {
        if self.running {
            self.kept.insert(self.status.clone(), b"offline".to_vec());
        }
    }

    fn lose(&mut self, now: u64) -> Delivery {
        self.last_will();
        self.end_link();
        self.link = Link::Trying { next: now + RETRY.0, pause: 2 * RETRY.0 };
        Delivery::Down
    }

    fn end_link(&mut self) {
        self.parcels.retain(|(_, parcel)| !parcel.is_for_core());
    }

    fn send(&mut self, at: u64, what: Delivery) {
        let place = self.parcels.partition_point(|(other, _)| *other > at);
        self.parcels.insert(place, (at, what));
    }

    fn is_lost(&mut self) -> bool {
        self.loss > 0.0 && self.chance.unit() < self.loss
    }

    /// When a message on `topic` that would arrive at `soonest` does.
    fn arrival(&mut self, soonest: u64, topic: &str) -> u64 {
        if self.lateness == 0 && self.last_of_topic.is_empty() {
            return soonest;
        }
        let late = (self.lateness as f64 * self.chance.unit()) as u64;
        let before = self.last_of_topic.get(topic).copied().unwrap_or(0);
        let at = (soonest + late).max(before);
        self.last_of_topic.retain(|_, last| *last > soonest);
        if at > soonest {
            self.last_of_topic.insert(topic.to_owned(), at);
        }
        at
    }

    /// A device speaks. What comes back arrives at once; what is late is popped when it is due.
    pub(super) fn said(&mut self, now: u64, message: Message) -> Option<Message> {
        if !self.running || self.is_lost() {
            return None;
        }
        if message.retained() {
            self.keep(message.topic(), message.payload().as_bytes());
        }
        if self.link != Link::Up {
            return None;
        }
        let at = self.arrival(now, message.topic());
        if at <= now {
            return Some(message);
        }
        self.send(at, Delivery::Said(message));
        None
    }

    /// The daemon sends a command.
    pub(super) fn command(&mut self, now: u64, topic: String, payload: Vec<u8>, output: OutputRef, ticket: u64) {
        match &mut self.link {
            Link::Up => {}
            Link::Dead { noticed } => {
                *noticed = (*noticed).min(now + ACK_MISSED);
                return;
            }
            Link::Absent | Link::Trying { .. } => return,
        }
        self.send(now + ACK_TAKES, Delivery::Acknowledged { output, ticket });
        if !self.is_lost() {
            let at = self.arrival(now + COMMAND_TAKES, &topic);
            self.send(at, Delivery::Command { topic, payload });
        }
    }

    /// The daemon deletes what is kept on a command topic; whether that arrived.
    pub(super) fn clear(&mut self, topic: &str) -> bool {
        let arrives = self.link == Link::Up;
        if arrives {
            self.kept.remove(topic);
        }
        arrives
    }

    /// Another program publishes a command and asks the broker to keep it. The daemon listens with the flag kept as
    /// published.
    pub(super) fn publish_kept(&mut self, now: u64, topic: &str, payload: &[u8]) {
        if !self.running {
            return;
        }
        self.keep(topic, payload);
        self.send(now + COMMAND_TAKES, Delivery::Command { topic: topic.to_owned(), payload: payload.to_vec() });
        if self.link == Link::Up {
            let (topic, payload) = (topic.to_owned(), payload.to_vec());
            self.send(now + COMMAND_TAKES, Delivery::Other { topic, payload, retained: true });
        }
    }

    fn keep(&mut self, topic: &str, payload: &[u8]) {
        if payload.is_empty() {
            self.kept.remove(topic);
        } else {
            self.kept.insert(topic.to_owned(), payload.to_vec());
        }
    }

    /// What is kept on a topic.
    pub(super) fn kept(&self, topic: &str) -> Option<&[u8]> {
        self.kept.get(topic).map(Vec::as_slice)
    }

    /// Topics below `prefix` on which something is kept.
    pub(super) fn kept_below(&self, prefix: &str) -> Vec<&str> {
        let from = self.kept.range::<str, _>((Bound::Included(prefix), Bound::Unbounded));
        from.map(|(topic, _)| topic.as_str()).take_while(|topic| topic.starts_with(prefix)).collect()
    }

    /// Whether the daemon's connection works.
    pub(super) fn is_connected(&self) -> bool {
        self.link == Link::Up
    }

    /// The daemon starts, and tries to connect.
    pub(super) fn daemon_starts(&mut self, now: u64) {
        self.link = Link::Trying { next: now + RETRY.0, pause: 2 * RETRY.0 };
    }

    /// The daemon is gone; commands it has sent still arrive.
    pub(super) fn daemon_ends(&mut self) {
        self.end_link();
        self.last_will();
        self.documents.clear();
        self.link = Link::Absent;
    }

    /// The connection is dead from now on and looks alive.
    pub(super) fn goes_dead(&mut self, now: u64) {
        if self.link == Link::Up {
            self.parcels.retain(|(_, parcel)| !parcel.is_for_core());
            let (least, most) = SILENCE_NOTICED;
            let noticed = now + least + ((most - least) as f64 * self.chance.unit()) as u64;
            self.link = Link::Dead { noticed };
        }
    }

    /// The broker ends: `told` where its connections close, so that the daemon notices at once.
    pub(super) fn ends(&mut self, now: u64, told: bool) {
        self.goes_dead(now);
        if let (Link::Dead { noticed }, true) = (&mut self.link, told) {
            *noticed = now;
        }
        self.running = false;
        self.parcels.retain(|(_, parcel)| parcel.is_for_core());
    }

    /// The broker runs again. Devices connect at once and hear what is kept on their topics.
    pub(super) fn starts(&mut self, now: u64, commanded: impl Iterator<Item = String>) {
        self.running = true;
        for topic in commanded {
            if let Some(payload) = self.kept.get(&topic).cloned() {
                self.send(now + COMMAND_TAKES, Delivery::Command { topic, payload });
            }
        }
    }

    /// The broker forgets everything it keeps.
    pub(super) fn forgets(&mut self) {
        self.kept.clear();
    }

    /// Whether what a device says now reaches the core at once, and nothing is drawn for it.
    pub(super) fn is_calm(&self) -> bool {
        let punctual = self.loss == 0.0 && self.lateness == 0 && self.last_of_topic.is_empty();
        self.running && self.link == Link::Up && punctual
    }

    /// Whether nothing is on its way but commands of the daemon's and that they have arrived.
    pub(super) fn carries_commands_alone(&self) -> bool {
        let is_command = |parcel: &Delivery| matches!(parcel, Delivery::Command { .. } | Delivery::Acknowledged { .. });
        self.parcels.iter().all(|(_, parcel)| is_command(parcel))
    }

    /// Whether the broker runs.
    pub(super) fn is_running(&self) -> bool {
        self.running
    }
}
