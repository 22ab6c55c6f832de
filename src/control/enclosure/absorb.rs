//! Readings and reports of which nothing comes, and when something falls due without any.
//!
//! Most of what a healthy room says changes nothing: the temperature is within the thermostat's band, the relay says again
//! what it said. Each judge tells for itself which readings those are; where all of them do, only what is remembered of
//! the probe is brought up to date. It must leave everything exactly as the whole way would.

use std::time::Duration;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use super::dark::Ward;
use super::judge::STILL;
use super::{Cooled, EnclosureControl};
use crate::control::alarm::AlarmKind;
use crate::control::clock::Clock;
use crate::control::context::Context;
use crate::control::intake::Calm;
use crate::control::lamp::LampControl;
use crate::control::uv::UvSeries;
use crate::control::view::Quality;
use crate::guard::{Row, Stoppage, Stretch};
use crate::settings::{Enclosure, Lamp, LampIx, Measures, Probe, ProbeIx};
use crate::time::{Mono, Soonest};
use crate::units::{Celsius, Level};

/// A guard reckons how long a reading lasts from one at most this much hotter, K; our choice: narrow enough to come near
/// the reading's own time, wide enough to be reckoned seldom.
const HOTTER: f64 = 2.0;

/// Readings of a probe of which nothing comes until the next step, and for how long each keeps it from being missed, at
/// least.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    calm: Calm,
    lasts: Duration,
}

/// Readings that have come and been told to nobody yet, and which may still join them. A driver may borrow them, and take
/// in readings by itself.
#[derive(Clone, Copy, Debug)]
pub struct Waiting {
    within: Stretch,
    step: f64,
    lasts: Duration,
    row: Row,
    /// The highest of those that the diagnoses have not been told of.
    most: f64,
    /// How many they have been told of.
    gathered: u32,
    /// Until when more could wait, if no slot of the diagnoses ended before.
    beyond: Mono,
}

impl Waiting {
    /// Takes a reading into the row, if it may join it.
    #[inline]
    pub fn takes(&mut self, now: Mono, value: f64) -> bool {
        let joins = self.within.has(now, value) && self.follows(now, value);
        if joins {
            self.join(now, value);
        }
        joins
    }

    /// Whether a reading comes in time after the last, and near to it.
    #[inline]
    fn follows(&self, now: Mono, value: f64) -> bool {
        now < self.row.at.after(self.lasts) && (value - self.row.last).abs() < self.step
    }

    #[inline]
    fn join(&mut self, now: Mono, value: f64) {
        if value != self.row.last {
            self.row.changed = Some(now);
        }
        (self.row.last, self.row.at) = (value, now);
        self.most = self.most.max(value);
        self.row.many = self.row.many.saturating_add(1);
    }

    /// Whether a reading would join the row, but that a slot of the diagnoses ends with it.
    fn ends_slot(&self, now: Mono, value: f64) -> bool {
        let but_for_slot = Stretch { until: self.beyond, ..self.within };
        now >= self.within.until && but_for_slot.has(now, value) && self.follows(now, value)
    }

    /// The same for readings between these alone, neither included.
    pub fn between(self, above: f64, below: f64) -> Waiting {
        Waiting { within: self.within.and(Stretch { above, below, until: Mono::END }), ..self }
    }

    /// What waits.
    pub fn row(&self) -> &Row {
        &self.row
    }
}

/// A well probe is heard again within this of its last reading: common ones keep their interval to a few hundredths; a
/// guess.
pub(in crate::control) fn on_beat(probe: &Probe) -> Duration {
    probe.every.saturating_add(probe.every / 16)
}

impl EnclosureControl {
    /// Finds anew when something falls due.
    pub(in crate::control) fn plan(&mut self, ctx: &Context<'_>, enclosure: &Enclosure) {
        let now = ctx.now;
        // These count even where they are not still to come.
        let mut timer = self.board.next_deadline().unwrap_or(Mono::END);
        self.retained.iter().for_each(|&(_, until)| timer = timer.min(until));
        self.uv.iter().filter_map(UvSeries::next_deadline).for_each(|at| timer = timer.min(at));
        let mut soonest = Soonest::after(now);
        for (lamp, control) in enclosure.lamps.iter().zip(&self.lamps) {
            soonest.by(control.next_timer(now, lamp));
        }
        for control in &self.probes {
            control.intake.trusted_at().into_iter().for_each(|at| soonest.by(at));
            // From then on one that stands still as warm as by day, its lamp off, cannot be believed.
            if control.concerns.iter().any(|concern| concern.regulates) {
                soonest.by(control.intake.same_at(STILL));
            }
        }
        let (day, filing) = self.health.next(&self.lamps);
        self.timer = timer.min(soonest.at());
        self.filing = filing.unwrap_or(Mono::END);
        self.planned = ctx.wall;
        self.by_wall = ctx.wall.and_then(|wall| self.next_by_wall(wall, day));
        self.wall_timer = self.by_wall.and_then(|at| ctx.mono_at(at)).unwrap_or(Mono::END);
        self.steady = ctx.stopping.is_none() && !self.lamps.iter().any(LampControl::is_ramping);
        self.plan_told(now, enclosure);
        for (at, (probe, control)) in enclosure.probes.iter().zip(&mut self.probes).enumerate() {
            let mut missed = Mono::END;
            for lamp in &self.lamps {
                missed = lamp.guard.next_silence(now, ProbeIx(at)).map_or(missed, |at| missed.min(at));
            }
            let silent = control.intake.silent_at(probe);
            control.missed = if ctx.connected && silent > now { missed.min(silent) } else { missed };
            (control.calm, control.row) = (None, None);
        }
    }

    /// When something falls due after `wall`, by the wall clock; `day`: the day is over.
    fn next_by_wall(&self, wall: DateTime<Utc>, day: Option<DateTime<Utc>>) -> Option<DateTime<Utc>> {
        let mut soonest: Option<DateTime<Utc>> = None;
        let mut by = |at: Option<DateTime<Utc>>| {
            if let Some(at) = at.filter(|&at| at > wall)
                && soonest.is_none_or(|so_far| at < so_far)
            {
                soonest = Some(at);
            }
        };
        by(day);
        by(self.walk.due());
        by(self.season.as_ref().and_then(Cooled::next));
        self.lamps.iter().for_each(|lamp| by(lamp.next_hours()));
        soonest
    }

    /// The same where an output has done what it was told, and nothing else has happened since the last plan.
    pub(super) fn plan_obeyed(&mut self, now: Mono, enclosure: &Enclosure) {
        self.filing = self.health.next(&self.lamps).1.unwrap_or(Mono::END);
        self.plan_told(now, enclosure);
        self.probes.iter_mut().for_each(|control| (control.calm, control.row) = (None, None));
    }

    /// Finds anew when an output must be told something, or has not obeyed for too long.
    fn plan_told(&mut self, now: Mono, enclosure: &Enclosure) {
        let (mut told, mut heeds) = (Mono::END, Soonest::after(now));
        for (lamp, control) in enclosure.lamps.iter().zip(&self.lamps) {
            told = told.min(control.told_at(lamp));
            heeds.by(control.disobeys_at(now, lamp));
        }
        (self.told, self.heeds) = (told, heeds.at());
    }

    /// Whether the wall clock has slipped `slips` times by what was planned last.
    pub(in crate::control) fn has_followed(&self, slips: u64) -> bool {
        self.slips == slips
    }

    /// The wall clock says `wall` now and has slipped `slips` times: where that is more often than before, what goes by it is
    /// planned anew. Where it says less than when that was planned, who knows what was not so then: all is due now.
    pub(in crate::control) fn follow_clock(&mut self, slips: u64, now: Mono, wall: Option<DateTime<Utc>>) {
        if self.has_followed(slips) {
            return;
        }
        self.slips = slips;
        if wall < self.planned {
            self.look_by(now);
        } else if let Some((at, wall)) = self.by_wall.zip(wall) {
            self.wall_timer = now.after((at - wall).to_std().unwrap_or_default());
        }
    }

    /// When it must be looked at next, at the latest; [`Mono::END`] for never. Before that a step without an event changes
    /// nothing.
    pub(in crate::control) fn due(&self) -> Mono {
        self.probes.iter().map(|control| control.missed).fold(self.next_timer(), Mono::min)
    }

    /// [`EnclosureControl::due`] as long as its probes are heard in time.
    pub(in crate::control) fn next_timer(&self) -> Mono {
        let others = self.told.min(self.filing).min(self.publish.due.unwrap_or(Mono::END));
        others.min(self.step_due())
    }

    /// When more is to be done than to tell outputs again, to file hours and to publish how it stands.
    fn step_due(&self) -> Mono {
        self.timer.min(self.wall_timer).min(self.heeds)
    }

    /// Whether every probe has been heard in time.
    pub(in crate::control) fn is_on_beat(&self, now: Mono, enclosure: &Enclosure) -> bool {
        let mut probes = enclosure.probes.iter().zip(&self.probes);
        probes.all(|(probe, control)| {
            let heard = control.row.map(|waiting| waiting.row.at).or(control.intake.last().map(|(_, at)| at));
            heard.is_some_and(|at| now <= at.after(on_beat(probe)) && control.missed >= at.after(on_beat(probe)))
        })
    }

    /// It must be looked at by `now`, whatever it thinks itself.
    pub(in crate::control) fn look_by(&mut self, now: Mono) {
        self.timer = self.timer.min(now);
    }

    /// Whether a step would find nothing new, if nothing is due and all that has happened is that the output of `lamp` has said
    /// that it does what it should, but that hours may be filed.
    pub(super) fn is_settled(&self, ctx: &Context<'_>, enclosure: &Enclosure, lamp: &Lamp) -> bool {
        let told = |(lamp, control): (&Lamp, &LampControl)| control.told_at(lamp) > ctx.now;
        let quiet = self.steady && ctx.connected && self.board.knows_none(&[AlarmKind::RelayDeaf], &lamp.name);
        quiet && !self.wards.iter().any(Ward::has_news) && enclosure.lamps.iter().zip(&self.lamps).all(told)
    }

    /// Does what is due: where that is no more than to tell outputs again, to file hours and to publish how it stands, no more
    /// than that.
    pub(in crate::control) fn fall_due(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let silent = self.probes.iter().any(|control| control.missed <= ctx.now);
        if !self.steady || silent || self.step_due() <= ctx.now {
            self.tell_rows(enclosure);
            self.step(ctx, enclosure);
            self.plan(ctx, enclosure);
            return;
        }
        for (at, (lamp, control)) in enclosure.lamps.iter().zip(&mut self.lamps).enumerate() {
            control.tell(ctx, lamp, (self.ix, LampIx(at)));
        }
        if self.filing <= ctx.now {
            self.keep_hours(ctx);
            self.filing = self.health.next(&self.lamps).1.unwrap_or(Mono::END);
        }
        self.publish_due(ctx);
        self.plan_told(ctx.now, enclosure);
    }

    /// Takes in a plain live reading if nothing comes of it, and tells when something may be due sooner than before. None:
    /// it must go the whole way, and nothing was changed but what is [half taken](EnclosureControl::is_half_taken). Asked only while nothing is due and the link is up.
    pub(in crate::control) fn absorb(
        &mut self,
        now: Mono,
        enclosure: &Enclosure,
        (ix, value): (ProbeIx, f64),
        clock: &Clock,
        timezone: Tz,
    ) -> Option<Mono> {
        let control = self.probes.get_mut(ix.0)?;
        if let Some(waiting) = &mut control.row
            && waiting.takes(now, value)
        {
            control.missed = now.after(waiting.lasts);
            return Some(control.missed);
        }
        if self.is_half_taken(now, ix) {
            return None;
        }
        let past_slot = self.probes[ix.0].row.as_ref().is_some_and(|waiting| waiting.ends_slot(now, value));
        if past_slot && !self.has_news(enclosure, ix) {
            return self.absorb_past_slot(now, enclosure, ix, value);
        }
        // Nobody asked below looks at another probe whose readings wait: one with twins has none.
        self.tell_row(enclosure, ix);
        let probe = &enclosure.probes[ix.0];
        let lasts = self.lasts_calm(now, enclosure, ix, value)?;
        let shown = self.publish.if_read(now);
        if shown.is_some_and(|due| due <= now) {
            return None;
        }
        match probe.measures {
            Measures::Temperature => self.absorb_temperature(now, enclosure, ix, Celsius(value))?,
            Measures::Uvi => {
                let local = clock.wall(now).map(|wall| (wall, timezone));
                self.absorb_uvi(now, enclosure, (ix, value), local)?;
            }
            Measures::Power => self.absorb_power(now, enclosure, (ix, value))?,
            Measures::Illuminance if self.has_news(enclosure, ix) => return None,
            Measures::Illuminance => {
                let unheard = self.gather(now, enclosure, ix, value);
                self.half_taken_unless(unheard, now, ix)?;
            }
            Measures::Humidity => {}
        }
        self.publish.due = shown.or(self.publish.due);
        let control = &mut self.probes[ix.0];
        control.intake.absorb(now, value);
        control.missed = now.after(lasts);
        if shown.is_none() {
            self.begin_row(now, enclosure, ix);
        }
        Some(self.next_timer().min(self.probes[ix.0].missed))
    }

    /// Takes in a temperature [with which a slot ends](Waiting::ends_slot) as [`EnclosureControl::absorb`] does: the diagnoses
    /// weigh what they have gathered, and where nobody needs to be told what they conclude, all wait on.
    fn absorb_past_slot(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, value: f64) -> Option<Mono> {
        self.tell_diagnoses(enclosure, ix);
        let unheard = self.gather(now, enclosure, ix, value);
        self.half_taken_unless(unheard, now, ix)?;
        let until = self.gathers_until(ix).unwrap_or(now);
        let control = &mut self.probes[ix.0];
        let waiting = control.row.as_mut()?;
        waiting.join(now, value);
        (waiting.gathered, waiting.most) = (waiting.row.many, value);
        waiting.within.until = waiting.beyond.min(until);
        control.missed = now.after(waiting.lasts);
        Some(control.missed)
    }

    /// The readings of a probe that wait.
    pub(in crate::control) fn waiting(&self, ProbeIx(ix): ProbeIx) -> Option<Waiting> {
        self.probes.get(ix)?.row
    }

    /// More may wait by now: `waiting` is what was borrowed, with what has joined it.
    pub(in crate::control) fn now_wait(&mut self, ProbeIx(ix): ProbeIx, waiting: Waiting) {
        if let Some(control) = self.probes.get_mut(ix).filter(|control| control.row.is_some()) {
            control.missed = waiting.row.at.after(waiting.lasts);
            let own = control.row.map_or(waiting.within, |row| row.within);
            control.row = Some(Waiting { within: Stretch { until: waiting.within.until, ..own }, ..waiting });
        }
    }

    fn absorb_temperature(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, reading: Celsius) -> Option<()> {
        let concerns = &self.probes[ix.0].concerns;
        let lamp = |LampIx(at): LampIx| &enclosure.lamps[at];
        if !concerns.iter().all(|c| self.lamps[c.lamp.0].bears(now, lamp(c.lamp), c, ix, reading)) {
            return None;
        }
        if self.has_news(enclosure, ix) {
            return None;
        }
        let unheard = self.gather(now, enclosure, ix, reading.0);
        self.half_taken_unless(unheard, now, ix)?;
        for c in &self.probes[ix.0].concerns {
            self.lamps[c.lamp.0].absorb(now, lamp(c.lamp), &enclosure.probes[ix.0], c, ix, reading);
        }
        Some(())
    }

    /// The next readings of a probe may wait, where nobody concerned must be told of each.
    fn begin_row(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx) {
        let gathers_until = self.gathers_until(ix);
        let control = &self.probes[ix.0];
        let (Some(known), Some((last, at))) = (control.calm, control.intake.last()) else { return };
        let (mut within, mut step, mut slot) = (known.calm.within, known.calm.step, Mono::END);
        match enclosure.probes[ix.0].measures {
            Measures::Temperature => {
                for c in &control.concerns {
                    let lamp = &self.lamps[c.lamp.0];
                    let Some(stretch) = lamp.takes_rows(now, &enclosure.lamps[c.lamp.0], c, ix) else { return };
                    within = within.and(stretch);
                }
                let Some(until) = gathers_until else { return };
                slot = until;
                step = step.min(Stoppage::ROW_STEP);
            }
            _ if self.tells_of_lamps(enclosure, ix) => return,
            Measures::Power | Measures::Illuminance | Measures::Humidity => {}
            Measures::Uvi => return,
        }
        let row = Row { last, at, changed: None, many: 0 };
        let (beyond, lasts) = (within.until, known.lasts);
        within.until = beyond.min(slot);
        self.probes[ix.0].row = Some(Waiting { within, step, lasts, row, most: last, gathered: 0, beyond });
    }

    /// Tells everybody concerned of the readings that wait.
    pub(in crate::control) fn tell_rows(&mut self, enclosure: &Enclosure) {
        (0..self.probes.len()).for_each(|at| self.tell_row(enclosure, ProbeIx(at)));
    }

    fn tell_row(&mut self, enclosure: &Enclosure, ix: ProbeIx) {
        self.tell_diagnoses(enclosure, ix);
        let control = &mut self.probes[ix.0];
        let Some(Waiting { row, .. }) = control.row.take().filter(|waiting| waiting.row.many > 0) else { return };
        control.intake.absorb_row(&row);
        for c in &control.concerns {
            self.lamps[c.lamp.0].absorb_row(&enclosure.lamps[c.lamp.0], c, ix, &row);
        }
    }

    /// Tells the diagnoses of the temperatures that wait.
    fn tell_diagnoses(&mut self, enclosure: &Enclosure, ix: ProbeIx) {
        let Some(waiting) = &mut self.probes[ix.0].row else { return };
        if waiting.row.many > waiting.gathered && enclosure.probes[ix.0].measures == Measures::Temperature {
            waiting.gathered = waiting.row.many;
            let (most, last) = (waiting.most, waiting.row.last);
            self.gather_row(ix, Celsius(most), Celsius(last));
        }
    }

    /// What the newest reading of a probe said, and whether it counts; none where nothing was heard since the start.
    pub(super) fn newest(&self, ix: ProbeIx) -> Option<(Option<f64>, Quality)> {
        let control = self.probes.get(ix.0)?;
        match &control.row {
            Some(waiting) => Some((Some(waiting.row.last), Quality::Good)),
            None => control.intake.newest(),
        }
    }

    /// Whether readings wait that nobody concerned has been told of.
    pub(in crate::control) fn has_rows(&self) -> bool {
        self.probes.iter().any(|control| control.row.is_some())
    }

    /// For how long a reading that is calm keeps the probe from being missed, at least; none where it is not calm.
    fn lasts_calm(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, value: f64) -> Option<Duration> {
        let control = &self.probes[ix.0];
        let (last, _) = control.intake.last()?;
        let fits = |known: &Known| known.calm.within.has(now, value) && (value - last).abs() <= known.calm.step;
        if let Some(known) = control.calm.filter(fits) {
            return Some(known.lasts);
        }
        let found = self.find_calm(now, enclosure, ix, value);
        self.probes[ix.0].calm = found;
        found.filter(fits).map(|known| known.lasts)
    }

    /// Which readings of a probe are calm until the next step, around `value`.
    fn find_calm(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, value: f64) -> Option<Known> {
        if !self.steady {
            return None;
        }
        let probe = &enclosure.probes[ix.0];
        let mut calm = self.probes[ix.0].intake.calm(now, probe)?;
        // Fresh up to and including the stale time, so the verdict changes just after it.
        let mut lasts = probe.stale.saturating_add(Duration::from_nanos(1));
        if probe.measures == Measures::Temperature {
            let control = &self.probes[ix.0];
            if control.intake.same_for(now) >= STILL && control.concerns.iter().any(|concern| concern.regulates) {
                return None;
            }
            calm.within.below = calm.within.below.min(value + HOTTER);
            for (lamp, control) in enclosure.lamps.iter().zip(&self.lamps) {
                calm.within = calm.within.and(control.calm(now, lamp, ix)?);
            }
            for at in 0..self.probes[ix.0].concerns.len() {
                let LampIx(lamp) = self.probes[ix.0].concerns[at].lamp;
                self.probes[ix.0].concerns[at].others_warm = self.others_warm(enclosure, lamp);
                lasts = lasts.min(self.lamps[lamp].guard.lasts(ix, Celsius(calm.within.below)));
            }
        }
        // One that could be missed before it is due again is none of which nothing comes.
        (lasts >= on_beat(probe)).then_some(Known { calm, lasts })
    }

    /// Takes in an output's report if it tells nothing new; otherwise it changes nothing.
    pub(in crate::control) fn absorb_report(
        &mut self,
        now: Mono,
        enclosure: &Enclosure,
        LampIx(ix): LampIx,
        level: Level,
    ) -> bool {
        let steady = self.steady;
        let old = |control: &&mut LampControl| steady && control.drive.is_old_news(level);
        let Some(control) = self.lamps.get_mut(ix).filter(old) else { return false };
        control.report(now, &enclosure.lamps[ix], level);
        true
    }
}
