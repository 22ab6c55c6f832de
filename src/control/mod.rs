//! The control core: events and a [`Moment`] in, [`Effect`]s out. No I/O, no clock, no tasks.
//!
//! Control proposes a level for each lamp with its reason; the [`guard`](crate::guard) disposes; outputs are driven by
//! reconciliation, wanted level against reported level, repeated until they agree.
//!
//! Work for one event touches one enclosure. Enclosures that have something to do without any event stand in an agenda by
//! their deadline, so nothing scans all of them; only a change of the link, of the clock or of the settings does.

mod agenda;
mod alarm;
pub mod almanac;
mod asked;
mod board;
mod circuits;
mod clock;
mod contactors;
mod context;
pub mod diagnosis;
mod drive;
mod effect;
mod enclosure;
mod event;
mod grouping;
pub mod health;
mod heat;
mod intake;
mod lamp;
pub mod photoperiod;
mod reason;
mod record;
mod season;
mod sparing;
mod suppression;
mod trouble;
mod uv;
mod view;
mod walk;

pub use alarm::{AlarmKind, AlarmNotice, AlarmState, Aside, Cause, Priority};
pub use effect::{Command, Effect};
pub use enclosure::Waiting;
pub use event::{Act, Event, MeterReading, OutputRef, Reading, SeasonAct, Unreadable};
pub use health::view::LampHealth;
pub use reason::{Proposal, Reason};
pub use record::{
    AlarmRecord, OverrideRecord, PairingRecord, PastGain, RaisedRecord, Record, SeasonRecord, SeriesRecord,
    ShelfRecord, SpotRecord, SwitchRecord,
};
pub use uv::{Footing, Told, UvDay, middle_of};
pub use view::{
    ByHand, DayView, EnclosureView, Heard, InterlockView, LampView, ProbeView, Quality, RoundView, SeasonView, UvView,
};
pub use walk::{Remark, SpotView};

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use crate::guard::{Permit, SafetyRecord};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, OnExit, ProbeIx, Settings};
use crate::time::{Moment, Mono};
use crate::units::{Celsius, Level};

use agenda::Agenda;
use board::Board;
use circuits::Circuits;
use clock::{Change, Clock};
use contactors::Contactors;
use context::Context;
use diagnosis::Circles;
use enclosure::EnclosureControl;
use health::spares::{self, Demand};
use suppression::Suppression;
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
    settings: Arc<Settings>,
    clock: Clock,
    /// The latest moment seen.
    now: Moment,
    link: Link,
    stopping: Option<OnExit>,
    tickets: u64,
    enclosures: Vec<EnclosureControl>,
    contactors: Contactors,
    circuits: Circuits,
    circles: Circles,
    board: Board,
    suppression: Suppression,
    agenda: Agenda,
    /// Lamps that will need a spare, and the kinds last told to be short.
    spares: Demand,
    short: Vec<String>,
    refused_until: Option<Mono>,
    /// Lamps whose hand setting could not be taken up because the clock is doubted.
    given_up: Vec<String>,
    /// Contactors whose command topic held a retained message, by name, and until when that is shown.
    stored: Vec<(String, Mono)>,
    /// Something has happened that the site at large must be judged by.
    stirred: bool,
    /// When the site at large must be looked at next.
    site_due: Mono,
    /// When something is put aside no longer.
    aside_due: Mono,
    /// Nothing at all is due before; [`Mono::START`] where that must be found out first.
    due: Mono,
    /// How often the wall clock has slipped: what goes by it is planned anew by whoever is concerned next.
    slips: u64,
    /// The reading that could not be [absorbed](Controller::absorb) last: of when, and of which probe.
    refused: Option<(Mono, EnclosureIx, ProbeIx)>,
    /// Whether what changes nothing is spared the whole way.
    shortcuts: bool,
    /// Which state documents the driver wants.
    shows: Shows,
}

/// Which state documents are wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shows {
    All,
    /// None for new readings and reports.
    Decisions,
    Nothing,
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
    ($self:ident, $demands:ident, $out:ident) => {{
        let wall = $self.clock.wall($self.now.mono);
        Context {
            now: $self.now.mono,
            wall,
            stamp: wall.unwrap_or($self.now.wall),
            connected: $self.link == Link::Up,
            stopping: $self.stopping,
            shortcuts: $self.shortcuts,
            site: &$self.settings.site,
            clock: &$self.clock,
            contactors: &$self.contactors,
            circuits: &mut $self.circuits,
            circles: &mut $self.circles,
            tickets: &mut $self.tickets,
            demands: &mut $demands,
            spares: &mut $self.spares,
            out: $out,
        }
    }};
}

impl Controller {
    /// A controller for `settings`, started at `now`, with the safety state that was stored. Every lamp that warms
    /// stays off until its guard has heard from its probes.
    pub fn new(settings: impl Into<Arc<Settings>>, now: Moment, restored: &[SafetyRecord]) -> Controller {
        let settings = settings.into();
        let mut controller = Controller {
            clock: Clock::new(now),
            now,
            link: Link::Awaited { until: now.mono.after(FIRST_CONNECTION) },
            stopping: None,
            tickets: 0,
            enclosures: Vec::new(),
            contactors: Contactors::new(&settings, restored, false),
            circuits: Circuits::new(&settings),
            circles: Circles::new(&settings),
            board: Board::new(None, &settings.site.name, settings.site.timezone),
            suppression: Suppression::new(&settings),
            agenda: Agenda::new(settings.enclosures.len()),
            spares: Demand::default(),
            short: Vec::new(),
            refused_until: None,
            given_up: Vec::new(),
            stored: Vec::new(),
            stirred: true,
            site_due: Mono::START,
            aside_due: Mono::START,
            due: Mono::START,
            slips: 0,
            refused: None,
            shortcuts: true,
            shows: Shows::All,
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
        let mut enclosures: Vec<_> = enclosures.map(build).collect();
        EnclosureControl::share_days(&mut enclosures);
        for control in &mut enclosures {
            match self.shows {
                Shows::All => {}
                Shows::Decisions => control.publish_decisions_alone(),
                Shows::Nothing => control.publish_nothing(),
            }
        }
        enclosures
    }

    /// The same without [`Effect::State`]: for a driver that shows nobody how things stand. Their deadlines would be most of
    /// its ticks.
    pub fn without_states(mut self) -> Controller {
        self.shows = Shows::Nothing;
        self.enclosures.iter_mut().for_each(EnclosureControl::publish_nothing);
        self
    }

    /// The same without [`Effect::State`] for new readings and reports: for a driver that looks for what is decided alone.
    pub fn showing_decisions_alone(mut self) -> Controller {
        self.shows = Shows::Decisions;
        self.enclosures.iter_mut().for_each(EnclosureControl::publish_decisions_alone);
        self
    }

    /// The same without shortcuts: every event goes the whole way, whatever can come of it. Nobody should see a difference.
    pub fn without_shortcuts(mut self) -> Controller {
        self.shortcuts = false;
        self
    }

    /// The same for a recording, whose clock was set whatever year it says.
    pub fn of_any_year(mut self) -> Controller {
        self.clock = Clock::of_any_year(self.now);
        self
    }

    /// Takes up what was on file, right after the start, and appends what must be done to `out`. `last_known` is the last
    /// [`Controller::wall`] that the driver has kept, as of a few minutes before the end at most; none where there is none.
    /// It judges the clock: a board that boots in the past goes by it until its clock is set.
    pub fn recall(&mut self, records: &[Record], last_known: Option<DateTime<Utc>>, out: &mut Vec<Effect>) {
        if let Some(known) = last_known {
            self.clock.recall(self.now, known);
        }
        let before = out.len();
        // Alarms first: what else is on file may find their conditions again.
        let (alarms, others): (Vec<_>, Vec<_>) =
            records.iter().partition(|record| matches!(record, Record::Alarms { .. }));
        for record in alarms.into_iter().chain(others) {
            self.recall_one(record, out);
        }
        self.put_aside(before, out);
        self.stirred = true;
        self.everybody_now();
    }

    fn recall_one(&mut self, record: &Record, out: &mut Vec<Effect>) {
        let at = |id: &str| self.settings.enclosures.iter().position(|enclosure| enclosure.id == id);
        match (record.enclosure().map(at), record) {
            (owner @ (Some(Some(_)) | None), Record::Asides { shelved, out_of_service, .. }) => {
                let (now, out_of_service) = (self.now.mono, out_of_service.as_deref());
                let wall = self.clock.wall(now).filter(|_| self.clock.is_trusted());
                self.suppression.restore(now, wall, owner.flatten().map(EnclosureIx), shelved, out_of_service);
            }
            (Some(Some(ix)), _) => {
                let mut given_up = Vec::new();
                self.with(EnclosureIx(ix), out, |control, ctx, settings| {
                    given_up = control.recall(ctx, settings, record)
                });
                self.given_up.append(&mut given_up);
            }
            // Whose alarms nobody judges any more has none.
            (Some(None), Record::Alarms { enclosure, standing, raised })
                if !(standing.is_empty() && raised.is_empty()) =>
            {
                let (enclosure, standing, raised) = (enclosure.clone(), Vec::new(), Vec::new());
                out.push(Effect::File(Record::Alarms { enclosure, standing, raised }));
            }
            (None, Record::Alarms { standing, raised, .. }) => {
                let now = self.now.mono;
                let wall = self.clock.wall(now).filter(|_| self.clock.is_trusted());
                self.board.restore(now, wall, standing, raised);
                out.extend(self.board.announced().cloned().map(Effect::Alarm));
                let cut_offs = &self.settings.cut_offs;
                let is_there = |subject: &str| cut_offs.iter().any(|cut_off| cut_off.name == subject);
                let stays = |kind| matches!(kind, AlarmKind::SpareDue | AlarmKind::SupplyLost);
                self.board.retain_subjects(|kind, subject| stays(kind) || is_there(subject));
            }
            (None, Record::Spares { taken }) => self.spares.restore(taken),
            _ => {}
        }
    }

    /// An enclosure's rounds with the hand-held meter as they stand; none where the settings have no such enclosure.
    pub fn round(&self, enclosure: EnclosureIx) -> Option<RoundView> {
        let EnclosureIx(ix) = enclosure;
        Some(self.enclosures.get(ix)?.round(self.settings.enclosures.get(ix)?))
    }

    /// Spare lamps that are left of those in the configuration, all kinds together.
    pub fn spares_left(&self) -> u32 {
        self.settings.spares.iter().map(|spare| self.spares.left(spare)).sum()
    }

    /// The settings in force.
    pub fn settings(&self) -> &Arc<Settings> {
        &self.settings
    }

    /// Takes in one event and appends what must be done to `out`. Events' moments must not run backwards in their
    /// monotonic part; an earlier one is taken as the latest seen. Indices that are not in the settings are ignored.
    pub fn handle(&mut self, now: Moment, event: Event, out: &mut Vec<Effect>) {
        self.now = Moment { mono: now.mono.max(self.now.mono), wall: now.wall };
        let change = self.clock.observe(self.now);
        if matches!(change, Change::BecameDoubtful | Change::BecameTrusted) {
            self.stirred = true;
            self.everybody_now();
            return self.handle_something(event, out);
        }
        self.slips += u64::from(change == Change::Slipped);
        if !self.is_nothing(&event) {
            self.handle_something(event, out);
        }
    }

    /// [`Controller::handle`] for a driver that knows that the wall clock has kept step with the monotonic one since it last
    /// called that, and that it [is followed](Controller::follows_its_clock): it spares to ask the clock.
    pub fn handle_in_step(&mut self, now: Mono, event: Event, out: &mut Vec<Effect>) {
        // A clock that is doubted wins or loses by what it says over time, so it is asked at every step.
        if !self.clock.is_trusted() {
            let passed = TimeDelta::from_std(now.since(self.now.mono)).unwrap_or_default();
            return self.handle(Moment { mono: now, wall: self.now.wall + passed }, event, out);
        }
        self.now.mono = now.max(self.now.mono);
        if !self.is_nothing(&event) {
            self.handle_something(event, out);
        }
    }

    fn handle_something(&mut self, event: Event, out: &mut Vec<Effect>) {
        let before = out.len();
        self.stirred |= !matches!(
            event,
            Event::Tick
                | Event::Reading { .. }
                | Event::Report { output: OutputRef::Lamp(..), .. }
                | Event::Delivered { output: OutputRef::Lamp(..), .. }
        );
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
            Event::Overload { messages } => match messages {
                Some(messages) => self.raise(Trouble::Overloaded { messages }),
                None => self.board.clear(self.now.mono, AlarmKind::Overloaded, ""),
            },
            Event::Messages { failure } => match failure {
                Some(why) => self.raise(Trouble::NoticeFailing { why }),
                None => self.board.clear(self.now.mono, AlarmKind::NoticeFailing, ""),
            },
            Event::Stop => {
                self.stopping = Some(self.settings.site.on_exit);
                self.everybody_now();
            }
        }
        self.run_due(out);
        self.put_aside(before, out);
    }

    /// Stamps the alarms among the effects from number `from` on with why they are put aside, tells what they have in common
    /// as one, and tells anew what is put aside no longer.
    fn put_aside(&mut self, from: usize, out: &mut Vec<Effect>) {
        let is_alarm = |effect: &Effect| matches!(effect, Effect::Alarm(_));
        let now = self.now.mono;
        if now < self.aside_due && !self.suppression.is_stale() && !out[from..].iter().any(is_alarm) {
            return;
        }
        for (owner, kind) in self.suppression.settle(now) {
            self.annunciate(owner, kind, out);
            out.push(Effect::File(self.suppression.record(&self.settings, owner)));
        }
        self.suppression.stamp(now, &self.settings, &self.circles, &mut out[from..]);
        if self.suppression.is_stale() {
            let told = out.len();
            let stamp = self.stamp();
            self.judge_supplies();
            self.board.step(now, stamp, out);
            self.suppression.stamp(now, &self.settings, &self.circles, &mut out[told..]);
            self.suppression.restamp(&self.settings, out);
        }
        // What has come to a cause is counted when the site is looked at next.
        self.stirred |= self.suppression.take_recount();
        self.aside_due = self.suppression.next_deadline().unwrap_or(Mono::END);
        self.site_due = self.site_deadline();
    }

    /// Power, network, circuits and relay boxes, by what fell silent or dark.
    fn judge_supplies(&mut self) {
        let (now, stamp) = (self.now.mono, self.stamp());
        for (subject, trouble) in self.suppression.supplies(&self.settings) {
            self.board.set(now, stamp, AlarmKind::SupplyLost, &subject, trouble);
        }
    }

    /// An alarm is told anew where it stands.
    fn annunciate(&mut self, owner: Option<EnclosureIx>, kind: AlarmKind, out: &mut Vec<Effect>) {
        match owner {
            Some(enclosure) => self.with(enclosure, out, |control, ctx, _| control.annunciate(ctx, kind)),
            None => {
                self.board.annunciate(kind);
                let stamp = self.stamp();
                self.board.step(self.now.mono, stamp, out);
            }
        }
    }

    /// Takes an owner's alarms off the shelf, one kind or all.
    fn unshelve(&mut self, owner: Option<EnclosureIx>, kind: Option<AlarmKind>, out: &mut Vec<Effect>) {
        let ended = self.suppression.unshelve(owner, kind);
        for (owner, kind) in &ended {
            self.annunciate(*owner, *kind, out);
        }
        if !ended.is_empty() {
            out.push(Effect::File(self.suppression.record(&self.settings, owner)));
        }
    }

    /// Every alarm that stands, put aside or not, in the order of enclosures and kinds; the site's come first.
    pub fn alarms(&self) -> impl Iterator<Item = &AlarmNotice> {
        self.suppression.standing()
    }

    fn report(&mut self, output: OutputRef, level: Level, out: &mut Vec<Effect>) {
        match output {
            OutputRef::Lamp(enclosure, lamp) => {
                self.do_with(enclosure, out, |control, ctx, settings| control.report(ctx, settings, lamp, level));
            }
            OutputRef::CutOff(cut_off) => self.contactors.report(self.now.mono, cut_off, level),
        }
    }

    fn link_up(&mut self, out: &mut Vec<Effect>) {
        self.link = Link::Up;
        self.suppression.broker(self.now.mono, None);
        self.contactors.link_up(self.now.mono);
        self.board.link_up(self.now.mono);
        out.extend(self.board.announced().cloned().map(Effect::Alarm));
        for ix in 0..self.enclosures.len() {
            self.with(EnclosureIx(ix), out, EnclosureControl::link_up);
        }
    }

    fn link_down(&mut self) {
        self.link = Link::Down;
        let stamp = self.stamp();
        self.suppression.broker(self.now.mono, Some(stamp));
        self.contactors.link_down();
        for control in &mut self.enclosures {
            control.link_down();
        }
        self.everybody_now();
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
            Act::Shelve { enclosure, kind, span, why } => {
                let (now, stamp) = (self.now.mono, self.stamp());
                let is_there = enclosure.is_none_or(|EnclosureIx(ix)| ix < self.enclosures.len());
                if is_there && self.suppression.shelve(now, stamp, (enclosure, kind), span, &why) {
                    out.push(Effect::File(self.suppression.record(&self.settings, enclosure)));
                }
            }
            Act::Unshelve { enclosure, kind } => self.unshelve(enclosure, kind, out),
            Act::Service { enclosure, out: why } => {
                if enclosure.0 < self.enclosures.len() {
                    self.suppression.service(enclosure, why);
                    out.push(Effect::File(self.suppression.record(&self.settings, Some(enclosure))));
                }
            }
            Act::Reset { enclosure, lamp } => {
                self.with(enclosure, out, |control, ctx, settings| control.reset(ctx, settings, lamp));
            }
            Act::ResetCutOff { cut_off } => {
                let Some(settings) = self.settings.cut_offs.get(cut_off.0) else { return };
                let below = self.contactors.reset(self.now.mono, cut_off, &settings.name, out);
                self.look_at(below);
            }
            Act::MeterReading { enclosure, reading } => {
                self.with(enclosure, out, |control, ctx, settings| control.meter_reading(ctx, settings, &reading));
            }
            Act::LateReading { enclosure, reading, taken } => {
                self.with(enclosure, out, |control, ctx, settings| {
                    control.late_reading(ctx, settings, &reading, taken)
                });
            }
            Act::LampChange { enclosure, lamp } => {
                self.with(enclosure, out, |control, ctx, settings| control.lamp_change(ctx, settings, lamp));
                let fitted = self.settings.enclosures.get(enclosure.0).and_then(|known| known.lamps.get(lamp.0));
                if let Some(taken) = fitted.and_then(|lamp| self.spares.take(spares::kind(lamp), &self.settings.spares))
                {
                    out.push(Effect::File(Record::Spares { taken }));
                }
            }
            Act::Season { enclosure, act } => {
                self.with(enclosure, out, |control, ctx, settings| control.season_act(ctx, settings, act));
            }
            Act::Override { enclosure, lamp, level, span } => {
                self.with(enclosure, out, |control, ctx, settings| {
                    control.set_by_hand(ctx, settings, lamp, level, span);
                });
            }
        }
    }

    /// The best wall time there is of the latest moment, for stamping what is kept: the one that schedules go by, or where
    /// there is none what the clock says. Believed where the controller [follows its
    /// clock](Controller::follows_its_clock).
    pub fn stamp(&self) -> DateTime<Utc> {
        self.wall().unwrap_or(self.now.wall)
    }

    /// The wall time that schedules go by, as of the latest moment; none while the clock was never set.
    pub fn wall(&self) -> Option<DateTime<Utc>> {
        self.wall_at(self.now.mono)
    }

    /// The same as of a moment since then.
    pub fn wall_at(&self, now: Mono) -> Option<DateTime<Utc>> {
        self.clock.wall(now)
    }

    /// Files the burn hours of one enclosure's lamps as they are by now, sooner than they would be.
    pub fn file_hours(&mut self, enclosure: EnclosureIx, out: &mut Vec<Effect>) {
        self.do_with(enclosure, out, |control, ctx, _| control.file_hours(ctx));
    }

    fn raise(&mut self, trouble: Trouble) {
        self.board.raise(self.now.mono, self.stamp(), "", trouble);
    }

    fn everybody_now(&mut self) {
        self.look_at((0..self.enclosures.len()).map(EnclosureIx));
    }

    /// These enclosures are to be looked at now.
    fn look_at(&mut self, enclosures: impl IntoIterator<Item = EnclosureIx>) {
        for enclosure in enclosures {
            if let Some(control) = self.enclosures.get_mut(enclosure.0) {
                control.look_by(self.now.mono);
                self.agenda.set(enclosure, self.now.mono);
            }
        }
    }

    /// Does one thing with one enclosure, and finds out when it wants to be looked at next.
    fn with(
        &mut self,
        enclosure: EnclosureIx,
        out: &mut Vec<Effect>,
        act: impl FnOnce(&mut EnclosureControl, &mut Context<'_>, &Enclosure),
    ) {
        self.do_with(enclosure, out, |control, ctx, settings| {
            control.tell_rows(settings);
            act(control, ctx, settings);
            control.plan(ctx, settings);
        });
    }

    /// Does one thing with one enclosure, which plans for itself, and opens the contactors it demands.
    fn do_with(
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
        control.follow_clock(self.slips, ctx.now, ctx.wall);
        act(control, &mut ctx, settings);
        self.agenda.set(enclosure, control.due());
        for (cut_off, why) in demands {
            self.stirred = true;
            let name = &self.settings.cut_offs[cut_off.0].name;
            let below = self.contactors.open(self.now.mono, cut_off, name, &why, out);
            self.look_at(below);
        }
        let stirred = self.circuits.take_stirred();
        self.look_at(stirred);
    }

    /// Everything whose time has come.
    fn run_due(&mut self, out: &mut Vec<Effect>) {
        let now = self.now.mono;
        self.stirred |= now >= self.site_due || !self.shortcuts;
        if self.stirred {
            // Open contactors first: they stop what nothing else could. One closes only after every enclosure below it has
            // been judged, so that a reset gives no power to a lamp that still cannot be stopped.
            self.contactors.step_open(now, &self.settings.cut_offs, &mut self.tickets, out);
        }
        let mut left = 2 * self.enclosures.len();
        while left > 0 {
            let (at, enclosure) = self.agenda.soonest();
            if at > now {
                break;
            }
            let Some(due) = self.enclosures.get(enclosure.0).map(EnclosureControl::due) else { break };
            if !self.shortcuts {
                self.with(enclosure, out, EnclosureControl::step);
            } else if due > now {
                self.agenda.set(enclosure, due);
                continue;
            } else {
                self.do_with(enclosure, out, EnclosureControl::fall_due);
            }
            left -= 1;
        }
        self.stirred |= self.spares.has_news();
        if self.stirred {
            self.contactors.step(now, &self.settings.cut_offs, &mut self.tickets, out);
            self.judge_site();
            let stamp = self.stamp();
            self.board.step(now, stamp, out);
            self.site_due = self.site_deadline();
            self.stirred = false;
        }
        self.due = Mono::START;
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
            Link::Up => Some(false),
            Link::Awaited { until } => (now >= until).then_some(true),
            Link::Down => Some(true),
        };
        let lost = lost.map(|lost| lost.then_some(Trouble::BrokerLost));
        self.board.judge(now, stamp, AlarmKind::BrokerLost, "", lost);
        let doubtful = self.clock.doubt(now).map(|doubt| {
            let timezone = self.settings.site.timezone;
            Trouble::ClockDoubtful { doubt, timezone, given_up: self.given_up.clone() }
        });
        if doubtful.is_none() {
            self.given_up.clear();
        }
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
        self.judge_supplies();
        if self.link == Link::Up {
            for (ix, deaf, wanted, reported) in self.contactors.deaf(now, &self.settings.cut_offs) {
                let trouble = deaf.then_some(Trouble::RelayDeaf { wanted, reported, cut_off: None });
                let name = &self.settings.cut_offs[ix].name;
                self.board.set(now, stamp, AlarmKind::RelayDeaf, name, trouble);
            }
        }
    }

    /// When the site at large must be looked at next.
    fn site_deadline(&self) -> Mono {
        let awaited = match self.link {
            Link::Awaited { until } if until > self.now.mono => Some(until),
            _ => None,
        };
        let contactors = self.contactors.next_deadline(self.now.mono, &self.settings.cut_offs);
        let aside = self.suppression.next_deadline();
        let site =
            [awaited, contactors, self.clock.next_deadline(), self.board.next_deadline(), self.refused_until, aside];
        let stored = self.stored.iter().map(|(_, until)| *until);
        site.into_iter().flatten().chain(stored).min().unwrap_or(Mono::END)
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
    pub fn reload(&mut self, now: Moment, settings: impl Into<Arc<Settings>>, out: &mut Vec<Effect>) {
        self.now = Moment { mono: now.mono.max(self.now.mono), wall: now.wall };
        self.clock.observe(self.now);
        let told = out.len();
        let was = std::mem::replace(&mut self.settings, settings.into());
        let contactors = Contactors::new(&self.settings, &[], self.link == Link::Up);
        let before = std::mem::replace(&mut self.contactors, contactors);
        self.contactors.adopt(self.now.mono, &self.settings.cut_offs, before, &was.cut_offs);
        let earlier = std::mem::replace(&mut self.circuits, Circuits::new(&self.settings));
        self.circuits.adopt(&earlier);
        self.circles = Circles::new(&self.settings);
        let earlier = std::mem::take(&mut self.enclosures);
        self.enclosures = self.build_enclosures();
        let mut known: BTreeMap<_, _> =
            was.enclosures.iter().zip(earlier).map(|(settings, control)| (&settings.id, (settings, control))).collect();
        for (enclosure, control) in self.settings.enclosures.iter().zip(&mut self.enclosures) {
            if let Some((before, mut earlier)) = known.remove(&enclosure.id) {
                earlier.tell_rows(before);
                control.adopt(self.now.mono, enclosure, earlier, before);
            }
            control.tell_circuits(enclosure, &mut self.circuits);
        }
        let id = |ix: EnclosureIx| was.enclosures.get(ix.0).map(|enclosure| &enclosure.id);
        let place =
            |id: &String| self.settings.enclosures.iter().position(|enclosure| enclosure.id == *id).map(EnclosureIx);
        let same = |ix| id(ix).and_then(place);
        self.suppression.reload(self.now.mono, (&self.settings, &self.circles), same);
        // Every enclosure tells anew which lamps will need a spare.
        self.spares.clear();
        self.refused_until = None;
        self.board.clear(self.now.mono, AlarmKind::ConfigRefused, "");
        self.agenda = Agenda::new(self.enclosures.len());
        self.stirred = true;
        self.everybody_now();
        self.run_due(out);
        self.put_aside(told, out);
    }

    /// The health of an enclosure's lamps as it stands, with the reasons; none where `enclosure` is not in the settings.
    pub fn lamps(&self, enclosure: EnclosureIx) -> Option<Vec<LampHealth>> {
        let settings = self.settings.enclosures.get(enclosure.0)?;
        Some(self.enclosures.get(enclosure.0)?.lamp_health(self.now.mono, &self.settings.site, settings))
    }

    /// What became of the newest reading of a probe: what it said, whether that counts, and what it stands for. None where
    /// nothing was heard since the start, or where the settings in force have no such probe. It costs next to nothing.
    pub fn heard(&self, enclosure: EnclosureIx, probe: ProbeIx) -> Option<Heard> {
        self.enclosures.get(enclosure.0)?.heard(probe)
    }

    /// What [`Controller::view`] tells of an enclosure's lamps and alarms, and nothing else: the levels that are permitted,
    /// and the kinds that stand. None where `enclosure` is not in the settings in force.
    pub fn outline(
        &self,
        enclosure: EnclosureIx,
    ) -> Option<(impl Iterator<Item = Level>, impl Iterator<Item = AlarmKind>)> {
        Some(self.enclosures.get(enclosure.0)?.outline())
    }

    /// The target of a lamp's thermostat that is in force, as the [view](Controller::view) has it.
    pub fn target(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Celsius> {
        self.enclosures.get(enclosure.0)?.target(lamp)
    }

    /// An enclosure as it stands; none where `enclosure` is not in the settings in force.
    pub fn view(&self, enclosure: EnclosureIx) -> Option<EnclosureView> {
        let settings = self.settings.enclosures.get(enclosure.0)?;
        let control = self.enclosures.get(enclosure.0)?;
        let (mut tickets, mut demands, mut out) = (0, Vec::new(), Vec::new());
        let (mut circuits, mut circles, mut spares) = (Circuits::default(), Circles::default(), Demand::default());
        let ctx = Context {
            now: self.now.mono,
            wall: self.clock.wall(self.now.mono),
            stamp: self.stamp(),
            connected: self.link == Link::Up,
            stopping: self.stopping,
            shortcuts: self.shortcuts,
            site: &self.settings.site,
            clock: &self.clock,
            contactors: &self.contactors,
            circuits: &mut circuits,
            circles: &mut circles,
            tickets: &mut tickets,
            demands: &mut demands,
            spares: &mut spares,
            out: &mut out,
        };
        if control.has_rows() {
            let mut told = control.clone();
            told.tell_rows(settings);
            return Some(told.view(&ctx, settings));
        }
        Some(control.view(&ctx, settings))
    }
}
