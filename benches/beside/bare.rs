//! Bare clients that do no work: processes of their own, as the daemon is, since to wake another process costs both the
//! same.

use anyhow::{Context, Result};
use rumqttc::{Event, Packet, QoS};

use super::place::connection;

/// Makes this program the client named by the next argument, on the port after it.
pub const BARE: &str = "--bare";
/// Listens to everything, and publishes OFF for every reading of a basking probe over the limit.
pub const ECHO: &str = "echo";

/// Runs one of them until it is killed.
pub async fn run(which: &str, port: u16) -> Result<()> {
    anyhow::ensure!(which == ECHO, "no bare client {which:?}");
    let (client, mut events) = connection(&format!("bare-{which}-{port}"), port);
    loop {
        match events.poll().await? {
            Event::Incoming(Packet::ConnAck(_)) => {
                for place in ["echo", "flood", "other"] {
                    client.try_subscribe(format!("{place}/+/+"), QoS::AtLeastOnce)?;
                }
            }
            Event::Incoming(Packet::SubAck(_)) => {
                client.try_publish("bare/hello/heat/set", QoS::AtLeastOnce, false, "OFF")?;
            }
            Event::Incoming(Packet::Publish(reading)) if reading.payload.starts_with(b"41") => {
                let place = reading.topic.strip_suffix("/basking").context("only basking probes are so warm")?;
                client.try_publish(format!("{place}/heat/set"), QoS::AtLeastOnce, false, "OFF")?;
            }
            _ => {}
        }
    }
}
