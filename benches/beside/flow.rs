//! How many messages a second get through, what each costs, and other traffic.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rumqttc::{AsyncClient, Event, EventLoop, Packet, QoS};
use tokio::time::timeout;

use super::figures::{Figure, Goal};
use super::place::{Broker, PATIENCE, Running, Site, connection};
use super::{bare, bare_client};

/// Messages in a flood.
const MESSAGES: usize = 400_000;
/// Messages a second in the paced rows, and how long those last.
const PACE: u32 = 20_000;
const PACED: Duration = Duration::from_secs(10);
/// Sizes of the site.
const SIZES: [usize; 3] = [10, 1_000, 10_000];

/// Readings of the cool probes of `OURS` and as many others, at a steady rate, until it is dropped.
pub struct Traffic {
    stop: Arc<AtomicBool>,
    thread: Option<thread::JoinHandle<()>>,
}

impl Traffic {
    pub fn start(port: u16, rate: u32, enclosures: usize) -> Traffic {
        Traffic::over(port, rate, enclosures, &["bench", "other"])
    }

    /// Over these places in turn.
    pub fn over(port: u16, rate: u32, enclosures: usize, places: &[&str]) -> Traffic {
        let stop = Arc::new(AtomicBool::new(false));
        let (stopped, places) = (Arc::clone(&stop), places.iter().map(ToString::to_string).collect::<Vec<_>>());
        let thread = thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
            let outcome: Result<()> = runtime.block_on(async {
                let (client, mut events) = connection(&format!("traffic-{}", places.concat()), port);
                let poll = async {
                    loop {
                        events.poll().await?;
                    }
                };
                let send = async {
                    // Up to a thousand a second one by one, and else so many every millisecond.
                    let each = (rate / 1000).max(1);
                    let mut next = tokio::time::interval(Duration::from_secs(1) * each / rate);
                    let mut n = 0_usize;
                    while !stopped.load(Ordering::Relaxed) {
                        next.tick().await;
                        for _ in 0..each {
                            let (place, bay) = (&places[n % places.len()], n / places.len() % enclosures);
                            let reading = format!("{}.{}", 20 + n % 7, n % 10);
                            client.publish(format!("{place}/{bay:05}/cool"), QoS::AtMostOnce, false, reading).await?;
                            n += 1;
                        }
                    }
                    anyhow::Ok(())
                };
                tokio::select! { done = send => done, lost = poll => lost }
            });
            if let Err(why) = outcome {
                eprintln!("the traffic broke off: {why}");
            }
        });
        Traffic { stop, thread: Some(thread) }
    }
}

impl Drop for Traffic {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // A thread that panicked has said so.
        self.thread.take().map(thread::JoinHandle::join);
    }
}

/// Floods at the broker's limit and traffic at a pace, into sites of several sizes, beside the bare echo.
pub async fn measure(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let mut costs = Vec::new();
    for enclosures in SIZES {
        let bare = one(folder, enclosures, false).await?;
        let ours = one(folder, enclosures, true).await?;
        let name = |what: &str| format!("{what}, {enclosures} enclosures");
        figures.push(Figure {
            name: name("flood through the broker"),
            unit: "msg/s",
            ours: ours.rate,
            bare: Some(bare.rate),
            goal: Some(Goal::Share(0.9)),
        });
        figures.push(Figure {
            name: name("... processor time of a message in it"),
            unit: "us",
            ours: ours.flooded,
            bare: Some(bare.flooded),
            goal: Some(Goal::Times(1.5)),
        });
        figures.push(Figure {
            name: name("... messages passed over"),
            unit: "%",
            ours: 100.0 * ours.shed as f64 / MESSAGES as f64,
            bare: None,
            goal: Some(Goal::Most(0.0)),
        });
        figures.push(Figure {
            name: name("processor time of a message at 20,000/s"),
            unit: "us",
            ours: ours.paced,
            bare: Some(bare.paced),
            goal: Some(Goal::Times(1.5)),
        });
        costs.push(ours.paced);
    }
    let name = "a message into 10,000 enclosures, beside one into 10".to_owned();
    figures.push(Figure { name, unit: "us", ours: costs[2], bare: Some(costs[0]), goal: Some(Goal::Times(1.2)) });
    Ok(())
}

/// What one client made of it.
struct Outcome {
    /// Messages a second.
    rate: f64,
    /// Microseconds of processor time for each message of the flood, and at the pace.
    flooded: f64,
    paced: f64,
    shed: u64,
}

async fn one(folder: &Path, enclosures: usize, is_ours: bool) -> Result<Outcome> {
    let broker = Broker::start(folder)?;
    let (client, mut events) = connection("flood", broker.port);
    client.try_subscribe("+/+/heat/set", QoS::AtLeastOnce)?;
    let (site, process): (Option<Site>, Running) = if is_ours {
        let site = Site::new(folder, broker.port, "flood", enclosures)?;
        let process = site.serve()?;
        (Some(site), process)
    } else {
        (None, bare_client(bare::ECHO, broker.port)?)
    };
    // The last enclosure's heater comes on, so that it can go off; the echo says hello.
    let last = format!("flood/{:05}", enclosures - 1);
    let (from, wanted) = if is_ours { (last.as_str(), "ON") } else { ("bare/hello", "OFF") };
    if is_ours {
        for bay in 0..enclosures {
            hear(&mut events, &format!("flood/{bay:05}/heat/set"), "OFF").await?;
        }
        client.try_publish(format!("{last}/basking"), QoS::AtLeastOnce, false, "25.0")?;
    }
    hear(&mut events, &format!("{from}/heat/set"), wanted).await?;

    let before = process.spent()?;
    let traffic = Traffic::over(broker.port, PACE, enclosures, &["flood"]);
    let begun = Instant::now();
    tokio::time::sleep(PACED).await;
    drop(traffic);
    let sent = begun.elapsed().as_secs_f64() * f64::from(PACE);
    let paced = (process.spent()? - before).as_secs_f64() * 1e6 / sent;

    let before = process.spent()?;
    let begun = Instant::now();
    flood(&client, &mut events, enclosures).await?;
    client.try_publish(format!("{last}/basking"), QoS::AtMostOnce, false, "41.0")?;
    hear(&mut events, &format!("{last}/heat/set"), "OFF").await?;
    let took = begun.elapsed().as_secs_f64();
    let flooded = (process.spent()? - before).as_secs_f64() * 1e6 / MESSAGES as f64;
    let shed = site.map_or(Ok(0), |site| site.shed())?;
    Ok(Outcome { rate: MESSAGES as f64 / took, flooded, paced, shed })
}

/// Sends as fast as the broker takes it, readings of every probe but the guards'.
async fn flood(client: &AsyncClient, events: &mut EventLoop, enclosures: usize) -> Result<()> {
    let send = async {
        for n in 0..MESSAGES {
            let (probe, bay) = (["cool", "uv"][n % 2], n / 2 % enclosures);
            let reading = format!("{}.{}", 20 + n % 7, n % 10);
            client.publish(format!("flood/{bay:05}/{probe}"), QoS::AtMostOnce, false, reading).await?;
        }
        anyhow::Ok(())
    };
    let poll = async {
        loop {
            if let Err(why) = events.poll().await {
                return Err(anyhow::Error::from(why));
            }
        }
    };
    tokio::select! { done = send => done, lost = poll => lost }
}

/// Waits until a relay is told something.
async fn hear(events: &mut EventLoop, topic: &str, wanted: &str) -> Result<()> {
    let told = async {
        loop {
            if let Event::Incoming(Packet::Publish(command)) = events.poll().await?
                && command.topic == topic
                && command.payload == wanted
            {
                return anyhow::Ok(());
            }
        }
    };
    timeout(PATIENCE, told).await.with_context(|| format!("{topic} was never told {wanted}"))?
}
