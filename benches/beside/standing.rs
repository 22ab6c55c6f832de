//! What it costs to be there: memory, the start, idling, and to have a configuration checked.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use rumqttc::{Event, Packet, QoS};
use tokio::time::{sleep, timeout};

use super::figures::{Figure, Goal};
use super::flow::Traffic;
use super::place::{Broker, PATIENCE, Running, Site, connection, text};
use super::{bare, bare_client};

/// What is held, and until the first command, by sites of several sizes.
pub async fn measure(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let (least, broker, hello) = started(folder, None).await?;
    let bare = least.memory()?;
    drop((least, broker));
    for (enclosures, most) in [(1, None), (100, Some(20.0)), (1_000, None), (10_000, Some(100.0))] {
        let (process, _broker, first) = started(folder, Some(enclosures)).await?;
        let name = format!("memory, {enclosures} enclosures");
        let ours = process.memory()?;
        figures.push(Figure { name, unit: "MB", ours, bare: Some(bare), goal: most.map(Goal::Most) });
        if enclosures == 1_000 {
            figures.push(Figure {
                name: "from the start to the first command, 1000 enclosures".to_owned(),
                unit: "ms",
                ours: first.as_secs_f64() * 1e3,
                bare: Some(hello.as_secs_f64() * 1e3),
                goal: Some(Goal::Most(100.0)),
            });
        }
    }
    idle(folder, figures).await?;
    check(folder, figures)
}

/// Starts the daemon over so many enclosures, or the bare client; with its broker, and how long it took to its first
/// message.
async fn started(folder: &Path, enclosures: Option<usize>) -> Result<(Running, Broker, Duration)> {
    let broker = Broker::start(folder)?;
    let (client, mut events) = connection("watcher", broker.port);
    client.try_subscribe("+/+/+/set", QoS::AtLeastOnce)?;
    while !matches!(events.poll().await?, Event::Incoming(Packet::SubAck(_))) {}
    let site = enclosures.map(|enclosures| Site::new(folder, broker.port, &format!("m{enclosures}"), enclosures));
    let site = site.transpose()?;
    let begun = Instant::now();
    let process = match &site {
        Some(site) => site.serve()?,
        None => bare_client(bare::ECHO, broker.port)?,
    };
    let first = async {
        loop {
            if let Event::Incoming(Packet::Publish(_)) = events.poll().await? {
                return anyhow::Ok(());
            }
        }
    };
    timeout(PATIENCE, first).await.context("it never said anything")??;
    let took = begun.elapsed();
    // Everything is asserted before memory is looked at; the watcher must go on listening meanwhile.
    let rest = async {
        loop {
            if events.poll().await.is_err() {
                break;
            }
        }
    };
    let _ = timeout(Duration::from_secs(5), rest).await;
    Ok((process, broker, took))
}

/// A hundred enclosures whose three probes speak every ten seconds: 30 messages a second.
async fn idle(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let broker = Broker::start(folder)?;
    let site = Site::new(folder, broker.port, "bench", 100)?;
    let process = site.serve()?;
    sleep(Duration::from_secs(5)).await;
    let _traffic = Traffic::over(broker.port, 30, 100, &["bench"]);
    sleep(Duration::from_secs(5)).await;
    let (before, begun) = (process.spent()?, Instant::now());
    sleep(Duration::from_secs(30)).await;
    let share = (process.spent()? - before).as_secs_f64() / begun.elapsed().as_secs_f64();
    let name = "one processor, 100 enclosures with probes at 10 s".to_owned();
    figures.push(Figure { name, unit: "%", ours: 100.0 * share, bare: None, goal: Some(Goal::Most(0.5)) });
    Ok(())
}

/// `check` of ten thousand enclosures that are written out, beside reading the same TOML and nothing else.
fn check(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let file = folder.join("check.toml");
    let text = text(1883, "check", 10_000, &folder.join("check"));
    std::fs::write(&file, &text)?;
    let begun = Instant::now();
    let done = Command::new(env!("CARGO_BIN_EXE_lampwarden"))
        .args(["check", "-c"])
        .arg(&file)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .status()?;
    let ours = begun.elapsed();
    ensure!(done.success(), "the configuration is refused");
    let begun = Instant::now();
    let read: toml::Table = toml::from_str(&text)?;
    let bare = begun.elapsed();
    ensure!(read.contains_key("enclosure"), "nothing was read");
    let name = format!("check of 10000 enclosures, {:.1} MB of TOML", text.len() as f64 / 1e6);
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    figures.push(Figure { name, unit: "ms", ours: ms(ours), bare: Some(ms(bare)), goal: None });
    Ok(())
}
