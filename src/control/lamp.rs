//! One lamp: what control proposes, what the guard permits, and how its output is driven.

mod circuit;
mod keep;

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use crate::guard::{LampGuard, LampRecord, Refusal, Row, Stoppage, Stretch, WeakWatch};
use crate::settings::{EnclosureIx, Lamp, LampIx, OnExit, Probe, ProbeIx, When, Window};
use crate::time::{Mono, Soonest};
use crate::units::{Celsius, Level, Watts};

use self::circuit::HELD_BACK_LONG;
pub(super) use self::circuit::HeldBack;
use super::context::Context;
use super::drive::Drive;
use super::effect::Effect;
use super::event::OutputRef;
use super::health::life::LampLife;
use super::heat::Thermostat;
use super::photoperiod::DayClock;
use super::reason::{Proposal, Reason};

/// From this level on a dimmed lamp counts as fully on when it is judged too weak; a guess.
const FULL_ENOUGH: f64 = 0.97;
/// A warming lamp told off and reported on for this long is cut off upstream (guard law 6); a guess.
const CUT_OFF_AFTER: Duration = Duration::from_secs(60);
/// A hand setting lasts this long at most; a guess, so that nobody forgets one for good.
const LONGEST_OVERRIDE: Duration = Duration::from_secs(24 * 3600);
/// A ramp moves at least this often; a guess, fine enough for the eye over half an hour.
const RAMP_STEP: TimeDelta = TimeDelta::seconds(10);

/// One lamp under control.
#[derive(Clone, Debug)]
pub(super) struct LampControl {
    pub(super) guard: LampGuard,
    pub(super) drive: Drive,
    pub(super) life: LampLife,
    thermostat: Option<Thermostat>,
    pub(super) stoppage: Option<Stoppage>,
    pub(super) weak: Option<WeakWatch>,
    pub(super) reason: Reason,
    hand: Option<Hand>,
    /// When the permit last went on or off; none: not since the start, and long enough ago not to matter.
    switched: Option<Mono>,
    /// A lamp that went out by itself, or is on although told off, must cool until then.
    cooling_until: Option<Mono>,
    /// By what is on file its shortest time off lasts until then.
    resting_until: Option<Mono>,
    /// Which way it last went and when, where that is known: for the file.
    last_switch: Option<(bool, Option<DateTime<Utc>>)>,
    /// That has not been filed.
    switch_is_news: bool,
    /// It was to go off while nobody could hear it.
    off_unheard: bool,
    target: Option<Celsius>,
    hours: Hours,
    /// Its name, and the command topic by which it is known again under another one.
    pub(super) name: Arc<str>,
    pub(super) set: Arc<str>,
    spot: Arc<str>,
    /// Name of the contactor above it.
    cut_off: Option<Arc<str>>,
    /// Its turn to strike on its circuit.
    turn: Option<Mono>,
    /// Held back by the soft limit of its circuit since then, although it is to be on.
    held_since: Option<Mono>,
    /// It had to make room on its circuit, and asks for none before.
    displaced_until: Option<Mono>,
}

/// What a temperature probe is to a lamp.
#[derive(Clone, Copy, Debug)]
pub(super) struct Concern {
    /// Which lamp.
    pub(super) lamp: LampIx,
    /// It guards it.
    pub(super) guards: bool,
    /// It regulates it.
    pub(super) regulates: bool,
    /// Another lamp of the enclosure may be warming the probe.
    pub(super) others_warm: bool,
}

/// Where a moment lies in a lamp's day.
#[derive(Clone, Copy, Debug)]
struct Hours {
    is_day: bool,
    /// The lamp's window is open.
    open: bool,
    /// How far its ramp has come, 0..=1.
    share: f64,
    /// The share changes from now on.
    ramping: bool,
    /// The day target is in force: it follows `after_dawn` and `before_dusk` too.
    day_target: bool,
    /// The date in force, and how deep it is in a cooling season.
    date: Option<(NaiveDate, f64)>,
    /// Asked then …
    from: Option<DateTime<Utc>>,
    /// … and to be asked again by then.
    next: Option<DateTime<Utc>>,
}

impl Hours {
    const UNKNOWN: Hours = Hours {
        is_day: false,
        open: false,
        share: 0.0,
        ramping: false,
        day_target: false,
        date: None,
        from: None,
        next: None,
    };

    /// Without a wall time it counts as night: lights stay off, and the night targets hold.
    fn at(day: &mut DayClock, window: &Window, wall: Option<DateTime<Utc>>) -> Hours {
        let Some(wall) = wall else {
            let open = window.when != When::Day;
            return Hours { open, share: if open { 1.0 } else { 0.0 }, ..Hours::UNKNOWN };
        };
        let daylight = day.at(wall);
        let opening = day.window(window, wall);
        let by_day = day.window(&Window { when: When::Day, ..*window }, wall);
        let mut next = opening.next.min(by_day.next).min(daylight.holds_until);
        if opening.is_ramping() {
            next = next.min(wall + RAMP_STEP);
        }
        Hours {
            is_day: daylight.is_day,
            open: opening.open,
            share: opening.share,
            ramping: opening.is_ramping(),
            day_target: by_day.open,
            date: daylight.today.map(|today| (today.date, day.depth(today.date))),
            from: Some(wall),
            next: Some(next),
        }
    }

    /// Whether this is still so at `wall`. Along a ramp nothing stays as it is.
    fn holds_at(&self, window: &Window, wall: Option<DateTime<Utc>>) -> bool {
        let steady = window.ramp.is_zero() || !self.open;
        let span = self.from.zip(self.next);
        steady && wall.zip(span).is_some_and(|(wall, (from, next))| from <= wall && wall < next)
    }
}

/// A level set by hand.
#[derive(Clone, Copy, Debug)]
struct Hand {
    level: Level,
    until: Mono,
    /// For how long it was asked for.
    span: Duration,
}

impl LampControl {
    pub(super) fn new(lamp: &Lamp, probes: &[Probe], cut_off: Option<&str>, now: Mono, connected: bool) -> LampControl {
        let mut guard = LampGuard::new(lamp, probes);
        let (permit, _) = guard.judge(now, Level::OFF);
        let spot = lamp.heat.map_or("", |heat| probes[heat.probe.0].spot.as_str());
        // Nobody knows how long a discharge lamp has been out, so it is taken to have just gone out.
        let must_cool = !lamp.fitting.traits().restrike.value.is_zero();
        let watched = lamp.guard.as_ref();
        LampControl {
            guard,
            drive: Drive::new(permit, connected),
            life: LampLife::default(),
            thermostat: lamp.heat.map(|heat| Thermostat::new(heat.law)),
            stoppage: watched.map(|guard| Stoppage::new(guard.unstoppable_after, guard.slew, lamp.power, now)),
            weak: lamp.heat.map(|heat| WeakWatch::new(heat.weak)),
            reason: Reason::Night,
            hand: None,
            switched: must_cool.then_some(now),
            cooling_until: None,
            resting_until: None,
            last_switch: None,
            switch_is_news: false,
            off_unheard: false,
            target: None,
            hours: Hours::UNKNOWN,
            name: Arc::from(lamp.name.as_str()),
            set: Arc::from(lamp.output.set.as_str()),
            spot: Arc::from(spot),
            cut_off: cut_off.map(Arc::from),
            turn: None,
            held_since: None,
            displaced_until: None,
        }
    }

    /// A believable temperature has come in, after the guard has seen it.
    pub(super) fn temperature(&mut self, now: Mono, lamp: &Lamp, probe: &Probe, ix: ProbeIx, reading: Celsius) {
        let Some(heat) = lamp.heat.filter(|heat| heat.probe == ix) else { return };
        let target = self.target.unwrap_or(heat.target.night);
        let is_fully_on = self.is_fully_on(lamp);
        let acting =
            self.hours.open && !matches!(self.reason, Reason::Guard(_) | Reason::CutOff { .. } | Reason::Override);
        if let Some(thermostat) = &mut self.thermostat {
            thermostat.reading(now, reading, target, acting, probe.stale);
        }
        if let Some(weak) = &mut self.weak {
            if is_fully_on {
                weak.reading(now, reading, target, probe.stale);
            } else {
                weak.not_full(reading, target);
            }
        }
    }

    /// Whether its output says it is on, or says nothing at all because it has no state topic.
    fn is_lit_by_report(&self, lamp: &Lamp) -> bool {
        lamp.output.state.is_none() || self.drive.reported().is_some_and(|level| !level.is_off())
    }

    /// Whether it is on by every account, and has been for its warm-up.
    pub(super) fn is_warm(&self, now: Mono, lamp: &Lamp) -> bool {
        self.lit_for(now, lamp).is_some_and(|lasted| lasted >= lamp.warm_up)
    }

    /// For how long it has been on by every account.
    pub(super) fn lit_for(&self, now: Mono, lamp: &Lamp) -> Option<Duration> {
        if self.drive.wanted().is_off() || !self.is_lit_by_report(lamp) {
            return None;
        }
        self.switched.map(|since| now.since(since))
    }

    /// For how long it has been off by every account.
    pub(super) fn off_for(&self, now: Mono, lamp: &Lamp) -> Option<Duration> {
        let says_off = lamp.output.state.is_none() || self.drive.reported().is_some_and(Level::is_off);
        let since = self.switched.map_or(now.since_start(), |since| now.since(since));
        (self.drive.wanted().is_off() && says_off).then_some(since)
    }

    /// Whether it has been told off for at least so long.
    pub(super) fn told_off_for(&self, now: Mono, span: Duration) -> bool {
        self.drive.wanted().is_off() && self.switched.is_none_or(|since| now.since(since) >= span)
    }

    /// Whether it may be giving off heat: permitted, or reported on.
    pub(super) fn may_warm(&self, lamp: &Lamp) -> bool {
        let on = |level: Level| !level.is_off();
        lamp.fitting.traits().emits.heat && (on(self.drive.wanted()) || self.drive.reported().is_some_and(on))
    }

    /// The output reports its level.
    pub(super) fn report(&mut self, now: Mono, lamp: &Lamp, level: Level) {
        let restrike = lamp.fitting.traits().restrike.value;
        let was_on = self.drive.reported().is_some_and(|before| !before.is_off());
        let went_out = level.is_off() && was_on && !self.drive.wanted().is_off();
        // As after a start, when nobody knows what it did meanwhile.
        let will_go_out = !level.is_off() && self.drive.wanted().is_off();
        if (went_out || will_go_out) && !restrike.is_zero() {
            self.cooling_until = Some(now.after(restrike));
        }
        self.drive.report(now, level);
        self.count_hours(now, lamp);
    }

    /// Its permit or its report has changed: it burns by every account, or not.
    fn count_hours(&mut self, now: Mono, lamp: &Lamp) {
        let lit = !self.drive.wanted().is_off() && self.is_lit_by_report(lamp);
        self.life.lit(now, lit);
    }

    /// The lamp's own power probe has a believable reading.
    pub(super) fn power(&mut self, now: Mono, reading: Watts) {
        if let Some(stoppage) = &mut self.stoppage {
            stoppage.power(now, reading);
        }
    }

    /// A person sets a level for a while, or ends that.
    pub(super) fn set_by_hand(&mut self, now: Mono, level: Option<Level>, span: Duration) {
        let span = span.min(LONGEST_OVERRIDE);
        self.hand = level.map(|level| Hand { level, until: now.after(span), span });
    }

    /// What its hours are has changed: they are asked for anew.
    pub(super) fn forget_hours(&mut self) {
        self.hours.next = None;
    }

    /// A person resets its guard.
    pub(super) fn reset(&mut self, now: Mono) {
        self.guard.reset(now);
    }

    /// What control would like, before the guard has spoken.
    fn propose(&mut self, ctx: &Context<'_>, lamp: &Lamp, probes: &[Probe], day: &mut DayClock) -> Proposal {
        let wanted = self.wish(ctx, lamp, probes, day);
        self.hold_to_times(ctx.now, lamp, wanted)
    }

    fn wish(&mut self, ctx: &Context<'_>, lamp: &Lamp, probes: &[Probe], day: &mut DayClock) -> Proposal {
        let off = |reason| Proposal { level: Level::OFF, reason };
        // The calendar is asked when something of it may have changed, and not on every message.
        if !self.hours.holds_at(&lamp.window, ctx.wall) {
            self.hours = Hours::at(day, &lamp.window, ctx.wall);
        }
        let hours = self.hours;
        self.target = lamp.heat.map(|heat| {
            let target = match (&lamp.year, hours.date) {
                (Some(year), Some((date, depth))) => year.target(heat.target, date, depth),
                _ => heat.target,
            };
            if hours.day_target { target.day } else { target.night }
        });
        match ctx.stopping {
            Some(OnExit::AllOff) => return off(Reason::Stopping),
            Some(OnExit::HeatOff) if lamp.guard.is_some() => return off(Reason::Stopping),
            Some(OnExit::HeatOff | OnExit::Leave) | None => {}
        }
        if let (Some(cut_off), Some(name)) = (lamp.cut_off, &self.cut_off)
            && ctx.is_open(cut_off)
        {
            return off(Reason::CutOff { name: Arc::clone(name) });
        }
        self.hand = self.hand.filter(|hand| ctx.now < hand.until);
        if let Some(hand) = self.hand {
            return Proposal { level: whole_for_relay(lamp, hand.level), reason: Reason::Override };
        }
        if !hours.open {
            if let Some(thermostat) = &mut self.thermostat {
                thermostat.rest();
            }
            return off(match (ctx.wall, lamp.window.when) {
                (None, _) => Reason::NoClock,
                (_, When::Night) if hours.is_day => Reason::Day,
                _ if hours.is_day => Reason::Staged,
                _ => Reason::Night,
            });
        }
        let ceiling = in_percents(lamp.window.level.share() * hours.share);
        let (Some(thermostat), Some(heat), Some(target)) = (&mut self.thermostat, &lamp.heat, self.target) else {
            let reason = if hours.share < 1.0 { Reason::Ramp } else { Reason::Lit };
            return Proposal { level: whole_for_relay(lamp, ceiling), reason };
        };
        let Some(reading) = thermostat.fresh(ctx.now, probes[heat.probe.0].stale) else {
            return off(Reason::NoReading { spot: Arc::clone(&self.spot) });
        };
        let level = thermostat.level(ctx.now, reading, target).min(ceiling);
        let reason = Reason::Thermostat { spot: Arc::clone(&self.spot), reading, target };
        Proposal { level: whole_for_relay(lamp, level), reason }
    }

    /// Holds a wish to the shortest times on and off.
    fn hold_to_times(&self, now: Mono, lamp: &Lamp, wish: Proposal) -> Proposal {
        let is_on = !self.drive.wanted().is_off();
        let lasted = self.switched.map(|at| now.since(at));
        let cooling = self.cooling_until.is_some_and(|until| now < until);
        let resting = self.resting_until.is_some_and(|until| now < until);
        if !wish.level.is_off() {
            let too_soon = !is_on && (resting || lasted.is_some_and(|lasted| lasted < lamp.min_off));
            if too_soon || cooling {
                let by_fitting = cooling || lamp.min_off <= lamp.fitting.traits().restrike.value;
                return Proposal { level: Level::OFF, reason: Reason::MinOff { cooling: by_fitting } };
            }
        } else if is_on
            && lasted.is_some_and(|lasted| lasted < lamp.min_on)
            && matches!(wish.reason, Reason::Thermostat { .. } | Reason::Night | Reason::Day | Reason::Staged)
        {
            return Proposal { level: self.drive.wanted(), reason: Reason::MinOn };
        }
        wish
    }

    /// Proposes, lets the guard dispose, and drives the output.
    pub(super) fn steer(
        &mut self,
        ctx: &mut Context<'_>,
        lamp: &Lamp,
        probes: &[Probe],
        day: &mut DayClock,
        named: (EnclosureIx, LampIx),
    ) {
        let wish = self.propose(ctx, lamp, probes, day);
        let proposal = self.on_circuit(ctx, lamp, named, wish);
        let (permit, refusal) = self.guard.judge(ctx.now, proposal.level);
        self.reason = reason_for(proposal, refusal);
        let was_off = self.drive.wanted().is_off();
        if self.drive.want(ctx.now, permit) {
            let is_off = permit.level().is_off();
            if was_off != is_off {
                self.switched = Some(ctx.now);
                (self.cooling_until, self.resting_until) = (None, None);
                self.note_switch(ctx, lamp, !is_off);
                if let Some(stoppage) = &mut self.stoppage {
                    stoppage.told(ctx.now, !is_off);
                }
                self.count_hours(ctx.now, lamp);
            }
            self.note_on_circuit(ctx, lamp, named, was_off);
            self.send(ctx, lamp, named);
            ctx.out.push(Effect::Switched {
                enclosure: named.0,
                lamp: named.1,
                level: permit.level(),
                reason: self.reason.clone(),
            });
        } else {
            self.send(ctx, lamp, named);
        }
    }

    fn send(&mut self, ctx: &mut Context<'_>, lamp: &Lamp, (enclosure, ix): (EnclosureIx, LampIx)) {
        if ctx.stopping == Some(OnExit::Leave) {
            return;
        }
        if let Some(circuit) = lamp.circuit.filter(|_| self.drive.wants_turn(ctx.now, &lamp.output)) {
            self.drive.take_turn(ctx.now, ctx.circuits.turn(ctx.now, circuit));
        }
        self.drive.step(ctx.now, &lamp.output, OutputRef::Lamp(enclosure, ix), ctx.tickets, ctx.out);
    }

    /// Tells the output what is due, where nothing else is: what [`LampControl::steer`] would do then.
    pub(super) fn tell(&mut self, ctx: &mut Context<'_>, lamp: &Lamp, named: (EnclosureIx, LampIx)) {
        self.send(ctx, lamp, named);
    }

    /// When its output must be told something; [`Mono::END`] while there is no connection.
    pub(super) fn told_at(&self, lamp: &Lamp) -> Mono {
        self.drive.told_at(&lamp.output)
    }

    /// When something may change here that is neither an event, nor a reading that stays out, nor by the wall clock, nor what
    /// its output does and is told; [`Mono::END`] for never.
    pub(super) fn next_timer(&self, now: Mono, lamp: &Lamp) -> Mono {
        let mut soonest = Soonest::after(now);
        if let Some(switched) = self.switched {
            // Shortest times end only what they hold, and a warm-up is over only for those who look for UV.
            match self.reason {
                Reason::MinOn => soonest.by(switched.after(lamp.min_on)),
                Reason::MinOff { .. } => soonest.by(switched.after(lamp.min_off)),
                _ => {}
            }
            if lamp.lights.is_some() {
                soonest.by(switched.after(lamp.warm_up));
            }
            // One that is told off for so long and whose probe stands still is looked at.
            if lamp.heat.is_some() {
                soonest.by(switched.after(super::enclosure::STILL));
            }
        }
        let thermostat = self.thermostat.as_ref().and_then(|thermostat| thermostat.next_deadline(now));
        let others = [
            self.guard.next_timer(now),
            thermostat,
            self.hand.map(|hand| hand.until),
            self.cooling_until,
            self.resting_until,
            self.turn,
            self.displaced_until,
            self.held_since.map(|since| since.after(HELD_BACK_LONG)),
        ];
        others.into_iter().flatten().for_each(|at| soonest.by(at));
        soonest.at()
    }

    /// When its hours are to be asked for again.
    pub(super) fn next_hours(&self) -> Option<DateTime<Utc>> {
        self.hours.next
    }

    /// When its output will not have done what it was told for so long that something comes of it; [`Mono::END`] for never.
    pub(super) fn disobeys_at(&self, now: Mono, lamp: &Lamp) -> Mono {
        let mut soonest = Soonest::after(now);
        let disobeys = [self.drive.will_have_disagreed(CUT_OFF_AFTER), self.drive.deaf_at(now, &lamp.output)];
        disobeys.into_iter().flatten().for_each(|at| soonest.by(at));
        soonest.at()
    }

    /// Whether its level moves without any event.
    pub(super) fn is_ramping(&self) -> bool {
        self.hours.open && self.hours.ramping
    }

    /// Of which temperatures of `ix` it proposes what it does now and its guard has nothing to say, until something else
    /// happens; none where any may change that.
    pub(super) fn calm(&self, now: Mono, lamp: &Lamp, ix: ProbeIx) -> Option<Stretch> {
        let kept = match lamp.heat.filter(|heat| heat.probe == ix) {
            Some(_) => self.keeps()?,
            None => Stretch::ALL,
        };
        match lamp.guard.as_ref().filter(|guard| guard.probes.contains(&ix)) {
            Some(guard) if self.guard.is_calm(now) => Some(kept.and(Stretch { below: guard.cut.0, ..Stretch::ALL })),
            Some(_) => None,
            None => Some(kept),
        }
    }

    /// Readings of its own probe for which its proposal stays.
    fn keeps(&self) -> Option<Stretch> {
        match self.reason {
            Reason::Night | Reason::Day | Reason::Staged => Some(Stretch::ALL),
            Reason::MinOn | Reason::MinOff { .. } if !self.hours.open => Some(Stretch::ALL),
            Reason::Turn { .. } | Reason::HeldBack { .. } if self.thermostat.is_none() => Some(Stretch::ALL),
            Reason::Thermostat { .. }
            | Reason::MinOn
            | Reason::MinOff { .. }
            | Reason::Turn { .. }
            | Reason::HeldBack { .. } => {
                let (above, below) = self.thermostat.as_ref()?.keeps(self.target?)?;
                Some(Stretch { above: above.0, below: below.0, until: Mono::END })
            }
            _ => None,
        }
    }

    /// Of temperatures that are [calm](LampControl::calm), which need not be told one by one; none where any must.
    pub(super) fn takes_rows(&self, now: Mono, lamp: &Lamp, concern: &Concern, ix: ProbeIx) -> Option<Stretch> {
        let mut row = Stretch::ALL;
        if concern.guards {
            row.until = self.guard.takes_rows(ix)?;
            if let Some(stoppage) = &self.stoppage {
                row = row.and(stoppage.takes_rows(now, ix, concern.others_warm)?);
            }
        }
        if concern.regulates {
            let acts = self.thermostat.as_ref().is_some_and(|thermostat| !thermostat.takes_rows(self.hours.open));
            row = match (&self.weak, self.target) {
                _ if acts => return None,
                (Some(weak), Some(target)) if self.is_fully_on(lamp) => row.and(weak.takes_rows(target)?),
                (Some(weak), _) if !weak.is_idle() => return None,
                _ => row,
            };
        }
        Some(row)
    }

    /// Takes in a row of temperatures within what it [takes in rows](LampControl::takes_rows).
    pub(super) fn absorb_row(&mut self, lamp: &Lamp, concern: &Concern, ix: ProbeIx, row: &Row) {
        if concern.guards {
            self.guard.absorb_row(ix, row);
            if let Some(stoppage) = &mut self.stoppage {
                stoppage.absorb_row(ix, row, concern.others_warm);
            }
        }
        if concern.regulates {
            if let Some(thermostat) = &mut self.thermostat {
                thermostat.absorb_row(row);
            }
            if let (true, Some(weak)) = (self.is_fully_on(lamp), &mut self.weak) {
                weak.absorb_row(row);
            }
            if let Reason::Thermostat { reading: shown, .. } = &mut self.reason {
                *shown = Celsius(row.last);
            }
        }
    }

    /// Whether it is on as fully as its being too weak is judged by.
    fn is_fully_on(&self, lamp: &Lamp) -> bool {
        self.drive.wanted().share() >= FULL_ENOUGH && self.is_lit_by_report(lamp)
    }

    /// Whether a temperature within what is [calm](LampControl::calm) changes nothing that anybody could see.
    pub(super) fn bears(&self, now: Mono, lamp: &Lamp, concern: &Concern, ix: ProbeIx, reading: Celsius) -> bool {
        if let Some(guard) = lamp.guard.as_ref().filter(|_| concern.guards) {
            let shows_nothing = |stoppage: &Stoppage| stoppage.bears(now, ix, reading, guard.cut, concern.others_warm);
            if !self.guard.bears(now, ix, reading) || !self.stoppage.as_ref().is_none_or(shows_nothing) {
                return false;
            }
        }
        let (Some(weak), true) = (&self.weak, concern.regulates) else { return true };
        match self.target {
            Some(target) if self.drive.wanted().share() >= FULL_ENOUGH => weak.bears(now, reading, target),
            _ => weak.weak().is_none(),
        }
    }

    /// Takes in a temperature that it [bears](LampControl::bears).
    pub(super) fn absorb(
        &mut self,
        now: Mono,
        lamp: &Lamp,
        probe: &Probe,
        concern: &Concern,
        ix: ProbeIx,
        reading: Celsius,
    ) {
        if concern.guards {
            self.guard.absorb(now, ix, reading);
            if let (Some(guard), Some(stoppage)) = (&lamp.guard, &mut self.stoppage) {
                stoppage.temperature(now, ix, reading, guard.cut, concern.others_warm);
            }
        }
        if concern.regulates {
            self.temperature(now, lamp, probe, ix, reading);
            if let Reason::Thermostat { reading: shown, .. } = &mut self.reason {
                *shown = reading;
            }
        }
    }

    /// Whether nothing can be said against it and its output, unless it is by its diagnosis or by a retained command.
    pub(super) fn is_well(&self, now: Mono, lamp: &Lamp) -> bool {
        let obeys = self.drive.disagreement(now).is_none_or(|lasted| lasted < CUT_OFF_AFTER);
        let heats = self.stoppage.as_ref().and_then(Stoppage::evidence).is_some();
        let weak = self.weak.as_ref().and_then(WeakWatch::weak).is_some();
        let held = self.held_since.is_some_and(|since| now.since(since) >= HELD_BACK_LONG);
        obeys && !heats && !weak && !held && !self.guard.is_tripped() && !self.drive.is_deaf(now, &lamp.output)
    }

    /// How it shows that it cannot be stopped, for lamps that warm and were told off: it heats or draws power, or its relay
    /// has reported it on for too long.
    pub(super) fn cannot_be_stopped(&self, now: Mono, lamp: &Lamp) -> Option<String> {
        if let Some(evidence) = self.stoppage.as_ref().and_then(Stoppage::evidence) {
            return Some(evidence.to_string());
        }
        let reported_on = self.drive.reported().is_some_and(|level| !level.is_off());
        let told_off = lamp.guard.is_some() && self.drive.wanted().is_off();
        let for_too_long = self.drive.disagreement(now).is_some_and(|lasted| lasted >= CUT_OFF_AFTER);
        (told_off && reported_on && for_too_long).then(|| "its relay reports it on".to_owned())
    }

    /// The name of the contactor above it.
    pub(super) fn cut_off_name(&self) -> Option<String> {
        self.cut_off.as_deref().map(str::to_owned)
    }

    /// The target in force, for a thermostat.
    pub(super) fn target(&self) -> Option<Celsius> {
        self.target
    }

    /// What of it must survive a restart.
    pub(super) fn record(&self, now: Mono, lamp: &Lamp) -> Option<LampRecord> {
        self.guard.record(now, lamp)
    }

    /// Carries on from the same lamp under earlier settings.
    pub(super) fn adopt(&mut self, earlier: LampControl, same_probe: &dyn Fn(ProbeIx) -> Option<ProbeIx>) {
        self.guard.adopt(&earlier.guard, same_probe);
        if let (Some(thermostat), Some(was)) = (&mut self.thermostat, &earlier.thermostat) {
            thermostat.adopt(was);
        }
        if let (Some(weak), Some(was)) = (&mut self.weak, &earlier.weak) {
            weak.adopt(was);
        }
        // What was permitted stands until the guard is asked again, which a reload does at once.
        self.drive = earlier.drive;
        self.life = earlier.life;
        if self.stoppage.is_some() && earlier.stoppage.is_some() {
            self.stoppage = earlier.stoppage;
        }
        self.reason = earlier.reason;
        self.hand = earlier.hand;
        self.switched = earlier.switched;
        self.cooling_until = earlier.cooling_until;
        self.resting_until = earlier.resting_until;
        self.last_switch = earlier.last_switch;
        self.switch_is_news = earlier.switch_is_news;
        self.off_unheard = earlier.off_unheard;
        self.target = earlier.target;
        self.turn = earlier.turn;
        self.held_since = earlier.held_since;
        self.displaced_until = earlier.displaced_until;
    }
}

/// The one reason: the guard's where it takes something away or has tripped, control's otherwise.
fn reason_for(proposal: Proposal, refusal: Option<Refusal>) -> Reason {
    match refusal {
        Some(refusal @ (Refusal::Tripped { .. } | Refusal::Latched(_))) => Reason::Guard(refusal),
        Some(refusal) if !proposal.level.is_off() || matches!(proposal.reason, Reason::NoReading { .. }) => {
            Reason::Guard(refusal)
        }
        _ => proposal.reason,
    }
}

/// Dimmers are set in whole percents.
fn in_percents(share: f64) -> Level {
    Level::clamped((share * 100.0).round() / 100.0)
}

/// A relay knows on and off alone.
fn whole_for_relay(lamp: &Lamp, level: Level) -> Level {
    if lamp.output.is_relay() && !level.is_off() { Level::FULL } else { level }
}
