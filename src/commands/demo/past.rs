//! The demo's past: the room and the core through the days before, in virtual time, written to the journal as the daemon
//! does. So every picture has something to show, and lamps have hours behind them.
//!
//! It is told coarsely, so that the demo opens within seconds: probes speak less often than they will.

use std::path::Path;
use std::time::Duration;

use anyhow::anyhow;
use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{Act, Controller, Effect, Event, MeterReading};
use crate::daemon::{Records, record_of};
use crate::journal::{Entry, Journal};
use crate::message::{self, Routes, act_words};
use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::simulator::{Fault, Message, Physics, TimedFault, World};
use crate::time::{Moment, Mono};
use crate::units::Uvi;

/// A probe that regulates or guards speaks this often in the past, one of UV that often (a calibration wants three readings
/// in a quarter of an hour), any other that often. Our choice.
const CLOSELY: Duration = Duration::from_secs(120);
const UV: Duration = Duration::from_secs(240);
const COARSELY: Duration = Duration::from_secs(600);
/// The keeper walks with the meter so many days before the end, each time at noon.
const WALKS: [u64; 4] = [88, 60, 31, 2];
/// Somebody sees to an alarm after so long.
const SEEN_AFTER: Duration = Duration::from_secs(25 * 60);
const HOUR: Duration = Duration::from_secs(3600);

/// Writes `days` days before `start` to the journal in `directory`; `physics` is how old its lamps are by then.
///
/// # Errors
///
/// Where the journal cannot be made.
pub(super) fn write(
    directory: &Path,
    settings: &Settings,
    physics: &mut Physics,
    start: DateTime<Utc>,
    days: u32,
    seed: u64,
) -> anyhow::Result<()> {
    if days == 0 {
        return Ok(());
    }
    let settings = coarse(settings);
    let begin = start - TimeDelta::days(i64::from(days));
    let (journal, _) = Journal::open(directory).map_err(|why| anyhow!(why))?;
    let mut past = Past {
        controller: Controller::new(settings.clone(), Moment { mono: Mono::START, wall: begin }, &[]),
        routes: Routes::new(&settings),
        world: World::new(&settings, physics, begin, seed, &faults(&settings, days)),
        begin,
        records: Records::new(Some(journal)),
        acts: walks(&settings, days),
        later: Vec::new(),
        settings,
    };
    past.live(Duration::from_secs(u64::from(days) * 86_400));
    for (e, enclosure) in physics.enclosures.iter_mut().enumerate() {
        for (l, lamp) in enclosure.lamps.iter_mut().enumerate() {
            lamp.burnt = past.world.burnt(EnclosureIx(e), LampIx(l)).unwrap_or(lamp.burnt);
        }
    }
    let Past { records, controller, .. } = past;
    records.close(&controller);
    Ok(())
}

/// The same site with probes that speak less often.
fn coarse(settings: &Settings) -> Settings {
    let mut settings = settings.clone();
    for enclosure in &mut settings.enclosures {
        let heeded = |ix: usize| {
            enclosure.lamps.iter().any(|lamp| {
                let regulates = lamp.heat.is_some_and(|heat| heat.probe == ProbeIx(ix));
                regulates || lamp.guard.as_ref().is_some_and(|guard| guard.probes.contains(&ProbeIx(ix)))
            })
        };
        let heeded: Vec<bool> = (0..enclosure.probes.len()).map(heeded).collect();
        for (probe, heeded) in enclosure.probes.iter_mut().zip(heeded) {
            probe.every = match probe.measures {
                _ if heeded => CLOSELY,
                Measures::Uvi => UV,
                _ => COARSELY,
            };
            probe.stale = 3 * probe.every;
        }
    }
    settings
}

/// What went wrong in those days, where there were so many.
fn faults(settings: &Settings, days: u32) -> Vec<TimedFault> {
    let probe = |id: &str, name: &str| {
        let (e, enclosure) = settings.enclosures.iter().enumerate().find(|(_, enclosure)| enclosure.id == id)?;
        let p = enclosure.probes.iter().position(|probe| probe.name == name)?;
        Some(Fault::ProbeIsSilent(EnclosureIx(e), ProbeIx(p)))
    };
    let before = |days_before: u64, hour: u64, lasting: u64, fault: Option<Fault>| {
        let day = u64::from(days).checked_sub(days_before)?;
        let at = Duration::from_secs(day * 86_400) + u32::try_from(hour).unwrap_or(0) * HOUR;
        Some(TimedFault { at, until: Some(at + Duration::from_secs(60 * lasting)), fault: fault? })
    };
    let faults = [
        before(71, 7, 130, probe("python", "cool")),
        before(19, 5, 50, probe("gecko", "floor")),
        before(6, 9, 95, probe("dragon", "cool")),
    ];
    faults.into_iter().flatten().collect()
}

/// What the keeper does: walks, each a reading at every UV probe and one in the retreat.
fn walks(settings: &Settings, days: u32) -> Vec<(Duration, Planned)> {
    let mut acts = Vec::new();
    for before in WALKS.into_iter().filter_map(|before| u64::from(days).checked_sub(before)) {
        // The demo begins at half past six in the morning.
        let mut at = Duration::from_secs(before * 86_400) + 6 * HOUR;
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            let uv = enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == Measures::Uvi);
            for (p, _) in uv {
                acts.push((at, Planned::Beside(EnclosureIx(e), ProbeIx(p))));
                acts.push((at + Duration::from_secs(40), Planned::Retreat(EnclosureIx(e))));
                at += Duration::from_secs(90);
            }
        }
    }
    acts.reverse();
    acts
}

/// What the keeper will do.
#[derive(Clone, Copy, Debug)]
enum Planned {
    /// Reads the meter beside a UV probe.
    Beside(EnclosureIx, ProbeIx),
    /// Reads it in the retreat.
    Retreat(EnclosureIx),
    /// Sees to every alarm of an enclosure.
    See(Option<EnclosureIx>),
}

/// Room, core and journal.
struct Past {
    settings: Settings,
    controller: Controller,
    routes: Routes,
    world: World,
    begin: DateTime<Utc>,
    records: Records,
    /// The soonest last.
    acts: Vec<(Duration, Planned)>,
    later: Vec<Effect>,
}

impl Past {
    fn live(&mut self, end: Duration) {
        let mut said = Vec::new();
        self.handle(Event::LinkUp, &mut said);
        let mut written = Duration::ZERO;
        while self.world.now() < end {
            let deadline = self.controller.next_deadline().map(Mono::since_start);
            let act = self.acts.last().map(|(at, _)| *at);
            let next = [self.world.next_event(), deadline, act].into_iter().flatten().fold(end, Duration::min);
            // The world counts in milliseconds, and time never stands still.
            let next = next.max(self.world.now() + Duration::from_millis(1));
            self.world.advance_to(next, &mut said);
            if deadline.is_some_and(|deadline| deadline <= next) {
                self.handle(Event::Tick, &mut said);
            }
            self.deliver(&mut said);
            while let Some((_, planned)) = self.acts.pop_if(|(at, _)| *at <= next) {
                self.keeper(planned, &mut said);
                self.deliver(&mut said);
            }
            self.records.keep_time(&self.controller);
            if next >= written + 12 * HOUR {
                written = next;
                self.records.commit();
            }
        }
    }

    fn deliver(&mut self, said: &mut Vec<Message>) {
        while !said.is_empty() {
            for message in std::mem::take(said) {
                let (mut events, payload) = (Vec::new(), message.payload());
                let (topic, retained) = (message.topic(), message.retained());
                // What cannot be read is for the daemon to warn of, and there is nobody here to be warned.
                let _ = self.routes.decode(topic, payload.as_bytes(), retained, &self.settings, &mut events);
                events.into_iter().for_each(|event| self.handle(event, said));
            }
        }
    }

    fn keeper(&mut self, planned: Planned, said: &mut Vec<Message>) {
        let reading = |spot: &str, uvi: f64| MeterReading {
            spot: spot.to_owned(),
            uvi: Uvi((10.0 * uvi).round() / 10.0),
            alone: None,
            guess: false,
        };
        let act = match planned {
            Planned::Beside(enclosure, probe) => {
                let Some(truth) = self.world.truth(enclosure, probe) else { return };
                let spot = &self.settings.enclosures[enclosure.0].probes[probe.0].spot;
                Act::MeterReading { enclosure, reading: reading(spot, truth) }
            }
            Planned::Retreat(enclosure) => Act::MeterReading { enclosure, reading: reading("retreat", 0.1) },
            Planned::See(enclosure) => Act::Acknowledge { enclosure, kind: None },
        };
        self.handle(Event::Act(act), said);
    }

    fn handle(&mut self, event: Event, said: &mut Vec<Message>) {
        let now = self.world.now();
        let wall = self.begin + TimeDelta::from_std(now).unwrap_or_default();
        let heard = match &event {
            Event::Reading { enclosure, probe, .. } => Some((*enclosure, *probe)),
            _ => None,
        };
        let act = match &event {
            Event::Act(act) => Some(act_words(&self.settings, act)),
            _ => None,
        };
        let mut effects = std::mem::take(&mut self.later);
        self.controller.handle(Moment { mono: Mono::new(now), wall }, event, &mut effects);
        if let Some((enclosure, probe)) = heard {
            self.records.heard(&self.controller, enclosure, probe);
        }
        if let Some((enclosure, act)) = act {
            self.records.note(Entry::Act { at: wall, enclosure, act });
        }
        let mut delivered = Vec::new();
        for effect in effects.drain(..) {
            if let Some(entry) = record_of(&self.settings, wall, &effect) {
                self.records.note(entry);
            }
            match effect {
                Effect::Command(command) => {
                    if let Some(sent) = message::encode(&self.settings, &command) {
                        self.world.incoming(&sent.topic, &sent.payload, said);
                    }
                    delivered.push(Event::Delivered { output: command.output, ticket: command.ticket });
                }
                Effect::Alarm(notice) if notice.state.is_active() => {
                    let at = now + SEEN_AFTER;
                    let place = self.acts.partition_point(|(planned, _)| *planned > at);
                    if !self.acts.iter().any(|(_, act)| matches!(act, Planned::See(of) if *of == notice.enclosure)) {
                        self.acts.insert(place, (at, Planned::See(notice.enclosure)));
                    }
                }
                _ => {}
            }
        }
        self.later = effects;
        delivered.into_iter().for_each(|event| self.handle(event, said));
    }
}

#[cfg(test)]
mod tests {
    use super::super::room;
    use super::*;
    use crate::journal::read::{Reader, Resolution, Whose, Window};

    #[test]
    fn the_days_before_are_in_the_journal_and_nothing_went_wrong_by_itself() {
        let directory = std::env::temp_dir().join(format!("lampwarden-past-{}", std::process::id()));
        let settings = room::settings(1).expect("accepted");
        let start = room::start(&settings).expect("it exists");
        let mut physics = Physics::plausible(&settings);
        let before = physics.clone();
        write(&directory, &settings, &mut physics, start, 3, 1).expect("written");
        assert!(physics != before, "lamps have burnt");
        let reader = Reader::open(&directory.join(crate::journal::FILE)).expect("opens");
        let series = reader.series(Whose { enclosure: Some("dragon"), probe: Some("basking") }).expect("read");
        let mut hours = Vec::new();
        let read = reader.samples(&series[0], Window::ALL, Resolution::Hour, settings.site.timezone, |hour| {
            hours.push((hour.at, hour.high.unwrap_or(0.0)));
            Ok(())
        });
        read.expect("read");
        assert!((70..=73).contains(&hours.len()), "{}", hours.len());
        assert!(hours.iter().all(|(at, high)| *at < start && *high < 45.0), "below the guard's cut: {hours:?}");
        let mut kinds = Vec::new();
        reader
            .alarms(None, Window::ALL, |alarm| {
                kinds.push((alarm.enclosure, alarm.kind));
                Ok(())
            })
            .expect("read");
        let expected = ["probe-silent", "probe-doubtful", "calibration-due", "walk-due"];
        assert!(kinds.iter().all(|(_, kind)| expected.contains(&kind.as_str())), "{kinds:?}");
        let mut acts = 0;
        let read = reader.acts(None, Window::ALL, |_| {
            acts += 1;
            Ok(())
        });
        read.expect("read");
        assert!(acts >= 8, "a walk two days before: {acts}");
        let _ = std::fs::remove_dir_all(directory);
    }
}
