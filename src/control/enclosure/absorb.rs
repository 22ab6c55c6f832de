//! Readings and reports of which nothing comes, and when something falls due without any.
//!
//! Most of what a healthy room says changes nothing: the temperature is within the thermostat's band, the relay says again
//! what it said. Each judge tells for itself which readings those are; where all of them do, only what is remembered of
//! the probe is brought up to date. It must leave everything exactly as the whole way would.

use std::time::Duration;

use super::{EnclosureControl, STATE_AFTER_READING};
use crate::control::context::Context;
use crate::control::intake::Calm;
use crate::control::lamp::LampControl;
use crate::settings::{Enclosure, LampIx, Measures, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Watts};

/// A guard reckons how long a reading lasts from one at most this much hotter, K; our choice: narrow enough to come near
/// the reading's own time, wide enough to be reckoned seldom.
const HOTTER: f64 = 2.0;

impl EnclosureControl {
    /// Finds anew when something falls due.
    pub(in crate::control) fn plan(&mut self, ctx: &Context<'_>, enclosure: &Enclosure) {
        let now = ctx.now;
        let lamps = || enclosure.lamps.iter().zip(&self.lamps);
        let timers = lamps().filter_map(|(lamp, control)| control.next_timer(ctx, lamp, &enclosure.probes));
        let trusted = self.probes.iter().filter_map(|control| control.intake.trusted_at()).filter(|&at| at > now);
        let retained = self.retained.iter().map(|&(_, until)| until);
        let others = self.board.next_deadline().into_iter().chain(self.publish.due);
        self.timer = timers.chain(trusted).chain(retained).chain(others).min().unwrap_or(Mono::END);
        self.steady = ctx.stopping.is_none() && !lamps().any(|(_, control)| control.is_ramping());
        self.plan_told(enclosure);
        for (at, (probe, control)) in enclosure.probes.iter().zip(&mut self.probes).enumerate() {
            let silent = ctx.connected.then(|| control.intake.silent_at(probe)).filter(|&at| at > now);
            let missed = self.lamps.iter().filter_map(|lamp| lamp.guard.next_silence(now, ProbeIx(at)));
            control.missed = missed.chain(silent).min().unwrap_or(Mono::END);
            control.calm = None;
        }
    }

    fn plan_told(&mut self, enclosure: &Enclosure) {
        let told = enclosure.lamps.iter().zip(&self.lamps).map(|(lamp, control)| control.told_at(lamp));
        self.told = told.min().unwrap_or(Mono::END);
    }

    /// When it must be looked at next, at the latest; [`Mono::END`] for never. Before that a step without an event changes
    /// nothing.
    pub(in crate::control) fn due(&self) -> Mono {
        self.probes.iter().map(|control| control.missed).fold(self.told.min(self.timer), Mono::min)
    }

    /// It must be looked at by `now`, whatever it thinks itself.
    pub(in crate::control) fn look_by(&mut self, now: Mono) {
        self.timer = self.timer.min(now);
    }

    /// Does what is due: where that is no more than to tell outputs again, no more than that.
    pub(in crate::control) fn fall_due(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let silent = self.probes.iter().any(|control| control.missed <= ctx.now);
        if !self.steady || silent || self.timer <= ctx.now {
            self.step(ctx, enclosure);
            self.plan(ctx, enclosure);
            return;
        }
        for (at, (lamp, control)) in enclosure.lamps.iter().zip(&mut self.lamps).enumerate() {
            control.tell(ctx, lamp, (self.ix, LampIx(at)));
        }
        self.plan_told(enclosure);
    }

    /// Takes in a plain live reading if nothing comes of it, and tells when something may be due sooner than before. None:
    /// nothing was changed, and it must go the whole way. Asked only while nothing is due and the link is up.
    pub(in crate::control) fn absorb(
        &mut self,
        now: Mono,
        enclosure: &Enclosure,
        ix: ProbeIx,
        value: f64,
    ) -> Option<Mono> {
        let probe = enclosure.probes.get(ix.0)?;
        let lasts = self.lasts_calm(now, enclosure, ix, value)?;
        let shown = self.publish.if_requested(now, STATE_AFTER_READING);
        if shown.is_some_and(|due| due <= now) {
            return None;
        }
        match probe.measures {
            Measures::Temperature => {
                let (reading, concerns) = (Celsius(value), &self.probes[ix.0].concerns);
                let lamp = |LampIx(at): LampIx| &enclosure.lamps[at];
                if !concerns.iter().all(|c| self.lamps[c.lamp.0].bears(now, lamp(c.lamp), c, ix, reading)) {
                    return None;
                }
                for c in concerns {
                    self.lamps[c.lamp.0].absorb(now, lamp(c.lamp), probe, c, ix, reading);
                }
            }
            Measures::Power => {
                if !self.bears_power(now, enclosure, ix, Watts(value)) {
                    return None;
                }
                self.power(now, enclosure, ix, Watts(value));
            }
            Measures::Illuminance | Measures::Humidity => {}
            // The UV watch has not said yet of which readings nothing comes.
            Measures::Uvi => return None,
        }
        if let Some(due) = shown {
            (self.publish.due, self.timer) = (shown, self.timer.min(due));
        }
        let control = &mut self.probes[ix.0];
        control.intake.absorb(now, value);
        control.missed = now.after(lasts);
        Some(self.timer.min(control.missed))
    }

    /// For how long a reading that is calm keeps the probe from being missed, at least; none where it is not calm.
    fn lasts_calm(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, value: f64) -> Option<Duration> {
        let control = &self.probes[ix.0];
        let (last, _) = control.intake.last()?;
        let fits = |(calm, _): &(Calm, Duration)| {
            value > calm.above && value < calm.below && (value - last).abs() <= calm.step
        };
        if let Some((_, lasts)) = control.calm.filter(fits) {
            return Some(lasts);
        }
        let found = self.find_calm(now, enclosure, ix, value);
        self.probes[ix.0].calm = found;
        found.filter(fits).map(|(_, lasts)| lasts)
    }

    /// Which readings of a probe are calm until the next step, around `value`.
    fn find_calm(
        &mut self,
        now: Mono,
        enclosure: &Enclosure,
        ix: ProbeIx,
        value: f64,
    ) -> Option<(Calm, Duration)> {
        if !self.steady {
            return None;
        }
        let probe = &enclosure.probes[ix.0];
        let mut calm = self.probes[ix.0].intake.calm(now, probe)?;
        // Fresh up to and including the stale time, so the verdict changes just after it.
        let mut lasts = probe.stale.saturating_add(Duration::from_nanos(1));
        if probe.measures == Measures::Temperature {
            calm.below = calm.below.min(value + HOTTER);
            for (lamp, control) in enclosure.lamps.iter().zip(&self.lamps) {
                let (above, below) = control.calm(now, lamp, ix)?;
                (calm.above, calm.below) = (calm.above.max(above.0), calm.below.min(below.0));
            }
            for at in 0..self.probes[ix.0].concerns.len() {
                let LampIx(lamp) = self.probes[ix.0].concerns[at].lamp;
                self.probes[ix.0].concerns[at].others_warm = self.others_warm(enclosure, lamp);
                lasts = lasts.min(self.lamps[lamp].guard.lasts(ix, Celsius(calm.below)));
            }
        }
        Some((calm, lasts))
    }

    /// Takes in an output's report if it tells nothing new; otherwise it changes nothing.
    pub(in crate::control) fn absorb_report(&mut self, now: Mono, LampIx(ix): LampIx, level: Level) -> bool {
        let steady = self.steady;
        let old = |control: &&mut LampControl| steady && control.drive.is_old_news(level);
        let Some(control) = self.lamps.get_mut(ix).filter(old) else { return false };
        control.drive.report(now, level);
        true
    }
}
