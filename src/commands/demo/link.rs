//! An MQTT client in a thread of its own, for the plant and for the view: messages in by a channel, out by a call.

use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use anyhow::Context;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use tokio::runtime;
use tokio::sync::oneshot;

/// Largest packet, bytes: state documents are a few kilobytes.
const PACKET_MAX: usize = 256 * 1024;
/// Requests that may wait for the connection.
const REQUESTS_MAX: usize = 4096;
/// Wait after an error before the next attempt.
const PAUSE: Duration = Duration::from_millis(200);

/// Something the broker brought.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Incoming {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
}

/// A client of the embedded broker. Dropping it ends it.
pub(super) struct Link {
    /// Its requests.
    client: AsyncClient,
    /// Dropped to stop.
    stop: Option<oneshot::Sender<()>>,
    /// Its thread.
    thread: Option<thread::JoinHandle<()>>,
}

impl Link {
    /// Connects to the broker on `port`, and again whenever the connection ends, subscribed to `filters` each time.
    ///
    /// # Errors
    ///
    /// Where no thread or runtime can be had.
    pub fn open(name: &str, port: u16, filters: Vec<String>) -> anyhow::Result<(Link, mpsc::Receiver<Incoming>)> {
        let mut options = MqttOptions::new(name, "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(5)).set_max_packet_size(PACKET_MAX, PACKET_MAX);
        let (client, mut events) = AsyncClient::new(options, REQUESTS_MAX);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        let (stop, stopped) = oneshot::channel();
        let (sender, receiver) = mpsc::channel();
        let runtime = runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
        let requests = client.clone();
        let thread = thread::Builder::new().name(name.to_owned()).spawn(move || {
            // The task only polls; the runtime ends it with itself.
            runtime.spawn(poll(events, requests, filters, sender));
            let _ = runtime.block_on(stopped);
        });
        let thread = Some(thread.context("no thread for a client")?);
        Ok((Link { client, stop: Some(stop), thread }, receiver))
    }

    /// Publishes at QoS 0. Whether there was room for it.
    pub fn publish(&self, topic: &str, payload: &str, retained: bool) -> bool {
        self.client.try_publish(topic, QoS::AtMostOnce, retained, payload).is_ok()
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic in there has been reported, and there is nobody left to tell.
            let _ = thread.join();
        }
    }
}

/// Polls for ever. Commands are taken at QoS 0: on this broker QoS 1 would cost each relay another 44 ms.
async fn poll(mut events: EventLoop, client: AsyncClient, filters: Vec<String>, sender: mpsc::Sender<Incoming>) {
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                for filter in &filters {
                    // There is room: the queue is larger than any demo's list of topics.
                    let _ = client.try_subscribe(filter, QoS::AtMostOnce);
                }
            }
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                let incoming = Incoming { topic: publish.topic, payload: publish.payload.to_vec() };
                if sender.send(incoming).is_err() {
                    return;
                }
            }
            Ok(_) => {}
            Err(_) => tokio::time::sleep(PAUSE).await,
        }
    }
}
