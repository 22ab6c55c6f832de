//! `lampwarden demo`: a whole simulated room on an embedded broker, looked after by the daemon itself, with a view.
//!
//! ```text
//! room (simulator) ─┐                    ┌─ view (terminal or plain lines)
//!                   ├── broker (rumqttd) ┤
//!                   └────────────────────┴─ daemon, as `serve` runs it
//! ```
//!
//! Each part is an MQTT client and knows nothing of the others but their messages. All run by one scaled clock.

#![allow(clippy::disallowed_methods, reason = "a driver reads clocks, waits, runs threads and ends the process")]

mod broker;
mod link;
mod past;
#[cfg(test)]
mod rehearsed;
mod room;
mod view;

use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::DirBuilderExt as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::Context;
use tokio::sync::oneshot;

use crate::daemon::{self, Clock};
use crate::settings::Settings;
use crate::simulator::Physics;
use crate::time::parse_span;
use crate::web::Role;
use broker::Broker;
use link::Link;
use room::Plant;
use view::Viewer;

/// Options of `lampwarden demo`.
#[derive(clap::Args, Clone, Debug)]
pub struct Arguments {
    /// Simulated seconds in a real one, 1 to 240. The embedded broker takes 44 ms for an exchange at QoS 1, which a
    /// faster clock would turn into a quarter of a minute.
    #[arg(long, default_value_t = 60.0, value_parser = speed, value_name = "N")]
    pub speed: f64,
    /// Ends the demo after this much real time, such as 30s, 5m or 2h.
    #[arg(long = "for", value_parser = span, value_name = "TIME")]
    pub span: Option<Duration>,
    /// Seed of the room: its weather and the noise of its probes.
    #[arg(long, default_value_t = 1, value_name = "N")]
    pub seed: u64,
    /// Address and port of the web page; a free port of this machine where that is taken
    #[arg(long, default_value = "127.0.0.1:8417", value_name = "ADDRESS")]
    pub page: SocketAddr,
    /// So many days lie behind the room, in the journal
    #[arg(long, default_value_t = 90, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(0..=400))]
    pub past: u32,
    /// Prints one line for each change, as it does by itself where the output is no terminal.
    #[arg(long)]
    pub plain: bool,
}

/// Reads a speed.
fn speed(text: &str) -> Result<f64, String> {
    let speed: f64 = text.parse().map_err(|_| format!("`{text}` is no number; try 60"))?;
    if (1.0..=240.0).contains(&speed) { Ok(speed) } else { Err("a speed is 1 to 240; try 60".to_owned()) }
}

/// After a signal the demo ends by itself within this time, or is ended.
const LAST_RESORT: Duration = Duration::from_secs(5);
/// The longest demo: a longer one is a slip of the pen, and a deadline beyond what an instant can hold.
const SPAN_MAX: Duration = Duration::from_secs(366 * 86_400);

/// Reads a span of time such as `30s`, `5m` or `2h`.
fn span(text: &str) -> Result<Duration, String> {
    let span = parse_span(text).filter(|span| *span <= SPAN_MAX);
    span.ok_or_else(|| format!("`{text}` is no span of time; try 30s, 5m or 2h"))
}

/// Runs the demo until a key, a signal or the end of its time.
///
/// # Errors
///
/// Where no port, thread or terminal can be had.
pub fn run(args: &Arguments) -> anyhow::Result<()> {
    let broker = Broker::start()?;
    let mut settings = room::settings(broker.port())?;
    let page = page_address(args.page)?;
    settings.telling.web = Some(crate::settings::Web { listen: page, public_url: None, pages: true, tls: None });
    let start = room::start(&settings)?;
    let kept = Kept::new()?;
    let mut physics = Physics::plausible(&settings);
    past::write(&kept.0, &settings, &mut physics, start, args.past, args.seed)?;
    let until = args.span.map(|span| Instant::now() + span);
    let clock = Clock::scaled(start, args.speed);
    let stop = on_signal()?;
    // The view listens before anybody speaks, so that it misses nothing.
    let filters = vec![format!("lampwarden/{}/#", settings.site.name)];
    let (link, incoming) = Link::open("demo-view", broker.port(), filters)?;
    let plant = Plant::start(&settings, &physics, start, clock.clone(), args.seed)?;
    let daemon = Daemon::start(settings.clone(), clock.clone(), kept.0.clone())?;
    let page = format!("http://{page}/");
    let viewer = Viewer {
        site: &settings.site.name,
        timezone: settings.site.timezone,
        enclosures: settings.enclosures.iter().map(|enclosure| enclosure.id.as_str()).collect(),
        clock,
        speed: args.speed,
        until,
        stop,
        plain: args.plain,
        page: &page,
    };
    let shown = viewer.show(&incoming);
    // The daemon goes first, so that it can still turn the heat off.
    drop(daemon);
    drop((plant, link, broker, kept));
    shown
}

/// Where the page is served: as asked, or where that is taken at a free port.
fn page_address(asked: SocketAddr) -> anyhow::Result<SocketAddr> {
    let free = |address: SocketAddr| TcpListener::bind(address).and_then(|listener| listener.local_addr());
    free(asked).or_else(|_| free(SocketAddr::new(asked.ip(), 0))).context("no free port for the page")
}

/// The demo's state directory, which goes with it.
struct Kept(PathBuf);

impl Kept {
    fn new() -> anyhow::Result<Kept> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let directory = std::env::temp_dir().join(format!("lampwarden-demo-{}-{number}", std::process::id()));
        let made = std::fs::DirBuilder::new().mode(0o700).create(&directory);
        made.with_context(|| format!("{}: no place for the demo's journal", directory.display()))?;
        Ok(Kept(directory))
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// The daemon in a thread of its own. It ends when dropped.
struct Daemon {
    /// Told to end.
    shutdown: Option<oneshot::Sender<()>>,
    /// Its thread.
    thread: Option<thread::JoinHandle<()>>,
}

impl Daemon {
    /// Starts it on the demo's clock.
    fn start(settings: Settings, clock: Clock, directory: PathBuf) -> anyhow::Result<Daemon> {
        let (shutdown, told) = oneshot::channel::<()>();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
        let thread = thread::Builder::new()
            .name("demo-daemon".to_owned())
            .spawn(move || runtime.block_on(look_after(settings, clock, directory, told)))
            .context("no thread for the daemon")?;
        Ok(Daemon { shutdown: Some(shutdown), thread: Some(thread) })
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.shutdown.take());
        if let Some(thread) = self.thread.take() {
            // A panic in there has been reported, and there is nobody left to tell.
            let _ = thread.join();
        }
    }
}

/// Runs the daemon, as `serve` does, until `told` to end.
async fn look_after(settings: Settings, clock: Clock, directory: PathBuf, told: oneshot::Receiver<()>) {
    let state_directory = Some(directory);
    // Nothing real hangs on it: whoever is at this machine may do everything.
    let visitor = Some(Role::Manage);
    let options = daemon::Options { settings, reread: None, clock, state_directory, service: false, visitor };
    let stop = async {
        // Dropping the sender tells it to end as well.
        let _ = told.await;
    };
    if let Err(why) = daemon::run(options, stop).await {
        eprintln!("the demo's daemon has ended: {why:#}");
    }
}

/// A flag that SIGINT and SIGTERM set.
fn on_signal() -> anyhow::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&stop);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().context("no runtime")?;
    let listen = move || {
        runtime.block_on(async {
            use tokio::signal::unix::{SignalKind, signal};
            let (Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup)) =
                (signal(SignalKind::interrupt()), signal(SignalKind::terminate()), signal(SignalKind::hangup()))
            else {
                return;
            };
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hangup.recv() => {}
            }
            set.store(true, Ordering::Relaxed);
        });
        // A terminal that has gone away keeps its reader waiting for keys for ever. Nothing real hangs on the demo.
        thread::sleep(LAST_RESORT);
        ratatui::restore();
        std::process::exit(0);
    };
    // It waits for a signal, and sees to it that one ends the process.
    thread::Builder::new().name("demo-signals".to_owned()).spawn(listen).context("no thread for signals")?;
    Ok(stop)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_and_speeds_are_read_or_refused() {
        for (text, expected) in [("30s", Some(30)), ("5m", Some(300)), ("2h", Some(7200)), ("0s", Some(0))] {
            assert_eq!(span(text).ok(), expected.map(Duration::from_secs), "{text}");
        }
        for text in ["", "s", "30", "-1s", "1.5h", "30 s", "99999999999999999999s", "18446744073709551615h", "3°"] {
            assert!(span(text).is_err(), "{text}");
        }
        assert_eq!(speed("60").ok(), Some(60.0));
        for text in ["", "0", "NaN", "inf", "241", "-3", "fast"] {
            assert!(speed(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_demo_of_no_time_ends_well() {
        let args = Arguments {
            speed: 60.0,
            span: Some(Duration::from_millis(50)),
            seed: 1,
            past: 0,
            plain: true,
            page: ([127, 0, 0, 1], 0).into(),
        };
        run(&args).expect("it ends by itself");
    }
}
