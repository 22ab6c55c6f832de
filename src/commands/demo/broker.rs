//! An MQTT broker in this process, on loopback, that can be stopped.
//!
//! `rumqttd`'s own `Broker` has no stop and tells no port, so its router and server run in a runtime of our own. It
//! never sets `TCP_NODELAY`: an exchange at QoS 1 costs about 44 ms (Nagle against delayed acknowledgement), which at
//! speed 60 is 2.6 simulated seconds. The demo lives with that; nothing is measured on it.

use std::future::{Future, poll_fn};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::pin::pin;
use std::sync::mpsc;
use std::task::Poll;
use std::thread;
use std::time::Duration;

use anyhow::{Context, bail};
use rumqttd::protocol::v4::V4;
use rumqttd::{ConnectionSettings, LinkType, Router, RouterConfig, Server, ServerSettings};
use tokio::runtime;
use tokio::sync::oneshot;

/// How many ports are tried.
const ATTEMPTS: u32 = 5;
/// How long a server may take to accept on its port. It takes a millisecond; this is for a machine under load.
const PATIENCE: Duration = Duration::from_secs(5);

/// A running broker that speaks MQTT 3.1.1. Dropping it ends it and every connection to it.
#[derive(Debug)]
pub struct Broker {
    /// Where it listens.
    address: SocketAddr,
    /// Dropped to stop the server.
    stop: Option<oneshot::Sender<()>>,
    /// The server's thread.
    thread: Option<thread::JoinHandle<()>>,
}

impl Broker {
    /// Starts a broker on a free loopback port.
    ///
    /// # Errors
    ///
    /// Where no port could be taken in several attempts.
    pub fn start() -> anyhow::Result<Broker> {
        for _ in 0..ATTEMPTS {
            // The server binds by itself and would not tell a port it chose, so a free one is found first. Somebody
            // may take it in between; then the server ends at once and another port is tried.
            let free = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|listener| listener.local_addr());
            if let Some(broker) = Broker::on(free.context("no free port on loopback")?)? {
                return Ok(broker);
            }
        }
        bail!("the embedded broker found no free port on loopback in {ATTEMPTS} attempts")
    }

    /// Starts a broker at `address`; none where that is taken.
    fn on(address: SocketAddr) -> anyhow::Result<Option<Broker>> {
        let (stop, stopped) = oneshot::channel::<()>();
        let (bound, is_bound) = mpsc::channel();
        let runtime = runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
        let router = Router::new(0, router_settings()).spawn();
        let mut server = Server::new(server_settings(address), router, V4);
        let thread = thread::Builder::new().name("demo-broker".to_owned()).spawn(move || {
            runtime.block_on(async {
                let mut serving = pin!(server.start(LinkType::Remote));
                // The server binds when first polled: it is over by then, or it listens.
                let ended = poll_fn(|context| Poll::Ready(serving.as_mut().poll(context).is_ready())).await;
                // Nobody to tell means that the caller has given up.
                let _ = bound.send(!ended);
                if !ended {
                    tokio::select! {
                        _ = serving => {}
                        _ = stopped => {}
                    }
                }
            });
            // Connections run as tasks of their own: they end with the runtime. The router's thread cannot be told to
            // end, and lives until the process does; one idle thread for each broker that was started.
            runtime.shutdown_timeout(Duration::from_millis(100));
        });
        let thread = Some(thread.context("no thread for the broker")?);
        let broker = Broker { address, stop: Some(stop), thread };
        let accepts =
            is_bound.recv_timeout(PATIENCE).unwrap_or(false) && TcpStream::connect_timeout(&address, PATIENCE).is_ok();
        Ok(accepts.then_some(broker))
    }

    /// The port it listens on.
    pub fn port(&self) -> u16 {
        self.address.port()
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic in there has been reported, and there is nobody left to tell.
            let _ = thread.join();
        }
    }
}

/// Room for the few clients of a demo, and little memory for what they say.
fn router_settings() -> RouterConfig {
    RouterConfig {
        max_connections: 16,
        max_outgoing_packet_count: 200,
        max_segment_size: 64 * 1024,
        max_segment_count: 4,
        ..RouterConfig::default()
    }
}

/// One plain listener.
fn server_settings(address: SocketAddr) -> ServerSettings {
    ServerSettings {
        name: "demo".to_owned(),
        listen: address,
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 5000,
            max_payload_size: 256 * 1024,
            max_inflight_count: 200,
            auth: None,
            external_auth: None,
            dynamic_filters: true,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_listens_while_it_lives_and_gives_its_port_back() {
        let broker = Broker::start().expect("a broker");
        let address = broker.address;
        assert!(TcpStream::connect(address).is_ok());
        drop(broker);
        assert!(TcpStream::connect(address).is_err());
    }

    #[test]
    fn a_port_that_is_taken_is_refused() {
        let taken = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
        let address = taken.local_addr().expect("it is bound");
        assert!(Broker::on(address).expect("a runtime").is_none());
    }
}
