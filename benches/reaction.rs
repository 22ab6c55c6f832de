//! How long from a reading over the limit until the relay is told OFF, through a real broker.
//!
//! `cargo bench --bench reaction` starts mosquitto on a free port and beside it, at the same time, two clients of it: the
//! daemon as it is released, and a bare echo that publishes OFF for every reading and knows nothing else. A player
//! publishes one reading for the one, waits for the OFF, then for the other, in turn, so that both meet the same
//! machine. Read the ratios: absolute figures are of one machine on one day.
//!
//! A guard latches after three trips in a day, so every sample is the first trip of a lamp of its own.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "a benchmark reads clocks and starts programs")]

use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{env, fs, process};

use anyhow::{Context, Result, ensure};
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::time::{sleep, timeout};

/// Samples of each client at each quality of service.
const SAMPLES: usize = 2_000;
/// From one sample to the next.
const PAUSE: Duration = Duration::from_millis(5);
/// A sample that takes longer is a failure, and no figure is printed.
const PATIENCE: Duration = Duration::from_secs(5);
/// The two measured, and where their lamps stand.
const DAEMON: &str = "lampwarden";
const ECHO: &str = "bare echo";

/// Makes this program the echo, a process of its own as the daemon is: to wake another process costs both the same.
const ECHO_AT: &str = "--echo-at";

fn main() -> Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut arguments = env::args().skip(1);
    match (arguments.next().as_deref(), arguments.next()) {
        (Some(ECHO_AT), Some(port)) => runtime.block_on(echo(port.parse()?)),
        _ => runtime.block_on(run()),
    }
}

async fn run() -> Result<()> {
    let folder = Folder::new()?;
    let broker = Broker::start(&folder.0)?;
    let echo = Command::new(env::current_exe()?).args([ECHO_AT, &broker.port.to_string()]).spawn().map(Running)?;
    let mut player = Player::connect(broker.port).await?;
    let daemon = serve(&folder.0, broker.port)?;
    player.warm_up().await.context("the daemon never permitted heat; see its words above")?;

    let mut rows = Vec::new();
    for (qos, bays) in [(QoS::AtMostOnce, 0..SAMPLES), (QoS::AtLeastOnce, SAMPLES..2 * SAMPLES)] {
        let (mut by_echo, mut by_daemon) = (Vec::new(), Vec::new());
        for bay in bays {
            by_echo.push(player.sample(&format!("echo/{bay:04}"), qos).await?);
            sleep(PAUSE).await;
            by_daemon.push(player.sample(&format!("bench/{bay:04}"), qos).await?);
            sleep(PAUSE).await;
        }
        rows.push((qos, Figures::of(by_echo), Figures::of(by_daemon)));
    }
    print(&rows);
    drop((echo, daemon));
    Ok(())
}

/// The figures as a table.
fn print(rows: &[(QoS, Figures, Figures)]) {
    println!(
        "\nreading over the limit -> OFF seen, {SAMPLES} samples each, in microseconds; relay commands at QoS 1\n"
    );
    println!("| sensor | client       |     p50 |     p99 |   p99.9 |     max |");
    println!("|--------|--------------|---------|---------|---------|---------|");
    for (qos, echo, daemon) in rows {
        for (name, figures) in [(ECHO, echo), (DAEMON, daemon)] {
            let [p50, p99, p999, max] = figures.0.map(|duration| duration.as_secs_f64() * 1e6);
            println!("| QoS {}  | {name:<12} | {p50:7.1} | {p99:7.1} | {p999:7.1} | {max:7.1} |", *qos as u8);
        }
        let ratios: Vec<f64> =
            daemon.0.iter().zip(echo.0).map(|(daemon, echo)| daemon.as_secs_f64() / echo.as_secs_f64()).collect();
        println!(
            "| QoS {}  | ratio        | {:7.2} | {:7.2} | {:7.2} | {:7.2} |",
            *qos as u8, ratios[0], ratios[1], ratios[2], ratios[3]
        );
    }
}

/// The 50th, 99th and 99.9th percentile, and the greatest.
struct Figures([Duration; 4]);

impl Figures {
    fn of(mut samples: Vec<Duration>) -> Figures {
        samples.sort_unstable();
        let at = |share: f64| samples[((samples.len() - 1) as f64 * share).round() as usize];
        Figures([at(0.5), at(0.99), at(0.999), at(1.0)])
    }
}

/// Publishes OFF for every reading.
async fn echo(port: u16) -> Result<()> {
    let (client, mut events) = connection("echo", port);
    loop {
        match events.poll().await? {
            Event::Incoming(Packet::ConnAck(_)) => client.try_subscribe("echo/+/basking", QoS::AtLeastOnce)?,
            Event::Incoming(Packet::Publish(reading)) => {
                let command = reading.topic.replace("/basking", "/heat/set");
                client.try_publish(command, QoS::AtLeastOnce, false, "OFF")?;
            }
            _ => {}
        }
    }
}

/// Plays sensors, and hears what relays are told.
struct Player {
    client: AsyncClient,
    told: UnboundedReceiver<(Instant, String, bool)>,
}

impl Player {
    async fn connect(port: u16) -> Result<Player> {
        let (client, mut events) = connection("player", port);
        let (tell, told) = unbounded_channel();
        let (ready, is_ready) = tokio::sync::oneshot::channel();
        let subscriber = client.clone();
        tokio::spawn(async move {
            let mut ready = Some(ready);
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        subscriber.try_subscribe("+/+/heat/set", QoS::AtLeastOnce).expect("the queue is empty");
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        ready.take().map(|ready| ready.send(()));
                    }
                    Ok(Event::Incoming(Packet::Publish(command))) => {
                        let news = (Instant::now(), command.topic, command.payload == "ON");
                        if tell.send(news).is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    Err(error) => {
                        eprintln!("the player lost the broker: {error}");
                        return;
                    }
                }
            }
        });
        is_ready.await.context("the broker did not take the player's subscription")?;
        Ok(Player { client, told })
    }

    /// Lets every lamp of the daemon come on.
    async fn warm_up(&mut self) -> Result<()> {
        // The daemon asserts every lamp off before it is told anything.
        let mut off = 0;
        while off < 2 * SAMPLES {
            let (_, _, is_on) = timeout(Duration::from_secs(30), self.told.recv()).await?.context("no broker")?;
            off += usize::from(!is_on);
        }
        let mut on = 0;
        for bay in 0..2 * SAMPLES {
            self.client.publish(format!("bench/{bay:04}/basking"), QoS::AtLeastOnce, false, "25.0").await?;
            while let Ok(Some((_, _, is_on))) = timeout(Duration::from_millis(1), self.told.recv()).await {
                on += usize::from(is_on);
            }
        }
        while on < 2 * SAMPLES {
            let (_, _, is_on) = timeout(Duration::from_secs(30), self.told.recv()).await?.context("no broker")?;
            on += usize::from(is_on);
        }
        Ok(())
    }

    /// One reading over the limit, and how long until OFF came back.
    async fn sample(&mut self, place: &str, qos: QoS) -> Result<Duration> {
        let command = format!("{place}/heat/set");
        let sent = Instant::now();
        self.client.try_publish(format!("{place}/basking"), qos, false, "41.0")?;
        loop {
            let news =
                timeout(PATIENCE, self.told.recv()).await.with_context(|| format!("{command} was never told"))?;
            let (at, topic, is_on) = news.context("no broker")?;
            if topic == command && !is_on {
                return Ok(at - sent);
            }
        }
    }
}

/// A bare client that sends without delay; without that a QoS 1 exchange waits 44 ms for nothing.
fn connection(name: &str, port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(name, Ipv4Addr::LOCALHOST.to_string(), port);
    options.set_keep_alive(Duration::from_secs(30)).set_inflight(1_000);
    let (client, mut events) = AsyncClient::new(options, 10_000);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    events.set_network_options(network);
    (client, events)
}

/// A process that ends with its owner.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// mosquitto on a free port.
struct Broker {
    port: u16,
    _process: Running,
}

impl Broker {
    fn start(folder: &Path) -> Result<Broker> {
        let port = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port();
        let config = folder.join("broker.conf");
        fs::write(
            &config,
            format!(
                "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\npersistence false\n\
                 max_queued_messages 0\nmax_inflight_messages 0\nlog_type error\n"
            ),
        )?;
        let path = format!("{}:/usr/sbin", env::var("PATH").unwrap_or_default());
        let process = Command::new("mosquitto")
            .env("PATH", path)
            .arg("-c")
            .arg(&config)
            .stdin(Stdio::null())
            .spawn()
            .context("mosquitto could not be started; is it installed?")?;
        let process = Running(process);
        let deadline = Instant::now() + PATIENCE;
        while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
            ensure!(Instant::now() < deadline, "the broker takes no connections");
            std::thread::sleep(Duration::from_millis(10));
        }
        Ok(Broker { port, _process: process })
    }
}

/// The daemon over a rack of lamps, each with a guard of its own. Readings are due once an hour, so each stays fresh.
fn serve(folder: &Path, port: u16) -> Result<Running> {
    let config = folder.join("bench.toml");
    let state = folder.join("state");
    let state = state.display();
    let text = format!(
        r#"
[site]
name = "bench"
timezone = "Etc/UTC"
latitude = 38.72
longitude = -9.14
state_directory = "{state}"

[broker]
url = "mqtt://127.0.0.1:{port}"

[care.woodland-basker]
basking = {{ day = 32.0, night = 32.0, cut = 40.0 }}
photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}

[[rack]]
id = "bench"
bays = "0000..{last:04}"
care = "woodland-basker"

[rack.probes.basking]
measures = "temperature"
topic = "{{rack}}/{{bay}}/basking"
every = "1h"

[rack.lamps.heat]
fitting = "ceramic-emitter"
warms = "basking"
min_on = "6h"
min_off = "0s"
relay = {{ set = "{{rack}}/{{bay}}/heat/set" }}
"#,
        last = 2 * SAMPLES - 1
    );
    fs::write(&config, text)?;
    let process = Command::new(env!("CARGO_BIN_EXE_lampwarden"))
        .args(["serve", "-c"])
        .arg(&config)
        .env("RUST_LOG", "error")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .spawn()?;
    Ok(Running(process))
}

/// A folder that is gone with its owner.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Result<Folder> {
        let folder = env::temp_dir().join(format!("lampwarden-reaction-{}", process::id()));
        fs::create_dir_all(&folder)?;
        Ok(Folder(folder))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What is left in the system's folder for such things harms nobody.
        let _ = fs::remove_dir_all(&self.0);
    }
}
