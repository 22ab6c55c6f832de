//! The demo's room: what stands in it, what goes wrong in it, and how it speaks over the broker.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::thread;
use std::time::Duration;

use anyhow::{Context, anyhow};
use chrono::{DateTime, NaiveDate, Utc};

use super::link::{Incoming, Link};
use crate::config::{self, Source};
use crate::daemon::Clock;
use crate::settings::{EnclosureIx, LampIx, ProbeIx, Settings};
use crate::simulator::{Fault, Message, Physics, Switch, TimedFault, World};

/// What stands in the room.
const CONFIGURATION: &str = include_str!("demo.toml");

/// Longest real time between two looks at the clock. At speed 60 it is 1.2 simulated seconds.
const BEAT: Duration = Duration::from_millis(20);

/// The settings of the demo, its broker on `port` of this machine.
///
/// # Errors
///
/// Where the embedded configuration is refused, which a test rules out.
pub fn settings(port: u16) -> anyhow::Result<Settings> {
    let sources = [Source { name: "demo.toml".to_owned(), text: CONFIGURATION.to_owned() }];
    let checked = config::parse(&sources);
    let report = || config::render(&checked.findings, &sources, false);
    let mut settings =
        checked.settings.clone().ok_or_else(|| anyhow!("the demo's own room is refused\n{}", report()))?;
    settings.broker.port = port;
    Ok(settings)
}

/// When the demo begins, in the site's wall time: a morning in spring, a few minutes before most lights come on.
///
/// # Errors
///
/// Where the site's zone has no such time.
pub fn start(settings: &Settings) -> anyhow::Result<DateTime<Utc>> {
    let local = NaiveDate::from_ymd_opt(2026, 4, 18).and_then(|date| date.and_hms_opt(6, 30, 0));
    let zoned = local.and_then(|local| local.and_local_timezone(settings.site.timezone).earliest());
    Ok(zoned.context("the demo's morning does not exist in its zone")?.to_utc())
}

/// What goes wrong by itself, in simulated time from the start.
pub fn faults(settings: &Settings) -> Vec<TimedFault> {
    let minutes = |n: u64| Duration::from_secs(60 * n);
    let timed = |at, until: Option<u64>, fault: Option<Fault>| {
        Some(TimedFault { at: minutes(at), until: until.map(minutes), fault: fault? })
    };
    let lamp = |enclosure, name| {
        let (e, enclosure) = by_id(settings, enclosure)?;
        Some((e, LampIx(enclosure.lamps.iter().position(|lamp| lamp.name == name)?)))
    };
    let probe = |enclosure, name| {
        let (e, enclosure) = by_id(settings, enclosure)?;
        Some((e, ProbeIx(enclosure.probes.iter().position(|probe| probe.name == name)?)))
    };
    let silent = |(e, p)| Fault::ProbeIsSilent(e, p);
    let faults = [
        // The cable of the gecko's floor probe slips out, and somebody puts it back.
        timed(18, Some(42), probe("gecko", "floor").map(silent)),
        // The chameleon's tube loses its UV and glows on.
        timed(95, None, lamp("chameleon", "uvb").map(|(e, l)| Fault::UvDies(e, l))),
        // The contacts of the tortoise's heat weld.
        timed(150, None, lamp("tortoise", "heat").map(|(e, l)| Fault::RelayWelds(Switch::Lamp(e, l)))),
        // On the second morning the dragon's cool probe is dug up for an hour.
        timed(26 * 60, Some(27 * 60), probe("dragon", "cool").map(silent)),
    ];
    faults.into_iter().flatten().collect()
}

/// The enclosure called `id`.
fn by_id<'a>(settings: &'a Settings, id: &str) -> Option<(EnclosureIx, &'a crate::settings::Enclosure)> {
    settings.enclosures.iter().enumerate().find(|(_, e)| e.id == id).map(|(i, e)| (EnclosureIx(i), e))
}

/// The simulated room on the broker: it publishes what its probes and outputs say and obeys their command topics. It
/// ends when dropped.
pub struct Plant {
    /// Set to end the thread.
    stop: Arc<AtomicBool>,
    /// The thread.
    thread: Option<thread::JoinHandle<()>>,
}

impl Plant {
    /// Puts the room of `settings` on its broker, as large and as old as `physics` says. `clock` has started at `start`.
    ///
    /// # Errors
    ///
    /// Where no thread can be had.
    pub fn start(
        settings: &Settings,
        physics: &Physics,
        start: DateTime<Utc>,
        clock: Clock,
        seed: u64,
    ) -> anyhow::Result<Plant> {
        let world = World::new(settings, physics, start, seed, &faults(settings));
        let topics = world.command_topics().map(str::to_owned).collect();
        let (link, incoming) = Link::open("demo-room", settings.broker.port, topics)?;
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = thread::Builder::new()
            .name("demo-room".to_owned())
            .spawn(move || live(world, &clock, &link, &incoming, &stopped))
            .context("no thread for the room")?;
        Ok(Plant { stop, thread: Some(thread) })
    }
}

impl Drop for Plant {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic in there has been reported, and there is nobody left to tell.
            let _ = thread.join();
        }
    }
}

/// Lets the room live by the clock until it is told to stop.
fn live(mut world: World, clock: &Clock, link: &Link, incoming: &Receiver<Incoming>, stop: &AtomicBool) {
    let mut said: Vec<Message> = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        match incoming.recv_timeout(BEAT) {
            Ok(Incoming { topic, payload }) => {
                world.advance_to(clock.now().mono.since_start(), &mut said);
                world.incoming(&topic, &payload, &mut said);
            }
            Err(RecvTimeoutError::Timeout) => world.advance_to(clock.now().mono.since_start(), &mut said),
            Err(RecvTimeoutError::Disconnected) => return,
        }
        for message in said.drain(..) {
            // Where there is no room the message is lost, as on a real network.
            link.publish(message.topic(), &message.payload(), message.retained());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::broker::Broker;
    use super::*;
    use crate::settings::Fitting;
    use crate::simulator::Region;
    use crate::units::Celsius;
    use std::time::Instant;

    #[test]
    fn the_demos_own_configuration_has_no_finding() {
        let sources = [Source { name: "demo.toml".to_owned(), text: CONFIGURATION.to_owned() }];
        let checked = config::parse(&sources);
        assert!(checked.findings.is_empty(), "{}", config::render(&checked.findings, &sources, false));
    }

    #[test]
    fn six_species_and_every_kind_of_lamp_the_demo_promises() {
        let settings = settings(1).expect("it is accepted");
        assert_eq!(settings.enclosures.len(), 6);
        let fittings: Vec<Fitting> =
            settings.enclosures.iter().flat_map(|e| e.lamps.iter().map(|l| l.fitting)).collect();
        for fitting in [
            Fitting::MercuryVapour,
            Fitting::FluorescentUvb,
            Fitting::Halogen,
            Fitting::CeramicEmitter,
            Fitting::HeatMat,
            Fitting::Led,
        ] {
            assert!(fittings.contains(&fitting), "{fitting:?}");
        }
        assert_eq!((settings.cut_offs.len(), faults(&settings).len()), (1, 4), "every part that fails is there");
    }

    #[test]
    fn every_lamp_of_the_demo_can_do_its_work_and_no_more_than_that() {
        // What would happen with every lamp on for ever: each spot passes its target, and none melts.
        let settings = settings(1).expect("it is accepted");
        let start = start(&settings).expect("it exists");
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for lamp in enclosure.lamps.iter().filter(|lamp| lamp.heat.is_some() || lamp.guard.is_some()) {
                let mut world = World::new(&settings, &Physics::plausible(&settings), start, 1, &[]);
                let command = match &lamp.output.kind {
                    crate::settings::OutputKind::Relay { on, .. } => on.replace("{hold}", "100000"),
                    crate::settings::OutputKind::Dimmer { level, .. } => level.replace("{percent}", "100"),
                };
                let mut hours = 0;
                while hours < 12 * 60 {
                    world.incoming(&lamp.output.set, command.as_bytes(), &mut Vec::new());
                    hours += 2;
                    world.advance_to(Duration::from_secs(60 * hours), &mut Vec::new());
                }
                let probe = lamp.heat.map(|heat| heat.probe).or(lamp.guard.as_ref().map(|guard| guard.probes[0]));
                let reached = Celsius(world.truth(EnclosureIx(e), probe.expect("it warms")).expect("it is there"));
                let name = format!("{} {}", enclosure.id, lamp.name);
                match lamp.heat {
                    Some(heat) => {
                        assert!(reached.0 > heat.target.night.0 + 3.0 && reached.0 < 60.0, "{name}: {reached}")
                    }
                    None => assert!((25.0..40.0).contains(&reached.0), "{name}: {reached}"),
                }
                let cool = world.temperature(EnclosureIx(e), Region::CoolSide).expect("it is there");
                assert!(cool.0 < 31.0, "{name}: cool side {cool}");
            }
        }
    }

    #[test]
    fn the_room_answers_over_the_broker() {
        let broker = Broker::start().expect("a broker");
        let settings = settings(broker.port()).expect("it is accepted");
        let start = start(&settings).expect("it exists");
        let plant = Plant::start(&settings, &Physics::plausible(&settings), start, Clock::scaled(start, 60.0), 1)
            .expect("a room");
        let filters = vec!["pump-house/#".to_owned()];
        let (link, incoming) = Link::open("test", broker.port(), filters).expect("a client");
        let mut heard = Vec::new();
        let deadline = Instant::now() + Duration::from_secs(10);
        while Instant::now() < deadline {
            // Said again until it is heard: the room may not have subscribed yet.
            link.publish("pump-house/gecko/mat/set", "1", false);
            heard.extend(incoming.recv_timeout(Duration::from_millis(100)));
            let said = |topic: &str, payload: &[u8]| heard.iter().any(|m| m.topic == topic && m.payload == payload);
            if said("pump-house/gecko/mat", b"closed") && heard.iter().any(|m| m.topic == "pump-house/dragon/basking") {
                break;
            }
        }
        assert!(Instant::now() < deadline, "heard only {heard:?}");
        drop((plant, link));
    }
}
