//! The control core: events and a [`Moment`] in, [`Effect`]s out. No I/O, no clock, no tasks.
//!
//! Control proposes a level for each lamp with its reason; the [`guard`](crate::guard) disposes; outputs are driven by
//! reconciliation, wanted level against reported level, repeated until they agree.
//!
//! Work for one event touches one enclosure. Enclosures that have something to do without any event stand in an agenda by
//! their deadline, so nothing scans all of them; only a change of the link, of the clock or of the settings does.

mod agenda;
mod alarm;
mod board;
mod clock;
mod contactors;
mod context;
pub mod diagnosis;
mod drive;
mod effect;
mod enclosure;
mod event;
pub mod health;
mod heat;
mod intake;
mod lamp;
pub mod photoperiod;
mod reason;
mod record;
mod trouble;
mod uv;
mod view;
mod walk;

pub use alarm::{AlarmKind, AlarmNotice, AlarmState, Priority};
pub use effect::{Command, Effect};
pub use event::{Act, Event, MeterReading, OutputRef, Reading, Unreadable};
pub use health::view::LampHealth;
pub use reason::{Proposal, Reason};
pub use record::{PairingRecord, PastGain, Record, SeriesRecord, SpotRecord};
pub use uv::{Footing, Told, UvDay, middle_of};
pub use view::{DayView, EnclosureView, InterlockView, LampView, ProbeView, Quality, RoundView, UvView};
pub use walk::{Remark, SpotView};

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::guard::{Permit, SafetyRecord};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, OnExit, Settings};
use crate::time::{Moment, Mono};
use crate::units::Level;

use agenda::Agenda;
use board::Board;
use clock::{Change, Clock};
use contactors::Contactors;
use context::Context;
use diagnosis::Circles;
use enclosure::EnclosureControl;
use health::spares::{self, Demand};
use trouble::Trouble;

/// At the start the broker may take this long to be reached before it counts as lost; a guess.
const FIRST_CONNECTION: Duration = Duration::from_secs(15);
/// A refused configuration stays an alarm this long, unless a good one comes; a guess.
const REFUSAL_SHOWN: Duration = Duration::from_secs(24 * 3600);

/// So many lamps that will need a spare are named; the others are counted. A guess.
const PLACES_NAMED: usize = 5;

/// The whole control core of one site.
#[derive(Debug)]
pub struct Controller {
    settings: Settings,
    clock: Clock,
    /// The latest moment seen.
    now: Moment,
    link: Link,
    stopping: Option<OnExit>,
    tickets: u64,
    enclosures: Vec<EnclosureControl>,
    contactors: Contactors,
    circles: Circles,
    board: Board,
    agenda: Agenda,
    /// Lamps that will need a spare, and the kinds last told to be short.
    spares: Demand,
    short: Vec<String>,
    refused_until: Option<Mono>,
    /// Contactors whose command topic held a retained message, by name, and until when that is shown.
    stored: Vec<(String, Mono)>,
}

/// The connection to the broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Link {
    /// Not yet there since the start.
    Awaited {
        /// Lost, if it is not there by then.
        until: Mono,
    },
    Up,
    Down,
}

/// Splits a controller into the context of one step and what is stepped.
macro_rules! context {
    ($self:ident, $demands:ident, $out:ident) => {
        Context {
            now: $self.now.mono,
            wall: $self.clock.wall($self.now.mono),
            stamp: $self.clock.wall($self.now.mono).unwrap_or($self.now.wall),
            connected: $self.link == Link::Up,
            stopping: $self.stopping,
            site: &$self.settings.site,
            clock: &$self.clock,
            contactors: &$self.contactors,
            circles: &mut $self.circles,
            tickets: &mut $self.tickets,
            demands: &mut $demands,
            spares: &mut $self.spares,
            out: $out,
        }
    };
}

impl Controller {
    /// A controller for `settings`, started at `now`, with the safety state that was stored. Every lamp that warms
    /// stays off until its guard has heard from its probes.
    pub fn new(settings: Settings, now: Moment, restored: &[SafetyRecord]) -> Controller {
        let mut controller = Controller {
            clock: Clock::new(now),
            now,
            link: Link::Awaited { until: now.mono.after(FIRST_CONNECTION) },
            stopping: None,
            tickets: 0,
            enclosures: Vec::new(),
            contactors: Contactors::new(&settings, restored, false),
            circles: Circles::new(&settings),
            board: Board::new(None, &settings.site.name, settings.site.timezone),
            agenda: Agenda::new(settings.enclosures.len()),
            spares: Demand::default(),
            short: Vec::new(),
            refused_until: None,
            stored: Vec::new(),
            settings,
        };
        controller.enclosures = controller.build_enclosures();
        for (enclosure, control) in controller.settings.enclosures.iter().zip(&mut controller.enclosures) {
            control.restore(now.mono, enclosure, restored);
        }
        controller.everybody_now();
        controller
    }

    fn build_enclosures(&mut self) -> Vec<EnclosureControl> {
        let (mut demands, mut effects) = (Vec::new(), Vec::new());
        let out = &mut effects;
        let ctx = context!(self, demands, out);
        let enclosures = self.settings.enclosures.iter().enumerate();
        let build = |(ix, enclosure)| EnclosureControl::new(EnclosureIx(ix), enclosure, &self.settings.cut_offs, &ctx);
        enclosures.map(build).collect()
    }

    /// The same without [`Effect::State`], until a reload: for a driver that shows nobody how things stand. Their
    /// deadlines would be most of its ticks.
    pub fn without_states(mut self) -> Controller {
        self.enclosures.iter_mut().for_each(EnclosureControl::publish_nothing);
        self
    }

    /// The same for a recording, whose clock was set whatever year it says.
    pub fn of_any_year(mut self) -> Controller {
        self.clock = Clock::of_any_year(self.now);
        self
    }

    /// Takes up what was on file, right after the start, and appends what must be done to `out`.
    pub fn recall(&mut self, records: &[Record], out: &mut Vec<Effect>) {
        for record in records {
            let id = record.enclosure();
            let known = self.settings.enclosures.iter().position(|enclosure| enclosure.id == id);
            if let Some(ix) = known {
                self.with(EnclosureIx(ix), out, |control, ctx, settings| control.recall(ctx, settings, record));
            }
        }
        self.everybody_now();
    }

    /// An enclosure's rounds with the hand-held meter as they stand; none where the settings have no such enclosure.
    pub fn round(&self, enclosure: EnclosureIx) -> Option<RoundView> {
        let EnclosureIx(ix) = enclosure;
        Some(self.enclosures.get(ix)?.round(self.settings.enclosures.get(ix)?))
    }

    /// Why a lamp is judged as it is: the readings, the beliefs and the thresholds, a line each. None where the settings
    /// have no such lamp.
    pub fn why(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Vec<String>> {
        self.enclosures.get(enclosure.0)?.why(lamp, &self.circles.peers(enclosure, lamp))
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Takes in one event and appends what must be done to `out`. Events' moments must not run backwards in their
    /// monotonic part; an earlier one is taken as the latest seen. Indices that are not in the settings are ignored.
    pub fn handle(&mut self, now: Moment, event: Event, out: &mut Vec<Effect>) {
        self.now = Moment { mono: now.mono.max(self.now.mono), wall: now.wall };
        if self.clock.observe(self.now) != Change::None {
            self.everybody_now();
        }
        match event {
            Event::Tick => {}
            Event::Reading { enclosure, probe, reading } => {
                self.with(enclosure, out, |control, ctx, settings| control.reading(ctx, settings, probe, reading));
            }
            Event::Report { output, level, .. } => {
                // What cannot be read changes nothing: the output disagrees until it says something that can.
                if let Ok(level) = level {
                    self.report(output, level, out);
                }
            }
            Event::Delivered { output, ticket } => match output {
                OutputRef::Lamp(enclosure, lamp) => {
                    if let Some(control) = self.enclosures.get_mut(enclosure.0) {
                        control.delivered(lamp, ticket);
                    }
                }
                OutputRef::CutOff(cut_off) => self.contactors.delivered(cut_off, ticket),
            },
            Event::LinkUp => self.link_up(out),
            Event::LinkDown => self.link_down(),
            Event::RetainedCommand { output } => self.retained_command(output, out),
            Event::Act(act) => self.act(act, out),
            Event::ConfigRefused { text } => {
                self.refused_until = Some(self.now.mono.after(REFUSAL_SHOWN));
                self.raise(Trouble::ConfigRefused { why: text });
            }
            Event::Storage { failure } => match failure {
                Some(why) => self.raise(Trouble::StorageFailing { why }),
                None => self.board.clear(self.now.mono, AlarmKind::JournalFailing, ""),
            },
            Event::Stop => {
                self.stopping = Some(self.settings.site.on_exit);
                self.everybody_now();
            }
        }
        self.run_due(out);
    }

    fn report(&mut self, output: OutputRef, level: Level, out: &mut Vec<Effect>) {
        match output {
            OutputRef::Lamp(enclosure, lamp) => {
                self.with(enclosure, out, |control, ctx, settings| control.report(ctx, settings, lamp, level));
            }
            OutputRef::CutOff(cut_off) => self.contactors.report(self.now.mono, cut_off, level),
        }
    }

    fn link_up(&mut self, out: &mut Vec<Effect>) {
        self.link = Link::Up;
        self.contactors.link_up(self.now.mono);
        out.extend(self.board.announced().cloned().map(Effect::Alarm));
        for ix in 0..self.enclosures.len() {
            self.with(EnclosureIx(ix), out, EnclosureControl::link_up);
        }
    }

    fn link_down(&mut self) {
        self.link = Link::Down;
        self.contactors.link_down();
        for control in &mut self.enclosures {
            control.link_down();
        }
    }

    fn retained_command(&mut self, output: OutputRef, out: &mut Vec<Effect>) {
        out.push(Effect::ClearRetained(output));
        match output {
            OutputRef::Lamp(enclosure, lamp) => {
                self.with(enclosure, out, |control, ctx, settings| control.retained_command(ctx, settings, lamp));
            }
            OutputRef::CutOff(CutOffIx(ix)) => {
                if let Some(cut_off) = self.settings.cut_offs.get(ix) {
                    let (topic, name) = (cut_off.output.set.clone(), cut_off.name.clone());
                    self.stored.retain(|(known, _)| *known != name);
                    self.stored.push((name.clone(), self.now.mono.after(enclosure::RETAINED_SHOWN)));
                    self.board.raise(self.now.mono, self.stamp(), &name, Trouble::RetainedCommand { topic });
                }
            }
        }
    }

    fn act(&mut self, act: Act, out: &mut Vec<Effect>) {
        match act {
            Act::Acknowledge { enclosure: None, kind } => self.board.acknowledge(kind),
            Act::Acknowledge { enclosure: Some(enclosure), kind } => {
                self.with(enclosure, out, |control, ctx, _| control.acknowledge(ctx, kind));
            }
            Act::Reset { enclosure, lamp } => {
                self.with(enclosure, out, |control, ctx, settings| control.reset(ctx, settings, lamp));
            }
            Act::ResetCutOff { cut_off } => {
                let Some(settings) = self.settings.cut_offs.get(cut_off.0) else { return };
                let below = self.contactors.reset(self.now.mono, cut_off, &settings.name, out);
                self.agenda.set_all(below, self.now.mono);
            }
            Act::MeterReading { enclosure, reading } => {
                self.with(enclosure, out, |control, ctx, settings| control.meter_reading(ctx, settings, &reading));
            }
            Act::LampChange { enclosure, lamp } => {
                self.with(enclosure, out, |control, ctx, settings| control.lamp_change(ctx, settings, lamp));
            }
            Act::Override { enclosure, lamp, level, span } => {
                self.with(enclosure, out, |control, ctx, settings| {
                    control.set_by_hand(ctx, settings, lamp, level, span);
                });
            }
        }
    }

    fn stamp(&self) -> DateTime<Utc> {
        self.clock.wall(self.now.mono).unwrap_or(self.now.wall)
    }

    fn raise(&mut self, trouble: Trouble) {
        self.board.raise(self.now.mono, self.stamp(), "", trouble);
    }

    fn everybody_now(&mut self) {
        self.agenda.set_all((0..self.enclosures.len()).map(EnclosureIx), self.now.mono);
    }

    /// Does one thing with one enclosure, opens the contactors it demands, and notes when it wants to be looked at next.
    fn with(
        &mut self,
        enclosure: EnclosureIx,
        out: &mut Vec<Effect>,
        act: impl FnOnce(&mut EnclosureControl, &mut Context<'_>, &Enclosure),
    ) {
        let (Some(settings), Some(control)) =
            (self.settings.enclosures.get(enclosure.0), self.enclosures.get_mut(enclosure.0))
        else {
            return;
        };
        let mut demands = Vec::new();
        let mut ctx = context!(self, demands, out);
        act(control, &mut ctx, settings);
        let next = control.next_deadline(&ctx, settings);
        self.agenda.set(enclosure, next);
        for (cut_off, why) in demands {
            let name = &self.settings.cut_offs[cut_off.0].name;
            let below = self.contactors.open(self.now.mono, cut_off, name, &why, out);
            self.agenda.set_all(below, self.now.mono);
        }
    }

    /// Everything whose time has come.
    fn run_due(&mut self, out: &mut Vec<Effect>) {
        // Open contactors first: they stop what nothing else could. One closes only after every enclosure below it has been
        // judged, so that a reset gives no power to a lamp that still cannot be stopped.
        self.contactors.step_open(self.now.mono, &self.settings.cut_offs, &mut self.tickets, out);
        let mut left = 2 * self.enclosures.len();
        while left > 0
            && let Some(enclosure) = self.agenda.pop_due(self.now.mono)
        {
            self.with(enclosure, out, EnclosureControl::step);
            left -= 1;
        }
        self.contactors.step(self.now.mono, &self.settings.cut_offs, &mut self.tickets, out);
        self.judge_site();
        self.board.step(self.now.mono, out);
    }

    /// Spares in stock against those that will be needed, where that has changed.
    fn judge_spares(&mut self) {
        if !self.spares.take_news() {
            return;
        }
        let (now, stamp) = (self.now.mono, self.stamp());
        let mut short = Vec::new();
        for (kind, due, stock) in self.spares.short(&self.settings.spares) {
            let name = |(enclosure, lamp): (EnclosureIx, LampIx)| {
                let enclosure = self.settings.enclosures.get(enclosure.0)?;
                Some(format!("{} of {}", enclosure.lamps.get(lamp.0)?.name, enclosure.title))
            };
            let places = self.spares.lamps(kind).filter_map(name).take(PLACES_NAMED).collect();
            let subject = spares::words(kind);
            let trouble = Trouble::SpareDue { due, stock, horizon: self.settings.site.spare_horizon, places };
            self.board.raise(now, stamp, &subject, trouble);
            short.push(subject);
        }
        for gone in self.short.iter().filter(|known| !short.contains(known)) {
            self.board.clear(now, AlarmKind::SpareDue, gone);
        }
        self.short = short;
    }

    fn judge_site(&mut self) {
        let (now, stamp) = (self.now.mono, self.stamp());
        let lost = match self.link {
            Link::Up => false,
            Link::Down => true,
            Link::Awaited { until } => now >= until,
        };
        self.board.set(now, stamp, AlarmKind::BrokerLost, "", lost.then_some(Trouble::BrokerLost));
        let unset = self.clock.wall(now).is_none();
        let doubtful = (!self.clock.is_trusted()).then_some(Trouble::ClockDoubtful { unset });
        self.board.set(now, stamp, AlarmKind::ClockDoubtful, "", doubtful);
        if self.refused_until.is_some_and(|until| now >= until) {
            self.refused_until = None;
            self.board.clear(now, AlarmKind::ConfigRefused, "");
        }
        for (cut_off, why) in self.settings.cut_offs.iter().zip(self.contactors.why_open()) {
            let trouble = why.map(|why| Trouble::CutOffOpen { why: why.to_owned() });
            self.board.set(now, stamp, AlarmKind::HeatUnstoppable, &cut_off.name, trouble);
        }
        for (name, _) in self.stored.extract_if(.., |(_, until)| now >= *until) {
            self.board.clear(now, AlarmKind::RetainedCommand, &name);
        }
        self.judge_spares();
        if self.link == Link::Up {
            for (ix, deaf, wanted, reported) in self.contactors.deaf(now, &self.settings.cut_offs) {
                let trouble = deaf.then_some(Trouble::RelayDeaf { wanted, reported, cut_off: None });
                let name = &self.settings.cut_offs[ix].name;
                self.board.set(now, stamp, AlarmKind::RelayDeaf, name, trouble);
            }
        }
    }

    /// When [`Event::Tick`] is next wanted, at the latest. It may lie in the past, which means at once.
    pub fn next_deadline(&self) -> Option<Mono> {
        let awaited = match self.link {
            Link::Awaited { until } if until > self.now.mono => Some(until),
            _ => None,
        };
        let contactors = self.contactors.next_deadline(self.now.mono, &self.settings.cut_offs);
        let site = [awaited, contactors, self.clock.next_deadline(), self.board.next_deadline(), self.refused_until];
        let stored = self.stored.iter().map(|(_, until)| *until);
        site.into_iter().flatten().chain(stored).chain(self.agenda.soonest()).min()
    }

    /// What must be sent under the settings in force before [`Controller::reload`] replaces them with `settings`: OFF to
    /// every lamp whose output they no longer have.
    pub fn farewell(&mut self, settings: &Settings) -> Vec<Effect> {
        let lamps = |settings: &Settings| -> Vec<(OutputRef, String, Option<Duration>)> {
            let enclosures = settings.enclosures.iter().enumerate();
            let lamps = enclosures.flat_map(|(at, enclosure)| {
                let lamps = enclosure.lamps.iter().enumerate();
                lamps.map(move |(lamp_at, lamp)| {
                    let named = OutputRef::Lamp(EnclosureIx(at), LampIx(lamp_at));
                    (named, lamp.output.set.clone(), lamp.output.hold)
                })
            });
            lamps.collect()
        };
        let kept: BTreeSet<_> = lamps(settings).into_iter().map(|(_, set, _)| set).collect();
        let gone = lamps(&self.settings).into_iter().filter(|(_, set, _)| !kept.contains(set));
        let off = gone.map(|(output, _, hold)| {
            self.tickets += 1;
            Effect::Command(Command { output, permit: Permit::OFF, hold, ticket: self.tickets })
        });
        off.collect()
    }

    /// Puts new settings in force. Lamps, latches and timers carry on: enclosures by id, contactors by name, lamps by
    /// command topic or name, probes by topic. Send [`Controller::farewell`] first.
    pub fn reload(&mut self, now: Moment, settings: Settings, out: &mut Vec<Effect>) {
        self.now = Moment { mono: now.mono.max(self.now.mono), wall: now.wall };
        self.clock.observe(self.now);
        let was = std::mem::replace(&mut self.settings, settings);
        let contactors = Contactors::new(&self.settings, &[], self.link == Link::Up);
        let before = std::mem::replace(&mut self.contactors, contactors);
        self.contactors.adopt(self.now.mono, &self.settings.cut_offs, before, &was.cut_offs);
        self.circles = Circles::new(&self.settings);
        let earlier = std::mem::take(&mut self.enclosures);
        self.enclosures = self.build_enclosures();
        let mut known: BTreeMap<_, _> =
            was.enclosures.iter().zip(earlier).map(|(settings, control)| (&settings.id, (settings, control))).collect();
        for (enclosure, control) in self.settings.enclosures.iter().zip(&mut self.enclosures) {
            if let Some((before, earlier)) = known.remove(&enclosure.id) {
                control.adopt(self.now.mono, enclosure, earlier, before);
            }
        }
        // Every enclosure tells anew which lamps will need a spare.
        self.spares.clear();
        self.refused_until = None;
        self.board.clear(self.now.mono, AlarmKind::ConfigRefused, "");
        self.agenda = Agenda::new(self.enclosures.len());
        self.everybody_now();
        self.run_due(out);
    }

    /// The health of an enclosure's lamps as it stands, with the reasons; none where `enclosure` is not in the settings.
    pub fn lamps(&self, enclosure: EnclosureIx) -> Option<Vec<LampHealth>> {
        let settings = self.settings.enclosures.get(enclosure.0)?;
        Some(self.enclosures.get(enclosure.0)?.lamp_health(self.now.mono, &self.settings.site, settings))
    }

    /// An enclosure as it stands; none where `enclosure` is not in the settings in force.
    pub fn view(&self, enclosure: EnclosureIx) -> Option<EnclosureView> {
        let settings = self.settings.enclosures.get(enclosure.0)?;
        let control = self.enclosures.get(enclosure.0)?;
        let (mut tickets, mut demands, mut out) = (0, Vec::new(), Vec::new());
        let (mut circles, mut spares) = (Circles::default(), Demand::default());
        let ctx = Context {
            now: self.now.mono,
            wall: self.clock.wall(self.now.mono),
            stamp: self.stamp(),
            connected: self.link == Link::Up,
            stopping: self.stopping,
            site: &self.settings.site,
            clock: &self.clock,
            contactors: &self.contactors,
            circles: &mut circles,
            tickets: &mut tickets,
            demands: &mut demands,
            spares: &mut spares,
            out: &mut out,
        };
        Some(control.view(&ctx, settings))
    }
}
