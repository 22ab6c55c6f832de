//! From a reading over the limit until the relay is told OFF, beside a bare echo that publishes OFF for every reading.
//!
//! A player publishes one reading for the one, waits for the OFF, then for the other, in turn, so that both meet the same
//! machine. A guard latches after three trips in a day, so every sample is the first trip of a lamp of its own.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rumqttc::{AsyncClient, Event, Packet, QoS};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::time::{sleep, timeout};

use super::figures::{Figure, Goal};
use super::flow::Traffic;
use super::place::{Broker, PATIENCE, Site, connection};
use super::{bare, bare_client};

/// Samples of each client in each row.
const SAMPLES: usize = 2_000;
/// From one sample to the next.
const PAUSE: Duration = Duration::from_millis(5);
/// Other messages a second in the loaded rows.
const LOAD: u32 = 20_000;
/// Where the daemon's lamps stand, and the echo's.
pub(super) const OURS: &str = "bench";
const ECHO: &str = "echo";

/// p50, p99 and p99.9 of both at QoS 0 and 1, with nothing else going on, and beside other traffic, half of it to
/// each of them.
pub async fn measure(folder: &Path, figures: &mut Vec<Figure>) -> Result<()> {
    let broker = Broker::start(folder)?;
    let _echo = bare_client(bare::ECHO, broker.port)?;
    let mut player = Player::connect(broker.port).await?;
    let site = Site::new(folder, broker.port, OURS, 4 * SAMPLES)?;
    let _daemon = site.serve()?;
    player.warm_up(4 * SAMPLES).await.with_context(|| format!("no permit for heat; see {}", site.config.display()))?;
    let mut bays = 0..4 * SAMPLES;
    for (load, beside) in [(0, "idle"), (LOAD, "beside 20,000 messages/s")] {
        let _traffic = (load > 0).then(|| Traffic::start(broker.port, load, 4 * SAMPLES));
        sleep(Duration::from_secs(1)).await;
        for qos in [QoS::AtMostOnce, QoS::AtLeastOnce] {
            let (mut by_echo, mut by_daemon) = (Vec::new(), Vec::new());
            for bay in bays.by_ref().take(SAMPLES) {
                by_echo.push(player.sample(&format!("{ECHO}/{bay:05}"), qos).await?);
                sleep(PAUSE).await;
                by_daemon.push(player.sample(&format!("{OURS}/{bay:05}"), qos).await?);
                sleep(PAUSE).await;
            }
            by_echo.sort_unstable();
            by_daemon.sort_unstable();
            for (share, word, goal) in
                [(0.5, "p50", Some(Goal::Times(1.15))), (0.99, "p99", Some(Goal::Times(1.25))), (0.999, "p99.9", None)]
            {
                let at = |samples: &[Duration]| {
                    samples[((samples.len() - 1) as f64 * share).round() as usize].as_secs_f64() * 1e6
                };
                let name = format!("reading over the limit -> OFF, QoS {}, {beside}, {word}", qos as u8);
                figures.push(Figure { name, unit: "us", ours: at(&by_daemon), bare: Some(at(&by_echo)), goal });
            }
        }
    }
    Ok(())
}

/// Plays sensors, and hears what heaters are told.
pub(super) struct Player {
    client: AsyncClient,
    told: UnboundedReceiver<(Instant, String, bool)>,
}

impl Player {
    pub(super) async fn connect(port: u16) -> Result<Player> {
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
    pub(super) async fn warm_up(&mut self, lamps: usize) -> Result<()> {
        // The daemon asserts every lamp off before it is told anything.
        let mut off = 0;
        while off < lamps {
            let (_, _, is_on) = timeout(PATIENCE, self.told.recv()).await?.context("no broker")?;
            off += usize::from(!is_on);
        }
        let mut on = 0;
        for bay in 0..lamps {
            self.client.publish(format!("{OURS}/{bay:05}/basking"), QoS::AtLeastOnce, false, "25.0").await?;
            while let Ok(Some((_, _, is_on))) = timeout(Duration::from_millis(1), self.told.recv()).await {
                on += usize::from(is_on);
            }
        }
        while on < lamps {
            let (_, _, is_on) = timeout(PATIENCE, self.told.recv()).await?.context("no broker")?;
            on += usize::from(is_on);
        }
        Ok(())
    }

    /// One reading over the limit, and how long until OFF came back.
    pub(super) async fn sample(&mut self, place: &str, qos: QoS) -> Result<Duration> {
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
