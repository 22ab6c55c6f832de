//! One connection, from the greeting to its end. No waiting and no clock: the link tells what it heard and the time.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Instant;

use super::client::{Client, Heard};
use super::dial::{OFFLINE, ONLINE};
use super::inbox::{Inbound, Waiting};
use super::outbox::{Item, Lane, Outbox};
use super::{PACKET_BYTES_MAX, Patience};
use crate::control::OutputRef;
use crate::message::{Subscription, Watch, topics};

/// Commands handed to the library and not acknowledged, at most: enough to keep a connection busy, few enough that an
/// OFF waits behind little.
const COMMANDS_OUT_MAX: usize = 32;

/// The same for documents. Together they stay below [`IN_FLIGHT_MAX`](super::dial::IN_FLIGHT_MAX).
const DOCUMENTS_OUT_MAX: usize = 8;

/// Subscriptions under way, at most.
const ASKS_OUT_MAX: usize = 8;

/// Filters in one subscription, at most …
const FILTERS_MAX: usize = 64;

/// … and their bytes together, well below any packet limit.
const FILTER_BYTES_MAX: usize = 16 * 1024;

/// What a packet needs beside topic and payload, in bytes; generous.
const PACKET_OVERHEAD_BYTES: usize = 32;

/// Why a connection ended.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum End {
    /// Something went wrong: the sentence says what.
    Lost(String),
    /// We wanted it.
    Stopped,
}

/// What outlives a connection.
#[derive(Debug)]
pub(super) struct Memory {
    pub(super) announce: bool,
    pub(super) patience: Patience,
    pub(super) subscriptions: Vec<Subscription>,
    pub(super) inbox: Waiting,
    pub(super) outbox: Outbox,
    pub(super) pulse: PulseTrust,
    /// When stopping must be over; none while nobody wants to stop.
    pub(super) stop_by: Option<Instant>,
}

/// Whether our heartbeat through the broker can be relied on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PulseTrust {
    /// None has come back yet: perhaps the broker does not allow it.
    Unproven,
    /// It has come back before: if it does not, something is broken.
    Proven,
    /// The broker does not allow it.
    Off,
}

/// How far a connection has come.
#[derive(Debug, PartialEq, Eq)]
enum Phase {
    Dialling,
    Subscribing { since: Instant },
    Up { since: Instant },
}

/// How far the farewell has come.
#[derive(Debug, PartialEq, Eq)]
enum Farewell {
    NotYet,
    Said,
    Parting,
}

/// One thing to ask the broker.
#[derive(Debug)]
enum Ask {
    Subscribe(Vec<Subscription>),
    Unsubscribe(String),
}

/// A message that was handed to the library.
#[derive(Debug)]
struct Handed {
    topic: Arc<str>,
    is_command: bool,
    ticket: Option<(OutputRef, u64)>,
    at: Instant,
}

/// One connection.
#[derive(Debug)]
pub(super) struct Session {
    client: Client,
    phase: Phase,
    farewell: Farewell,
    /// Not asked yet.
    asks: VecDeque<Ask>,
    /// Handed over; the library names their identifiers in this order.
    asked: VecDeque<Vec<String>>,
    unanswered: BTreeMap<u16, Vec<String>>,
    /// Handed over; the library names their identifiers in this order.
    handed: VecDeque<Handed>,
    unacked: BTreeMap<u16, Handed>,
    commands_out: usize,
    documents_out: usize,
    documents_out_max: usize,
    packet_bytes_max: usize,
    /// What the topics of our alarms begin with.
    alarms: String,
    /// Where we say that we are online.
    status: String,
    pulse_topic: String,
    /// Tells our beats from those of another connection on the same topic.
    nonce: u64,
    pulses: u64,
    pulse_due: Instant,
    pulse_seen: Instant,
}

impl Session {
    /// A connection that is being made. `nonce` should differ from that of every other one.
    pub(super) fn new(client: Client, site: &str, nonce: u64, now: Instant) -> Session {
        Session {
            client,
            phase: Phase::Dialling,
            farewell: Farewell::NotYet,
            asks: VecDeque::new(),
            asked: VecDeque::new(),
            unanswered: BTreeMap::new(),
            handed: VecDeque::new(),
            unacked: BTreeMap::new(),
            commands_out: 0,
            documents_out: 0,
            documents_out_max: DOCUMENTS_OUT_MAX,
            packet_bytes_max: PACKET_BYTES_MAX as usize,
            alarms: topics::alarms(site),
            status: topics::status(site),
            pulse_topic: topics::pulse(site),
            nonce,
            pulses: 0,
            pulse_due: now,
            pulse_seen: now,
        }
    }

    /// Since when it is up.
    pub(super) fn up_since(&self) -> Option<Instant> {
        match self.phase {
            Phase::Up { since } => Some(since),
            _ => None,
        }
    }

    /// Takes in what the library reports.
    pub(super) fn hear(&mut self, memory: &mut Memory, heard: Heard, now: Instant) -> Option<End> {
        match heard {
            Heard::Greeted { packet_bytes_max, receive_maximum } => {
                self.greeted(memory, packet_bytes_max, receive_maximum, now);
            }
            Heard::Message { topic, payload, retained } => self.message(memory, topic, payload, retained, now),
            Heard::Written(id) => match self.handed.pop_front() {
                Some(handed) => drop(self.unacked.insert(id, handed)),
                None => return out_of_step(),
            },
            Heard::Acked { id, refusal } => match self.unacked.remove(&id) {
                Some(handed) => self.acked(memory, handed, refusal),
                None => return out_of_step(),
            },
            Heard::Asked(id) => match self.asked.pop_front() {
                Some(filters) => drop(self.unanswered.insert(id, filters)),
                None => return out_of_step(),
            },
            Heard::Answered { id, refusals } => self.answered(memory, id, refusals, now),
            Heard::Collided => return Some(End::Lost("a packet identifier was still in use".to_owned())),
            Heard::Parted => return Some(End::Stopped),
            Heard::Nothing => return None,
        }
        self.pump(memory, now);
        None
    }

    /// Looks after what must come in time.
    pub(super) fn watch(&mut self, memory: &mut Memory, now: Instant) -> Option<End> {
        let patience = memory.patience;
        if let Some(by) = memory.stop_by
            && (now >= by || !matches!(self.phase, Phase::Up { .. }))
        {
            return Some(End::Stopped);
        }
        match self.phase {
            Phase::Dialling => return None,
            Phase::Subscribing { since } => {
                if now.duration_since(since) > patience.subscribe {
                    return Some(End::Lost("the broker does not acknowledge subscriptions".to_owned()));
                }
            }
            Phase::Up { since } => {
                let oldest = self.handed.iter().chain(self.unacked.values()).map(|handed| handed.at).min();
                if oldest.is_some_and(|at| now.duration_since(at) > patience.ack) {
                    return Some(End::Lost("the broker acknowledges no messages".to_owned()));
                }
                if let Some(end) = self.beat(memory, since, now) {
                    return Some(end);
                }
            }
        }
        self.pump(memory, now);
        None
    }

    /// Changes what is listened to.
    pub(super) fn resubscribe(&mut self, old: &[Subscription], new: &[Subscription]) {
        if self.phase == Phase::Dialling {
            return;
        }
        let dropped = old.iter().filter(|old| !new.iter().any(|new| new.filter == old.filter));
        self.asks.extend(dropped.map(|old| Ask::Unsubscribe(old.filter.clone())));
        let added: Vec<_> = new.iter().filter(|new| !old.contains(new)).cloned().collect();
        self.asks.extend(chunks(added));
        self.ask();
    }

    /// Hands as much to the library as may be out at a time, most urgent first.
    pub(super) fn pump(&mut self, memory: &mut Memory, now: Instant) {
        self.ask();
        if self.up_since().is_none() || self.farewell != Farewell::NotYet {
            return self.part(memory, now);
        }
        while let Some(item) = memory.outbox.first() {
            let room = match item.lane.is_command() {
                true => self.commands_out < COMMANDS_OUT_MAX,
                false => self.documents_out < self.documents_out_max,
            };
            if !room {
                break;
            }
            let bytes = item.topic.len() + item.payload.len() + PACKET_OVERHEAD_BYTES;
            if bytes > self.packet_bytes_max {
                let note = format!("{}: {bytes} bytes are more than the broker takes", item.topic);
                memory.outbox.take_first();
                memory.inbox.push(Inbound::Note(note));
                continue;
            }
            if self.client.publish(item).is_err() {
                break;
            }
            if let Some(item) = memory.outbox.take_first() {
                self.handed_over(item, now);
            }
        }
        self.part(memory, now);
    }

    /// Notes a message as handed to the library.
    fn handed_over(&mut self, item: Item, now: Instant) {
        let is_command = item.lane.is_command();
        *self.out(is_command) += 1;
        self.handed.push_back(Handed { topic: item.topic, is_command, ticket: item.ticket, at: now });
    }

    /// How many are out.
    fn out(&mut self, commands: bool) -> &mut usize {
        if commands { &mut self.commands_out } else { &mut self.documents_out }
    }

    /// The connection is accepted: everything is subscribed to.
    fn greeted(&mut self, memory: &Memory, bytes_max: Option<u32>, receive_maximum: Option<u16>, now: Instant) {
        if let Some(bytes) = bytes_max {
            self.packet_bytes_max = self.packet_bytes_max.min(bytes as usize);
        }
        if let Some(most) = receive_maximum {
            self.documents_out_max = DOCUMENTS_OUT_MAX.min(usize::from(most) / 2).max(1);
        }
        self.phase = Phase::Subscribing { since: now };
        let mut subscriptions = memory.subscriptions.clone();
        if memory.pulse != PulseTrust::Off {
            subscriptions.push(Subscription { filter: self.pulse_topic.clone(), watch: Watch::Reports });
        }
        if memory.announce {
            let filter = format!("{}#", self.alarms);
            subscriptions.push(Subscription { filter, watch: Watch::Commands });
            subscriptions.push(Subscription { filter: self.status.clone(), watch: Watch::Reports });
        }
        self.asks.extend(chunks(subscriptions));
    }

    /// Hands subscriptions to the library, few at a time.
    fn ask(&mut self) {
        while self.asked.len() + self.unanswered.len() < ASKS_OUT_MAX
            && let Some(ask) = self.asks.front()
        {
            let (handed, filters) = match ask {
                Ask::Subscribe(subscriptions) => (
                    self.client.subscribe(subscriptions),
                    subscriptions.iter().map(|subscription| subscription.filter.clone()).collect(),
                ),
                Ask::Unsubscribe(filter) => (self.client.unsubscribe(filter), Vec::new()),
            };
            if handed.is_err() {
                break;
            }
            self.asked.push_back(filters);
            self.asks.pop_front();
        }
    }

    /// A subscription was answered; after the last one the connection is up.
    fn answered(&mut self, memory: &mut Memory, id: u16, refusals: Vec<Option<String>>, now: Instant) {
        let filters = self.unanswered.remove(&id).unwrap_or_default();
        for (filter, refusal) in filters.into_iter().zip(refusals) {
            let Some(why) = refusal else { continue };
            if filter == self.pulse_topic {
                memory.pulse = PulseTrust::Off;
            }
            memory.inbox.push(Inbound::Note(format!("the broker refuses to let us listen to {filter}: {why}")));
        }
        let all = self.asks.is_empty() && self.asked.is_empty() && self.unanswered.is_empty();
        if all && matches!(self.phase, Phase::Subscribing { .. }) {
            self.phase = Phase::Up { since: now };
            self.pulse_seen = now;
            if memory.announce {
                memory.outbox.document(self.status.clone(), ONLINE.into(), Lane::Alarm, true);
            }
            memory.outbox.assert_documents();
            memory.inbox.push(Inbound::Up);
        }
    }

    /// A message came in.
    fn message(&mut self, memory: &mut Memory, topic: String, payload: Vec<u8>, retained: bool, now: Instant) {
        if topic == self.pulse_topic {
            // Another connection of the same site may beat on this topic too, so only our own count.
            let own = (self.pulses.saturating_sub(8)..self.pulses).any(|n| payload == self.pulse_payload(n).as_bytes());
            if own {
                self.pulse_seen = now;
                memory.pulse = PulseTrust::Proven;
            }
        } else if memory.announce && topic == self.status {
            // The last will of an earlier connection of ours, come late.
            if !retained && payload == OFFLINE.as_bytes() && self.up_since().is_some() && memory.stop_by.is_none() {
                memory.outbox.document(topic, ONLINE.into(), Lane::Alarm, true);
            }
        } else if memory.announce && topic.starts_with(&self.alarms) {
            // An alarm of an earlier run that does not stand any more.
            if retained && !payload.is_empty() && !memory.outbox.stands(&topic) {
                memory.outbox.delete(topic);
            }
        } else {
            memory.inbox.push(Inbound::Message { topic, payload, retained });
        }
    }

    /// A message was acknowledged or refused.
    fn acked(&mut self, memory: &mut Memory, handed: Handed, refusal: Option<String>) {
        *self.out(handed.is_command) -= 1;
        match (refusal, handed.ticket) {
            (None, Some((output, ticket))) => memory.inbox.push(Inbound::Delivered { output, ticket }),
            (None, None) => {}
            // Nobody needs to listen to a document.
            (Some(_), None) if !handed.is_command => {}
            (Some(why), _) => {
                memory.inbox.push(Inbound::Note(format!("the broker did not pass on {}: {why}", handed.topic)));
            }
        }
    }

    /// Beats, and looks whether the beats come back.
    fn beat(&mut self, memory: &mut Memory, up_since: Instant, now: Instant) -> Option<End> {
        if memory.pulse == PulseTrust::Off {
            return None;
        }
        let patience = memory.patience;
        if now.duration_since(self.pulse_seen) > patience.pulse {
            if memory.pulse == PulseTrust::Proven {
                return Some(End::Lost("our own heartbeat does not come back from the broker".to_owned()));
            }
            memory.pulse = PulseTrust::Off;
            let note = format!("no heartbeat comes back on {}: its access rules may forbid it", self.pulse_topic);
            memory.inbox.push(Inbound::Note(note));
            return None;
        }
        if now >= self.pulse_due.max(up_since)
            && self.client.pulse(&self.pulse_topic, &self.pulse_payload(self.pulses)).is_ok()
        {
            self.pulses += 1;
            self.pulse_due = now + patience.pulse_every;
        }
        None
    }

    /// What the `n`th beat says: this connection and a number.
    fn pulse_payload(&self, n: u64) -> String {
        format!("{:x}-{n}", self.nonce)
    }

    /// Once stopping is wanted and nothing waits: says `offline`, and after its acknowledgement parts.
    fn part(&mut self, memory: &Memory, now: Instant) {
        let idle = memory.outbox.first().is_none() && self.handed.is_empty() && self.unacked.is_empty();
        if memory.stop_by.is_none() || self.up_since().is_none() || !idle {
            return;
        }
        if self.farewell == Farewell::NotYet && memory.announce {
            let offline = Item {
                topic: self.status.as_str().into(),
                payload: OFFLINE.as_bytes().into(),
                lane: Lane::Alarm,
                ticket: None,
            };
            if self.client.publish(&offline).is_ok() {
                self.handed_over(offline, now);
                self.farewell = Farewell::Said;
            }
        } else if self.farewell != Farewell::Parting && self.client.part().is_ok() {
            self.farewell = Farewell::Parting;
        }
    }
}

/// The library told of a packet that we did not hand over.
fn out_of_step() -> Option<End> {
    Some(End::Lost("out of step with the client library".to_owned()))
}

/// Subscriptions in packets of limited size.
fn chunks(subscriptions: Vec<Subscription>) -> Vec<Ask> {
    let mut asks = Vec::new();
    let mut chunk: Vec<Subscription> = Vec::new();
    let mut bytes = 0;
    for subscription in subscriptions {
        let more = subscription.filter.len() + 3;
        if !chunk.is_empty() && (chunk.len() >= FILTERS_MAX || bytes + more > FILTER_BYTES_MAX) {
            asks.push(Ask::Subscribe(std::mem::take(&mut chunk)));
            bytes = 0;
        }
        bytes += more;
        chunk.push(subscription);
    }
    if !chunk.is_empty() {
        asks.push(Ask::Subscribe(chunk));
    }
    asks
}
