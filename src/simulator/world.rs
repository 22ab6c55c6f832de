//! The whole simulated site: it advances to any moment, hears commands and speaks as its probes and outputs do.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx, Settings};
use crate::units::{Celsius, Kelvin, Level, Watts};

use super::enclosure::{EnclosurePlant, Surroundings};
use super::fault::{Fault, Switch, TimedFault};
use super::message::Message;
use super::physics::{Physics, Region};
use super::random::Pcg32;
use super::relay::RelayPlant;
use super::room::Room;

/// What listens on a command topic.
#[derive(Clone, Copy, Debug)]
enum Listener {
    /// The output of a lamp.
    Lamp(usize, usize),
    /// A contactor.
    CutOff(usize),
}

/// What happens by itself, in the order in which it does at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Happening {
    /// A fault comes or goes.
    Turn,
    /// A contactor's hold ends.
    Release(usize),
    /// Something in an enclosure.
    Enclosure(usize),
}

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
    listeners: BTreeMap<String, Listener>,
    /// Comings and goings of faults in order of time: moment in ms, whether it comes, which.
    turns: Vec<(u64, bool, Fault)>,
    /// How many of them have happened.
    turned: usize,
    /// When something happens in each enclosure next, in order of time.
    agenda: BTreeSet<(u64, usize)>,
    /// The same by enclosure.
    due: Vec<u64>,
    /// What the broker keeps on their topics.
    kept: BTreeMap<String, Vec<u8>>,
    /// Reports of outputs that just got power, not yet spoken.
    waiting: Vec<Message>,
}

/// Streams of the generator kept for one enclosure's probes; more probes share them with the next enclosure's.
const STREAMS_PER_ENCLOSURE: u64 = 1024;

impl World {
    /// The site of `settings` at `start`: everything at room temperature, every lamp off, every contactor closed. Fields
    /// of `physics` beyond the settings are ignored, and parts it lacks do not exist.
    pub fn new(
        settings: &Settings,
        physics: &Physics,
        start: DateTime<Utc>,
        seed: u64,
        faults: &[TimedFault],
    ) -> World {
        let room = Room::new(physics.climate, settings.site.place, &mut Pcg32::new(seed, 0));
        let now = room.at(start);
        let build = |(i, (enclosure, physics))| {
            EnclosurePlant::new(EnclosureIx(i), enclosure, physics, now, seed, STREAMS_PER_ENCLOSURE * (i as u64 + 1))
        };
        let enclosures: Vec<EnclosurePlant> =
            settings.enclosures.iter().zip(&physics.enclosures).enumerate().map(build).collect();
        let cut_offs: Vec<RelayPlant> = settings
            .cut_offs
            .iter()
            .enumerate()
            .map(|(c, cut_off)| RelayPlant::new(&cut_off.output, Level::FULL, Switch::CutOff(CutOffIx(c))))
            .collect();
        let reports = enclosures.iter().flat_map(|e| e.lamps.iter().map(|slot| &slot.relay)).chain(&cut_offs);
        let waiting = reports.filter_map(RelayPlant::report).collect();
        let due: Vec<u64> = enclosures.iter().map(EnclosurePlant::next).collect();
        World {
            now: 0,
            start,
            room,
            listeners: listeners(settings),
            closed: vec![true; cut_offs.len()],
            turns: turns(faults),
            turned: 0,
            agenda: due.iter().enumerate().map(|(i, at)| (*at, i)).collect(),
            due,
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
        self.next().map(|(at, _)| Duration::from_millis(at))
    }

    /// What happens next by itself, and when. At one moment faults turn first, then contactors let go.
    fn next(&self) -> Option<(u64, Happening)> {
        let turn = self.turns.get(self.turned).map(|(at, ..)| (*at, Happening::Turn));
        let releases = self.cut_offs.iter().enumerate().filter_map(|(c, cut_off)| Some((cut_off.releases()?, c)));
        let release = releases.min().map(|(at, c)| (at, Happening::Release(c)));
        let enclosure = self.agenda.first().map(|(at, index)| (*at, Happening::Enclosure(*index)));
        [turn, release, enclosure].into_iter().flatten().min()
    }

    /// What surrounds the enclosures.
    fn around(&self) -> Surroundings<'_> {
        Surroundings { room: &self.room, start: self.start, closed: &self.closed }
    }

    /// Lets everything happen up to and at `to`, rounded down to a millisecond, and appends what is said on the way.
    /// A moment that has passed changes nothing.
    pub fn advance_to(&mut self, to: Duration, out: &mut Vec<Message>) {
        let to = u64::try_from(to.as_millis()).unwrap_or(u64::MAX);
        out.append(&mut self.waiting);
        while let Some((at, happening)) = self.next().filter(|(at, _)| *at <= to) {
            self.now = self.now.max(at);
            match happening {
                Happening::Turn => {
                    let (_, comes, fault) = self.turns[self.turned];
                    self.turned += 1;
                    self.turn(fault, comes);
                }
                Happening::Release(cut_off) => {
                    if self.cut_offs[cut_off].pass(at) {
                        out.extend(self.cut_offs[cut_off].report());
                    }
                    self.contactors();
                }
                Happening::Enclosure(index) => {
                    let around = Surroundings { room: &self.room, start: self.start, closed: &self.closed };
                    self.enclosures[index].pass(at, &around, out);
                    self.reschedule(index);
                }
            }
        }
        self.now = self.now.max(to);
    }

    /// Hands a message to whoever listens on `topic`, now, and appends the report that follows.
    pub fn incoming(&mut self, topic: &str, payload: &[u8], out: &mut Vec<Message>) {
        out.append(&mut self.waiting);
        let Some(listener) = self.listeners.get(topic).copied() else { return };
        let Ok(payload) = str::from_utf8(payload) else { return };
        match listener {
            Listener::Lamp(enclosure, lamp) => {
                let relay = &mut self.enclosures[enclosure].lamps[lamp].relay;
                if relay.command(self.now, payload) {
                    out.extend(relay.report());
                    self.feed(enclosure);
                }
            }
            Listener::CutOff(cut_off) => {
                if self.cut_offs[cut_off].command(self.now, payload) {
                    out.extend(self.cut_offs[cut_off].report());
                    self.contactors();
                }
            }
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
        self.reschedule(enclosure);
    }

    /// Passes on what the contactors let through now.
    fn contactors(&mut self) {
        self.closed = self.cut_offs.iter().map(|cut_off| !cut_off.level().is_off()).collect();
        (0..self.enclosures.len()).for_each(|enclosure| self.feed(enclosure));
    }

    /// Puts an enclosure's next event on the agenda.
    fn reschedule(&mut self, index: usize) {
        self.agenda.remove(&(self.due[index], index));
        self.due[index] = self.enclosures[index].next();
        self.agenda.insert((self.due[index], index));
    }

    /// A fault comes or goes now.
    fn turn(&mut self, fault: Fault, comes: bool) {
        let now = self.now;
        let slot = |enclosures: &mut Vec<EnclosurePlant>, e: EnclosureIx, l: LampIx, act: &dyn Fn(&mut _)| {
            if let Some(slot) = enclosures.get_mut(e.0).and_then(|enclosure| enclosure.lamps.get_mut(l.0)) {
                act(slot);
            }
        };
        let all = &mut self.enclosures;
        let concerned = match fault {
            Fault::UvDies(e, l) => {
                slot(all, e, l, &|slot: &mut super::enclosure::Slot| slot.lamp.set_uv_dead(comes));
                Some(e)
            }
            Fault::LampBreaks(e, l) => {
                slot(all, e, l, &|slot| slot.lamp.set_broken(now, comes));
                Some(e)
            }
            Fault::RelayWelds(Switch::Lamp(e, l)) => {
                slot(all, e, l, &|slot| slot.relay.set_welded(comes));
                Some(e)
            }
            Fault::RelayIsDeaf(Switch::Lamp(e, l)) => {
                slot(all, e, l, &|slot| slot.relay.set_deaf(comes));
                Some(e)
            }
            Fault::RelayWelds(Switch::CutOff(c)) => {
                if let Some(cut_off) = self.cut_offs.get_mut(c.0) {
                    cut_off.set_welded(comes);
                }
                self.contactors();
                None
            }
            Fault::ProbeIsSilent(e, p) => {
                self.gauge(e, p, |probe| probe.set_silent(comes));
                None
            }
            Fault::ProbeFreezes(e, p) => {
                self.gauge(e, p, |probe| probe.set_frozen(comes));
                None
            }
            Fault::RoomWarms(by) => {
                self.settle();
                self.room.set_extra(if comes { by } else { Kelvin(0.0) });
                None
            }
            // The others follow.
            _ => None,
        };
        if let Some(e) = concerned.filter(|e| e.0 < self.enclosures.len()) {
            self.feed(e.0);
        }
    }

    /// Does something to a probe, if it is there.
    fn gauge(&mut self, e: EnclosureIx, p: ProbeIx, act: impl FnOnce(&mut super::probe::ProbePlant)) {
        let enclosure = self.enclosures.get_mut(e.0);
        if let Some(gauge) = enclosure.and_then(|enclosure| enclosure.probes.get_mut(p.0)) {
            act(&mut gauge.probe);
        }
    }

    /// Moves every network up to now, before the room changes.
    fn settle(&mut self) {
        (0..self.enclosures.len()).for_each(|enclosure| self.feed(enclosure));
    }

    /// Temperature of a place now, whatever any probe says; none where there is no such enclosure.
    pub fn temperature(&self, enclosure: EnclosureIx, place: Region) -> Option<Celsius> {
        let mut ahead = self.enclosures.get(enclosure.0)?.clone();
        ahead.move_to(self.now, &self.around());
        Some(ahead.temperature(place))
    }

    /// What a perfect probe would say now, in its kept unit; none where there is no such probe.
    pub fn truth(&self, enclosure: EnclosureIx, probe: ProbeIx) -> Option<f64> {
        let mut ahead = self.enclosures.get(enclosure.0)?.clone();
        ahead.move_to(self.now, &self.around());
        ahead.truth(self.now, probe.0)
    }

    /// Power a lamp draws now; none where there is no such lamp.
    pub fn power(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Watts> {
        self.enclosures.get(enclosure.0)?.power(lamp.0)
    }

    /// Whether a contactor lets current through; none where there is no such contactor.
    pub fn is_closed(&self, cut_off: CutOffIx) -> Option<bool> {
        self.closed.get(cut_off.0).copied()
    }
}

/// Who listens where.
fn listeners(settings: &Settings) -> BTreeMap<String, Listener> {
    let mut listeners = BTreeMap::new();
    for (e, enclosure) in settings.enclosures.iter().enumerate() {
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            listeners.insert(lamp.output.set.clone(), Listener::Lamp(e, l));
        }
    }
    for (c, cut_off) in settings.cut_offs.iter().enumerate() {
        listeners.insert(cut_off.output.set.clone(), Listener::CutOff(c));
    }
    listeners
}

/// Comings and goings in order of time; of those at one moment, in the order of the list.
fn turns(faults: &[TimedFault]) -> Vec<(u64, bool, Fault)> {
    let millis = |at: Duration| u64::try_from(at.as_millis()).unwrap_or(u64::MAX);
    let mut turns: Vec<(u64, bool, Fault)> = faults
        .iter()
        .flat_map(|timed| {
            let goes = timed.until.map(|until| (millis(until), false, timed.fault));
            std::iter::once((millis(timed.at), true, timed.fault)).chain(goes)
        })
        .collect();
    turns.sort_by_key(|(at, ..)| *at);
    turns
}
