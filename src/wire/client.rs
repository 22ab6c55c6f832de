//! The client library behind one small face, for both protocol versions.

use std::time::Duration;

use rumqttc::v5;
use rumqttc::v5::mqttbytes::v5 as packets5;

use super::outbox::Item;
use crate::message::{Subscription, Watch};

/// What the library reports, as far as it matters.
#[derive(Debug)]
pub(super) enum Heard {
    /// The broker has accepted the connection, with the limits it names.
    Greeted {
        /// Largest packet it takes, in bytes.
        packet_bytes_max: Option<u32>,
        /// How many unacknowledged messages it takes.
        receive_maximum: Option<u16>,
    },
    /// A message.
    Message { topic: String, payload: Vec<u8>, retained: bool },
    /// The next message handed over was written, under this identifier.
    Written(u16),
    /// A message was acknowledged, or refused with this reason.
    Acked { id: u16, refusal: Option<String> },
    /// The next subscription or its end was written, under this identifier.
    Asked(u16),
    /// A subscription was answered: for each filter none, or why it was refused.
    Answered { id: u16, refusals: Vec<Option<String>> },
    /// A packet identifier was taken while its last message had no acknowledgement: from here on the library would be
    /// wedged.
    Collided,
    /// Our farewell was written.
    Parted,
    /// Nothing that matters.
    Nothing,
}

/// The sending half. Nothing here waits; an error means that the library's queue is full, so try again later.
#[derive(Debug)]
pub(super) enum Client {
    V311(rumqttc::AsyncClient),
    V5(v5::AsyncClient),
}

/// The library's queue is full or gone.
#[derive(Debug)]
pub(super) struct Full;

impl Client {
    /// Hands over a message at QoS 1.
    pub(super) fn publish(&self, item: &Item) -> Result<(), Full> {
        let (topic, payload, retain) = (&*item.topic, item.payload.to_vec(), item.retain());
        match self {
            Client::V311(client) => {
                client.try_publish(topic, rumqttc::QoS::AtLeastOnce, retain, payload).map_err(|_| Full)
            }
            Client::V5(client) => {
                client.try_publish(topic, v5::mqttbytes::QoS::AtLeastOnce, retain, payload).map_err(|_| Full)
            }
        }
    }

    /// Hands over a heartbeat: QoS 0, not retained.
    pub(super) fn pulse(&self, topic: &str, payload: &str) -> Result<(), Full> {
        match self {
            Client::V311(client) => {
                client.try_publish(topic, rumqttc::QoS::AtMostOnce, false, payload).map_err(|_| Full)
            }
            Client::V5(client) => {
                let payload = payload.to_owned();
                client.try_publish(topic, v5::mqttbytes::QoS::AtMostOnce, false, payload).map_err(|_| Full)
            }
        }
    }

    /// Hands over a subscription at QoS 1. Where commands are watched, MQTT 5 keeps our own from coming back and leaves
    /// the sender's retained flag as it was; MQTT 3.1.1 can do neither.
    pub(super) fn subscribe(&self, subscriptions: &[Subscription]) -> Result<(), Full> {
        match self {
            Client::V311(client) => {
                let filter =
                    |s: &Subscription| rumqttc::SubscribeFilter::new(s.filter.clone(), rumqttc::QoS::AtLeastOnce);
                client.try_subscribe_many(subscriptions.iter().map(filter)).map_err(|_| Full)
            }
            Client::V5(client) => {
                let filter = |s: &Subscription| packets5::Filter {
                    nolocal: s.watch == Watch::Commands,
                    preserve_retain: s.watch == Watch::Commands,
                    ..packets5::Filter::new(s.filter.clone(), v5::mqttbytes::QoS::AtLeastOnce)
                };
                client.try_subscribe_many(subscriptions.iter().map(filter)).map_err(|_| Full)
            }
        }
    }

    /// Hands over the end of a subscription.
    pub(super) fn unsubscribe(&self, filter: &str) -> Result<(), Full> {
        match self {
            Client::V311(client) => client.try_unsubscribe(filter).map_err(|_| Full),
            Client::V5(client) => client.try_unsubscribe(filter).map_err(|_| Full),
        }
    }

    /// Hands over a farewell, after which the broker keeps the last will to itself.
    pub(super) fn part(&self) -> Result<(), Full> {
        match self {
            Client::V311(client) => client.try_disconnect().map_err(|_| Full),
            Client::V5(client) => client.try_disconnect().map_err(|_| Full),
        }
    }
}

/// The polling half.
pub(super) enum Connection {
    V311(Box<rumqttc::EventLoop>),
    V5 { eventloop: Box<v5::EventLoop>, greeted: bool },
}

impl Connection {
    /// Waits for the next thing to report. After an error the connection is of no more use.
    pub(super) async fn poll(&mut self) -> Result<Heard, String> {
        match self {
            Connection::V311(eventloop) => match eventloop.poll().await {
                Ok(event) => Ok(heard_v311(event)),
                Err(error) => Err(describe_v311(&error)),
            },
            Connection::V5 { eventloop, greeted } => match eventloop.poll().await {
                Ok(event) => {
                    let heard = heard_v5(event);
                    if matches!(heard, Heard::Greeted { .. }) {
                        *greeted = true;
                        heed_server_keep_alive(eventloop);
                    }
                    Ok(heard)
                }
                Err(error) => Err(describe_v5(&error, *greeted)),
            },
        }
    }
}

/// A broker that asks for a keep-alive of zero wants none; the library would ping without a pause and give up at once.
fn heed_server_keep_alive(eventloop: &mut v5::EventLoop) {
    if eventloop.options.keep_alive().is_zero() {
        eventloop.options.set_keep_alive(Duration::from_secs(30));
    }
}

fn heard_v311(event: rumqttc::Event) -> Heard {
    use rumqttc::{Event, Packet, SubscribeReasonCode};
    match event {
        Event::Incoming(Packet::ConnAck(_)) => Heard::Greeted { packet_bytes_max: None, receive_maximum: None },
        Event::Incoming(Packet::Publish(publish)) => {
            Heard::Message { topic: publish.topic, payload: publish.payload.into(), retained: publish.retain }
        }
        Event::Incoming(Packet::PubAck(ack)) => Heard::Acked { id: ack.pkid, refusal: None },
        Event::Incoming(Packet::SubAck(ack)) => {
            let refusal = |code: &SubscribeReasonCode| match code {
                SubscribeReasonCode::Success(_) => None,
                SubscribeReasonCode::Failure => Some("no reason given".to_owned()),
            };
            Heard::Answered { id: ack.pkid, refusals: ack.return_codes.iter().map(refusal).collect() }
        }
        Event::Incoming(Packet::UnsubAck(ack)) => Heard::Answered { id: ack.pkid, refusals: Vec::new() },
        Event::Outgoing(outgoing) => heard_outgoing(&outgoing),
        Event::Incoming(_) => Heard::Nothing,
    }
}

fn heard_v5(event: v5::Event) -> Heard {
    use packets5::{Packet, PubAckReason, SubscribeReasonCode};
    match event {
        v5::Event::Incoming(Packet::ConnAck(ack)) => {
            let limits = ack.properties.map(|p| (p.max_packet_size, p.receive_max)).unwrap_or_default();
            Heard::Greeted { packet_bytes_max: limits.0, receive_maximum: limits.1 }
        }
        v5::Event::Incoming(Packet::Publish(publish)) => match String::from_utf8(publish.topic.into()) {
            Ok(topic) => Heard::Message { topic, payload: publish.payload.into(), retained: publish.retain },
            Err(_) => Heard::Nothing,
        },
        v5::Event::Incoming(Packet::PubAck(ack)) => {
            let refusal = match ack.reason {
                PubAckReason::Success => None,
                PubAckReason::NoMatchingSubscribers => Some("nobody listens".to_owned()),
                reason => Some(format!("{reason:?}")),
            };
            Heard::Acked { id: ack.pkid, refusal }
        }
        v5::Event::Incoming(Packet::SubAck(ack)) => {
            let refusal = |code: &SubscribeReasonCode| match code {
                SubscribeReasonCode::Success(_) => None,
                code => Some(format!("{code:?}")),
            };
            Heard::Answered { id: ack.pkid, refusals: ack.return_codes.iter().map(refusal).collect() }
        }
        v5::Event::Incoming(Packet::UnsubAck(ack)) => Heard::Answered { id: ack.pkid, refusals: Vec::new() },
        v5::Event::Outgoing(outgoing) => heard_outgoing(&outgoing),
        v5::Event::Incoming(_) => Heard::Nothing,
    }
}

/// Identifier 0 is a message at QoS 0, which nobody waits for.
fn heard_outgoing(outgoing: &rumqttc::Outgoing) -> Heard {
    match *outgoing {
        rumqttc::Outgoing::Publish(id) if id != 0 => Heard::Written(id),
        rumqttc::Outgoing::Subscribe(id) | rumqttc::Outgoing::Unsubscribe(id) => Heard::Asked(id),
        rumqttc::Outgoing::AwaitAck(_) => Heard::Collided,
        rumqttc::Outgoing::Disconnect => Heard::Parted,
        _ => Heard::Nothing,
    }
}

const NO_MQTT_5: &str = "this broker does not speak MQTT 5: set protocol = \"3.1.1\" under [broker]";
const BAD_LOGIN: &str = "the broker refuses this user and password";
const BAD_CLIENT_ID: &str = "the broker refuses this client id";

fn describe_v311(error: &rumqttc::ConnectionError) -> String {
    use rumqttc::{ConnectReturnCode, ConnectionError, StateError};
    match error {
        ConnectionError::ConnectionRefused(code) => match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => BAD_LOGIN.to_owned(),
            ConnectReturnCode::BadClientId => BAD_CLIENT_ID.to_owned(),
            code => format!("the broker refuses the connection: {code:?}"),
        },
        ConnectionError::NetworkTimeout => "the broker did not answer in time".to_owned(),
        ConnectionError::MqttState(StateError::AwaitPingResp) => "the broker answers no keep-alive".to_owned(),
        ConnectionError::MqttState(StateError::ConnectionAborted) => "the broker closed the connection".to_owned(),
        error => error.to_string(),
    }
}

/// Before the greeting a broker of another age closes the connection, or stays silent after an answer that the library
/// cannot read; it cannot be told from other brokers that do so, so the sentence says "if".
fn describe_v5(error: &v5::ConnectionError, greeted: bool) -> String {
    use packets5::{ConnectReturnCode, DisconnectReasonCode};
    use v5::{ConnectionError, StateError};
    let broken = match error {
        ConnectionError::ConnectionRefused(code) => {
            return match code {
                ConnectReturnCode::UnsupportedProtocolVersion | ConnectReturnCode::RefusedProtocolVersion => {
                    NO_MQTT_5.to_owned()
                }
                ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => BAD_LOGIN.to_owned(),
                ConnectReturnCode::BadClientId | ConnectReturnCode::ClientIdentifierNotValid => {
                    BAD_CLIENT_ID.to_owned()
                }
                code => format!("the broker refuses the connection: {code:?}"),
            };
        }
        ConnectionError::Timeout(_) => "the broker did not answer in time",
        ConnectionError::MqttState(StateError::ConnectionAborted) => "the broker closed the connection",
        ConnectionError::MqttState(StateError::AwaitPingResp) => return "the broker answers no keep-alive".to_owned(),
        ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        }) => return "another client with the same client id has connected".to_owned(),
        ConnectionError::MqttState(StateError::Deserialization(_)) if !greeted => "the broker's answer is not MQTT 5",
        error => return error.to_string(),
    };
    match greeted {
        true => broken.to_owned(),
        false => {
            format!(
                "{broken} before the greeting; if it does not speak MQTT 5, set protocol = \"3.1.1\" under [broker]"
            )
        }
    }
}
