//! One enclosure: its probes, lamps, UV and alarms.

mod absorb;
mod aside;
mod dark;
mod judge;
mod keep;
mod light;
mod why;
mod year;

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::guard::SafetyRecord;
use crate::settings::{CutOff, Enclosure, EnclosureIx, Lamp, LampIx, Measures, Probe, ProbeIx, Site};
use crate::time::Mono;
use crate::units::{Celsius, Level};

use super::alarm::AlarmKind;
use super::board::Board;
use super::circuits::Circuits;
use super::context::Context;
use super::effect::Effect;
use super::event::{MeterReading, Reading};
use super::health::view::LampHealth;
use super::health::{Health, spares};
use super::intake::{Doubt, Intake, Verdict};
use super::lamp::{Concern, LampControl};
use super::record::{OverrideRecord, Record};
use super::season::Cooled;
use super::uv::{Told, UvSeries};
use super::view::{DayView, EnclosureView, Heard, InterlockView, LampView, ProbeView, Quality, RoundView};
use super::walk::Walk;

pub use absorb::Waiting;
use dark::Ward;
pub(super) use judge::STILL;
use keep::is_subject;

/// A deleted retained command stays an alarm this long, so that somebody sees it; a guess.
pub(super) const RETAINED_SHOWN: Duration = Duration::from_secs(3600);
/// What stands before a measured spot where it is the subject of an alarm, lest it be taken for a probe.
pub(super) const SPOT: &str = "spot ";
/// State documents of one enclosure are at least this far apart after a switch or an alarm …
const STATE_AFTER_CHANGE: Duration = Duration::from_secs(1);
/// … and after mere readings.
const STATE_AFTER_READING: Duration = Duration::from_secs(10);

/// One enclosure under control.
#[derive(Clone, Debug)]
pub(super) struct EnclosureControl {
    ix: EnclosureIx,
    id: Arc<str>,
    probes: Vec<ProbeControl>,
    lamps: Vec<LampControl>,
    uv: Vec<UvSeries>,
    /// What each lamp is diagnosed by.
    wards: Vec<Ward>,
    health: Health,
    walk: Walk,
    board: Board,
    day: year::Days,
    season: Option<Cooled>,
    /// Markers of the guards when they were last remembered.
    remembered: Vec<(u8, usize, bool)>,
    /// What was last filed of what is set by hand.
    overridden: Vec<OverrideRecord>,
    /// Lamps whose command topic held a retained message, and until when that is shown.
    retained: Vec<(LampIx, Mono)>,
    publish: Publish,
    /// When an output must be told something next.
    told: Mono,
    /// When something else falls due, whatever its probes say.
    timer: Mono,
    /// The same of what goes by the wall clock, which may slip against the monotonic one: by that clock, and when that was
    /// last taken to be.
    by_wall: Option<DateTime<Utc>>,
    wall_timer: Mono,
    /// What that clock said when all was planned, and how often it had slipped when its timer was.
    planned: Option<DateTime<Utc>>,
    slips: u64,
    /// The same of outputs that do not do what they are told.
    heeds: Mono,
    /// When burn hours are filed.
    filing: Mono,
    /// Whether no lamp's level moves by itself.
    steady: bool,
}

/// One probe under control.
#[derive(Clone, Debug)]
struct ProbeControl {
    intake: Intake,
    doubt: Option<Doubt>,
    /// Lamps that have no heat without it.
    holds_off: Vec<Arc<str>>,
    /// What it is to each lamp it guards or regulates.
    concerns: Vec<Concern>,
    /// When something changes if it says nothing.
    missed: Mono,
    /// Readings of which nothing comes; none: not known since the last step.
    calm: Option<absorb::Known>,
    /// Those that have come and been told to nobody yet.
    row: Option<Waiting>,
    /// When a reading came that lamps' light and power, or their diagnoses, have been told of, and that must go the whole
    /// way all the same.
    half_taken: Option<Mono>,
}

/// When the next state document is due.
#[derive(Clone, Copy, Debug)]
struct Publish {
    due: Option<Mono>,
    last: Option<Mono>,
    /// Nobody reads them, or nobody reads of new readings and reports in them.
    never: bool,
    but_decisions: bool,
}

impl Publish {
    /// Something changed that should be seen within `within` of the last document.
    fn request(&mut self, now: Mono, within: Duration) {
        self.due = self.if_requested(now, within);
    }

    /// When it would be due after a new reading; none where that requests nothing.
    fn if_read(&self, now: Mono) -> Option<Mono> {
        if self.but_decisions { None } else { self.if_requested(now, STATE_AFTER_READING) }
    }

    /// When it would be due if it were requested.
    fn if_requested(&self, now: Mono, within: Duration) -> Option<Mono> {
        if self.never {
            return None;
        }
        let due = self.last.map_or(now, |last| last.after(within).max(now));
        Some(self.due.map_or(due, |so_far| so_far.min(due)))
    }
}

impl EnclosureControl {
    pub(super) fn new(
        ix: EnclosureIx,
        enclosure: &Enclosure,
        cut_offs: &[CutOff],
        ctx: &Context<'_>,
    ) -> EnclosureControl {
        let name_of = |lamp: &Lamp| lamp.cut_off.map(|cut_off| cut_offs[cut_off.0].name.as_str());
        let lamps = enclosure
            .lamps
            .iter()
            .map(|lamp| LampControl::new(lamp, &enclosure.probes, name_of(lamp), ctx.now, ctx.connected));
        let probes = (0..enclosure.probes.len()).map(|probe| ProbeControl {
            intake: Intake::new(ctx.now),
            doubt: None,
            holds_off: held_off_by(enclosure, ProbeIx(probe)),
            concerns: concerns_of(enclosure, ProbeIx(probe)),
            missed: Mono::END,
            calm: None,
            row: None,
            half_taken: None,
        });
        let uv = uv_series(enclosure);
        EnclosureControl {
            ix,
            id: Arc::from(enclosure.id.as_str()),
            lamps: lamps.collect(),
            probes: probes.collect(),
            health: Health::new(enclosure, ctx.site, &uv, ctx.now, ix.0),
            uv,
            wards: enclosure.lamps.iter().map(|lamp| Ward::new(enclosure, lamp)).collect(),
            walk: Walk::default(),
            board: Board::new(Some((ix, &enclosure.id)), &enclosure.title, ctx.site.timezone),
            day: year::Days::new(&enclosure.care, ctx.site),
            season: enclosure.care.program.as_deref().and_then(Cooled::new),
            remembered: vec![(0, 0, false); enclosure.lamps.len()],
            overridden: Vec::new(),
            retained: Vec::new(),
            publish: Publish { due: Some(ctx.now), last: None, never: false, but_decisions: false },
            told: Mono::START,
            timer: Mono::START,
            by_wall: None,
            wall_timer: Mono::END,
            planned: None,
            slips: 0,
            heeds: Mono::END,
            filing: Mono::END,
            steady: false,
        }
    }

    /// Takes up the safety state that was stored.
    pub(super) fn restore(&mut self, now: Mono, enclosure: &Enclosure, restored: &[SafetyRecord]) {
        let record = restored.iter().rev().find_map(|record| match record {
            SafetyRecord::Enclosure { id, lamps } if *id == enclosure.id => Some(lamps),
            _ => None,
        });
        for record in record.into_iter().flatten() {
            let own = |(lamp, _): &(&Lamp, &mut LampControl)| record.is_of(lamp);
            if let Some((_, control)) = enclosure.lamps.iter().zip(&mut self.lamps).find(own) {
                control.guard.restore(now, record);
            }
        }
        for (control, marker) in self.lamps.iter().zip(&mut self.remembered) {
            *marker = control.guard.marker();
        }
    }

    /// No state document is wanted.
    pub(super) fn publish_nothing(&mut self) {
        self.publish = Publish { due: None, last: None, never: true, but_decisions: true };
    }

    /// No state document is wanted for new readings and reports.
    pub(super) fn publish_decisions_alone(&mut self) {
        self.publish.but_decisions = true;
    }

    /// A probe has said something. Guards come first: a lamp that one cuts is off before anything else is done.
    pub(super) fn reading(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, reading: Reading) {
        let (Some(probe), Some(control)) = (enclosure.probes.get(ix.0), self.probes.get_mut(ix.0)) else { return };
        let verdict = control.intake.take(ctx.now, reading, probe);
        match verdict {
            Verdict::Ignored => return,
            Verdict::Doubtful(doubt) => control.doubt = Some(doubt),
            Verdict::Suspect(value, doubt) => {
                control.doubt = Some(doubt);
                if probe.measures == Measures::Temperature {
                    self.guard_temperature(ctx, enclosure, ix, Celsius(value), false);
                }
            }
            Verdict::Good(value) => {
                match probe.measures {
                    Measures::Temperature => self.temperature(ctx, enclosure, ix, Celsius(value)),
                    Measures::Uvi => self.uvi(ctx, enclosure, ix, value),
                    Measures::Power => self.power(ctx.now, enclosure, ix, value),
                    Measures::Illuminance | Measures::Humidity => {}
                }
                self.diagnose(ctx, enclosure, ix, value);
                self.probes[ix.0].half_taken = None;
            }
        }
        self.publish.due = self.publish.if_read(ctx.now).or(self.publish.due);
        self.step(ctx, enclosure);
    }

    /// Hands a temperature to the guards, and switches off at once what they cut.
    fn guard_temperature(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        ix: ProbeIx,
        reading: Celsius,
        believed: bool,
    ) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let Some(guard) = &lamp.guard else { continue };
            if !guard.probes.contains(&ix) {
                continue;
            }
            let control = &mut self.lamps[at];
            let cut = if believed {
                control.guard.temperature(ctx.now, ix, reading)
            } else {
                control.guard.doubtful_temperature(ctx.now, reading)
            };
            if cut {
                control.steer(ctx, lamp, &enclosure.probes, self.day.of(lamp), (self.ix, LampIx(at)));
            }
        }
    }

    fn temperature(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, reading: Celsius) {
        self.guard_temperature(ctx, enclosure, ix, reading, true);
        let probe = &enclosure.probes[ix.0];
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            self.lamps[at].temperature(ctx.now, lamp, probe, ix, reading);
            let Some(guard) = lamp.guard.as_ref().filter(|guard| guard.probes.contains(&ix)) else { continue };
            let others_warm = self.others_warm(enclosure, at);
            if let Some(stoppage) = &mut self.lamps[at].stoppage {
                stoppage.temperature(ctx.now, ix, reading, guard.cut, others_warm);
            }
        }
    }

    /// Whether a lamp other than number `at` may be giving off heat.
    fn others_warm(&self, enclosure: &Enclosure, at: usize) -> bool {
        let mut lamps = enclosure.lamps.iter().zip(&self.lamps).enumerate();
        lamps.any(|(other, (lamp, control))| other != at && control.may_warm(lamp))
    }

    /// An output reports its level. Plans for itself.
    pub(super) fn report(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: LampIx, level: Level) {
        self.tell_rows(enclosure);
        let (Some(lamp), Some(control)) = (enclosure.lamps.get(ix.0), self.lamps.get_mut(ix.0)) else { return };
        if control.drive.reported() != Some(level) && !self.publish.but_decisions {
            self.publish.request(ctx.now, STATE_AFTER_CHANGE);
        }
        // Asked before it counts: afterwards more may be due.
        let idle = ctx.shortcuts && ctx.now < self.due();
        let obeys = idle && self.lamps[ix.0].drive.obeys(level);
        self.lamps[ix.0].report(ctx.now, lamp, level);
        if obeys && self.is_settled(ctx, enclosure, lamp) {
            self.tell_wards(ctx, enclosure);
            self.keep_hours(ctx);
            self.publish_due(ctx);
            self.plan_obeyed(ctx.now, enclosure);
        } else {
            self.step(ctx, enclosure);
            self.plan(ctx, enclosure);
        }
    }

    /// The broker has acknowledged a command.
    pub(super) fn delivered(&mut self, ix: LampIx, ticket: u64) {
        if let Some(control) = self.lamps.get_mut(ix.0) {
            control.drive.delivered(ticket);
        }
    }

    /// A retained message was found on a lamp's command topic.
    pub(super) fn retained_command(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: LampIx) {
        if enclosure.lamps.get(ix.0).is_some() {
            self.retained.retain(|&(lamp, _)| lamp != ix);
            self.retained.push((ix, ctx.now.after(RETAINED_SHOWN)));
            self.step(ctx, enclosure);
        }
    }

    pub(super) fn link_up(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        for control in &mut self.probes {
            control.intake.excuse(ctx.now);
        }
        for (lamp, control) in enclosure.lamps.iter().zip(&mut self.lamps) {
            control.link_up(ctx, lamp);
        }
        // The broker may have lost its memory.
        self.publish.request(ctx.now, Duration::ZERO);
        self.board.link_up(ctx.now);
        ctx.out.extend(self.board.announced().cloned().map(Effect::Alarm));
        self.step(ctx, enclosure);
    }

    pub(super) fn link_down(&mut self) {
        for control in &mut self.lamps {
            control.drive.link_down();
        }
    }

    pub(super) fn acknowledge(&mut self, ctx: &mut Context<'_>, kind: Option<AlarmKind>) {
        self.board.acknowledge(kind);
        self.board.step(ctx.now, ctx.stamp, ctx.out);
    }

    /// An alarm of `kind` is told anew where it stands.
    pub(super) fn annunciate(&mut self, ctx: &mut Context<'_>, kind: AlarmKind) {
        self.board.annunciate(kind);
        self.board.step(ctx.now, ctx.stamp, ctx.out);
    }

    /// A person resets the guards of one lamp, or of all.
    pub(super) fn reset(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, lamp: Option<LampIx>) {
        for (at, control) in self.lamps.iter_mut().enumerate() {
            if lamp.is_none_or(|LampIx(only)| only == at) {
                control.reset(ctx.now);
            }
        }
        self.step(ctx, enclosure);
    }

    /// A person sets a level for a while, or ends that.
    pub(super) fn set_by_hand(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        ix: LampIx,
        level: Option<Level>,
        span: Duration,
    ) {
        if let Some(control) = self.lamps.get_mut(ix.0) {
            control.set_by_hand(ctx.now, level, span);
            self.step(ctx, enclosure);
        }
    }

    /// A person has read a hand-held meter at a spot.
    pub(super) fn meter_reading(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, reading: &MeterReading) {
        let alone = reading.alone.and_then(|LampIx(lamp)| enclosure.lamps.get(lamp));
        self.walk.reading(ctx.stamp, reading, alone.map(|lamp| lamp.name.as_str()));
        // What one of several lamps gives alone is no measure of the probe that sees them all.
        if alone.is_none() {
            for series in &mut self.uv {
                if enclosure.probes[series.probe.0].spot == reading.spot {
                    series.meter(ctx.now, ctx.stamp, reading.uvi, reading.guess);
                }
            }
        }
        self.judge_spots(ctx, enclosure);
        ctx.out.push(Effect::File(Record::Walk { enclosure: enclosure.id.clone(), spots: self.walk.record() }));
        self.step(ctx, enclosure);
    }

    /// A person tells late what a meter showed at `taken`. A clock ahead of ours does not make it the newest for ever.
    pub(super) fn late_reading(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        reading: &MeterReading,
        taken: DateTime<Utc>,
    ) {
        let alone = reading.alone.and_then(|LampIx(lamp)| enclosure.lamps.get(lamp));
        self.walk.reading(taken.min(ctx.stamp), reading, alone.map(|lamp| lamp.name.as_str()));
        self.judge_spots(ctx, enclosure);
        ctx.out.push(Effect::File(Record::Walk { enclosure: enclosure.id.clone(), spots: self.walk.record() }));
        self.step(ctx, enclosure);
    }

    /// A person has fitted another lamp.
    pub(super) fn lamp_change(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: LampIx) {
        let Some(lamp) = enclosure.lamps.get(ix.0) else { return };
        for at in 0..self.uv.len() {
            if self.uv[at].lamps.contains(&ix) {
                self.uv[at].lamp_changed(ctx.stamp, &lamp.name);
                self.file_series(ctx, enclosure, at);
            }
        }
        self.wards[ix.0].changed();
        self.board.set(ctx.now, ctx.stamp, AlarmKind::LampDark, &lamp.name, None);
        self.health.lamp_changed(ctx.now, ctx.stamp, enclosure, ix, &mut self.lamps);
        self.forecast(ctx, enclosure);
        self.file_health(ctx, enclosure);
        self.step(ctx, enclosure);
    }

    /// Looks after the health of the lamps: a day that is over is closed, and what has to survive is filed. Costs nothing
    /// in between.
    fn keep_health(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        if let Some(wall) = ctx.wall.filter(|&wall| self.health.day_is_over(wall)) {
            let closed = self.health.turn(ctx.now, wall, ctx.site, enclosure, &self.lamps, &self.uv);
            self.tell_demand(ctx, enclosure);
            if closed {
                self.file_health(ctx, enclosure);
            }
        }
        self.keep_hours(ctx);
    }

    /// Files burn hours, where that is due.
    fn keep_hours(&mut self, ctx: &mut Context<'_>) {
        if self.health.should_file(ctx.now) && self.lamps.iter().any(|lamp| lamp.life.is_lit()) {
            self.file_hours(ctx);
        }
    }

    /// Puts the burn hours of the lamps on file.
    pub(super) fn file_hours(&mut self, ctx: &mut Context<'_>) {
        let lamps = self.health.file_hours(ctx.now, &self.lamps);
        ctx.out.push(Effect::File(Record::Hours { enclosure: Arc::clone(&self.id), lamps }));
    }

    /// Forecasts anew because a gain or a lamp is another.
    fn forecast(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        if let Some(today) = self.health.date() {
            self.health.forecast(today, ctx.now, ctx.site, enclosure, &self.lamps, &self.uv);
            self.tell_demand(ctx, enclosure);
        }
    }

    /// Tells the site which lamps will need a spare.
    pub(super) fn tell_demand(&self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        for (lamp, due) in self.health.due(ctx.site.spare_horizon) {
            ctx.spares.set((self.ix, lamp), spares::kind(&enclosure.lamps[lamp.0]), due);
        }
    }

    fn file_health(&self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let mut health = self.health.to_record(ctx.now, enclosure, &self.lamps);
        for (record, ward) in health.lamps.iter_mut().zip(&self.wards) {
            record.known_by = ward.to_record();
        }
        ctx.out.push(Effect::File(Record::Health { enclosure: enclosure.id.clone(), health }));
    }

    /// The health of every lamp as it stands.
    pub(super) fn lamp_health(&self, now: Mono, site: &Site, enclosure: &Enclosure) -> Vec<LampHealth> {
        let dark = |lamp: &str| self.board.is_active(AlarmKind::LampDark, lamp);
        self.health.view(now, site, enclosure, &self.lamps, &self.uv, dark)
    }

    /// The enclosure's rounds with the meter as they stand.
    pub(super) fn round(&self, enclosure: &Enclosure) -> RoundView {
        let seen = |series: &UvSeries| {
            let (today, yesterday) = series.days();
            (series.probe, [today.cloned(), yesterday.cloned()])
        };
        RoundView {
            spots: self.walk.spots(),
            remarks: enclosure.care.uv.map_or_else(Vec::new, |band| self.walk.gradient(band, &basking(enclosure))),
            last: self.walk.last(),
            due: self.walk.due(),
            days: self.uv.iter().map(seen).collect(),
        }
    }

    fn file_series(&self, ctx: &mut Context<'_>, enclosure: &Enclosure, at: usize) {
        let series = &self.uv[at];
        let (enclosure_id, probe) = (enclosure.id.clone(), enclosure.probes[series.probe.0].name.clone());
        ctx.out.push(Effect::File(Record::Series { enclosure: enclosure_id, probe, series: series.record() }));
    }

    /// Pairs meter readings whose time has come.
    fn settle_meter_readings(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        for at in 0..self.uv.len() {
            while let Some(told) = self.uv[at].settle(ctx.now) {
                if matches!(told, Told::Paired { .. } | Told::Jumped { .. }) {
                    self.health.calibrated(at);
                    self.forecast(ctx, enclosure);
                    self.judge_spots(ctx, enclosure);
                }
                let probe = self.uv[at].probe;
                ctx.out.push(Effect::Calibrated { enclosure: self.ix, probe, told });
                self.file_series(ctx, enclosure, at);
            }
        }
    }

    /// Tells new circuits how its lamps stand, after a reload.
    pub(super) fn tell_circuits(&self, enclosure: &Enclosure, circuits: &mut Circuits) {
        for (at, (lamp, control)) in enclosure.lamps.iter().zip(&self.lamps).enumerate() {
            control.tell_circuit(circuits, lamp, (self.ix, LampIx(at)));
        }
    }

    /// Lets every lamp be proposed, judged and driven; then remembers, judges alarms and publishes.
    pub(super) fn step(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let before = ctx.out.len();
        self.keep_season(ctx, enclosure);
        for (at, (lamp, control)) in enclosure.lamps.iter().zip(&mut self.lamps).enumerate() {
            control.steer(ctx, lamp, &enclosure.probes, self.day.of(lamp), (self.ix, LampIx(at)));
        }
        self.tell_wards(ctx, enclosure);
        self.remember(ctx, enclosure);
        self.file_switches(ctx, enclosure);
        self.file_overrides(ctx, enclosure);
        self.settle_meter_readings(ctx, enclosure);
        self.keep_health(ctx, enclosure);
        self.judge_lamps(ctx, enclosure);
        self.judge_dark(ctx, enclosure);
        self.judge_probes(ctx, enclosure);
        self.judge_uv(ctx, enclosure);
        self.put_aside(enclosure);
        self.board.step(ctx.now, ctx.stamp, ctx.out);
        let news = |effect: &Effect| matches!(effect, Effect::Switched { .. } | Effect::Alarm(_));
        if ctx.out[before..].iter().any(news) {
            self.publish.request(ctx.now, STATE_AFTER_CHANGE);
        }
        self.publish_due(ctx);
    }

    /// Publishes how it stands, where that is due.
    fn publish_due(&mut self, ctx: &mut Context<'_>) {
        if self.publish.due.is_some_and(|due| ctx.now >= due) {
            self.publish = Publish { due: None, last: Some(ctx.now), ..self.publish };
            ctx.out.push(Effect::State(self.ix));
        }
    }

    fn remember(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let mut changed = false;
        for (control, marker) in self.lamps.iter().zip(&mut self.remembered) {
            let now = control.guard.marker();
            changed |= *marker != now;
            *marker = now;
        }
        if changed {
            let lamps = enclosure.lamps.iter().zip(&self.lamps);
            let lamps = lamps.filter_map(|(lamp, control)| control.record(ctx.now, lamp)).collect();
            ctx.out.push(Effect::Remember(SafetyRecord::Enclosure { id: enclosure.id.clone(), lamps }));
        }
    }

    /// What became of the newest reading of a probe.
    pub(super) fn heard(&self, ix: ProbeIx) -> Option<Heard> {
        let (value, quality) = self.newest(ix)?;
        let good = value.filter(|_| quality == Quality::Good);
        let series = || self.uv.iter().find(|series| series.probe == ix);
        let uvi = good.and_then(|raw| series().map(|series| (series.uvi(raw), series.footing())));
        Some(Heard { value, quality, uvi })
    }

    /// The levels of its lamps and the kinds of its alarms, as the [view](EnclosureControl::view) has them.
    pub(super) fn outline(&self) -> (impl Iterator<Item = Level>, impl Iterator<Item = AlarmKind>) {
        (self.lamps.iter().map(|control| control.drive.wanted()), self.board.standing())
    }

    /// The target of a lamp's thermostat that is in force.
    pub(super) fn target(&self, LampIx(ix): LampIx) -> Option<Celsius> {
        self.lamps.get(ix)?.target()
    }

    /// The enclosure as it stands.
    pub(super) fn view(&self, ctx: &Context<'_>, enclosure: &Enclosure) -> EnclosureView {
        let now = ctx.now;
        let daylight = ctx.wall.map(|wall| self.day.clone().all.at(wall));
        let today = daylight.and_then(|daylight| daylight.today).and_then(|plan| plan.span());
        let lamps = self.lamps.iter().enumerate().map(|(at, control)| {
            let mut guard = control.guard.clone();
            LampView {
                wanted: control.drive.wanted(),
                reported: control.drive.reported(),
                reason: control.reason.to_string(),
                target: control.target(),
                by_hand: control.by_hand(ctx, &enclosure.lamps[at]),
                interlock: guard.thresholds().map(|(cut, limit)| InterlockView {
                    state: guard.standing(now).word(),
                    cut,
                    limit,
                    why: guard.refusal(now).map(|refusal| refusal.to_string()),
                }),
            }
        });
        let probes = self.probes.iter().zip(&enclosure.probes).enumerate().map(|(ix, (control, probe))| {
            let value = control.intake.last().map(|(value, _)| value);
            let series = self.uv.iter().find(|series| series.probe == ProbeIx(ix));
            ProbeView {
                value,
                age: control.intake.last().map(|(_, at)| now.since(at)),
                quality: control.intake.quality(now, probe),
                uv: series.map(|series| series.view(value)),
            }
        });
        EnclosureView {
            enclosure: self.ix,
            at: ctx.wall,
            day: DayView {
                is_day: daylight.is_some_and(|daylight| daylight.is_day),
                lights_on: today.map(|(on, _)| on),
                lights_off: today.map(|(_, off)| off),
            },
            lamps: lamps.collect(),
            probes: probes.collect(),
            band: enclosure.care.uv,
            alarms: self.board.standing().collect(),
            season: self.season_view(ctx),
        }
    }

    /// Carries on from the same enclosure under earlier settings: probes are known again by name and topic, lamps by
    /// command topic or name.
    pub(super) fn adopt(&mut self, now: Mono, settings: &Enclosure, earlier: EnclosureControl, was: &Enclosure) {
        let same_probe = |ProbeIx(ix): ProbeIx| {
            let probe = &settings.probes[ix];
            let is_same = |before: &Probe| {
                before.measures == probe.measures && before.topic == probe.topic && before.pointer == probe.pointer
            };
            was.probes.iter().position(is_same).map(ProbeIx)
        };
        for (ix, control) in self.probes.iter_mut().enumerate() {
            if let Some(ProbeIx(before)) = same_probe(ProbeIx(ix)) {
                control.intake = earlier.probes[before].intake.clone();
                control.doubt = earlier.probes[before].doubt.clone();
            }
        }
        for series in &mut self.uv {
            let known = earlier.uv.iter().find(|known| Some(known.probe) == same_probe(series.probe));
            if let Some(known) = known {
                series.adopt(known.clone());
            }
        }
        let same_lamp = |LampIx(ix): LampIx| {
            let lamp = &settings.lamps[ix];
            let position = was.lamps.iter().position(|before| before.output.set == lamp.output.set);
            position.or_else(|| was.lamps.iter().position(|before| before.name == lamp.name)).map(LampIx)
        };
        self.health.adopt(&earlier.health, same_lamp, same_probe);
        self.walk = earlier.walk;
        for (ix, lamp) in settings.lamps.iter().enumerate() {
            if let Some(LampIx(before)) = same_lamp(LampIx(ix)) {
                self.lamps[ix].adopt(earlier.lamps[before].clone(), &same_probe);
                self.wards[ix].adopt(earlier.wards[before].clone());
                self.remembered[ix] = earlier.remembered[before];
                let moved = was.lamps[before].output != lamp.output;
                if moved {
                    self.lamps[ix].drive.link_up(now);
                }
            }
        }
        if let (Some(season), Some(was)) = (&mut self.season, earlier.season) {
            season.adopt(was);
        }
        self.board.adopt(earlier.board);
        self.overridden = earlier.overridden;
        self.board.retain_subjects(|_, subject| is_subject(settings, subject));
    }
}

/// What a probe is to each lamp it guards or regulates.
fn concerns_of(enclosure: &Enclosure, probe: ProbeIx) -> Vec<Concern> {
    let concern = |(at, lamp): (usize, &Lamp)| {
        let guards = lamp.guard.as_ref().is_some_and(|guard| guard.probes.contains(&probe));
        let regulates = lamp.heat.is_some_and(|heat| heat.probe == probe);
        (guards || regulates).then_some(Concern { lamp: LampIx(at), guards, regulates, others_warm: true })
    };
    enclosure.lamps.iter().enumerate().filter_map(concern).collect()
}

/// Lamps that have no heat without the probe: it guards or regulates them.
fn held_off_by(enclosure: &Enclosure, probe: ProbeIx) -> Vec<Arc<str>> {
    let needs = |lamp: &&Lamp| {
        lamp.heat.is_some_and(|heat| heat.probe == probe)
            || lamp.guard.as_ref().is_some_and(|guard| guard.probes.contains(&probe))
    };
    enclosure.lamps.iter().filter(needs).map(|lamp| Arc::from(lamp.name.as_str())).collect()
}

/// Spots where an animal basks under UV: where UV probes sit, or else the one that is called so.
fn basking(enclosure: &Enclosure) -> Vec<String> {
    let uv = enclosure.probes.iter().filter(|probe| probe.measures == Measures::Uvi);
    let mut spots: Vec<String> = uv.map(|probe| probe.spot.clone()).collect();
    spots.dedup();
    if spots.is_empty() {
        spots.push("basking".to_owned());
    }
    spots
}

/// One series for each UV probe.
fn uv_series(enclosure: &Enclosure) -> Vec<UvSeries> {
    let uv = enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == Measures::Uvi);
    let series = |(ix, probe): (usize, &Probe)| {
        let arrives = enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.lights == Some(ProbeIx(ix)));
        UvSeries::new(ProbeIx(ix), probe, arrives.map(|(lamp, _)| LampIx(lamp)).collect())
    };
    let mut series: Vec<_> = uv.map(series).collect();
    // Most have one, and a list begins with room for four.
    series.shrink_to_fit();
    series
}
