//! A broker that does what a test says, packet by packet, written from the OASIS texts of MQTT 3.1.1 and 5.0.

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// Where clients arrive.
pub struct Script {
    listener: TcpListener,
    pub port: u16,
}

/// One client.
pub struct Peer {
    stream: TcpStream,
    v5: bool,
    /// Whether heartbeats come back without the test seeing them.
    pub hide_pulses: bool,
}

/// A packet from the client, as far as the tests look at it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Packet {
    Connect { level: u8, clean: bool },
    Publish { topic: String, payload: String, qos: u8, retain: bool, id: u16 },
    PubAck { id: u16 },
    Subscribe { id: u16, filters: Vec<(String, u8)> },
    Unsubscribe { id: u16, filters: Vec<String> },
    Ping,
    Disconnect,
    Other(u8),
}

impl Packet {
    /// Whether it is a message on `topic`.
    pub fn is_for(&self, topic: &str) -> bool {
        matches!(self, Packet::Publish { topic: to, .. } if to == topic)
    }
}

impl Script {
    pub async fn start() -> Script {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        Script { listener, port }
    }

    /// The next client.
    pub async fn accept(&self) -> Peer {
        let (stream, _) = super::soon(self.listener.accept()).await.unwrap();
        stream.set_nodelay(true).unwrap();
        Peer { stream, v5: false, hide_pulses: true }
    }

    /// The next client, answered until it has subscribed to everything.
    pub async fn accept_subscribed(&self) -> Peer {
        let mut peer = self.accept().await;
        loop {
            let packet = peer.next().await;
            peer.answer(&packet).await;
            if matches!(packet, Packet::Subscribe { .. }) {
                return peer;
            }
        }
    }
}

impl Peer {
    /// The next packet; the end of the connection fails the test.
    pub async fn next(&mut self) -> Packet {
        loop {
            let packet = super::soon(self.read()).await.expect("the client closed the connection");
            match &packet {
                Packet::Publish { topic, qos: 0, .. } if self.hide_pulses && topic.ends_with("/pulse") => {
                    self.answer(&packet).await;
                }
                _ => return packet,
            }
        }
    }

    /// The next packet; none at the end of the connection.
    pub async fn read(&mut self) -> Option<Packet> {
        let first = self.stream.read_u8().await.ok()?;
        let mut length = 0_usize;
        for shift in [0, 7, 14, 21] {
            let byte = self.stream.read_u8().await.ok()?;
            length |= usize::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).await.ok()?;
        Some(self.parse(first, &body))
    }

    /// Answers like a broker that is well: everything is accepted, and heartbeats come back.
    pub async fn answer(&mut self, packet: &Packet) {
        match packet {
            Packet::Connect { .. } if self.v5 => self.send(&[0x20, 3, 0, 0, 0]).await,
            Packet::Connect { .. } => self.send(&[0x20, 2, 0, 0]).await,
            Packet::Subscribe { id, filters } => self.suback(*id, &vec![1; filters.len()]).await,
            Packet::Unsubscribe { id, filters } if self.v5 => {
                let codes = vec![0; filters.len()];
                self.acked(0xb0, *id, &[&[0], codes.as_slice()].concat()).await;
            }
            Packet::Unsubscribe { id, .. } => self.acked(0xb0, *id, &[]).await,
            Packet::Publish { topic, payload, qos: 0, .. } if topic.ends_with("/pulse") => {
                self.publish(topic, payload.as_bytes(), false).await;
            }
            Packet::Publish { qos: 1, id, .. } => self.puback(*id).await,
            Packet::Ping => self.send(&[0xd0, 0]).await,
            _ => {}
        }
    }

    /// Answers everything until a packet that `wanted` accepts, which is not answered.
    pub async fn answer_until(&mut self, wanted: impl Fn(&Packet) -> bool) -> Packet {
        loop {
            let packet = self.next().await;
            if wanted(&packet) {
                return packet;
            }
            self.answer(&packet).await;
        }
    }

    /// Answers everything until the connection ends.
    pub async fn answer_all(&mut self) {
        while let Some(packet) = self.read().await {
            self.answer(&packet).await;
        }
    }

    /// Sends bytes.
    pub async fn send(&mut self, bytes: &[u8]) {
        // The client may have gone meanwhile; the next read tells.
        let _ = self.stream.write_all(bytes).await;
    }

    /// Acknowledges a message.
    pub async fn puback(&mut self, id: u16) {
        self.acked(0x40, id, &[]).await;
    }

    /// Acknowledges a message with a reason (MQTT 5).
    pub async fn puback_with(&mut self, id: u16, reason: u8) {
        self.acked(0x40, id, &[reason]).await;
    }

    /// Answers a subscription.
    pub async fn suback(&mut self, id: u16, codes: &[u8]) {
        let properties: &[u8] = if self.v5 { &[0] } else { &[] };
        self.acked(0x90, id, &[properties, codes].concat()).await;
    }

    /// Sends a message at QoS 0.
    pub async fn publish(&mut self, topic: &str, payload: &[u8], retain: bool) {
        let properties: &[u8] = if self.v5 { &[0] } else { &[] };
        let length = topic.len() as u16;
        let body = [&length.to_be_bytes(), topic.as_bytes(), properties, payload].concat();
        self.packet(0x30 | u8::from(retain), &body).await;
    }

    async fn acked(&mut self, kind: u8, id: u16, rest: &[u8]) {
        self.packet(kind, &[&id.to_be_bytes(), rest].concat()).await;
    }

    async fn packet(&mut self, first: u8, body: &[u8]) {
        let mut bytes = vec![first];
        let mut length = body.len();
        loop {
            let more = length >= 128;
            bytes.push((length % 128) as u8 | if more { 0x80 } else { 0 });
            length /= 128;
            if !more {
                break;
            }
        }
        bytes.extend_from_slice(body);
        self.send(&bytes).await;
    }

    fn parse(&mut self, first: u8, body: &[u8]) -> Packet {
        let mut body = Body(body);
        match first >> 4 {
            1 => {
                body.text();
                let level = body.byte();
                self.v5 = level == 5;
                Packet::Connect { level, clean: body.byte() & 2 != 0 }
            }
            3 => {
                let topic = body.text();
                let qos = (first >> 1) & 3;
                let id = if qos > 0 { body.number() } else { 0 };
                self.skip_properties(&mut body);
                let payload = String::from_utf8_lossy(body.0).into_owned();
                Packet::Publish { topic, payload, qos, retain: first & 1 != 0, id }
            }
            4 => Packet::PubAck { id: body.number() },
            8 => {
                let id = body.number();
                self.skip_properties(&mut body);
                let mut filters = Vec::new();
                while !body.0.is_empty() {
                    filters.push((body.text(), body.byte()));
                }
                Packet::Subscribe { id, filters }
            }
            10 => {
                let id = body.number();
                self.skip_properties(&mut body);
                let mut filters = Vec::new();
                while !body.0.is_empty() {
                    filters.push(body.text());
                }
                Packet::Unsubscribe { id, filters }
            }
            12 => Packet::Ping,
            14 => Packet::Disconnect,
            other => Packet::Other(other),
        }
    }

    fn skip_properties(&self, body: &mut Body<'_>) {
        if self.v5 {
            let length = usize::from(body.byte());
            assert!(length < 128, "long properties are not expected here");
            body.0 = &body.0[length..];
        }
    }
}

/// What is left of a packet.
struct Body<'a>(&'a [u8]);

impl Body<'_> {
    fn byte(&mut self) -> u8 {
        let byte = self.0[0];
        self.0 = &self.0[1..];
        byte
    }

    fn number(&mut self) -> u16 {
        u16::from_be_bytes([self.byte(), self.byte()])
    }

    fn text(&mut self) -> String {
        let length = usize::from(self.number());
        let (text, rest) = self.0.split_at(length);
        self.0 = rest;
        String::from_utf8(text.to_vec()).unwrap()
    }
}
