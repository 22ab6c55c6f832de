//! What the pages cost: how soon and how large they are, and what a hundred that are open do to the guard's reaction.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use anyhow::{Context, Result, ensure};
use rumqttc::QoS;
use rusqlite::{Connection, params};
use tokio::time::sleep;

use super::figures::{Figure, Goal};
use super::place::{Broker, PATIENCE, Running, Site};
use super::reaction::{OURS, Player};

/// Each page is asked for so often.
const ROUNDS: usize = 20;
/// Pages that are open.
const OPEN: usize = 100;
/// Samples without and with them.
const SAMPLES: usize = 1_000;
/// From one sample to the next.
const PAUSE: Duration = Duration::from_millis(5);
/// Switches of a lamp that a thermostat drives, a day: every quarter of an hour on or off. A guess.
const SWITCHES_A_DAY: i64 = 96;

/// The site's page, a year of one enclosure, and the guard's reaction while guests look on.
pub async fn measure(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    site(folder, figures).await?;
    year(folder, figures).await?;
    reaction(folder, figures).await
}

/// A site with its pages, and where they are.
fn with_pages(folder: &Path, port: u16, name: &str, enclosures: usize) -> Result<(Site, u16)> {
    let site = Site::new(folder, port, name, enclosures)?;
    let pages = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port();
    let mut config = std::fs::OpenOptions::new().append(true).open(&site.config)?;
    write!(config, "\n[web]\nlisten = \"127.0.0.1:{pages}\"\n")?;
    Ok((site, pages))
}

/// Asks for a page; everything after the head.
fn get(port: u16, path: &str, head: &str) -> Result<Vec<u8>> {
    let mut stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port))?;
    stream.set_read_timeout(Some(PATIENCE))?;
    write!(stream, "GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n{head}\r\n")?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer)?;
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n").context("no head")?;
    ensure!(answer.starts_with(b"HTTP/1.0 200"), "{path}: {}", String::from_utf8_lossy(&answer[..end]));
    Ok(answer.split_off(end + 4))
}

async fn until_served(port: u16) -> Result<()> {
    let deadline = Instant::now() + PATIENCE;
    while get(port, "/", "").is_err() {
        ensure!(Instant::now() < deadline, "no pages are served");
        sleep(Duration::from_millis(50)).await;
    }
    Ok(())
}

/// The median time to the last byte, ms.
fn soon(port: u16, path: &str, head: &str) -> Result<f64> {
    let mut times = Vec::new();
    for _ in 0..ROUNDS {
        let begun = Instant::now();
        get(port, path, head)?;
        times.push(begun.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    Ok(times[ROUNDS / 2])
}

async fn site(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let broker = Broker::start(folder)?;
    let mut player = Player::connect(broker.port).await?;
    let (site, pages) = with_pages(folder, broker.port, OURS, 1_000)?;
    let _daemon = site.serve()?;
    player.warm_up(1_000).await.context("no permit for heat")?;
    until_served(pages).await?;
    let packed = "Accept-Encoding: gzip\r\n";
    let mut add = |name: &str, unit, ours, most| {
        figures.push(Figure {
            name: format!("site of 1000 enclosures, {name}"),
            unit,
            ours,
            bare: None,
            goal: Some(Goal::Most(most)),
        });
    };
    add("packed", "ms", soon(pages, "/", packed)?, 100.0);
    add("packed", "kB", get(pages, "/", packed)?.len() as f64 / 1e3, 200.0);
    add("as it is", "kB", get(pages, "/", "")?.len() as f64 / 1e3, 200.0);
    Ok(())
}

/// The page of an enclosure with a year behind it, with what is fetched by its script.
async fn year(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let broker = Broker::start(folder)?;
    let (site, pages) = with_pages(folder, broker.port, "year", 1)?;
    let daemon = site.serve()?;
    until_served(pages).await?;
    drop(daemon);
    fill(&folder.join("year").join(lampwarden::journal::FILE))?;
    let daemon: Running = site.serve()?;
    until_served(pages).await?;
    let drawn = String::from_utf8_lossy(&get(pages, "/e/e00000?span=365", "")?).into_owned();
    ensure!(drawn.contains("h a day") && drawn.contains("class=\"spread l0\""), "the year is not drawn");
    for (name, path) in [("drawn", "/e/e00000?span=365"), ("for its script", "/e/e00000/course.json?span=365")] {
        let name = format!("a year of one enclosure, {name}");
        let ours = soon(pages, path, "Accept-Encoding: gzip\r\n")?;
        figures.push(Figure { name, unit: "ms", ours, bare: None, goal: Some(Goal::Most(200.0)) });
    }
    drop(daemon);
    Ok(())
}

/// Hours of a year, and switches for as long as they are kept, as the daemon would have left them by now.
fn fill(path: &Path) -> Result<()> {
    let now = i64::try_from(SystemTime::now().duration_since(SystemTime::UNIX_EPOCH)?.as_secs())?;
    let mut connection = Connection::open(path)?;
    let transaction = connection.transaction()?;
    for (nth, (probe, quantity)) in
        [("basking", "temperature"), ("cool", "temperature"), ("uv", "uvi")].iter().enumerate()
    {
        let id = 1_000 + i64::try_from(nth)?;
        transaction
            .execute("INSERT OR REPLACE INTO series VALUES (?1, 'e00000', ?2, ?3)", params![id, probe, quantity])?;
        for hour in now / 3600 - 365 * 24..now / 3600 {
            let mean = 20.0 + ((hour * 7 + id) % 24) as f64 / 2.0;
            let row = params![id, hour, mean, mean - 0.5, mean + 0.5];
            transaction.execute("INSERT INTO hours VALUES (?1, ?2, ?3, ?4, ?5, 120, 0, 60)", row)?;
        }
    }
    for (nth, lamp) in ["heat", "uvb"].iter().enumerate() {
        let id = 1_000 + i64::try_from(nth)?;
        transaction.execute("INSERT OR REPLACE INTO lamps VALUES (?1, 'e00000', ?2)", params![id, lamp])?;
        for switch in 0..lampwarden::journal::SWITCHES_KEPT * SWITCHES_A_DAY {
            let at = (now - lampwarden::journal::SWITCHES_KEPT * 86_400) * 1000 + switch * 86_400_000 / SWITCHES_A_DAY;
            let row = params![id, at, (switch % 2) as f64];
            transaction
                .execute("INSERT INTO switches VALUES (?1, ?2, 0, ?3, 'basking at 33.1 °C, target 32.0 °C')", row)?;
        }
    }
    transaction.commit()?;
    Ok(())
}

/// From a reading over the limit to OFF: first with nobody looking, then with a hundred open pages that are shown anew as
/// things change, each an enclosure's with its course.
async fn reaction(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let broker = Broker::start(folder)?;
    let mut player = Player::connect(broker.port).await?;
    let (site, pages) = with_pages(folder, broker.port, OURS, 2 * SAMPLES)?;
    let _daemon = site.serve()?;
    player.warm_up(2 * SAMPLES).await.context("no permit for heat")?;
    until_served(pages).await?;
    let mut bays = 0..2 * SAMPLES;
    let mut found = Vec::new();
    let shown = Arc::new(AtomicUsize::new(0));
    for guests in [0, OPEN] {
        let is_over = Arc::new(AtomicBool::new(false));
        let looking: Vec<_> = (0..guests).map(|nth| look(pages, nth, &shown, &is_over)).collect();
        sleep(Duration::from_secs(1)).await;
        let mut samples = Vec::new();
        for bay in bays.by_ref().take(SAMPLES) {
            samples.push(player.sample(&format!("{OURS}/{bay:05}"), QoS::AtLeastOnce).await?);
            sleep(PAUSE).await;
        }
        is_over.store(true, Ordering::Relaxed);
        looking.into_iter().for_each(|thread| drop(thread.join()));
        samples.sort_unstable();
        found.push(samples);
    }
    let shown = shown.load(Ordering::Relaxed);
    ensure!(shown > OPEN, "the open pages were shown anew {shown} times");
    println!("{shown} pages were shown anew meanwhile");
    for (share, word) in [(0.5, "p50"), (0.99, "p99")] {
        let at = |samples: &[Duration]| samples[((SAMPLES - 1) as f64 * share).round() as usize].as_secs_f64() * 1e6;
        let name = format!("reading over the limit -> OFF with {OPEN} open pages, beside none, {word}");
        let (ours, bare, goal) = (at(&found[1]), Some(at(&found[0])), Some(Goal::Times(1.25)));
        figures.push(Figure { name, unit: "us", ours, bare, goal });
    }
    Ok(())
}

/// A browser with a page open: it hears that things change, and fetches the page.
fn look(port: u16, nth: usize, shown: &Arc<AtomicUsize>, is_over: &Arc<AtomicBool>) -> thread::JoinHandle<Option<()>> {
    let (shown, is_over) = (Arc::clone(shown), Arc::clone(is_over));
    thread::spawn(move || {
        // Browsers are other machines, which take no processor from the daemon and its broker.
        rustix::process::setpriority_process(None, 19).ok()?;
        let mut stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).ok()?;
        stream.set_read_timeout(Some(Duration::from_millis(500))).ok()?;
        write!(stream, "GET /live HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n").ok()?;
        let mut lines = BufReader::new(stream);
        while !is_over.load(Ordering::Relaxed) {
            let mut line = String::new();
            match lines.read_line(&mut line) {
                Ok(0) => return None,
                Ok(_) if line.starts_with("event: changed") => {
                    get(port, &format!("/e/e{nth:05}"), "Accept-Encoding: gzip\r\n").ok()?;
                    shown.fetch_add(1, Ordering::Relaxed);
                }
                // Nothing has changed for a while, or the line is another one.
                _ => {}
            }
        }
        Some(())
    })
}
