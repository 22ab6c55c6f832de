//! What every measurement stands on: a broker, a folder, a daemon over a site of any size, and what the kernel tells of it.

use std::fmt::Write as _;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{env, fs, process};

use anyhow::{Context, Result, ensure};
use rumqttc::{AsyncClient, EventLoop, MqttOptions, NetworkOptions};

/// Whatever takes longer is a failure, and no figure is printed.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// A bare client that sends without delay; without that a QoS 1 exchange waits 44 ms for nothing.
pub fn connection(name: &str, port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(name, Ipv4Addr::LOCALHOST.to_string(), port);
    options.set_keep_alive(Duration::from_secs(60)).set_inflight(1_000);
    let (client, mut events) = AsyncClient::new(options, 10_000);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    events.set_network_options(network);
    (client, events)
}

/// A process that ends with its owner.
pub struct Running(pub Child);

impl Running {
    /// The time all its threads have had on a processor.
    pub fn spent(&self) -> Result<Duration> {
        let mut nanoseconds = 0;
        for task in fs::read_dir(format!("/proc/{}/task", self.0.id()))? {
            let told = fs::read_to_string(task?.path().join("schedstat"))?;
            nanoseconds += told.split_whitespace().next().context("the kernel tells no times")?.parse::<u64>()?;
        }
        Ok(Duration::from_nanos(nanoseconds))
    }

    /// The memory it holds, in megabytes (10^6 bytes).
    pub fn memory(&self) -> Result<f64> {
        let told = fs::read_to_string(format!("/proc/{}/status", self.0.id()))?;
        let line = told.lines().find_map(|line| line.strip_prefix("VmRSS:")).context("no VmRSS")?;
        let kilobytes: f64 = line.trim().trim_end_matches(" kB").parse()?;
        Ok(kilobytes * 1024.0 / 1e6)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// mosquitto on a free port.
pub struct Broker {
    pub port: u16,
    _process: Running,
}

impl Broker {
    pub fn start(folder: &Path) -> Result<Broker> {
        let port = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port();
        let config = folder.join(format!("broker-{port}.conf"));
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

/// A folder that is gone with its owner.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new() -> Result<Folder> {
        let folder = env::temp_dir().join(format!("lampwarden-beside-{}", process::id()));
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

/// A site of so many enclosures, each with a guarded heater, a tube and three probes. Readings are due once an hour, so
/// that each stays fresh, and a lamp that is on stays on.
pub struct Site {
    pub config: PathBuf,
    state: PathBuf,
}

impl Site {
    pub fn new(folder: &Path, port: u16, name: &str, enclosures: usize) -> Result<Site> {
        let (config, state) = (folder.join(format!("{name}.toml")), folder.join(name));
        fs::write(&config, text(port, name, enclosures, &state))?;
        // What an earlier site of that name remembers, such as trips, is of other lamps.
        if state.exists() {
            fs::remove_dir_all(&state)?;
        }
        Ok(Site { config, state })
    }

    /// The daemon, as it is released, in charge of it; what it logs goes to a file.
    pub fn serve(&self) -> Result<Running> {
        let log = fs::File::create(self.log())?;
        let process = Command::new(env!("CARGO_BIN_EXE_lampwarden"))
            .args(["serve", "-c"])
            .arg(&self.config)
            .env("RUST_LOG", "warn")
            .stdin(Stdio::null())
            .stdout(Stdio::from(log.try_clone()?))
            .stderr(Stdio::from(log))
            .spawn()?;
        Ok(Running(process))
    }

    fn log(&self) -> PathBuf {
        self.state.with_extension("log")
    }

    /// Messages that the daemon says it passed over.
    pub fn shed(&self) -> Result<u64> {
        let log = fs::read_to_string(self.log())?;
        let counts = log.lines().filter_map(|line| {
            let (before, _) = line.split_once(" messages were passed over")?;
            before.rsplit(' ').next()?.parse::<u64>().ok()
        });
        Ok(counts.sum())
    }
}

/// The configuration, every enclosure written out.
pub fn text(port: u16, name: &str, enclosures: usize, state: &Path) -> String {
    let state = state.display();
    let mut text = format!(
        r#"
[site]
name = "{name}"
timezone = "Etc/UTC"
latitude = 38.72
longitude = -9.14
state_directory = "{state}"

[broker]
url = "mqtt://127.0.0.1:{port}"

[care.woodland-basker]
uv_zone = 3
basking = {{ day = 32.0, night = 32.0, cut = 40.0 }}
photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}
"#
    );
    for bay in 0..enclosures {
        let topic = format!("{name}/{bay:05}");
        let written = write!(
            text,
            r#"
[[enclosure]]
id = "e{bay:05}"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "{topic}/basking"
every = "1h"

[enclosure.probes.cool]
measures = "temperature"
topic = "{topic}/cool"
every = "1h"

[enclosure.probes.uv]
measures = "uvi"
topic = "{topic}/uv"
every = "1h"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
warms = "basking"
min_on = "6h"
min_off = "0s"
relay = {{ set = "{topic}/heat/set" }}

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
lights = "uv"
relay = {{ set = "{topic}/uvb/set" }}
"#
        );
        // Writing to a string cannot fail.
        debug_assert!(written.is_ok());
    }
    text
}
