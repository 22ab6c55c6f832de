//! The whole simulated site: it advances to any moment, hears commands and speaks as its probes and outputs do.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx, Settings};
use crate::units::{Celsius, Level, Watts};

use super::active::{Faults, Turn, millis};
use super::agenda::Agenda;
use super::condition::{EnclosureCondition, LampCondition, ProbeCondition, RelayCondition};
use super::enclosure::{EnclosurePlant, Surroundings};
use super::fault::{Fault, Subject, Switch, TimedFault};
use super::message::Message;
use super::physics::{Physics, Region};
use super::relay::RelayPlant;
use super::room::{Cursor, Room};

/// A site in motion. It knows the settings for topics, words, fittings and watts, and nothing of the core: the two meet
/// through messages alone.
///
/// Time is counted in whole milliseconds since the world began. What happens in between does not depend on the moments
/// it is asked to advance to, so the same seed and the same commands give the same messages, byte for byte.
#[derive(Clone, Debug)]
pub struct World {
    /// Up to when everything has happened, ms.
    now: u64,
    /// Wall time at which it began.
    start: DateTime<Utc>,
    /// The room.
    room: Room,
    /// Enclosures, in the order of the settings.
    enclosures: Vec<EnclosurePlant>,
    /// Contactors, in the order of the settings.
    cut_offs: Vec<RelayPlant>,
    /// Which contactors are closed.
    closed: Vec<bool>,
    /// Who listens where.
    listeners: BTreeMap<String, Switch>,
    /// What goes wrong.
    faults: Faults,
    /// When something happens in each enclosure next.
    agenda: Agenda,
    /// When a contactor does something by itself next.
    release: u64,
    /// Whether the site has no mains.
    dark: bool,
    /// What the broker keeps on command topics.
    kept: BTreeMap<String, Vec<u8>>,
    /// Reports of outputs that just got power, not yet spoken.
    waiting: Vec<Message>,
}

/// Streams of the generator kept for one enclosure's probes; more probes share them with the next enclosure's.
const STREAMS_PER_ENCLOSURE: u64 = 1024;

impl World {
    /// The site of `settings` at `start`: everything at room temperature, every lamp off, every contactor closed.
    /// Fields of `physics` beyond the settings are ignored, and parts it lacks do not exist.
    pub fn new(
        settings: &Settings,
        physics: &Physics,
        start: DateTime<Utc>,
        seed: u64,
        faults: &[TimedFault],
    ) -> World {
        let weather = (physics.climate, physics.weather.clone());
        let room = Room::new(weather, settings.site.place, start, seed, faults);
        let build = |(i, (enclosure, physics))| {
            let stream = STREAMS_PER_ENCLOSURE * (i as u64 + 1);
            EnclosurePlant::new((EnclosureIx(i), enclosure), physics, &room, seed, stream)
        };
        let enclosures: Vec<EnclosurePlant> =
            settings.enclosures.iter().zip(&physics.enclosures).enumerate().map(build).collect();
        let contactor = |(c, cut_off): (usize, &crate::settings::CutOff)| {
            RelayPlant::new(&cut_off.output, Level::FULL, Switch::CutOff(CutOffIx(c)))
        };
        let cut_offs: Vec<RelayPlant> = settings.cut_offs.iter().enumerate().map(contactor).collect();
        let reports = enclosures.iter().flat_map(|e| e.lamps.iter().map(|slot| &slot.relay)).chain(&cut_offs);
        let waiting = reports.filter_map(RelayPlant::report).collect();
        World {
            now: 0,
            start,
            room,
            listeners: listeners(settings),
            closed: vec![true; cut_offs.len()],
            faults: Faults::new(faults, seed),
            agenda: Agenda::new(enclosures.iter().map(EnclosurePlant::next).collect()),
            release: u64::MAX,
            dark: false,
            kept: BTreeMap::new(),
            waiting,
            enclosures,
            cut_offs,
        }
    }

    /// How long the world has run.
    pub fn now(&self) -> Duration {
        Duration::from_millis(self.now)
    }

    /// Wall time now.
    pub fn wall(&self) -> DateTime<Utc> {
        self.around().wall(self.now)
    }

    /// Command topics that somebody here listens to, in order.
    pub fn command_topics(&self) -> impl Iterator<Item = &str> {
        self.listeners.keys().map(String::as_str)
    }

    /// When something happens next by itself.
    pub fn next_event(&self) -> Option<Duration> {
        Some(self.next()).filter(|at| *at < u64::MAX).map(Duration::from_millis)
    }

    /// When something happens next by itself, ms.
    fn next(&self) -> u64 {
        let next = self.agenda.first().0.min(self.release).min(self.faults.next());
        debug_assert!(next >= self.now, "what was due at {next} is not done at {}", self.now);
        next
    }

    /// What surrounds the enclosures.
    fn around(&self) -> Surroundings<'_> {
        Surroundings { room: &self.room, start: self.start, closed: &self.closed }
    }

    /// Lets everything happen up to and at `to`, rounded down to a millisecond, and appends what is said on the way.
    /// A moment that has passed changes nothing.
    pub fn advance_to(&mut self, to: Duration, out: &mut Vec<Message>) {
        let to = millis(to);
        out.append(&mut self.waiting);
        loop {
            let next = self.next();
            if next > to || next == u64::MAX {
                break;
            }
            self.now = self.now.max(next);
            if !self.turn_or_release(out) {
                let (_, index) = self.agenda.first();
                let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                self.enclosures[index].pass(self.now, &around, out);
                self.agenda.set(index, self.enclosures[index].next());
            }
        }
        self.now = self.now.max(to);
    }

    /// Lets everything happen up to and at `to`, as [`World::advance_to`] does, as long as nothing is said but plain
    /// readings that `takes` accepts. It is shown each with its moment (ms since the world began) and its value as
    /// whoever reads the payload has it. Plain is what a probe says that is well, not booting and alone on its topic: a
    /// bare number in the kept unit, live.
    ///
    /// The first message that is anything else, or that `takes` refuses, ends the glide at its moment: it is appended
    /// to `out`, followed by whatever else is said at that moment. Returns the moment reached; up to and at it
    /// everything has happened, exactly as if the world had been advanced there.
    pub fn glide(
        &mut self,
        to: Duration,
        takes: &mut impl FnMut(u64, EnclosureIx, ProbeIx, f64) -> bool,
        out: &mut Vec<Message>,
    ) -> Duration {
        let (to, before) = (millis(to), out.len());
        out.append(&mut self.waiting);
        while out.len() == before {
            let next = self.next();
            if next > to || next == u64::MAX {
                self.now = self.now.max(to);
                return self.now();
            }
            self.now = self.now.max(next);
            if !self.turn_or_release(out) {
                let (_, index) = self.agenda.first();
                // Up to and at when nothing but this enclosure has anything to do.
                let alone = self.faults.next().min(self.release).saturating_sub(1);
                let until = to.min(alone).min(self.agenda.runner_up());
                let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                self.now = self.enclosures[index].glide(until, &around, takes, out);
                self.agenda.set(index, self.enclosures[index].next());
            }
        }
        self.advance_to(self.now(), out);
        self.now()
    }

    /// At one moment faults turn first, then contactors let go, then enclosures live: lets one of the former happen
    /// now; whether any was due.
    fn turn_or_release(&mut self, out: &mut Vec<Message>) -> bool {
        let turns = self.faults.next() <= self.now;
        if turns {
            self.turn(out);
        } else if self.release <= self.now {
            self.release(out);
        } else {
            return false;
        }
        true
    }

    /// Contactors do what is due now.
    fn release(&mut self, out: &mut Vec<Message>) {
        for cut_off in &mut self.cut_offs {
            cut_off.pass(self.now, out);
        }
        self.contactors();
    }

    /// Hands a message to whoever listens on `topic`, now, and appends the report that follows.
    pub fn incoming(&mut self, topic: &str, payload: &[u8], out: &mut Vec<Message>) {
        out.append(&mut self.waiting);
        let Some(switch) = self.listeners.get(topic).copied() else { return };
        let Ok(payload) = str::from_utf8(payload) else { return };
        self.command(switch, payload, out);
    }

    /// Hands a command to a switch, now, and appends the report that follows: what [`World::incoming`] does with a message on
    /// its topic.
    pub fn told(&mut self, switch: Switch, payload: &str, out: &mut Vec<Message>) {
        out.append(&mut self.waiting);
        self.command(switch, payload, out);
    }

    /// A switch hears a command now.
    fn command(&mut self, switch: Switch, payload: &str, out: &mut Vec<Message>) {
        let now = self.now;
        let Some(relay) = self.relay(switch) else { return };
        let before = relay.level();
        if relay.command(now, payload) {
            out.extend(relay.report());
        }
        match switch {
            // Told again what it does, it has no more than another time at which its hold ends.
            Switch::Lamp(e, _) if relay.level() == before => {
                self.enclosures[e.0].plan();
                self.agenda.set(e.0, self.enclosures[e.0].next());
            }
            _ => self.switched(switch),
        }
    }

    /// The relay that is this switch.
    fn relay(&mut self, switch: Switch) -> Option<&mut RelayPlant> {
        match switch {
            Switch::Lamp(e, l) => Some(&mut self.enclosures.get_mut(e.0)?.lamps.get_mut(l.0)?.relay),
            Switch::CutOff(c) => self.cut_offs.get_mut(c.0),
        }
    }

    /// A switch may have switched, or may have something else to do next.
    fn switched(&mut self, switch: Switch) {
        match switch {
            Switch::Lamp(e, _) => self.feed(e.0),
            Switch::CutOff(_) => self.contactors(),
        }
    }

    /// Tells what the broker keeps on a command topic; none: nothing. An output hears it whenever it boots.
    pub fn set_retained(&mut self, topic: &str, payload: Option<&[u8]>) {
        match payload {
            Some(payload) if self.listeners.contains_key(topic) => {
                self.kept.insert(topic.to_owned(), payload.to_vec());
            }
            _ => {
                self.kept.remove(topic);
            }
        }
    }

    /// Passes on what outputs and contactors of one enclosure let through now.
    fn feed(&mut self, enclosure: usize) {
        let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
        self.enclosures[enclosure].feed(self.now, &around);
        self.agenda.set(enclosure, self.enclosures[enclosure].next());
    }

    /// Passes on what the contactors let through now.
    fn contactors(&mut self) {
        self.release = self.cut_offs.iter().map(RelayPlant::next).min().unwrap_or(u64::MAX);
        let mut changed = false;
        for (closed, cut_off) in self.closed.iter_mut().zip(&self.cut_offs) {
            let now = !cut_off.level().is_off();
            changed |= std::mem::replace(closed, now) != now;
        }
        if changed {
            (0..self.enclosures.len()).for_each(|enclosure| self.feed(enclosure));
        }
    }

    /// The next fault comes or goes, or begins or ends a spell.
    fn turn(&mut self, out: &mut Vec<Message>) {
        match self.faults.turn(self.now) {
            Some(Turn::Changes(fault)) => {
                self.suffer(fault.subject(), out);
                if let Fault::ProbesSwap(e, _, other) = fault {
                    self.suffer(Subject::Probe(e, other), out);
                }
            }
            Some(Turn::Happens(act)) => self.act(act, out),
            None => {}
        }
    }

    /// Brings a part to the condition that the faults in force make.
    fn suffer(&mut self, subject: Subject, out: &mut Vec<Message>) {
        let now = self.now;
        match subject {
            Subject::Site => {
                let dark = self.faults.in_force().any(|(fault, _)| fault == Fault::PowerFails);
                // Faults of the room's temperature are in the room from the beginning.
                if std::mem::replace(&mut self.dark, dark) != dark {
                    self.cut_offs.iter_mut().for_each(|cut_off| cut_off.set_dark(now, dark));
                    self.contactors();
                    (0..self.enclosures.len()).for_each(|e| self.suffer(Subject::Enclosure(EnclosureIx(e)), out));
                    let cut_offs = if dark { 0 } else { self.cut_offs.len() };
                    (0..cut_offs).for_each(|c| self.greet(Switch::CutOff(CutOffIx(c)), out));
                }
            }
            Subject::Enclosure(e) if e.0 < self.enclosures.len() => {
                let mut condition = EnclosureCondition::default();
                self.faults.in_force().for_each(|(fault, since)| condition.suffer(e, fault, since));
                let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                let booted = self.enclosures[e.0].suffer(now, condition, &around);
                self.feed(e.0);
                booted.into_iter().for_each(|l| self.greet(Switch::Lamp(e, LampIx(l)), out));
            }
            Subject::Lamp(e, l) if e.0 < self.enclosures.len() => {
                let mut condition = LampCondition::default();
                self.faults.in_force().for_each(|(fault, _)| condition.suffer(e, l, fault));
                let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                self.enclosures[e.0].suffer_lamp(now, l.0, condition, &around);
                self.feed(e.0);
            }
            Subject::Switch(switch) => {
                let mut condition = RelayCondition::default();
                self.faults.in_force().for_each(|(fault, _)| condition.suffer(switch, fault));
                if let Some(relay) = self.relay(switch) {
                    relay.suffer(now, condition);
                    self.switched(switch);
                }
            }
            Subject::Probe(e, p) => self.suffer_probe(e, p),
            Subject::Enclosure(_) | Subject::Lamp(..) => {}
        }
    }

    /// Brings a probe, and the one in whose document it speaks, to the condition that the faults in force make.
    fn suffer_probe(&mut self, e: EnclosureIx, p: ProbeIx) {
        let Some(plant) = self.enclosures.get_mut(e.0) else { return };
        let Some(leader) = plant.probes.get(p.0).map(|gauge| gauge.leader) else { return };
        for probe in if leader == p.0 { vec![leader] } else { vec![leader, p.0] } {
            let mut condition = ProbeCondition::default();
            for (fault, since) in self.faults.in_force() {
                condition.suffer(e, ProbeIx(probe), fault, since);
                let spoken = plant.probes.iter().enumerate().filter(|(_, gauge)| gauge.leader == probe);
                spoken.for_each(|(own, _)| condition.voice.suffer(e, ProbeIx(own), fault));
            }
            plant.suffer_probe(self.now, probe, condition);
        }
        self.agenda.set(e.0, plant.next());
    }

    /// An act of a moment happens now.
    fn act(&mut self, act: Fault, out: &mut Vec<Message>) {
        let now = self.now;
        match act {
            Fault::LampIsChanged(e, l, strength) => {
                self.faults.end(|fault| went_with_lamp(fault, e, l));
                self.suffer(Subject::Lamp(e, l), out);
                let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                if let Some(plant) = self.enclosures.get_mut(e.0) {
                    plant.change_lamp(now, l.0, strength, &around);
                    self.agenda.set(e.0, plant.next());
                }
            }
            Fault::RelayReboots(switch) => {
                if let Some(relay) = self.relay(switch).filter(|relay| !relay.is_dark()) {
                    relay.boot(now);
                    self.switched(switch);
                    self.greet(switch, out);
                }
            }
            Fault::ProbeReboots(e, p) => {
                if let Some(gauge) = self.enclosures.get_mut(e.0).and_then(|e| e.probes.get_mut(p.0)) {
                    gauge.probe.boot();
                }
            }
            _ => {}
        }
    }

    /// A switch that has booted says so, and hears what the broker keeps for it.
    fn greet(&mut self, switch: Switch, out: &mut Vec<Message>) {
        let Some(relay) = self.relay(switch) else { return };
        out.extend(relay.greeting());
        let topic = relay.topic().to_owned();
        let kept = self.kept.get(&topic);
        if let Some(payload) = kept.and_then(|payload| String::from_utf8(payload.clone()).ok()) {
            self.command(switch, &payload, out);
        }
    }

    /// Temperature of the room now.
    pub fn room(&self) -> Celsius {
        Celsius(self.room.piece(self.now, &mut Cursor::default()).value)
    }

    /// Temperature of a place now, whatever any probe says; none where there is no such enclosure.
    pub fn temperature(&self, enclosure: EnclosureIx, place: Region) -> Option<Celsius> {
        Some(self.enclosures.get(enclosure.0)?.temperature(self.now, place))
    }

    /// What a perfect probe in its place would say now, in its kept unit; none where there is no such probe.
    pub fn truth(&self, enclosure: EnclosureIx, probe: ProbeIx) -> Option<f64> {
        self.enclosures.get(enclosure.0)?.truth(self.now, probe.0)
    }

    /// Up to and at when the place of a thermometer certainly stays below `most`, as long as no output is told anything. It may stay so
    /// for longer. None where there is no such probe.
    pub fn stays_below(&self, enclosure: EnclosureIx, probe: ProbeIx, most: Celsius) -> Option<Duration> {
        let until = self.enclosures.get(enclosure.0)?.stays_below(self.now, probe.0, most)?;
        Some(Duration::from_millis(until.min(self.release).min(self.faults.next()).max(self.now)))
    }

    /// Power a lamp draws now; none where there is no such lamp.
    pub fn power(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Watts> {
        self.enclosures.get(enclosure.0)?.power(lamp.0)
    }

    /// Hours a lamp has burnt; none where there is no such lamp.
    pub fn burnt(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<f64> {
        Some(self.enclosures.get(enclosure.0)?.lamps.get(lamp.0)?.lamp.burnt(self.now))
    }

    /// What comes through the contacts of a switch now; none where there is no such switch.
    pub fn level(&self, switch: Switch) -> Option<Level> {
        match switch {
            Switch::Lamp(e, l) => Some(self.enclosures.get(e.0)?.lamps.get(l.0)?.relay.level()),
            Switch::CutOff(c) => Some(self.cut_offs.get(c.0)?.level()),
        }
    }

    /// Whether a contactor lets current through; none where there is no such contactor.
    pub fn is_closed(&self, cut_off: CutOffIx) -> Option<bool> {
        self.closed.get(cut_off.0).copied()
    }

    /// Every fault in force now; those of the room's temperature count while they last.
    pub fn in_force(&self) -> impl Iterator<Item = Fault> {
        self.faults.in_force().map(|(fault, _)| fault)
    }
}

/// Whether `fault` is about the lamp itself, and goes with it.
fn went_with_lamp(fault: Fault, e: EnclosureIx, l: LampIx) -> bool {
    let about_lamp = !matches!(fault, Fault::LampMoves(..));
    about_lamp && fault.subject() == Subject::Lamp(e, l)
}

/// Who listens where.
fn listeners(settings: &Settings) -> BTreeMap<String, Switch> {
    let mut listeners = BTreeMap::new();
    for (e, enclosure) in settings.enclosures.iter().enumerate() {
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            listeners.insert(lamp.output.set.clone(), Switch::Lamp(EnclosureIx(e), LampIx(l)));
        }
    }
    for (c, cut_off) in settings.cut_offs.iter().enumerate() {
        listeners.insert(cut_off.output.set.clone(), Switch::CutOff(CutOffIx(c)));
    }
    listeners
}
