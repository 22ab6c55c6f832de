//! How a connection is made: addresses, limits, last will, password and TLS.
//!
//! Files are read anew for every connection, so that a renewed certificate needs no restart.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{NetworkOptions, TlsConfiguration, Transport, v5};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

use super::client::{Client, Connection};
use super::{LinkOptions, PACKET_BYTES_MAX, WireError};
use crate::message::topics;
use crate::settings::{Protocol, Tls};

/// Environment variable that may hold the password in place of a file.
const PASSWORD_VARIABLE: &str = "LAMPWARDEN_PASSWORD";

/// Messages handed to the library and not acknowledged, at most. More than the session ever hands over.
pub(super) const IN_FLIGHT_MAX: u16 = 100;

/// Room in the library's queue: all in flight, all subscriptions under way, a heartbeat and a farewell.
const QUEUE_MAX: usize = 256;

/// Seconds for TCP, TLS and the greeting together. A guess between a slow board's handshake and being back in time.
const CONNECT_SECONDS_MAX: u64 = 4;

/// The least keep-alive that the library takes for MQTT 5.
const KEEP_ALIVE_V5_MIN: Duration = Duration::from_secs(5);

/// The most that fits the protocol's 16 bits.
const KEEP_ALIVE_MAX: Duration = Duration::from_secs(65_535);

/// Payload of the retained status while the daemon is connected.
pub(super) const ONLINE: &str = "online";
/// Payload of the retained status otherwise; also the last will.
pub(super) const OFFLINE: &str = "offline";

/// A new client that has not connected yet.
pub(super) fn dial(options: &LinkOptions) -> Result<(Client, Connection), WireError> {
    let broker = &options.broker;
    let transport = match &broker.tls {
        None => Transport::Tcp,
        Some(tls) => {
            if broker.host.contains(':') {
                let why = "TLS needs the broker's name, or its IPv4 address, not an IPv6 address";
                return Err(WireError(format!("{}: {why}", broker.host)));
            }
            Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(tls_config(tls)?)))
        }
    };
    let login = match &broker.username {
        None => None,
        Some(user) => Some((user.clone(), password(broker.password_file.as_deref())?)),
    };
    let will = options.announce.then(|| topics::status(&options.site));
    Ok(match broker.protocol {
        Protocol::V311 => dial_v311(options, transport, login, will),
        Protocol::V5 => dial_v5(options, transport, login, will),
    })
}

/// Small packets leave at once: without it a QoS 1 exchange waits some 40 ms for Nagle's algorithm and a delayed
/// acknowledgement.
pub(super) fn network() -> NetworkOptions {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_SECONDS_MAX);
    network
}

/// The host as the library joins it to the port.
fn host(options: &LinkOptions) -> String {
    match options.broker.host.contains(':') {
        true => format!("[{}]", options.broker.host.trim_matches(['[', ']'])),
        false => options.broker.host.clone(),
    }
}

fn dial_v311(
    options: &LinkOptions,
    transport: Transport,
    login: Option<(String, String)>,
    will: Option<String>,
) -> (Client, Connection) {
    let mut mqtt = rumqttc::MqttOptions::new(&options.client_id, host(options), options.broker.port);
    let packet_bytes_max = PACKET_BYTES_MAX as usize;
    mqtt.set_transport(transport)
        .set_keep_alive(options.broker.keep_alive.clamp(Duration::from_secs(1), KEEP_ALIVE_MAX))
        .set_clean_session(true)
        .set_inflight(IN_FLIGHT_MAX)
        .set_max_packet_size(packet_bytes_max, packet_bytes_max);
    if let Some((user, password)) = login {
        mqtt.set_credentials(user, password);
    }
    if let Some(topic) = will {
        mqtt.set_last_will(rumqttc::LastWill::new(topic, OFFLINE, rumqttc::QoS::AtLeastOnce, true));
    }
    let (client, mut eventloop) = rumqttc::AsyncClient::new(mqtt, QUEUE_MAX);
    eventloop.set_network_options(network());
    (Client::V311(client), Connection::V311(Box::new(eventloop)))
}

fn dial_v5(
    options: &LinkOptions,
    transport: Transport,
    login: Option<(String, String)>,
    will: Option<String>,
) -> (Client, Connection) {
    let mut mqtt = v5::MqttOptions::new(&options.client_id, host(options), options.broker.port);
    mqtt.set_transport(transport)
        .set_keep_alive(options.broker.keep_alive.clamp(KEEP_ALIVE_V5_MIN, KEEP_ALIVE_MAX))
        .set_clean_start(true)
        .set_outgoing_inflight_upper_limit(IN_FLIGHT_MAX)
        .set_max_packet_size(Some(PACKET_BYTES_MAX))
        .set_connection_timeout(CONNECT_SECONDS_MAX)
        .set_network_options(network());
    if let Some((user, password)) = login {
        mqtt.set_credentials(user, password);
    }
    if let Some(topic) = will {
        let qos = v5::mqttbytes::QoS::AtLeastOnce;
        mqtt.set_last_will(v5::mqttbytes::v5::LastWill::new(topic, OFFLINE, qos, true, None));
    }
    let (client, eventloop) = v5::AsyncClient::new(mqtt, QUEUE_MAX);
    (Client::V5(client), Connection::V5 { eventloop: Box::new(eventloop), greeted: false })
}

/// The first line of the file, or of the environment variable where no file is named.
fn password(file: Option<&Path>) -> Result<String, WireError> {
    let Some(file) = file else {
        return std::env::var(PASSWORD_VARIABLE).map_err(|_| {
            WireError(format!("a user name without a password: set password_file, or {PASSWORD_VARIABLE}"))
        });
    };
    let text = std::fs::read_to_string(file).map_err(|error| at(file, &error))?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(at(file, &"the first line holds no password")),
    }
}

/// Trusts the named authority alone.
fn tls_config(tls: &Tls) -> Result<ClientConfig, WireError> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(&tls.ca_file)? {
        roots.add(certificate).map_err(|error| at(&tls.ca_file, &error))?;
    }
    let builder = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| WireError(format!("TLS: {error}")))?
        .with_root_certificates(roots);
    let Some(client) = &tls.client else { return Ok(builder.with_no_client_auth()) };
    let chain = certificates(&client.certificate_file)?;
    let key = PrivateKeyDer::from_pem_file(&client.key_file)
        .map_err(|error| at(&client.key_file, &format_args!("no PEM private key: {error}")))?;
    builder.with_client_auth_cert(chain, key).map_err(|error| at(&client.key_file, &error))
}

/// Every certificate of a PEM file; at least one.
fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, WireError> {
    let unreadable = |error: &dyn std::fmt::Display| at(file, &format_args!("no PEM certificate: {error}"));
    let found: Vec<_> = CertificateDer::pem_file_iter(file)
        .and_then(Iterator::collect)
        .map_err(|error: rustls::pki_types::pem::Error| unreadable(&error))?;
    match found.is_empty() {
        true => Err(unreadable(&"the file holds none")),
        false => Ok(found),
    }
}

/// An error that names the file.
fn at(file: &Path, error: &dyn std::fmt::Display) -> WireError {
    WireError(format!("{}: {error}", file.display()))
}
