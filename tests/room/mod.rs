//! A room in virtual time: a configuration as a keeper writes it, the control core, messages on topics, and relays that
//! obey unless told otherwise. Nothing here reads a clock.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampwarden::config::{self, Source};
use lampwarden::control::{AlarmKind, AlarmNotice, AlarmState, Controller, Effect, Event, OutputRef, Record};
use lampwarden::guard::SafetyRecord;
use lampwarden::message::{self, Routes};
use lampwarden::settings::{EnclosureIx, LampIx, Output, Settings};
use lampwarden::time::{Moment, Mono};
use lampwarden::units::Level;

/// The settings of a configuration without an error.
pub fn settings(toml: &str) -> Settings {
    let sources = [Source { name: "room.toml".into(), text: toml.into() }];
    let checked = config::parse(&sources);
    match checked.settings {
        Some(settings) => settings,
        None => panic!("{}", config::render(&checked.findings, &sources, false)),
    }
}

/// How a relay answers its commands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Relay {
    /// Does and reports what it is told.
    Obeys,
    /// Says and does nothing.
    Deaf,
    /// Reports this whatever it is told.
    Reports(Level),
}

/// A room in virtual time.
pub struct Room {
    pub controller: Controller,
    routes: Routes,
    pub now: Moment,
    relays: BTreeMap<OutputRef, Relay>,
    /// Everything that happened, a line each: `HH:MM:SS e1/heat on: reason`, `HH:MM:SS raised e1 over-temperature`.
    pub log: Vec<String>,
    /// Every command: when, output, level.
    pub commands: Vec<(Mono, OutputRef, Level)>,
    /// Alarms as last announced.
    pub alarms: BTreeMap<(Option<EnclosureIx>, AlarmKind), AlarmNotice>,
    /// Every announcement of an alarm, and when it began to be noted.
    pub notices: Vec<(Moment, AlarmNotice)>,
    pub began: Moment,
    /// Every record so far, those it began with first.
    pub remembered: Vec<SafetyRecord>,
    /// What the core gave to be filed.
    pub filed: Vec<Record>,
    pub cleared: Vec<OutputRef>,
    pub states: usize,
    /// Readings that come again and again: topic, payload, every.
    beats: Vec<(String, String, Duration, Mono)>,
    turn: usize,
    /// How many ticks were asked for.
    pub ticks: usize,
}

/// A number as a live sensor says it, a little different each time; anything else as it is.
fn trembling(payload: &str, turn: usize) -> String {
    match payload.parse::<f64>() {
        Ok(value) if payload.contains('.') => format!("{}", value + (turn % 3) as f64 * 0.001),
        _ => payload.to_owned(),
    }
}

impl Room {
    /// A room at `wall` (RFC 3339), its link up.
    pub fn new(toml: &str, wall: &str) -> Room {
        let mut room = Room::unlinked(toml, wall, &[]);
        room.event(Event::LinkUp);
        room
    }

    /// A room at `wall` that remembers `records` and has no link yet.
    pub fn unlinked(toml: &str, wall: &str, records: &[SafetyRecord]) -> Room {
        Room::again(toml, wall, records, &[], None)
    }

    /// The same that takes up what is on file, too.
    pub fn again(
        toml: &str,
        wall: &str,
        records: &[SafetyRecord],
        filed: &[Record],
        last_known: Option<DateTime<Utc>>,
    ) -> Room {
        let settings = settings(toml);
        let now = Moment { mono: Mono::START, wall: time(wall) };
        let routes = Routes::new(&settings);
        let controller = Controller::new(settings, now, records);
        let (log, commands, cleared) = (Vec::new(), Vec::new(), Vec::new());
        let (relays, alarms, beats) = (BTreeMap::new(), BTreeMap::new(), Vec::new());
        let mut room = Room {
            controller,
            routes,
            now,
            relays,
            log,
            commands,
            alarms,
            notices: Vec::new(),
            began: now,
            remembered: records.to_vec(),
            filed: filed.to_vec(),
            cleared,
            states: 0,
            beats,
            turn: 0,
            ticks: 0,
        };
        let mut effects = Vec::new();
        room.controller.recall(filed, last_known, &mut effects);
        room.carry_out(effects);
        room.event(Event::Tick);
        room
    }

    /// The output of a lamp, or of a cut-off by its name alone.
    pub fn output(&self, name: &str) -> OutputRef {
        let settings = self.controller.settings();
        match name.split_once('/') {
            Some((enclosure, lamp)) => {
                let at = settings.enclosures.iter().position(|known| known.id == enclosure).expect("an enclosure");
                let lamp = settings.enclosures[at].lamps.iter().position(|known| known.name == lamp).expect("a lamp");
                OutputRef::Lamp(EnclosureIx(at), LampIx(lamp))
            }
            None => {
                let at = settings.cut_offs.iter().position(|known| known.name == name).expect("a cut-off");
                OutputRef::CutOff(lampwarden::settings::CutOffIx(at))
            }
        }
    }

    fn settings_of(&self, output: OutputRef) -> &Output {
        let settings = self.controller.settings();
        match output {
            OutputRef::Lamp(enclosure, lamp) => &settings.enclosures[enclosure.0].lamps[lamp.0].output,
            OutputRef::CutOff(cut_off) => &settings.cut_offs[cut_off.0].output,
        }
    }

    /// From now on a relay answers so.
    pub fn relay(&mut self, name: &str, relay: Relay) {
        let output = self.output(name);
        self.relays.insert(output, relay);
    }

    /// A message arrives.
    pub fn say(&mut self, topic: &str, payload: &str) {
        self.arrive(topic, payload.as_bytes(), false);
    }

    /// A message arrives that the broker had kept.
    pub fn say_retained(&mut self, topic: &str, payload: &str) {
        self.arrive(topic, payload.as_bytes(), true);
    }

    /// Any bytes arrive.
    pub fn arrive(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let mut events = Vec::new();
        let _ = self.routes.decode(topic, payload, retained, self.controller.settings(), &mut events);
        events.into_iter().for_each(|event| self.event(event));
    }

    /// A sensor says `payload` now and every `seconds` from now on; an empty payload silences it.
    pub fn keeps_saying(&mut self, topic: &str, payload: &str, seconds: u64) {
        self.beats.retain(|(known, ..)| known != topic);
        if payload.is_empty() {
            return;
        }
        let every = Duration::from_secs(seconds);
        self.beats.push((topic.into(), payload.into(), every, self.now.mono.after(every)));
        self.say(topic, payload);
    }

    /// The core is told something.
    pub fn event(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.controller.handle(self.now, event, &mut effects);
        self.carry_out(effects);
    }

    pub fn carry_out(&mut self, effects: Vec<Effect>) {
        let mut answers = Vec::new();
        for effect in effects {
            match effect {
                Effect::Command(command) => {
                    let level = command.permit.level();
                    let sent = message::encode(self.controller.settings(), &command).expect("it can be said");
                    assert_eq!(sent.topic, self.settings_of(command.output).set);
                    self.commands.push((self.now.mono, command.output, level));
                    answers.push(Event::Delivered { output: command.output, ticket: command.ticket });
                    let reports = match self.relays.get(&command.output).copied().unwrap_or(Relay::Obeys) {
                        Relay::Obeys => Some(level),
                        Relay::Reports(level) => Some(level),
                        Relay::Deaf => None,
                    };
                    if let Some(level) = reports.filter(|_| self.settings_of(command.output).state.is_some()) {
                        answers.push(Event::Report { output: command.output, level: Ok(level), retained: false });
                    }
                }
                Effect::Switched { enclosure, lamp, level, reason } => {
                    let settings = &self.controller.settings().enclosures[enclosure.0];
                    let line = format!("{}/{} {level}: {reason}", settings.id, settings.lamps[lamp.0].name);
                    self.note(&line);
                }
                Effect::Alarm(notice) => {
                    let id = notice.enclosure.map_or("site", |ix| &self.controller.settings().enclosures[ix.0].id);
                    let word = if notice.state.is_active() { "raised" } else { "cleared" };
                    let line = format!("{word} {id} {}", notice.kind);
                    if self.is_raised_notice(&notice) != notice.state.is_active() {
                        self.note(&line);
                    }
                    self.notices.push((self.now, notice.clone()));
                    self.alarms.insert((notice.enclosure, notice.kind), notice);
                }
                Effect::ClearRetained(output) => self.cleared.push(output),
                Effect::Remember(record) => self.remembered.push(record),
                Effect::File(record) => self.filed.push(record),
                Effect::Calibrated { told, .. } => self.note(&format!("calibration: {told}")),
                Effect::State(_) => self.states += 1,
            }
        }
        answers.into_iter().for_each(|answer| self.event(answer));
    }

    fn is_raised_notice(&self, notice: &AlarmNotice) -> bool {
        self.alarms.get(&(notice.enclosure, notice.kind)).is_some_and(|known| known.state.is_active())
    }

    fn note(&mut self, line: &str) {
        let zone = self.controller.settings().site.timezone;
        self.log.push(format!("{} {line}", self.now.wall.with_timezone(&zone).format("%H:%M:%S")));
    }

    /// Lets time pass. Ticks come when the core asked for them, and sensors keep saying what they say.
    pub fn wait(&mut self, seconds: u64) {
        self.wait_span(Duration::from_secs(seconds));
    }

    pub fn wait_span(&mut self, span: Duration) {
        let end = self.now.mono.after(span);
        let mut spinning = 0;
        loop {
            let beat = self.beats.iter().map(|(.., at)| *at).min();
            let tick = self.controller.next_deadline().map(|at| at.max(self.now.mono));
            let next = [beat, tick].into_iter().flatten().min().filter(|&at| at <= end).unwrap_or(end);
            spinning = if next == self.now.mono { spinning + 1 } else { 0 };
            assert!(spinning < 1000, "the core asks for ticks without end at {:?}: {:?}", self.now, self.log.last());
            self.now.wall += TimeDelta::from_std(next.since(self.now.mono)).expect("a short time");
            self.now.mono = next;
            let due: Vec<_> =
                self.beats.iter().enumerate().filter(|(_, beat)| beat.3 <= next).map(|(at, _)| at).collect();
            for at in &due {
                let (topic, payload, every, _) = self.beats[*at].clone();
                self.beats[*at].3 = next.after(every);
                self.turn += 1;
                self.say(&topic, &trembling(&payload, self.turn));
            }
            if tick.is_some_and(|tick| tick <= next) {
                self.ticks += 1;
                self.event(Event::Tick);
            } else if due.is_empty() {
                return;
            }
        }
    }

    /// Waits until the site's wall clock reads `HH:MM` next, by the core's own reckoning of elapsed time.
    pub fn wait_until(&mut self, wall: &str) {
        let span = (time(wall) - self.now.wall).to_std().expect("ahead");
        self.wait_span(span);
    }

    /// The wall clock is set by `seconds`, forward or back, and monotonic time is not.
    pub fn set_clock_by(&mut self, seconds: i64) {
        self.now.wall += TimeDelta::seconds(seconds);
    }

    /// The configuration is read again.
    pub fn reload(&mut self, toml: &str) {
        let settings = settings(toml);
        let farewell = self.controller.farewell(&settings);
        self.carry_out(farewell);
        let mut effects = Vec::new();
        self.routes = Routes::new(&settings);
        self.controller.reload(self.now, settings, &mut effects);
        self.carry_out(effects);
    }

    /// What a lamp should do.
    pub fn level(&self, name: &str) -> Level {
        self.lamp(name).wanted
    }

    /// Why.
    pub fn reason(&self, name: &str) -> String {
        self.lamp(name).reason
    }

    fn lamp(&self, name: &str) -> lampwarden::control::LampView {
        let OutputRef::Lamp(enclosure, lamp) = self.output(name) else { panic!("{name} is no lamp") };
        self.controller.view(enclosure).expect("it is there").lamps[lamp.0].clone()
    }

    /// The alarm of `kind` of the first enclosure, if it stands.
    pub fn alarm(&self, kind: AlarmKind) -> Option<&AlarmNotice> {
        self.alarms.get(&(Some(EnclosureIx(0)), kind)).filter(|notice| notice.state.is_active())
    }

    /// The site's alarm of `kind`, if it stands.
    pub fn site_alarm(&self, kind: AlarmKind) -> Option<&AlarmNotice> {
        self.alarms.get(&(None, kind)).filter(|notice| notice.state != AlarmState::Normal && notice.state.is_active())
    }

    /// Commands to an output since the log of commands was `len` long.
    pub fn told(&self, name: &str, since: usize) -> Vec<Level> {
        let output = self.output(name);
        self.commands[since..].iter().filter(|(_, to, _)| *to == output).map(|(.., level)| *level).collect()
    }

    /// The first line of the log with `words`, and its time.
    pub fn line(&self, words: &str) -> Option<&str> {
        self.log.iter().find(|line| line.contains(words)).map(String::as_str)
    }
}

/// RFC 3339.
pub fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("RFC 3339")
}
